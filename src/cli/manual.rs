//! `wattward manual [COMMAND]` shows what a command does, with an example and its exit codes; the same as pages for `man`,
//! and completions for a shell.
//!
//! ```console
//! $ wattward manual ct
//! $ wattward manual --completions bash > ~/.local/share/bash-completion/completions/wattward
//! $ wattward manual --pages ~/.local/share/man/man1
//! ```
//!
//! Exit codes: 0 shown or written, 2 there is no such command, 4 a page cannot be written.

mod page;
mod text;

use std::path::{Path, PathBuf};

use clap::{Args, Command, CommandFactory as _};
use clap_complete::Shell;

use self::text::Manual;
use super::args::Cli;
use super::exit::Exit;
use super::out::Out;
use super::written::write_whole;
use crate::base::Failure;

/// Options of `manual`.
#[derive(Args, Debug)]
pub(crate) struct ManualArgs {
    /// The command: ct, or profile fit
    #[arg(value_name = "COMMAND")]
    command: Vec<String>,
    /// Print what completes commands and options in this shell
    #[arg(long, value_name = "SHELL", value_enum, conflicts_with_all = ["command", "pages"])]
    completions: Option<Shell>,
    /// Write a page for `man` of every command into this folder
    #[arg(long, value_name = "FOLDER", conflicts_with = "command")]
    pages: Option<PathBuf>,
}

/// Where the manual of a command stands: on top of its file. `check` and `show` have theirs on top of `profile`.
const MANUALS: [(&str, &str); 27] = [
    ("commission", include_str!("commission.rs")),
    ("ports", include_str!("ports.rs")),
    ("find", include_str!("find.rs")),
    ("line", include_str!("line.rs")),
    ("listen", include_str!("listen.rs")),
    ("watch", include_str!("watch.rs")),
    ("read", include_str!("read.rs")),
    ("log", include_str!("log.rs")),
    ("ct", include_str!("ct.rs")),
    ("limit", include_str!("limit.rs")),
    ("replay", include_str!("replay.rs")),
    ("report", include_str!("report.rs")),
    ("review", include_str!("review.rs")),
    ("capture", include_str!("capture.rs")),
    ("capture cut", include_str!("capture.rs")),
    ("capture join", include_str!("capture.rs")),
    ("capture scrub", include_str!("capture.rs")),
    ("convert", include_str!("convert.rs")),
    ("profile", include_str!("profile.rs")),
    ("profile check", include_str!("profile.rs")),
    ("profile show", include_str!("profile.rs")),
    ("profile fit", include_str!("profile/fit.rs")),
    ("profile import", include_str!("profile/import.rs")),
    ("profile new", include_str!("profile/new.rs")),
    ("demo", include_str!("demo.rs")),
    ("simulate", include_str!("simulate.rs")),
    ("manual", include_str!("manual.rs")),
];

/// The manual of a command, named as it is typed.
fn manual(command: &str) -> Option<Manual> {
    let (_, file) = MANUALS.iter().find(|(name, _)| *name == command)?;
    Some(Manual::on_top_of(file))
}

/// All commands, each with what is typed for it; the program itself first.
fn all() -> Vec<(String, Command)> {
    fn below(typed: &str, command: &Command, list: &mut Vec<(String, Command)>) {
        list.push((typed.to_owned(), command.clone()));
        for one in command.get_subcommands() {
            let typed = format!("{typed} {}", one.get_name());
            below(typed.trim(), one, list);
        }
    }
    let mut whole = Cli::command().disable_help_subcommand(true);
    whole.build();
    let mut list = Vec::new();
    below("", &whole, &mut list);
    list
}

/// Runs the command.
pub(crate) fn run(args: &ManualArgs, out: &Out) -> Result<Exit, Failure> {
    if let Some(shell) = args.completions {
        let mut script = Vec::new();
        clap_complete::generate(shell, &mut Cli::command(), env!("CARGO_PKG_NAME"), &mut script);
        out.print(&String::from_utf8_lossy(&script));
    } else if let Some(folder) = &args.pages {
        let count = pages(folder)?;
        out.print(&format!(
            "{count} pages in {}; `man wattward` once that folder is in the path of `man`",
            folder.display()
        ));
    } else {
        out.print(&shown(&args.command.join(" "), out)?);
    }
    Ok(Exit::Done)
}

/// The manual on a screen, then what the options are.
fn shown(command: &str, out: &Out) -> Result<String, Failure> {
    let all = all();
    let found = all.into_iter().find(|(typed, _)| typed == command);
    let Some((_, mut found)) = found else {
        return Err(
            Failure::usage(format!("there is no command `{command}`")).hint("`wattward --help` lists them")
        );
    };
    let options = found.render_help().to_string();
    Ok(match manual(command) {
        Some(manual) => manual.screen(out.width) + from_usage(&options),
        None => found.render_long_help().to_string(),
    })
}

/// Help without the sentence it begins with, which the manual says better.
fn from_usage(help: &str) -> &str {
    help.find("Usage:").map_or(help, |at| &help[at..])
}

fn pages(folder: &Path) -> Result<usize, Failure> {
    if !folder.is_dir() {
        return Err(Failure::usage(format!("there is no folder {}", folder.display())).hint("make it first"));
    }
    let all = all();
    for (typed, command) in &all {
        let name = format!("{} {typed}", env!("CARGO_PKG_NAME")).trim().replace(' ', "-");
        let page = page::page(command, manual(typed).as_ref())
            .map_err(|error| Failure::nothing(format!("the page of {name} cannot be made: {error}")))?;
        write_whole(&folder.join(format!("{name}.1")), &page)?;
    }
    Ok(all.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_command_has_a_manual_with_its_exit_codes() {
        for (typed, _) in all().into_iter().skip(1) {
            let manual =
                manual(&typed).unwrap_or_else(|| panic!("`{typed}` has no manual: add it to MANUALS"));
            let text = manual.screen(80);
            assert!(text.contains(&format!("wattward {typed}")), "{typed}: {text}");
            assert!(text.contains("Exit"), "`{typed}` does not say how it ends: {text}");
            // A link of the code's own documentation is nothing to read.
            assert!(!text.contains("[`"), "{text}");
            assert!(
                text.lines().filter(|line| !line.starts_with("    ")).all(|line| line.chars().count() <= 80),
                "{text}"
            );
        }
        assert_eq!(all().len(), MANUALS.len() + 1, "a manual of a command that is no more");
    }

    #[test]
    fn a_page_says_what_the_manual_says() {
        let (typed, command) =
            all().into_iter().find(|(typed, _)| typed == "profile fit").expect("a command");
        let page = page::page(&command, manual(&typed).as_ref()).expect("a page");
        for words in [
            ".TH wattward-profile-fit 1",
            "SYNOPSIS",
            "DESCRIPTION",
            ".nf",
            "\\-\\-explain",
            "Three such snapshots",
        ] {
            assert!(page.contains(words), "{words}: {page}");
        }
        // A line of an example that begins with a point is no instruction of the page.
        assert!(!page.lines().any(|line| line.starts_with("..") || line.starts_with("…")), "{page}");
    }
}
