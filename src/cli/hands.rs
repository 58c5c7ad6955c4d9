//! Who does what a live check asks for: the person at the terminal, or the demo's simulated hands. A live procedure asks
//! through [`Hands`] only, so that both go through the same code.
//!
//! ```text
//! hands.ask(session.now(), &prompt);
//! loop {
//!     let reply = match session.next(soon) {
//!         Event::Line(line) => hands.reply(session.now(), Some(&line)),
//!         Event::Tick => hands.reply(session.now(), None),
//!         ...                                        // records go to the pipeline meanwhile
//!     };
//!     ...                                            // Done: mark it; Skip; Stop
//! }
//! ```
//!
//! Call `reply` at least every 50 ms while a prompt stands: simulated hands move in it.

use super::out::Out;
use super::page::{Page, Sheet};
use super::watch::board::Board;
use crate::base::Stamp;
use crate::profile::Site;
use crate::record::MarkKind;
use crate::report::text::wrapped;

/// What is to be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Ask {
    /// Whatever the text says, then say so: cautions read, plant prepared.
    Ready,
    /// Switch a known load, named as in the site file.
    Load {
        /// Its name.
        name: String,
        /// On or off.
        on: bool,
    },
    /// Switch a plant, named as in the site file.
    Plant {
        /// Its name.
        name: String,
        /// On or off.
        on: bool,
    },
    /// Take the steering signal of a plant away, or give it back.
    Signal {
        /// Name of the plant.
        plant: String,
        /// There, or taken away.
        on: bool,
    },
    /// Make sure that a storage neither charges nor discharges.
    StorageIdle {
        /// Name of the plant.
        plant: String,
    },
}

/// Something asked of the person.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Prompt {
    /// What is to be done.
    pub(crate) ask: Ask,
    /// The same in words, one line.
    pub(crate) text: String,
}

impl Prompt {
    /// What, and its words.
    pub(crate) fn new(ask: Ask, text: impl Into<String>) -> Self {
        Self { ask, text: text.into() }
    }
}

/// What came of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Reply {
    /// It is done, just now.
    Done,
    /// It can't be done, or is not wanted: go on without it.
    Skip,
    /// End the check; what was recorded is kept.
    Stop,
}

/// Whoever stands at the site.
pub(crate) trait Hands {
    /// Whether lines typed on standard input are meant for these hands (`SessionPlan::keyboard`).
    fn types(&self) -> bool;
    /// Puts a prompt. The next replies are about it.
    fn ask(&mut self, now: Stamp, prompt: &Prompt);
    /// What came of the prompt, if anything has; `typed` is a line typed meanwhile. Without a prompt, a typed line may
    /// still ask to stop.
    fn reply(&mut self, now: Stamp, typed: Option<&str>) -> Option<Reply>;
    /// Something to know that asks for nothing: what is seen, how long it still takes.
    fn tell(&mut self, text: &str);
    /// Something that must not be missed; the terminal has it already.
    fn alarm(&mut self, _text: &str) {}
    /// Whether anybody looks elsewhere than at the terminal, and wants the readings.
    fn looks(&self) -> bool {
        false
    }
    /// How the readings stand, for them.
    fn show(&mut self, _now: Stamp, _board: &Board) {}
    /// A mark of this kind is about to be made: when what it says was done, where the hands know that better than by now.
    fn marks(&mut self, _now: Stamp, _kind: MarkKind) -> Option<Stamp> {
        None
    }
}

/// The person at the terminal: prompts on standard error, answers as typed lines, or by the phone page where there is one.
#[derive(Debug)]
pub(crate) struct Person {
    out: Out,
    asked: bool,
    /// The keys have been explained.
    told: bool,
    sheet: Option<Sheet>,
}

/// What can be typed at a prompt, at first and from then on.
const KEYS: [&str; 2] = ["[Enter: done; s Enter: cannot; q Enter: stop]", "[Enter, s or q]"];

impl Person {
    /// Who reads this and types there.
    pub(crate) const fn new(out: Out) -> Self {
        Self { out, asked: false, told: false, sheet: None }
    }

    /// The same with a page beside the terminal, where there is one.
    pub(crate) fn with_page(self, page: Option<&Page>, site: &Site, doing: &str) -> Self {
        Self { sheet: page.map(|page| Sheet::new(page, site, doing)), ..self }
    }

    /// What came of a prompt, typed at the terminal.
    fn typed(&mut self, typed: &str) -> Option<Reply> {
        let reply = match typed.trim().to_lowercase().as_str() {
            "q" | "quit" | "stop" => Reply::Stop,
            _ if !self.asked => return None,
            "" | "y" | "yes" | "ok" | "done" => Reply::Done,
            "s" | "skip" | "n" | "no" => Reply::Skip,
            other => {
                self.out
                    .error(&format!("`{other}`? Enter when done, s Enter to go on without, q Enter to stop"));
                return None;
            }
        };
        self.asked = false;
        Some(reply)
    }
}

impl Hands for Person {
    fn types(&self) -> bool {
        true
    }

    fn ask(&mut self, _now: Stamp, prompt: &Prompt) {
        self.asked = true;
        let keys = KEYS[usize::from(std::mem::replace(&mut self.told, true))];
        let text = format!("{}  {keys}", prompt.text.trim_end_matches('.'));
        // What reads this from a pipe wants one line.
        let text = if self.out.live {
            wrapped(">> ", &text, self.out.width).trim_end().to_owned()
        } else {
            format!(">> {text}")
        };
        // a prompt is no chatter: `--quiet` does not take it away
        self.out.error(&text);
        if let Some(sheet) = &mut self.sheet {
            sheet.ask(prompt);
        }
    }

    fn reply(&mut self, _now: Stamp, typed: Option<&str>) -> Option<Reply> {
        if let Some(line) = typed {
            let reply = self.typed(line)?;
            if let Some(sheet) = &mut self.sheet {
                sheet.closed();
            }
            return Some(reply);
        }
        if !self.sheet.as_mut().is_some_and(Sheet::pressed) {
            return None;
        }
        // From here on as if Enter had been typed.
        let reply = self.typed("");
        self.out.note("   (done, says the phone)");
        reply
    }

    fn tell(&mut self, text: &str) {
        let fits = |line: &str| !self.out.live || line.chars().count() <= self.out.width;
        let lines = text.lines().map(|line| {
            if fits(line) { line.to_owned() } else { wrapped("", line, self.out.width).trim_end().to_owned() }
        });
        self.out.note(&lines.collect::<Vec<_>>().join("\n"));
        if let Some(sheet) = &mut self.sheet {
            sheet.say(text);
        }
    }

    fn alarm(&mut self, text: &str) {
        if let Some(sheet) = &mut self.sheet {
            sheet.alarm(text);
        }
    }

    fn looks(&self) -> bool {
        self.sheet.as_ref().is_some_and(Sheet::looked_at)
    }

    fn show(&mut self, now: Stamp, board: &Board) {
        if let Some(sheet) = &mut self.sheet {
            sheet.show(now, board);
        }
    }

    fn marks(&mut self, now: Stamp, kind: MarkKind) -> Option<Stamp> {
        self.sheet.as_mut().and_then(|sheet| sheet.marks(now, kind))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_person_answers_by_line_and_only_when_asked() {
        let now = Stamp::from_nanos(0);
        let mut person = Person::new(Out::new(false, true));
        assert_eq!(person.reply(now, Some("")), None);
        assert_eq!(person.reply(now, Some("q")), Some(Reply::Stop));
        person.ask(now, &Prompt::new(Ask::Load { name: "kettle".into(), on: true }, "Kettle ON."));
        assert_eq!(person.reply(now, None), None);
        assert_eq!(person.reply(now, Some("what")), None);
        assert_eq!(person.reply(now, Some(" S ")), Some(Reply::Skip));
        assert_eq!(person.reply(now, Some("")), None);
        person.ask(now, &Prompt::new(Ask::Ready, "Ready?"));
        assert_eq!(person.reply(now, Some("")), Some(Reply::Done));
    }
}
