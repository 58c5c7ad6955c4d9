//! The `ct` part of a verdict document, field names as contract 6 has them.

use serde::Serialize;

use crate::base::Stamp;

/// What is known of a channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Status {
    /// Own phase, right way round, right ratio.
    Correct,
    /// Shown to be wrong.
    Faulty,
    /// No load stood on its phase.
    Untested,
    /// Tested, and still open.
    Ambiguous,
}

impl Status {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Correct => "correct",
            Self::Faulty => "faulty",
            Self::Untested => "untested",
            Self::Ambiguous => "ambiguous",
        }
    }
}

/// A way to be wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CtFault {
    /// The power counts the wrong way.
    Reversed,
    /// Voltage and current are of different phases, or the current is that of another phase.
    OtherPhase,
    /// The channel does not move.
    NoResponse,
    /// It moves by a wrong amount.
    WrongRatio,
}

impl CtFault {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Reversed => "reversed",
            Self::OtherPhase => "other-phase",
            Self::NoResponse => "no-response",
            Self::WrongRatio => "wrong-ratio",
        }
    }
}

/// A measured step; reactive parts are left out where the meter says nothing of them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct StepValue {
    /// In W.
    #[serde(rename = "active_W")]
    pub active_w: f64,
    /// Expanded uncertainty, k = 2, in W.
    #[serde(rename = "active_u_W")]
    pub active_u_w: f64,
    /// In var.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reactive_var: Option<f64>,
    /// Expanded uncertainty, k = 2, in var.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reactive_u_var: Option<f64>,
}

/// What the load should do.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Expected {
    /// In W.
    #[serde(rename = "active_W")]
    pub active_w: f64,
    /// In var.
    pub reactive_var: f64,
}

/// What the channel did when a load on another placement was switched.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OtherResponse {
    /// Where that load stood: `L2`, `L1-L2`, `L1+L2+L3`, or `unknown`.
    pub load_phase: String,
    /// In W.
    #[serde(rename = "active_W")]
    pub active_w: f64,
    /// Expanded uncertainty, k = 2, in W.
    #[serde(rename = "active_u_W")]
    pub active_u_w: f64,
}

/// One channel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ChannelFinding {
    /// `L1`, `L2`, `L3` or `total`.
    pub channel: String,
    /// What is known of it.
    pub status: Status,
    /// How it is wrong.
    pub faults: Vec<CtFault>,
    /// The phase whose current it measures.
    pub senses: Option<String>,
    /// 1, −1, or unknown.
    pub sign: Option<i8>,
    /// Measured over expected step, in size.
    pub gain: Option<f64>,
    /// Expanded uncertainty of it, k = 2.
    pub gain_u: Option<f64>,
    /// Probability of what the status says.
    pub confidence: f64,
    /// On/off pairs that agree.
    pub pairs: usize,
    /// Response to the load on its own phase, or on the phase it senses.
    pub step: Option<StepValue>,
    /// What that load should have done.
    pub expected: Option<Expected>,
    /// Responses to the other placements.
    pub responses: Vec<OtherResponse>,
}

/// What shows that the power can go negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum SignSeen {
    /// It went negative as the plant fed in.
    Generation,
    /// The import counter rose with the load, the export counter did not.
    Counters,
    /// The profile says so.
    Profile,
    /// It stood below zero with a known load on, whatever made it so: in most cases a reversed CT.
    Load,
}

/// Sign of the power.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SignFinding {
    /// What shows that it can go negative.
    pub seen: Option<SignSeen>,
    /// The convention in use, in words.
    pub convention: String,
}

/// Whether a load or plant moves the meter.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Position {
    /// Name of the load or plant.
    pub source: String,
    /// Whether it does; `null` where nobody tried.
    pub seen: Option<bool>,
}

/// An edge found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StepFound {
    /// When, between the readings around it.
    pub at: Stamp,
    /// `load-on` or `load-off`.
    pub kind: &'static str,
    /// Where the load stood, `null` where nobody knows.
    pub phase: Option<String>,
}

/// The check's own part of the document.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CtBody {
    /// By phase.
    pub channels: Vec<ChannelFinding>,
    /// Sign of the power.
    pub sign: SignFinding,
    /// Loads and plants.
    pub position: Vec<Position>,
    /// Edges found, in time order.
    pub steps: Vec<StepFound>,
}
