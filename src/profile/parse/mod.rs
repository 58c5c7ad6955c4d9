//! Reading the files a user writes: the text as a tree with places, walked so that all faults come in one go.

mod bus;
mod cross;
mod flag;
pub(crate) mod keys;
mod limit;
mod place;
mod point;
mod profile;
mod quantity;
mod rated;
pub(crate) mod shape;
mod site;
pub(crate) mod site_keys;
mod slip;
mod suit;
pub(crate) mod tree;
mod unlikely;
pub(crate) mod walk;

pub use profile::parse_profile;
pub use site::parse_site;
pub use suit::{check_lines, check_pair, narrow, place_in_site, resolve};
pub use tree::{FileKind, file_kind};
