//! `wattward profile new` begins a profile: a few questions with the register list in hand, and a file with a comment on every
//! section that passes `wattward profile check`.
//!
//! ```console
//! $ wattward profile new --out my-meter.toml
//! What is the meter called? [unnamed meter]
//! …
//! $ wattward profile new --positive import voltage=530+2 "active_power.total=610 kW" --out my-meter.toml
//! my-meter.toml written: 4 points
//! ```
//!
//! With points on the command line nothing is asked: what is left out has its default. A point is `QUANTITY=ADDRESS`, with
//! `+N` behind the address where the phases lie N registers apart, and then, where they differ, a unit, a scale (`x0.1`) and a
//! type. No line is touched.
//!
//! Exit codes: 0 the profile was written, 2 wrong use, 130 the questions were broken off.

mod ask;

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::super::exit::Exit;
use super::super::out::Out;
use super::super::render;
use super::super::written::{free, write_new};
use super::{number, tool};
use crate::base::{Failure, Faults};
use crate::profile::skeleton::{Listed, Skeleton};
use crate::profile::{Order, Parity, Positive, SerialSettings, Table, Type, parse_profile};

/// Options of `profile new`.
#[derive(Args, Debug)]
pub(super) struct NewArgs {
    /// Points, as the register list has them: voltage=530+2 "active_power.total=610 kW x0.1 i32"
    #[arg(value_name = "POINT")]
    points: Vec<String>,
    /// The meter's name
    #[arg(long, value_name = "TEXT")]
    name: Option<String>,
    /// Line conductors it measures
    #[arg(long, value_name = "1|2|3", value_parser = clap::value_parser!(u8).range(1..=3))]
    phases: Option<u8>,
    /// Bits a second
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(300..=4_000_000))]
    baud: Option<u32>,
    /// Parity
    #[arg(long, value_name = "none|even|odd", value_parser = ask::parity)]
    parity: Option<Parity>,
    /// Stop bits
    #[arg(long, value_name = "1|2", value_parser = clap::value_parser!(u8).range(1..=2))]
    stop_bits: Option<u8>,
    /// Unit address
    #[arg(long, value_name = "1..247", value_parser = clap::value_parser!(u8).range(1..=247))]
    unit: Option<u8>,
    /// How the list counts: from 0, from 1, or in numbers such as 30001
    #[arg(long, value_name = "0|1|numbers", value_parser = ask::counting)]
    counts: Option<Listed>,
    /// Where the points are: input (function 4) or holding (function 3)
    #[arg(long, value_name = "input|holding", value_parser = ask::table)]
    table: Option<Table>,
    /// How most points hold a number: u16, i16, u32, i32, f32 …
    #[arg(long = "type", value_name = "TYPE", value_parser = ask::kind)]
    kind: Option<Type>,
    /// Which half of a number in two registers comes first
    #[arg(long, value_name = "high-first|low-first", value_parser = ask::order)]
    word_order: Option<Order>,
    /// What a positive power means: import (the site draws from the grid) or export
    #[arg(long, value_name = "import|export", value_parser = ask::positive)]
    positive: Option<Positive>,
    /// Where the profile goes; it must not exist
    #[arg(long, value_name = "FILE", default_value = "profile.toml")]
    out: PathBuf,
}

/// Runs the command.
pub(super) fn run(args: &NewArgs, out: &Out) -> Result<Exit, Failure> {
    free(&args.out)?;
    let skeleton = if args.points.is_empty() { ask::ask(args, out)? } else { given(args)? };
    let text = skeleton.text();
    let file = args.out.display().to_string();
    let (points, warnings) = match parse_profile(&file, &text) {
        Ok((profile, warnings)) => (profile.points.len(), warnings),
        Err(faults) => return Err(Failure::faulty_files(vec![faults])),
    };
    write_new(&args.out, &text)?;
    if !warnings.list.is_empty() {
        out.note(&format!("{}\n", render::faults(&warnings, out)));
    }
    if out.json {
        let document =
            json!({ "tool": tool(), "profile": file, "points": points, "warnings": warnings.list.len() });
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        out.print(&format!(
            "{file} written: {}\nnext: compare it with the register list, then `wattward read --profile {file}` and the line's options",
            number(points, "point")
        ));
    }
    Ok(Exit::Done)
}

/// The answers of the command line, the rest as it mostly is.
fn base(args: &NewArgs) -> Skeleton {
    let usual = SerialSettings::default();
    Skeleton {
        name: args.name.clone().unwrap_or_else(|| "unnamed meter".to_owned()),
        line: SerialSettings {
            baud: args.baud.unwrap_or(usual.baud),
            parity: args.parity.unwrap_or(usual.parity),
            stop_bits: args.stop_bits.unwrap_or(usual.stop_bits),
        },
        unit: args.unit.unwrap_or(1),
        phases: args.phases.unwrap_or(3),
        counting: args.counts.unwrap_or(Listed::FromZero),
        table: args.table.unwrap_or(Table::Input),
        kind: args.kind.unwrap_or(Type::F32),
        word_order: args.word_order.unwrap_or(Order::HighFirst),
        positive: args.positive,
        points: Vec::new(),
    }
}

fn given(args: &NewArgs) -> Result<Skeleton, Failure> {
    let mut skeleton = base(args);
    for text in &args.points {
        let named = skeleton.named(text).map_err(Failure::usage)?;
        skeleton.points.push(named);
    }
    let signed = skeleton.points.iter().any(crate::profile::skeleton::Named::needs_sign);
    if signed && args.positive.is_none() {
        return Err(Failure::usage("nothing says what a positive power means to this meter").hint(
            "add `--positive import` if it shows a positive number while the site draws from the grid, else `--positive export`; \
             for want of a manual, look at its display",
        ));
    }
    Ok(skeleton)
}

/// What is wrong with the skeleton so far, in a sentence with its mend; nothing where it is sound.
fn wrong(skeleton: &Skeleton) -> Option<String> {
    let faults: Faults = parse_profile("", &skeleton.text()).err()?;
    let fault = faults.list.into_iter().next()?;
    Some(match fault.mend {
        Some(mend) => format!("{}: {mend}", fault.message),
        None => fault.message,
    })
}
