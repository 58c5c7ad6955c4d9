//! Phasors: what a load on a placement does to a channel that takes its voltage from one line and its current from others.
//!
//! A load that draws S between voltages draws the current conj(S / V). A channel reports V_v · conj(I) of the conductors its
//! CT encloses, so a load of S on line k moves it by s · g · S · e^{i(θ_v − θ_k)} where its CT encloses line k, and by
//! nothing where it does not. θ is 0, −120°, +120° in positive rotation and 0, 180° in a split phase.

use crate::base::Phase;
use crate::profile::Placement;

/// A complex number: active and reactive part.
pub type Complex = (f64, f64);

const HALF_ROOT_3: f64 = 0.866_025_403_784_438_6;

/// The lines of a site and their order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lines {
    /// 1, 2 (split phase) or 3.
    pub count: usize,
    /// L1, L3, L2 follow each other, in place of L1, L2, L3.
    pub backwards: bool,
}

impl Lines {
    /// The unit voltage of a line.
    pub fn voltage(self, line: usize) -> Complex {
        match (self.count, line, self.backwards) {
            (2, 1, _) => (-1.0, 0.0),
            (3, 1, false) | (3, 2, true) => (-0.5, -HALF_ROOT_3),
            (3, 2, false) | (3, 1, true) => (-0.5, HALF_ROOT_3),
            _ => (1.0, 0.0),
        }
    }

    /// conj(I) in each line, for a load of power `load` on a placement, in units of the line voltage.
    fn currents(self, placement: Placement, load: Complex) -> [Complex; 3] {
        let mut currents = [(0.0, 0.0); 3];
        match placement {
            Placement::Line(phase) => {
                if let Some(line) = phase.line_index() {
                    currents[line] = divide(load, self.voltage(line));
                }
            }
            Placement::Between(phase) => {
                let (from, to) = ends(phase);
                let across = subtract(self.voltage(from), self.voltage(to));
                currents[from] = divide(load, across);
                currents[to] = scale(currents[from], -1.0);
            }
            Placement::Balanced => {
                for (line, current) in currents.iter_mut().enumerate().take(self.count) {
                    *current = scale(divide(load, self.voltage(line)), 1.0 / self.count as f64);
                }
            }
        }
        currents
    }

    /// What a channel with its voltage from `voltage_line` and a CT around `conductors` (bit 0 is L1) reports of a load, with
    /// the right sign and a gain of one.
    pub fn response(
        self,
        placement: Placement,
        load: Complex,
        voltage_line: usize,
        conductors: u8,
    ) -> Complex {
        let currents = self.currents(placement, load);
        let mut sum = (0.0, 0.0);
        for (line, current) in currents.iter().enumerate() {
            if conductors & (1 << line) != 0 {
                sum = (sum.0 + current.0, sum.1 + current.1);
            }
        }
        multiply(self.voltage(voltage_line), sum)
    }
}

/// The lines a placement between two lines joins.
pub const fn ends(phase: Phase) -> (usize, usize) {
    match phase {
        Phase::L2L3 => (1, 2),
        Phase::L3L1 => (2, 0),
        _ => (0, 1),
    }
}

/// Whether a load on this placement draws current in this line.
pub fn draws_in(placement: Placement, line: usize) -> bool {
    match placement {
        Placement::Line(phase) => phase.line_index() == Some(line),
        Placement::Between(phase) => ends(phase).0 == line || ends(phase).1 == line,
        Placement::Balanced => true,
    }
}

fn subtract(a: Complex, b: Complex) -> Complex {
    (a.0 - b.0, a.1 - b.1)
}

fn scale(a: Complex, factor: f64) -> Complex {
    (a.0 * factor, a.1 * factor)
}

fn multiply(a: Complex, b: Complex) -> Complex {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

fn divide(a: Complex, b: Complex) -> Complex {
    let size = b.0 * b.0 + b.1 * b.1;
    scale(multiply(a, (b.0, -b.1)), 1.0 / size)
}

#[cfg(test)]
mod tests;
