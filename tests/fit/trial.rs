//! One made-up meter, three snapshots, and what the fit makes of them, compared with what the map really is.

use std::collections::BTreeMap;

use super::fit::{DraftTerms, RegisterMap, Snapshot, draft, fit, parse_seen};
use super::layouts::Layout;
use wattward::base::PointKey;
use wattward::profile::{Profile, Registers, Table, parse_profile};
use wattward::reading::decode::decode;
use wattward::reading::{Absent, Ratios};

/// What came of one layout.
pub(crate) struct Trial {
    pub(crate) layout: Layout,
    pub(crate) draft: Option<String>,
    /// By point: its confidence, and whether it reads what it says, now and with other loads.
    pub(crate) points: Vec<(PointKey, f64, bool)>,
}

pub(crate) fn map(words: &BTreeMap<(Table, u16), u16>) -> RegisterMap {
    let mut map = RegisterMap::default();
    for ((table, address), word) in words {
        map.put(Registers { table: *table, address: *address, count: 1 }, &[*word]);
    }
    map
}

fn value(profile: &Profile, key: &PointKey, map: &RegisterMap) -> Option<f64> {
    let point = profile.point(key)?;
    let read: Result<f64, Absent> = decode(point, Ratios { ct: 1.0, vt: 1.0 }, &|run| map.run(run));
    read.ok()
}

impl Trial {
    pub(crate) fn new(number: u64) -> Self {
        let mut layout = Layout::new(number);
        let gains = [(); 3].map(|()| layout.seed.between(-0.6, 0.6));
        let exports = layout.seed.happens(0.5);
        let mut snapshots = Vec::new();
        for look in 0..3 {
            layout.change(exports && look == 2);
            let seen = parse_seen(&layout.typed(&gains)).expect("typed right");
            snapshots.push(Snapshot { registers: map(&layout.words()), seen });
        }
        let fit = fit(&snapshots, 0.01);
        let terms = DraftTerms {
            name: "Draft".into(),
            notes: String::new(),
            line: None,
            unit: None,
            max_registers: None,
        };
        let draft = draft(&fit, &snapshots, &terms);
        let later: Vec<RegisterMap> = (0..10)
            .map(|look| {
                layout.change(exports && look % 2 == 0);
                map(&layout.words())
            })
            .collect();
        let points = fit.found.iter().map(|found| {
            let right = later.iter().chain(snapshots.iter().map(|one| &one.registers)).all(|map| {
                let spot = found.candidate.spot;
                let worth = found.candidate.count() * if found.candidate.turned { -1.0 } else { 1.0 };
                let read = spot.encoding.number(map, spot.at.table, spot.at.address).map(|raw| raw * worth);
                let truth = value(&layout.profile, &found.key, map)
                    // One phase has all the power there is.
                    .or_else(|| {
                        (!layout.three).then(|| of_one_phase(&layout.profile, &found.key, map)).flatten()
                    });
                match (read, truth) {
                    // A power that was never seen below zero promises nothing about it, and the draft says so.
                    (_, Some(truth)) if truth < 0.0 && !found.below_zero => true,
                    (Some(read), Some(truth)) => (read - truth).abs() <= 1e-4 * truth.abs() + 1e-9,
                    _ => false,
                }
            });
            (found.key.clone(), found.confidence, right)
        });
        let points = points.collect();
        Self { layout, draft, points }
    }

    /// Whether the best reading of a quantity is the right one.
    pub(crate) fn right(&self, key: &str) -> bool {
        self.points.iter().any(|(known, _, right)| known.to_string() == key && *right)
    }

    /// Points that are wrong and believed more than nine times out of ten.
    pub(crate) fn deceived(&self) -> Vec<String> {
        let wrong = self.points.iter().filter(|(_, confidence, right)| !*right && *confidence > 0.9);
        wrong.map(|(key, confidence, _)| format!("{key} {confidence:.3}")).collect()
    }

    /// What makes the draft no profile.
    pub(crate) fn faults(&self) -> Vec<String> {
        let Some(text) = &self.draft else { return Vec::new() };
        let faults = parse_profile("draft.toml", text).err();
        faults.iter().flat_map(|faults| &faults.list).map(|fault| fault.message.clone()).collect()
    }
}

fn of_one_phase(profile: &Profile, key: &PointKey, map: &RegisterMap) -> Option<f64> {
    let PointKey::Of(quantity, _) = key else { return None };
    let phases = [wattward::base::Phase::L1, wattward::base::Phase::Total];
    phases.iter().find_map(|phase| value(profile, &PointKey::Of(*quantity, *phase), map))
}

/// The three that the acceptance asks for.
pub(crate) const ASKED: [&str; 3] = ["voltage.L1", "frequency.total", "active_power.total"];
