//! `wattward ct` shows whether the CTs of a meter sit right, from switching a known load a few times.
//!
//! ```console
//! $ wattward ct                       # live, from site.toml here; asks for the load to be switched
//! $ wattward ct --load 2000W --phase L1 --profile meter.toml --serial /dev/ttyUSB0
//! $ wattward ct --from visit.pcapng   # the same verdict from the evidence
//! ```
//!
//! Exit 0 pass, 1 fail, 2 a file or option is wrong, 3 inconclusive, 4 nothing could be measured, 5 capture unreadable,
//! 130 interrupted (what was recorded is kept and named).

use clap::Args;

use super::args::{LiveArgs, SourceArgs, watts};
use super::exit::Exit;
use super::hands::Person;
use super::judge::{Check, judge_captures, show};
use super::out::Out;
use super::source::{Extra, overrides, set_up};
use crate::base::Failure;

mod turns;

pub(crate) use turns::run_turns;

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
}

/// Runs the command.
pub(crate) fn run(args: &CtArgs, out: &Out) -> Result<Exit, Failure> {
    let extra = Extra { load_w: args.load, phase: args.phase.clone(), ..Extra::default() };
    if args.source.from.is_empty() {
        let mut person = Person::new(*out);
        let (_, exit) =
            run_turns(set_up(&args.source, &extra)?, &args.live, &options(args), &mut person, out)?;
        return Ok(exit);
    }
    let overrides = overrides(&args.source, &extra)?;
    let outcome = judge_captures(Check::Ct, &args.source.from, &overrides, &options(args), out)?;
    Ok(show(&outcome, out))
}

/// The options that bear on the verdict, as a `check-start` mark holds them.
fn options(args: &CtArgs) -> Vec<String> {
    let mut options = Vec::new();
    options.extend(args.meter.as_ref().map(|name| format!("--meter {name}")));
    options.extend(args.hands_free.then(|| "--hands-free".to_owned()));
    options
}
