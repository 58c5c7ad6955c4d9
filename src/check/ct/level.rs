//! What the level of a power says while the plant is idle: a site then only consumes, so a right channel never shows export,
//! and a reversed one nothing else. A contradiction is no fault; it says that the marks stand the wrong way round or that
//! something generates that nobody named.

use super::body::{CtFault, Status};
use super::decide::{Decision, Subject, Weighed, Why};
use super::measure::Bench;
use super::plant;
use crate::base::Span;
use crate::evidence::Case;
use crate::evidence::step::Kind;

/// Which signs a channel's power had, for long enough and clearly enough.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Level {
    negative: bool,
    positive: bool,
}

/// Opens what the levels contradict.
pub(super) fn contradict(
    case: &Case,
    bench: &Bench<'_>,
    tests: &[Weighed<'_>],
    subjects: &[Subject],
    decisions: &mut [Decision],
) {
    // A control that answers is a plant that is not idle, whatever the marks say.
    if tests.is_empty() || tests.iter().any(|test| test.measured.answered) {
        return;
    }
    let size = tests.iter().fold(0.0_f64, |most, test| most.max(test.measured.draw.apparent_va()));
    let levels: Vec<Level> =
        (0..bench.channels.len()).map(|channel| level(case, bench, channel, size)).collect();
    let against = |decision: &Decision, subject: &Subject| {
        let level = levels[subject.channel];
        // Only where voltage and current agree does the level's sign say anything.
        let own = decision.senses == Some(subject.line) && !decision.faults.contains(&CtFault::OtherPhase);
        own && (level.negative && decision.sign == Some(1) || level.positive && decision.sign == Some(-1))
    };
    // On a total one phase says nothing; all of them together, right or reversed alike, do.
    let one_total = subjects.len() > 1 && bench.channels.len() == 1;
    let each: Vec<bool> =
        decisions.iter().zip(subjects).map(|(decision, subject)| against(decision, subject)).collect();
    let alike = decisions.iter().all(|decision| decision.sign == decisions[0].sign);
    let all = alike && each.iter().all(|against| *against);
    for (decision, against) in decisions.iter_mut().zip(each) {
        if against && (!one_total || all) {
            decision.status = Status::Ambiguous;
            decision.faults.clear();
            decision.why = Why::Level;
        }
    }
}

/// Whether something beside the marks shows which way each subject's marks stand: the voltage that fell with the load, or,
/// with the plant idle, a power that is import. Else a reversed CT and marks the wrong way round look right together.
pub(super) fn senses_shown(
    case: &Case,
    bench: &Bench<'_>,
    tests: &[Weighed<'_>],
    subjects: &[Subject],
    decisions: &[Decision],
) -> Vec<bool> {
    let size = tests.iter().fold(0.0_f64, |most, test| most.max(test.measured.draw.apparent_va()));
    let quiet = !tests.iter().any(|test| test.measured.answered);
    let shown = |(decision, subject): (&Decision, &Subject)| {
        let fell = decision.shown.is_some_and(|index| tests[index].measured.dipped);
        fell || quiet && level(case, bench, subject.channel, size).positive
    };
    decisions.iter().zip(subjects).map(shown).collect()
}

fn level(case: &Case, bench: &Bench<'_>, channel: usize, size: f64) -> Level {
    let Some(lane) = bench.board.lane(channel, Kind::Active) else { return Level::default() };
    let data = &bench.board.lanes[lane].data;
    let (mut below, mut above) = (0.0, 0.0);
    for segment in data.segments.iter().filter(|segment| segment.len() >= 3) {
        let (from, to) = (data.trace.times[segment.first], data.trace.times[segment.end - 1]);
        let at = |seconds| bench.origin + Span::from_seconds(seconds);
        let clear = 5.0 * data.scatter_at(segment.mean) + 0.02 * size + 10.0;
        if segment.mean.abs() > clear && plant::idle(case, at(from), at(to)) {
            if segment.mean < 0.0 {
                below += to - from;
            } else {
                above += to - from;
            }
        }
    }
    let long = 4.0_f64.max(2.0 * bench.board.period_s);
    Level { negative: below >= long, positive: above >= long }
}
