//! `wattward profile` looks at profile and site files.

use clap::Args;

use super::exit::Exit;
use super::out::Out;
use crate::base::Failure;

/// Options of `profile`.
#[derive(Args, Debug)]
pub(crate) struct ProfileArgs {}

/// Runs the command.
pub(crate) fn run(_args: &ProfileArgs, _out: &Out) -> Result<Exit, Failure> {
    Err(Failure::usage("not in this build"))
}
