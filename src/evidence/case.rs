//! The case: everything the checks may look at, in one value.

use crate::base::Stamp;
use crate::profile::{Meter, MeterRole, Profile, Site};
use crate::reading::MeterSeries;
use crate::record::{Mark, MarkKind};

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
    /// Only a part of the check is there: what was cut off might have told against it, so it does not pass.
    pub part: bool,
    /// Options of the check as recorded, one a line: `--meter connection`.
    pub options: Vec<String>,
}

impl Binding {
    /// Why a part of a check does not pass, and what would settle it.
    pub const PART: [&str; 2] = [
        "only a part of the check is there, and what was cut off might tell against it",
        "join the parts with `wattward capture join`",
    ];
    /// Why a check on a shared line does not pass, and what would settle it.
    pub const SHARED: [&str; 2] = [
        "the line was shared with another master on request, and no check made that way passes",
        "repeat the window on a line of its own, or on a second meter",
    ];
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
    /// First and last thing that happened; verdict marks do not count, since they come after the evidence.
    pub span: Option<(Stamp, Stamp)>,
    /// What binds the verdict.
    pub binding: Binding,
}

impl Case {
    /// The meter of this name.
    pub fn meter(&self, name: &str) -> Option<&MeterCase> {
        self.meters.iter().find(|meter| meter.meter.name == name)
    }

    /// The first meter with this role.
    pub fn with_role(&self, role: MeterRole) -> Option<&MeterCase> {
        self.meters.iter().find(|meter| meter.meter.role == role)
    }

    /// The part of the case from one instant to another, both included. Marks that say how things stand (plant off,
    /// storage idle, signal off, an earlier verdict) stay in force from before.
    #[must_use]
    pub fn between(&self, from: Stamp, to: Stamp) -> Self {
        let inside = |at: Stamp| (from..=to).contains(&at);
        let mut part = self.clone();
        for meter in &mut part.meters {
            for series in meter.series.points.values_mut() {
                series.samples.retain(|sample| inside(sample.at));
                series.absent.retain(|(at, _)| inside(*at));
            }
        }
        part.marks.retain(|mark| inside(mark.at) || (mark.at < from && states_how_things_stand(mark.kind)));
        part.span = self.span.and_then(|(first, last)| {
            let (first, last) = (first.max(from), last.min(to));
            (first <= last).then_some((first, last))
        });
        part
    }
}

const fn states_how_things_stand(kind: MarkKind) -> bool {
    matches!(
        kind,
        MarkKind::PlantOff
            | MarkKind::PlantOn
            | MarkKind::StorageIdle
            | MarkKind::SignalOff
            | MarkKind::SignalOn
            | MarkKind::Verdict
    )
}
