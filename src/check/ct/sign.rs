//! Whether the meter's power can go negative: a meter without a sign reads a reversed CT as a right one.

use super::body::{CtFault, SignFinding, SignSeen};
use super::decide::{Decision, PAIRS, Subject};
use super::measure::{Bench, Measured};
use super::plant::idle;
use crate::base::{Phase, PointKey, Quantity, Span};
use crate::evidence::channel::Channel;
use crate::evidence::step::Kind;
use crate::evidence::step::estimate::pairs;
use crate::evidence::trace::Trace;
use crate::evidence::{Case, MeterCase};
use crate::profile::{Positive, Source};

/// Power must lie this far below zero, in W, beside five times its scatter.
const BELOW_W: f64 = 20.0;

/// What a channel's power may come from.
const POWERS: [Quantity; 4] =
    [Quantity::ActivePower, Quantity::ActivePowerImport, Quantity::ActivePowerExport, Quantity::PowerFactor];

/// What shows the sign. `None` in the profile's place means that some channel's point does not say `signed = true`.
///
/// `told`: each subject with what the loads' steps say of it, where something shows which marks mean "on".
pub(super) fn sign(
    case: &Case,
    bench: &Bench<'_>,
    measured: &[Measured],
    told: &[(&Subject, Option<&Decision>)],
) -> SignFinding {
    let shown = |negative: &dyn Fn(usize) -> bool| shown_for_all(bench, negative);
    let seen = if shown(&|channel| exported(case, bench, channel, told)) {
        Some(SignSeen::Generation)
    } else if counters_rose(bench, measured) {
        Some(SignSeen::Counters)
    } else if !bench.channels.is_empty() && bench.channels.iter().all(|channel| channel.signed) {
        Some(SignSeen::Profile)
    } else if shown(&|channel| below_with_load(bench, channel, measured)) {
        Some(SignSeen::Load)
    } else {
        None
    };
    SignFinding { seen, convention: convention(bench.meter) }
}

/// Whether every channel went negative, or is read as one that did: a sign that one channel has from a flag or from its type
/// says nothing of a channel that has none.
fn shown_for_all(bench: &Bench<'_>, negative: &dyn Fn(usize) -> bool) -> bool {
    let went: Vec<&Channel> = (0..bench.channels.len())
        .filter(|index| negative(*index))
        .map(|index| &bench.channels[index])
        .collect();
    let like = |one: &Channel| went.iter().any(|other| read_alike(bench.meter, one.phase, other.phase));
    !went.is_empty() && bench.channels.iter().all(like)
}

/// Whether two phases' powers come from the same kinds of registers.
fn read_alike(meter: &MeterCase, one: Phase, other: Phase) -> bool {
    let make = |phase| {
        POWERS.map(|quantity| {
            let point = meter.profile.point(&PointKey::Of(quantity, phase))?;
            let kind = match &point.source {
                Source::Registers { kind, bits, .. } => Some((*kind, *bits)),
                Source::Sum(_) => None,
            };
            Some((kind, point.positive, point.direction.is_some(), point.offset.to_bits()))
        })
    };
    one == other || make(one) == make(other)
}

fn convention(meter: &MeterCase) -> String {
    let powers = meter.profile.points.iter().filter(|point| {
        matches!(point.key, PointKey::Of(Quantity::ActivePower, _)) && point.positive.is_some()
    });
    let mut words: Vec<&str> = powers
        .filter_map(|point| point.positive)
        .map(|positive| match positive {
            Positive::Import => "positive is import, by the profile",
            Positive::Export => "positive is export, by the profile",
        })
        .collect();
    words.dedup();
    match words.as_slice() {
        [] => "import and export have registers of their own, by the profile".to_owned(),
        [one] => (*one).to_owned(),
        _ => "positive is import on some powers and export on others, by the profile".to_owned(),
    }
}

/// The channel went negative as the plant fed in: for at least three readings in a row, with a plant that nothing shows
/// idle, and the loads' steps say that it counts export as negative. A reversed CT is negative for what the site consumes.
fn exported(case: &Case, bench: &Bench<'_>, channel: usize, told: &[(&Subject, Option<&Decision>)]) -> bool {
    let mut its = told.iter().filter(|(subject, _)| subject.channel == channel).peekable();
    let forward = its.peek().is_some()
        && its.all(|(subject, decision)| {
            decision.is_some_and(|decision| {
                let own = decision.senses == Some(subject.line) && decision.sign == Some(1);
                own && !decision.faults.contains(&CtFault::OtherPhase)
            })
        });
    let Some(lane) = bench.board.lane(channel, Kind::Active).filter(|_| forward) else { return false };
    let data = &bench.board.lanes[lane].data;
    !case.site.plants.is_empty()
        && data.segments.iter().filter(|segment| segment.len() >= 3).any(|segment| {
            let below = segment.mean < -(BELOW_W + 5.0 * data.scatter_at(segment.mean));
            let at = |index: usize| bench.origin + Span::from_seconds(data.trace.times[index]);
            let (from, to) = (at(segment.first), at(segment.end - 1));
            below && !idle(case, from, to) && feeds(case, from, to)
        })
}

/// The channel stood below zero while a known load was on, in at least three pairs.
fn below_with_load(bench: &Bench<'_>, channel: usize, measured: &[Measured]) -> bool {
    let Some(lane) = bench.board.lane(channel, Kind::Active) else { return false };
    let data = &bench.board.lanes[lane].data;
    measured.iter().filter(|one| one.shown()).any(|one| {
        one.responses[channel].is_some_and(|response| {
            let level = response.active.level_on;
            response.active.pairs >= PAIRS && level < -(BELOW_W + 5.0 * data.scatter_at(level))
        })
    })
}

/// Whether generation meters, where there are any, show that a plant delivered in this time.
fn feeds(case: &Case, from: crate::base::Stamp, to: crate::base::Stamp) -> bool {
    let mut meters = 0;
    for meter in &case.meters {
        if meter.meter.role != crate::profile::MeterRole::Generation {
            continue;
        }
        meters += 1;
        for (key, series) in &meter.series.points {
            let power = matches!(key, PointKey::Of(Quantity::ActivePower, _));
            let delivers = series
                .samples
                .iter()
                .any(|sample| sample.at >= from && sample.at <= to && sample.value < -BELOW_W);
            if power && delivers {
                return true;
            }
        }
    }
    meters == 0
}

/// The import counter rose with the load and the export counter, which has counted before, stood still.
fn counters_rose(bench: &Bench<'_>, measured: &[Measured]) -> bool {
    let trace = |quantity, phase| {
        let series = bench.meter.series.of(quantity, phase)?;
        Some(Trace::new(&series.samples, bench.origin))
    };
    let both = |phase| Some((trace(Quantity::EnergyImport, phase)?, trace(Quantity::EnergyExport, phase)?));
    let total = both(Phase::Total);
    let counted = |import: &Trace, export: &Trace, one: &Measured| {
        let (mut taken, mut given, mut due, mut times) = (0.0, 0.0, 0.0, 0);
        let edges = &one.consensus.edges;
        let rate = |trace: &Trace, from: f64, to: f64| {
            let rise = trace.values[trace.last_by(to)?] - trace.values[trace.first_from(from)?];
            (to > from).then(|| rise / (to - from))
        };
        for pair in pairs(edges) {
            let (from, to) = (edges[pair.on].event.to_s, edges[pair.off].event.from_s);
            // What the site took before the load came on is not the load's.
            let before = pair.on.checked_sub(1).map(|index| edges[index].event.to_s);
            let start = edges[pair.on].event.from_s;
            let quiet = before.unwrap_or(start - (to - from));
            let (Some(import), Some(export), Some(other)) =
                (rate(import, from, to), rate(export, from, to), rate(import, quiet, start))
            else {
                continue;
            };
            taken += (import - other) * (to - from);
            given += export * (to - from);
            due += one.draw.active_w * (to - from) / 3600.0;
            times += 1;
        }
        let fine = import.smallest_step();
        let ever = export.values.iter().any(|value| *value > 0.0);
        // Each rise is off by up to a step of the counter at either end.
        let blur = 2.0 * fine * f64::from(times).sqrt();
        times > 0
            && ever
            && fine > 0.0
            && taken > 3.0 * fine + blur
            && taken > 0.5 * due
            && given <= 0.1 * fine.min(taken)
    };
    let shown = |one: &&Measured| one.shown();
    if let Some((import, export)) = total {
        let mut tests = measured.iter().filter(shown).peekable();
        return tests.peek().is_some() && tests.all(|one| counted(&import, &export, one));
    }
    let lines: Option<Vec<(Trace, Trace)>> = bench.site.lines().iter().map(|phase| both(*phase)).collect();
    let Some(lines) = lines else { return false };
    let mut tests = measured.iter().filter(shown).peekable();
    tests.peek().is_some()
        && tests.all(|one| {
            one.test.placement.is_some_and(|placement| {
                lines.iter().enumerate().any(|(line, (import, export))| {
                    super::network::draws_in(placement, line) && counted(import, export, one)
                })
            })
        })
}

/// What shows the sign, in words.
pub const fn word(seen: SignSeen) -> &'static str {
    match seen {
        SignSeen::Generation => "generation",
        SignSeen::Counters => "the energy counters",
        SignSeen::Profile => "the profile",
        SignSeen::Load => "a reading below zero with a known load on",
    }
}
