//! `wattward ct` shows whether the CTs of a meter sit right, from switching a known load a few times.
//!
//! ```console
//! $ wattward ct                       # live, from site.toml here; asks for the load to be switched
//! $ wattward ct --load 2000W --phase L1 --profile meter.toml --serial /dev/ttyUSB0
//! $ wattward ct --from visit.pcapng   # the same verdict from the evidence
//! $ wattward ct --resume visit.pcapng # goes on with a check that Ctrl-C left
//! ```
//!
//! Exit 0 pass, 1 fail, 2 a file or option is wrong, 3 inconclusive, 4 nothing could be measured, 5 capture unreadable,
//! 130 interrupted (what was recorded is kept and named).

use std::path::PathBuf;

use clap::Args;

use super::args::{LiveArgs, SourceArgs, watts};
use super::earlier::Earlier;
use super::exit::Exit;
use super::hands::Person;
use super::judge::{Check, judge_captures, show};
use super::out::Out;
use super::page::PageArgs;
use super::source::{Extra, overrides, set_up};
use crate::base::Failure;
use crate::rim::clock::Clock;

mod screen;
mod turns;

pub(crate) use turns::{go_on, run_turns};

/// Options of `ct`.
#[derive(Args, Debug)]
pub(crate) struct CtArgs {
    #[command(flatten)]
    source: SourceArgs,
    #[command(flatten)]
    live: LiveArgs,
    /// The meter to judge [default: the steering meter, else the reference meter]
    #[arg(long, value_name = "NAME")]
    meter: Option<String>,
    /// A known load's power, for use without a site file
    #[arg(long, value_name = "POWER", value_parser = watts)]
    load: Option<f64>,
    /// The phase that load is on: L1, L1-L2, L1+L2+L3
    #[arg(long, value_name = "PHASE", requires = "load")]
    phase: Option<String>,
    /// No prompts and no marks: find the switchings of the known load in the readings
    #[arg(long)]
    hands_free: bool,
    /// Go on with a check that was left: its capture; given once for each part of it, in order
    #[arg(long, value_name = "CAPTURE", conflicts_with_all = ["from", "meter", "load", "phase", "hands_free"])]
    resume: Vec<PathBuf>,
    #[command(flatten)]
    page: PageArgs,
}

/// Runs the command.
pub(crate) fn run(args: &CtArgs, out: &Out) -> Result<Exit, Failure> {
    let extra = Extra { load_w: args.load, phase: args.phase.clone(), ..Extra::default() };
    if args.source.from.is_empty() {
        let (earlier, site, options) = if args.resume.is_empty() {
            (Earlier::default(), set_up(&args.source, &extra)?, options(args))
        } else {
            resumed(args, &extra, out)?
        };
        let page = args.page.open(out)?;
        let mut person = Person::new(*out).with_page(page.as_ref(), &site.site, "CT direction check");
        let (_, exit) = go_on(earlier, site, &args.live, &options, &mut person, out)?;
        return Ok(exit);
    }
    args.page.refuse_with_captures()?;
    let overrides = overrides(&args.source, &extra)?;
    let outcome = judge_captures(Check::Ct, &args.source.from, &overrides, &options(args), out)?;
    Ok(show(&outcome, out))
}

/// A check that was left, with its site (a site file or a line named now goes before the one recorded) and its options.
fn resumed(
    args: &CtArgs,
    extra: &Extra,
    out: &Out,
) -> Result<(Earlier, super::source::SetUp, Vec<String>), Failure> {
    let (earlier, recorded, options) = Earlier::read(Check::Ct, &args.resume, Clock::start().now(), out)?;
    let anew = args.source.site.is_some() || args.source.names_a_line();
    let site = if anew { set_up(&args.source, extra)? } else { recorded };
    Ok((earlier, site, options))
}

/// The options that bear on the verdict, as a `check-start` mark holds them.
fn options(args: &CtArgs) -> Vec<String> {
    let mut options = Vec::new();
    options.extend(args.meter.as_ref().map(|name| format!("--meter {name}")));
    options.extend(args.hands_free.then(|| "--hands-free".to_owned()));
    options
}
