//! From decisions to the finding: verdict, document, sentences.

use super::body::{CtBody, CtFault, Position, SignFinding, Status};
use super::compare::{Compared, fitting_ratio, read_off, settings, unread};
use super::decide::{Decision, Subject, Trust, Weighed, Why};
use super::gain::{GAIN_FROM, GAIN_TO};
use super::measure::Bench;
use super::plant::{Seen, seen};
use super::words;
use crate::base::{Network, Phase, Stamp};
use crate::check::verdict::{Finding, Verdict};
use crate::evidence::{Accuracy, Case};
use crate::profile::Placement;

/// The pairs of lines of a delta, by the first line of each.
const PAIRS_OF_LINES: [Phase; 3] = [Phase::L1L2, Phase::L2L3, Phase::L3L1];

/// Everything the finding is told from.
pub(super) struct Story<'a> {
    pub(super) case: &'a Case,
    pub(super) bench: &'a Bench<'a>,
    pub(super) tests: &'a [Weighed<'a>],
    pub(super) subjects: &'a [Subject],
    pub(super) alone: bool,
    pub(super) decisions: &'a [Decision],
    pub(super) sign: &'a SignFinding,
    pub(super) unusable: &'a [String],
    /// Nobody marked the switchings: they were found.
    pub(super) unmarked: bool,
    /// End of the record; nothing while the check still runs.
    pub(super) end: Option<Stamp>,
    /// Something beside the marks shows which of them mean "on".
    pub(super) senses_shown: bool,
}

/// The number at the head of a value typed in: `8.9`, `8.9 A`.
pub(super) fn number(text: &str) -> Option<f64> {
    let end = text
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+' | ' ')))
        .unwrap_or(text.len());
    text[..end].trim().parse::<f64>().ok().filter(|value| value.is_finite())
}

/// A finding for a meter that is not there.
pub(super) fn no_meter(name: &str) -> Finding<CtBody> {
    let what = if name.is_empty() {
        "The site has no steering or reference meter.".to_owned()
    } else {
        format!("The site has no meter named `{name}`.")
    };
    Finding {
        verdict: Verdict::Inconclusive,
        headline: what.clone(),
        reasons: vec![what],
        next: vec!["Name the meter to judge with --meter.".to_owned()],
        meter: name.to_owned(),
        start: None,
        end: None,
        body: CtBody {
            channels: Vec::new(),
            sign: SignFinding { seen: None, convention: String::new() },
            position: Vec::new(),
            steps: Vec::new(),
        },
    }
}

impl Story<'_> {
    /// The finding.
    pub(super) fn tell(&self) -> Finding<CtBody> {
        let channels = self.channels();
        let plants: Vec<(String, Seen)> = self
            .case
            .site
            .plants
            .iter()
            .map(|plant| {
                (plant.name.clone(), seen(self.case, plant, &self.bench.channels, self.bench.origin))
            })
            .collect();
        let position = self.position(&plants);
        let forbidden = self.forbidden(&plants, &position);
        let outside: Vec<&String> =
            plants.iter().filter(|(_, seen)| *seen == Seen::Outside).map(|(name, _)| name).collect();
        let verdict = match super::verdict(self.decisions) {
            _ if !outside.is_empty() => Verdict::Fail,
            Verdict::Pass if !forbidden.is_empty() => Verdict::Inconclusive,
            Verdict::Fail if self.unmarked && !self.beyond_doubt() => Verdict::Inconclusive,
            other => other,
        };
        let mut reasons: Vec<String> = outside
            .iter()
            .map(|name| {
                format!("The plant {name} stepped and did not move this meter: it is outside the CT.")
            })
            .collect();
        let told = self.told(verdict);
        if verdict == Verdict::Pass {
            reasons.extend(told);
        } else {
            let sentences = self.tests.iter().filter_map(words::distrust);
            let forbids = forbidden.iter().map(|(why, _)| why.clone());
            // Where every channel is right, what forbids the pass is the news.
            if super::verdict(self.decisions) == Verdict::Pass && outside.is_empty() {
                reasons.extend(forbids.chain(told).chain(sentences));
            } else {
                reasons.extend(told.into_iter().chain(sentences).chain(forbids));
            }
        }
        reasons.extend(self.notes());
        let mut next = if verdict == Verdict::Pass { Vec::new() } else { self.next(&forbidden) };
        if !outside.is_empty() {
            next.insert(
                0,
                "Move the CT to the grid side of every plant and load that counts, then test again."
                    .to_owned(),
            );
        }
        dedup(&mut reasons);
        dedup(&mut next);
        Finding {
            verdict,
            headline: self.headline(verdict, &reasons),
            reasons,
            next,
            meter: self.bench.meter.meter.name.clone(),
            start: self.case.span.map(|span| span.0),
            end: self.case.span.map(|span| span.1),
            body: CtBody { channels, sign: self.sign.clone(), position, steps: self.steps() },
        }
    }

    /// Without marks a motor can look like a load on another phase. What no consuming load does on a right channel is to take
    /// the voltage down and the power with it.
    fn beyond_doubt(&self) -> bool {
        self.decisions.iter().zip(self.subjects).any(|(decision, subject)| {
            let test = decision.shown.map(|index| self.tests[index].measured);
            let falls = test.is_some_and(|one| {
                one.dipped
                    && one.responses[subject.channel].is_some_and(|response| response.active.value < 0.0)
            });
            let sized = decision.gain.is_some_and(|(gain, _)| (GAIN_FROM..=GAIN_TO).contains(&gain));
            decision.status == Status::Faulty && falls && sized
        })
    }

    fn phase(&self, subject: &Subject) -> Phase {
        let delta = self.alone && self.case.site.network == Network::Delta;
        if delta { PAIRS_OF_LINES[subject.line] } else { Phase::LINES[subject.line] }
    }

    fn name(&self, subject: &Subject) -> String {
        let phase = self.phase(subject);
        if self.alone {
            format!("The total, on {phase},")
        } else {
            format!("Channel {}", self.bench.channels[subject.channel].phase)
        }
    }

    fn headline(&self, verdict: Verdict, reasons: &[String]) -> String {
        let meter = &self.bench.meter.meter.name;
        match verdict {
            Verdict::Pass if self.alone => {
                format!("The CTs of {meter} sit right: the total follows the load on every phase.")
            }
            Verdict::Pass if self.subjects.len() == 1 => format!("The CT of {meter} sits right."),
            Verdict::Pass => format!("The CTs of {meter} sit right on all {} phases.", self.subjects.len()),
            Verdict::Fail | Verdict::Inconclusive => {
                reasons.first().cloned().unwrap_or_else(|| format!("Nothing was measured on {meter}."))
            }
        }
    }

    /// Sentences on the subjects: faulty ones first, then open, then right.
    fn told(&self, verdict: Verdict) -> Vec<String> {
        let rank = |status: Status| match status {
            Status::Faulty => 0,
            Status::Ambiguous => 1,
            Status::Untested => 2,
            Status::Correct => 3,
        };
        let mut order: Vec<usize> = (0..self.subjects.len()).collect();
        order.sort_by_key(|index| (rank(self.decisions[*index].status), *index));
        let mut list = Vec::new();
        if self.bench.channels.is_empty() {
            list.push(format!("{} gave no reading of active power.", self.bench.meter.meter.name));
        }
        if self.tests.is_empty() && verdict == Verdict::Inconclusive {
            list.push(if self.unmarked {
                "No pattern of a known load, on and off in turn at least three times, was found.".to_owned()
            } else {
                "No known load was marked as switched.".to_owned()
            });
        }
        for index in order {
            let decision = &self.decisions[index];
            let mut sentences = words::subject(&self.name(&self.subjects[index]), decision, self.tests);
            if decision.why == Why::FewPairs && decision.status != Status::Ambiguous {
                sentences.push(format!(
                    "{} has {} agreeing pairs and {} others; a verdict needs {}, and most of all.",
                    self.name(&self.subjects[index]),
                    decision.pairs,
                    decision.against,
                    super::PAIRS
                ));
            }
            list.extend(sentences);
        }
        list
    }

    /// What forbids a pass, each with what would settle it.
    fn forbidden(&self, plants: &[(String, Seen)], position: &[Position]) -> Vec<(String, String)> {
        let mut list = Vec::new();
        if self.case.binding.part {
            list.push((
                "Only a part of the check is there, and what was cut off might tell against it.".to_owned(),
                "Join the parts with `wattward capture join`.".to_owned(),
            ));
        }
        if self.case.binding.shared_line {
            list.push((
                "The line was shared with another master: such a check never passes.".to_owned(),
                "Test again with this program as the only master, or listen to the other one with --listen."
                    .to_owned(),
            ));
        }
        let voltage_shows = !self.tests.is_empty()
            && self.tests.iter().all(|test| test.measured.dipped && !test.measured.marks_contradicted);
        if self.unmarked && !voltage_shows {
            list.push((
                "Marks are missing, and no voltage shows which switchings were \"on\": what was found may be another load's.".to_owned(),
                "Mark the switchings, or add the voltages to the profile.".to_owned(),
            ));
        }
        if !self.tests.is_empty() && !self.unmarked && !self.senses_shown {
            list.push((
                "Nothing beside the marks shows when the load was on: no voltage fell with it, and the plant was not shown idle.".to_owned(),
                "See that the load runs; read the voltages too, or switch the plant off for the test (mark `plant-off`).".to_owned(),
            ));
        }
        for load in position.iter().filter(|entry| entry.seen == Some(false)) {
            if !plants.iter().any(|(name, _)| *name == load.source) {
                list.push((
                    format!("The {} ran and did not move the meter.", load.source),
                    format!("Find out on which side of the CT the {} is connected.", load.source),
                ));
            }
        }
        for (name, _) in plants.iter().filter(|(_, seen)| *seen == Seen::Unmoved) {
            list.push((
                format!("The plant {name} was switched off and on and the meter did not move; nothing shows what it produced."),
                format!("Switch {name} off and on while it produces, or note its power (a `seen` mark)."),
            ));
        }
        for compared in self.read_off().into_iter().filter(|compared| compared.contradicts) {
            list.push((
                compared.sentence,
                "Read the current again, the clamp around the conductor that the CT encloses, and type it; if it stays, look where the CT sits and what its ratio is.".to_owned(),
            ));
        }
        if settings(self.bench).1 {
            list.push((
                "A setting of the meter changed during the check: its readings are not of one kind."
                    .to_owned(),
                "Set the meter, leave it alone, and test again.".to_owned(),
            ));
        }
        list.extend(unread(self.bench, self.tests, self.end).0);
        let measured = self.bench.channels.len();
        if measured > 0 && !self.alone && measured < self.case.site.lines().len() {
            list.push((
                "The meter reports no power for some phases of the site, and no total.".to_owned(),
                "Add the missing phases, or the total, to the profile.".to_owned(),
            ));
        }
        list
    }

    fn next(&self, forbidden: &[(String, String)]) -> Vec<String> {
        let has = |fault| self.decisions.iter().any(|decision| decision.faults.contains(&fault));
        let mut list = Vec::new();
        if self.decisions.iter().any(|decision| decision.status == Status::Faulty) {
            list.extend(words::mend(
                &self.bench.meter.meter,
                has(CtFault::Reversed),
                has(CtFault::OtherPhase),
            ));
        }
        let tested: Vec<Phase> = self
            .tests
            .iter()
            .filter(|test| test.trust == Trust::Good)
            .filter_map(|test| match test.measured.test.placement {
                Some(Placement::Line(phase)) => Some(phase),
                _ => None,
            })
            .collect();
        let lines = self.case.site.lines().len();
        if self.tests.is_empty() && !self.unmarked {
            list.push("If a known load was switched in this record and nobody marked it, judge it with --hands-free.".to_owned());
        }
        if self.sign.seen.is_none() && !self.tests.is_empty() {
            list.push(
                "Show that this meter's power can go negative: record it while the plant feeds in, read its energy counters, or state `signed = true` in the profile if you have seen it negative."
                    .to_owned(),
            );
        }
        list.extend(self.tests.iter().filter_map(words::retry));
        for (subject, decision) in self.subjects.iter().zip(self.decisions) {
            let name = format!("channel {}", self.bench.channels[subject.channel].phase);
            list.extend(words::next(&name, self.phase(subject), decision, lines, &tested));
        }
        list.extend(fitting_ratio(self.bench, self.decisions));
        list.extend(forbidden.iter().map(|(_, mend)| mend.clone()));
        if self.tests.iter().any(|test| test.measured.overloaded) {
            list.push(
                "Test with less load on the phase: above 120 % of the CTs' rated current nothing is judged."
                    .to_owned(),
            );
        }
        list
    }

    fn read_off(&self) -> Vec<Compared> {
        let loads = self.tests.iter().filter(|test| test.trust == Trust::Good).map(|test| test.measured);
        read_off(self.case, self.bench, &loads.collect::<Vec<_>>())
    }

    /// What is said whatever the verdict.
    fn notes(&self) -> Vec<String> {
        let mut list = self.unusable.to_vec();
        let meter = &self.bench.meter.meter;
        for test in self.tests {
            let consensus = &test.measured.consensus;
            let place = words::place(test.measured.test.placement);
            if let Some(answer) =
                consensus.answer.filter(|answer| consensus.found && answer.share.abs() > 0.15)
            {
                let name = &test.measured.test.load.name;
                list.push(if answer.share < 0.0 {
                    format!("A control answered the {name} on {place} after {:.1} s; the step was read before.", answer.after_s)
                } else {
                    format!("After the {name} on {place} the power ran off further, {:.1} s later: a control that follows a reversed CT does that. Stop the plant.", answer.after_s)
                });
            }
        }
        if self.tests.iter().any(|test| test.measured.overloaded) {
            list.push(
                "A channel stood above 120 % of its CT's rated current; nothing is judged there.".to_owned(),
            );
        }
        if Accuracy::of(meter, false).assumed() {
            list.push("The site file gives no accuracy class: class 2 is assumed.".to_owned());
        }
        list.extend(settings(self.bench).0);
        list.extend(unread(self.bench, self.tests, None).1);
        list.extend(self.read_off().into_iter().map(|compared| compared.sentence));
        list
    }
}

/// Keeps the first of equal sentences.
fn dedup(list: &mut Vec<String>) {
    let mut kept: Vec<String> = Vec::with_capacity(list.len());
    for sentence in list.drain(..) {
        if !kept.contains(&sentence) {
            kept.push(sentence);
        }
    }
    *list = kept;
}
