//! A live check as its procedure sees it: ask the hands, wait, mark; lines, pipeline and interruptions are dealt with here.

use std::path::PathBuf;

use super::args::LiveArgs;
use super::earlier::Earlier;
use super::hands::{Hands, Prompt, Reply};
use super::judge::{Check, Outcome, conclude};
use super::live::{Live, Purpose, Step};
use super::out::Out;
use super::remarks::words;
use super::source::SetUp;
use super::subject::no_answer;
use super::watch::board::Board;
use crate::base::{Failure, FailureKind, Span, Stamp};
use crate::evidence::Case;
use crate::reading::Remark;
use crate::record::{Mark, MarkKind};
use crate::report::table::latest;
use crate::report::text::wrapped;

mod typed;

pub(crate) use typed::Values;

/// How often hands are looked at while a prompt stands.
const LOOK: Span = Span::from_millis(50);
/// How often the status line is drawn anew.
const DRAW: Span = Span::from_millis(500);
/// How long a meter may take, after the listening, until its first reading.
const FIRST: Span = Span::from_millis(15_000);

/// A live check under way.
pub(crate) struct Visit<'a> {
    live: Live,
    hands: &'a mut dyn Hands,
    out: &'a Out,
    check: Check,
    drawn: Stamp,
    /// The readings for whoever looks elsewhere than at the terminal, and when they were shown there last.
    board: (Board, Stamp),
    /// Captures of the parts before this one.
    earlier: Vec<PathBuf>,
    values: Option<Values>,
    longer: Vec<Option<Span>>,
    /// Nobody will type any more.
    input_ended: bool,
}

/// How a wait ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Waited {
    /// The time has come.
    Through,
    /// The person wants to stop; what was recorded is judged.
    Stopped,
}

impl<'a> Visit<'a> {
    /// Opens the lines, notes the check with its options, and waits for the first reading.
    ///
    /// # Errors
    /// The line cannot be opened, another master is on it, or no meter answers; interrupted.
    pub(crate) fn begin(
        check: Check,
        options: &[String],
        set_up: SetUp,
        args: &LiveArgs,
        hands: &'a mut dyn Hands,
        out: &'a Out,
    ) -> Result<Self, Failure> {
        Self::go_on(Earlier::default(), check, options, set_up, args, hands, out)
    }

    /// The same, going on with a check that was left.
    ///
    /// # Errors
    /// As `begin`.
    pub(crate) fn go_on(
        earlier: Earlier,
        check: Check,
        options: &[String],
        set_up: SetUp,
        args: &LiveArgs,
        hands: &'a mut dyn Hands,
        out: &'a Out,
    ) -> Result<Self, Failure> {
        let purpose = Purpose {
            name: check.word(),
            evidence: true,
            meters: Vec::new(),
            cycles: None,
            settings: true,
            segments: None,
            keyboard: hands.types(),
        };
        let (captures, resume) = (earlier.captures.clone(), earlier.option());
        let site = set_up.site.clone();
        let live = Live::begin_after(earlier, set_up, args, purpose, out)?;
        let began = live.now();
        let board = (Board::new(&site, live.every()), began);
        let mut visit = Self {
            live,
            hands,
            out,
            check,
            drawn: began,
            board,
            earlier: captures,
            values: None,
            longer: Vec::new(),
            input_ended: false,
        };
        let mut lines = vec![check.word().to_owned()];
        lines.extend(options.iter().cloned());
        lines.extend(resume);
        if args.share_line {
            lines.push("--share-line".into());
        }
        visit.mark_with(MarkKind::CheckStart, &format!("{} starts", check.word()), |mark| {
            mark.text = Some(lines.join("\n"));
        });
        let until = visit.now() + args.listen_first + FIRST;
        let reads = |case: &Case| {
            let mut all = case.meters.iter().flat_map(|meter| meter.series.points.values());
            all.any(|one| one.samples.last().is_some_and(|last| last.at >= began))
        };
        while !reads(&visit.case()) {
            if visit.now() >= until {
                return Err(visit.give_up(no_answer()));
            }
            let soon = visit.now() + DRAW;
            visit.wait(soon, |_| "waiting for the first reading".into())?;
        }
        Ok(visit)
    }

    /// The session's time now.
    pub(crate) fn now(&self) -> Stamp {
        self.live.now()
    }

    /// How often every meter is read; `None` when only listening.
    pub(crate) fn every(&self) -> Option<Span> {
        self.live.every()
    }

    /// Everything so far, the reading in progress left out.
    pub(crate) fn case(&self) -> Case {
        self.live.pipeline.so_far()
    }

    /// Something to know that asks for nothing.
    pub(crate) fn tell(&mut self, text: &str) {
        self.out.clear_status();
        // A terminal would break a long line within a word.
        let width = self.columns().unwrap_or(usize::MAX).saturating_sub(1);
        if text.contains('\n') || text.chars().count() <= width {
            self.hands.tell(text);
        } else {
            let words = text.trim_start_matches([' ', '-']);
            let lead = &text[..text.len() - words.len()];
            self.hands.tell(wrapped(lead, words, width).trim_end());
        }
    }

    /// Something about the readings that does not make sense.
    pub(crate) fn remark(&mut self, remark: &Remark) {
        let words = words(remark, self.out);
        self.tell(words.trim_end());
    }

    /// Asks the hands and waits for what comes of it.
    ///
    /// # Errors
    /// Interrupted, another master, or the session cannot go on.
    pub(crate) fn ask(&mut self, prompt: &Prompt) -> Result<Reply, Failure> {
        self.ask_looking(prompt, |_| None)
    }

    /// The same, looking twice a second meanwhile: `look` gives the status, if there is any, and whether it is over whatever
    /// the hands do; that counts as a stop.
    ///
    /// # Errors
    /// As `ask`.
    pub(crate) fn ask_looking(
        &mut self,
        prompt: &Prompt,
        mut look: impl FnMut(&mut Self) -> Option<(String, bool)>,
    ) -> Result<Reply, Failure> {
        self.out.clear_status();
        self.hands.ask(self.now(), prompt);
        loop {
            let typed = match self.step(self.now() + LOOK)? {
                Step::Line(line) => self.heard(line).and_then(|line| self.not_a_value(line)),
                _ => None,
            };
            // Nobody will answer any more: judge what there is.
            if self.input_ended && self.hands.types() {
                return Ok(Reply::Stop);
            }
            if let Some(reply) = self.hands.reply(self.now(), typed.as_deref()) {
                return Ok(reply);
            }
            if self.now() - self.drawn >= DRAW {
                self.drawn = self.now();
                if let Some((status, over)) = look(self) {
                    self.out.status(&status);
                    if over {
                        return Ok(Reply::Stop);
                    }
                }
            }
        }
    }

    /// Waits as `wait` does, looking twice a second: `look` gives the status line, and whether the wait is over early.
    ///
    /// # Errors
    /// As `ask`.
    pub(crate) fn watch(
        &mut self,
        until: Stamp,
        mut look: impl FnMut(&mut Self) -> (String, bool),
    ) -> Result<Waited, Failure> {
        while self.now() < until {
            if self.now() - self.drawn >= DRAW {
                self.drawn = self.now();
                let (status, over) = look(self);
                self.out.status(&status);
                if over {
                    return Ok(Waited::Through);
                }
            }
            if self.stopped(until)? {
                return Ok(Waited::Stopped);
            }
        }
        Ok(Waited::Through)
    }

    /// Looks at the hands once, at the latest at `until`; whether they want to stop.
    fn stopped(&mut self, until: Stamp) -> Result<bool, Failure> {
        let typed = match self.step(until.min(self.now() + LOOK))? {
            Step::Line(line) => self.heard(line).and_then(|line| self.not_a_value(line)),
            _ => None,
        };
        Ok(self.hands.reply(self.now(), typed.as_deref()) == Some(Reply::Stop))
    }

    /// Whether pictures may be drawn between the status lines: a person looks at a terminal.
    pub(crate) const fn draws(&self) -> bool {
        self.out.live
    }

    /// Columns of the terminal a person looks at; nothing where nobody does.
    pub(crate) fn columns(&self) -> Option<usize> {
        self.out.live.then(|| self.out.screen().0)
    }

    /// Something that must not be missed: said also when quiet, with the terminal's bell.
    pub(crate) fn alarm(&mut self, text: &str) {
        self.out.clear_status();
        let bell = if self.out.live { "\x07" } else { "" };
        self.out.error(&format!("{bell}{text}"));
        self.hands.alarm(text);
    }

    /// Waits; `status` gives the line shown meanwhile.
    ///
    /// # Errors
    /// As `ask`.
    pub(crate) fn wait(
        &mut self,
        until: Stamp,
        mut status: impl FnMut(&Self) -> String,
    ) -> Result<Waited, Failure> {
        while self.now() < until {
            if self.now() - self.drawn >= DRAW {
                self.drawn = self.now();
                self.out.status(&status(self));
            }
            if self.stopped(until)? {
                return Ok(Waited::Stopped);
            }
        }
        Ok(Waited::Through)
    }

    /// Notes something now.
    pub(crate) fn mark(&mut self, kind: MarkKind, message: &str) {
        self.mark_with(kind, message, |_| {});
    }

    /// Notes something now, with fields.
    pub(crate) fn mark_with(&mut self, kind: MarkKind, message: &str, fill: impl FnOnce(&mut Mark)) {
        let now = self.now();
        let at = self.hands.marks(now, kind).unwrap_or(now);
        let mut mark = Mark::new(at, kind, message);
        fill(&mut mark);
        self.live.mark(mark);
    }

    /// Ends the recording and judges it.
    ///
    /// # Errors
    /// The disk did not take all of it.
    pub(crate) fn conclude(mut self) -> Result<(Outcome, super::exit::Exit), Failure> {
        self.out.clear_status();
        self.live.stop();
        self.mark(MarkKind::CheckEnd, &format!("{} ends", self.check.word()));
        let (check, out) = (self.check, self.out);
        let (closed, _) = self.live.close()?;
        let closed = closed.ok_or_else(|| Failure::nothing("no capture was kept"))?;
        conclude(check, &self.earlier, &closed.path, out)
    }

    /// The readings as they stand, twice a second, where anybody looks at them elsewhere.
    fn show(&mut self) {
        let now = self.now();
        if now - self.board.1 < DRAW || !self.hands.looks() {
            return;
        }
        let case = self.case();
        for (panel, meter) in self.board.0.meters.iter_mut().zip(&case.meters) {
            panel.take(latest(&meter.series));
        }
        self.board.1 = now;
        self.hands.show(now, &self.board.0);
    }

    fn step(&mut self, deadline: Stamp) -> Result<Step, Failure> {
        self.show();
        match self.live.next(deadline, self.out) {
            Ok(Step::Interrupt) => {
                Err(self.give_up(Failure::new(FailureKind::Interrupted, "interrupted, and not judged")))
            }
            Ok(step) => {
                self.input_ended |= matches!(step, Step::InputEnd);
                Ok(step)
            }
            Err(failure) => Err(failure),
        }
    }

    /// Closes the session as far as it goes and names what it leaves.
    fn give_up(&mut self, mut failure: Failure) -> Failure {
        self.out.clear_status();
        self.live.stop();
        self.mark(MarkKind::CheckEnd, &format!("{} given up", self.check.word()));
        if let Some(path) = self.live.path() {
            failure.message = format!("{}; what was recorded is in {}", failure.message, path.display());
            if failure.kind == FailureKind::Interrupted && self.check == Check::Ct {
                let parts = self.earlier.iter().map(PathBuf::as_path).chain([path]);
                let parts: Vec<String> = parts.map(|path| format!(" --resume {}", path.display())).collect();
                let parts = parts.concat();
                failure = failure.hint(format!("to go on with it: wattward ct{parts}"));
            }
        }
        failure
    }
}
