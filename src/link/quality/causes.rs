//! From what a line shows to its likely causes, with what speaks for each and the next thing to measure. Common practice of
//! RS485 commissioning; the wiring figures are those of MODBUS over Serial Line V1.02, 3.4.

use super::Quality;
use crate::base::Span;

/// A likely cause.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cause {
    /// What may be wrong.
    pub what: &'static str,
    /// What speaks for it.
    pub evidence: String,
    /// The next thing to look at.
    pub next: &'static str,
}

/// The failures of long answers must outweigh those of short ones by this factor to speak for noise. Ours.
const LONGER_WORSE: f64 = 1.5;
/// Shares of damaged answers that speak for the cable rather than for a setting.
const A_FEW: f64 = 0.2;

/// Most likely first; empty when nothing speaks for trouble.
pub fn causes(quality: &Quality) -> Vec<Cause> {
    let mut found = Vec::new();
    let answered = quality.answers + quality.exceptions.values().sum::<u64>();
    if quality.requests > 0 && answered == 0 {
        no_answer(quality, &mut found);
    }
    others(quality, &mut found);
    if answered > 0 {
        damage(quality, answered, &mut found);
        silence(quality, &mut found);
    }
    exceptions(quality, &mut found);
    if quality.echo_bytes > 0 {
        found.push(Cause {
            what: "the adapter echoes what is sent",
            evidence: format!("{} bytes of our own questions came back", quality.echo_bytes),
            next: "harmless here: echoes are taken off; other programs may need to be told",
        });
    }
    found
}

fn cause(what: &'static str, evidence: String, next: &'static str) -> Cause {
    Cause { what, evidence, next }
}

fn no_answer(quality: &Quality, found: &mut Vec<Cause>) {
    let asked = quality.requests;
    let marked = quality.parity + quality.framing;
    if quality.breaks > 0 {
        found.push(cause(
            "A and B swapped at this adapter",
            format!("no answer to {asked} questions, {} breaks heard", quality.breaks),
            "swap the two wires at the adapter; the letters A and B contradict each other between makers",
        ));
    }
    if quality.parity > 0 && quality.framing == 0 {
        found.push(cause(
            "parity set otherwise than the unit's",
            format!("{} bytes with wrong parity and no answer", quality.parity),
            "try even, none with one and with two stop bits, odd: `wattward find` does",
        ));
    }
    if marked > 0 || quality.stray_bytes > 0 {
        found.push(cause(
            "speed or parity set otherwise than the unit's",
            format!("no answer to {asked} questions, {} bytes heard that form no frame", quality.heard_bytes),
            "try other speeds: `wattward find` goes through the usual ones",
        ));
    } else if quality.breaks == 0 {
        found.push(cause(
            "no power at the unit, another unit address, the wrong port, A and B swapped, or an open wire",
            format!("no answer to {asked} questions and not a byte heard"),
            "is the unit alive and its address right? Then swap A and B; with power off, measure A to B: about 60 ohm \
             with two terminators, 120 with one, thousands with none or an open wire",
        ));
    }
}

fn others(quality: &Quality, found: &mut Vec<Cause>) {
    if quality.foreign_requests > 0 {
        found.push(cause(
            "another master on this line",
            format!("{} questions heard that are not ours", quality.foreign_requests),
            "only listen (`--listen`), or ask the other master's owner to pause it: two masters spoil each other's answers",
        ));
    }
    if quality.suspect > 0 {
        found.push(cause(
            "answers later than they were waited for, or two units with one address",
            format!("{} answers may belong to an earlier question", quality.suspect),
            "disconnect all units but one and try again; behind a gateway, poll more slowly",
        ));
    }
}

fn damage(quality: &Quality, answered: u64, found: &mut Vec<Cause>) {
    let share = quality.damaged as f64 / (quality.damaged + answered) as f64;
    if quality.damaged > 0 && share <= A_FEW {
        let evidence = format!("{} of {} answers damaged", quality.damaged, quality.damaged + answered);
        let longer = longer_worse(quality);
        found.push(cause(
            "noise: termination missing, long stubs, no common wire, or a cable beside a power cable",
            longer.map_or(evidence.clone(), |ratio| format!("{evidence}, long ones {ratio:.1} times as often as short ones")),
            "terminators at the two ends only (120 ohm each in practice), common wire connected, stubs short; then lower \
             the speed and compare",
        ));
    } else if quality.damaged > 0 {
        found.push(cause(
            "two units with one address, or a unit whose parity or stop bits differ",
            format!("{} of {} answers damaged", quality.damaged, quality.damaged + answered),
            "disconnect all units but one and try again",
        ));
    }
    // Stray bytes beyond what damaged answers leave behind.
    if quality.idle_bytes > quality.requests / 20 && quality.idle_bytes * 2 > quality.stray_bytes {
        found.push(cause(
            "bias missing: the idle line floats",
            format!("{} stray bytes 00 or ff on {} questions", quality.idle_bytes, quality.requests),
            "measure A to B with nothing sent: at least 0.2 V with one sign is biased; 450 to 650 ohm to 5 V and to \
             common, at one place only",
        ));
    }
}

fn silence(quality: &Quality, found: &mut Vec<Cause>) {
    if quality.timeouts == 0 {
        return;
    }
    let evidence = format!("{} of {} questions unanswered", quality.timeouts, quality.requests);
    let slow = quality.times.quantile(0.99).filter(|p99| *p99 > Span::from_millis(200));
    match slow {
        Some(p99) => found.push(cause(
            "a slow unit or gateway",
            format!("{evidence}, one answer in a hundred takes longer than {p99}"),
            "poll more slowly, with longer pauses (`pause_ms` in the profile)",
        )),
        None => found.push(cause(
            "questions spoilt on the way, or a contact that comes and goes",
            evidence,
            "move plugs and terminals while `wattward line` runs; see that only two terminators are fitted",
        )),
    }
}

fn exceptions(quality: &Quality, found: &mut Vec<Cause>) {
    for (code, count) in &quality.exceptions {
        let (what, next) = match code {
            1 => ("the unit does not know the function", "try the other table: function 3 for 4, 4 for 3"),
            2 => (
                "a block of the profile reaches where the unit has no register",
                "is the list counted from 1 (`first = 1`)? Else read shorter blocks (`span_unlisted = false`)",
            ),
            3 => ("more registers at once than the unit gives", "lower `max_registers` to 60, 16 or 1"),
            5 | 6 => ("the unit is busy", "poll more slowly"),
            10 => ("the gateway has no way to the unit", "look at the gateway's own settings"),
            11 => ("the unit behind the gateway does not answer", "check the serial line behind the gateway"),
            _ => ("the unit reports a fault of its own", "look at the unit"),
        };
        let evidence = format!("{count} exceptions {code} ({})", crate::wire::exception_name(*code));
        found.push(cause(what, evidence, next));
    }
}

/// How many times as often long answers fail as short ones, where both were asked often enough.
fn longer_worse(quality: &Quality) -> Option<f64> {
    let (short, long) = (quality.by_count.first_key_value()?, quality.by_count.last_key_value()?);
    if *long.0 < short.0.saturating_mul(2) || short.1.asked < 50 || long.1.asked < 50 || short.1.failed == 0 {
        return None;
    }
    let share = |tally: &super::Tally| tally.failed as f64 / tally.asked as f64;
    let ratio = share(long.1) / share(short.1);
    (ratio >= LONGER_WORSE).then_some(ratio)
}
