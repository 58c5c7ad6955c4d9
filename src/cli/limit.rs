//! `wattward limit` confirms that the export limit holds in a test window, and says how hard it was tried.
//!
//! ```console
//! $ wattward limit                        # live, from site.toml here; asks for load drops
//! $ wattward limit --export 0W --profile meter.toml --serial /dev/ttyUSB0
//! $ wattward limit --from visit.pcapng    # the same verdict from the evidence
//! ```
//!
//! Exit 0 pass, 1 fail, 2 a file or option is wrong, 3 inconclusive, 4 nothing could be measured, 5 capture unreadable,
//! 130 interrupted (what was recorded is kept and named).

use std::path::{Path, PathBuf};

use clap::Args;

use super::args::{LiveArgs, SourceArgs, span, watts};
use super::exit::Exit;
use super::hands::{Hands, Person};
use super::judge::{Check, judge_captures, show};
use super::out::Out;
use super::page::PageArgs;
use super::source::{Extra, overrides, read_text, set_up};
use crate::base::{Failure, Span};

mod picture;
mod watcher;
mod window;

pub(crate) use window::run_window;

/// Options of `limit`.
#[derive(Args, Debug)]
pub(crate) struct LimitArgs {
    #[command(flatten)]
    source: SourceArgs,
    #[command(flatten)]
    live: LiveArgs,
    /// The meter to judge by [default: the reference meter, else the steering meter]
    #[arg(long, value_name = "NAME")]
    meter: Option<String>,
    /// One rule, in place of the site file's or without one: 0W, 3.68kW
    #[arg(long, value_name = "POWER", value_parser = watts)]
    export: Option<f64>,
    /// Document of the CT check that this meter passed on this site
    #[arg(long, value_name = "DOCUMENT")]
    ct: Option<PathBuf>,
    /// Take the steering signal away in the window, and see whether and how fast export ends
    #[arg(long)]
    signal_loss: bool,
    /// Length of the window, in place of the site file's
    #[arg(long, value_name = "TIME", value_parser = span)]
    window: Option<Span>,
    /// End the window, by word and bell, when export passes this
    #[arg(long, value_name = "POWER", value_parser = watts)]
    abort: Option<f64>,
    #[command(flatten)]
    page: PageArgs,
}

/// Runs the command.
pub(crate) fn run(args: &LimitArgs, out: &Out) -> Result<Exit, Failure> {
    let extra = Extra { export_w: args.export, ..Extra::default() };
    let options = options(args)?;
    if args.source.from.is_empty() {
        let set_up = set_up(&args.source, &extra)?;
        let page = args.page.open(out)?;
        let mut person = Person::new(*out).with_page(page.as_ref(), &set_up.site, "Export limit check");
        let hands: &mut dyn Hands = &mut person;
        let (_, exit) = run_window(set_up, &args.live, &options, hands, out)?;
        return Ok(exit);
    }
    args.page.refuse_with_captures()?;
    let overrides = overrides(&args.source, &extra)?;
    let outcome = judge_captures(Check::Limit, &args.source.from, &overrides, &options, out)?;
    Ok(show(&outcome, out))
}

/// The options that bear on the verdict, as a `check-start` mark holds them.
fn options(args: &LimitArgs) -> Result<Vec<String>, Failure> {
    let mut options = Vec::new();
    options.extend(args.meter.as_ref().map(|name| format!("--meter {name}")));
    if let Some(path) = &args.ct {
        options.push(ct_option(path)?);
    }
    // A site made from the options for a live line holds the rule already.
    let ruled = args.source.from.is_empty() && args.source.profile.is_some() && args.source.site.is_none();
    options.extend(args.export.filter(|_| !ruled).map(|power| format!("--export {power}W")));
    options.extend(args.signal_loss.then(|| "--signal-loss".to_owned()));
    options.extend(args.window.map(|length| format!("--window {}s", length.seconds())));
    // Bears on a live window only.
    let live = args.source.from.is_empty();
    options.extend(args.abort.filter(|_| live).map(|power| format!("--abort {power}W")));
    Ok(options)
}

/// The option that carries the document of a CT check into the `check-start` mark.
pub(crate) fn ct_option(path: &Path) -> Result<String, Failure> {
    let text = read_text(path)?;
    let value: serde_json::Value = serde_json::from_str(&text.text)
        .map_err(|error| Failure::usage(format!("{} is no verdict document: {error}", text.file)))?;
    // One line, so that it fits the mark.
    Ok(format!("--ct {value}"))
}
