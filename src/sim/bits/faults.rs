//! What a line does to its traffic.

/// One thing done to a question or an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// The meter said nothing.
    Silent,
    /// The answer came late.
    Late,
    /// The answer broke off after so many bytes; counted together, as after 0.
    Half(usize),
    /// A bit of the answer was turned.
    Flipped,
    /// A bit of the question was turned on its way to the meter.
    QuestionFlipped,
    /// Bytes of noise came before the answer.
    Noise,
    /// A break came before the answer.
    Break,
    /// Another unit's answer came before the answer.
    Foreign,
    /// Two units of one address answered at once.
    Twin,
    /// Somebody spoke while we asked.
    EchoAltered,
}

impl Fault {
    /// Without its figure, to count by.
    #[must_use]
    pub const fn kind(self) -> Self {
        match self {
            Self::Half(_) => Self::Half(0),
            other => other,
        }
    }
}
