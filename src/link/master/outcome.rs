//! What came of a question: answers, damage, late and foreign frames, and what follows from each.

use super::{COURTESY, Cause, LISTEN_AGAIN, Master, Output, Pending, Question, State, wire};
use crate::base::Stamp;
use crate::record::{Direction, Frame, Medium, Role, Stray, StrayWhy};

impl Master {
    pub(super) fn frame(&mut self, frame: &Frame) {
        if frame.direction == Direction::Out {
            return;
        }
        match (frame.role, self.state) {
            // The framer may tell a frame late, when a later one settles what it was.
            (Role::Response, State::Waiting(Pending { asked_at, .. })) if frame.at < asked_at => {
                self.counters.late += 1;
            }
            (Role::Response, State::Waiting(pending)) => self.response(frame, pending, None),
            (Role::Response, State::Draining { after, cause, .. }) => {
                self.response(frame, after, Some(cause));
            }
            (Role::Response, _) if self.schedule.knows(frame.unit()) && !self.listening() => {
                self.counters.late += 1;
            }
            _ => self.foreign(frame),
        }
    }

    /// An answer that was owed to a question asked before the one that is open: that one still waits for its own.
    pub(super) fn late(&mut self, frame: &Frame, asked: Stamp) {
        self.counters.late += 1;
        if let Some(unit) = self.schedule.unit(frame.unit()) {
            unit.times.note(frame.at - asked);
        }
        if let State::Waiting(pending) = &mut self.state {
            pending.heard = pending.heard.saturating_sub(frame.bytes.len());
        }
    }

    pub(super) fn listening(&self) -> bool {
        matches!(self.state, State::Listening { .. })
    }

    /// A response while a question is open, or while the line falls quiet after one.
    fn response(&mut self, frame: &Frame, pending: Pending, draining: Option<Cause>) {
        let ours = frame.unit() == pending.question.unit
            && frame.transaction().is_none_or(|transaction| transaction == pending.transaction)
            && wire::fits(&pending.question.request.encode(), frame.pdu());
        let latency = frame.at - pending.end;
        if ours {
            if let Some(unit) = self.schedule.unit(frame.unit()) {
                unit.times.note(latency);
            }
            if frame.at <= pending.deadline {
                if let Some(cause) = draining {
                    *self.counter(cause) -= 1;
                }
                self.answered(frame, pending.then);
            } else {
                // The question stays open, as it was: its repeat is asked of a unit whose pace is now known.
                self.counters.late += 1;
            }
        } else if self.plan.medium == Medium::Tcp && frame.transaction() != Some(pending.transaction) {
            // An answer to an older question: the number tells, and the right one may still come.
            self.counters.late += 1;
        } else if self.schedule.knows(frame.unit()) {
            match draining {
                None => self.trouble(pending, self.now, Cause::Unexpected),
                Some(_) => self.counters.unexpected += 1,
            }
        } else {
            self.foreign(frame);
        }
    }

    fn answered(&mut self, frame: &Frame, then: Option<(Question, u8)>) {
        if wire::heard::is_exception(frame.pdu()) {
            self.counters.exceptions += 1;
        } else {
            self.counters.answered += 1;
        }
        self.lost_in_row = 0;
        self.schedule.answered(frame.unit());
        self.state = State::Rest;
        if let Some(then) = then {
            self.once.push_front(then);
        }
    }

    /// The counter of a cause; taken back when the answer came whole behind the trouble, and in time.
    fn counter(&mut self, cause: Cause) -> &mut u64 {
        match cause {
            Cause::TimedOut => &mut self.counters.timeouts,
            Cause::Damaged => &mut self.counters.damaged,
            Cause::Unexpected => &mut self.counters.unexpected,
        }
    }

    pub(super) fn stray(&mut self, stray: &Stray) {
        if self.listening() {
            self.heard.stray(stray);
            return;
        }
        if let State::Waiting(pending) = self.state {
            let broken = match self.plan.medium {
                Medium::Serial => stray.why == StrayWhy::Damaged,
                Medium::Tcp => true,
            };
            if broken && stray.direction == Direction::In && stray.at >= pending.asked_at {
                // On TCP the stream has lost its step: no message is found in it any more.
                self.lost_in_row += 1;
                self.trouble(pending, self.now, Cause::Damaged);
            }
        }
    }

    /// A question failed: let the line fall quiet, at least until the slowest answer so far would have ended, and for a
    /// unit never heard as long again as it was waited for, since nothing is known of its pace.
    pub(super) fn trouble(&mut self, pending: Pending, at: Stamp, cause: Cause) {
        *self.counter(cause) += 1;
        if self.plan.medium == Medium::Tcp {
            self.trouble_on_network(&pending, at);
            return;
        }
        let worst = self.schedule.unit(pending.question.unit).and_then(|unit| unit.times.worst());
        let slowest = match worst {
            Some(worst) => pending.end + worst + self.activity.length(pending.due),
            None if self.plan.attempts > 1 => pending.deadline + (pending.deadline - pending.end),
            None => at,
        };
        self.state = State::Draining { after: pending, not_before: slowest.max(at), cause };
    }

    /// On TCP the transaction number parts late answers from others, so nothing needs to fall quiet.
    fn trouble_on_network(&mut self, pending: &Pending, at: Stamp) {
        self.lost_in_row += 1;
        self.state = State::Rest;
        self.again(pending, at);
        if self.lost_in_row >= 2 {
            self.lost_in_row = 0;
            self.counters.reconnects += 1;
            self.state = State::Down;
            self.urgent = Some(Output::Reconnect);
        }
    }

    /// Ask the same question again, or give it up.
    pub(super) fn again(&mut self, after: &Pending, at: Stamp) {
        self.hold = self.hold.max(at);
        // A separator that failed was an attempt at what it stood before.
        let (question, attempt) = after.then.unwrap_or((after.question, after.attempt));
        let repeat = attempt < self.plan.attempts && !self.finishing;
        if repeat && !self.schedule.probes(after.question.unit) {
            self.once.push_front((question, attempt + 1));
        } else {
            self.schedule.gave_up(after.question.unit, at);
        }
    }

    fn foreign(&mut self, frame: &Frame) {
        self.heard.frame(frame);
        if let State::Waiting(pending) = &mut self.state {
            pending.heard = pending.heard.saturating_sub(frame.bytes.len());
        }
        self.hold = match frame.role {
            Role::Request => self.hold.max(self.now + COURTESY),
            Role::Response => self.now,
        };
        if !self.listening() && self.heard.busy_while_asking() {
            self.refuse();
        }
    }

    /// Stops, unless the line is shared on request. A connection over TCP is nobody else's.
    pub(super) fn refuse(&mut self) {
        let ours = self.plan.share_line || self.plan.medium == Medium::Tcp;
        if !ours && !matches!(self.state, State::Refused) {
            self.state = State::Refused;
            self.urgent = Some(Output::Refuse(self.heard.clone()));
        }
    }

    pub(super) fn lost(&mut self) {
        match self.state {
            State::Refused => return,
            // What was asked is asked again on the line that comes back.
            State::Waiting(Pending { question, attempt, then, .. })
            | State::Sending(question, attempt, then) => {
                self.once.push_front(then.unwrap_or((question, attempt)));
            }
            State::Draining { after, .. } => self.again(&after, self.now),
            State::Down | State::Listening { .. } | State::Rest => {}
        }
        self.state = State::Down;
    }

    pub(super) fn back(&mut self) {
        let State::Down = self.state else { return };
        let again = self.counters.asked > 0;
        let listen = if again { self.plan.listen_first.min(LISTEN_AGAIN) } else { self.plan.listen_first };
        let until = match self.plan.medium {
            Medium::Serial => self.now + listen,
            Medium::Tcp => self.now,
        };
        self.heard = super::Heard::default();
        self.state = State::Listening { until };
        self.settle();
    }
}
