//! `wattward demo` does the main job once, on a simulated three-phase house: no hardware, nothing to install, no
//! configuration. A CT sits the wrong way round and is found out, it is corrected and tested again, then the export limit is
//! confirmed while loads drop. Simulated hands do what the instrument asks; everything else is what runs on site: the port,
//! the frames, the captures, the checks.
//!
//! ```console
//! $ wattward demo
//! $ wattward demo --keep /tmp/first-look
//! ```
//!
//! It takes a good minute and leaves site file, profile, captures and verdict documents in a folder. Exit 0 when the verdicts
//! were fail, pass and pass and every capture replays to its own, 1 when not, 4 when no pseudo-terminal is to be had,
//! 130 interrupted.

use std::path::{Path, PathBuf};

use clap::Args;

use super::args::LiveArgs;
use super::exit::Exit;
use super::files::site_files;
use super::judge::{Check, Outcome};
use super::out::Out;
use super::source::SetUp;
use super::{ct, limit, replay, simulate};
use crate::base::{Failure, Span};
use crate::check::Verdict;
use crate::rim::clock::Clock;
use crate::rim::serve::{Serving, Stage};
use crate::sim::{Command, Scenario};

mod hands;

use hands::SimulatedHands;

const SITE: &str = include_str!("demo/site.toml");
const METER: &str = include_str!("demo/meter.toml");
const SCENARIO: &str = include_str!("demo/scenario.toml");

/// What comes of the three checks when all is as it should be.
const EXPECTED: [(Check, Verdict, &str); 3] = [
    (Check::Ct, Verdict::Fail, "1-ct"),
    (Check::Ct, Verdict::Pass, "2-ct-corrected"),
    (Check::Limit, Verdict::Pass, "3-limit"),
];

/// Options of `demo`.
#[derive(Args, Debug)]
pub(crate) struct DemoArgs {
    /// Where files and captures go; must be new or empty [default: wattward-demo here]
    #[arg(long, value_name = "DIR")]
    keep: Option<PathBuf>,
}

/// Runs the command.
pub(crate) fn run(args: &DemoArgs, out: &Out) -> Result<Exit, Failure> {
    let whole = out;
    let out = &Out { json: false, part: out.json, ..*out };
    let clock = Clock::start();
    let started = clock.now();
    let folder = new_folder(args.keep.as_deref())?;
    let demo = Demo::set_up(&folder, clock, out)?;
    out.note(&opening(&folder));
    let mut came = Vec::new();
    for (number, (check, _, name)) in EXPECTED.iter().enumerate() {
        if number == 1 {
            demo.correct_the_ct();
        }
        out.note(&format!("\n{} of 3  {}", number + 1, title(number)));
        came.push(demo.check(*check, name)?);
    }
    out.note("\nEach capture judged again, as it would be on another computer:");
    let mut same = true;
    for (_, _, name) in EXPECTED {
        let (as_recorded, words) = replay::same_again(&[capture_of(&folder, name)], out)?;
        same &= as_recorded;
        out.note(&format!("  {name}.pcapng  {words}"));
    }
    let took = clock.now() - started;
    let right = same && came.iter().zip(EXPECTED).all(|(came, (_, verdict, _))| *came == verdict);
    out.note(&closing(&folder, &came, same, took));
    if whole.json {
        whole.print(&document(&folder, &came, same, took));
    }
    Ok(if right { Exit::Done } else { Exit::Fail })
}

/// The house behind its door.
struct Demo<'a> {
    folder: &'a Path,
    out: &'a Out,
    scenario: Scenario,
    stage: Stage,
    _line: Serving,
}

impl<'a> Demo<'a> {
    fn set_up(folder: &'a Path, clock: Clock, out: &'a Out) -> Result<Self, Failure> {
        let line = std::path::absolute(folder.join("line")).unwrap_or_else(|_| folder.join("line"));
        let quoted = serde_json::to_string(&line.display().to_string()).unwrap_or_default();
        let site = SITE.replace("\"LINE\"", &quoted);
        for (name, text) in [("site.toml", site.as_str()), ("meter.toml", METER), ("scenario.toml", SCENARIO)]
        {
            write(&folder.join(name), text)?;
        }
        let (scenario, _) = simulate::load(&folder.join("scenario.toml"), out)?;
        let stage = Stage::start(&scenario, clock);
        let line = stage.serve_pty(0, Some(&line))?;
        Ok(Self { folder, out, scenario, stage, _line: line })
    }

    /// One check over the live line; leaves its document beside its capture.
    fn check(&self, check: Check, name: &str) -> Result<Verdict, Failure> {
        let files = site_files(&self.folder.join("site.toml"))?;
        let set_up = SetUp { site: files.site, profiles: files.profiles, warnings: files.warnings };
        let args = LiveArgs {
            listen: false,
            capture: Some(capture_of(self.folder, name)),
            listen_first: Span::from_millis(500),
            share_line: false,
            every: None,
        };
        let mut hands = SimulatedHands::new(&self.stage, &self.scenario, *self.out);
        let (outcome, _): (Outcome, Exit) = match check {
            Check::Ct => ct::run_turns(set_up, &args, &[], &mut hands, self.out)?,
            Check::Limit => {
                if let Some(roof) = self.scenario.plant_of("roof") {
                    self.stage.command(&Command::Plant(roof, true));
                    self.out.note("  hands        roof on again");
                }
                limit::run_window(set_up, &args, &[self.ct_option()?], &mut hands, self.out)?
            }
        };
        let document = outcome.judged.document(&self.scenario.site.name, Some(&outcome.captures));
        write(&self.folder.join(format!("{name}.json")), &(document + "\n"))?;
        Ok(outcome.judged.verdict())
    }

    /// `--ct` with the document of the CT check that passed.
    fn ct_option(&self) -> Result<String, Failure> {
        limit::ct_option(&self.folder.join(format!("{}.json", EXPECTED[1].2)))
    }

    /// What the person licensed to do so does between the first check and the second.
    fn correct_the_ct(&self) {
        self.out.note(
            "\nIn a real house now: those licensed to do so open the panel; isolate, prove dead (0 W on a screen is not\n\
             dead, and a backup output stays live), turn the CT on L1 round, close up. The clamp or the setting, never both.",
        );
        self.stage.command(&Command::Turn(0, 0));
        self.out.note("  hands        the CT on L1 is turned round");
    }
}

const fn title(number: usize) -> &'static str {
    match number {
        0 => "wattward ct: do the CTs sit right? Each known load goes on and off a few times.",
        1 => "wattward ct again: is it right now?",
        _ => "wattward limit: is the export limit kept while loads drop at full sun?",
    }
}

fn opening(folder: &Path) -> String {
    let folder = folder.display();
    format!(
        "A simulated house, nothing real: three phases, a meter that renews its values every 200 ms on a serial line\n\
         (a pseudo-terminal here), a 5 kW plant that steers by it and must let nothing out, three known loads.\n\
         Somebody put the CT on L1 on the wrong way round; the instrument does not know. Everything goes to {folder}/.\n\
         This takes some 75 s."
    )
}

fn closing(folder: &Path, came: &[Verdict], same: bool, took: Span) -> String {
    let words: Vec<&str> = came.iter().map(|verdict| verdict.word()).collect();
    let replays =
        if same { "each capture replays to its own" } else { "A CAPTURE DOES NOT REPLAY TO ITS OWN" };
    let folder = folder.display();
    format!(
        "\nVerdicts: {}; {replays}. It took {took}.\n\
         \n\
         What to look at next:\n\
         \x20 wattward replay {folder}/1-ct.pcapng        the evidence judged again\n\
         \x20 wattward ct --from {folder}/1-ct.pcapng --json\n\
         \x20 {folder}/site.toml, {folder}/meter.toml       what a site file and a profile look like\n\
         \x20 wattward simulate {folder}/scenario.toml     the same house with the fault, for you to switch; then in\n\
         \x20                                              another terminal: wattward ct --site {folder}/site.toml",
        words.join(", ")
    )
}

fn document(folder: &Path, came: &[Verdict], same: bool, took: Span) -> String {
    let checks: Vec<serde_json::Value> = came
        .iter()
        .zip(EXPECTED)
        .map(|(came, (check, expected, name))| {
            serde_json::json!({
                "check": check.word(),
                "verdict": came.word(),
                "expected": expected.word(),
                "capture": capture_of(folder, name).display().to_string(),
                "document": folder.join(format!("{name}.json")).display().to_string(),
            })
        })
        .collect();
    let document = serde_json::json!({
        "tool": super::profile::tool(),
        "demo": checks,
        "replays_to_the_same": same,
        "took_s": (took.seconds() * 10.0).round() / 10.0,
    });
    serde_json::to_string_pretty(&document).unwrap_or_default()
}

fn capture_of(folder: &Path, name: &str) -> PathBuf {
    folder.join(format!("{name}.pcapng"))
}

/// The folder asked for, or a new one here.
fn new_folder(keep: Option<&Path>) -> Result<PathBuf, Failure> {
    let folder = keep.map_or_else(
        || {
            let more = (2..1000).map(|number| PathBuf::from(format!("wattward-demo-{number}")));
            let mut names = std::iter::once(PathBuf::from("wattward-demo")).chain(more);
            names.find(|path| !path.exists()).unwrap_or_else(|| PathBuf::from("wattward-demo"))
        },
        Path::to_path_buf,
    );
    let shown = folder.display();
    let busy = std::fs::read_dir(&folder).is_ok_and(|mut entries| entries.next().is_some());
    if busy {
        return Err(Failure::usage(format!("{shown} is not empty"))
            .hint("name a new folder: what a check leaves is evidence and is never written over"));
    }
    std::fs::create_dir_all(&folder)
        .map_err(|error| Failure::usage(format!("{shown} cannot be made: {error}")))?;
    Ok(folder)
}

#[expect(clippy::disallowed_methods, reason = "the command line writes the demo's files")]
fn write(path: &Path, text: &str) -> Result<(), Failure> {
    std::fs::write(path, text)
        .map_err(|error| Failure::nothing(format!("{} cannot be written: {error}", path.display())))
}
