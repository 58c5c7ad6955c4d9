//! `wattward review` looks at weeks of log and says what happened, when, how much, and why it fed in.
//!
//! ```console
//! $ wattward review --from logs/
//! 3.4 kWh above the limit; 96 % of it: the meter the plant steers by was silent, and the plant went on delivering
//! review of meter `connection`, Cider barn, 2026-09-01 00:00:03 +01:00 to 2026-09-30 23:59:58 +01:00, 2591990 readings
//! $ wattward review --from logs/ --against operator.csv
//! $ wattward review --from logs/ --json > september.json
//! ```
//!
//! `--against` holds the operator's or supplier's interval data (15, 30 or 60 minutes, local time) against the log: whether
//! both agree, how far their times are apart, and how their meter treats phases.
//!
//! Any number of captures, plain or compressed, in one pass and little memory; a folder stands for the captures in it. The
//! result does not depend on how the log was cut. It says what a log shows and gives no verdict: `ct` and `limit` do.
//!
//! Exit codes: 0 reviewed, whatever was found; 2 an option or file is wrong, 4 nothing was read, 5 a capture cannot be read.

mod intervals;

use std::path::{Path, PathBuf};

use clap::Args;

use super::args::{SourceArgs, watts};
use super::exit::Exit;
use super::judge::given_beside;
use super::out::Out;
use super::source::{Extra, overrides, ports, read_text, without_copies};
use crate::base::zone::Zone;
use crate::base::{Failure, Span, Stamp};
use crate::check::limit::LimitOptions;
use crate::check::review::{Intervals, Review, review_against};
use crate::evidence::long::{Long, Plan};
use crate::pipeline::long::LongPipeline;
use crate::profile::{Profile, Site};
use crate::report::page::doc::{Doc, Times};
use crate::report::page::review as pictures;
use crate::report::review_text::review_text;
use crate::report::{Beside, CaptureRef, review_document};
use crate::rim::clock::Clock;
use crate::rim::log_files::{LogFile, look, read};

/// Options of `review`.
#[derive(Args, Debug)]
pub(crate) struct ReviewArgs {
    /// A capture, or a folder of captures; may be given several times
    #[arg(long, value_name = "CAPTURE|FOLDER", required = true, num_args = 1..)]
    from: Vec<PathBuf>,
    /// The meter to look at [default: the reference meter, else the steering meter]
    #[arg(long, value_name = "NAME")]
    meter: Option<String>,
    /// The limit that export is held against, in place of the site file's
    #[arg(long, value_name = "POWER", value_parser = watts)]
    export: Option<f64>,
    /// The operator's or supplier's interval data to hold the log against: a table of 15, 30 or 60 minutes
    #[arg(long, value_name = "FILE.csv")]
    against: Option<PathBuf>,
    /// Unit of the table, where its headings say none
    #[arg(long, value_name = "UNIT", value_parser = ["Wh", "kWh", "MWh", "W", "kW"], requires = "against")]
    against_unit: Option<String>,
    /// What a table with one column of values holds
    #[arg(long, value_name = "WHAT", value_parser = ["import", "export", "net"], requires = "against")]
    against_column: Option<String>,
    /// Time zone of the table [default: the site's]
    #[arg(long, value_name = "ZONE", value_parser = zone, requires = "against")]
    against_zone: Option<Zone>,
    /// Length of its intervals, where its times do not show it
    #[arg(long, value_name = "TIME", value_parser = Span::parse, requires = "against")]
    against_interval: Option<Span>,
    /// Its times are those at which an interval ends, whatever the heading says
    #[arg(long, requires = "against")]
    against_ends: bool,
    /// Writes the pictures of the review into this folder, each as an SVG file
    #[arg(long, value_name = "FOLDER")]
    plots: Option<PathBuf>,
    /// Site file in place of the one the captures hold
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Profile in place of the one the captures hold
    #[arg(long, value_name = "FILE")]
    profile: Option<PathBuf>,
}

/// How often the progress line is redrawn.
const REDRAW: Span = Span::from_millis(500);

/// Runs the command.
pub(crate) fn run(args: &ReviewArgs, out: &Out) -> Result<Exit, Failure> {
    let source =
        SourceArgs { site: args.site.clone(), profile: args.profile.clone(), ..SourceArgs::default() };
    let overrides = overrides(&source, &Extra::default())?;
    let ports = ports(&overrides);
    let mut files = Vec::new();
    for path in captures(&args.from)? {
        files.push(look(&path, &ports)?);
    }
    let marks: Vec<_> = files.iter().flat_map(|file| &file.marks).cloned().collect();
    let beside = Beside { options: args.options(), given: given_beside(&overrides, &marks) };
    let (mut site, profiles, _) = crate::pipeline::site_and_profiles(marks.iter(), &overrides)?;
    site.limit = LimitOptions { export_w: args.export, ..LimitOptions::default() }.limit(&site);
    let intervals = args.intervals(&site)?;
    let meter = args.meter.as_deref();
    let (review, captures) = reviewed((&site, &profiles, meter), files, &ports, intervals.as_ref(), out)?;
    let zone = Zone::named(&site.time_zone).unwrap_or_default();
    let document = review_document(&site.name, &review, &captures, &beside);
    if let Some(folder) = &args.plots {
        draw(&document, &zone, review.start, folder)?;
    }
    if out.json {
        out.print(&document);
    } else {
        out.print(&review_text(&site.name, &zone, &review, &beside, out.width));
    }
    Ok(Exit::Done)
}

impl ReviewArgs {
    /// Every option that bears on the result, as text.
    fn options(&self) -> Vec<String> {
        let mut options = Vec::new();
        options.extend(self.meter.as_ref().map(|meter| format!("--meter {meter}")));
        options.extend(self.export.map(|watts| format!("--export {watts}W")));
        options.extend(self.against.as_ref().map(|file| format!("--against {}", file.display())));
        options.extend(self.against_unit.as_ref().map(|unit| format!("--against-unit {unit}")));
        options.extend(self.against_column.as_ref().map(|what| format!("--against-column {what}")));
        options.extend(self.against_zone.as_ref().map(|zone| format!("--against-zone {}", zone.name())));
        options.extend(self.against_interval.map(|span| format!("--against-interval {}s", span.seconds())));
        options.extend(self.against_ends.then(|| "--against-ends".to_owned()));
        options
    }

    fn intervals(&self, site: &Site) -> Result<Option<Intervals>, Failure> {
        let Some(path) = &self.against else { return Ok(None) };
        let text = read_text(path)?.text;
        let there = Zone::named(&site.time_zone).unwrap_or_default();
        let said = intervals::Said {
            unit: self.against_unit.clone(),
            length: self.against_interval,
            ends: self.against_ends,
            column: self.against_column.clone(),
        };
        let zone = self.against_zone.as_ref().unwrap_or(&there);
        intervals::read(&path.display().to_string(), &text, zone, &said).map(Some)
    }
}

fn zone(name: &str) -> Result<Zone, String> {
    Zone::named(name)
        .ok_or_else(|| format!("`{name}` is no time zone: write Europe/London, UTC or Etc/GMT-1"))
}

fn reviewed(
    (site, profiles, meter): (&Site, &[Profile], Option<&str>),
    files: Vec<LogFile>,
    ports: &[u16],
    intervals: Option<&Intervals>,
    out: &Out,
) -> Result<(Review, Vec<CaptureRef>), Failure> {
    let plan = Plan::new(site, profiles, meter).ok_or_else(|| {
        let names: Vec<&str> = site.meters.iter().map(|meter| meter.name.as_str()).collect();
        Failure::usage(format!("the site has no meter of that name; it has `{}`", names.join("`, `")))
    })?;
    let mut pipeline = LongPipeline::new(site, profiles);
    let mut long = Long::new(plan);
    let mut progress = Progress::new(files.iter().map(|file| file.bytes).sum());
    let read =
        read(files, ports, &mut pipeline, |slice| long.take(slice), |bytes| progress.show(bytes, out))?;
    out.clear_status();
    let span = pipeline.span();
    let (slices, counts) = pipeline.finish();
    for slice in slices {
        long.take(slice);
    }
    let long = long.finish();
    for file in &read {
        if let Some(cut) = &file.cut {
            out.note(&format!("{} is {cut}; everything before it is used", file.path.display()));
        }
    }
    let captures = read
        .into_iter()
        .map(|file| CaptureRef { file: file.path.display().to_string(), sha256: file.sha256 })
        .collect();
    let found = span.and_then(|span| review_against(&long, span, Some(counts), intervals));
    found.map(|review| (review, captures)).ok_or_else(|| unread(&long))
}

/// Nothing was read of the meter looked at.
fn unread(long: &Long) -> Failure {
    let names = |of: fn(u64) -> bool| {
        let meters = long.plan.site.meters.iter().zip(&long.meters);
        let named = meters.filter(|(_, found)| of(found.readings)).map(|(meter, _)| meter.name.as_str());
        named.collect::<Vec<_>>().join("`, `")
    };
    let read = names(|readings| readings > 0);
    if read.is_empty() {
        return Failure::nothing("the captures hold no reading of the site's meters").hint(
            "`wattward listen --from CAPTURE` shows what is in them; the unit or the profile may be another",
        );
    }
    let meter = &long.plan.meter().name;
    Failure::nothing(format!("the captures hold no reading of the power of meter `{meter}`"))
        .hint(format!("they hold readings of `{read}`: --meter NAME looks at one of them"))
}

/// Writes the pictures.
#[expect(clippy::disallowed_methods, reason = "the command line writes the files it is asked for")]
fn draw(document: &str, zone: &Zone, start: Stamp, folder: &Path) -> Result<(), Failure> {
    let failed =
        |error: std::io::Error| Failure::nothing(format!("cannot write to {}: {error}", folder.display()));
    let value = serde_json::from_str(document).unwrap_or(serde_json::Value::Null);
    std::fs::create_dir_all(folder).map_err(failed)?;
    for (name, figure) in pictures::figures(Doc(&value), &Times::from(zone, Some(start))) {
        std::fs::write(folder.join(format!("{name}.svg")), pictures::svg(&figure)).map_err(failed)?;
    }
    Ok(())
}

/// The captures named, those of folders in the order of their names.
fn captures(from: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    let mut found = Vec::new();
    for path in from {
        if !path.is_dir() {
            found.push(path.clone());
            continue;
        }
        let failed = |error: std::io::Error| {
            Failure::unreadable(format!("cannot read the folder {}: {error}", path.display()))
        };
        let mut inside = Vec::new();
        for entry in std::fs::read_dir(path).map_err(failed)? {
            let file = entry.map_err(failed)?.path();
            if is_capture(&file) {
                inside.push(file);
            }
        }
        if inside.is_empty() {
            return Err(Failure::usage(format!("no capture in the folder {}", path.display()))
                .hint("captures end in .pcapng or .pcapng.zst"));
        }
        inside.sort();
        found.extend(inside);
    }
    // The same file twice would count twice.
    let mut once: Vec<PathBuf> = Vec::new();
    for path in found {
        if !once.contains(&path) {
            once.push(path);
        }
    }
    Ok(without_copies(once))
}

fn is_capture(path: &Path) -> bool {
    let name = path.file_name().map(|name| name.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
    name.ends_with(".pcapng") || name.ends_with(".pcapng.zst")
}

/// The progress line with the time left.
struct Progress {
    bytes: u64,
    clock: Clock,
    start: Stamp,
    next: Stamp,
}

impl Progress {
    fn new(bytes: u64) -> Self {
        let clock = Clock::start();
        let start = clock.now();
        Self { bytes, clock, start, next: start + REDRAW }
    }

    fn show(&mut self, read: u64, out: &Out) {
        let now = self.clock.now();
        if now < self.next || self.bytes == 0 {
            return;
        }
        self.next = now + REDRAW;
        let share = (read as f64 / self.bytes as f64).min(1.0);
        let left = Span::from_seconds((now - self.start).seconds() * (1.0 - share) / share.max(1e-6));
        out.status(&format!("{:.0} % read, {left} to go", share * 100.0));
    }
}
