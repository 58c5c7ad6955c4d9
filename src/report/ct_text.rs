//! The table of `ct`: one line for each channel, one for each response to a load elsewhere.

use std::fmt::Write;

use super::grid::Table;
use crate::check::ct::body::{ChannelFinding, CtBody, CtFault};

/// Channels as a table of at most `width` columns.
pub fn table(body: &CtBody, width: usize) -> String {
    if body.channels.is_empty() {
        return String::new();
    }
    let titles = ["channel", "status", ">step W", ">expected", ">gain", ">pairs", "faults"];
    let mut table = Table::new("", &titles);
    for channel in &body.channels {
        table.row(row(channel));
        for response in &channel.responses {
            let step = pm(response.active_w, response.active_u_w);
            table.row([String::new(), format!("load on {}", response.load_phase), step]);
        }
    }
    let mut text = table.text(0, width);
    let seen = match body.sign.seen {
        Some(seen) => format!("shown by {}", crate::check::ct::sign::word(seen)),
        None => "not shown: nothing says that this power can go negative".to_owned(),
    };
    let _ = writeln!(text, "sign     {seen}; {}", body.sign.convention);
    for position in &body.position {
        let seen = match position.seen {
            Some(true) => "moves the meter",
            Some(false) => "does not move the meter",
            None => "not tried",
        };
        let _ = writeln!(text, "position {}: {seen}", position.source);
    }
    text
}

fn row(channel: &ChannelFinding) -> [String; 7] {
    let dash = || "-".to_owned();
    let gain = match (channel.gain, channel.gain_u) {
        (Some(gain), Some(gain_u)) => {
            // Adding nothing takes the sign off a zero.
            format!("{:.2} ± {gain_u:.2}", (100.0 * gain).round() / 100.0 + 0.0)
        }
        _ => dash(),
    };
    let mut faults: Vec<String> =
        channel.faults.iter().map(|fault: &CtFault| fault.word().to_owned()).collect();
    if let Some(senses) =
        channel.senses.as_ref().filter(|senses| **senses != channel.channel && channel.channel != "total")
    {
        faults.push(format!("senses {senses}"));
    }
    [
        channel.channel.clone(),
        channel.status.word().to_owned(),
        channel.step.map_or_else(dash, |step| pm(step.active_w, step.active_u_w)),
        channel.expected.map_or_else(dash, |expected| format!("{:.0}", expected.active_w)),
        gain,
        channel.pairs.to_string(),
        faults.join(", "),
    ]
}

/// A value with its uncertainty, in whole units.
fn pm(value: f64, u: f64) -> String {
    format!("{:.0} ± {u:.0}", value.round() + 0.0)
}
