//! `wattward watch` shows readings as they come; nothing is kept unless `--capture` says where.
//!
//! On a terminal it takes the whole screen: the power large enough to be read from two metres, its direction in words with
//! an arrow (towards house, towards grid), each phase, the margin to each limit of the site file, the last five minutes
//! and the line's health. `q`, Escape or Ctrl-C ends it, Tab shows the next meter. A value that is three readings old is
//! no longer shown: an old power is worse than none.
//!
//! Elsewhere, and with `--lines`, each reading is a line:
//!
//! ```console
//! $ wattward watch --site site.toml --lines
//! listening 5.0 s for another master before the first request
//! 14:13:20.1  connection  L1 412.0  L2 88.3  L3 1204.5  total 1704.8 W  230.1 229.8 231.0 V
//! ```
//!
//! What does not make sense, an angle that no load explains for one, is said once when it has stood for five readings. With
//! `--json` each reading is a JSON document on a line of its own. The margin is a look, no verdict: `limit` has the
//! uncertainty. Exit codes: 0 something was read, 2 a file or option is wrong, 4 nothing was read, or another master is on
//! the line.

pub(super) mod board;
mod digits;
pub(super) mod draw;
mod lines;
mod marks;
#[cfg(test)]
mod tests;

use std::fmt::Write as _;
use std::io::IsTerminal as _;

use clap::Args;
use serde::Serialize;

use super::args::{LiveArgs, SourceArgs, span};
use super::exit::Exit;
use super::live::{Purpose, Step, Turn, Watching};
use super::out::Out;
use super::page::{PageArgs, code};
use super::remarks::{Standing, words};
use super::source::{Extra, set_up};
use super::tally::Tally;
use crate::base::{Failure, Span, Stamp};
use crate::profile::{Profile, Site};
use crate::reading::{Remark, judge};
use crate::report::table::{Row, rows};
use crate::rim::screen::{Key, Screen};
use board::Board;
use marks::Marks;

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
    /// A line of text for each reading, also on a terminal
    #[arg(long)]
    lines: bool,
    #[command(flatten)]
    page: PageArgs,
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
    let page = args.page.open(out)?;
    let purpose = Purpose {
        name: "watch",
        evidence: false,
        meters: Vec::new(),
        cycles: None,
        settings: false,
        segments: None,
        keyboard: false,
    };
    let mut live = Watching::begin(set_up, &args.live, purpose, out)?;
    let mut tally = Tally::new(&site, &profiles, live.session.lines());
    let listening = if args.live.listen { Span::ZERO } else { args.live.listen_first };
    let end = args.lasting.map(|lasting| live.now() + listening + lasting);
    let mut standing: Vec<(usize, Standing)> = tally.meters.iter().map(|_| Default::default()).collect();
    let mut marks = page.as_ref().map(|page| Marks::new(page, &site, &live));
    let mut view = if args.whole_screen(out) {
        let mut board = Board::new(&site, live.every);
        board.recording = live.session.path().map(|path| path.display().to_string());
        board.page = page.as_ref().map(|page| page.address().to_owned());
        board.code = page.as_ref().map(|page| code::rows(page.address())).unwrap_or_default();
        board.before = if args.live.listen {
            "listening, nothing heard yet".into()
        } else {
            format!("waiting; listened {listening} first")
        };
        View::Screen(Box::new((Screen::open()?, board)))
    } else {
        View::Lines
    };
    loop {
        let pace = if marks.is_some() { view.pace().min(marks::PACE) } else { view.pace() };
        let soon = live.now() + pace;
        let soon = end.map_or(soon, |end| end.min(soon));
        let turn = match view {
            View::Lines => Turn::Step(live.next(soon, out)?),
            View::Screen(_) => live.turn(soon)?,
        };
        match turn {
            Turn::Step(Step::Records(records)) => {
                tally.take(&records);
                for (index, remarks) in closed_cycles(&tally, &site, &profiles, &mut standing) {
                    view.reading(&tally, &profiles, index, out);
                    if let (Some(marks), Some(meter)) = (&mut marks, tally.meters.get(index)) {
                        marks.reading(index, meter.latest());
                    }
                    for remark in remarks {
                        view.remark(live.now(), &remark, out);
                    }
                }
            }
            Turn::Lost(line) => view.line(live.now(), line, true),
            Turn::Back(line) => view.line(live.now(), line, false),
            Turn::Step(Step::Interrupt) => break,
            Turn::Trouble(_) | Turn::Step(Step::Tick | Step::Done | Step::Line(_) | Step::InputEnd) => {}
        }
        if let Some(marks) = &mut marks
            && marks.turn(&live)
        {
            view.code_seen();
        }
        if view.turn(live.now(), &tally, out)? || end.is_some_and(|end| live.now() >= end) {
            break;
        }
    }
    let whole = matches!(view, View::Screen(_));
    drop(view);
    drop(marks);
    let (records, closed) = live.close()?;
    tally.take(&records);
    tally.finish();
    for (index, _) in closed_cycles(&tally, &site, &profiles, &mut standing) {
        if !whole {
            View::Lines.reading(&tally, &profiles, index, out);
        }
    }
    if let Some(closed) = closed {
        out.note(&crate::cli::render::evidence(&closed.path.display().to_string(), &closed.sha256, out));
    }
    if tally.quality.answers == 0 {
        return Err(Failure::nothing("nothing was read").hint(
            "`wattward line` says what is wrong with a line; `wattward find` looks for units and settings",
        ));
    }
    Ok(Exit::Done)
}

impl WatchArgs {
    /// Whether the whole terminal is taken: a person looks at it, and nobody asked for text.
    fn whole_screen(&self, out: &Out) -> bool {
        let terminal = std::io::stdin().is_terminal() && std::io::stdout().is_terminal();
        terminal && !self.lines && !out.json && !out.quiet && !tracing::enabled!(tracing::Level::INFO)
    }
}

/// How readings are shown.
enum View {
    /// A line each.
    Lines,
    /// On the whole terminal.
    Screen(Box<(Screen, Board)>),
}

impl View {
    /// At least so often something is looked at or drawn.
    const fn pace(&self) -> Span {
        match self {
            Self::Lines => Span::from_millis(1000),
            Self::Screen(_) => Span::from_millis(100),
        }
    }

    /// A reading of this meter is complete.
    fn reading(&mut self, tally: &Tally, profiles: &[Profile], index: usize, out: &Out) {
        let (Some(meter), Some(profile)) = (tally.meters.get(index), profiles.get(index)) else { return };
        match self {
            Self::Screen(view) => {
                if let Some(panel) = view.1.meters.get_mut(index) {
                    panel.take(meter.latest());
                }
            }
            Self::Lines if out.json => {
                let values = rows(profile, meter.series());
                let at = values.iter().filter_map(|row| row.at).max();
                let reading = Reading { meter: &meter.name, at, values };
                out.print(&serde_json::to_string(&reading).unwrap_or_default());
            }
            Self::Lines => out.print(&lines::line(meter)),
        }
    }

    /// Something does not make sense.
    fn remark(&mut self, now: Stamp, remark: &Remark, out: &Out) {
        match self {
            Self::Lines => out.note(words(remark, out).trim_end()),
            Self::Screen(view) => {
                let text = format!("{}: {}; expected {}", remark.weight.word(), remark.saw, remark.expected);
                view.1.note(now, &text);
            }
        }
    }

    /// A line is lost, or back.
    fn line(&mut self, now: Stamp, line: String, lost: bool) {
        let Self::Screen(view) = self else { return };
        view.1.note(now, &format!("{line} is {}", if lost { "lost; waiting for it" } else { "back" }));
        view.1.lost.retain(|one| *one != line);
        if lost {
            view.1.lost.push(line);
        }
    }

    /// A phone has the page: its code is in the way now.
    fn code_seen(&mut self) {
        if let Self::Screen(view) = self {
            view.1.code.clear();
        }
    }

    /// Draws what changes by itself; whether the person wants to leave.
    fn turn(&mut self, now: Stamp, tally: &Tally, out: &Out) -> Result<bool, Failure> {
        let Self::Screen(view) = self else { return Ok(false) };
        let (screen, board) = &mut **view;
        for key in screen.keys()? {
            match key {
                Key::Leave => return Ok(true),
                Key::Next if !board.code.is_empty() => board.code.clear(),
                Key::Next => board.next_meter(),
            }
        }
        board.health = health(tally);
        screen.draw(|frame| draw::draw(board, now, out.colour, frame))?;
        Ok(false)
    }
}

/// What the line does, in a sentence.
fn health(tally: &Tally) -> String {
    let quality = &tally.quality;
    let failure = quality.failure();
    let mut text = format!(
        "line  {} questions, {} failed ({:.1} %)",
        quality.requests,
        failure.count,
        100.0 * failure.share()
    );
    if let (Some(half), Some(worst)) = (quality.times.quantile(0.5), quality.times.worst()) {
        let _ = write!(text, ", answer after {:.0} ms, at worst {:.0} ms", half.millis(), worst.millis());
    }
    text
}

/// Every meter whose cycle has closed since, with what does not make sense about it once that has stood for a while.
fn closed_cycles(
    tally: &Tally,
    site: &Site,
    profiles: &[Profile],
    standing: &mut [(usize, Standing)],
) -> Vec<(usize, Vec<Remark>)> {
    let mut closed = Vec::new();
    let meters = site.meters.iter().zip(&tally.meters).zip(profiles).zip(standing).enumerate();
    for (index, (((about, meter), profile), (seen, standing))) in meters {
        let (cycles, _) = meter.cycles();
        if std::mem::replace(seen, cycles) != cycles {
            closed.push((index, standing.take(judge(profile, site, about, &meter.latest()))));
        }
    }
    closed
}
