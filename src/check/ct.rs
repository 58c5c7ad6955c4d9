//! Do the CTs of a meter sit right? Switchings of known loads are the evidence; `docs/ct.md` tells the method.
//!
//! The way: channels of the meter → edges around the marks → step of every channel for every load → probability of every
//! connection → status of every channel → verdict. Each station is a file of `ct/` or of `evidence/`.

pub mod body;
mod compare;
pub mod curve;
pub mod decide;
mod document;
mod edges;
pub mod gain;
pub mod hypothesis;
mod level;
pub mod measure;
pub mod network;
pub mod plant;
mod resumed;
pub mod sign;
mod tell;
mod words;

use self::body::{CtBody, CtFault, SignFinding, Status};
use self::curve::{Curve, curves};
use self::decide::{Decision, PAIRS, Subject, Trust, Weighed, Why, decide};
use self::measure::{Bench, Measured};
use super::verdict::{Finding, Verdict};
use crate::base::{Network, Phase, Span, Stamp};
use crate::evidence::hands_free::{load_like, patterns};
use crate::evidence::step::Kind;
use crate::evidence::step::consensus::find;
use crate::evidence::switching::{LoadTest, switchings};
use crate::evidence::{Case, MeterCase};
use crate::profile::{MeterRole, Placement};
use crate::record::{Mark, MarkKind};

/// What bears on the verdict beside the case.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CtOptions {
    /// Judge this meter.
    pub meter: Option<String>,
    /// Nobody marked the switchings: find them.
    pub hands_free: bool,
    /// The check still runs: what is read at its end can't be there yet. Never so in a replay.
    pub under_way: bool,
}

impl CtOptions {
    /// Options as a `check-start` mark holds them, one a line; what is none of these is left to others.
    pub fn from_lines(lines: &[String]) -> Self {
        let mut options = Self::default();
        for line in lines {
            let (name, value) = line.split_once(' ').unwrap_or((line, ""));
            match name {
                "--meter" => options.meter = Some(value.to_owned()),
                "--hands-free" => options.hands_free = true,
                _ => {}
            }
        }
        options
    }
}

/// Marks, as a share, near which something else changes by as much as the load before its steps are doubted (ours).
pub(crate) const RESTLESS: f64 = 0.4;

/// Everything found on the way, for whoever shows it: the document keeps less.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// The finding.
    pub finding: Finding<CtBody>,
    /// The loads as measured.
    pub measured: Vec<Measured>,
    /// What their steps looked like.
    pub curves: Vec<Curve>,
}

/// The meter `ct` judges: the one named, else the steering, else the reference meter.
pub fn meter_of<'a>(case: &'a Case, options: &CtOptions) -> Option<&'a MeterCase> {
    let role = |role| case.meters.iter().find(|meter| meter.meter.role == role);
    match &options.meter {
        Some(name) => case.meters.iter().find(|meter| meter.meter.name == *name),
        None => role(MeterRole::Steering).or_else(|| role(MeterRole::Reference)),
    }
}

/// Judges the CTs of a meter.
pub fn judge(case: &Case, options: &CtOptions) -> Finding<CtBody> {
    examine(case, options).finding
}

/// Judges, and keeps what was measured.
pub fn examine(case: &Case, options: &CtOptions) -> Judged {
    let Some(meter) = meter_of(case, options) else {
        let name = options.meter.clone().unwrap_or_default();
        return Judged { finding: tell::no_meter(&name), measured: Vec::new(), curves: Vec::new() };
    };
    let origin = case.span.map_or(Stamp::from_nanos(0), |span| span.0);
    let bench = Bench::new(meter, &case.site, origin);
    let switchings = switchings(&case.marks, &case.site, origin);
    let unmarked = options.hands_free && switchings.tests.is_empty();
    let measured = if unmarked { hands_free(&bench, origin) } else { bench.measure_all(switchings.tests) };
    let tests = weighed(case, &bench, &measured);
    let (subjects, alone) = subjects(&bench);
    let lines = usize::from(case.site.phases.clamp(1, 3));
    let mut decisions = decide(lines, &subjects, alone, &tests);
    if case.site.plants.is_empty() {
        for decision in decisions.iter_mut().filter(|decision| decision.why == Why::PlantActive) {
            decision.why = Why::Unnamed;
        }
    }
    if alone && case.site.network == Network::Delta {
        between_lines(&mut decisions);
    }
    level::contradict(case, &bench, &tests, &subjects, &mut decisions);
    let senses = level::senses_shown(case, &bench, &tests, &subjects, &decisions);
    let sign = sign::sign(case, &bench, &measured, &told(&subjects, &decisions, &senses));
    gate(&sign, &mut decisions);
    resumed::confirm(case, &bench, &tests, &subjects, &mut decisions);
    let story = tell::Story {
        case,
        bench: &bench,
        tests: &tests,
        subjects: &subjects,
        alone,
        decisions: &decisions,
        sign: &sign,
        unusable: &switchings.unusable,
        unmarked,
        end: case.span.map(|span| span.1).filter(|_| !options.under_way),
        senses_shown: senses.iter().all(|shown| *shown),
    };
    let finding = story.tell();
    let curves = curves(&bench, &measured);
    Judged { finding, measured, curves }
}

/// Tests of switchings that nobody marked. The first switching found is taken for an "on" unless the voltage rose with it.
fn hands_free(bench: &Bench<'_>, origin: Stamp) -> Vec<Measured> {
    let tests = patterns(&bench.board, &bench.site.loads, origin);
    let again: Vec<LoadTest> = bench
        .measure_all(tests)
        .into_iter()
        .map(|one| {
            let mut test = one.test;
            if one.marks_contradicted {
                // It was on when the record began: the first switching is an "off", and belongs to no pair.
                for switch in &mut test.switches {
                    switch.on = !switch.on;
                }
            }
            test
        })
        .collect();
    bench.measure_all(again)
}

/// What the meter said when this value was read off another instrument, in a sentence.
pub fn compared(case: &Case, options: &CtOptions, mark: &Mark) -> Option<String> {
    let meter = meter_of(case, options)?;
    let bench = Bench::new(meter, &case.site, case.span.map_or(Stamp::from_nanos(0), |span| span.0));
    let measured = examine(case, options).measured;
    Some(compare::compare(&bench, mark, &measured.iter().collect::<Vec<_>>())?.sentence)
}

/// How many changes there were that a known load may have made: what a hands-free run has to go by before a pattern shows.
pub fn changes(case: &Case, options: &CtOptions) -> usize {
    let Some(meter) = meter_of(case, options) else { return 0 };
    let bench = Bench::new(meter, &case.site, case.span.map_or(Stamp::from_nanos(0), |span| span.0));
    load_like(&bench.board, &case.site.loads)
}

/// One subject for each channel; for a total that stands for several phases, one for each phase.
fn subjects(bench: &Bench<'_>) -> (Vec<Subject>, bool) {
    let alone = bench.channels.len() == 1 && bench.channels[0].phase == Phase::Total && bench.site.phases > 1;
    if alone {
        return ((0..bench.site.lines().len()).map(|line| Subject { channel: 0, line }).collect(), true);
    }
    let list = bench
        .channels
        .iter()
        .enumerate()
        .map(|(channel, about)| Subject { channel, line: about.phase.line_index().unwrap_or(0) })
        .collect();
    (list, false)
}

/// What the loads' steps say of each subject's direction, where the sense of their marks is shown.
fn told<'a>(
    subjects: &'a [Subject],
    decisions: &'a [Decision],
    senses: &[bool],
) -> Vec<(&'a Subject, Option<&'a Decision>)> {
    let shown = decisions.iter().zip(senses).map(|(decision, shown)| shown.then_some(decision));
    subjects.iter().zip(shown).collect()
}

/// Span of a test in time, with the edges' room around it.
fn span(bench: &Bench<'_>, measured: &Measured) -> (Stamp, Stamp) {
    let (first, last) = measured.test.span_s();
    let at = |seconds| bench.origin + Span::from_seconds(seconds);
    (at(first), at(last))
}

fn weighed<'a>(case: &Case, bench: &Bench<'_>, measured: &'a [Measured]) -> Vec<Weighed<'a>> {
    measured
        .iter()
        .map(|one| {
            let (from, to) = span(bench, one);
            // A control that shows itself is not idle, whatever the marks say. Where nothing generates, what is restless is
            // the house.
            let hunts = one.restless() && !case.site.plants.is_empty();
            let idle = plant::idle(case, from, to) && !one.answered && !hunts;
            let trust = trust(case, bench, one, idle, (from, to));
            Weighed { measured: one, trust, idle, placement: placement(bench, one) }
        })
        .collect()
}

/// Where a load stood, as the subjects count: a total in a delta has a phase for each pair of lines.
fn placement(bench: &Bench<'_>, one: &Measured) -> Option<Placement> {
    let total = bench.channels.len() == 1 && bench.channels[0].phase == Phase::Total;
    match one.test.placement {
        Some(Placement::Between(pair)) if total && bench.site.network == Network::Delta => {
            Some(Placement::Line(Phase::LINES[network::ends(pair).0]))
        }
        other => other,
    }
}

fn trust(case: &Case, bench: &Bench<'_>, one: &Measured, idle: bool, span: (Stamp, Stamp)) -> Trust {
    if one.marks_contradicted {
        return Trust::Contradicted;
    }
    if one.consensus.found {
        // Where as much changes by itself as the load changes, only the voltage tells which change was the load's.
        return match (one.shown(), one.restless() && !one.dipped) {
            (true, false) => Trust::Good,
            (true, true) => Trust::Answered,
            (false, _) => Trust::Chance,
        };
    }
    if !idle {
        return Trust::Answered;
    }
    let ran = one.dipped || read_off(case, span) || moved_elsewhere(case, bench, one);
    if ran { Trust::Good } else { Trust::NotRun }
}

/// A value read off another instrument in this time shows that something ran.
fn read_off(case: &Case, (from, to): (Stamp, Stamp)) -> bool {
    case.marks.iter().any(|mark| {
        let value = mark.value.as_deref().and_then(tell::number).unwrap_or(0.0);
        let power =
            mark.quantity.as_deref().is_none_or(|word| word.contains("power") || word.contains("current"));
        mark.kind == MarkKind::Seen
            && mark.plant.is_none()
            && power
            && value.abs() > 0.0
            && mark.at >= from
            && mark.at <= to + Span::from_millis(60_000)
    })
}

fn moved_elsewhere(case: &Case, bench: &Bench<'_>, one: &Measured) -> bool {
    case.meters.iter().filter(|meter| meter.meter.name != bench.meter.meter.name).any(|meter| {
        let other = Bench::new(meter, bench.site, bench.origin);
        let least = 0.2 * one.test.load.power_w;
        find(&other.board, &one.test.switches, &[Kind::Active], least, &[])
            .is_some_and(|consensus| consensus.chance < 1e-3)
    })
}

/// On a total in a delta one reversed CT cancels loads between its line and another: what does not move there is wrong, and
/// only where nothing moves at all is it a missing response.
fn between_lines(decisions: &mut [Decision]) {
    let dead = |decision: &Decision| decision.faults.contains(&CtFault::NoResponse);
    if decisions.iter().all(dead) {
        return;
    }
    for decision in decisions.iter_mut().filter(|decision| dead(decision)) {
        decision.status = Status::Ambiguous;
        decision.faults.clear();
        decision.why = Why::Several;
    }
}

/// What the sign and the number of pairs leave of a decision.
fn gate(sign: &SignFinding, decisions: &mut [Decision]) {
    for decision in decisions.iter_mut() {
        if !matches!(decision.status, Status::Correct | Status::Faulty) {
            continue;
        }
        if sign.seen.is_none() {
            decision.status = Status::Ambiguous;
            decision.faults.clear();
            decision.why = Why::SignUnknown;
        } else if decision.pairs < 2 || decision.against * 2 > decision.pairs {
            decision.status = Status::Ambiguous;
            decision.faults.clear();
            decision.why = Why::FewPairs;
        } else if !settled(decision) {
            decision.why = Why::FewPairs;
        }
    }
}

/// Enough agreeing pairs for a verdict.
pub(crate) fn settled(decision: &Decision) -> bool {
    decision.pairs >= PAIRS && decision.against * 2 <= decision.pairs
}

/// The verdict the decisions lead to, before what forbids a pass.
pub(crate) fn verdict(decisions: &[Decision]) -> Verdict {
    let sure = |decision: &&Decision| settled(decision);
    if decisions.iter().filter(sure).any(|decision| decision.status == Status::Faulty) {
        Verdict::Fail
    } else if !decisions.is_empty()
        && decisions.iter().all(|decision| decision.status == Status::Correct && settled(decision))
    {
        Verdict::Pass
    } else {
        Verdict::Inconclusive
    }
}
