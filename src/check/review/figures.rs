//! The figures of a review, from the long view.

use std::collections::BTreeMap;

use super::body::{
    ChangedBody, DayBody, EnergyBody, Evidence, HuntingBody, OverLimitBody, PeriodBody, ResetBody, RuleBody,
    SilenceBody, SilentBody, SpanBody, TrainBody, VoltageBody,
};
use super::causes::{Exceedance, covered_s};
use crate::base::zone::Zone;
use crate::base::{Phase, PointKey, Quantity, Stamp};
use crate::evidence::long::flow::Energy;
use crate::evidence::long::impedance::impedance;
use crate::evidence::long::spans::{Above, Shares};
use crate::evidence::long::volts::LEAST_COVERAGE;
use crate::evidence::long::{Long, tick_start};
use crate::profile::Netting;

/// Counters and power may differ by this share of what passed, besides the counter's steps (ours: readings once a second
/// are not the meter's own integration).
pub(super) const ENERGY_SHARE: f64 = 0.02;

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
    let stated = if long.plan.site.phases == 1 { Netting::Sum } else { long.plan.meter().netting };
    let nets = stated == Netting::Sum || stated == Netting::Unknown && netting == "sum";
    // A counter of each phase by itself never counts less than the sum exports.
    let bounded = (nets || stated == Netting::Phase || netting == "phase")
        && long.unseen_sum.bounded_s >= long.unseen_sum.time_s;
    EnergyBody {
        nets,
        import_Wh: import,
        export_Wh: export,
        import_by_phase_Wh: by_phase.map(|(import, _)| import),
        export_by_phase_Wh: by_phase.map(|(_, export)| export),
        import_counter_Wh: main.counted_wh[0],
        export_counter_Wh: main.counted_wh[1],
        agree: counted.then_some(as_sum),
        netting,
        generation_Wh: generation,
        unseen_export_least_Wh: if nets { long.unseen_sum.least_wh } else { 0.0 },
        unseen_export_most_Wh: bounded.then_some(long.unseen_sum.most_wh),
    }
}

pub(super) fn over_limit(long: &Long, over: &Exceedance) -> OverLimitBody {
    let plan = &long.plan;
    let covered: f64 = long.rows.iter().fold(0.0, |sum, row| sum + covered_s(row));
    let rules: Vec<(usize, RuleBody)> = (0..plan.rules())
        .filter_map(|rule| {
            let own =
                || plan.watches.iter().zip(&long.spans().above).filter(move |(watch, _)| watch.rule == rule);
            let (first, _) = own().next()?;
            let sum = |of: fn(&Above) -> Shares| {
                own().fold(Shares::default(), |sum, (_, above)| sum.plus(of(above)))
            };
            let (breaking, all) =
                (sum(|above| above.breaking), sum(|above| above.breaking.plus(above.allowed)));
            let worst =
                own().map(|(_, above)| above).max_by(|one, other| one.worst_w.total_cmp(&other.worst_w))?;
            let body = RuleBody {
                limit_W: first.level_w,
                per: if first.phase == Phase::Total { "total" } else { "phase" },
                averaging_s: first.averaging_s,
                longest_s: first.longest_s,
                count: all.count,
                breaking: breaking.count,
                time_s: all.time_s,
                share: if covered > 0.0 { all.time_s / covered } else { 0.0 },
                energy_Wh: all.energy_ws / 3600.0,
                breaking_energy_Wh: breaking.energy_ws / 3600.0,
                worst_averaged_export_W: worst.worst_w,
                worst_at: worst.worst_at,
            };
            Some((rule, body))
        })
        .collect();
    let deciding = rules.iter().find(|(rule, _)| Some(*rule) == over.rule).map(|(_, body)| body.clone());
    OverLimitBody {
        limit_W: deciding.as_ref().map(|rule| rule.limit_W),
        longest_s: deciding.as_ref().map(|rule| rule.longest_s),
        spans: over
            .worst(long)
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
        count: deciding.as_ref().map_or(0, |rule| rule.count),
        breaking: deciding.as_ref().map_or(0, |rule| rule.breaking),
        time_s: deciding.as_ref().map_or(0.0, |rule| rule.time_s),
        share: deciding.as_ref().map_or(0.0, |rule| rule.share),
        energy_Wh: deciding.as_ref().map_or(0.0, |rule| rule.energy_Wh),
        breaking_energy_Wh: deciding.as_ref().map_or(0.0, |rule| rule.breaking_energy_Wh),
        worst_averaged_export_W: deciding.as_ref().map_or(0.0, |rule| rule.worst_averaged_export_W),
        worst_at: deciding.as_ref().and_then(|rule| rule.worst_at),
        rules: rules.into_iter().map(|(_, body)| body).collect(),
    }
}

pub(super) fn by_day(long: &Long, over: &Exceedance) -> Vec<DayBody> {
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
        let over_ws = over.rule.and_then(|rule| row.over_ws.get(rule)).copied().unwrap_or(0.0);
        day.over_Wh += over_ws / 3600.0;
        day.export_by_hour_Wh[hour] += sum.export_ws / 3600.0;
        day.over_by_hour_Wh[hour] += over_ws / 3600.0;
    }
    days.into_values().collect()
}

pub(super) fn voltage(long: &Long) -> Vec<VoltageBody> {
    let plan = &long.plan;
    // The relative standard uncertainty of a current, from the classes, at a usual load.
    let class = plan.unsure(plan.main).expanded_w(&[2000.0], 2000.0) / 2.0 / 2000.0;
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
    let mut periods: Vec<f64> = long.hunting.iter().map(|train| train.period_s).collect();
    periods.sort_by(f64::total_cmp);
    let sizes: Vec<f64> = long.hunting.iter().map(|train| train.amplitude_w).collect();
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
            .map(|train| TrainBody {
                start: train.from,
                end: train.to,
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
                asked: silent.asked.is_some(),
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
