//! The case: everything the checks may look at, in one value.

use crate::base::Stamp;
use crate::profile::{Meter, Profile, Site};
use crate::reading::MeterSeries;
use crate::record::Mark;

/// One meter of the site with what it said.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterCase {
    /// As the site file describes it.
    pub meter: Meter,
    /// Its profile.
    pub profile: Profile,
    /// What it said.
    pub series: MeterSeries,
}

/// What a live run could not pass with binds every replay of it (from `check-start` marks).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Binding {
    /// The line was shared with another master on request: no check passes.
    pub shared_line: bool,
    /// Options of the check as recorded (`--meter NAME` …), as words.
    pub options: Vec<String>,
}

/// Everything the checks may look at.
#[derive(Clone, Debug, PartialEq)]
pub struct Case {
    /// The place.
    pub site: Site,
    /// Its meters in the order of the site file.
    pub meters: Vec<MeterCase>,
    /// All marks in time order (file order where times are equal).
    pub marks: Vec<Mark>,
    /// First and last thing that happened.
    pub span: Option<(Stamp, Stamp)>,
    /// What binds the verdict.
    pub binding: Binding,
}
