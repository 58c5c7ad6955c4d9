//! Where a command's words go: results to standard output, everything else to standard error. A closed pipe is silent and
//! changes no verdict.

use std::io::{IsTerminal, Write};
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::report::text::wrapped;

/// Rows of the screen between the first of the status and the cursor.
static BELOW: AtomicUsize = AtomicUsize::new(0);

/// The two streams and how they want to be written.
#[expect(clippy::struct_excessive_bools, reason = "independent facts about the streams")]
#[derive(Clone, Copy, Debug)]
pub(crate) struct Out {
    /// Machines read standard output: one JSON document and nothing else.
    pub(crate) json: bool,
    /// Results of parts are not printed: the command prints one document of its own.
    pub(crate) part: bool,
    /// Only results and errors.
    pub(crate) quiet: bool,
    /// Colour on standard output.
    pub(crate) colour: bool,
    /// Colour on standard error.
    pub(crate) colour_on_error: bool,
    /// Standard error is a terminal: a status line may redraw itself.
    pub(crate) live: bool,
    /// Columns to fit into.
    pub(crate) width: usize,
}

impl Out {
    /// As the streams are; `NO_COLOR` (an informal standard) turns colour off.
    pub(crate) fn new(json: bool, quiet: bool) -> Self {
        let stdout = std::io::stdout();
        let no_colour = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        let terminal = stdout.is_terminal();
        let columns = rustix::termios::tcgetwinsize(&stdout).map_or(0, |size| usize::from(size.ws_col));
        Self {
            json,
            part: false,
            quiet,
            colour: terminal && !no_colour && !json,
            colour_on_error: std::io::stderr().is_terminal() && !no_colour,
            live: std::io::stderr().is_terminal() && !quiet,
            width: if columns == 0 { 99 } else { columns.clamp(40, 120) },
        }
    }

    /// A result, to standard output.
    pub(crate) fn print(&self, text: &str) {
        if self.part {
            return;
        }
        let mut stdout = std::io::stdout().lock();
        // A reader that went away (`| head`) is no error of ours.
        let _ = stdout
            .write_all(text.as_bytes())
            .and_then(|()| if text.ends_with('\n') { Ok(()) } else { stdout.write_all(b"\n") });
        let _ = stdout.flush();
    }

    /// Something for the person at the screen, to standard error; not with `--quiet`.
    pub(crate) fn note(&self, text: &str) {
        if !self.quiet {
            self.error(text);
        }
    }

    /// The same of a sentence, broken between words where a person reads it on a terminal.
    pub(crate) fn flow(&self, text: &str) {
        self.note(&self.broken(text));
    }

    /// A sentence in lines that the terminal need not break; whole for a program.
    pub(crate) fn broken(&self, text: &str) -> String {
        if self.live {
            wrapped("", text, self.width.saturating_sub(1)).trim_end().to_owned()
        } else {
            text.to_owned()
        }
    }

    /// An error or a safety caution, to standard error.
    pub(crate) fn error(&self, text: &str) {
        let mut stderr = std::io::stderr().lock();
        if self.live {
            erase(&mut stderr);
        }
        let _ = stderr.write_all(text.as_bytes());
        let _ = stderr.write_all(b"\n");
    }

    /// A line that replaces itself, on a terminal only; several lines where the text has them, as many as fit.
    pub(crate) fn status(&self, text: &str) {
        if !self.live {
            return;
        }
        let (columns, rows) = self.screen();
        let mut stderr = std::io::stderr().lock();
        erase(&mut stderr);
        let lines: Vec<String> = text
            .lines()
            .take(rows.saturating_sub(1).max(1))
            .map(|line| line.chars().take(columns.saturating_sub(1)).collect())
            .collect();
        BELOW.store(lines.len().saturating_sub(1), Ordering::Relaxed);
        let _ = stderr.write_all(lines.join("\r\n").as_bytes());
        let _ = stderr.flush();
    }

    /// Columns and rows of the terminal that the status stands on.
    pub(crate) fn screen(&self) -> (usize, usize) {
        let size = rustix::termios::tcgetwinsize(std::io::stderr()).ok();
        let of = |cells: u16, usual: usize| if cells == 0 { usual } else { usize::from(cells) };
        size.map_or((self.width, 24), |size| (of(size.ws_col, self.width), of(size.ws_row, 24)))
    }

    /// A line was typed: its end moved the cursor down.
    pub(crate) fn typed(&self) {
        if self.live {
            BELOW.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Takes the status line away.
    pub(crate) fn clear_status(&self) {
        self.status("");
    }
}

/// Takes the status away, whatever rows it has.
fn erase(stderr: &mut impl Write) {
    let below = BELOW.swap(0, Ordering::Relaxed);
    if below > 0 {
        let _ = write!(stderr, "\x1b[{below}A");
    }
    let _ = stderr.write_all(b"\r\x1b[J");
}
