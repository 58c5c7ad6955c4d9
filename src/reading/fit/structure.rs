//! What points say about each other: three phases alike in type at a fixed distance, a total that is their sum, and
//! S² = P² + Q².

use crate::base::Quantity;
use crate::profile::{Order, Table, Type};

use super::encoding::{Encoding, Spot};
use super::score::Candidate;
use super::snapshot::Snapshot;

/// Registers from one phase to the next at most. Ours.
const FARTHEST: u16 = 24;
/// How far from a total its phases are looked for. Ours.
const NEIGHBOURHOOD: u16 = 160;

/// Two more phases beside one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Triple {
    /// Address of L1.
    pub(super) first: u16,
    /// Registers from one phase to the next.
    pub(super) stride: u16,
    /// Logarithm of how much it speaks for the candidate.
    pub(super) speaks: f64,
}

/// A table of numbers read one way, by address, in all snapshots.
pub(super) struct Column<'a> {
    encoding: Encoding,
    table: Table,
    worth: f64,
    snapshots: &'a [Snapshot],
}

impl<'a> Column<'a> {
    pub(super) fn of(candidate: &Candidate, snapshots: &'a [Snapshot]) -> Self {
        let worth = candidate.count() * if candidate.turned { -1.0 } else { 1.0 };
        Self { encoding: candidate.spot.encoding, table: candidate.spot.at.table, worth, snapshots }
    }

    /// What stands at an address in every snapshot; nothing where one of them lacks it.
    pub(super) fn at(&self, address: u16) -> Option<Vec<f64>> {
        let number = |snapshot: &Snapshot| {
            self.encoding.number(&snapshot.registers, self.table, address).map(|raw| raw * self.worth)
        };
        self.snapshots.iter().map(number).collect()
    }
}

/// Voltages alike, at the best distance. `line` is 0 for L1 to 2 for L3.
pub(super) fn voltages_alike(candidate: &Candidate, line: usize, snapshots: &[Snapshot]) -> Option<Triple> {
    let column = Column::of(candidate, snapshots);
    let at = candidate.spot.at;
    let own = column.at(at.address)?;
    let alike = |address: u16| {
        column
            .at(address)
            .is_some_and(|other| other.iter().zip(&own).all(|(other, own)| (other / own - 1.0).abs() < 0.12))
    };
    let mut best: Option<Triple> = None;
    for stride in at.count..=FARTHEST {
        let Some(first) = at.address.checked_sub(stride * line as u16) else { continue };
        let lines = [0, 1, 2].map(|line| first.checked_add(line * stride));
        if !lines.iter().all(|address| address.is_some_and(alike)) {
            continue;
        }
        // Side by side is how most lists have it; what goes on before L1 shows that this is not L1.
        let beside = if stride == at.count { 0.6 } else { 0.02 };
        let before = first.checked_sub(stride).is_some_and(alike);
        // Two places that happen to look like a voltage of this scale: 0.03 each (ours).
        let speaks = libm::log(0.85 * beside / (0.03 * 0.03)).min(6.5) - if before { 2.5 } else { 0.0 };
        if best.is_none_or(|best| speaks > best.speaks) {
            best = Some(Triple { first, stride, speaks });
        }
    }
    best
}

/// Phases whose sum is the candidate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Parts {
    /// Address of L1.
    pub(super) first: u16,
    /// Registers from one phase to the next.
    pub(super) stride: u16,
    /// At least two of them carried something.
    pub(super) shown: bool,
}

/// Three places at a fixed distance, read like the candidate, that add up to it in every snapshot.
pub(super) fn parts_of(candidate: &Candidate, snapshots: &[Snapshot]) -> Option<Parts> {
    let column = Column::of(candidate, snapshots);
    let at = candidate.spot.at;
    let total = column.at(at.address)?;
    let low = at.address.saturating_sub(NEIGHBOURHOOD);
    let high = at.address.saturating_add(NEIGHBOURHOOD);
    let values: Vec<Option<Vec<f64>>> = (low..=high).map(|address| column.at(address)).collect();
    // A phase may carry much more than the sum of three, within reason; anything goes together with huge numbers.
    let most = 30.0 * total.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
    let values: Vec<Option<Vec<f64>>> = values
        .into_iter()
        .map(|numbers| numbers.filter(|numbers| numbers.iter().all(|number| number.abs() <= most)))
        .collect();
    let of = |address: u32| values.get(address.checked_sub(u32::from(low))? as usize)?.as_deref();
    let overlaps = |address: u32| {
        let count = u32::from(at.count);
        address < u32::from(at.address) + count && u32::from(at.address) < address + count
    };
    let mut best: Option<(u32, Parts)> = None;
    for first in u32::from(low)..=u32::from(high) {
        for stride in u32::from(at.count)..=u32::from(FARTHEST) {
            let lines = [first, first + stride, first + 2 * stride];
            let (Some(a), Some(b), Some(c)) = (of(lines[0]), of(lines[1]), of(lines[2])) else { continue };
            let sums = (0..total.len()).all(|index| {
                let parts = [a[index], b[index], c[index]];
                let sizes: f64 = parts.iter().map(|part| part.abs()).sum();
                // Four roundings, and the meter's own sum of what it has not rounded.
                let room = 2.5 * candidate.half_step(0.0).max(1e-6 * sizes) + 0.002 * sizes;
                (parts.iter().sum::<f64>() - total[index]).abs() <= room
            });
            if !sums || lines.iter().any(|line| overlaps(*line)) {
                continue;
            }
            let carried =
                |part: &[f64]| part.iter().any(|value| value.abs() > 10.0 * candidate.half_step(*value));
            let carrying = [a, b, c].iter().filter(|part| carried(part)).count();
            if carrying == 0 {
                continue;
            }
            // Side by side before far apart, near before far, and phases that carry something before zeros.
            let apart = u32::from(stride != u32::from(at.count));
            let far = first.abs_diff(u32::from(at.address)) / 32;
            let order = (3 - carrying as u32) * 1000 + apart * 100 + far;
            if best.is_none_or(|(known, _)| order < known) {
                let parts = Parts { first: first as u16, stride: stride as u16, shown: carrying >= 2 };
                best = Some((order, parts));
            }
        }
    }
    best.map(|(_, parts)| parts)
}

/// Reactive and apparent power beside an active power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sides {
    /// Address of the reactive power.
    pub(super) reactive: u16,
    /// Address of the apparent power.
    pub(super) apparent: u16,
}

/// Whether the candidate is a leg of a right triangle with two other places read alike, or the longest side of one.
pub(super) fn triangle(candidate: &Candidate, snapshots: &[Snapshot]) -> (Option<Sides>, bool) {
    let column = Column::of(candidate, snapshots);
    let at = candidate.spot.at;
    let Some(own) = column.at(at.address) else { return (None, false) };
    let largest = own.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
    let low = at.address.saturating_sub(NEIGHBOURHOOD);
    let high = at.address.saturating_add(NEIGHBOURHOOD);
    // What is a power of the same size, and is not always nothing.
    let near: Vec<(u16, Vec<f64>)> = (low..=high)
        .filter(|address| address.abs_diff(at.address) >= at.count)
        .filter_map(|address| Some((address, column.at(address)?)))
        .filter(|(_, values)| {
            let most = values.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
            let same = values.iter().all(|value| *value == values[0]);
            most > 0.03 * largest && most < 5.0 * largest && !same
        })
        .collect();
    let right = |long: &[f64], one: &[f64], other: &[f64]| {
        (0..own.len()).all(|index| {
            let made = libm::hypot(one[index], other[index]);
            let room = 3.0 * candidate.half_step(0.0) + 0.002 * made;
            long[index].abs() > 0.0 && (long[index].abs() - made).abs() <= room
        })
    };
    let told = |values: &[f64]| {
        // A leg that is next to nothing beside the other tells nothing.
        values.iter().zip(&own).any(|(value, own)| value.abs() > 0.05 * own.abs())
    };
    let mut sides: Option<Sides> = None;
    let mut longest = false;
    for (apparent, long) in &near {
        for (reactive, leg) in near.iter().filter(|(address, _)| address.abs_diff(*apparent) >= at.count) {
            if told(leg) && right(long, &own, leg) {
                let nearer = |known: &Sides| {
                    reactive.abs_diff(at.address) + apparent.abs_diff(at.address)
                        < known.reactive.abs_diff(at.address) + known.apparent.abs_diff(at.address)
                };
                if sides.as_ref().is_none_or(nearer) {
                    sides = Some(Sides { reactive: *reactive, apparent: *apparent });
                }
            }
            longest |= apparent < reactive && told(leg) && told(long) && right(&own, long, leg);
        }
    }
    (sides, longest)
}

/// For a single float: whether the word that belongs to it is the one after it or the one before it. In a row of floats
/// each has a live word on either side; the ends of the row show to which side they belong. Positive speaks for it.
pub(super) fn end_of_row(candidate: &Candidate, snapshots: &[Snapshot]) -> f64 {
    let Spot { at, encoding } = candidate.spot;
    if encoding.kind != Type::F32 || snapshots.len() < 2 {
        return 0.0;
    }
    let swap = |word: u16| if encoding.byte_order == Order::LowFirst { word.swap_bytes() } else { word };
    let word = |snapshot: &Snapshot, address: u16| snapshot.registers.word(at.table, address).map(swap);
    // The upper half of a float between a thousandth and ten million.
    let upper = |address: u16| {
        snapshots.iter().all(|snapshot| {
            word(snapshot, address).is_some_and(|word| (0x3A80..0x4B20).contains(&(word & 0x7FFF)))
        })
    };
    let live = |address: Option<u16>| {
        address.is_some_and(|address| {
            snapshots.iter().any(|snapshot| word(snapshot, address) != word(&snapshots[0], address))
        })
    };
    let own = if encoding.word_order == Order::LowFirst { at.address.saturating_add(1) } else { at.address };
    let (mut first, mut last) = (own, own);
    while first >= 2 && upper(first - 2) {
        first -= 2;
    }
    while last < u16::MAX - 2 && upper(last + 2) {
        last += 2;
    }
    let (before, after) = (live(first.checked_sub(1)), live(last.checked_add(1)));
    let speaks = match (before, after) {
        (true, false) => -2.5,
        (false, true) => 2.5,
        _ => 0.0,
    };
    if encoding.word_order == Order::LowFirst { -speaks } else { speaks }
}

/// Whether the sum of phases, or the triangle, says something about a quantity.
pub(super) const fn is_power(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::ActivePower | Quantity::ReactivePower | Quantity::ApparentPower)
}
