//! What a live run is for, as the commands say it.

use crate::rim::segments::Series;

/// What a live run is for.
#[derive(Clone, Debug)]
pub(crate) struct Purpose<'a> {
    /// Names the capture when the person does not: `ct-20260921-141320.pcapng`.
    pub(crate) name: &'a str,
    /// Keep a capture though the person named none.
    pub(crate) evidence: bool,
    /// Which meters of the site; empty: all of them.
    pub(crate) meters: Vec<usize>,
    /// Stop after so many readings.
    pub(crate) cycles: Option<u64>,
    /// Read the meters' settings at both ends.
    pub(crate) settings: bool,
    /// Keep the capture as a series of segments.
    pub(crate) segments: Option<Series>,
    /// Hand on typed lines.
    pub(crate) keyboard: bool,
}
