//! The judged meter beside the other meter at the connection: a reference and a steering meter tell on each other.

use serde::ser::{Serialize, SerializeMap, Serializer};

use super::bench::Bench;
use super::words::watts;
use crate::base::Span;
use crate::evidence::power::Power;
use crate::evidence::side_by_side::{Comparison, compare};
use crate::profile::MeterRole;

/// One meter compared with another.
#[derive(Clone, Debug, PartialEq)]
pub struct SideEntry {
    /// The meter compared.
    pub meter: String,
    /// What it is there for.
    pub role: MeterRole,
    /// The meter it is compared with: the reference where one of the two is.
    pub against: String,
    /// What came of it.
    pub found: Comparison,
}

/// Every other reference or steering meter beside the judged one.
pub(super) fn side_by_side(bench: &Bench<'_>) -> Vec<SideEntry> {
    let (site, judged) = (&bench.case.site, bench.meter);
    let Some(own) = bench.main() else { return Vec::new() };
    let around = Span::from_seconds(60.0);
    let at_connection = |role: MeterRole| matches!(role, MeterRole::Reference | MeterRole::Steering);
    let others = bench.case.meters.iter().filter(|one| one.meter.name != judged.meter.name);
    let mut list = Vec::new();
    for other in others.filter(|one| at_connection(one.meter.role) && at_connection(judged.meter.role)) {
        let (from, to) = (bench.window.start - around, bench.window.end + around);
        let power = Power::of(other, site, bench.origin, from, to);
        let Some(theirs) = power.total.as_ref().or_else(|| power.phases.first()) else { continue };
        let turned = other.meter.role == MeterRole::Reference && judged.meter.role != MeterRole::Reference;
        let (one, two) = if turned { (other, judged) } else { (judged, other) };
        let (first, second) = if turned { (theirs, own) } else { (own, theirs) };
        list.push(SideEntry {
            meter: two.meter.name.clone(),
            role: two.meter.role,
            against: one.meter.name.clone(),
            found: compare(first, second, bench.from, bench.to),
        });
    }
    list
}

impl SideEntry {
    /// The comparison in a sentence.
    pub fn words(&self) -> String {
        let found = &self.found;
        let mut parts = Vec::new();
        if let (Some(lag), Some(u)) = (found.lag_s, found.lag_u_s) {
            let way = if lag < 0.0 { "ahead" } else { "behind" };
            parts.push(format!("{:.1} s ± {u:.1} s {way}", lag.abs()));
        }
        if let (Some(gain), Some(u)) = (found.gain, found.gain_u) {
            parts.push(format!("gain {gain:.3} ± {u:.3}"));
        }
        if let Some(offset) = found.offset_w {
            let u = found.offset_u_w.map_or_else(String::new, |u| format!(" ± {u:.0} W"));
            parts.push(format!("offset {offset:.0} W{u}"));
        }
        parts.push(match found.sign {
            Some(-1) => "COUNTS THE OTHER WAY".to_owned(),
            Some(_) => "counts the same way".to_owned(),
            None => "whether both count the same way did not show".to_owned(),
        });
        if let (Some((difference, allowed)), Some(agree)) = (found.worst_w, found.agree()) {
            parts.push(format!(
                "{} steady spans, {} apart at most, {} allowed by both classes: {}",
                found.spans,
                watts(difference),
                watts(allowed),
                if agree { "they agree" } else { "they DISAGREE" }
            ));
        }
        format!("{} beside {}: {}", self.meter, self.against, parts.join(", "))
    }
}

/// Rounded for people; decisions are made before.
fn round(value: f64, places: i32) -> f64 {
    let scale = (0..places).fold(1.0_f64, |scale, _| scale * 10.0);
    (value * scale).round() / scale + 0.0
}

impl Serialize for SideEntry {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let found = &self.found;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("meter", &self.meter)?;
        map.serialize_entry("role", self.role.word())?;
        map.serialize_entry("against", &self.against)?;
        map.serialize_entry("lag_s", &found.lag_s.map(|value| round(value, 3)))?;
        map.serialize_entry("lag_u_s", &found.lag_u_s.map(|value| round(value, 3)))?;
        map.serialize_entry("gain", &found.gain.map(|value| round(value, 5)))?;
        map.serialize_entry("gain_u", &found.gain_u.map(|value| round(value, 5)))?;
        map.serialize_entry("offset_W", &found.offset_w.map(|value| round(value, 2)))?;
        map.serialize_entry("offset_u_W", &found.offset_u_w.map(|value| round(value, 2)))?;
        map.serialize_entry("sign", &found.sign)?;
        map.serialize_entry("spans", &found.spans)?;
        map.serialize_entry("agree", &found.agree())?;
        map.end()
    }
}
