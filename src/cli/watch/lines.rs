//! Readings as lines of text, one each: for pipes, logs and whoever asks for them.

use std::fmt::Write as _;

use crate::base::{Phase, PointKey, Quantity};
use crate::cli::tally::Way;

/// One reading in one line.
pub(super) fn line(meter: &Way) -> String {
    let latest = meter.latest();
    let Some(at) = latest.values().map(|sample| sample.at).max() else {
        return format!("{}  no answer", meter.name);
    };
    let clock = at.rfc3339(1);
    let mut text = format!("{}  {}", clock.get(11..21).unwrap_or_default(), meter.name);
    let value = |quantity, phase| latest.get(&PointKey::Of(quantity, phase)).map(|sample| sample.value);
    let mut any = false;
    for phase in [Phase::L1, Phase::L2, Phase::L3, Phase::Total] {
        if let Some(power) = value(Quantity::ActivePower, phase) {
            let _ = write!(text, "  {} {power:.1}", phase.word());
            any = true;
        }
    }
    text.push_str(if any { " W" } else { "" });
    let volts: Vec<String> = Phase::LINES
        .into_iter()
        .filter_map(|phase| value(Quantity::Voltage, phase))
        .map(|voltage| format!("{voltage:.1}"))
        .collect();
    if !volts.is_empty() {
        let _ = write!(text, "  {} V", volts.join(" "));
    }
    text
}
