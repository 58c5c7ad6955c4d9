//! The steps of a visit, each by the command that does the same by itself.

use std::path::{Path, PathBuf};

use clap::Parser as _;

use super::ask::{Answer, ask};
use super::kept::bearing;
use super::{Visit, beside, interview};
use crate::base::Failure;
use crate::check::Verdict;
use crate::cli::args::{Cli, LiveArgs};
use crate::cli::earlier::Earlier;
use crate::cli::exit::Exit;
use crate::cli::files::site_files;
use crate::cli::hands::Person;
use crate::cli::judge::{Check, Outcome};
use crate::cli::source::SetUp;
use crate::cli::written::write_whole;
use crate::cli::{ct, limit, line};
use crate::report::cautions;
use crate::rim::clock::Clock;

/// A step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// What can hurt.
    Cautions,
    /// The site file.
    Site,
    /// The line.
    Line,
    /// One reading, beside another instrument; settings as found.
    Reading,
    /// CT direction.
    Ct,
    /// Export limit.
    Limit,
    /// Settings as left.
    AsLeft,
    /// The document.
    Report,
}

/// How far a step came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Done {
    /// It need not be taken again.
    Settled,
    /// It can be taken again, or left as it is; in words.
    Again(String),
    /// The person leaves.
    Leave,
}

impl Step {
    /// All of them, in order.
    pub(super) const ALL: [Self; 8] = [
        Self::Cautions,
        Self::Site,
        Self::Line,
        Self::Reading,
        Self::Ct,
        Self::Limit,
        Self::AsLeft,
        Self::Report,
    ];

    /// Its word in the diary and in file names.
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Cautions => "cautions",
            Self::Site => "site",
            Self::Line => "line",
            Self::Reading => "reading",
            Self::Ct => "ct",
            Self::Limit => "limit",
            Self::AsLeft => "as-left",
            Self::Report => "report",
        }
    }

    /// Its title.
    pub(super) const fn title(self) -> &'static str {
        match self {
            Self::Cautions => "Cautions",
            Self::Site => "Site",
            Self::Line => "Line",
            Self::Reading => "Readings beside another instrument, settings as found",
            Self::Ct => "CT direction",
            Self::Limit => "Export limit",
            Self::AsLeft => "Settings as left",
            Self::Report => "Report",
        }
    }

    /// Whether it ends in a verdict.
    pub(super) const fn is_check(self) -> bool {
        matches!(self, Self::Ct | Self::Limit)
    }

    /// Whether the visit cannot go on without it.
    pub(super) const fn must(self) -> bool {
        matches!(self, Self::Cautions | Self::Site)
    }

    /// What can be typed before it begins.
    pub(super) const fn keys(self) -> &'static str {
        match self {
            Self::Cautions => "Enter: read and kept; q: leave the visit",
            Self::Site => "Enter: begin; q: leave the visit",
            _ => "Enter: begin; s and a reason: leave it out; q: leave the visit",
        }
    }

    /// What is said before it begins.
    pub(super) fn says(self) -> Vec<&'static str> {
        match self {
            Self::Cautions => cautions::PANEL.into_iter().chain([cautions::RULES]).collect(),
            Self::Site => Vec::new(),
            Self::Line => vec!["A hundred questions to the meter: does the line carry them?"],
            Self::Reading => vec![
                "What the meter says, and whether it makes sense. Have a clamp meter at hand: what it shows is typed in and kept.",
            ],
            Self::Ct => vec![
                "Known loads go on and off a few times on each phase. Battery and generation off, if you can: they answer back.",
            ],
            Self::Limit => vec![
                "A window in which loads drop while the sun shines and the plant delivers. The operator's consent, a hand at the isolator.",
            ],
            Self::AsLeft => vec!["One more reading: what the meter is set to as you leave."],
            Self::Report => vec!["The document for the file, from everything in the folder."],
        }
    }

    /// Why there is nothing to do here.
    pub(super) fn needless(self, visit: &Visit<'_>) -> Option<String> {
        let site = || site_files(&visit.site).ok().map(|files| files.site);
        match self {
            Self::Limit if site()?.limit.is_none() => Some("the site file has no export limit".to_owned()),
            _ => None,
        }
    }

    /// Does it.
    pub(super) fn run(self, visit: &Visit<'_>) -> Result<Done, Failure> {
        match self {
            Self::Cautions => Ok(Done::Settled),
            Self::Site => site(visit),
            Self::Line => {
                let capture = visit.free(self, "pcapng");
                let exit =
                    visit.command(&["line", "--requests", "100"], &["--capture".into(), text(&capture)])?;
                visit.noted.borrow_mut().extend(line::in_short(&capture)?);
                Ok(settled(exit, "The line does not carry them as it should."))
            }
            Self::Reading => beside::readings(visit, &visit.free(self, "pcapng")),
            Self::Ct => check(visit, Check::Ct),
            Self::Limit => check(visit, Check::Limit),
            Self::AsLeft => {
                let capture = visit.free(self, "pcapng");
                let exit = visit.command(&["read"], &["--capture".into(), text(&capture)])?;
                beside::as_left(visit, &visit.files(Self::Reading, "pcapng"), &capture)?;
                Ok(settled(exit, "Not everything was read."))
            }
            Self::Report => {
                let page = visit.free(self, "html");
                let arguments = ["report".into(), text(visit.folder), "--out".into(), text(&page)];
                let exit = visit.run(&arguments)?;
                Ok(settled(exit, "The folder holds what contradicts itself; the report says where."))
            }
        }
    }
}

/// A command that did what it should settles its step; else it can be begun again.
fn settled(exit: Exit, why: &str) -> Done {
    match exit {
        Exit::Done => Done::Settled,
        _ => Done::Again(format!(
            "{why} Begin this step again once it is mended, or leave it as it is, with a reason."
        )),
    }
}

fn text(path: &Path) -> String {
    path.display().to_string()
}

impl Visit<'_> {
    /// Runs a command on this site's line.
    fn command(&self, words: &[&str], more: &[String]) -> Result<Exit, Failure> {
        let listen = format!("{}s", self.listen_first.seconds());
        let site = ["--site".into(), text(&self.site), "--listen-first".into(), listen];
        let words = words.iter().map(|word| (*word).to_owned());
        self.run(&words.chain(site).chain(more.iter().cloned()).collect::<Vec<_>>())
    }

    /// Runs a command, and shows it: the person can type the same.
    fn run(&self, arguments: &[String]) -> Result<Exit, Failure> {
        self.out.note(&format!("$ wattward {}", arguments.join(" ")));
        let typed = std::iter::once("wattward".to_owned()).chain(arguments.iter().cloned());
        let cli = Cli::try_parse_from(typed).map_err(|error| Failure::usage(error.to_string()))?;
        crate::cli::run(cli.command, self.out)
    }

    /// The site with its profiles.
    pub(super) fn set_up(&self) -> Result<SetUp, Failure> {
        let files = site_files(&self.site)?;
        Ok(SetUp { site: files.site, profiles: files.profiles, warnings: files.warnings })
    }

    /// How the line is used.
    pub(super) fn live(&self, capture: PathBuf) -> LiveArgs {
        LiveArgs {
            listen: false,
            capture: Some(capture),
            listen_first: self.listen_first,
            share_line: false,
            every: None,
        }
    }
}

fn site(visit: &Visit<'_>) -> Result<Done, Failure> {
    if !visit.site.exists() {
        let Some(text) = interview::interview(visit.out)? else { return Ok(Done::Leave) };
        write_whole(&visit.site, &text)?;
        visit.out.note(&format!("\n{text}\nin {}", visit.site.display()));
    }
    let files = site_files(&visit.site)?;
    for faults in &files.warnings {
        visit.out.note(&crate::cli::render::faults(faults, visit.out));
    }
    let meters: Vec<String> = files
        .site
        .meters
        .iter()
        .map(|meter| {
            let serial = meter
                .serial
                .as_ref()
                .map_or("no serial number given".to_owned(), |serial| format!("serial number {serial}"));
            format!("{} ({}, {serial})", meter.name, meter.role.word())
        })
        .collect();
    visit.out.flow(&format!("{}: {}", files.site.name, meters.join(", ")));
    Ok(Done::Settled)
}

/// A check with its document beside its capture.
fn check(visit: &Visit<'_>, check: Check) -> Result<Done, Failure> {
    let step = if check == Check::Ct { Step::Ct } else { Step::Limit };
    let capture = visit.free(step, "pcapng");
    let args = visit.live(capture.clone());
    let site = visit.set_up()?.site;
    let mut person = Person::new(*visit.out).with_page(visit.page.as_ref(), &site, step.title());
    let (outcome, _): (Outcome, Exit) = match check {
        Check::Ct => {
            let (earlier, set_up, options) = unfinished(visit)?;
            ct::go_on(earlier, set_up, &args, &options, &mut person, visit.out)?
        }
        Check::Limit => {
            let mut options = Vec::new();
            if visit.verdict(Step::Ct).as_deref() == Some("pass")
                && let Some(document) = visit.newest(Step::Ct, "json")
            {
                options.push(limit::ct_option(&document)?);
            }
            let question = "Take the steering signal away in the window as well, to see the fail-safe? y, or Enter for no";
            match ask(question, visit.out)? {
                Answer::Leave => return Ok(Done::Leave),
                Answer::Text(text) if text.eq_ignore_ascii_case("y") => options.push("--signal-loss".into()),
                Answer::Text(_) | Answer::Skip(_) => {}
            }
            limit::run_window(visit.set_up()?, &args, &options, &mut person, visit.out)?
        }
    };
    let document = outcome.judged.document(&outcome.case.site.name, Some(&outcome.captures));
    write_whole(&capture.with_extension("json"), &(document + "\n"))?;
    Ok(match outcome.judged.verdict() {
        Verdict::Pass => Done::Settled,
        Verdict::Fail if check == Check::Ct => Done::Again(
            "Those licensed to do so correct the clamp or the setting, never both. Then begin this step again; or leave it \
             as it is, with a reason."
                .into(),
        ),
        _ => Done::Again("Begin it again once what stands above is mended, or leave it as it is, with a reason.".into()),
    })
}

/// A CT check that was left, with what goes on with it; else a new one, also where the site file or a profile was changed
/// since: what was recorded by the old one is no part of a check by the new one.
fn unfinished(visit: &Visit<'_>) -> Result<(Earlier, SetUp, Vec<String>), Failure> {
    let now = visit.set_up()?;
    let mut parts = visit.files(Step::Ct, "pcapng");
    let judged = parts.iter().rposition(|capture| capture.with_extension("json").exists());
    parts.drain(..judged.map_or(0, |index| index + 1));
    // The newest part says by which earlier ones it has to be read; a part that was begun anew leaves those before it out.
    let mut why = None;
    for first in (0..parts.len()).rev() {
        match Earlier::read(Check::Ct, &parts[first..], Clock::start().now(), visit.out) {
            Ok((earlier, then, options)) if bearing(Step::Ct, &then) == bearing(Step::Ct, &now) => {
                return Ok((earlier, then, options));
            }
            Ok(_) => {
                why = Some("the site file or a profile has been changed since".to_owned());
                break;
            }
            Err(failure) => why = Some(why.unwrap_or(failure.message)),
        }
    }
    if let Some(why) = why {
        visit.out.flow(&format!("The check that was left is begun anew: {why}."));
    }
    Ok((Earlier::default(), now, Vec::new()))
}
