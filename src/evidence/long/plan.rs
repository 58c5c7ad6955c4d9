//! What a review looks at: which meter shows the connection, which one the plant steers by, above which level export
//! counts as too much.

use crate::base::uncertain::{combine, expanded, resolution};
use crate::base::{Phase, PointKey, Quantity};
use crate::evidence::accuracy::{Accuracy, PhasePower};
use crate::evidence::power::UNREAD_REACTIVE;
use crate::profile::{Meter, MeterRole, Per, Profile, Rule, Site, Source, Type};

/// EN 50160: supply voltage at most 10 % above nominal, by ten-minute means.
const UPPER_SHARE: f64 = 1.1;

/// Longest sliding mean that is followed, in s (ours): so much of the power is kept at hand.
pub const LONGEST_MEAN_S: f64 = 86_400.0;

/// A level that export is held against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Watch {
    /// The rule it belongs to, counted from 0 in the order of the site file.
    pub rule: usize,
    /// The total, or a phase.
    pub phase: Phase,
    /// Limit and tolerance together, in W.
    pub level_w: f64,
    /// Sliding mean that the rule applies to, in s.
    pub averaging_s: f64,
    /// How long it may stand above, in s.
    pub longest_s: f64,
    /// Share of the time that all together may take.
    pub share: Option<f64>,
}

/// What a review looks at.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The place.
    pub site: Site,
    /// Profiles of its meters, in their order.
    pub profiles: Vec<Profile>,
    /// The meter that shows what flows at the connection.
    pub main: usize,
    /// The meter the plant steers by, where that is another one.
    pub steering: Option<usize>,
    /// Meters that show what plants deliver.
    pub generation: Vec<usize>,
    /// Levels that export is held against, for every rule and each of its phases; none without a limit.
    pub watches: Vec<Watch>,
    /// Rules that can't be followed: without a level, or by a mean longer than is kept.
    pub unfollowed: Vec<usize>,
    /// Ten-minute mean that counts as too high, in V.
    pub overvoltage_v: f64,
}

impl Plan {
    /// For a site; `meter` names the one to look at (else the reference, else the one the plant steers by).
    pub fn new(site: &Site, profiles: &[Profile], meter: Option<&str>) -> Option<Self> {
        let with = |role: MeterRole| site.meters.iter().position(|meter| meter.role == role);
        let main = match meter {
            Some(name) => site.meters.iter().position(|meter| meter.name == name)?,
            None => with(MeterRole::Reference).or_else(|| with(MeterRole::Steering)).unwrap_or(0),
        };
        site.meters.get(main)?;
        let steering = with(MeterRole::Steering).filter(|steering| *steering != main);
        let generation = (0..site.meters.len())
            .filter(|index| *index != main && site.meters[*index].role == MeterRole::Generation)
            .collect();
        let given = site.limit.as_ref().and_then(|limit| limit.overvoltage_v);
        let (watches, unfollowed) = watches(site);
        Some(Self {
            watches,
            unfollowed,
            overvoltage_v: given.unwrap_or(UPPER_SHARE * site.phase_v()),
            site: site.clone(),
            profiles: profiles.to_vec(),
            main,
            steering,
            generation,
        })
    }

    /// The meter looked at, as the site file has it.
    pub fn meter(&self) -> &Meter {
        &self.site.meters[self.main]
    }

    /// Phase to neutral, in V.
    pub fn nominal_v(&self) -> f64 {
        self.site.phase_v()
    }

    /// The power point of a phase (or the total) of a meter; on a single-phase site L1 and the total are one.
    pub fn power_key(&self, meter: usize, phase: Phase) -> Option<PointKey> {
        let key = self.key(meter, Quantity::ActivePower, phase);
        if key.is_some() || self.site.phases != 1 {
            return key;
        }
        let other = if phase == Phase::Total { Phase::L1 } else { Phase::Total };
        self.key(meter, Quantity::ActivePower, other)
    }

    /// The point of a quantity where the meter's profile has it, or gives it as a pair of one-way powers.
    pub fn key(&self, meter: usize, quantity: Quantity, phase: Phase) -> Option<PointKey> {
        let profile = self.profiles.get(meter)?;
        let key = PointKey::Of(quantity, phase);
        let derived = quantity == Quantity::ActivePower
            && profile.point(&PointKey::Of(Quantity::ActivePowerImport, phase)).is_some()
            && profile.point(&PointKey::Of(Quantity::ActivePowerExport, phase)).is_some();
        (profile.point(&key).is_some() || derived).then_some(key)
    }

    /// Whether every phase of the site has a power of its own in this meter.
    pub fn has_phases(&self, meter: usize) -> bool {
        self.site.lines().iter().all(|phase| self.power_key(meter, *phase).is_some())
    }

    /// What makes a power of this meter unsure.
    pub fn unsure(&self, meter: usize) -> Unsure {
        Unsure {
            accuracy: self.site.meters.get(meter).map(|of| Accuracy::of(of, self.site.phases > 1)),
            voltage_v: self.nominal_v(),
            hidden_w: if self.site.phases > 1 { self.site.rated_w() } else { 0.0 },
            step_w: self.step_w(meter),
        }
    }

    /// The lowest level that the total is held against.
    pub fn lowest(&self) -> Option<&Watch> {
        let total = self.watches.iter().filter(|watch| watch.phase == Phase::Total);
        total.min_by(|one, other| one.level_w.total_cmp(&other.level_w))
    }

    /// How many rules the site has.
    pub fn rules(&self) -> usize {
        self.site.limit.as_ref().map_or(0, |limit| limit.rules.len())
    }

    /// A rule by its place.
    pub fn rule(&self, place: usize) -> Option<&Rule> {
        self.site.limit.as_ref()?.rules.get(place)
    }

    /// The longest sliding mean of all rules, in s.
    pub fn reach_s(&self) -> f64 {
        self.watches.iter().fold(0.0, |most, watch| watch.averaging_s.max(most))
    }

    /// The meter the plant steers by: another one than the main meter, or that one itself.
    pub fn steered_by(&self) -> Option<usize> {
        self.steering.or_else(|| (self.meter().role == MeterRole::Steering).then_some(self.main))
    }

    /// The smallest step of a meter's power, by the site file or its registers, in W.
    fn step_w(&self, meter: usize) -> f64 {
        let given = self.site.meters.get(meter).and_then(|meter| meter.resolution_w);
        given.or_else(|| self.register_step(meter, &self.power_key(meter, Phase::Total)?)).unwrap_or(0.0)
    }

    /// What one count of a point's register is worth, in the base unit; 0 for floats and sums.
    pub fn register_step(&self, meter: usize, key: &PointKey) -> Option<f64> {
        let point = self.profiles.get(meter)?.point(key)?;
        Some(match &point.source {
            Source::Registers { kind: Type::F32 | Type::F64, .. } | Source::Sum(_) => 0.0,
            Source::Registers { .. } => (point.scale * point.unit.map_or(1.0, |unit| unit.factor)).abs(),
        })
    }
}

/// What makes a power of a meter unsure.
#[derive(Clone, Copy, Debug)]
pub struct Unsure {
    accuracy: Option<Accuracy>,
    voltage_v: f64,
    /// What may flow in some phases and out of others unseen, where only the total is read, in W.
    hidden_w: f64,
    step_w: f64,
}

impl Unsure {
    /// Expanded uncertainty (k = 2) in W of a total whose phases carry these powers, each with the error of its class; of a
    /// meter that reports only the total, |P| and the plants' rated power stand for the phases.
    pub fn expanded_w(&self, phases_w: &[f64], total_w: f64) -> f64 {
        let Some(accuracy) = self.accuracy else { return 0.0 };
        let standard = |active_w: f64| {
            accuracy.active_standard_w(PhasePower {
                active_w,
                reactive_var: UNREAD_REACTIVE * active_w.abs(),
                voltage_v: self.voltage_v,
            })
        };
        let class = if phases_w.is_empty() {
            standard(total_w.abs() + self.hidden_w)
        } else {
            phases_w.iter().fold(0.0, |sum, power| sum + standard(*power))
        };
        expanded(combine(&[class, resolution(self.step_w)]))
    }
}

/// Every rule, for the total or for each phase; and the rules that have no level, or a mean too long to be followed.
fn watches(site: &Site) -> (Vec<Watch>, Vec<usize>) {
    let (mut found, mut unfollowed) = (Vec::new(), Vec::new());
    for (place, rule) in site.limit.iter().flat_map(|limit| &limit.rules).enumerate() {
        // A share of no plant is no level.
        let Some(level_w) = rule.limit_w(site).filter(|_| rule.averaging_s <= LONGEST_MEAN_S) else {
            unfollowed.push(place);
            continue;
        };
        let each = rule.applies_per() == Per::Phase;
        let phases = if each && site.phases > 1 { site.lines() } else { &[Phase::Total][..] };
        found.extend(phases.iter().map(|phase| Watch {
            rule: place,
            phase: *phase,
            level_w: level_w + rule.tolerance_w,
            averaging_s: rule.averaging_s.max(0.0),
            longest_s: rule.longest_s,
            share: rule.share,
        }));
    }
    (found, unfollowed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::parse_site;

    fn levels(network: &str, rule: &str, plants: &str) -> Vec<(Phase, f64)> {
        let text = format!(
            "[site]\nname = \"x\"\nphases = 3\nnetwork = \"{network}\"\nnominal_V = 400\n[[meter]]\nname = \"m\"\nprofile = \"m.toml\"\nline = {{ serial = \"/dev/ttyUSB0\" }}\n{plants}[limit]\n[[limit.rule]]\n{rule}\n"
        );
        let (site, _) = parse_site("s", &text).unwrap();
        watches(&site).0.iter().map(|watch| (watch.phase, watch.level_w)).collect()
    }

    /// By hand: half of 9 kW is 4.5 kW together and 1.5 kW on each of three phases (contract 4, as `limit` judges it); 10 A on
    /// each phase of a 400 V delta are 10 A times 231 V.
    #[test]
    fn a_level_is_the_one_that_the_limit_check_judges_by() {
        let plant = "[[plant]]\nname = \"roof\"\nrated_W = 9000\n";
        assert_eq!(levels("wye", "percent = 50", plant), [(Phase::Total, 4500.0)]);
        let phases = Phase::LINES.map(|phase| (phase, 1500.0));
        assert_eq!(levels("wye", "percent = 50\nper = \"phase\"", plant), phases);
        for (_, level_w) in levels("delta", "export_A = 10\nper = \"phase\"", plant) {
            assert!((level_w - 2309.4).abs() < 0.1, "{level_w}");
        }
    }
}
