//! Whether the meter's power can go negative: a meter without a sign reads a reversed CT as a right one.

use super::body::{SignFinding, SignSeen};
use super::measure::{Bench, Measured};
use super::plant::idle;
use crate::base::{Phase, PointKey, Quantity, Span};
use crate::evidence::step::estimate::pairs;
use crate::evidence::trace::Trace;
use crate::evidence::{Case, MeterCase};
use crate::profile::Positive;

/// Power must lie this far below zero, in W, beside five times its scatter.
const BELOW_W: f64 = 20.0;

/// What shows the sign. `None` in the profile's place means that some channel's point does not say `signed = true`.
pub fn sign(case: &Case, bench: &Bench<'_>, measured: &[Measured]) -> SignFinding {
    let seen = if went_negative(case, bench) {
        Some(SignSeen::Generation)
    } else if counters_rose(bench, measured) {
        Some(SignSeen::Counters)
    } else if !bench.channels.is_empty() && bench.channels.iter().all(|channel| channel.signed) {
        Some(SignSeen::Profile)
    } else {
        None
    };
    SignFinding { seen, convention: convention(bench.meter) }
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

/// It went negative as the plant fed in: for at least three readings in a row, with a plant that nothing shows idle.
fn went_negative(case: &Case, bench: &Bench<'_>) -> bool {
    if case.site.plants.is_empty() {
        return false;
    }
    bench.board.lanes.iter().filter(|lane| lane.kind == crate::evidence::step::Kind::Active).any(|lane| {
        lane.data.segments.iter().filter(|segment| segment.len() >= 3).any(|segment| {
            let below = segment.mean < -(BELOW_W + 5.0 * lane.data.scatter_at(segment.mean));
            let at = |index: usize| bench.origin + Span::from_seconds(lane.data.trace.times[index]);
            below
                && !idle(case, at(segment.first), at(segment.end - 1))
                && feeds(case, at(segment.first), at(segment.end - 1))
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
        for pair in pairs(edges) {
            let (from, to) = (edges[pair.on].event.to_s, edges[pair.off].event.from_s);
            let rise = |trace: &Trace| {
                Some(trace.values[trace.last_by(to)?] - trace.values[trace.first_from(from)?])
            };
            if let (Some(import), Some(export)) = (rise(import), rise(export)) {
                taken += import;
                given += export;
                due += one.draw.active_w * (to - from) / 3600.0;
                times += 1;
            }
        }
        let fine = import.smallest_step();
        let ever = export.values.iter().any(|value| *value > 0.0);
        times > 0
            && ever
            && fine > 0.0
            && taken > 3.0 * fine
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
    }
}
