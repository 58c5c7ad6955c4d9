//! `wattward limit` confirms that the export limit holds in a test window, and says how hard it was tried.
//!
//! ```console
//! $ wattward limit --from visit.pcapng
//! ```
//!
//! Exit 0 pass, 1 fail, 2 a file or option is wrong, 3 inconclusive, 4 nothing could be measured, 5 capture unreadable,
//! 130 interrupted (what was recorded is kept and named).

use std::path::PathBuf;

use clap::Args;

use super::args::{SourceArgs, watts};
use super::exit::Exit;
use super::judge::{Check, judge_captures, show};
use super::out::Out;
use super::source::{Extra, overrides, read_text};
use crate::base::Failure;

/// Options of `limit`.
#[derive(Args, Debug)]
pub(crate) struct LimitArgs {
    #[command(flatten)]
    source: SourceArgs,
    /// The meter to judge by [default: the reference meter, else the steering meter]
    #[arg(long, value_name = "NAME")]
    meter: Option<String>,
    /// The limit, for use without a site file
    #[arg(long, value_name = "POWER", value_parser = watts)]
    export: Option<f64>,
    /// Document of the CT check that this meter passed on this site
    #[arg(long, value_name = "DOCUMENT")]
    ct: Option<PathBuf>,
}

/// Runs the command.
pub(crate) fn run(args: &LimitArgs, out: &Out) -> Result<Exit, Failure> {
    let extra = Extra { export_w: args.export, ..Extra::default() };
    if args.source.from.is_empty() {
        return Err(Failure::usage("the live check is not in this build").hint("use --from CAPTURE"));
    }
    let overrides = overrides(&args.source, &extra)?;
    let outcome = judge_captures(Check::Limit, &args.source.from, &overrides, &options(args)?, out)?;
    Ok(show(&outcome, out))
}

/// The options that bear on the verdict, as a `check-start` mark holds them.
fn options(args: &LimitArgs) -> Result<Vec<String>, Failure> {
    let mut options = Vec::new();
    options.extend(args.meter.as_ref().map(|name| format!("--meter {name}")));
    if let Some(path) = &args.ct {
        let text = read_text(path)?;
        let value: serde_json::Value = serde_json::from_str(&text.text)
            .map_err(|error| Failure::usage(format!("{} is no verdict document: {error}", text.file)))?;
        // One line, so that it fits the mark.
        options.push(format!("--ct {value}"));
    }
    Ok(options)
}
