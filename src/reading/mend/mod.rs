//! Where a profile and what the meter says do not agree: which single change of the profile would make them.
//!
//! `laws.rs` measures how far one reading is from what physics allows; `change.rs` are the changes that the usual slips of a
//! profile amount to; `search.rs` tries each of them on the registers as they were read and ranks what comes of it.

mod change;
mod laws;
mod search;

pub use change::{Change, Scope};
pub use laws::Misfit;
pub use search::{Examined, Look, Mend, examine};
