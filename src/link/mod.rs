//! Floor 4: questions and answers on a line.

pub mod activity;
pub mod auto;
pub mod chain;
pub mod echo;
pub mod heard;
pub mod listen;
pub mod master;
pub mod pair;
pub mod quality;
pub mod search;
pub mod survey;
pub mod timeout;
pub mod transaction;

pub use auto::{Auto, Ear};
pub use chain::{Chain, ChainEnd, Model};
pub use echo::Echo;
pub use heard::Heard;
pub use listen::{Latency, Listen, ListenDocument, ListenRange};
pub use master::{Counters, Input, Master, MasterPlan, Output, Question, UnitPlan, Why};
pub use pair::{Earlier, Pairer};
pub use quality::{Cause, Quality, Rate, causes};
pub use timeout::{AnswerTimes, TimeoutBounds};
pub use transaction::{Asked, Outcome, Transaction};
