//! Every change tried on the registers as they were read.

use std::collections::BTreeMap;

use super::change::{Change, Scope, changed, place, words};
use super::laws::{Bench, Misfit, Values};
use crate::base::{PointKey, Quantity, Stamp};
use crate::profile::{Meter, Profile, Site, Source, Type};
use crate::reading::decode::{Ratios, decode};
use crate::reading::fit::{RegisterMap, usual_scale};
use crate::reading::plausible::step;

/// Registers at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Look {
    /// When.
    pub at: Stamp,
    /// The profile's registers and their neighbours, as far as the meter answers.
    pub registers: RegisterMap,
}

/// A change that makes things agree better.
#[derive(Clone, Debug, PartialEq)]
pub struct Mend {
    /// What is done to it.
    pub change: Change,
    /// To which points.
    pub scope: Scope,
    /// Those it changes.
    pub points: Vec<PointKey>,
    /// What is left of disagreement.
    pub left: f64,
    /// In words, with what to write.
    pub words: String,
    /// The profile with the change made; its text is still the old one.
    pub profile: Profile,
    rank: f64,
}

/// What came of an examination.
#[derive(Clone, Debug, PartialEq)]
pub struct Examined {
    /// How much disagreement there is; below 0.5 all is well.
    pub amount: f64,
    /// The laws that are broken in the last look, worst first.
    pub misfits: Vec<Misfit>,
    /// Points without a value, that should have one.
    pub absent: Vec<PointKey>,
    /// What the profile as it is reads, in the last look.
    pub values: BTreeMap<PointKey, f64>,
    /// Changes that make everything agree, likeliest first; where none does, the one that helps most.
    pub mends: Vec<Mend>,
    /// Whether the first mend makes everything agree.
    pub settled: bool,
}

impl Examined {
    /// Whether there is no disagreement to speak of.
    pub fn agrees(&self) -> bool {
        self.amount < AGREES
    }
}

/// As much disagreement as is none.
const AGREES: f64 = 0.5;
/// Two mends within this of each other can't be told apart.
const ALIKE: f64 = 0.12;

/// Holds a profile against what the meter said, and looks for the single change that makes them agree. `site` is resolved
/// and the profile narrowed to its phases.
pub fn examine(profile: &Profile, site: &Site, meter: &Meter, looks: &[Look]) -> Examined {
    let trial = Trial { site, ratios: Ratios::of(meter), looks };
    let before = trial.disagreement(profile);
    let mut doubted: Vec<PointKey> =
        before.misfits.iter().flat_map(|misfit| misfit.points.clone()).chain(before.absent.clone()).collect();
    doubted.sort();
    doubted.dedup();
    let mut made = Examined {
        amount: before.amount,
        misfits: before.misfits,
        absent: before.absent,
        values: looks.last().map(|look| trial.values(profile, look).0).unwrap_or_default(),
        mends: Vec::new(),
        settled: false,
    };
    if made.agrees() {
        return made;
    }
    for scope in scopes(profile, &doubted) {
        for change in changes() {
            let Some((after, points)) = changed(profile, &scope, change) else { continue };
            if !points.iter().any(|point| doubted.contains(point)) {
                continue;
            }
            let left = trial.disagreement(&after).amount + trial.rest(&after);
            let rank = left + unlikely(&after, &scope, change, &points);
            let words = words(profile, &after, &scope, change, &points);
            made.mends.push(Mend { change, scope: scope.clone(), points, left, words, profile: after, rank });
        }
    }
    made.mends.sort_by(|a, b| a.rank.total_cmp(&b.rank));
    // The same change of the same points under another name is one.
    let mut known: Vec<(Change, Vec<PointKey>)> = Vec::new();
    made.mends.retain(|mend| {
        let key = (mend.change, mend.points.clone());
        let fresh = !known.contains(&key);
        if fresh {
            known.push(key);
        }
        fresh
    });
    let best = made.mends.first().map_or(f64::MAX, |mend| mend.left);
    made.settled = best < AGREES;
    let rank = made.mends.first().map_or(0.0, |mend| mend.rank);
    if made.settled {
        made.mends.retain(|mend| mend.left < AGREES && mend.rank <= rank + ALIKE);
        made.mends.truncate(3);
    } else {
        made.mends.retain(|mend| mend.left < 0.6 * made.amount);
        made.mends.truncate(1);
    }
    made
}

fn scopes(profile: &Profile, doubted: &[PointKey]) -> Vec<Scope> {
    let mut scopes: Vec<Scope> = doubted
        .iter()
        .flat_map(|key| match key {
            // A difference has no registers; the two it is made of do.
            PointKey::Of(Quantity::ActivePower, phase) if profile.point(key).is_none() => vec![
                Scope::Point(PointKey::Of(Quantity::ActivePowerImport, *phase)),
                Scope::Point(PointKey::Of(Quantity::ActivePowerExport, *phase)),
            ],
            _ => vec![Scope::Point(key.clone())],
        })
        .collect();
    for quantity in Quantity::ALL {
        let of =
            |point: &&crate::profile::Point| matches!(point.key, PointKey::Of(own, _) if own == quantity);
        if profile.points.iter().filter(of).count() > 1 {
            scopes.push(Scope::Quantity(quantity));
        }
    }
    scopes.extend(Type::ALL.into_iter().map(Scope::Kind));
    scopes.push(Scope::All);
    scopes
}

fn changes() -> Vec<Change> {
    let mut changes = vec![Change::WordOrder, Change::Table, Change::ByteOrder, Change::Sign];
    changes.extend([1, -1].map(Change::Address));
    changes.extend([1, -1, 2, -2, 3, -3, 4, -4].map(Change::Scale));
    changes.extend(Type::ALL.map(Change::Type));
    changes
}

/// How seldom a slip is of this kind (ours), small beside any disagreement.
fn unlikely(after: &Profile, scope: &Scope, change: Change, points: &[PointKey]) -> f64 {
    let kind = match change {
        Change::WordOrder => 0.0,
        Change::Table => 0.01,
        Change::Address(_) | Change::Sign => 0.03,
        Change::Scale(1 | -1) => 0.04,
        // The second is W for kW.
        Change::Type(_) | Change::Scale(3 | -3) => 0.05,
        Change::ByteOrder | Change::Scale(2 | -2) => 0.06,
        Change::Scale(_) => 0.14,
    };
    let order = matches!(change, Change::WordOrder | Change::ByteOrder);
    let place = match scope {
        // One order for a whole list is the rule, and one point that differs from all others the exception.
        Scope::All if order => 0.0,
        Scope::Point(key) if order => {
            if change == Change::WordOrder && like_the_others(after, key) {
                0.0
            } else {
                0.06
            }
        }
        // So is one type for a quantity; points that have it are left alone.
        Scope::Quantity(_) if matches!(change, Change::Type(_)) => 0.0,
        Scope::Point(_) if matches!(change, Change::Type(_)) => 0.02,
        Scope::Point(_) => 0.0,
        Scope::Quantity(_) | Scope::All => 0.02,
        Scope::Kind(_) => 0.08,
    };
    let scale = match change {
        Change::Scale(_) => {
            points.iter().map(|key| unusual_scale(after, key)).sum::<f64>() / points.len().max(1) as f64
        }
        _ => 0.0,
    };
    scale + kind + place + if points.len() == 1 { 0.0 } else { 0.005 }
}

/// 0 for the most usual scale of a quantity in its type, up to 0.1.
fn unusual_scale(profile: &Profile, key: &PointKey) -> f64 {
    let PointKey::Of(quantity, _) = key else { return 0.0 };
    let Some(point) = profile.point(key) else { return 0.0 };
    let Source::Registers { kind, .. } = &point.source else { return 0.0 };
    let worth = point.scale * point.unit.map_or(1.0, |unit| unit.factor);
    let share = usual_scale(*quantity, *kind, worth).max(1e-3);
    (-0.015 * libm::log(share)).min(0.1)
}

/// Whether a point has the order of registers that the other wide points have.
fn like_the_others(profile: &Profile, key: &PointKey) -> bool {
    let orders: Vec<_> = profile
        .points
        .iter()
        .filter_map(|point| match &point.source {
            Source::Registers { at, word_order, .. } if at.count > 1 => Some((&point.key, *word_order)),
            _ => None,
        })
        .collect();
    let Some((_, own)) = orders.iter().find(|(known, _)| *known == key) else { return false };
    let same = orders.iter().filter(|(known, order)| *known != key && order == own).count();
    2 * same > orders.len() - 1
}

struct Trial<'a> {
    site: &'a Site,
    ratios: Ratios,
    looks: &'a [Look],
}

struct Disagreement {
    amount: f64,
    misfits: Vec<Misfit>,
    absent: Vec<PointKey>,
}

impl Trial<'_> {
    fn values(&self, profile: &Profile, look: &Look) -> (Values, Vec<PointKey>) {
        let mut values: Values = BTreeMap::new();
        let mut absent = Vec::new();
        for point in &profile.points {
            if !matches!(point.source, Source::Registers { .. }) {
                continue;
            }
            match decode(point, self.ratios, &|run| look.registers.run(run)) {
                Ok(value) => {
                    values.insert(point.key.clone(), value);
                }
                Err(_) => absent.push(point.key.clone()),
            }
        }
        for phase in crate::base::Phase::ALL {
            let of = |quantity| values.get(&PointKey::Of(quantity, phase)).copied();
            if let (Some(import), Some(export)) =
                (of(Quantity::ActivePowerImport), of(Quantity::ActivePowerExport))
            {
                values.insert(PointKey::Of(Quantity::ActivePower, phase), import - export);
            }
        }
        for point in &profile.points {
            let Source::Sum(parts) = &point.source else { continue };
            let parts: Option<Vec<f64>> = parts.iter().map(|part| values.get(part).copied()).collect();
            if let Some(parts) = parts {
                values.insert(point.key.clone(), parts.iter().sum());
            }
        }
        (values, absent)
    }

    fn disagreement(&self, profile: &Profile) -> Disagreement {
        let mut all = Disagreement { amount: 0.0, misfits: Vec::new(), absent: Vec::new() };
        let mut before: Option<(Stamp, Values)> = None;
        for look in self.looks {
            let (values, absent) = self.values(profile, look);
            let mut bench =
                Bench { profile, site: self.site, values: &values, found: overlaps(profile), rest: 0.0 };
            bench.judge();
            let mut found = bench.found;
            if let Some((at, earlier)) = &before {
                found.extend(counters(profile, earlier, &values, (look.at - *at).seconds()));
            }
            let amount: f64 = found.iter().map(|misfit| misfit.size).sum::<f64>() + 2.0 * absent.len() as f64;
            all.amount += amount / self.looks.len() as f64;
            found.sort_by(|a, b| b.size.total_cmp(&a.size));
            all.misfits.extend(found);
            all.absent.extend(absent);
            before = Some((look.at, values));
        }
        // Each law with its points once.
        let mut known: Vec<(&'static str, Vec<PointKey>)> = Vec::new();
        all.misfits.retain(|misfit| {
            let key = (misfit.law, misfit.points.clone());
            let fresh = !known.contains(&key);
            if fresh {
                known.push(key);
            }
            fresh
        });
        all.absent.sort();
        all.absent.dedup();
        all
    }

    /// What is left within the room of each law, and measured values that never move in any digit: a tie-break.
    fn rest(&self, profile: &Profile) -> f64 {
        let mut rest = 0.0;
        let mut readings: Vec<Values> = Vec::new();
        for look in self.looks {
            let (values, _) = self.values(profile, look);
            let mut bench = Bench { profile, site: self.site, values: &values, found: Vec::new(), rest: 0.0 };
            bench.judge();
            rest += bench.rest / self.looks.len() as f64;
            readings.push(values);
        }
        let Some(first) = readings.first() else { return rest };
        let still = first.iter().filter(|(key, value)| {
            let measured = matches!(
                key,
                PointKey::Of(
                    Quantity::Voltage | Quantity::Current | Quantity::ActivePower | Quantity::Frequency,
                    _
                )
            );
            let fine =
                profile.point(key).is_some_and(|point| step(profile, point, **value) < 1e-4 * value.abs());
            measured && fine && readings.len() > 1 && readings.iter().all(|one| one.get(*key) == Some(*value))
        });
        rest + 0.2 * still.count() as f64
    }
}

/// Points that stand on each other's registers.
fn overlaps(profile: &Profile) -> Vec<Misfit> {
    let places: Vec<_> = profile
        .points
        .iter()
        .filter(|point| !matches!(&point.source, Source::Registers { bits: Some(_), .. }))
        .filter_map(|point| Some((&point.key, place(profile, &point.key)?)))
        .collect();
    let mut found = Vec::new();
    for (index, (key, at)) in places.iter().enumerate() {
        for (other_key, other) in &places[index + 1..] {
            let apart = at.table != other.table
                || u32::from(at.address) + u32::from(at.count) <= u32::from(other.address)
                || u32::from(other.address) + u32::from(other.count) <= u32::from(at.address);
            if !apart {
                let points = vec![(*key).clone(), (*other_key).clone()];
                found.push(Misfit { size: 1.5, law: "registers of their own", points });
            }
        }
    }
    found
}

/// Counters only rise, and no faster than the site can carry (ours: 100 kW).
fn counters(profile: &Profile, before: &Values, after: &Values, seconds: f64) -> Vec<Misfit> {
    let mut found = Vec::new();
    for (key, value) in after {
        let PointKey::Of(quantity, _) = key else { continue };
        let Some(earlier) = before.get(key).filter(|_| quantity.is_counter()) else { continue };
        let least =
            profile.point(key).map_or(0.0, |point| step(profile, point, *value)).max(value.abs() * 1e-6);
        let rise = value - earlier;
        if rise < -least {
            found.push(Misfit { size: 2.0, law: "counters only rise", points: vec![key.clone()] });
        } else if rise > 2.0 * least + 100_000.0 * seconds.abs() / 3600.0 + 10.0 {
            found.push(Misfit { size: 1.5, law: "no faster than the power", points: vec![key.clone()] });
        }
    }
    found
}
