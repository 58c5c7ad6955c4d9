//! The site file that the answers of a visit amount to.

use std::fmt::Write as _;

use crate::profile::compose::quoted;

/// What was answered.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Answers {
    pub(super) site: String,
    pub(super) phases: u8,
    pub(super) zone: String,
    pub(super) line: String,
    pub(super) profile: String,
    pub(super) unit: String,
    pub(super) independent: bool,
    pub(super) class: String,
    pub(super) serial: String,
    pub(super) plant: Option<Plant>,
    pub(super) load: String,
    pub(super) load_w: f64,
    pub(super) resistive: bool,
    pub(super) load_phase: String,
    pub(super) limit: Option<Limit>,
}

/// What generates or stores.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Plant {
    pub(super) name: String,
    pub(super) rated_w: f64,
    pub(super) phases: Vec<String>,
    pub(super) storage: bool,
}

/// What the operator allows, and how long it is tested.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Limit {
    pub(super) export_w: f64,
    pub(super) longest_s: f64,
    pub(super) window_s: f64,
}

impl Answers {
    /// The site file.
    pub(super) fn text(&self) -> String {
        let mut text = format!(
            "# Written by `wattward commission` from what was answered.\n[site]\nname = {}\nphases = {}\ntime_zone = {}\n\n\
             [[meter]]\nname = \"connection\"\nrole = \"{}\"\nprofile = {}\nline = {{ {} }}\n",
            quoted(&self.site),
            self.phases,
            quoted(&self.zone),
            if self.independent { "reference" } else { "steering" },
            quoted(&self.profile),
            self.line,
        );
        if !self.class.is_empty() {
            let _ = writeln!(text, "class = {}", quoted(&self.class));
        }
        if !self.unit.is_empty() {
            let _ = writeln!(text, "unit = {}", self.unit);
        }
        if !self.serial.is_empty() {
            let _ = writeln!(text, "serial = {}", quoted(&self.serial));
        }
        if let Some(plant) = &self.plant {
            let fed: Vec<String> = plant.phases.iter().map(|phase| quoted(phase)).collect();
            let _ = write!(
                text,
                "\n[[plant]]\nname = {}\nrated_W = {:?}\nphases = [{}]\nstorage = {}\n",
                quoted(&plant.name),
                plant.rated_w,
                fed.join(", "),
                plant.storage
            );
        }
        let _ = write!(text, "\n[[load]]\nname = {}\npower_W = {:?}\n", quoted(&self.load), self.load_w);
        if self.resistive {
            text.push_str("resistive = true\n");
        }
        if !self.load_phase.is_empty() {
            let _ = writeln!(text, "phase = {}", quoted(&self.load_phase));
        }
        if let Some(Limit { export_w, longest_s, window_s }) = &self.limit {
            let _ = write!(
                text,
                "\n[limit]\nwindow_s = {window_s:?}\n\n[[limit.rule]]\nexport_W = {export_w:?}\naveraging_s = 1.0\n\
                 longest_s = {longest_s:?}\n",
            );
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Phase;
    use crate::profile::{MeterRole, parse_site};

    fn answers() -> Answers {
        Answers {
            site: "Mill \"old\" cottage".into(),
            phases: 3,
            zone: "Europe/London".into(),
            line: "serial = \"/dev/ttyUSB7\"".into(),
            profile: "/tmp/meter.toml".into(),
            unit: "7".into(),
            independent: true,
            class: "B".into(),
            serial: "A\\1".into(),
            plant: Some(Plant {
                name: "roof".into(),
                rated_w: 5000.0,
                phases: vec!["L1".into(), "L3".into()],
                storage: true,
            }),
            load: "kettle".into(),
            load_w: 2000.0,
            resistive: true,
            load_phase: String::new(),
            limit: Some(Limit { export_w: 0.0, longest_s: 5.0, window_s: 600.0 }),
        }
    }

    #[test]
    fn every_answer_stands_in_a_site_file_that_is_accepted() {
        let (site, faults) = parse_site("site.toml", &answers().text()).expect("a site file");
        assert!(faults.list.is_empty(), "{faults:?}");
        assert_eq!(
            (site.name.as_str(), site.phases, site.time_zone.as_str()),
            ("Mill \"old\" cottage", 3, "Europe/London")
        );
        let meter = &site.meters[0];
        assert_eq!(
            (meter.role, meter.unit, meter.serial.as_deref()),
            (MeterRole::Reference, Some(7), Some("A\\1"))
        );
        assert_eq!((site.rated_w(), site.has_storage()), (5000.0, true));
        assert_eq!(site.plants[0].phases, [Phase::L1, Phase::L3]);
        assert_eq!((site.loads[0].power_w, site.loads[0].phase), (2000.0, None));
        let limit = site.limit.as_ref().expect("a limit");
        assert_eq!((limit.window_s, limit.rules.len(), limit.rules[0].longest_s), (600.0, 1, 5.0));
        let bare = Answers {
            plant: None,
            limit: None,
            unit: String::new(),
            class: String::new(),
            independent: false,
            resistive: false,
            ..answers()
        };
        let (site, _) = parse_site("site.toml", &bare.text()).expect("a site file");
        assert!(site.plants.is_empty() && site.limit.is_none() && site.meters[0].unit.is_none());
        // Nothing said of a class is no class, and a meter that steers vouches for nothing.
        assert_eq!((site.meters[0].class, site.meters[0].role), (None, MeterRole::Steering));
    }
}
