//! The table of `ct`: one line for each channel, one for each response to a load elsewhere.

use std::fmt::Write;

use crate::check::ct::body::{ChannelFinding, CtBody, CtFault};

/// Channels as a table of at most `width` columns.
pub fn table(body: &CtBody, width: usize) -> String {
    let mut text = String::new();
    if body.channels.is_empty() {
        return text;
    }
    let _ = writeln!(text, "{}", heading(width));
    for channel in &body.channels {
        let _ = writeln!(text, "{}", row(channel, width));
        for response in &channel.responses {
            let _ = writeln!(
                text,
                "  load on {:<8} {:>13} W",
                response.load_phase,
                format!("{:.0} ± {:.0}", response.active_w + 0.0, response.active_u_w)
            );
        }
    }
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

fn heading(width: usize) -> String {
    cut(
        &format!(
            "{:<7} {:<9} {:>13} {:>8} {:>12} {:>5}  {}",
            "channel", "status", "step W", "expected", "gain", "pairs", "faults"
        ),
        width,
    )
}

fn row(channel: &ChannelFinding, width: usize) -> String {
    let step = channel
        .step
        .map_or_else(|| "-".to_owned(), |step| format!("{:.0} ± {:.0}", step.active_w, step.active_u_w));
    let expected =
        channel.expected.map_or_else(|| "-".to_owned(), |expected| format!("{:.0}", expected.active_w));
    let gain = match (channel.gain, channel.gain_u) {
        (Some(gain), Some(gain_u)) => format!("{gain:.2} ± {gain_u:.2}"),
        _ => "-".to_owned(),
    };
    let mut faults: Vec<String> =
        channel.faults.iter().map(|fault: &CtFault| fault.word().to_owned()).collect();
    if let Some(senses) =
        channel.senses.as_ref().filter(|senses| **senses != channel.channel && channel.channel != "total")
    {
        faults.push(format!("senses {senses}"));
    }
    cut(
        &format!(
            "{:<7} {:<9} {step:>13} {expected:>8} {gain:>12} {:>5}  {}",
            channel.channel,
            channel.status.word(),
            channel.pairs,
            faults.join(", ")
        ),
        width,
    )
}

fn cut(line: &str, width: usize) -> String {
    line.trim_end().chars().take(width).collect()
}
