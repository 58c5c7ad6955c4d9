//! What a rule's limit is in W, and what it applies to: one place for the check, the review and every screen.

use super::site::{Per, Rule, RuleLimit, Site};
use crate::base::Network;

impl Rule {
    /// The limit in W: amperes at nominal voltage; percent of all plants (of an equal part of them, for a rule per phase).
    /// Nothing for a percentage of no plant.
    pub fn limit_w(&self, site: &Site) -> Option<f64> {
        match self.limit {
            RuleLimit::Watts(watts) => Some(watts),
            RuleLimit::Amps(amps) => Some(amps * site.phase_v()),
            RuleLimit::Percent(percent) => {
                let rated = site.rated_w();
                let parts = if self.per == Per::Phase { site.lines().len() as f64 } else { 1.0 };
                (rated > 0.0).then_some(percent / 100.0 * rated / parts)
            }
        }
    }

    /// What it applies to: a limit in amperes is always per phase (contract 4).
    pub const fn applies_per(&self) -> Per {
        match self.limit {
            RuleLimit::Amps(_) => Per::Phase,
            _ => self.per,
        }
    }
}

impl Site {
    /// Nominal voltage from phase to neutral, in V.
    pub fn phase_v(&self) -> f64 {
        match self.network {
            Network::Wye => self.nominal_v,
            Network::Delta => self.nominal_v / 3.0_f64.sqrt(),
        }
    }
}
