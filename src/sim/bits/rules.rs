//! How a line behaves.

use crate::base::Span;
use crate::profile::SerialSettings;

/// How a line behaves; by default well. Probabilities are of one question or answer, where nothing else is said.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LineRules {
    /// Most that is added to a meter's turnaround, evenly distributed.
    pub jitter: Span,
    /// The adapter hands bytes on only at multiples of this; zero: as they come.
    pub lump: Span,
    /// Probability that a byte has one bit turned.
    pub flip: f64,
    /// Probability that a bit is sampled wrong, by meters and adapter each by itself.
    pub bit_errors: f64,
    /// Probability that a meter says nothing.
    pub silent: f64,
    /// Probability that an answer is late.
    pub late: f64,
    /// By how much.
    pub late_by: Span,
    /// Probability that an answer breaks off.
    pub half: f64,
    /// Whether the adapter gives back what is sent.
    pub echo: bool,
    /// Probability that the echo comes back altered, because somebody else spoke at the same time.
    pub echo_altered: f64,
    /// Probability that some bytes of noise come before an answer.
    pub noise: f64,
    /// Probability that a break comes before an answer.
    pub breaks: f64,
    /// Probability that an answer of another unit, which nobody asked for, comes before an answer.
    pub foreign: f64,
    /// Probability that a second unit of the same address answers too, at about the same time.
    pub twin: f64,
    /// Whether the two wires are swapped at the adapter.
    pub swapped: bool,
    /// Whether the driver marks bad bytes and breaks.
    pub marks: bool,
    /// How the meters are set, where that is not how the adapter is.
    pub meters: Option<SerialSettings>,
}
