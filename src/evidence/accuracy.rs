//! What the accuracy class of a meter and of its CTs says about a power: half-widths of rectangular distributions by share
//! of rated current (IEC 62053-21 and -22, Directive 2014/32/EU annex V for the classes of EN 50470, IEC 61869-2 for CTs).
//! The limits of IEC 62053 are from memory of the trade, the others from public tables; the tests hold every row.

use crate::base::uncertain::{combine, rectangular};
use crate::profile::{CtClass, Meter, MeterClass};

/// Rated current of a meter without external CTs whose site file says nothing, in A: 10 A is the widespread base current
/// (common practice).
const BASE_CURRENT_A: f64 = 10.0;

/// Rated primary current of external CTs whose site file says nothing, in A (ours; a larger one widens the limits).
const PRIMARY_CURRENT_A: f64 = 100.0;

/// Limit of a CT: ratio as a fraction, phase displacement in radians.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CtLimit {
    /// Ratio error, as a fraction of the current.
    pub ratio: f64,
    /// Phase displacement, in radians.
    pub angle: f64,
}

/// The power of one phase, as far as it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhasePower {
    /// In W.
    pub active_w: f64,
    /// In var; 0 where nobody reads it.
    pub reactive_var: f64,
    /// Phase to neutral, in V.
    pub voltage_v: f64,
}

/// The classes of one meter with its CTs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Accuracy {
    class: MeterClass,
    assumed: bool,
    ct: Option<CtClass>,
    rated_a: f64,
    single_phase_load: bool,
}

impl Accuracy {
    /// The classes the site file gives; class 2 where it gives none. `single_phase_load` widens to the limits of
    /// polyphase meters that carry a load on one phase, which is what a meter at a house does most of the time.
    pub fn of(meter: &Meter, single_phase_load: bool) -> Self {
        let otherwise = if meter.ct_class.is_some() { PRIMARY_CURRENT_A } else { BASE_CURRENT_A };
        Self {
            class: meter.class.unwrap_or(MeterClass::C2),
            assumed: meter.class.is_none(),
            ct: meter.ct_class,
            rated_a: meter.ct_primary_a.filter(|rated| *rated > 0.0).unwrap_or(otherwise),
            single_phase_load,
        }
    }

    /// Whether the class is our assumption, which documents must say.
    pub const fn assumed(&self) -> bool {
        self.assumed
    }

    /// Standard uncertainty of an active power in W: meter class, CT ratio, CT angle times reactive power. Resolution,
    /// floor and scatter are not in it.
    pub fn active_standard_w(&self, power: PhasePower) -> f64 {
        let apparent = libm::hypot(power.active_w, power.reactive_var);
        let share = self.share(apparent, power.voltage_v);
        // Below half, the tables stop: the error at a power factor of 0.5 is kept.
        let base = power.active_w.abs().max(0.5 * apparent);
        let factor = if apparent > 0.0 { (power.active_w / apparent).abs() } else { 1.0 };
        let meter = meter_limit(self.class, share, factor, self.single_phase_load) * base;
        let Some(ct) = self.ct else { return rectangular(meter) };
        let limit = ct_limit(ct, share);
        combine(&[
            rectangular(meter),
            rectangular(limit.ratio * power.active_w),
            rectangular(limit.angle * power.reactive_var),
        ])
    }

    /// Standard uncertainty of a reactive power in var, as for the active one. Meters of class 2 and A are taken as class
    /// 3 of IEC 62053-23, better ones as class 2; 1 % of the active power stands for the meter's own angle (ours).
    pub fn reactive_standard_var(&self, power: PhasePower) -> f64 {
        let apparent = libm::hypot(power.active_w, power.reactive_var);
        let share = self.share(apparent, power.voltage_v);
        let limit = if matches!(self.class, MeterClass::C2 | MeterClass::A) { 0.03 } else { 0.02 };
        let angle = self.ct.map_or(CtLimit { ratio: 0.0, angle: 0.0 }, |class| ct_limit(class, share));
        combine(&[
            rectangular(limit * power.reactive_var),
            rectangular(0.01 * power.active_w),
            rectangular(angle.ratio * power.reactive_var),
            rectangular(angle.angle * power.active_w),
        ])
    }

    fn share(&self, apparent_va: f64, voltage_v: f64) -> f64 {
        apparent_va / voltage_v.max(1.0) / self.rated_a
    }
}

/// Limit of a meter's class as a fraction of its reading, at this share of rated current and power factor (0 to 1). Below
/// the lowest current of the table the limit doubles at half of it, and stays double (ours: the tables say nothing there).
pub fn meter_limit(class: MeterClass, share: f64, power_factor: f64, single_phase_load: bool) -> f64 {
    // The tables speak of 1, of 0.5 inductive and 0.8 capacitive; in between the nearer row holds (ours).
    let away = power_factor < 0.9;
    let percent = match (class, single_phase_load) {
        (MeterClass::C02, false) => rows(share, away, [(0.01, 0.4), (0.05, 0.2)], [(0.02, 0.5), (0.1, 0.3)]),
        // IEC 62053-22 gives single-phase loads 0.3 and 0.6 (from memory).
        (MeterClass::C02, true) => rows(share, away, [(0.01, 0.4), (0.05, 0.3)], [(0.02, 0.5), (0.1, 0.4)]),
        (MeterClass::C05, false) => rows(share, away, [(0.01, 1.0), (0.05, 0.5)], [(0.02, 1.0), (0.1, 0.6)]),
        (MeterClass::C05, true) => rows(share, away, [(0.01, 1.0), (0.05, 0.6)], [(0.02, 1.0), (0.1, 1.0)]),
        (MeterClass::C1, false) => rows(share, away, [(0.05, 1.5), (0.1, 1.0)], [(0.1, 1.5), (0.2, 1.0)]),
        (MeterClass::C1, true) => rows(share, away, [(0.05, 2.0), (0.1, 2.0)], [(0.1, 2.0), (0.2, 2.0)]),
        (MeterClass::C2, false) => rows(share, away, [(0.05, 2.5), (0.1, 2.0)], [(0.1, 2.5), (0.2, 2.0)]),
        (MeterClass::C2, true) => rows(share, away, [(0.05, 3.0), (0.1, 3.0)], [(0.1, 3.0), (0.2, 3.0)]),
        // Directive 2014/32/EU annex V at +5 to +30 °C; from Itr, a tenth of the reference current, and half of that as Imin.
        (MeterClass::A, false) => rows(share, false, [(0.05, 3.5), (0.1, 3.5)], [(0.05, 3.5), (0.1, 3.5)]),
        (MeterClass::A, true) => rows(share, false, [(0.05, 4.0), (0.1, 4.0)], [(0.05, 4.0), (0.1, 4.0)]),
        (MeterClass::B, false) => rows(share, false, [(0.05, 2.0), (0.1, 2.0)], [(0.05, 2.0), (0.1, 2.0)]),
        (MeterClass::B, true) => rows(share, false, [(0.05, 2.5), (0.1, 2.5)], [(0.05, 2.5), (0.1, 2.5)]),
        (MeterClass::C, false) => rows(share, false, [(0.05, 1.0), (0.1, 0.7)], [(0.05, 1.0), (0.1, 0.7)]),
        (MeterClass::C, true) => rows(share, false, [(0.05, 1.0), (0.1, 1.0)], [(0.05, 1.0), (0.1, 1.0)]),
    };
    percent / 100.0
}

/// Limit of a CT of this class (IEC 61869-2) at this share of rated primary current. Between two points of the table the
/// wider one holds; below the lowest the ratio limit doubles at half of it, and stays double (ours).
pub fn ct_limit(class: CtClass, share: f64) -> CtLimit {
    /// (share of rated current, ratio error in %, phase displacement in minutes)
    type Row = (f64, f64, f64);
    const NO_ANGLE: f64 = 180.0;
    let table: &[Row] = match class {
        CtClass::C02 => &[(0.05, 0.75, 30.0), (0.2, 0.35, 15.0), (1.0, 0.2, 10.0)],
        CtClass::C02S => &[(0.01, 0.75, 30.0), (0.05, 0.35, 15.0), (0.2, 0.2, 10.0)],
        CtClass::C05 => &[(0.05, 1.5, 90.0), (0.2, 0.75, 45.0), (1.0, 0.5, 30.0)],
        CtClass::C05S => &[(0.01, 1.5, 90.0), (0.05, 0.75, 45.0), (0.2, 0.5, 30.0)],
        CtClass::C1 => &[(0.05, 3.0, 180.0), (0.2, 1.5, 90.0), (1.0, 1.0, 60.0)],
        // The standard gives classes 3 and 5 no limit of phase: the widest of class 1 stands in for it (ours).
        CtClass::C3 => &[(0.5, 3.0, NO_ANGLE)],
        CtClass::C5 => &[(0.5, 5.0, NO_ANGLE)],
    };
    let (lowest, percent, minutes) =
        table.iter().rev().find(|row| share >= row.0).copied().unwrap_or(table[0]);
    let wider = (lowest / share.max(1e-9)).clamp(1.0, 2.0);
    let (percent, minutes) = (percent * wider, minutes * wider);
    CtLimit { ratio: percent / 100.0, angle: minutes / 60.0 * std::f64::consts::PI / 180.0 }
}

/// Two rows of a table, (lowest share of rated current, limit in %), for power factor 1 and for one away from it.
fn rows(share: f64, away: bool, at_one: [(f64, f64); 2], at_half: [(f64, f64); 2]) -> f64 {
    let [low, high] = if away { at_half } else { at_one };
    if share >= high.0 {
        high.1
    } else if share >= low.0 {
        low.1
    } else {
        low.1 * (low.0 / share.max(1e-9)).clamp(1.0, 2.0)
    }
}

#[cfg(test)]
mod tests;
