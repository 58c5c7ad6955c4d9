//! A check that was left and gone on with: what was seen before it was left counts only where at least one on/off pair since
//! says the same. Somebody may have had a hand at the clamps meanwhile.

use super::body::Status;
use super::decide::{Decision, Subject, Weighed, Why};
use super::gain::GAIN_FROM;
use super::measure::Bench;
use crate::base::uncertain::{combine, coverage_factor, expanded};
use crate::evidence::Case;
use crate::evidence::step::Kind;
use crate::evidence::step::consensus::{Edge, at_marks};
use crate::evidence::step::estimate::{Step, pairs, step};
use crate::evidence::switching::{LoadTest, Switch};

/// What a step may differ before and after, as a fraction of the load's power, beside three times its uncertainty (ours: what
/// a load varies, warm or cold).
const VARIES: f64 = 0.08;

/// Two steps are the same where they surely differ by less than this fraction of the load's power: what on its own would make
/// no ratio wrong (contract 6). However blurred a step is, that it *may* be the same shows nothing.
const SAME: f64 = 1.0 - GAIN_FROM;

/// What one load in one place says of a subject since the check was gone on with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Since {
    /// The same as before.
    Same,
    /// It was not switched before: all it says is of afterwards, and nothing of what others said before.
    New,
    /// It was not switched on and off since.
    Untried,
    /// It was, and what it did is too poorly known to be called the same, or another.
    Blurred,
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
            if !matches!(decision.status, Status::Correct | Status::Faulty) {
                continue;
            }
            let told: Vec<&Weighed<'_>> = decision.told_by.iter().map(|index| &tests[*index]).collect();
            let said: Vec<Since> =
                groups(&told).iter().map(|group| since(bench, group, subject, at_s)).collect();
            let open = if said.contains(&Since::Otherwise) {
                Why::OtherwiseSince
            } else if said.contains(&Since::Same) || said.iter().all(|one| *one == Since::New) {
                continue;
            } else if said.contains(&Since::Blurred) {
                Why::BlurredSince
            } else {
                Why::UntriedSince
            };
            decision.status = Status::Ambiguous;
            decision.faults.clear();
            decision.why = open;
        }
    }
}

/// Tests of one load in one place belong together: of one that nobody placed, each phase it was carried to, and without marks
/// each run of switchings, is a test of its own.
fn groups<'a>(told: &[&'a Weighed<'a>]) -> Vec<Vec<&'a Weighed<'a>>> {
    let mut groups: Vec<Vec<&Weighed<'_>>> = Vec::new();
    for test in told {
        let load = |test: &Weighed<'_>| {
            let LoadTest { load, .. } = &test.measured.test;
            (load.name.clone(), load.power_w.to_bits(), test.placement)
        };
        match groups.iter_mut().find(|group| load(group[0]) == load(test)) {
            Some(group) => group.push(test),
            None => groups.push(vec![test]),
        }
    }
    groups
}

fn since(bench: &Bench<'_>, group: &[&Weighed<'_>], subject: &Subject, at_s: f64) -> Since {
    let mut edges: Vec<Edge> =
        group.iter().flat_map(|test| test.measured.consensus.edges.iter().cloned()).collect();
    edges.sort_by(|one, other| one.time_s().total_cmp(&other.time_s()));
    let (before, after): (Vec<Edge>, Vec<Edge>) = edges.into_iter().partition(|edge| edge.time_s() < at_s);
    if pairs(&before).is_empty() {
        return Since::New;
    }
    let after = if pairs(&after).is_empty() {
        // No edge was found where it was switched: what the channel did at the marks themselves.
        let marked = group.iter().flat_map(|test| &test.measured.test.switches);
        let since: Vec<Switch> = marked.filter(|switch| switch.time_s >= at_s).copied().collect();
        at_marks(&bench.board, &since).edges
    } else {
        after
    };
    if pairs(&after).is_empty() {
        return Since::Untried;
    }
    let size = group[0].measured.draw.apparent_va();
    let mut said = Since::Same;
    for kind in [Kind::Active, Kind::Reactive] {
        let Some(lane) = bench.board.lane(subject.channel, kind) else { continue };
        match compare(step(&before, lane, size), step(&after, lane, size), size) {
            Since::Otherwise => return Since::Otherwise,
            Since::Same => {}
            _ => said = Since::Blurred,
        }
    }
    said
}

/// One lane before and after. Only pairs count: a single edge is anybody's.
fn compare(before: Option<Step>, after: Option<Step>, size: f64) -> Since {
    let paired = |step: Option<Step>| step.filter(|step| step.pairs > 0);
    let (Some(before), Some(after)) = (paired(before), paired(after)) else { return Since::Blurred };
    let standard = |step: &Step| step.standard * coverage_factor(step.freedom) / 2.0;
    let apart = (after.value - before.value).abs();
    let both = combine(&[standard(&before), standard(&after)]);
    if apart > 3.0 * both + VARIES * size {
        Since::Otherwise
    } else if apart + expanded(both) <= SAME * size {
        Since::Same
    } else {
        Since::Blurred
    }
}
