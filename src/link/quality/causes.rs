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

/// What an echo is called.
pub const ECHO: &str = "the adapter echoes what is sent";
/// What a latency timer is called.
pub const HELD_BACK: &str = "the adapter holds bytes back: its latency timer stands at 16 ms";
/// The failures of long answers must outweigh those of short ones by this factor to speak for noise. Ours.
const LONGER_WORSE: f64 = 1.5;
/// Shares of damaged answers that speak for the cable rather than for a setting.
const A_FEW: f64 = 0.2;

/// What is found, each with how much of the trouble it explains, 0 to 1; what spoils a whole line stands above that.
type Found = Vec<(f64, Cause)>;

/// Most likely first: by how much of the trouble each explains. Empty when nothing speaks for trouble.
pub fn causes(quality: &Quality) -> Vec<Cause> {
    let mut found = Found::new();
    let answered = quality.answers + quality.exceptions.values().sum::<u64>();
    if quality.requests > 0 && answered == 0 {
        no_answer(quality, &mut found);
    }
    others(quality, &mut found);
    if answered > 0 {
        one_unit(quality, &mut found);
        damage(quality, answered, &mut found);
        silence(quality, &mut found);
    }
    exceptions(quality, &mut found);
    if quality.echo_bytes > 0 {
        found.push((
            0.0,
            Cause {
                what: ECHO,
                evidence: format!("{} bytes of our own questions came back", quality.echo_bytes),
                next: "harmless here: echoes are taken off; other programs may need to be told",
            },
        ));
    }
    if let Some((near, all)) = quality.held_back() {
        found.push((
            0.0,
            Cause {
                what: HELD_BACK,
                evidence: format!("{near} of {all} answers came whole multiples of 16 ms after the one before"),
                next: "harmless to the values, but every answer time holds up to 16 ms of it; to lower it: `echo 1 | sudo tee \
                       /sys/class/tty/ttyUSB0/device/latency_timer`, with the port's own name",
            },
        ));
    }
    // Stable: what weighs alike stays in the order above.
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.into_iter().map(|(_, cause)| cause).collect()
}

/// Explains the whole of it.
const ALL: f64 = 2.0;

fn share(count: u64, of: u64) -> f64 {
    count as f64 / of.max(1) as f64
}

fn cause(weight: f64, what: &'static str, evidence: String, next: &'static str) -> (f64, Cause) {
    (weight, Cause { what, evidence, next })
}

/// So many events are no accident. Ours.
const SEVERAL: u64 = 3;

/// What spoils a whole line explains all of it, once it has been seen more than once or twice.
fn of_the_line(count: u64, of: u64) -> f64 {
    if count >= SEVERAL { ALL } else { share(count, of) }
}

fn no_answer(quality: &Quality, found: &mut Found) {
    let asked = quality.requests;
    let marked = quality.parity + quality.framing;
    if quality.breaks > 0 {
        found.push(cause(
            ALL,
            "A and B swapped at this adapter",
            format!("no answer to {asked} questions, {} breaks heard", quality.breaks),
            "swap the two wires at the adapter; the letters A and B contradict each other between makers",
        ));
    }
    if quality.parity > 0 && quality.framing == 0 {
        found.push(cause(
            ALL,
            "parity set otherwise than the unit's",
            format!("{} bytes with wrong parity and no answer", quality.parity),
            "try even, none with one and with two stop bits, odd: `wattward find` does",
        ));
    }
    if marked > 0 || quality.stray_bytes > 0 {
        found.push(cause(
            ALL,
            "speed or parity set otherwise than the unit's",
            format!("no answer to {asked} questions, {} bytes heard that form no frame", quality.heard_bytes),
            "try other speeds: `wattward find` goes through the usual ones",
        ));
    } else if quality.breaks == 0 {
        found.push(cause(
            ALL,
            "no power at the unit, another unit address, the wrong port, A and B swapped, or an open wire",
            format!("no answer to {asked} questions and not a byte heard"),
            "is the unit alive and its address right? Then swap A and B; with power off, measure A to B: about 60 ohm \
             with two terminators, 120 with one, thousands with none or an open wire",
        ));
    }
}

fn others(quality: &Quality, found: &mut Found) {
    if quality.foreign_requests > 0 {
        found.push(cause(
            of_the_line(quality.foreign_requests, quality.requests),
            "another master on this line",
            format!("questions heard that are not ours: {}", quality.foreign_requests),
            "only listen (`--listen`), or ask the other master's owner to pause it: two masters spoil each other's answers",
        ));
    }
    if quality.second_answers > 0 {
        found.push(cause(
            of_the_line(quality.second_answers, quality.requests),
            "two units with one address",
            format!("questions that brought two answers: {}", quality.second_answers),
            "disconnect one of them and give it another address by its own keys; `wattward find` tells which address it is",
        ));
    }
    if quality.suspect > 0 {
        found.push(cause(
            share(quality.suspect, quality.requests),
            "answers later than they were waited for, or two units with one address",
            format!("{} answers may belong to an earlier question", quality.suspect),
            "disconnect all units but one and try again; behind a gateway, poll more slowly",
        ));
    }
}

/// One unit fails while others on its line are fine: what ails it is at its own place.
fn one_unit(quality: &Quality, found: &mut Found) {
    for ((line, unit), tally) in &quality.by_unit {
        let mut others =
            quality.by_unit.iter().filter(|((other, number), _)| other == line && number != unit);
        let well = |tally: &super::Tally| tally.asked >= 20 && share(tally.failed, tally.asked) < 0.02;
        if tally.asked >= 5 && share(tally.failed, tally.asked) > 0.5 && others.any(|(_, other)| well(other))
        {
            found.push(cause(
                ALL,
                "one unit fails and others on the same line are well: its address or settings, its power, its stub, or A and \
                 B swapped at its terminals",
                format!("unit {unit}: {} of {} questions failed", tally.failed, tally.asked),
                "look at that unit first: is it alive, is its address right? Then swap the two wires there",
            ));
        }
    }
}

fn damage(quality: &Quality, answered: u64, found: &mut Found) {
    let part = share(quality.damaged, quality.damaged + answered);
    if quality.damaged > 0 && part <= A_FEW {
        let evidence = format!("{} of {} answers damaged", quality.damaged, quality.damaged + answered);
        let longer = longer_worse(quality);
        found.push(cause(
            share(quality.damaged, quality.requests),
            "noise: termination missing, long stubs, no common wire, or a cable beside a power cable",
            longer.map_or(evidence.clone(), |ratio| format!("{evidence}, long ones {ratio:.1} times as often as short ones")),
            "terminators at the two ends only (120 ohm each in practice), common wire connected, stubs short; then lower \
             the speed and compare",
        ));
    } else if quality.damaged > 0 {
        found.push(cause(
            share(quality.damaged, quality.requests),
            "two units with one address, or a unit whose parity or stop bits differ",
            format!("{} of {} answers damaged", quality.damaged, quality.damaged + answered),
            "disconnect all units but one and try again",
        ));
    }
    // Stray bytes beyond what damaged answers leave behind.
    if quality.idle_bytes > quality.requests / 20 && quality.idle_bytes * 2 > quality.stray_bytes {
        found.push(cause(
            share(quality.idle_bytes, quality.requests * 8),
            "bias missing: the idle line floats",
            format!("{} stray bytes 00 or ff on {} questions", quality.idle_bytes, quality.requests),
            "measure A to B with nothing sent: at least 0.2 V with one sign is biased; 450 to 650 ohm to 5 V and to \
             common, at one place only",
        ));
    }
}

fn silence(quality: &Quality, found: &mut Found) {
    if quality.timeouts == 0 {
        return;
    }
    let evidence = format!("{} of {} questions unanswered", quality.timeouts, quality.requests);
    let slow = quality.times.quantile(0.99).filter(|p99| *p99 > Span::from_millis(200));
    match slow {
        Some(p99) => found.push(cause(
            share(quality.timeouts, quality.requests),
            "a slow unit or gateway",
            format!("{evidence}, one answer in a hundred takes longer than {p99}"),
            "poll more slowly, with longer pauses (`pause_ms` in the profile)",
        )),
        None => found.push(cause(
            share(quality.timeouts, quality.requests),
            "questions spoilt on the way, or a contact that comes and goes",
            evidence,
            "move plugs and terminals while `wattward line` runs; see that only two terminators are fitted",
        )),
    }
}

fn exceptions(quality: &Quality, found: &mut Found) {
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
        found.push(cause(share(*count, quality.requests), what, evidence, next));
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
