//! A check that was left and gone on with: what was seen before it was left counts only where at least one on/off pair since
//! says the same. Somebody may have had a hand at the clamps meanwhile.

use super::body::Status;
use super::decide::{Decision, Subject, Trust, Weighed, Why};
use super::measure::Bench;
use crate::base::uncertain::{combine, coverage_factor};
use crate::evidence::Case;
use crate::evidence::step::Kind;
use crate::evidence::step::consensus::Edge;
use crate::evidence::step::estimate::{Step, pairs, step};

/// What a step may differ before and after, as a fraction of the load's power, beside three times its uncertainty (ours: what
/// a load varies, warm or cold).
const VARIES: f64 = 0.08;

/// What one load says of a channel since the check was gone on with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Since {
    /// The same as before, or it was not switched before.
    Same,
    /// It was not switched on and off since.
    Untried,
    /// It moved the channel otherwise, or no longer.
    Otherwise,
}

/// Opens what was settled before the check was left and is not shown to hold still.
pub(super) fn confirm(
    case: &Case,
    bench: &Bench<'_>,
    tests: &[Weighed<'_>],
    subjects: &[Subject],
    decisions: &mut [Decision],
) {
    let resumed = case.marks.iter().filter(|mark| mark.resumes().is_some());
    for at_s in resumed.map(|mark| mark.at.seconds_since(bench.origin)) {
        for (subject, decision) in subjects.iter().zip(decisions.iter_mut()) {
            let Some(shown) = decision.shown.map(|index| &tests[index]) else { continue };
            if !matches!(decision.status, Status::Correct | Status::Faulty) {
                continue;
            }
            let like = |test: &&Weighed<'_>| {
                let same_load = test.measured.test.load.name == shown.measured.test.load.name;
                test.trust == Trust::Good && same_load && test.placement == shown.placement
            };
            let said: Vec<Since> =
                tests.iter().filter(like).map(|test| since(bench, test, subject, at_s)).collect();
            let open = if said.contains(&Since::Otherwise) {
                Why::OtherwiseSince
            } else if said.contains(&Since::Same) {
                continue;
            } else {
                Why::UntriedSince
            };
            decision.status = Status::Ambiguous;
            decision.faults.clear();
            decision.why = open;
        }
    }
}

fn since(bench: &Bench<'_>, test: &Weighed<'_>, subject: &Subject, at_s: f64) -> Since {
    let measured = test.measured;
    let (before, after): (Vec<Edge>, Vec<Edge>) =
        measured.consensus.edges.iter().cloned().partition(|edge| edge.time_s() < at_s);
    if pairs(&before).is_empty() {
        return Since::Same;
    }
    if pairs(&after).is_empty() {
        let marks = || measured.test.switches.iter().skip_while(|switch| switch.time_s < at_s);
        let switched = marks().zip(marks().skip(1)).any(|(one, next)| one.on && !next.on);
        return if switched { Since::Otherwise } else { Since::Untried };
    }
    let size = measured.draw.apparent_va();
    let otherwise = [Kind::Active, Kind::Reactive].into_iter().any(|kind| {
        let Some(lane) = bench.board.lane(subject.channel, kind) else { return false };
        match (step(&before, lane, size), step(&after, lane, size)) {
            (Some(before), Some(after)) => {
                let standard = |step: &Step| step.standard * coverage_factor(step.freedom) / 2.0;
                let apart = (after.value - before.value).abs();
                apart > 3.0 * combine(&[standard(&before), standard(&after)]) + VARIES * size
            }
            _ => true,
        }
    });
    if otherwise { Since::Otherwise } else { Since::Same }
}
