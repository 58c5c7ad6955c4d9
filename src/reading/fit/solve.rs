//! From candidates to points with a confidence: structure, the habits of one meter, and what reads the same in practice.

use crate::base::{Phase, PointKey, Quantity};

use super::habits::{align, apart, habits};
use super::score::{Candidate, Sight, candidates};
use super::snapshot::Snapshot;
use super::structure::{self, Parts, Sides, Triple};

/// Weight of "it is not in what was read, or not in any form tried" beside all candidates together. Ours.
const NOWHERE: f64 = 0.25;
/// No confidence is higher: lists have surprises that no three looks show.
const MOST: f64 = 0.99;
/// How many candidates are looked at for structure.
pub(super) const LOOKED_AT: usize = 120;

/// What a point rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// A value that was seen.
    Seen,
    /// The next phase of this one, alike in type and at the same distance.
    NextTo(Quantity),
    /// The sum of the phases makes the total.
    SumOf(Quantity),
    /// S² = P² + Q².
    Triangle,
}

/// Another reading of the same quantity that is not ruled out.
#[derive(Clone, Debug, PartialEq)]
pub struct Rival {
    /// How to read it.
    pub candidate: Candidate,
    /// Its share of the belief.
    pub share: f64,
}

/// One point, with how far to believe it.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// What it is.
    pub key: PointKey,
    /// How to read it.
    pub candidate: Candidate,
    /// Between 0 and 1: the chance that this line reads what it says.
    pub confidence: f64,
    /// What it rests on.
    pub basis: Basis,
    /// In how many snapshots it was seen.
    pub looks: usize,
    /// It was seen below zero, and reads so.
    pub below_zero: bool,
    /// Two more phases stand beside it at this distance.
    pub stride: Option<u16>,
    /// The phases add up to it.
    pub sums: bool,
    /// The best of the others.
    pub rivals: Vec<Rival>,
}

/// What came of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fit {
    /// By quantity and phase.
    pub found: Vec<Found>,
    /// What was seen and not found.
    pub missed: Vec<PointKey>,
}

/// One quantity on its way.
pub(super) struct Case {
    pub(super) key: PointKey,
    sight: Sight,
    pub(super) candidates: Vec<Candidate>,
    extras: Vec<Extra>,
}

/// What structure was found around a candidate.
#[derive(Clone, Copy, Debug, Default)]
struct Extra {
    triple: Option<Triple>,
    parts: Option<Parts>,
    sides: Option<Sides>,
}

impl Extra {
    /// The same for a reading whose register stands so much further on.
    fn moved(self, by: i32) -> Self {
        let on = |address: u16| u16::try_from(i32::from(address) + by).unwrap_or(address);
        Self {
            triple: self.triple.map(|triple| Triple { first: on(triple.first), ..triple }),
            parts: self.parts.map(|parts| Parts { first: on(parts.first), ..parts }),
            sides: self
                .sides
                .map(|sides| Sides { reactive: on(sides.reactive), apparent: on(sides.apparent) }),
        }
    }
}

/// Finds every quantity that was seen, and what stands beside it. `instrument` is the error of the instruments as a
/// fraction, 0.01 for 1 %.
pub fn fit(snapshots: &[Snapshot], instrument: f64) -> Fit {
    let mut keys: Vec<PointKey> = Vec::new();
    for seen in snapshots.iter().flat_map(|snapshot| &snapshot.seen) {
        if !keys.contains(&seen.key) {
            keys.push(seen.key.clone());
        }
    }
    keys.sort();
    let mut made = Fit::default();
    let mut cases: Vec<Case> = Vec::new();
    for key in keys {
        let found =
            Sight::of(&key, snapshots, instrument).map(|sight| (candidates(&sight, snapshots), sight));
        match found {
            Some((candidates, sight)) if !candidates.is_empty() => {
                let mut case = Case { key, sight, candidates, extras: Vec::new() };
                case.structure(snapshots);
                cases.push(case);
            }
            _ => made.missed.push(key),
        }
    }
    align(&mut cases);
    habits(&mut cases);
    apart(&mut cases);
    for case in &cases {
        match case.conclude(snapshots) {
            Some((found, extra)) => {
                let more = beside(&found, extra, &cases, snapshots);
                made.found.push(found);
                made.found.extend(more);
            }
            None => made.missed.push(case.key.clone()),
        }
    }
    made.found.sort_by(|a, b| a.key.cmp(&b.key).then(b.confidence.total_cmp(&a.confidence)));
    made.found.dedup_by(|later, first| later.key == first.key);
    made
}

impl Case {
    /// Adds what the neighbours say.
    fn structure(&mut self, snapshots: &[Snapshot]) {
        let PointKey::Of(quantity, phase) = self.key else { return };
        self.extras = vec![Extra::default(); self.candidates.len()];
        let looked_at = self.candidates.iter_mut().zip(&mut self.extras).take(LOOKED_AT);
        for (candidate, extra) in looked_at {
            candidate.weight += structure::end_of_row(candidate, snapshots);
            if let (Quantity::Voltage, Some(line)) = (quantity, phase.line_index()) {
                extra.triple = structure::voltages_alike(candidate, line, snapshots);
                // A single-phase meter has none, and of what is no voltage few have one.
                candidate.weight += extra.triple.map_or(-1.0, |triple| triple.speaks);
            }
            if structure::is_power(quantity) && phase == Phase::Total {
                extra.parts = structure::parts_of(candidate, snapshots);
                candidate.weight += match extra.parts {
                    Some(Parts { shown: true, .. }) => 5.0,
                    Some(_) => 0.5,
                    None => -0.7,
                };
            }
            if quantity == Quantity::ActivePower {
                let (sides, longest) = structure::triangle(candidate, snapshots);
                extra.sides = sides;
                candidate.weight += if sides.is_some() { 2.5 } else { 0.0 } - if longest { 2.5 } else { 0.0 };
            }
        }
        self.sort();
    }

    /// Best first.
    pub(super) fn sort(&mut self) {
        let mut both: Vec<(Candidate, Extra)> =
            self.candidates.drain(..).zip(self.extras.drain(..)).collect();
        both.sort_by(|(a, _), (b, _)| b.weight.total_cmp(&a.weight));
        (self.candidates, self.extras) = both.into_iter().unzip();
    }

    /// Beliefs, adding up to less than 1: the rest is that it stands nowhere.
    pub(super) fn beliefs(&self) -> Vec<f64> {
        let top = self.candidates.first().map_or(0.0, |best| best.weight).max(libm::log(NOWHERE));
        let weights: Vec<f64> =
            self.candidates.iter().map(|candidate| libm::exp(candidate.weight - top)).collect();
        let all = weights.iter().sum::<f64>() + NOWHERE * libm::exp(-top);
        weights.into_iter().map(|weight| weight / all).collect()
    }

    fn conclude(&self, snapshots: &[Snapshot]) -> Option<(Found, Extra)> {
        let beliefs = self.beliefs();
        let first = self.candidates.first()?;
        let quantity = self.sight.quantity;
        // What reads the same in practice, and how safely each of them stands for the others.
        let alike: Vec<usize> = (0..self.candidates.len())
            .filter(|index| same_in_practice(quantity, first, &self.candidates[*index], snapshots))
            .collect();
        let safe = |chosen: usize| {
            let held =
                |truth: &usize| beliefs[*truth] * within(&self.candidates[chosen], &self.candidates[*truth]);
            alike.iter().map(held).sum::<f64>()
        };
        let safest = alike.iter().copied().rev().max_by(|a, b| safe(*a).total_cmp(&safe(*b)))?;
        let chosen = if safe(safest) > safe(0) + 0.03 { safest } else { 0 };
        let best = &self.candidates[chosen];
        let extra = self.extras[0].moved(i32::from(best.spot.at.address) - i32::from(first.spot.at.address));
        let confidence = safe(chosen);
        let mut rivals: Vec<Rival> = Vec::new();
        for (candidate, belief) in self.candidates.iter().zip(&beliefs) {
            if same_in_practice(quantity, first, candidate, snapshots) {
                continue;
            }
            let known = rivals
                .iter_mut()
                .find(|rival| same_in_practice(quantity, &rival.candidate, candidate, snapshots));
            match known {
                Some(known) => known.share += belief,
                None if *belief > 0.002 => {
                    rivals.push(Rival { candidate: candidate.clone(), share: *belief });
                }
                None => {}
            }
        }
        rivals.sort_by(|a, b| b.share.total_cmp(&a.share));
        rivals.retain(|rival| rival.share > 0.01);
        rivals.truncate(4);
        let found = Found {
            key: self.key.clone(),
            candidate: best.clone(),
            confidence: confidence.min(MOST),
            basis: Basis::Seen,
            looks: self.sight.looks(),
            below_zero: self.sight.below_zero(),
            stride: extra.triple.map(|triple| triple.stride),
            sums: extra.parts.is_some_and(|parts| parts.shown),
            rivals,
        };
        Some((found, extra))
    }
}

/// Whether two ways of reading give the same as long as the meter does what it did: the same registers (or the other
/// table's copy of them), the same values so far, and room for several times more.
fn same_in_practice(quantity: Quantity, one: &Candidate, other: &Candidate, snapshots: &[Snapshot]) -> bool {
    if one.spot == other.spot && one.power == other.power {
        return true;
    }
    let (a, b) = (one.spot.at, other.spot.at);
    let overlap = u32::from(a.address) < u32::from(b.address) + u32::from(b.count)
        && u32::from(b.address) < u32::from(a.address) + u32::from(a.count);
    let copies = || {
        a.table != b.table
            && snapshots.iter().all(|snapshot| {
                let of = |table| snapshot.registers.run(crate::profile::Registers { table, ..a });
                of(a.table).is_some() && of(a.table) == of(b.table)
            })
    };
    if !overlap || !(a.table == b.table || copies()) {
        return false;
    }
    let mut largest = 0.0_f64;
    for pair in one.values.iter().zip(&other.values) {
        let (Some(x), Some(y)) = pair else { continue };
        largest = largest.max(x.abs());
        if (x - y).abs() > 1e-6 * x.abs() {
            return false;
        }
    }
    // Voltage and frequency stay where they are; a power may be much larger tomorrow.
    let times = if matches!(quantity, Quantity::Voltage | Quantity::Frequency) { 1.25 } else { 3.0 };
    let room = |candidate: &Candidate| candidate.spot.encoding.most() * candidate.count() >= times * largest;
    room(one) && room(other)
}

/// How safely one reading stands for another that reads the same so far: for sure within its registers, and with the
/// words that it takes besides only as long as they stay what they are.
fn within(chosen: &Candidate, truth: &Candidate) -> f64 {
    let (inner, outer) = (chosen.spot.at, truth.spot.at);
    let inside = inner.address >= outer.address
        && u32::from(inner.address) + u32::from(inner.count)
            <= u32::from(outer.address) + u32::from(outer.count);
    if inside { 1.0 } else { 0.7 }
}

/// The points that stand beside one that was found, where nobody saw them for themselves.
fn beside(found: &Found, extra: Extra, cases: &[Case], snapshots: &[Snapshot]) -> Vec<Found> {
    let PointKey::Of(quantity, phase) = found.key else { return Vec::new() };
    let mut more = Vec::new();
    let mut add = |quantity: Quantity, phase: Phase, address: u16, share: f64, basis: Basis| {
        let key = PointKey::Of(quantity, phase);
        if cases.iter().any(|case| case.key == key) {
            return;
        }
        let mut candidate = found.candidate.clone();
        candidate.spot.at.address = address;
        candidate.turned &= quantity != Quantity::ApparentPower;
        let worth = candidate.count() * if candidate.turned { -1.0 } else { 1.0 };
        let at = candidate.spot.at;
        let number =
            |snapshot: &Snapshot| candidate.spot.encoding.number(&snapshot.registers, at.table, address);
        candidate.values = snapshots.iter().map(|one| number(one).map(|raw| raw * worth)).collect();
        let below_zero = candidate.values.iter().flatten().any(|value| *value < 0.0);
        more.push(Found {
            key,
            candidate,
            confidence: found.confidence * share,
            basis,
            looks: 0,
            below_zero,
            stride: None,
            sums: false,
            rivals: Vec::new(),
        });
    };
    if let (Some(triple), Some(own)) = (extra.triple, phase.line_index()) {
        for (line, phase) in (0..).zip(Phase::LINES) {
            if usize::from(line) != own {
                add(quantity, phase, triple.first + line * triple.stride, 0.97, Basis::NextTo(quantity));
            }
        }
    }
    if let Some(parts) = extra.parts {
        for (line, phase) in (0..).zip(Phase::LINES) {
            let share = if parts.shown { 0.96 } else { 0.6 };
            add(quantity, phase, parts.first + line * parts.stride, share, Basis::SumOf(quantity));
        }
    }
    if let Some(sides) = extra.sides {
        // Which way reactive power counts, the triangle does not show.
        add(Quantity::ReactivePower, phase, sides.reactive, 0.75, Basis::Triangle);
        add(Quantity::ApparentPower, phase, sides.apparent, 0.95, Basis::Triangle);
    }
    more
}
