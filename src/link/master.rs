//! The master of one line, without the line: tell it everything that happens (`handle`, in time order), take what it
//! wants (`poll`) until that is `Wait`. It decides by the stamps of what happened, never by when it was told, so that
//! extra ticks at any times change nothing.
//!
//! It listens before it speaks and stops when another master is heard; keeps an absolute schedule; rests 3.5 characters
//! from the computed end of the last byte in either direction; waits for each unit as long as its own answers teach; and
//! after any trouble lets the line fall quiet, asks something whose answer cannot be mistaken (`separator.rs`), and then the
//! same question again, so that a late answer meets nobody.

use crate::base::{Span, Stamp};
use crate::record::{Direction, Frame, Medium, Record, Role};
use crate::wire;

use super::activity::Activity;
use super::echo::Echo;
use super::heard::{BURST_BYTES, Heard};
use super::pair::Answered;
use super::timeout::AnswerTimes;

mod outcome;
mod schedule;
mod separator;
mod terms;

pub use terms::{Counters, Input, MasterPlan, Output, Question, UnitPlan, Why};

use schedule::{Next, Schedule};
use separator::Ledger;

/// The least quiet that ends a drain (3.5 characters, if that is more). Ours.
const QUIET: Span = Span::from_millis(50);
/// How long a line that came back is listened to before the next request, at most.
const LISTEN_AGAIN: Span = Span::from_millis(1000);
/// How long another master's question keeps us from asking on a shared line, unless its answer comes first.
const COURTESY: Span = Span::from_millis(300);
/// A line that never falls quiet after a question: the question is given up this long after its time-out.
const BABBLE: Span = Span::from_millis(2000);

/// A question on its way.
#[derive(Clone, Copy, Debug)]
struct Pending {
    question: Question,
    transaction: u16,
    attempt: u8,
    /// What this separates from answers still owed, and its attempt: asked next.
    then: Option<(Question, u8)>,
    /// First byte of the question.
    asked_at: Stamp,
    /// Computed end of the question.
    end: Stamp,
    /// The first byte of the answer must come by then.
    deadline: Stamp,
    /// Bytes that are no echo; the first of them by the deadline.
    heard: usize,
    /// Bytes of the answer that is due.
    due: usize,
}

#[derive(Clone, Copy, Debug)]
enum State {
    Down,
    Listening { until: Stamp },
    Rest,
    Sending(Question, u8, Option<(Question, u8)>),
    Waiting(Pending),
    Draining { after: Pending, not_before: Stamp, cause: Cause },
    Refused,
}

/// Why a question has not been answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Cause {
    TimedOut,
    Damaged,
    Unexpected,
}

/// The master of one line.
#[derive(Clone, Debug)]
pub struct Master {
    plan: MasterPlan,
    schedule: Schedule,
    once: std::collections::VecDeque<(Question, u8)>,
    state: State,
    now: Stamp,
    activity: Activity,
    echo: Echo,
    heard: Heard,
    ledger: Ledger,
    counters: Counters,
    /// Nothing is asked before then, beside the silence.
    hold: Stamp,
    pause: Span,
    transaction: u16,
    lost_in_row: u32,
    finishing: bool,
    /// Outputs that are due at once.
    urgent: Option<Output>,
}

impl Master {
    /// A master whose line is not there yet: say `Back` when it is.
    pub fn new(plan: MasterPlan) -> Self {
        Self {
            schedule: Schedule::new(plan.units.clone(), plan.every, plan.bounds),
            once: plan.once.iter().map(|question| (*question, 1)).collect(),
            state: State::Down,
            now: Stamp::default(),
            activity: Activity::new(plan.medium, plan.settings),
            echo: Echo::default(),
            heard: Heard::default(),
            ledger: Ledger::new(plan.medium, plan.settings.baud, plan.earlier.clone()),
            counters: Counters::default(),
            hold: Stamp::default(),
            pause: Span::ZERO,
            transaction: 0,
            lost_in_row: 0,
            finishing: false,
            urgent: None,
            plan,
        }
    }

    /// Takes what happened at `now`.
    pub fn handle(&mut self, now: Stamp, input: Input<'_>) {
        self.now = self.now.max(now);
        self.settle();
        let answered = self.keep_account(input);
        match input {
            Input::Sent(bytes) => self.sent(bytes),
            Input::Heard(bytes) => self.hear(bytes),
            Input::Record(Record::Frame(frame)) => match answered {
                Answered::Late(asked) => self.late(frame, asked),
                Answered::Expected | Answered::Second | Answered::Unasked => self.frame(frame),
            },
            Input::Record(Record::Stray(stray)) => self.stray(stray),
            Input::Tick | Input::Record(Record::Mark(_)) => {}
            Input::Lost => self.lost(),
            Input::Back => self.back(),
        }
    }

    /// What to do next; call it until it says `Wait` or `Done`.
    pub fn poll(&mut self) -> Output {
        if let Some(urgent) = self.urgent.take() {
            return urgent;
        }
        // With nothing more to ask, only a question on its way is waited for.
        let over = self.finishing && self.once.is_empty();
        match self.state {
            State::Listening { .. } | State::Draining { .. } | State::Down if over => Output::Done,
            State::Down => Output::Wait(None, Why::Line),
            State::Listening { until } => Output::Wait(Some(until), Why::Listening),
            State::Sending(..) => Output::Wait(None, Why::Sending),
            State::Waiting(pending) => Output::Wait(Some(self.give_up_at(&pending) + TICK), Why::Answer),
            State::Draining { not_before, .. } => Output::Wait(Some(self.quiet_at(not_before)), Why::Drain),
            State::Refused if self.finishing => Output::Done,
            State::Refused => Output::Wait(None, Why::Over),
            State::Rest => self.ask(),
        }
    }

    /// No further cycles and repeats: the question on its way is settled, then these are asked once, then `Done`.
    pub fn finish(&mut self, last: Vec<Question>) {
        self.finishing = true;
        self.once.clear();
        // What a separator on its way stands before is a repeat; the last questions have separators of their own.
        if let State::Sending(.., then)
        | State::Waiting(Pending { then, .. })
        | State::Draining { after: Pending { then, .. }, .. } = &mut self.state
        {
            *then = None;
        }
        self.once.extend(last.into_iter().map(|question| (question, 1)));
    }

    /// What came of all questions so far.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    /// Slots of the schedule that passed unused, and cycles begun.
    pub fn cycles(&self) -> (u64, u64) {
        (self.schedule.missed, self.schedule.cycles)
    }

    /// Answer times of a unit.
    pub fn times(&self, unit: u8) -> Option<&AnswerTimes> {
        self.schedule.units.iter().find(|known| known.plan.unit == unit).map(|known| &known.times)
    }

    /// Whose traffic was heard.
    pub fn heard(&self) -> &Heard {
        &self.heard
    }

    /// How many questions came back whole from an adapter that echoes.
    pub fn echoes(&self) -> u64 {
        self.echo.count()
    }

    fn ask(&mut self) -> Output {
        let ready = self.ready_at();
        if let Some(&(question, attempt)) = self.once.front() {
            if self.now < ready {
                return Output::Wait(Some(ready), Why::Rest);
            }
            self.once.pop_front();
            return self.put(question, attempt);
        }
        let next = if self.finishing { None } else { self.schedule.next(ready, self.plan.cycles) };
        match next {
            None => Output::Done,
            Some(Next { at, .. }) if self.now < at => Output::Wait(Some(at), Why::Rest),
            Some(next) => {
                self.schedule.take(&next);
                self.put(next.question, 1)
            }
        }
    }

    fn send(&mut self, question: Question, attempt: u8, then: Option<(Question, u8)>) -> Output {
        self.state = State::Sending(question, attempt, then);
        self.transaction = self.transaction.wrapping_add(1);
        self.counters.asked += 1;
        Output::Ask { question, transaction: self.transaction }
    }

    /// When the line is free: the silence after the last byte, the unit's pause, and courtesy on a shared line.
    fn ready_at(&self) -> Stamp {
        let free = self.activity.end().map(|end| end + self.activity.silence() + self.pause);
        free.unwrap_or(self.hold).max(self.hold)
    }

    fn gap(&self) -> Span {
        match self.plan.medium {
            Medium::Serial => self.activity.silence().max(QUIET) + self.plan.latency,
            Medium::Tcp => Span::ZERO,
        }
    }

    fn quiet_at(&self, not_before: Stamp) -> Stamp {
        self.activity.end().map_or(not_before, |end| (end + self.gap()).max(not_before))
    }

    /// An answer begun before the deadline may end after it, for as long as its bytes keep coming. What is as long as
    /// the answer and is none when the line falls quiet is damage: then there is nothing more to wait for.
    fn give_up_at(&self, pending: &Pending) -> Stamp {
        // Bytes that may yet be an echo may as well be the answer's first.
        if pending.heard + self.echo.held() == 0 {
            return pending.deadline;
        }
        let longest = pending.deadline + self.activity.length(wire::rtu::LONGEST) + BABBLE;
        let earliest = if self.is_damage(pending) { pending.end } else { pending.deadline };
        self.quiet_at(earliest).min(longest)
    }

    /// On TCP the framer tells at once when a stream has lost its step.
    fn is_damage(&self, pending: &Pending) -> bool {
        self.plan.medium == Medium::Serial && pending.heard >= pending.due
    }

    /// What the passing of time alone has settled by now.
    fn settle(&mut self) {
        match self.state {
            State::Listening { until } if self.now >= until => {
                self.schedule.begin(until);
                self.hold = self.hold.max(until);
                self.state = State::Rest;
                if self.heard.busy_while_listening() {
                    self.refuse();
                }
            }
            State::Waiting(pending) if self.now > self.give_up_at(&pending) => {
                let cause = if self.is_damage(&pending) { Cause::Damaged } else { Cause::TimedOut };
                self.trouble(pending, self.give_up_at(&pending), cause);
                self.settle();
            }
            State::Draining { after, not_before, .. } if self.now >= self.quiet_at(not_before) => {
                let at = self.quiet_at(not_before);
                self.state = State::Rest;
                self.again(&after, at);
            }
            _ => {}
        }
    }

    /// Questions are noted as they leave, everything heard as it was framed; says what an answer was.
    fn keep_account(&mut self, input: Input<'_>) -> Answered {
        match input {
            Input::Sent(bytes) => self.ledger.note(&Record::Frame(Frame {
                line: 0,
                at: self.now,
                direction: Direction::Out,
                role: Role::Request,
                bytes: bytes.to_vec(),
                medium: self.plan.medium,
            })),
            Input::Record(Record::Frame(frame)) if frame.direction == Direction::Out => Answered::Expected,
            Input::Record(record) => self.ledger.note(record),
            Input::Lost => {
                self.ledger.lost();
                Answered::Expected
            }
            Input::Tick | Input::Heard(_) | Input::Back => Answered::Expected,
        }
    }

    fn sent(&mut self, bytes: &[u8]) {
        let State::Sending(question, attempt, then) = self.state else { return };
        let end = self.activity.sent(self.now, bytes.len());
        self.echo.sent(bytes);
        let known = self.schedule.unit(question.unit);
        let (timeout, pause) = known
            .map_or((self.plan.bounds.first, Span::ZERO), |unit| (unit.times.timeout(), unit.plan.pause));
        self.pause = pause;
        let deadline = end + timeout + self.plan.latency;
        let transaction = self.transaction;
        let (asked_at, due) = (self.now, answer_bytes(question));
        self.state = State::Waiting(Pending {
            question,
            transaction,
            attempt,
            then,
            asked_at,
            end,
            deadline,
            heard: 0,
            due,
        });
    }

    fn hear(&mut self, bytes: &[u8]) {
        let burst = self.activity.note(self.now, bytes.len());
        if burst >= BURST_BYTES && burst - bytes.len() < BURST_BYTES && self.listening() {
            self.heard.bursts += 1;
        }
        if let State::Waiting(pending) = &mut self.state {
            pending.heard += self.echo.strip(bytes).len();
        }
    }
}

/// How long the plain answer to a question is on a serial line; the shortest there is for identifications.
fn answer_bytes(question: Question) -> usize {
    question.request.count().map_or(13, |count| 5 + 2 * usize::from(count))
}

/// The least step of time: a deadline still counts as in time.
const TICK: Span = Span::from_nanos(1);

#[cfg(test)]
mod tests;
