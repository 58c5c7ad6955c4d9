//! The values that the pictures of a review are drawn from.

use serde::Serialize;

use crate::base::Stamp;
use crate::base::uncertain::mean;
use crate::evidence::long::Long;
use crate::evidence::long::volts::LEAST_COVERAGE;

use super::body::VoltageBody;

/// Points of the duration curve.
const STEPS: usize = 100;

/// Circles of the voltage picture.
const POINTS: usize = 200;

/// What pictures are drawn from.
#[derive(Clone, Debug, Serialize)]
pub struct PlotsBody {
    /// Ten-minute means of the export, highest first, by their share of the time.
    pub duration: DurationBody,
    /// Voltage against export, by phase.
    pub voltage: Vec<VoltagePlot>,
    /// The span of the deciding rule with the most energy above the limit, reading by reading.
    pub worst_event: Option<EventBody>,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct DurationBody {
    pub share: Vec<f64>,
    pub export_W: Vec<f64>,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct VoltagePlot {
    pub phase: &'static str,
    pub export_W: Vec<f64>,
    pub voltage_V: Vec<f64>,
    /// What the supply's resistance lets expect at the least and at the most of these exports.
    pub line_from_V: Option<f64>,
    pub line_to_V: Option<f64>,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct EventBody {
    pub phase: &'static str,
    pub limit_W: f64,
    /// What the seconds count from: the beginning of the span.
    pub from: Stamp,
    pub to: Stamp,
    pub second: Vec<f64>,
    pub export_W: Vec<f64>,
}

pub(super) fn plots(long: &Long, voltage: &[VoltageBody], rule: Option<usize>) -> PlotsBody {
    PlotsBody {
        duration: duration(long),
        voltage: voltage.iter().filter_map(|body| against_export(long, body)).collect(),
        worst_event: rule.and_then(|rule| event(long, rule)),
    }
}

fn duration(long: &Long) -> DurationBody {
    let mut powers: Vec<f64> =
        long.rows.iter().filter_map(|row| row.mean_w[0][3]).map(|power| 0.0 - power).collect();
    powers.sort_by(|one, other| other.total_cmp(one));
    let last = powers.len().saturating_sub(1);
    let steps = if powers.is_empty() { 0 } else { STEPS.min(last.max(1)) + 1 };
    let share = |step: usize| step as f64 / (steps - 1).max(1) as f64;
    DurationBody {
        share: (0..steps).map(share).collect(),
        export_W: (0..steps).map(|step| powers[(share(step) * last as f64).round() as usize]).collect(),
    }
}

fn against_export(long: &Long, body: &VoltageBody) -> Option<VoltagePlot> {
    let line = long.plan.site.lines().iter().position(|phase| phase.word() == body.phase)?;
    let points: Vec<(f64, f64)> = long
        .rows
        .iter()
        .filter_map(|row| {
            let volts = row.volts[line].filter(|volts| volts.coverage >= LEAST_COVERAGE)?;
            Some((0.0 - row.mean_w[0][line]?, volts.rms_v))
        })
        .collect();
    let every = points.len().div_ceil(POINTS).max(1);
    let (export, volts): (Vec<f64>, Vec<f64>) = points.iter().step_by(every).copied().unzip();
    if export.is_empty() {
        return None;
    }
    let (mid_w, mid_v) = (mean(&export), mean(&volts));
    let least = export.iter().copied().fold(f64::INFINITY, f64::min);
    let most = export.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let expected = |ohm: f64, export: f64| mid_v + ohm * (export - mid_w) / mid_v;
    Some(VoltagePlot {
        phase: body.phase,
        line_from_V: body.supply_ohm.map(|ohm| expected(ohm, least)),
        line_to_V: body.supply_ohm.map(|ohm| expected(ohm, most)),
        export_W: export,
        voltage_V: volts,
    })
}

fn event(long: &Long, rule: usize) -> Option<EventBody> {
    let event = long.event(rule)?;
    let watch = &long.plan.watches[event.span.watch];
    Some(EventBody {
        phase: event.span.phase.word(),
        limit_W: watch.level_w,
        from: event.span.from,
        to: event.span.to,
        second: event.readings.iter().map(|one| one.at.seconds_since(event.span.from)).collect(),
        export_W: event.readings.iter().map(|one| 0.0 - one.power_w).collect(),
    })
}
