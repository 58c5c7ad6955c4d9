//! How improbable it is that a register shows what the instruments showed by chance.
//!
//! Every candidate is a place with a type, orders, a power of ten and a sign. Its weight is a Bayes factor times its share
//! of the prior. The prior of all candidates together is 1 and is divided among all that are tried, so a thousand
//! more registers make each of them a thousand times harder to believe (the same argument as Bonferroni's, carried on
//! through the ranking). The factor sets two chances beside each other:
//!
//! - that a register which shows the quantity stands as far from the instrument as this one does: a normal distribution
//!   with an error common to all snapshots (the instrument's and the meter's class) and one of its own in each (digits,
//!   the time between typing and reading);
//! - that a register which has nothing to do with it comes as near: in the first snapshot one in so many, since sizes
//!   spread evenly over powers of ten; in the next ones it depends on what it does. It stays as it is (settings, serial
//!   numbers), creeps (counters), or moves by itself. One that follows a load three times by chance is next to impossible;
//!   one that stays near 230 is not, and a voltage that never changes its last digit is suspicious.

use crate::base::{Dimension, PointKey, Quantity};
use crate::profile::Table;

use super::encoding::{Encoding, Spot, power_share};
use super::snapshot::{RegisterMap, Snapshot};

/// Share of registers that stay as they are, creep, and move by themselves, in maps of meters (ours).
const STAYS: f64 = 0.45;
const CREEPS: f64 = 0.2;
const MOVES: f64 = 0.35;
/// Beyond this many squared deviations nothing is believed.
const WORST: f64 = 60.0;

/// One way to read one quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// Where and how.
    pub spot: Spot,
    /// One count is worth 10^power of the base unit.
    pub power: i8,
    /// A positive number means export.
    pub turned: bool,
    /// What it would say in each snapshot, in the base unit and import positive.
    pub values: Vec<Option<f64>>,
    /// Natural logarithm of prior times Bayes factor.
    pub weight: f64,
}

impl Candidate {
    /// What one count is worth.
    pub fn count(&self) -> f64 {
        super::ten_to(self.power)
    }

    /// Half the smallest step near a value.
    pub fn half_step(&self, value: f64) -> f64 {
        if self.spot.encoding.is_float() { value.abs() / f64::from(1 << 23) } else { self.count() / 2.0 }
    }
}

/// Whether a quantity may have a sign that the meter counts the other way round.
fn has_direction(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::ActivePower | Quantity::ReactivePower)
}

/// What the eyes saw of one quantity.
pub(super) struct Sight {
    pub(super) quantity: Quantity,
    /// By snapshot.
    seen: Vec<Option<(f64, f64)>>,
    /// The snapshot with the largest value.
    first: usize,
    largest: f64,
    instrument: f64,
}

impl Sight {
    /// Nothing where it was not seen, or only as zero.
    pub(super) fn of(key: &PointKey, snapshots: &[Snapshot], instrument: f64) -> Option<Self> {
        let PointKey::Of(quantity, _) = key else { return None };
        let of = |snapshot: &Snapshot| {
            snapshot.seen.iter().find(|seen| seen.key == *key).map(|seen| (seen.value, seen.half_digit))
        };
        let seen: Vec<Option<(f64, f64)>> = snapshots.iter().map(of).collect();
        let size = |index: usize| seen[index].map_or(0.0, |(value, _)| value.abs());
        let first = (0..seen.len()).rev().max_by(|a, b| size(*a).total_cmp(&size(*b)))?;
        let largest = size(first);
        let digit = seen[first]?.1;
        // A zero with one digit says nothing about the scale.
        (largest > 2.0 * digit && largest > 0.0).then_some(Self {
            quantity: *quantity,
            seen,
            first,
            largest,
            instrument,
        })
    }

    /// How many snapshots have it.
    pub(super) fn looks(&self) -> usize {
        self.seen.iter().flatten().count()
    }

    /// Whether it was seen below zero.
    pub(super) fn below_zero(&self) -> bool {
        self.seen.iter().flatten().any(|(value, _)| *value < 0.0)
    }

    /// Standard deviation common to all snapshots, as a fraction: the instrument's gain and the meter's class 1
    /// (rectangular).
    fn common(&self) -> f64 {
        libm::hypot(0.6 * self.instrument, 0.005)
    }

    /// Standard deviation of one snapshot by itself.
    fn own(&self, value: f64, half_digit: f64, half_step: f64) -> f64 {
        // What moves between the reading of the display and that of the registers (ours).
        let drift = match self.quantity.dimension() {
            Dimension::Voltage => 0.003,
            Dimension::Frequency | Dimension::ActiveEnergy | Dimension::ReactiveEnergy => 0.0005,
            _ => 0.01,
        };
        let parts = [
            0.6 * self.instrument * value,
            drift * value,
            0.002 * self.largest,
            half_digit / 1.73,
            half_step / 1.73,
        ];
        parts.iter().map(|part| part * part).sum::<f64>().sqrt()
    }

    /// How much it changes by itself from one minute to the next, as a fraction (ours).
    fn restless(&self) -> f64 {
        match self.quantity.dimension() {
            Dimension::Voltage => 0.004,
            Dimension::Frequency => 0.0003,
            Dimension::ActiveEnergy | Dimension::ReactiveEnergy => 0.0001,
            _ => 0.02,
        }
    }
}

/// All candidates for a quantity that are worth a second look, best first.
pub(super) fn candidates(sight: &Sight, snapshots: &[Snapshot]) -> Vec<Candidate> {
    let Some(reference) = snapshots.get(sight.first) else { return Vec::new() };
    let places: Vec<(Table, u16)> = reference.registers.places().collect();
    let mut found = Vec::new();
    for encoding in Encoding::all() {
        for (table, address) in &places {
            let Some(raw) = encoding.number(&reference.registers, *table, *address) else { continue };
            found.extend(one(sight, snapshots, encoding.spot(*table, *address), raw, places.len()));
        }
    }
    found.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    // What is e^20 times less likely than the best never comes back.
    let best = found.first().map_or(0.0, |best| best.weight);
    found.retain(|candidate| candidate.weight > best - 20.0);
    found
}

fn one(sight: &Sight, snapshots: &[Snapshot], spot: Spot, raw: f64, places: usize) -> Option<Candidate> {
    let (seen, _) = sight.seen[sight.first]?;
    let ratio = seen / raw;
    if !ratio.is_finite() || ratio == 0.0 {
        return None;
    }
    let turned = ratio < 0.0;
    if turned && !has_direction(sight.quantity) {
        return None;
    }
    let power = libm::log10(ratio.abs()).round();
    if power.abs() > 12.0 {
        return None;
    }
    let power = power as i8;
    let share = power_share(sight.quantity, spot.encoding, power);
    if share == 0.0 {
        return None;
    }
    let worth = super::ten_to(power) * if turned { -1.0 } else { 1.0 };
    let number = |map: &RegisterMap| spot.encoding.number(map, spot.at.table, spot.at.address);
    let values: Vec<Option<f64>> =
        snapshots.iter().map(|snapshot| number(&snapshot.registers).map(|raw| raw * worth)).collect();
    let mut made = Candidate { spot, power, turned, values, weight: 0.0 };
    let near = nearness(sight, &made)?;
    let direction = if has_direction(sight.quantity) { if turned { 0.15 } else { 0.85 } } else { 1.0 };
    let prior = spot.encoding.share(sight.quantity) * share * direction / places as f64;
    made.weight = libm::log(prior) + near + rarity(sight, &made) + extension(&made, snapshots);
    Some(made)
}

/// Logarithm of how well it fits where it is the right one, 0 at best.
fn nearness(sight: &Sight, candidate: &Candidate) -> Option<f64> {
    let common = sight.common();
    let (mut squares, mut cross, mut gain) = (0.0, 0.0, 1.0 / (common * common));
    for (seen, value) in sight.seen.iter().zip(&candidate.values) {
        let Some((seen, digit)) = seen else { continue };
        let value = (*value)?;
        let own = sight.own(*seen, *digit, candidate.half_step(value));
        let weight = 1.0 / (own * own);
        squares += weight * (value - seen) * (value - seen);
        cross += weight * (value - seen) * seen;
        gain += weight * seen * seen;
    }
    let mut deviation = squares - cross * cross / gain;
    if sight.quantity == Quantity::Frequency {
        // Grids keep within 0.2 Hz of 50 or 60 nearly always (common practice), which no cheap display shows as well.
        for value in candidate.values.iter().flatten() {
            let off = (value - 50.0).abs().min((value - 60.0).abs()) / 0.15;
            deviation += (off * off).min(30.0);
        }
    }
    // A slip of the pen, or a load that came in between, is possible too.
    (deviation < WORST).then(|| (-deviation / 2.0).max(libm::log(0.02) - deviation / 18.0))
}

/// Logarithm of how seldom a register that has nothing to do with it looks like this.
fn rarity(sight: &Sight, candidate: &Candidate) -> f64 {
    let Some(value) = candidate.values[sight.first] else { return 0.0 };
    let Some((seen, own_digit)) = sight.seen[sight.first] else { return 0.0 };
    let own = |seen: f64, digit: f64, value: f64| sight.own(seen, digit, candidate.half_step(value));
    let near = match sight.quantity {
        Quantity::Frequency => 0.002,
        _ => libm::hypot(own(seen, own_digit, value) / seen.abs(), sight.common()),
    };
    let first = (2.5 * near / candidate.spot.encoding.spread()).min(1.0);
    let mut rest = 1.0;
    let mut followed = 0;
    for (index, (other, shown)) in sight.seen.iter().zip(&candidate.values).enumerate() {
        let (Some((other, digit)), Some(shown)) = (other, shown) else { continue };
        let width = own(*other, *digit, *shown);
        // Only a change that the display shows for certain tells anything about following it.
        if index != sight.first && (other - seen).abs() > 3.0 * (width + own(seen, own_digit, value)) {
            rest *= (1.25 * width / sight.largest).min(1.0);
            followed += 1;
        }
    }
    let same = candidate.values.iter().flatten().all(|other| *other == value);
    let others = candidate.values.iter().flatten().count() - 1;
    let set = match sight.quantity {
        // A setting of the nominal value looks the same as one that keeps its digits.
        Quantity::Frequency => 90.0,
        Quantity::Voltage => 3.0,
        _ => 1.0,
    };
    let factor = if followed > 0 {
        rest * MOVES
    } else if others == 0 {
        // One look cannot tell it from such a setting.
        set
    } else {
        // How often a true one keeps every digit.
        let step = 2.0 * candidate.half_step(value);
        let keeps = (step / (2.5 * sight.restless() * value.abs())).clamp(0.05, 1.0);
        let keeps = (0..others.min(3)).fold(1.0, |all, _| all * keeps);
        if same { STAYS * set / keeps } else { (CREEPS + 0.01) / (1.0 - keeps).max(0.05) }
    };
    -libm::log(first) - libm::log(factor)
}

/// Registers in front that only carry the sign on: unlikely by chance, usual in wide whole numbers.
fn extension(candidate: &Candidate, snapshots: &[Snapshot]) -> f64 {
    use crate::profile::Type::{I32, I64, U32, U64};
    let Spot { at, encoding } = candidate.spot;
    if !matches!(encoding.kind, U32 | I32 | U64 | I64) {
        return 0.0;
    }
    let mut carried = [true; 4];
    let mut negative = false;
    for snapshot in snapshots {
        let Some(mut words) = snapshot.registers.run(at) else { continue };
        if encoding.word_order == crate::profile::Order::LowFirst {
            words.reverse();
        }
        for index in 0..words.len() - 1 {
            let swap = encoding.byte_order == crate::profile::Order::LowFirst;
            let next = if swap { words[index + 1].swap_bytes() } else { words[index + 1] };
            let sign = words[index] == 0xFFFF && next >= 0x8000;
            carried[index] &= words[index] == 0 || sign;
            negative |= sign;
        }
    }
    let (mut zeros, mut all) = (0.0, 1.0);
    for snapshot in snapshots.iter().take(1) {
        for (table, address) in snapshot.registers.places() {
            all += 1.0;
            zeros += f64::from(snapshot.registers.word(table, address) == Some(0));
        }
    }
    let zero = (-libm::log(f64::max(zeros / all, 0.01))).clamp(0.5, 1.7);
    let count = carried.iter().take(usize::from(at.count) - 1).filter(|carried| **carried).count();
    count.min(2) as f64 * if negative { 3.0 } else { zero }
}
