//! Questions between the steps, answered by a typed line.

use crate::base::Failure;
use crate::cli::out::Out;
use crate::report::text::wrapped;
use crate::rim::person::{Listening, Typed};

/// What was typed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Answer {
    /// A line; empty for Enter alone.
    Text(String),
    /// `s`, with what stands behind it.
    Skip(String),
    /// `q`, Ctrl-C, or nobody types any more.
    Leave,
}

/// Asks, and waits for a line.
pub(super) fn ask(question: &str, out: &Out) -> Result<Answer, Failure> {
    // A question is no chatter: `--quiet` does not take it away.
    let listening = Listening::begin()?;
    // What reads this from a pipe wants one line.
    if out.live {
        out.error(wrapped(">> ", question, out.width).trim_end());
    } else {
        out.error(&format!(">> {question}"));
    }
    Ok(match listening.wait() {
        Typed::Line(line) => understood(&line),
        Typed::End | Typed::Interrupt => Answer::Leave,
    })
}

fn understood(line: &str) -> Answer {
    let line = line.trim();
    match line.split_once(char::is_whitespace).unwrap_or((line, "")) {
        ("q" | "Q", "") => Answer::Leave,
        ("s" | "S", reason) => Answer::Skip(reason.trim().to_owned()),
        _ => Answer::Text(line.to_owned()),
    }
}

/// Asks until the answer can be read; Enter alone takes what stands in brackets. Nothing when the person leaves.
pub(super) fn asked<T>(
    question: &str,
    standard: &str,
    out: &Out,
    read: impl Fn(&str) -> Result<T, String>,
) -> Result<Option<T>, Failure> {
    let whole = if standard.is_empty() { question.to_owned() } else { format!("{question} [{standard}]") };
    loop {
        let text = match ask(&whole, out)? {
            Answer::Leave => return Ok(None),
            Answer::Skip(_) => {
                out.error("this is needed; q leaves");
                continue;
            }
            Answer::Text(text) if text.is_empty() => standard.to_owned(),
            Answer::Text(text) => text,
        };
        match read(&text) {
            Ok(value) => return Ok(Some(value)),
            Err(why) => out.error(&why),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_stands_behind_the_s() {
        assert_eq!(understood(" s no load at hand "), Answer::Skip("no load at hand".into()));
        assert_eq!(understood("s"), Answer::Skip(String::new()));
        assert_eq!(understood("q"), Answer::Leave);
        assert_eq!(understood(""), Answer::Text(String::new()));
        assert_eq!(understood("site A"), Answer::Text("site A".into()));
        assert_eq!(understood("q what"), Answer::Text("q what".into()));
    }
}
