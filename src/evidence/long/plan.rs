//! What a review looks at: which meter shows the connection, which one the plant steers by, above which level export
//! counts as too much.

use crate::base::uncertain::{combine, expanded, resolution};
use crate::base::{Phase, PointKey, Quantity};
use crate::evidence::accuracy::{Accuracy, PhasePower};
use crate::evidence::power::UNREAD_REACTIVE;
use crate::profile::{Meter, MeterRole, Per, Profile, Site, Source, Type};

/// EN 50160: supply voltage at most 10 % above nominal, by ten-minute means.
const UPPER_SHARE: f64 = 1.1;

/// Longest sliding mean that is followed, in s: one slice before the one looked at is at hand.
pub const LONGEST_MEAN_S: f64 = 600.0;

/// A level that export is held against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Watch {
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
    /// Levels that export is held against; none without a limit.
    pub watches: Vec<Watch>,
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
        Some(Self {
            watches: watches(site),
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

    /// Expanded uncertainty (k = 2) in W of a total whose phases carry these powers, each with the error of its class; of a
    /// meter that reports only the total, |P| and the plants' rated power stand for the phases.
    pub fn expanded_w(&self, meter: usize, phases_w: &[f64], total_w: f64) -> f64 {
        let Some(of) = self.site.meters.get(meter) else { return 0.0 };
        let accuracy = Accuracy::of(of, self.site.phases > 1);
        let standard = |active_w: f64| {
            accuracy.active_standard_w(PhasePower {
                active_w,
                reactive_var: UNREAD_REACTIVE * active_w.abs(),
                voltage_v: self.nominal_v(),
            })
        };
        let class = if phases_w.is_empty() {
            standard(total_w.abs() + if self.site.phases > 1 { self.site.rated_w() } else { 0.0 })
        } else {
            phases_w.iter().fold(0.0, |sum, power| sum + standard(*power))
        };
        expanded(combine(&[class, resolution(self.step_w(meter))]))
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

/// For the total and for each phase the rule with the lowest level.
fn watches(site: &Site) -> Vec<Watch> {
    let mut found: Vec<Watch> = Vec::new();
    for rule in site.limit.iter().flat_map(|limit| &limit.rules) {
        // A share of no plant is no level.
        let Some(limit_w) = rule.limit_w(site) else { continue };
        let each = rule.applies_per() == Per::Phase;
        let phases = if each && site.phases > 1 { site.lines() } else { &[Phase::Total][..] };
        for phase in phases {
            let watch = Watch {
                phase: *phase,
                level_w: limit_w + rule.tolerance_w,
                averaging_s: rule.averaging_s.clamp(0.0, LONGEST_MEAN_S),
                longest_s: rule.longest_s,
                share: rule.share,
            };
            match found.iter_mut().find(|other| other.phase == *phase) {
                Some(other) if other.level_w <= watch.level_w => {}
                Some(other) => *other = watch,
                None => found.push(watch),
            }
        }
    }
    found
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
        watches(&site).iter().map(|watch| (watch.phase, watch.level_w)).collect()
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
