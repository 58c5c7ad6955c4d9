//! `wattward watch` shows readings as they come, one line each; nothing is kept unless `--capture` says where.
//!
//! ```console
//! $ wattward watch --site site.toml
//! listening 5.0 s for another master before the first request
//! 14:13:20.1  connection  L1 412.0  L2 88.3  L3 1204.5  total 1704.8 W  230.1 229.8 231.0 V
//! ```
//!
//! What does not make sense, an angle that no load explains for one, is said once on standard error when it has stood for
//! five readings. With `--json` each reading is a JSON document on a line of its own. Ctrl-C ends it. Exit codes: 0 something was read, 2 a
//! file or option is wrong, 4 nothing was read, or another master is on the line.

use std::fmt::Write as _;

use clap::Args;
use serde::Serialize;

use super::args::{LiveArgs, SourceArgs, span};
use super::exit::Exit;
use super::live::{Purpose, Step, Watching};
use super::out::Out;
use super::remarks::{Standing, words};
use super::source::{Extra, set_up};
use super::tally::{Tally, Way};
use crate::base::{Failure, Phase, PointKey, Quantity, Span, Stamp};
use crate::profile::{Profile, Site};
use crate::reading::judge;
use crate::report::table::{Row, rows};

/// Options of `watch`.
#[derive(Args, Debug)]
pub(crate) struct WatchArgs {
    #[command(flatten)]
    source: SourceArgs,
    #[command(flatten)]
    live: LiveArgs,
    /// Stop after this long [default: when stopped by Ctrl-C]
    #[arg(long = "for", value_name = "TIME", value_parser = span)]
    lasting: Option<Span>,
}

#[derive(Serialize)]
struct Reading<'a> {
    meter: &'a str,
    at: Option<Stamp>,
    values: Vec<Row>,
}

/// Runs the command.
pub(crate) fn run(args: &WatchArgs, out: &Out) -> Result<Exit, Failure> {
    if !args.source.from.is_empty() {
        return Err(
            Failure::usage("only a live line can be watched").hint("`wattward read --from` shows a capture")
        );
    }
    let set_up = set_up(&args.source, &Extra::default())?;
    let (site, profiles) = (set_up.site.clone(), set_up.profiles.clone());
    let purpose = Purpose {
        name: "watch",
        evidence: false,
        meters: Vec::new(),
        cycles: None,
        settings: false,
        keyboard: false,
    };
    let mut live = Watching::begin(set_up, &args.live, purpose, out)?;
    let mut tally = Tally::new(&site, &profiles, live.session.lines());
    let mut shown: Vec<Shown> = tally.meters.iter().map(|_| Shown::default()).collect();
    let listening = if args.live.listen { Span::ZERO } else { args.live.listen_first };
    let end = args.lasting.map(|lasting| live.now() + listening + lasting);
    loop {
        let second = live.now() + Span::from_millis(1000);
        match live.next(end.map_or(second, |end| end.min(second)), out)? {
            Step::Records(records) => {
                tally.take(&records);
                show(&tally, &site, &profiles, &mut shown, out);
            }
            Step::Interrupt => break,
            Step::Tick | Step::Done | Step::Line(_) | Step::InputEnd => {}
        }
        if end.is_some_and(|end| live.now() >= end) {
            break;
        }
    }
    let (records, closed) = live.close()?;
    tally.take(&records);
    tally.finish();
    show(&tally, &site, &profiles, &mut shown, out);
    if let Some(closed) = closed {
        out.note(&format!("evidence  {}  sha256 {}", closed.path.display(), closed.sha256));
    }
    if tally.quality.answers == 0 {
        return Err(Failure::nothing("nothing was read").hint(
            "`wattward line` says what is wrong with a line; `wattward find` looks for units and settings",
        ));
    }
    Ok(Exit::Done)
}

/// What has been shown of a meter.
#[derive(Debug, Default)]
struct Shown {
    cycles: usize,
    standing: Standing,
}

/// Shows every meter whose cycle has closed since, and what does not make sense about it once it has stood for a while.
fn show(tally: &Tally, site: &Site, profiles: &[Profile], shown: &mut [Shown], out: &Out) {
    let meters = site.meters.iter().zip(&tally.meters).zip(profiles);
    for (((about, meter), profile), shown) in meters.zip(shown) {
        let (cycles, _) = meter.cycles();
        if std::mem::replace(&mut shown.cycles, cycles) == cycles {
            continue;
        }
        if out.json {
            let values = rows(profile, meter.series());
            let at = values.iter().filter_map(|row| row.at).max();
            let reading = Reading { meter: &meter.name, at, values };
            out.print(&serde_json::to_string(&reading).unwrap_or_default());
        } else {
            out.print(&line(meter));
        }
        for remark in shown.standing.take(judge(profile, site, about, &meter.latest())) {
            out.note(words(&remark, out).trim_end());
        }
    }
}

/// One reading in one line.
fn line(meter: &Way) -> String {
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
