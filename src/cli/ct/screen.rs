//! What a live CT check says as it goes: the step as it forms, what a pair has shown, how a check is gone on with.

use super::super::earlier::Earlier;
use crate::base::{Phase, Span};
use crate::check::Finding;
use crate::check::ct::body::{ChannelFinding, CtBody, Status, StepValue};
use crate::check::ct_steps::{Progress, Turn};

/// What to know before it begins.
pub(super) const BEFORE: &str = "Nothing has to be opened for this test; only those licensed to do so open the panel.\n\
    Ctrl-C leaves it so that it can be gone on with. A value read off a clamp meter can be typed at a prompt: 8.9A, or L2 8.9A.";

/// What to know about a check that is gone on with; nothing for one that begins.
pub(super) fn again(earlier: &Earlier) -> Option<String> {
    let (began, left) = (earlier.began?, earlier.left?);
    let clock = |at: crate::base::Stamp| at.rfc3339(0).split_at(11).1.trim_end_matches('Z').to_owned();
    Some(format!(
        "Going on with the check of {} UTC, left at {}. Each phase is switched once more at least, to show that it \
         still holds. If anything was changed at the CTs, leads or settings meanwhile, stop with Ctrl-C and begin a new check.",
        clock(began),
        clock(left)
    ))
}

fn channel(finding: &Finding<CtBody>, phase: Phase) -> Option<&ChannelFinding> {
    let channels = &finding.body.channels;
    channels.iter().find(|one| one.channel == phase.word()).or(channels.first())
}

/// The step of the load on this phase so far. A total has one for each phase; its document shows the worst.
pub(super) fn step(finding: &Finding<CtBody>, phase: Phase) -> Option<StepValue> {
    channel(finding, phase).filter(|one| one.channel == phase.word() || one.pairs > 0)?.step
}

/// The line shown while a load stays on or off, at most 79 columns: power now, step so far, pairs left, time left.
pub(super) fn forming(
    turn: &Turn,
    now_w: Option<f64>,
    before_w: Option<f64>,
    step: Option<StepValue>,
    pairs: usize,
    left: Span,
) -> String {
    let now = now_w.map_or_else(|| "no reading".to_owned(), |watts| format!("{watts:.0} W"));
    let shown = match (step.filter(|_| pairs > 0), now_w.zip(before_w)) {
        (Some(step), _) => format!("step {:.0} \u{b1} {:.0} W", step.active_w, step.active_u_w),
        (None, Some((now, before))) => format!("step {:+.0} W so far", now - before),
        (None, None) => "no step yet".to_owned(),
    };
    let (least, most) = turn.pairs();
    let more = match least.saturating_sub(pairs) {
        0 => format!("pair {pairs} of at most {most}"),
        1 => "1 pair left at least".to_owned(),
        more => format!("{more} pairs left at least"),
    };
    format!("{}  {now}  {shown}  {more}  next in {:.0} s", turn.place.word(), left.seconds().max(0.0))
}

/// A step with its uncertainty below this part of the expected one: nothing moved. Ours.
const STILL: f64 = 0.2;

/// What stands after a pair.
pub(super) fn after_pair(
    finding: &Finding<CtBody>,
    turn: &Turn,
    load: &str,
    pairs: usize,
    progress: Progress,
) -> String {
    let place = turn.place.word();
    if turn.position {
        let seen =
            finding.body.position.iter().find(|entry| entry.source == load).and_then(|entry| entry.seen);
        let word = match seen {
            Some(true) => format!("{load} moves the meter"),
            Some(false) => format!("{load} does not move the meter"),
            None => "not shown yet".to_owned(),
        };
        return format!("{place}: pair {pairs}, {word}");
    }
    let Some((channel, step)) = channel(finding, turn.phase()).and_then(|one| Some((one, one.step?))) else {
        return format!("{place}: pair {pairs}, no step seen{}", end("open", turn, pairs, progress));
    };
    let word = match channel.status {
        Status::Correct => "right",
        Status::Faulty => "wrong",
        Status::Untested | Status::Ambiguous => "open",
    };
    let still = channel.expected.is_some_and(|expected| {
        libm::hypot(step.active_w, step.reactive_var.unwrap_or(0.0)) + step.active_u_w
            < STILL * expected.active_w.abs()
    });
    let still = if still { format!(", nothing moved: see that {load} runs") } else { String::new() };
    // Adding nothing takes the sign off a zero.
    let step = format!("step {:.0} \u{b1} {:.0} W{still}", step.active_w.round() + 0.0, step.active_u_w);
    format!("{place}: pair {pairs}, {step}{}", end(word, turn, pairs, progress))
}

fn end(word: &str, turn: &Turn, pairs: usize, progress: Progress) -> String {
    let (least, most) = turn.pairs();
    match progress {
        Progress::More if pairs < least => {
            let so_far = if word == "open" { String::new() } else { format!(", {word} so far") };
            format!("{so_far}; {} more at least", least - pairs)
        }
        Progress::More => format!(", still {word}; {} more at most", most.saturating_sub(pairs)),
        Progress::Next if word == "open" => ", still open".to_owned(),
        Progress::Next | Progress::Shown => format!(": {word}"),
    }
}

/// The line shown while nobody is asked: what stands of each channel, and how long it still goes on.
pub(super) fn recording(finding: &Finding<CtBody>, changes: usize, left: Span) -> String {
    let channels = finding.body.channels.iter().filter(|one| one.pairs > 0).map(|one| {
        let word = match one.status {
            Status::Correct => "right so far",
            Status::Faulty => "wrong",
            Status::Untested | Status::Ambiguous => "open",
        };
        format!("{} {word}, {} pairs", one.channel, one.pairs)
    });
    let channels: Vec<String> = channels.collect();
    let seen = if channels.is_empty() {
        format!("{changes} changes of about the load's size")
    } else {
        channels.join("; ")
    };
    format!("recording  {seen}  {:.0} min left  q Enter: judge", (left.seconds() / 60.0).ceil())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::Verdict;
    use crate::check::ct::body::{Expected, SignFinding};
    use crate::profile::Placement;

    fn finding(status: Status, pairs: usize) -> Finding<CtBody> {
        let step = StepValue { active_w: 2004.4, active_u_w: 35.2, reactive_var: None, reactive_u_var: None };
        let channel = ChannelFinding {
            channel: "L1".into(),
            status,
            faults: Vec::new(),
            senses: None,
            sign: None,
            gain: None,
            gain_u: None,
            confidence: 0.9,
            pairs,
            step: Some(step),
            expected: None,
            responses: Vec::new(),
        };
        Finding {
            verdict: Verdict::Inconclusive,
            headline: String::new(),
            reasons: Vec::new(),
            next: Vec::new(),
            meter: String::new(),
            start: None,
            end: None,
            body: CtBody {
                channels: vec![channel],
                sign: SignFinding { seen: None, convention: String::new() },
                position: Vec::new(),
                steps: Vec::new(),
            },
        }
    }

    fn turn(line: Phase) -> Turn {
        Turn { load: 0, place: Placement::Line(line), carried: false, position: false }
    }

    #[test]
    fn the_step_is_shown_as_it_forms() {
        let left = Span::from_millis(8200);
        let line = forming(&turn(Phase::L1), Some(2134.0), Some(121.0), None, 0, left);
        assert_eq!(line, "L1  2134 W  step +2013 W so far  3 pairs left at least  next in 8 s");
        let shown = step(&finding(Status::Ambiguous, 2), Phase::L1);
        let line = forming(&turn(Phase::L1), Some(2134.0), None, shown, 2, left);
        assert_eq!(line, "L1  2134 W  step 2004 ± 35 W  1 pair left at least  next in 8 s");
        let line = forming(&turn(Phase::L3), Some(-12345.0), None, shown, 6, left);
        assert!(line.chars().count() < 80, "{line}");
    }

    #[test]
    fn a_load_that_was_forgotten_is_told_after_its_first_pair() {
        let mut finding = finding(Status::Ambiguous, 1);
        let channel = &mut finding.body.channels[0];
        channel.expected = Some(Expected { active_w: 2000.0, reactive_var: 0.0 });
        let step = channel.step.as_mut().expect("a step");
        (step.active_w, step.active_u_w) = (-0.3, 15.0);
        assert_eq!(
            after_pair(&finding, &turn(Phase::L1), "kettle", 1, Progress::More),
            "L1: pair 1, step 0 ± 15 W, nothing moved: see that kettle runs; 2 more at least"
        );
    }

    #[test]
    fn a_pair_says_what_it_has_shown() {
        let said = |status, pairs, progress| {
            after_pair(&finding(status, pairs), &turn(Phase::L1), "kettle", pairs, progress)
        };
        assert_eq!(
            said(Status::Ambiguous, 1, Progress::More),
            "L1: pair 1, step 2004 ± 35 W; 2 more at least"
        );
        assert_eq!(
            said(Status::Correct, 2, Progress::More),
            "L1: pair 2, step 2004 ± 35 W, right so far; 1 more at least"
        );
        assert_eq!(said(Status::Correct, 3, Progress::Next), "L1: pair 3, step 2004 ± 35 W: right");
        assert_eq!(said(Status::Faulty, 3, Progress::Shown), "L1: pair 3, step 2004 ± 35 W: wrong");
        assert_eq!(
            said(Status::Ambiguous, 4, Progress::More),
            "L1: pair 4, step 2004 ± 35 W, still open; 2 more at most"
        );
    }
}
