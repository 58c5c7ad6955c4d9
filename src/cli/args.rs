//! What was typed: the commands and the options they share. Each command's own options stand in its file.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use crate::base::Span;

/// Proves on site that a grid meter's CTs sit right and that an export limit is kept.
///
/// It only reads: no register is ever written. Work at a meter panel can kill; only those licensed to do so open it, and
/// local codes and the network operator's rules stand above anything printed here.
#[derive(Debug, Parser)]
#[command(
    name = "wattward",
    version,
    propagate_version = true,
    arg_required_else_help = true,
    max_term_width = 100
)]
pub(crate) struct Cli {
    #[command(flatten)]
    pub(crate) common: CommonArgs,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// Options of every command.
#[derive(Debug, Args)]
pub(crate) struct CommonArgs {
    /// Print one JSON document on standard output and nothing else there
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// Say only results and errors
    #[arg(long, short, global = true)]
    pub(crate) quiet: bool,
    /// Say more about what is done, on standard error; twice for every frame
    #[arg(long, short, global = true, action = clap::ArgAction::Count)]
    pub(crate) verbose: u8,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// The whole visit, guided: cautions, site, line, readings, CT direction, export limit, report
    Commission(super::commission::CommissionArgs),
    /// Serial ports of this computer, who may open them and who holds them
    Ports(super::ports::PortsArgs),
    /// Look for meters on a line whose settings nobody knows
    Find(super::find::FindArgs),
    /// How good a line is: answer times, failures, likely causes
    Line(super::line::LineArgs),
    /// Hear who asks whom what on a line, without a byte sent
    Listen(super::listen::ListenArgs),
    /// Readings as they come
    Watch(super::watch::WatchArgs),
    /// Take one reading and show it by quantity and phase, with what does not make sense about it
    Read(super::read::ReadArgs),
    /// Record until stopped, on a schedule that does not drift
    Log(super::log::LogArgs),
    /// CT direction check: do the CTs sit right, shown by switching a known load?
    Ct(super::ct::CtArgs),
    /// Export limit check: does the limit hold in a test window?
    Limit(super::limit::LimitArgs),
    /// Run again what a capture holds and compare with the verdict recorded
    Replay(super::replay::ReplayArgs),
    /// The document for the file, from captures and verdict documents; --verify checks one
    Report(super::report::ReportArgs),
    /// Weeks of log: what happened, when, how much, and why
    Review(super::review::ReviewArgs),
    /// A part of a capture, several as one, or one without names
    Capture(super::capture::CaptureArgs),
    /// Write what captures hold as a table: CSV for spreadsheets, Parquet for engines
    Convert(super::convert::ConvertArgs),
    /// Look at profile and site files: what is wrong with them, what they read
    Profile(super::profile::ProfileArgs),
    /// The main job once, on a simulated house: no hardware, a good minute
    Demo(super::demo::DemoArgs),
    /// Put a simulated site behind a serial port or a network address
    Simulate(super::simulate::SimulateArgs),
    /// What a command does, with an example and its exit codes; pages for man, completions for a shell
    Manual(super::manual::ManualArgs),
}

/// Where readings come from.
#[derive(Args, Clone, Debug, Default)]
pub(crate) struct SourceArgs {
    /// The site file [default: site.toml here]
    #[arg(long, value_name = "FILE")]
    pub(crate) site: Option<PathBuf>,
    /// Use this capture in place of the live line; may be given several times
    #[arg(long, value_name = "CAPTURE")]
    pub(crate) from: Vec<PathBuf>,
    /// Profile of the meter, for use without a site file (or in place of the one a capture holds)
    #[arg(long, value_name = "FILE")]
    pub(crate) profile: Option<PathBuf>,
    /// The meter hangs on this serial port
    #[arg(long, value_name = "PORT", group = "door")]
    pub(crate) serial: Option<String>,
    /// The meter answers Modbus TCP here (port 502 when left out)
    #[arg(long, value_name = "HOST[:PORT]", group = "door")]
    pub(crate) tcp: Option<String>,
    /// The meter hangs behind a gateway that passes serial frames on over TCP
    #[arg(long, value_name = "HOST:PORT", group = "door")]
    pub(crate) serial_over_tcp: Option<String>,
    /// Bits a second, in place of the profile's
    #[arg(long, value_name = "N", requires = "door")]
    pub(crate) baud: Option<u32>,
    /// Parity, in place of the profile's
    #[arg(long, value_name = "none|even|odd", requires = "door")]
    pub(crate) parity: Option<String>,
    /// Stop bits, in place of the profile's
    #[arg(long, value_name = "1|2", requires = "door")]
    pub(crate) stop_bits: Option<u8>,
    /// Unit address, in place of the profile's
    #[arg(long, value_name = "1..247", requires = "door")]
    pub(crate) unit: Option<u8>,
}

impl SourceArgs {
    /// Whether a line was named on the command line, so that no site file is needed.
    pub(crate) fn names_a_line(&self) -> bool {
        self.serial.is_some() || self.tcp.is_some() || self.serial_over_tcp.is_some()
    }
}

/// How a live line is used.
#[derive(Args, Clone, Debug)]
pub(crate) struct LiveArgs {
    /// Only listen to another master; not a byte is sent
    #[arg(long)]
    pub(crate) listen: bool,
    /// Where the evidence goes [default: a new file here, named after the check and the time]
    #[arg(long, value_name = "FILE")]
    pub(crate) capture: Option<PathBuf>,
    /// How long to listen for another master before the first request on a serial line
    #[arg(long, value_name = "TIME", default_value = "5s", value_parser = span)]
    pub(crate) listen_first: Span,
    /// Poll although another master is on the line; this can blind it, and no check made so can pass
    #[arg(long)]
    pub(crate) share_line: bool,
    /// Time from one reading to the next [default: as fast as the meter renews its values, within what the line carries]
    #[arg(long, value_name = "TIME", value_parser = span)]
    pub(crate) every: Option<Span>,
}

/// Reads a length of time.
pub(crate) fn span(text: &str) -> Result<Span, String> {
    Span::parse(text)
}

/// Reads a power as people type it: `2000W`, `2kW`.
pub(crate) fn watts(text: &str) -> Result<f64, String> {
    let text = text.trim();
    let wrong = || format!("`{text}` is no power: write 2000W or 2kW");
    let (number, factor) = match (text.strip_suffix("kW"), text.strip_suffix('W')) {
        (Some(number), _) => (number, 1000.0),
        (None, Some(number)) => (number, 1.0),
        (None, None) => return Err(wrong()),
    };
    match number.trim().parse::<f64>() {
        Ok(value) if value.is_finite() && value >= 0.0 => Ok(value * factor),
        _ => Err(wrong()),
    }
}
