//! The operator's or supplier's interval data beside the log: whether both say the same, how far their times are apart, and
//! which way of treating phases fits.

use serde::Serialize;

use super::figures::ENERGY_SHARE;
use crate::base::Stamp;
use crate::base::uncertain::expanded;
use crate::evidence::long::flow::Energy;
use crate::evidence::long::{Long, Row, TICK_S, tick_start};

/// An offset in time is looked for up to this either way, in s: any two time zones, and summer time.
const MOST_OFFSET_S: f64 = 14.0 * 3600.0;

/// Fewer intervals tell no offset and no way of treating phases.
const LEAST: usize = 24;

/// One way of treating phases fits where the other leaves this many times its squares (ours).
const BETTER: f64 = 4.0;

/// Intervals that differ most, written down.
const SHOWN: usize = 10;

/// Length of what the log is added up by, in s.
const BIN_S: f64 = TICK_S / 2.0;

/// Energies of one interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Its first instant.
    pub start: Stamp,
    /// From the grid, in Wh.
    pub import_wh: Option<f64>,
    /// Into the grid, in Wh.
    pub export_wh: Option<f64>,
}

/// Interval data.
#[derive(Clone, Debug, PartialEq)]
pub struct Intervals {
    /// The file.
    pub file: String,
    /// Length of an interval, in s.
    pub length_s: f64,
    /// What the last digit is worth, in Wh.
    pub step_wh: f64,
    /// One column for both directions.
    pub net: bool,
    /// Lines that stand for an hour that was not.
    pub skipped: usize,
    /// In time order.
    pub list: Vec<Interval>,
}

/// What a review says of interval data.
#[derive(Clone, Debug, Serialize)]
#[expect(missing_docs, reason = "the keys are explained in docs/review.md")]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct AgainstBody {
    pub file: String,
    pub interval_s: f64,
    pub intervals: usize,
    pub compared: usize,
    pub agreeing: usize,
    /// All compared intervals agree but for one in twenty.
    pub agree: Option<bool>,
    pub import_Wh: Option<f64>,
    pub export_Wh: Option<f64>,
    pub log_import_Wh: f64,
    pub log_export_Wh: f64,
    /// By how much the times of the file are late, in s.
    pub offset_s: Option<f64>,
    pub offset_u_s: Option<f64>,
    /// Of it whole intervals, and the rest.
    pub offset_intervals: Option<i64>,
    pub offset_rest_s: Option<f64>,
    pub netting: &'static str,
    pub worst: Vec<DifferenceBody>,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct DifferenceBody {
    pub start: Stamp,
    pub direction: &'static str,
    pub file_Wh: f64,
    pub log_Wh: f64,
    pub allowed_Wh: f64,
}

/// Energy of the log up to each five minutes, straight between them.
struct Sums {
    origin: Stamp,
    /// Import, export, time covered, what may have turned: from the origin on, in Ws and s.
    knots: Vec<[f64; 4]>,
}

impl Sums {
    fn of(long: &Long, energy: impl Fn(&Row) -> Option<[Energy; 2]>) -> Option<Self> {
        let (first, last) = long.ticks?;
        let mut knots = vec![[0.0; 4]; 2 * (last - first + 1) as usize + 1];
        for row in &long.rows {
            for (half, part) in energy(row)?.iter().enumerate() {
                let place = 2 * (row.tick - first) as usize + half + 1;
                knots[place] = [part.import_ws, part.export_ws, part.covered_s, part.turned_ws];
            }
        }
        let mut sum = [0.0; 4];
        for knot in &mut knots {
            for (part, sum) in knot.iter_mut().zip(&mut sum) {
                *sum += *part;
                *part = *sum;
            }
        }
        Some(Self { origin: tick_start(first), knots })
    }

    fn until(&self, at_s: f64) -> [f64; 4] {
        let place = (at_s / BIN_S).clamp(0.0, (self.knots.len() - 1) as f64);
        let below = (place as usize).min(self.knots.len() - 2);
        let share = place - below as f64;
        let (one, two) = (self.knots[below], self.knots[below + 1]);
        [0, 1, 2, 3].map(|what| one[what] + share * (two[what] - one[what]))
    }

    /// Import and export in Wh from an instant on, and what of them is unsure: what may have turned, and where an end falls
    /// within five minutes, what of these may lie on the other side. Nothing where readings do not cover it.
    fn between(&self, from: Stamp, length_s: f64, later_s: f64) -> Option<[f64; 3]> {
        let from = from.seconds_since(self.origin) + later_s;
        let (one, two) = (self.until(from), self.until(from + length_s));
        let part = [0, 1, 2, 3].map(|what| two[what] - one[what]);
        let unsure = part[3] + self.edge(from) + self.edge(from + length_s);
        (part[2] > 0.98 * length_s).then(|| [part[0] / 3600.0, part[1] / 3600.0, unsure / 3600.0])
    }

    fn edge(&self, at_s: f64) -> f64 {
        let place = (at_s / BIN_S).clamp(0.0, (self.knots.len() - 1) as f64);
        let below = (place as usize).min(self.knots.len() - 2);
        let share = place - below as f64;
        let passed = [0, 1].map(|what| self.knots[below + 1][what] - self.knots[below][what]);
        share.min(1.0 - share) * (passed[0] + passed[1])
    }
}

/// Mean of the squares of file less log with the log taken so much later, and how many values.
fn misfit(data: &Intervals, sums: &Sums, later_s: f64) -> (f64, usize) {
    let (mut squares, mut count) = (0.0, 0_usize);
    for one in &data.list {
        let Some(log) = sums.between(one.start, data.length_s, later_s) else { continue };
        for difference in differences(data, one, log) {
            squares += difference.1 * difference.1;
            count += 1;
        }
    }
    (squares / count.max(1) as f64, count)
}

/// (direction, file less log, file, log) of an interval, in Wh.
fn differences(data: &Intervals, one: &Interval, log: [f64; 3]) -> Vec<(&'static str, f64, f64, f64)> {
    let mut found = Vec::new();
    if data.net {
        // A net figure knows both directions as one.
        let file = one.import_wh.unwrap_or(0.0) - one.export_wh.unwrap_or(0.0);
        if one.import_wh.is_some() || one.export_wh.is_some() {
            found.push(("net", file - (log[0] - log[1]), file, log[0] - log[1]));
        }
        return found;
    }
    if let Some(file) = one.import_wh {
        found.push(("import", file - log[0], file, log[0]));
    }
    if let Some(file) = one.export_wh {
        found.push(("export", file - log[1], file, log[1]));
    }
    found
}

/// The offset that fits best, with its expanded uncertainty and the misfit there.
fn offset(data: &Intervals, sums: &Sums) -> Option<(f64, f64, f64)> {
    let (_, all) = misfit(data, sums, 0.0);
    let try_at = |later_s: f64| {
        let (square, count) = misfit(data, sums, later_s);
        // Where most of it falls out of the log nothing is compared.
        if 2 * count < all.max(LEAST) { f64::INFINITY } else { square }
    };
    let best = |from: f64, to: f64, step: f64| {
        let count = ((to - from) / step).round().max(1.0) as i64;
        let tried = (0..=count).map(|k| from + step * k as f64).map(|later_s| (later_s, try_at(later_s)));
        tried.fold((0.0, try_at(0.0)), |best: (f64, f64), one| if one.1 < best.1 { one } else { best })
    };
    let coarse = best(-MOST_OFFSET_S, MOST_OFFSET_S, data.length_s.min(900.0));
    let fine = best(coarse.0 - data.length_s, coarse.0 + data.length_s, 60.0);
    let finest = best(fine.0 - 60.0, fine.0 + 60.0, 5.0);
    if !finest.1.is_finite() {
        return None;
    }
    let (_, count) = misfit(data, sums, finest.0);
    // The misfit rises as a parabola about its lowest point; of a standard deviation to either side it has risen by its
    // own share of one value.
    let away = 120.0;
    let rise = 0.5 * (try_at(finest.0 - away) + try_at(finest.0 + away)) - finest.1;
    let bend = rise / (away * away);
    let floor = data.step_wh * data.step_wh / 12.0;
    let standard = (finest.1.max(floor) / count.max(1) as f64 / bend.max(1e-300)).sqrt();
    // Five seconds are the finest step.
    let u = libm::hypot(expanded(standard), 5.0);
    (bend > 0.0 && u < data.length_s).then_some((finest.0, u, finest.1))
}

/// Holds interval data against the log.
pub(super) fn against(long: &Long, data: &Intervals) -> Option<AgainstBody> {
    let sum = Sums::of(long, |row| Some(row.energy))?;
    let phases = Sums::of(long, |row| row.by_phase);
    let found = [offset(data, &sum), phases.as_ref().and_then(|phases| offset(data, phases))];
    let fit = |found: Option<(f64, f64, f64)>, sums: Option<&Sums>| {
        found.map(|found| found.2).or_else(|| {
            sums.map(|sums| misfit(data, sums, 0.0))
                .filter(|(_, count)| *count >= LEAST)
                .map(|(square, _)| square)
        })
    };
    let floor = data.step_wh * data.step_wh / 12.0;
    let netting = match (fit(found[0], Some(&sum)), fit(found[1], phases.as_ref())) {
        (Some(as_sum), Some(as_phases)) if as_phases.max(floor) > BETTER * as_sum.max(floor) => "sum",
        (Some(as_sum), Some(as_phases)) if as_sum.max(floor) > BETTER * as_phases.max(floor) => "phase",
        _ => "unknown",
    };
    let by_phase = netting == "phase";
    let offset = if by_phase { found[1] } else { found[0] };
    let sums = if by_phase { phases.as_ref().unwrap_or(&sum) } else { &sum };
    // An offset that cannot be told from none is none.
    let later_s = offset.filter(|(offset, u, _)| offset.abs() > *u).map_or(0.0, |(offset, ..)| offset);
    let mut body = AgainstBody {
        file: data.file.clone(),
        interval_s: data.length_s,
        intervals: data.list.len(),
        compared: 0,
        agreeing: 0,
        agree: None,
        import_Wh: None,
        export_Wh: None,
        log_import_Wh: 0.0,
        log_export_Wh: 0.0,
        // A file whose times are late shows at 10:15 what flowed at 10:00: the log is taken earlier.
        offset_s: offset.map(|(offset, ..)| 0.0 - offset),
        offset_u_s: offset.map(|(_, u, _)| u),
        offset_intervals: None,
        offset_rest_s: None,
        netting,
        worst: Vec::new(),
    };
    if let Some(offset) = body.offset_s {
        let whole = (offset / data.length_s).round();
        body.offset_intervals = Some(whole as i64);
        body.offset_rest_s = Some(offset - whole * data.length_s);
    }
    let mut worst: Vec<(f64, DifferenceBody)> = Vec::new();
    for one in &data.list {
        let Some(log) = sums.between(one.start, data.length_s, later_s) else { continue };
        let passed = log[0] + log[1];
        let allowed_wh = ENERGY_SHARE * passed + 0.5 * data.step_wh + log[2] + 1.0;
        let found = differences(data, one, log);
        if found.is_empty() {
            continue;
        }
        body.compared += 1;
        body.log_import_Wh += log[0];
        body.log_export_Wh += log[1];
        let add = |sum: &mut Option<f64>, more: Option<f64>| {
            if let Some(more) = more {
                *sum = Some(sum.unwrap_or(0.0) + more);
            }
        };
        add(&mut body.import_Wh, one.import_wh);
        add(&mut body.export_Wh, one.export_wh);
        body.agreeing += usize::from(found.iter().all(|(_, difference, ..)| difference.abs() <= allowed_wh));
        for (direction, difference, file_wh, log_wh) in found {
            if difference.abs() > allowed_wh {
                worst.push((
                    difference.abs() - allowed_wh,
                    DifferenceBody {
                        start: one.start,
                        direction,
                        file_Wh: file_wh,
                        log_Wh: log_wh,
                        allowed_Wh: allowed_wh,
                    },
                ));
            }
        }
    }
    worst.sort_by(|one, other| other.0.total_cmp(&one.0).then(one.1.start.cmp(&other.1.start)));
    body.worst = worst.into_iter().take(SHOWN).map(|(_, difference)| difference).collect();
    body.agree = (body.compared > 0).then(|| 20 * (body.compared - body.agreeing) <= body.compared);
    Some(body)
}
