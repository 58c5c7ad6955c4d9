//! `wattward commission [FOLDER]` guides the whole visit: cautions, site, line, readings beside a clamp meter, CT direction,
//! export limit, document. Everything goes into one folder; what was left goes on when the same command is given again.
//!
//! ```console
//! $ wattward commission mill-cottage                       # asks, and writes the site file
//! $ wattward commission mill-cottage --site cottage.toml   # from a site file
//! ```
//!
//! `--page` gives whoever switches in the house a page on their phone for the two checks (docs/page.md).
//!
//! Each step can be left out with a reason (`s REASON`), which the report repeats. Ctrl-C or `q` leaves; nothing is lost.
//! A CT check that failed can be made again once the clamp, or the setting, is right.
//!
//! Exit codes: 0 every check there is to make passed, 1 one failed, 2 a file or option is wrong, 3 one is inconclusive or was
//! left out, 4 a file of the visit cannot be written, 130 left before the end.

mod ask;
mod beside;
mod diary;
mod interview;
mod kept;
mod site_file;
mod steps;

use std::cell::RefCell;
use std::path::{Path, PathBuf};

use clap::Args;

use self::ask::{Answer, ask};
use self::diary::Book;
use self::steps::{Done, Step};
use super::exit::Exit;
use super::out::Out;
use super::page::{Page, PageArgs};
use super::render;
use crate::base::{Failure, FailureKind, Span};
use crate::report::text::wrapped;
use crate::report::visit::{Came, VisitStep};

/// Options of `commission`.
#[derive(Args, Debug)]
pub(crate) struct CommissionArgs {
    /// The visit's folder; made when it is not there, gone on with when it is
    #[arg(value_name = "FOLDER", default_value = "visit")]
    folder: PathBuf,
    /// A site file [default: the one in the folder, else it is asked for and written there]
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// How long to listen for another master before the first request on a serial line
    #[arg(long, value_name = "TIME", default_value = "5s", value_parser = super::args::span)]
    listen_first: Span,
    #[command(flatten)]
    page: PageArgs,
}

/// A visit under way.
struct Visit<'a> {
    folder: &'a Path,
    site: PathBuf,
    listen_first: Span,
    page: Option<Page>,
    out: &'a Out,
    /// What the step under way has seen, for the diary.
    noted: RefCell<Vec<String>>,
}

impl Visit<'_> {
    /// Does a step, with nothing noted of an attempt before.
    fn fresh(&self, step: Step) -> Result<Done, Failure> {
        self.noted.take();
        step.run(self)
    }

    /// Says something that is also kept in the diary.
    fn note_down(&self, words: &str) {
        self.out.flow(words);
        self.noted.borrow_mut().push(words.to_owned());
    }
}

/// Runs the command.
pub(crate) fn run(args: &CommissionArgs, out: &Out) -> Result<Exit, Failure> {
    // The screens are for a person; what machines want lies in the folder.
    let quiet = Out { json: false, part: out.json, ..*out };
    let folder = args.folder.as_path();
    let mut book = Book::open(folder, args.site.as_deref())?;
    let page = args.page.open(&quiet)?;
    let visit = Visit {
        folder,
        site: book.site(folder),
        listen_first: args.listen_first,
        page,
        out: &quiet,
        noted: RefCell::default(),
    };
    if book.diary.steps.is_empty() {
        quiet.flow(&opening(folder));
    } else {
        quiet.flow(&format!("{} is gone on with.", folder.display()));
    }
    let all = Step::ALL;
    for (number, step) in all.into_iter().enumerate() {
        let head = format!("\n{} of {}  {}", number + 1, all.len(), step.title());
        // What was not called for then may be now.
        let settled = |one: &&VisitStep| step != Step::Report && one.came != Came::Needless;
        if let Some(before) = book.diary.of(step.word()).filter(settled) {
            let how = match (&before.came, &before.reason) {
                (Came::Skipped, reason) => format!("left out: {}", reason.as_deref().unwrap_or("no reason")),
                _ => "done".to_owned(),
            };
            if before.came == Came::Skipped || !step.is_check() || visit.verdict(step).is_some() {
                quiet.note(&format!("{head}: {how}"));
                continue;
            }
            quiet.note(&head);
            quiet.flow(
                "The site file or a profile has been changed since this check was made: it is due again.",
            );
        } else {
            quiet.note(&head);
        }
        if !take(&visit, &mut book, step)? {
            return Ok(left(folder, &quiet));
        }
    }
    if out.json {
        out.print(&book.text());
    }
    Ok(Book::exit(&visit))
}

/// Takes one step until it is done or left out; no when the person leaves.
fn take(visit: &Visit<'_>, book: &mut Book, step: Step) -> Result<bool, Failure> {
    if let Some(why) = step.needless(visit) {
        visit.out.note(&format!("nothing to do: {why}"));
        return book.settle(step, Came::Needless, Some(why), Vec::new()).map(|()| true);
    }
    for words in step.says() {
        visit.out.note(wrapped("- ", words, visit.out.width).trim_end());
    }
    // It did what it does at least once, however it came out.
    let mut made = step.is_check() && visit.verdict(step).is_some();
    loop {
        match ask(step.keys(), visit.out)? {
            Answer::Leave => return Ok(false),
            Answer::Skip(reason) if reason.is_empty() => {
                visit.out.error("say why: it stands in the report. For instance: s no load at hand");
            }
            Answer::Skip(_) if step.must() => visit.out.error("this one cannot be left out"),
            Answer::Skip(reason) => {
                // What was made and is left as it came out is not left out.
                let came = if made { Came::Done } else { Came::Skipped };
                return book.settle(step, came, Some(reason), visit.noted.take()).map(|()| true);
            }
            Answer::Text(text) if !text.is_empty() => visit.out.error(&format!("`{text}`?")),
            Answer::Text(_) => match visit.fresh(step) {
                Ok(Done::Settled) => {
                    return book.settle(step, Came::Done, None, visit.noted.take()).map(|()| true);
                }
                Ok(Done::Again(words)) => {
                    made = true;
                    visit.out.flow(&words);
                }
                Ok(Done::Leave) => return Ok(false),
                Err(failure) if failure.kind == FailureKind::Interrupted => {
                    // How the command by itself would be gone on with leads out of the visit.
                    let failure = Failure { hint: None, ..failure };
                    visit.out.error(&render::failure(&failure, visit.out));
                    return Ok(false);
                }
                Err(failure) => {
                    visit.out.clear_status();
                    visit.out.error(&render::failure(&failure, visit.out));
                    visit.out.flow("Mend it and begin this step again, or leave it out with a reason.");
                }
            },
        }
    }
}

fn left(folder: &Path, out: &Out) -> Exit {
    out.flow(&format!(
        "Left. Everything so far is in {0}; go on with: wattward commission {0}",
        folder.display()
    ));
    Exit::Interrupted
}

fn opening(folder: &Path) -> String {
    format!(
        "A guided visit. It asks for what it needs, step by step. Everything goes to {}/. Leave whenever you like: the same \
         command goes on.",
        folder.display()
    )
}
