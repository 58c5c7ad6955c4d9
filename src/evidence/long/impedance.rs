//! Impedance of the supply, by what the voltage does at steps of the own current: differences, so that the network's own
//! drift does not count, and a robust fit, so that other people's loads that switch at the same time do not either.
//!
//! Model: the voltage U behind the supply is the same just before and just after a step, and U = V + Z I in phasors. With the
//! current's active part I_p and reactive part I_q, |U|² = (V + R I_p + X I_q)² + (X I_p − R I_q)². R and X are those that
//! make |U| stand still, by Gauss-Newton with Tukey's biweight; the uncertainty is the sandwich estimate of M-estimators
//! (Huber, Robust Statistics, 1981, chapter 7; from memory) with Student's t, and the class of the meter beside it.

pub use super::steps::Step;
use crate::base::uncertain::{combine, coverage_factor, median, rectangular, robust_deviation};

/// Fewer steps tell nothing.
const LEAST_STEPS: usize = 12;

/// Where Tukey's biweight gives up on a residual, in deviations: 95 % efficiency for normal scatter.
const GIVE_UP: f64 = 4.685;

/// Reactive current must move by this share of the active one (root mean square) before it tells anything of X.
const LEAST_REACTIVE: f64 = 0.1;

/// X as a share of R where it cannot be told: IEC TR 60725 has 0.25 / 0.40. Half-width of what it may be.
const UNTOLD_REACTANCE: f64 = 0.625;

/// Power factor of what switches, where reactive power is not read: 0.95, as share of the active current (ours).
const UNREAD_REACTIVE: f64 = 0.33;

/// What the steps say of one phase.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Impedance {
    /// Resistance from line to neutral as seen from the meter, in ohm.
    pub ohm: f64,
    /// Expanded uncertainty (95 %).
    pub u_ohm: f64,
    /// Reactance, where reactive current moved enough to tell.
    pub reactance_ohm: Option<f64>,
    /// Steps used.
    pub steps: usize,
}

/// From the steps of one phase; nothing from too few. `class` is the relative standard uncertainty of the current, and
/// `reads_reactive` says whether reactive power was read.
pub fn impedance(steps: &[Step], class: f64, reads_reactive: bool) -> Option<Impedance> {
    if steps.len() < LEAST_STEPS {
        return None;
    }
    let start = first_guess(steps, |step| step.volts[1] - step.volts[0]);
    let sum = |of: [f64; 2]| (of[1] - of[0]) * (of[1] - of[0]);
    let active = steps.iter().fold(0.0, |all, step| all + sum(step.active_a));
    let reactive = steps.iter().fold(0.0, |all, step| all + sum(step.reactive_a));
    let both = reads_reactive && reactive > LEAST_REACTIVE * LEAST_REACTIVE * active;
    let mut guess = [start, 0.0];
    let first: Vec<f64> = steps.iter().map(|step| residual(step, guess)).collect();
    // The scatter of a robust first guess; the fit has no say in it.
    let mut scale = robust_deviation(&first).max(1e-6);
    for round in 0..40 {
        let normal = Normal::at(steps, guess, scale, both);
        let change = normal.solve(both)?;
        guess = [guess[0] - change[0], guess[1] - change[1]];
        if round == 10 {
            let now: Vec<f64> = steps.iter().map(|step| residual(step, guess)).collect();
            scale = robust_deviation(&now).max(1e-6);
        }
        if round > 10 && change[0].abs() + change[1].abs() < 1e-10 {
            break;
        }
    }
    let scatter = Normal::at(steps, guess, scale, both).deviation(both)?;
    let parameters = if both { 2.0 } else { 1.0 };
    let freedom = steps.len() as f64 - parameters;
    let scatter = scatter * (steps.len() as f64 / freedom).sqrt();
    let untold = if both {
        0.0
    } else if reads_reactive {
        // Reactive current hardly moved: what little it did.
        rectangular(UNTOLD_REACTANCE * guess[0] * (reactive / active.max(1e-12)).sqrt())
    } else {
        rectangular(UNTOLD_REACTANCE * guess[0] * UNREAD_REACTIVE)
    };
    let half = combine(&[coverage_factor(freedom) * scatter, 2.0 * class * guess[0], 2.0 * untold]);
    (guess[0].is_finite() && half.is_finite()).then_some(Impedance {
        ohm: guess[0],
        u_ohm: half,
        reactance_ohm: both.then_some(guess[1]),
        steps: steps.len(),
    })
}

/// Resistance by which the voltage of line `of` falls with the current of the phase that steps, with its expanded
/// uncertainty: which line a channel's current really flows in.
pub fn seen_on(steps: &[Step], of: usize) -> Option<(f64, f64)> {
    if steps.len() < LEAST_STEPS {
        return None;
    }
    let slopes: Vec<f64> =
        steps.iter().map(|step| -step.moved_v[of] / (step.active_a[1] - step.active_a[0])).collect();
    // Deviation of a median of normal values: 1.2533 that of the mean.
    let deviation = 1.2533 * robust_deviation(&slopes) / (slopes.len() as f64).sqrt();
    Some((median(&slopes), 2.0 * deviation))
}

/// Median of the slopes, weighted by the size of the step: half of them may be wild.
fn first_guess(steps: &[Step], moved_v: impl Fn(&Step) -> f64) -> f64 {
    let mut slopes: Vec<(f64, f64)> = steps
        .iter()
        .map(|step| {
            let amps = step.active_a[1] - step.active_a[0];
            (-moved_v(step) / amps, amps.abs())
        })
        .collect();
    slopes.sort_by(|one, other| one.0.total_cmp(&other.0));
    let half = slopes.iter().fold(0.0, |sum, (_, weight)| sum + weight) / 2.0;
    let mut sum = 0.0;
    for (slope, weight) in &slopes {
        sum += weight;
        if sum >= half {
            return *slope;
        }
    }
    0.0
}

/// By how much |U| moves, in V.
fn residual(step: &Step, [ohm, reactance]: [f64; 2]) -> f64 {
    let behind = |side: usize| {
        let (volts, active, reactive) = (step.volts[side], step.active_a[side], step.reactive_a[side]);
        libm::hypot(volts + ohm * active + reactance * reactive, reactance * active - ohm * reactive)
    };
    behind(1) - behind(0)
}

/// Normal equations of one round, with what the sandwich needs.
struct Normal {
    /// Σ w x xᵀ: (RR, RX, XX).
    weighted: [f64; 3],
    /// Σ w x r.
    right: [f64; 2],
    /// Σ ψ' x xᵀ.
    bread: [f64; 3],
    /// Σ ψ² x xᵀ.
    filling: [f64; 3],
}

impl Normal {
    fn at(steps: &[Step], guess: [f64; 2], scale: f64, both: bool) -> Self {
        let mut sums = Self { weighted: [0.0; 3], right: [0.0; 2], bread: [0.0; 3], filling: [0.0; 3] };
        for step in steps {
            let r = residual(step, guess);
            let along = |by: [f64; 2]| {
                const SMALL: f64 = 1e-6;
                let moved = [guess[0] + SMALL * by[0], guess[1] + SMALL * by[1]];
                (residual(step, moved) - r) / SMALL
            };
            let x = [along([1.0, 0.0]), if both { along([0.0, 1.0]) } else { 0.0 }];
            let z = r / scale / GIVE_UP;
            let inside = (1.0 - z * z).max(0.0);
            let (weight, slope) =
                (inside * inside, if inside > 0.0 { inside * (1.0 - 5.0 * z * z) } else { 0.0 });
            let products = [x[0] * x[0], x[0] * x[1], x[1] * x[1]];
            for (place, product) in products.iter().enumerate() {
                sums.weighted[place] += weight * product;
                sums.bread[place] += slope * product;
                sums.filling[place] += weight * weight * r * r * product;
            }
            sums.right[0] += weight * x[0] * r;
            sums.right[1] += weight * x[1] * r;
        }
        sums
    }

    fn solve(&self, both: bool) -> Option<[f64; 2]> {
        let [a, b, c] = self.weighted;
        if !both {
            return (a > 0.0).then(|| [self.right[0] / a, 0.0]);
        }
        let below = a * c - b * b;
        (below > 1e-12 * a * c).then(|| {
            [(c * self.right[0] - b * self.right[1]) / below, (a * self.right[1] - b * self.right[0]) / below]
        })
    }

    /// Standard deviation of R.
    fn deviation(&self, both: bool) -> Option<f64> {
        let [rr, rx, xx] = self.bread;
        let filling = self.filling;
        if !both {
            return (rr > 0.0).then(|| filling[0].sqrt() / rr);
        }
        let below = rr * xx - rx * rx;
        // First row of the inverse, times the filling, times its first column.
        let row = [xx / below, -rx / below];
        let square = row[0] * (row[0] * filling[0] + row[1] * filling[1])
            + row[1] * (row[0] * filling[1] + row[1] * filling[2]);
        (below > 0.0 && square >= 0.0).then(|| square.sqrt())
    }
}
