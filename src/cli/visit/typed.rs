//! What is typed while a check runs that answers no prompt: values off another instrument, wishes for a longer window.

use super::super::judge::Check;
use super::super::seen::value;
use super::Visit;
use crate::base::{Phase, Span};
use crate::evidence::Case;
use crate::record::Mark;

/// What becomes of values that are typed: the phase they are of when none is typed with them, and what compares them.
pub(crate) struct Values {
    /// The phase.
    pub(crate) phase: Phase,
    /// What the meter said at that time, in a sentence.
    pub(crate) compare: Compare,
}

/// Compares a value with what a meter said.
pub(crate) type Compare = Box<dyn Fn(&Case, &Mark) -> Option<String>>;

impl Visit<'_> {
    /// What was typed, unless it asks for a longer window: `+`, or `+5min`.
    pub(super) fn heard(&mut self, line: String) -> Option<String> {
        self.out.typed();
        let Some(more) = line.trim().strip_prefix('+').filter(|_| self.check == Check::Limit) else {
            return Some(line);
        };
        match (more.trim(), Span::parse(more.trim())) {
            ("", _) => self.longer.push(None),
            (_, Ok(more)) => self.longer.push(Some(more)),
            (_, Err(why)) => {
                self.tell(&format!("`{}`? {why}; a longer window is `+` or `+5min`", line.trim()));
            }
        }
        None
    }

    /// Wishes for a longer window since the last time: so much longer, or as is usual.
    pub(crate) fn longer(&mut self) -> Vec<Option<Span>> {
        std::mem::take(&mut self.longer)
    }

    /// From now on values that are typed are noted, so that they are compared and kept.
    pub(crate) fn take_values(&mut self, values: Values) {
        self.values = Some(values);
    }

    /// Notes a value that was typed; gives back any other line.
    pub(super) fn not_a_value(&mut self, line: String) -> Option<String> {
        let phase = self.values.as_ref().map(|values| values.phase);
        let (Some(phase), Some(found)) = (phase, value(&line)) else { return Some(line) };
        let text = match found {
            Ok(value) => {
                let mark = value.mark(self.now(), phase);
                let case = self.case();
                let compared = self.values.as_ref().and_then(|values| (values.compare)(&case, &mark));
                let said = mark.message.clone();
                self.live.mark(mark);
                compared.unwrap_or(said)
            }
            Err(text) => text,
        };
        self.tell(&text);
        None
    }
}
