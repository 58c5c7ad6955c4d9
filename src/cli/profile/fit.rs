//! `wattward profile fit` finds out what a meter's registers mean when no list of them is at hand: you say what your
//! instruments show, it reads everything the meter answers and matches the two.
//!
//! ```console
//! $ wattward profile fit --serial /dev/ttyUSB0 --baud 9600 --unit 1
//! looking for registers: 143 so far, about 12 s to go
//! >> Type what your instruments show now, then Enter
//! voltage.L1=231.4 frequency=50.0 active_power.total=1.9kW
//! ```
//!
//! Three such snapshots with other loads in each settle most quantities. The result is a draft profile: each line says how
//! far to believe it and what to measure next. Only functions 3 and 4 are sent. With `--from CAPTURE` the meter's answers
//! come from a capture, also of listened traffic, and the looks from its `seen` marks or from `--at TIME --snapshot "…"`.
//! `--explain RANGE` says in words what each address may be.
//!
//! Exit codes: 0 a draft was written, or explained, 2 wrong use, 3 nothing is settled enough for a draft, 4 no port, no
//! answer, no register, 5 a capture cannot be read, 130 interrupted.

pub(super) mod asker;
pub(super) mod door;
mod recorded;
mod show;

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::super::args::span;
use super::super::exit::Exit;
use super::super::out::Out;
use super::super::source::load;
use super::super::written::{free, write_new};
use super::tool;
use crate::base::{Failure, FailureKind, Span, Stamp};
use crate::link::survey::Where;
use crate::pipeline::Overrides;
use crate::profile::{Door, Registers};
use crate::reading::fit::{DraftTerms, Fit, Seen, Snapshot, draft, explain, fit, parse_range, parse_seen};
use crate::report::CaptureRef;
use crate::rim::Event;

pub(crate) use asker::{Asker, Terms};
use door::DoorArgs;
pub(crate) use recorded::Answers;
use recorded::{marked, marks, snapshots};

/// Options of `profile fit`.
#[derive(Args, Debug)]
#[command(group(clap::ArgGroup::new("line").required(true)))]
pub(super) struct FitArgs {
    /// What your instruments show now: voltage.L1=231.4 frequency=50.0 active_power.total=1.9kW
    #[arg(value_name = "SEEN")]
    seen: Vec<String>,
    #[command(flatten)]
    door: DoorArgs,
    /// Take the meter's answers from this capture; may be given several times
    #[arg(long, value_name = "CAPTURE", group = "line")]
    from: Vec<PathBuf>,
    /// A whole snapshot in one argument, for use without a keyboard; may be given several times
    #[arg(long, value_name = "\"SEEN …\"")]
    snapshot: Vec<String>,
    /// When the snapshot was taken, one for each `--snapshot`: 2026-09-21T14:13:20Z
    #[arg(long, value_name = "TIME", requires = "from")]
    at: Vec<String>,
    /// Rest between one given snapshot and the next
    #[arg(long, value_name = "TIME", default_value = "0s", value_parser = span)]
    wait: Span,
    /// Error of your instruments
    #[arg(long, value_name = "PERCENT", default_value = "1", value_parser = percent)]
    error: f64,
    /// Only these registers: 0x0200..0x0240, input:512+16; may be given several times
    #[arg(long, value_name = "RANGE", value_parser = range)]
    range: Vec<Ranges>,
    /// Look at every sixteenth address, not only where lists usually begin
    #[arg(long, conflicts_with = "range")]
    everywhere: bool,
    /// Say in words what each address of this range may be
    #[arg(long, value_name = "RANGE", value_parser = range)]
    explain: Option<Ranges>,
    /// Where the draft goes; it must not exist
    #[arg(long, value_name = "FILE", default_value = "draft.toml")]
    out: PathBuf,
    /// Keep everything said on the line, and what was seen, in this capture
    #[arg(long, value_name = "FILE", conflicts_with = "from")]
    capture: Option<PathBuf>,
}

#[derive(Clone, Debug)]
struct Ranges(Vec<Registers>);

fn range(text: &str) -> Result<Ranges, String> {
    parse_range(text).map(Ranges)
}

fn percent(text: &str) -> Result<f64, String> {
    let number = text.trim_end_matches('%').trim();
    match number.parse::<f64>() {
        Ok(value) if (0.01..=20.0).contains(&value) => Ok(value / 100.0),
        _ => Err(format!("`{text}` is no error: write 1 for one percent, between 0.01 and 20")),
    }
}

/// What was gathered, whether live or from captures.
struct Gathered {
    snapshots: Vec<Snapshot>,
    terms: DraftTerms,
    captures: Vec<CaptureRef>,
}

/// Runs the command.
pub(super) fn run(args: &FitArgs, out: &Out) -> Result<Exit, Failure> {
    let given = given(args)?;
    if args.explain.is_none() {
        free(&args.out)?;
    }
    let gathered = if args.from.is_empty() { live(args, given, out)? } else { recorded(args, given, out)? };
    if let Some(Ranges(ranges)) = &args.explain {
        return Ok(explained(ranges, &gathered, out));
    }
    let made = fit(&gathered.snapshots, args.error);
    finish(args, &made, &gathered, out)
}

/// The snapshots of the command line, as typed and as understood.
fn given(args: &FitArgs) -> Result<Vec<(String, Vec<Seen>)>, Failure> {
    let first = (!args.seen.is_empty()).then(|| args.seen.join(" "));
    first
        .into_iter()
        .chain(args.snapshot.iter().cloned())
        .map(|text| match parse_seen(&text) {
            Ok(seen) if !seen.is_empty() => Ok((text, seen)),
            Ok(_) => Err(Failure::usage("an empty snapshot")),
            Err(error) => Err(Failure::usage(error)),
        })
        .collect()
}

fn live(args: &FitArgs, given: Vec<(String, Vec<Seen>)>, out: &Out) -> Result<Gathered, Failure> {
    let terms = args.door.terms()?;
    let mut asker = Asker::new(terms, out)?;
    let made = look(args, given, &mut asker, out);
    // What was said is kept also where it ended early.
    let captures = match &args.capture {
        Some(path) => {
            let closed = asker.keep(path)?;
            out.note(&crate::cli::render::evidence(&closed.path.display().to_string(), &closed.sha256, out));
            vec![CaptureRef { file: closed.path.display().to_string(), sha256: closed.sha256 }]
        }
        None => Vec::new(),
    };
    let (snapshots, most) = made?;
    let serial = !matches!(asker.terms.door, Door::Tcp(_));
    let terms = DraftTerms {
        name: "Draft".to_owned(),
        notes: format!("Found on {} from what instruments showed.", asker.terms.door.name()),
        line: serial.then_some(asker.terms.settings),
        unit: Some(asker.terms.unit),
        max_registers: (most < 64).then_some(most),
    };
    Ok(Gathered { snapshots, terms, captures })
}

/// Finds the registers and takes the snapshots; gives them with the most registers in one request.
fn look(
    args: &FitArgs,
    given: Vec<(String, Vec<Seen>)>,
    asker: &mut Asker,
    out: &Out,
) -> Result<(Vec<Snapshot>, u16), Failure> {
    let ranges: Vec<Registers> =
        args.explain.iter().chain(&args.range).flat_map(|Ranges(ranges)| ranges.clone()).collect();
    let place = match () {
        () if !ranges.is_empty() => Where::Only(ranges),
        () if args.everywhere => Where::Everywhere,
        () => Where::Usual,
    };
    let survey = asker.survey(&place, out)?;
    let runs = survey.runs();
    out.note(&format!(
        "unit {} answers {} registers: {}",
        asker.terms.unit,
        survey.registers(),
        listed(&runs)
    ));
    let mut taken = Vec::new();
    if args.explain.is_some() && given.is_empty() {
        // Two looks some seconds apart show what moves.
        for pause in [Span::ZERO, Span::from_millis(3000)] {
            rest(asker, pause)?;
            taken.push(Snapshot { registers: asker.sweep(&runs, out)?, seen: Vec::new() });
        }
        return Ok((taken, survey.most()));
    }
    let interactive = args.snapshot.is_empty();
    for (index, (text, seen)) in given.into_iter().enumerate() {
        rest(asker, if index == 0 { Span::ZERO } else { args.wait })?;
        taken.push(take(asker, &runs, &text, seen, out)?);
    }
    if interactive && args.explain.is_none() {
        ask_person(args, asker, &runs, &mut taken, out)?;
    }
    if taken.is_empty() {
        return Err(Failure::usage("no snapshot was given").hint(
            "type what your instruments show, or give it: --snapshot \"voltage.L1=231.4 frequency=50.0\"",
        ));
    }
    Ok((taken, survey.most()))
}

fn take(
    asker: &mut Asker,
    runs: &[Registers],
    text: &str,
    seen: Vec<Seen>,
    out: &Out,
) -> Result<Snapshot, Failure> {
    let registers = asker.sweep(runs, out)?;
    let at = asker.searching.now();
    for mark in marks(at, text) {
        asker.note(mark);
    }
    Ok(Snapshot { registers, seen })
}

fn rest(asker: &Asker, pause: Span) -> Result<(), Failure> {
    if pause > Span::ZERO && asker.searching.wait(Some(pause)) == Event::Interrupt {
        return Err(Failure::new(FailureKind::Interrupted, "interrupted"));
    }
    Ok(())
}

/// Snapshots typed one after the other, until an empty line.
fn ask_person(
    args: &FitArgs,
    asker: &mut Asker,
    runs: &[Registers],
    taken: &mut Vec<Snapshot>,
    out: &Out,
) -> Result<(), Failure> {
    asker.searching.listen_to_person();
    out.note(
        "Work at a live panel is for those licensed to do it. Power counts positive from the grid into the site.\n\
         For example: voltage.L1=231.4 frequency=50.0 active_power.total=1.9kW",
    );
    loop {
        out.error(&format!(
            ">> Snapshot {}: type what your instruments show now, then Enter (only Enter ends)",
            taken.len() + 1
        ));
        let line = match asker.searching.wait(None) {
            Event::Line(line) => line,
            Event::Interrupt => return Err(Failure::new(FailureKind::Interrupted, "interrupted")),
            Event::InputEnd => return Ok(()),
            _ => continue,
        };
        match parse_seen(&line) {
            Ok(seen) if seen.is_empty() => return Ok(()),
            Ok(seen) => {
                taken.push(take(asker, runs, &line, seen, out)?);
                out.note(&show::screen(&fit(taken, args.error), taken, out.width));
                if taken.len() < 3 {
                    out.note("Now switch a load of 1 kW or more, wait until the displays stand still, and look again.");
                }
            }
            Err(error) => out.error(&format!("{error}; the line is not used, type it again")),
        }
    }
}

fn recorded(args: &FitArgs, given: Vec<(String, Vec<Seen>)>, out: &Out) -> Result<Gathered, Failure> {
    let loaded = load(&args.from, &Overrides::default())?;
    for note in &loaded.notes {
        out.error(&format!("note: {note}"));
    }
    let answers = Answers::of(&loaded, args.door.unit)?;
    let looks = match (given.is_empty(), args.at.len()) {
        (true, _) => marked(&loaded)?,
        (false, count) if count == given.len() => {
            let times = args.at.iter().map(|text| {
                Stamp::parse(text).ok_or_else(|| {
                    Failure::usage(format!("`{text}` is no instant: write 2026-09-21T14:13:20Z"))
                })
            });
            times.zip(given).map(|(at, (_, seen))| Ok((at?, seen))).collect::<Result<_, Failure>>()?
        }
        (false, count) => {
            return Err(Failure::usage(format!("{} snapshots and {count} times", given.len()))
                .hint("give one `--at TIME` for each `--snapshot`, in the same order"));
        }
    };
    let mut taken = snapshots(&answers, looks)?;
    if taken.is_empty() {
        let (first, last) = answers.span().unwrap_or_default();
        if args.explain.is_none() {
            return Err(Failure::usage("the capture says nothing of what instruments showed").hint(format!(
                "give `--at TIME --snapshot \"voltage.L1=231.4 …\"`; it runs from {} to {}",
                first.rfc3339(0),
                last.rfc3339(0)
            )));
        }
        for at in [first, last] {
            taken.push(Snapshot { registers: answers.around(at), seen: Vec::new() });
        }
    }
    let terms = DraftTerms {
        name: "Draft".to_owned(),
        notes: "Found in a capture from what instruments showed.".to_owned(),
        line: None,
        unit: Some(answers.unit),
        max_registers: None,
    };
    Ok(Gathered { snapshots: taken, terms, captures: loaded.captures })
}

/// `input 0x0000..0x0053, holding 0x9C40..0x9CEB`, runs put together.
fn listed(runs: &[Registers]) -> String {
    let mut joined: Vec<(Registers, u32)> = Vec::new();
    for run in runs {
        let (start, end) = (u32::from(run.address), u32::from(run.address) + u32::from(run.count));
        match joined.last_mut() {
            Some((last, to)) if last.table == run.table && *to == start => *to = end,
            _ => joined.push((*run, end)),
        }
    }
    let words =
        joined.iter().map(|(run, end)| format!("{} 0x{:04X}..0x{end:04X}", run.table.word(), run.address));
    words.collect::<Vec<_>>().join(", ")
}

fn explained(ranges: &[Registers], gathered: &Gathered, out: &Out) -> Exit {
    let told: Vec<_> = ranges.iter().map(|range| (*range, explain(&gathered.snapshots, *range, 3))).collect();
    let text = show::explained(&told, out.width);
    if out.json {
        let document = json!({ "tool": tool(), "explained": text.lines().collect::<Vec<_>>() });
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else if text.is_empty() {
        out.print("no address of this range was read");
    } else {
        out.print(&text);
    }
    Exit::Done
}

fn finish(args: &FitArgs, made: &Fit, gathered: &Gathered, out: &Out) -> Result<Exit, Failure> {
    let text = draft(made, &gathered.snapshots, &gathered.terms);
    if let Some(text) = &text {
        write_new(&args.out, text)?;
    }
    if out.json {
        let mut document = show::document(made, &gathered.snapshots);
        document["tool"] = tool();
        document["draft"] = json!(text.as_ref().map(|_| args.out.display().to_string()));
        document["captures"] = json!(gathered.captures);
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        out.print(&show::screen(made, &gathered.snapshots, out.width));
        out.print(&match &text {
            Some(_) => format!(
                "{} written. It is a draft: compare each point with the meter's display, then prove it with `wattward ct`.",
                args.out.display()
            ),
            None => "No point is settled enough for a draft.".to_owned(),
        });
    }
    Ok(if text.is_some() { Exit::Done } else { Exit::Inconclusive })
}
