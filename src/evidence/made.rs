//! Made-up channels for tests of the evidence and of the checks.

use super::power::Channel;
use crate::base::Phase;

/// A total of (time in s, power in W) with this expanded uncertainty, from a meter without lag.
pub(crate) fn channel(readings: &[(f64, f64)], expanded_w: f64) -> Channel {
    Channel {
        phase: Phase::Total,
        at: readings.iter().map(|(at, _)| *at).collect(),
        active_w: readings.iter().map(|(_, power)| *power).collect(),
        expanded_w: vec![expanded_w; readings.len()],
        volts: Vec::new(),
        resolution_w: 1.0,
        update_s: 0.0,
        update_stated: true,
        averaging_s: 0.0,
        can_be_negative: true,
        signed: true,
    }
}
