//! The figures of a review, from the long view.

use std::collections::BTreeMap;

use super::body::{
    ChangedBody, DayBody, EnergyBody, Evidence, HuntingBody, OverLimitBody, PeriodBody, ResetBody,
    SilenceBody, SilentBody, SpanBody, TrainBody, VoltageBody,
};
use super::causes::covered_s;
use crate::base::zone::Zone;
use crate::base::{Phase, PointKey, Quantity, Stamp};
use crate::evidence::long::flow::Energy;
use crate::evidence::long::impedance::impedance;
use crate::evidence::long::volts::LEAST_COVERAGE;
use crate::evidence::long::{Long, tick_start};

/// Counters and power may differ by this share of what passed, besides the counter's steps (ours: readings once a second
/// are not the meter's own integration).
const ENERGY_SHARE: f64 = 0.02;

/// Spans, silences and trains written down.
const MOST_SHOWN: usize = 100;

pub(super) fn period(long: &Long, (start, end): (Stamp, Stamp)) -> PeriodBody {
    PeriodBody {
        start,
        end,
        duration_s: end.seconds_since(start),
        covered_s: long.rows.iter().fold(0.0, |sum, row| sum + covered_s(row)),
        readings: long.meters[long.plan.main].readings,
    }
}

pub(super) fn energy(long: &Long) -> EnergyBody {
    let main = &long.meters[long.plan.main];
    let (import, export) = (main.energy.import_ws / 3600.0, main.energy.export_ws / 3600.0);
    let mut phases: Option<Energy> = None;
    for both in long.rows.iter().filter_map(|row| row.by_phase) {
        phases = Some(phases.unwrap_or_default().plus(both[0].plus(both[1])));
    }
    let by_phase = phases.map(|sum| (sum.import_ws / 3600.0, sum.export_ws / 3600.0));
    let turned = main.energy.turned_ws.max(phases.unwrap_or_default().turned_ws) / 3600.0;
    let steps = [Quantity::EnergyImport, Quantity::EnergyExport].map(|quantity| {
        let step = |phase: Phase| long.plan.register_step(long.plan.main, &PointKey::Of(quantity, phase));
        step(Phase::Total)
            .unwrap_or_else(|| long.plan.site.lines().iter().filter_map(|phase| step(*phase)).sum())
    });
    let room = |step: f64, passed: f64| 2.0 * step + ENERGY_SHARE * passed + turned + 1.0;
    let fits = |(import, export): (f64, f64)| {
        let passed = import + export;
        let near = |counted: Option<f64>, own: f64, step: f64| {
            counted.is_none_or(|counted| (counted - own).abs() <= room(step, passed))
        };
        near(main.counted_wh[0], import, steps[0]) && near(main.counted_wh[1], export, steps[1])
    };
    let counted = main.counted_wh.iter().any(Option::is_some);
    let (as_sum, as_phases) = (fits((import, export)), by_phase.is_some_and(fits));
    let netting = match (counted, as_sum, as_phases) {
        (true, true, false) if by_phase.is_some() => "sum",
        (true, false, true) => "phase",
        _ => "unknown",
    };
    let generation = (!long.plan.generation.is_empty())
        .then(|| long.rows.iter().fold(0.0, |sum, row| sum + row.generation_ws) / 3600.0);
    EnergyBody {
        import_Wh: import,
        export_Wh: export,
        import_by_phase_Wh: by_phase.map(|(import, _)| import),
        export_by_phase_Wh: by_phase.map(|(_, export)| export),
        import_counter_Wh: main.counted_wh[0],
        export_counter_Wh: main.counted_wh[1],
        agree: counted.then_some(as_sum || as_phases),
        netting,
        generation_Wh: generation,
        unseen_export_Wh: long.unseen.iter().fold(0.0, |sum, unseen| sum + unseen.export_wh),
    }
}

pub(super) fn over_limit(long: &Long) -> OverLimitBody {
    let spans = &long.spans;
    let all = spans.breaking.plus(spans.allowed);
    let watch = long.plan.watches.first();
    let covered: f64 = long.rows.iter().fold(0.0, |sum, row| sum + covered_s(row));
    OverLimitBody {
        limit_W: watch.map(|watch| watch.level_w),
        longest_s: watch.map(|watch| watch.longest_s),
        spans: spans
            .worst()
            .iter()
            .take(MOST_SHOWN)
            .map(|span| SpanBody {
                phase: span.phase.word(),
                start: span.from,
                end: span.to,
                duration_s: span.length_s(),
                worst_averaged_export_W: span.worst_w,
                energy_Wh: span.energy_ws / 3600.0,
            })
            .collect(),
        count: all.count,
        breaking: spans.breaking.count,
        time_s: all.time_s,
        share: if covered > 0.0 { all.time_s / covered } else { 0.0 },
        energy_Wh: all.energy_ws / 3600.0,
        breaking_energy_Wh: spans.breaking.energy_ws / 3600.0,
        worst_averaged_export_W: spans.worst_w,
        worst_at: spans.worst_at,
    }
}

pub(super) fn by_day(long: &Long) -> Vec<DayBody> {
    let zone = Zone::named(&long.plan.site.time_zone).unwrap_or_default();
    let mut days: BTreeMap<String, DayBody> = BTreeMap::new();
    for row in &long.rows {
        let local = zone.local(tick_start(row.tick));
        let hour: usize = local.time.get(..2).and_then(|hour| hour.parse().ok()).unwrap_or(0).min(23);
        let day = days.entry(local.date.clone()).or_insert_with(|| DayBody {
            day: local.date,
            import_Wh: 0.0,
            export_Wh: 0.0,
            over_Wh: 0.0,
            export_by_hour_Wh: vec![0.0; 24],
            over_by_hour_Wh: vec![0.0; 24],
        });
        let sum = row.energy[0].plus(row.energy[1]);
        day.import_Wh += sum.import_ws / 3600.0;
        day.export_Wh += sum.export_ws / 3600.0;
        day.over_Wh += row.over_ws / 3600.0;
        day.export_by_hour_Wh[hour] += sum.export_ws / 3600.0;
        day.over_by_hour_Wh[hour] += row.over_ws / 3600.0;
    }
    days.into_values().collect()
}

pub(super) fn voltage(long: &Long) -> Vec<VoltageBody> {
    let plan = &long.plan;
    // The relative standard uncertainty of a current, from the classes, at a usual load.
    let class = plan.expanded_w(plan.main, &[2000.0], 2000.0) / 2.0 / 2000.0;
    let mut found = Vec::new();
    for (line, phase) in plan.site.lines().iter().enumerate() {
        let read = long.rows.iter().filter_map(|row| row.volts[line].map(|volts| (row.tick, volts)));
        let mut body = VoltageBody {
            phase: phase.word(),
            ten_minute_max_V: None,
            ten_minute_max_at: None,
            ten_minute_min_V: None,
            ten_minutes: 0,
            ten_minutes_over: 0,
            sliding_max_V: None,
            time_over_s: 0.0,
            highest_V: 0.0,
            supply_ohm: None,
            supply_u_ohm: None,
            supply_reactance_ohm: None,
            steps: 0,
        };
        let mut any = false;
        for (tick, volts) in read {
            any = true;
            body.time_over_s += volts.over_s;
            body.highest_V = body.highest_V.max(volts.highest_v);
            body.sliding_max_V = larger(body.sliding_max_V, volts.sliding_max_v);
            if volts.coverage < LEAST_COVERAGE {
                continue;
            }
            body.ten_minutes += 1;
            body.ten_minutes_over += u64::from(volts.rms_v > plan.overvoltage_v);
            if body.ten_minute_max_V.is_none_or(|so_far| volts.rms_v > so_far) {
                (body.ten_minute_max_V, body.ten_minute_max_at) = (Some(volts.rms_v), Some(tick_start(tick)));
            }
            body.ten_minute_min_V =
                Some(body.ten_minute_min_V.map_or(volts.rms_v, |least| least.min(volts.rms_v)));
        }
        if !any {
            continue;
        }
        let reactive = plan.key(plan.main, Quantity::ReactivePower, *phase).is_some();
        let steps = long.meters[plan.main].steps[line].clone().largest();
        body.steps = steps.len();
        // A resistance below zero is no resistance but a doubt about a CT, which stands elsewhere.
        if let Some(found) = impedance(&steps, class, reactive).filter(|found| found.ohm + found.u_ohm > 0.0)
        {
            body.supply_ohm = Some(found.ohm);
            body.supply_u_ohm = Some(found.u_ohm);
            body.supply_reactance_ohm = found.reactance_ohm;
        }
        found.push(body);
    }
    found
}

fn larger(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.max(other)),
        _ => one.or(other),
    }
}

/// Share of the time above the voltage limit that the site's own export explains, with where to look; nothing where the
/// voltage never stood above.
pub(super) fn voltage_rise(long: &Long, voltage: &[VoltageBody]) -> Option<(f64, Vec<Evidence>)> {
    let plan = &long.plan;
    let (mut over, mut explained) = (0_u64, 0_u64);
    let mut worst: Vec<(f64, Evidence)> = Vec::new();
    for (line, phase) in plan.site.lines().iter().enumerate() {
        let body = voltage.iter().find(|body| body.phase == phase.word());
        let ohm = body.and_then(|body| body.supply_ohm).unwrap_or(0.0);
        for row in &long.rows {
            let Some(volts) = row.volts[line].filter(|volts| volts.coverage >= LEAST_COVERAGE) else {
                continue;
            };
            if volts.rms_v <= plan.overvoltage_v {
                continue;
            }
            over += 1;
            let lines = plan.site.lines().len() as f64;
            let power = row.mean_w[0][line].or(row.mean_w[0][3].map(|total| total / lines)).unwrap_or(0.0);
            let rise = ohm * (-power).max(0.0) / volts.rms_v;
            explained += u64::from(volts.rms_v - rise <= plan.overvoltage_v);
            let text = format!(
                "{phase}: {:.1} V over ten minutes at {:.0} W of export, which raises it by {rise:.1} V",
                volts.rms_v,
                (-power).max(0.0)
            );
            worst.push((volts.rms_v, Evidence::at(tick_start(row.tick), text)));
        }
    }
    worst.sort_by(|one, other| other.0.total_cmp(&one.0));
    worst.truncate(5);
    (over > 0)
        .then(|| (explained as f64 / over as f64, worst.into_iter().map(|(_, evidence)| evidence).collect()))
}

pub(super) fn hunting(long: &Long) -> HuntingBody {
    let mut periods: Vec<f64> = long.hunting.iter().map(|(.., train)| train.period_s).collect();
    periods.sort_by(f64::total_cmp);
    let sizes: Vec<f64> = long.hunting.iter().map(|(.., train)| train.amplitude_w).collect();
    let found = !long.hunting.is_empty();
    HuntingBody {
        found,
        period_s: found.then(|| crate::base::uncertain::median(&periods)),
        amplitude_W: found.then(|| crate::base::uncertain::median(&sizes)),
        time_s: long.hunting_s,
        times: long
            .hunting
            .iter()
            .take(MOST_SHOWN)
            .map(|(start, end, train)| TrainBody {
                start: *start,
                end: *end,
                period_s: train.period_s,
                amplitude_W: train.amplitude_w,
                periods: train.periods,
            })
            .collect(),
    }
}

pub(super) fn silence(long: &Long) -> Vec<SilenceBody> {
    let meters = std::iter::once(long.plan.main).chain(long.plan.steering);
    let of = |(place, meter): (usize, usize)| {
        let mut own: Vec<SilentBody> = long
            .silent
            .iter()
            .filter(|silent| silent.meter == meter)
            .map(|silent| SilentBody {
                start: silent.from,
                end: silent.to,
                duration_s: silent.to.seconds_since(silent.from),
                export_W: silent.export_w,
            })
            .collect();
        own.sort_by(|one, other| {
            other.duration_s.total_cmp(&one.duration_s).then(one.start.cmp(&other.start))
        });
        own.truncate(MOST_SHOWN);
        let (count, time_s) = long.silence[place];
        SilenceBody { meter: long.plan.site.meters[meter].name.clone(), count, time_s, longest: own }
    };
    meters.enumerate().map(of).collect()
}

pub(super) fn changed(long: &Long) -> Vec<ChangedBody> {
    let body = |change: &crate::evidence::long::summary::Changed| ChangedBody {
        at: change.at,
        meter: long.plan.site.meters[change.meter].name.clone(),
        setting: change.name.clone(),
        from: change.from,
        to: change.to,
    };
    long.changed.iter().map(body).collect()
}

pub(super) fn resets(long: &Long) -> Vec<ResetBody> {
    let body = |(meter, reset): &(usize, crate::evidence::long::count::Reset)| ResetBody {
        at: reset.at,
        meter: long.plan.site.meters[*meter].name.clone(),
        point: reset.point.to_string(),
        from_Wh: reset.from_wh,
        to_Wh: reset.to_wh,
    };
    long.resets.iter().map(body).collect()
}
