//! Finding out what registers mean when no list of them is at hand: from what they held at some instants, and what other
//! instruments showed then.
//!
//! Every address is tried as every type, in every order of words and bytes, at every power of ten and with either sign.
//! `score.rs` says how improbable a match by chance is, `structure.rs` what points say about each other, `solve.rs` weighs
//! both against the number of tries and gives each line its confidence. Nothing is written to the meter, and nothing found
//! here is a profile before a person has looked at it: it is a draft.

mod draft;
mod encoding;
mod explain;
mod habits;
mod next;
mod score;
mod snapshot;
mod solve;
mod structure;

pub use draft::{DraftTerms, draft};
pub use encoding::{Encoding, Spot};
pub use explain::{Sense, explain, parse_range};
pub use next::next;
pub use score::Candidate;
pub use snapshot::{RegisterMap, Seen, Snapshot, parse_seen};
pub use solve::{Basis, Fit, Found, Rival, fit};

/// How usual it is that a quantity has this scale and unit in a type, between 0 and 1.
pub fn usual_scale(quantity: crate::base::Quantity, kind: crate::profile::Type, worth: f64) -> f64 {
    let order = crate::profile::Order::HighFirst;
    let encoding = Encoding { kind, word_order: order, byte_order: order };
    let power = libm::log10(worth.abs());
    if (power - power.round()).abs() > 1e-6 || power.abs() > 12.0 {
        return 0.01;
    }
    encoding::power_share(quantity, encoding, power.round() as i8)
}

/// 10^power, exact where that can be: dividing by 10 makes 2314 the nearest number to 231.4, multiplying by 0.1 does not.
fn ten_to(power: i8) -> f64 {
    libm::pow(10.0, f64::from(power))
}

#[cfg(test)]
mod tests;
