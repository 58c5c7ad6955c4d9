//! Powers against each other, against voltage and current, and their angle.

use super::{Remark, Value, View, Weight, plain, slip};
use crate::base::{Phase, PointKey, Quantity};
use crate::profile::MeterRole;

/// Names of one quantity on several phases.
fn keys(quantity: Quantity, phases: &[Phase]) -> Vec<PointKey> {
    phases.iter().map(|phase| PointKey::Of(quantity, *phase)).collect()
}

/// The powers of the phases sum to the total.
pub(super) fn sums(view: &View<'_>) -> Vec<Remark> {
    [Quantity::ActivePower, Quantity::ReactivePower]
        .into_iter()
        .filter_map(|quantity| sum(view, quantity))
        .collect()
}

fn sum(view: &View<'_>, quantity: Quantity) -> Option<Remark> {
    let total = view.value(quantity, Phase::Total)?;
    let lines = view.site.lines();
    let parts: Vec<Value> = lines.iter().map(|phase| view.value(quantity, *phase)).collect::<Option<_>>()?;
    let sum: f64 = parts.iter().map(|part| part.sample.value).sum();
    let sizes: f64 = parts.iter().map(|part| part.sample.value.abs()).sum();
    let all: Vec<Value> = parts.iter().copied().chain([total]).collect();
    // The meter adds up what it shows, so only rounding and the time between answers may part them.
    let rounding: f64 = all.iter().map(|value| value.half_step).sum();
    let unit = quantity.dimension().base();
    let room = view.share(&all) * sizes.max(total.sample.value.abs()) + rounding;
    let off = (sum - total.sample.value).abs();
    if off <= room || off < FLOOR {
        return None;
    }
    let unsigned = (sizes - total.sample.value.abs()).abs() <= room && quantity == Quantity::ActivePower;
    let cause = if unsigned {
        "the total looks like the sum of the sizes, without their signs: an export on one phase would be lost in it"
            .to_owned()
    } else if let Some(words) = slip(total.sample.value / sum) {
        format!("the total is {words}, or the phases are")
    } else {
        "one of the points is not what the profile says".to_owned()
    };
    let mut points = keys(quantity, lines);
    points.push(PointKey::Of(quantity, Phase::Total));
    Some(Remark {
        weight: Weight::Contradiction,
        saw: format!(
            "{quantity} of the phases adds up to {} {unit}, and the total says {} {unit}",
            plain(sum),
            plain(total.sample.value)
        ),
        expected: format!("the same within {} {unit}; {cause}", plain(room)),
        points,
    })
}

/// Below this many W, var or VA nothing is compared: idle instruments and filters play there (ours).
const FLOOR: f64 = 20.0;

/// All phases a power may be given for on this site.
fn phases<'a>(view: &View<'a>) -> impl Iterator<Item = Phase> + use<'a> {
    view.site.lines().iter().copied().chain([Phase::Total])
}

/// S² = P² + Q², or more where harmonics have their share.
pub(super) fn apparent(view: &View<'_>) -> Vec<Remark> {
    phases(view).filter_map(|phase| apparent_of(view, phase)).collect()
}

fn apparent_of(view: &View<'_>, phase: Phase) -> Option<Remark> {
    /// Uncorrected rectifier loads come down to a power factor of 0.5 to 0.6 (common practice); 0.4 is past that.
    const LEAST_POWER_FACTOR: f64 = 0.4;
    let apparent = view.value(Quantity::ApparentPower, phase)?;
    let active = view.value(Quantity::ActivePower, phase)?;
    let reactive = view.value(Quantity::ReactivePower, phase)?;
    let least = libm::hypot(active.sample.value, reactive.sample.value);
    let seen = apparent.sample.value.abs();
    if least.max(seen) < FLOOR {
        return None;
    }
    let values = [apparent, active, reactive];
    let room =
        view.share(&values) * least.max(seen) + values.iter().map(|value| value.half_step).sum::<f64>();
    let low = seen < least - room;
    let high = seen * LEAST_POWER_FACTOR > least + room;
    if !low && !high {
        return None;
    }
    let cause = match slip(seen / least) {
        Some(words) => format!("apparent_power is {words}"),
        None if low => {
            "apparent power is never less; one of the three points is not what the profile says".into()
        }
        None => {
            "harmonics seldom make so much; one of the three points may not be what the profile says".into()
        }
    };
    Some(Remark {
        weight: if low { Weight::Contradiction } else { Weight::Unusual },
        saw: format!(
            "{phase}: {} VA with {} W and {} var",
            plain(seen),
            plain(active.sample.value),
            plain(reactive.sample.value)
        ),
        expected: format!("about {} VA, from S² = P² + Q²; {cause}", plain(least)),
        points: vec![
            PointKey::Of(Quantity::ApparentPower, phase),
            PointKey::Of(Quantity::ActivePower, phase),
            PointKey::Of(Quantity::ReactivePower, phase),
        ],
    })
}

/// No power is larger than voltage times current.
pub(super) fn volts_times_amps(view: &View<'_>) -> Vec<Remark> {
    view.site.lines().iter().filter_map(|phase| product(view, *phase)).collect()
}

fn product(view: &View<'_>, phase: Phase) -> Option<Remark> {
    let volts = view.value(Quantity::Voltage, phase)?;
    let amps = view.value(Quantity::Current, phase)?;
    let active = view.value(Quantity::ActivePower, phase)?;
    let most = (volts.sample.value * amps.sample.value).abs();
    let seen = active.sample.value.abs();
    let values = [volts, amps, active];
    // Half a step of current at this voltage, half a step of voltage at this current.
    let rounding = amps.half_step * volts.sample.value.abs()
        + volts.half_step * amps.sample.value.abs()
        + active.half_step;
    if seen < FLOOR || seen <= most + view.share(&values) * seen.max(most) + rounding {
        return None;
    }
    let cause = match slip(seen / most) {
        Some(words) => format!("the power is {words}, or the current is not what the profile says"),
        None => "check the scales of all three, and that the three points are of one phase".to_owned(),
    };
    Some(Remark {
        weight: Weight::Contradiction,
        saw: format!(
            "{phase}: {} W with {} V and {} A",
            plain(active.sample.value),
            plain(volts.sample.value),
            plain(amps.sample.value)
        ),
        expected: format!("{} W at most, voltage times current; {cause}", plain(most)),
        points: vec![
            PointKey::Of(Quantity::ActivePower, phase),
            PointKey::Of(Quantity::Voltage, phase),
            PointKey::Of(Quantity::Current, phase),
        ],
    })
}

/// The size of the power factor is P / S, in either convention of its sign.
pub(super) fn power_factor(view: &View<'_>) -> Vec<Remark> {
    phases(view).filter_map(|phase| power_factor_of(view, phase)).collect()
}

fn power_factor_of(view: &View<'_>, phase: Phase) -> Option<Remark> {
    let factor = view.value(Quantity::PowerFactor, phase)?;
    let key = PointKey::Of(Quantity::PowerFactor, phase);
    let size = factor.sample.value.abs();
    if size > 1.01 + factor.half_step {
        let cause = if (1.01..=100.5).contains(&size) {
            "this looks like percent: add `unit = \"%\"`"
        } else {
            "check `scale`"
        };
        return Some(Remark {
            weight: Weight::Contradiction,
            saw: format!("{phase}: a power factor of {}", plain(factor.sample.value)),
            expected: format!("nothing above 1; {cause}"),
            points: vec![key],
        });
    }
    let active = view.value(Quantity::ActivePower, phase)?;
    let apparent = view.value(Quantity::ApparentPower, phase).or_else(|| {
        let reactive = view.value(Quantity::ReactivePower, phase)?;
        let size = libm::hypot(active.sample.value, reactive.sample.value);
        let mut made = reactive;
        made.sample.value = size;
        Some(made)
    })?;
    let whole = apparent.sample.value.abs();
    // A quotient of small numbers says little.
    if whole < 5.0 * FLOOR {
        return None;
    }
    let expected = active.sample.value.abs() / whole;
    let values = [factor, active, apparent];
    let room = view.share(&values) + factor.half_step + (active.half_step + apparent.half_step) / whole;
    if (size - expected).abs() > room {
        return Some(Remark {
            weight: Weight::Unusual,
            saw: format!("{phase}: a power factor of {}", plain(factor.sample.value)),
            expected: format!(
                "about {}, from {} W of {} VA; one of the points is not what the profile says",
                plain(expected),
                plain(active.sample.value),
                plain(whole)
            ),
            points: vec![key, PointKey::Of(Quantity::ActivePower, phase)],
        });
    }
    sign_of_power_factor(view, phase, factor, active, whole)
}

/// Where the sign is that of the other convention than the profile says.
fn sign_of_power_factor(
    view: &View<'_>,
    phase: Phase,
    factor: Value,
    active: Value,
    whole: f64,
) -> Option<Remark> {
    use crate::profile::PowerFactorSign::{Iec, LagLead};
    let key = PointKey::Of(Quantity::PowerFactor, phase);
    let convention = view.profile.point(&key)?.power_factor_sign;
    let power = active.sample.value;
    let (follows, words) = match convention {
        Iec => {
            (power, "the sign of the power; if it tells lagging from leading, write `sign = \"lag-lead\"`")
        }
        LagLead => {
            // Lagging is P and Q of one sign (quadrants I and III), and has the minus.
            let reactive = view.value(Quantity::ReactivePower, phase)?.sample.value;
            if reactive.abs() < 0.2 * whole {
                return None;
            }
            (-power * reactive, "minus for lagging; if it follows the power, write `sign = \"iec\"`")
        }
    };
    let clear = power.abs() > 0.2 * whole && factor.sample.value.abs() > 0.2;
    // Many meters show the size alone; a plus says nothing then.
    if !clear || factor.sample.value > 0.0 || follows < 0.0 {
        return None;
    }
    Some(Remark {
        weight: Weight::Hint,
        saw: format!("{phase}: a power factor of {} with {} W", plain(factor.sample.value), plain(power)),
        expected: words.to_owned(),
        points: vec![key, PointKey::Of(Quantity::ActivePower, phase)],
    })
}

/// The angle between voltage and current, from P and Q: near ±60° or ±120° it is that of a CT on another phase's
/// conductor with a resistive load (facts 8.1). Some loads come near it by themselves, so it is a hint and no more.
pub(super) fn angle(view: &View<'_>) -> Vec<Remark> {
    if view.site.lines().len() < 3 {
        // Conductors of a split-phase supply stand 180° apart: a swap there looks like a reversal.
        return Vec::new();
    }
    view.site.lines().iter().filter_map(|phase| angle_of(view, *phase)).collect()
}

/// Power that goes out of a site with nothing that generates: the CT is reversed, or the profile's `positive` is.
pub(super) fn export(view: &View<'_>) -> Vec<Remark> {
    /// Below this share of an ampere's power rounding and filters can do it (ours).
    const LEAST_A: f64 = 0.5;
    if !view.site.plants.is_empty() || view.meter.role == MeterRole::Generation {
        return Vec::new();
    }
    let lines = view.site.lines().iter().copied().chain([Phase::Total]);
    let out = |phase: Phase| {
        let power = view.value(Quantity::ActivePower, phase)?;
        let digits = 20.0 * power.half_step;
        (power.sample.value < -(LEAST_A * view.site.nominal_v).max(digits)).then(|| Remark {
            weight: Weight::Hint,
            saw: format!("{phase}: {} W, which is export", plain(power.sample.value)),
            expected: "import, where nothing on the site generates: else the CT is reversed, or `positive` in the profile is; \
                       the CT check tells"
                .to_owned(),
            points: vec![PointKey::Of(Quantity::ActivePower, phase)],
        })
    };
    lines.filter_map(out).collect()
}

fn angle_of(view: &View<'_>, phase: Phase) -> Option<Remark> {
    /// Half an ampere (ours): below it filters and standby supplies set the angle.
    const LEAST_A: f64 = 0.5;
    /// How near to the angle of a swapped CT, in degrees (ours).
    const NEAR_DEG: f64 = 15.0;
    let active = view.value(Quantity::ActivePower, phase)?;
    let reactive = view.value(Quantity::ReactivePower, phase)?;
    let (p, q) = (active.sample.value, reactive.sample.value);
    let size = libm::hypot(p, q);
    let digits = 20.0 * (active.half_step + reactive.half_step);
    if size < LEAST_A * view.site.nominal_v || size < digits || active.sample.at != reactive.sample.at {
        return None;
    }
    let degrees = libm::atan2(q, p).to_degrees();
    let near = [60.0, 120.0].into_iter().find(|swap| (degrees.abs() - swap).abs() <= NEAR_DEG)?;
    let what = if near > 90.0 {
        "a CT on another phase's conductor gives ±120°"
    } else {
        "a reversed CT on another phase's conductor gives ±60°"
    };
    Some(Remark {
        weight: Weight::Hint,
        saw: format!("{phase}: {} W and {} var, an angle of {degrees:.0}°", plain(p), plain(q)),
        expected: format!(
            "most loads lie between -30° and +45°, and what feeds in near 180°; {what}, a lightly loaded motor or a \
             large filter may too: the CT check tells"
        ),
        points: vec![
            PointKey::Of(Quantity::ActivePower, phase),
            PointKey::Of(Quantity::ReactivePower, phase),
        ],
    })
}
