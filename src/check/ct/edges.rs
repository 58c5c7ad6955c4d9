//! Which edges are a load's: the power's own, the voltage's where the power does not repeat, else the marks as they are.

use super::measure::{Bench, CHANCE};
use crate::base::uncertain::coverage_factor;
use crate::evidence::step::Kind;
use crate::evidence::step::consensus::{Consensus, at_marks, event, find};
use crate::evidence::step::estimate::change;
use crate::evidence::switching::LoadTest;

impl Bench<'_> {
    /// The edges of a load: where the power repeats itself and hardly by chance; else where the voltage does; else where the
    /// marks are.
    pub(super) fn edges(&self, test: &LoadTest, marked: &[(f64, f64)]) -> Consensus {
        let least = (0.04 * test.load.power_w).max(15.0);
        let power = find(&self.board, &test.switches, &[Kind::Active, Kind::Reactive], least, marked);
        if let Some(shown) = power.as_ref().filter(|power| power.chance < CHANCE) {
            return shown.clone();
        }
        let voltage = find(&self.board, &test.switches, &[Kind::Voltage], 0.1, marked);
        match (power, voltage) {
            // A control that nulls the load leaves the voltage's fall: where a plant may do so, that tells of no missing response.
            (Some(power), Some(voltage)) if voltage.chance < CHANCE && self.site.plants.is_empty() => {
                self.by_voltage(voltage, Some(&power), least)
            }
            (Some(power), _) => power,
            (None, Some(voltage)) => self.by_voltage(voltage, None, least),
            (None, None) => at_marks(&self.board, &test.switches),
        }
    }

    /// Edges that the voltage shows, with what the powers did there: what seemed to repeat in them before may be a fridge's.
    fn by_voltage(&self, mut voltage: Consensus, power: Option<&Consensus>, least: f64) -> Consensus {
        for edge in &mut voltage.edges {
            // The power may still be on its way when the voltage is there.
            edge.event = event(&self.board, edge.event.from_s, edge.event.to_s + self.board.settle_s, &[]);
        }
        let moved = (0..self.board.lanes.len())
            .filter(|lane| self.board.lanes[*lane].kind != Kind::Voltage)
            .filter_map(|lane| change(&voltage.edges, lane))
            .any(|step| {
                let standard = step.standard * coverage_factor(step.freedom) / 2.0;
                step.value.abs() > least.max(5.0 * standard)
            });
        match power.filter(|_| moved) {
            Some(power) => Consensus { answer: power.answer, restless: power.restless, ..voltage },
            None => Consensus { found: false, answer: None, ..voltage },
        }
    }
}
