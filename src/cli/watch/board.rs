//! What the live view shows, as values: no terminal and no clock here. A value that is too old is no value.

use std::collections::{BTreeMap, VecDeque};

use crate::base::zone::Zone;
use crate::base::{Phase, PointKey, Quantity, Span, Stamp};
use crate::evidence::mean::Line;
use crate::profile::{MeterRole, Per, Rule, Site};
use crate::reading::Sample;

/// How much of the past the plot shows.
const SHOWN: Span = Span::from_millis(300_000);
/// How much of the past is kept at most, whatever a rule averages over. Ours.
const KEPT: Span = Span::from_millis(3_600_000);
/// Values of one meter kept at most.
const MOST: usize = 72_000;
/// A value is too old when three readings should have come since, and never before this. Ours.
const FRESH: Span = Span::from_millis(3_000);
/// Below this neither direction is named where the site file gives no resolution, in W. Ours.
const STILL_W: f64 = 0.5;
/// Notes kept on the screen.
const NOTES: usize = 3;

/// Everything on the screen.
#[derive(Debug)]
pub(in crate::cli) struct Board {
    /// The site's name.
    pub(in crate::cli) site: String,
    /// Its time zone.
    pub(in crate::cli) zone: Zone,
    /// Its meters, in the site file's order.
    pub(in crate::cli) meters: Vec<Panel>,
    /// Which of them is shown large.
    pub(in crate::cli) chosen: usize,
    /// What happened that a person should know, newest last.
    pub(in crate::cli) notes: VecDeque<String>,
    /// Lines that are lost at the moment.
    pub(in crate::cli) lost: Vec<String>,
    /// What the line does, in a sentence.
    pub(in crate::cli) health: String,
    /// Where the records go, if anywhere.
    pub(in crate::cli) recording: Option<String>,
    /// What happens before the first reading.
    pub(in crate::cli) before: String,
    /// Address of the phone page.
    pub(in crate::cli) page: Option<String>,
    /// Rows of its code, shown until a phone has it.
    pub(in crate::cli) code: Vec<String>,
}

/// One meter.
#[derive(Debug)]
pub(in crate::cli) struct Panel {
    /// Its name in the site file.
    pub(in crate::cli) name: String,
    /// Its role.
    pub(in crate::cli) role: MeterRole,
    /// Rules it is held against: none for a meter on a plant or a load.
    pub(in crate::cli) rules: Vec<Ruled>,
    /// Phases of the site.
    pub(in crate::cli) phases: Vec<Phase>,
    /// Newest values, however old.
    pub(in crate::cli) latest: BTreeMap<PointKey, Sample>,
    every: Option<Span>,
    still_w: f64,
    history: VecDeque<(Stamp, Phase, f64)>,
}

/// A rule with its limit worked out.
#[derive(Clone, Debug)]
pub(in crate::cli) struct Ruled {
    /// The rule.
    pub(in crate::cli) rule: Rule,
    /// Its limit with tolerance, in W.
    pub(in crate::cli) level_w: f64,
}

/// Where a power flows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::cli) enum Way {
    /// From the grid into the site; a plant draws.
    In,
    /// From the site to the grid; a plant delivers.
    Out,
    /// Too little to say.
    Still,
}

impl Board {
    /// Nothing read yet.
    pub(in crate::cli) fn new(site: &Site, every: Option<Span>) -> Self {
        let rules = site.limit.iter().flat_map(|limit| &limit.rules).filter_map(|rule| {
            Some(Ruled { rule: rule.clone(), level_w: rule.limit_w(site)? + rule.tolerance_w })
        });
        let rules: Vec<Ruled> = rules.collect();
        let held = |role| matches!(role, MeterRole::Reference | MeterRole::Steering);
        let panel = |meter: &crate::profile::Meter| Panel {
            name: meter.name.clone(),
            role: meter.role,
            rules: if held(meter.role) { rules.clone() } else { Vec::new() },
            phases: site.lines().to_vec(),
            latest: BTreeMap::new(),
            every,
            still_w: meter.resolution_w.map_or(STILL_W, |resolution| resolution / 2.0),
            history: VecDeque::new(),
        };
        Self {
            site: site.name.clone(),
            zone: Zone::named(&site.time_zone).unwrap_or_default(),
            meters: site.meters.iter().map(panel).collect(),
            chosen: 0,
            notes: VecDeque::new(),
            lost: Vec::new(),
            health: String::new(),
            recording: None,
            before: String::new(),
            page: None,
            code: Vec::new(),
        }
    }

    /// Keeps a sentence on the screen until newer ones push it out.
    pub(in crate::cli) fn note(&mut self, at: Stamp, text: &str) {
        self.notes.push_back(format!("{}  {}", self.zone.local(at).time, text.trim_end()));
        while self.notes.len() > NOTES {
            self.notes.pop_front();
        }
    }

    /// Shows the next meter large.
    pub(in crate::cli) fn next_meter(&mut self) {
        self.chosen = (self.chosen + 1) % self.meters.len().max(1);
    }
}

impl Panel {
    /// Takes the newest values.
    pub(in crate::cli) fn take(&mut self, latest: BTreeMap<PointKey, Sample>) {
        let before = std::mem::replace(&mut self.latest, latest);
        let Some(newest) = self.latest.values().map(|sample| sample.at).max() else { return };
        for phase in self.phases.clone().into_iter().chain([Phase::Total]) {
            let key = PointKey::Of(Quantity::ActivePower, phase);
            let read = self.latest.get(&key).copied();
            let sample = match read {
                None if phase == Phase::Total => {
                    self.total_w(newest).map(|value| Sample { at: newest, value })
                }
                read => read,
            };
            if let Some(sample) = sample
                && before.get(&key).is_none_or(|before| before.at < sample.at)
            {
                self.history.push_back((sample.at, phase, sample.value));
            }
        }
        while self.history.len() > MOST || self.history.front().is_some_and(|(at, ..)| newest - *at > KEPT) {
            self.history.pop_front();
        }
    }

    /// How old a value may be.
    fn fresh(&self) -> Span {
        self.every.map_or(FRESH * 3, |every| (every * 3).max(FRESH))
    }

    /// A value, unless it is too old.
    pub(in crate::cli) fn value(&self, now: Stamp, quantity: Quantity, phase: Phase) -> Option<f64> {
        let sample = self.latest.get(&PointKey::Of(quantity, phase))?;
        (now - sample.at <= self.fresh()).then_some(sample.value)
    }

    /// Power of all phases together, import positive, in W: the meter's own total, else the sum where every phase is fresh.
    pub(in crate::cli) fn total_w(&self, now: Stamp) -> Option<f64> {
        let by_phase =
            || self.phases.iter().map(|phase| self.value(now, Quantity::ActivePower, *phase)).sum();
        self.value(now, Quantity::ActivePower, Phase::Total).or_else(by_phase)
    }

    /// How long ago the newest value came.
    pub(in crate::cli) fn age(&self, now: Stamp) -> Option<Span> {
        self.latest.values().map(|sample| now - sample.at).min()
    }

    /// Whether the profile reads this at all.
    pub(in crate::cli) fn has(&self, quantity: Quantity, phase: Phase) -> bool {
        self.latest.contains_key(&PointKey::Of(quantity, phase))
    }

    /// Where this power flows.
    pub(in crate::cli) fn way(&self, power_w: f64) -> Way {
        match power_w {
            power if power > self.still_w => Way::In,
            power if power < -self.still_w => Way::Out,
            _ => Way::Still,
        }
    }

    /// Angle of the current behind the voltage, in degrees, positive when inductive: the meter's own, else from P and Q.
    pub(in crate::cli) fn angle_deg(&self, now: Stamp, phase: Phase) -> Option<f64> {
        let value = |quantity| self.value(now, quantity, phase);
        value(Quantity::PhaseAngle).or_else(|| {
            let (active, reactive) = (value(Quantity::ActivePower)?, value(Quantity::ReactivePower)?);
            (libm::hypot(active, reactive) > 10.0 * self.still_w)
                .then(|| libm::atan2(reactive, active).to_degrees())
        })
    }

    /// Export of the total over the last minutes: (s before now, negative; W), oldest first.
    pub(in crate::cli) fn recent(&self, now: Stamp) -> Vec<(f64, f64)> {
        let shown = self.line(Phase::Total, now).into_iter().filter(|(at, _)| -*at <= SHOWN.seconds());
        shown.map(|(at, power)| (at, -power)).collect()
    }

    /// Power of a phase over time: (s before now, negative; W).
    fn line(&self, wanted: Phase, now: Stamp) -> Vec<(f64, f64)> {
        let of = self.history.iter().filter(|(_, phase, _)| *phase == wanted);
        of.map(|(at, _, power)| (at.seconds_since(now), *power)).collect()
    }

    /// By how much the averaged export stands below a rule's limit, in W; negative is above. Nothing while the readings
    /// do not cover what the rule averages over. This is a look, no verdict: uncertainty is `limit`'s business.
    pub(in crate::cli) fn below_w(&self, ruled: &Ruled, now: Stamp) -> Option<f64> {
        let phases = match ruled.rule.per {
            Per::Total => vec![Phase::Total],
            Per::Phase => self.phases.clone(),
        };
        self.total_w(now)?;
        let below = |phase| {
            let points = self.line(phase, now);
            let (end, newest) = *points.last()?;
            let line = Line::new(points.iter().copied());
            let averaging = ruled.rule.averaging_s;
            let mean = if averaging > 0.0 && points.len() > 1 {
                (line.extent()?.0 <= end - averaging).then(|| line.mean(end - averaging, end))??
            } else {
                newest
            };
            Some(ruled.level_w + mean)
        };
        let all: Option<Vec<f64>> = phases.into_iter().map(below).collect();
        all?.into_iter().reduce(f64::min)
    }
}
