//! The `limit` part of a verdict document (contract 6), and what this program adds to it.

use serde::ser::{Serialize, SerializeMap, Serializer};

use super::side::SideEntry;
use crate::base::Stamp;
use crate::check::Verdict;
use crate::profile::{MeterRole, Per, RuleLimit};

/// One excursion as documents show it.
#[derive(Clone, Debug, PartialEq)]
pub struct ExcursionEntry {
    /// When it began.
    pub start: Stamp,
    /// It lasted at least this long, in s.
    pub shortest_s: f64,
    /// It lasted at most this long, in s.
    pub longest_s: f64,
    /// Highest export of the readings that its averaged export is made of, in W.
    pub peak_export_w: f64,
    /// Energy above the limit in it, in Wh.
    pub energy_wh: f64,
    /// Above even less the expanded uncertainty.
    pub certain: bool,
    /// Only a gap in the readings makes it possible (an addition).
    pub gap: bool,
    /// The channel, for rules per phase: `L1`, else `total` (an addition).
    pub channel: &'static str,
}

/// One rule with what became of it.
#[derive(Clone, Debug, PartialEq)]
pub struct RuleEntry {
    /// As the site file gives it.
    pub limit: RuleLimit,
    /// The limit in W (for `export_A` at nominal voltage).
    pub export_w: f64,
    /// What it applies to.
    pub per: Per,
    /// Sliding mean, in s.
    pub averaging_s: f64,
    /// Longest allowed, in s.
    pub longest_s: f64,
    /// Band the rule allows, in W.
    pub tolerance_w: f64,
    /// Share of the window all excursions may take.
    pub share: Option<f64>,
    /// Whether this rule was shown to hold.
    pub verdict: Verdict,
    /// Possible excursions in time order.
    pub excursions: Vec<ExcursionEntry>,
    /// Highest averaged export, in W; none when the average is longer than the window.
    pub worst_averaged_export_w: Option<f64>,
    /// The same with the uncertainty added (an addition).
    pub worst_possible_export_w: Option<f64>,
    /// At most this share of the window may have been above (an addition).
    pub share_at_most: f64,
    /// Export below which a reading surely keeps the rule: limit and tolerance less the guard band, in W (an addition).
    pub acceptance_w: f64,
}

/// The window.
#[derive(Clone, Debug, PartialEq)]
pub struct WindowEntry {
    /// Its start.
    pub start: Option<Stamp>,
    /// Its end.
    pub end: Option<Stamp>,
    /// Its length, in s.
    pub duration_s: f64,
    /// Share between readings close enough together.
    pub coverage: f64,
    /// Longest stretch without a reading, in s.
    pub longest_gap_s: f64,
}

/// One challenge.
#[derive(Clone, Debug, PartialEq)]
pub struct ChallengeEntry {
    /// When.
    pub at: Stamp,
    /// `load-drop`, `generation-rise`, `signal-loss`, `held-at-limit`.
    pub kind: &'static str,
    /// What the export would have been had nothing acted, in W.
    pub uncontrolled_export_w: f64,
    /// Highest export read after it, in W.
    pub peak_export_w: f64,
    /// Until the export was back within the limit, in s.
    pub back_within_s: Option<f64>,
    /// Whether a storage could have absorbed it.
    pub storage_could_absorb: bool,
    /// Whether it counts towards the number required (an addition, as all that follow).
    pub counts: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// The load, where a mark names it.
    pub source: Option<String>,
    /// Until the power began to come back, in s.
    pub dead_time_s: Option<f64>,
    /// Between which two lengths that lies, in s.
    pub dead_time_between_s: Option<(f64, f64)>,
    /// Until it stayed near its end value, in s.
    pub settled_s: Option<f64>,
    /// How far it went beyond that, in W.
    pub overshoot_w: f64,
    /// From the return of a steering signal until the plant delivered half of what it had, in s.
    pub resumed_s: Option<f64>,
}

/// Five figures of a distribution.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct Spread {
    /// Half lie below.
    pub p50: f64,
    /// Nine of ten lie below.
    pub p90: f64,
    /// 99 of 100 lie below.
    pub p99: f64,
    /// The largest.
    pub max: f64,
}

/// How the export and the control's response were distributed (an addition).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Response {
    /// Export by time, in W.
    pub export_w: Option<Spread>,
    /// Time back within the limit over the challenges, in s.
    pub back_within_s: Option<Spread>,
    /// Dead time over the challenges, in s.
    pub dead_time_s: Option<Spread>,
    /// Time during which the export stood within the uncertainty of the limit, in s.
    pub held_at_limit_s: f64,
}

/// How fast the meter is, by its profile and by what it said (an addition).
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct TimingEntry {
    /// Median distance of readings.
    pub spacing_s: f64,
    /// Update time by the profile.
    pub update_profile_s: f64,
    /// Update time found.
    pub update_measured_s: Option<f64>,
    /// Averaging time by the profile.
    pub averaging_profile_s: f64,
    /// Averaging time found.
    pub averaging_measured_s: Option<f64>,
    /// What the rules need of each of these times at most; none where nothing would do.
    pub needed_s: Option<f64>,
}

/// The check's own part of the document.
#[derive(Clone, Debug, PartialEq)]
pub struct LimitBody {
    /// Each rule.
    pub rules: Vec<RuleEntry>,
    /// The window.
    pub window: WindowEntry,
    /// The challenges in time order.
    pub challenges: Vec<ChallengeEntry>,
    /// How many the site file wants.
    pub challenges_required: u32,
    /// What the meter is there for.
    pub meter_role: MeterRole,
    /// Energy exported in the window, in Wh, gaps left out.
    pub exported_wh: f64,
    /// Expanded uncertainty (k = 2) of the power, mean over the window, in W.
    pub expanded_uncertainty_w: f64,
    /// Distributions.
    pub response: Response,
    /// How fast the meter is.
    pub timing: TimingEntry,
    /// The other meters at the connection beside this one.
    pub side_by_side: Vec<SideEntry>,
    /// Remarks that bear on nothing.
    pub notes: Vec<String>,
}

/// Rounded for people: three decimals of a second, of a watt, of a watt hour. Decisions are made before.
fn round(value: f64) -> f64 {
    let rounded = (value * 1000.0).round() / 1000.0;
    if rounded.is_finite() { rounded + 0.0 } else { value }
}

fn rounded(value: Option<f64>) -> Option<f64> {
    value.map(round)
}

/// Where a document speaks of export, it speaks of generation on a generation meter.
struct Named<'a, T> {
    value: &'a T,
    generation: bool,
}

impl<T> Named<'_, T> {
    const fn key(&self, export: &'static str, generation: &'static str) -> &'static str {
        if self.generation { generation } else { export }
    }
}

struct List<'a, T> {
    values: &'a [T],
    generation: bool,
}

impl<T> Serialize for List<'_, T>
where
    for<'b> Named<'b, T>: Serialize,
{
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(self.values.iter().map(|value| Named { value, generation: self.generation }))
    }
}

impl Serialize for Named<'_, ExcursionEntry> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let one = self.value;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("start", &one.start)?;
        map.serialize_entry("shortest_s", &round(one.shortest_s))?;
        map.serialize_entry("longest_s", &round(one.longest_s))?;
        map.serialize_entry(self.key("peak_export_W", "peak_generation_W"), &round(one.peak_export_w))?;
        map.serialize_entry("energy_Wh", &round(one.energy_wh))?;
        map.serialize_entry("certain", &one.certain)?;
        map.serialize_entry("gap", &one.gap)?;
        map.serialize_entry("channel", one.channel)?;
        map.end()
    }
}

impl Serialize for Named<'_, RuleEntry> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let one = self.value;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry(self.key("export_W", "generation_W"), &round(one.export_w))?;
        match one.limit {
            RuleLimit::Watts(_) => {}
            RuleLimit::Amps(amps) => {
                map.serialize_entry(self.key("export_A", "generation_A"), &amps)?;
            }
            RuleLimit::Percent(percent) => map.serialize_entry("percent", &percent)?,
        }
        map.serialize_entry("per", if one.per == Per::Total { "total" } else { "phase" })?;
        map.serialize_entry("averaging_s", &one.averaging_s)?;
        map.serialize_entry("longest_s", &one.longest_s)?;
        map.serialize_entry("tolerance_W", &one.tolerance_w)?;
        if let Some(share) = one.share {
            map.serialize_entry("share", &share)?;
        }
        map.serialize_entry("verdict", &one.verdict)?;
        let excursions = List { values: &one.excursions, generation: self.generation };
        map.serialize_entry("excursions", &excursions)?;
        let worst = self.key("worst_averaged_export_W", "worst_averaged_generation_W");
        map.serialize_entry(worst, &rounded(one.worst_averaged_export_w))?;
        let possible = self.key("worst_possible_export_W", "worst_possible_generation_W");
        map.serialize_entry(possible, &rounded(one.worst_possible_export_w))?;
        map.serialize_entry("share_at_most", &round(one.share_at_most))?;
        map.serialize_entry("acceptance_W", &round(one.acceptance_w))?;
        map.end()
    }
}

impl Serialize for WindowEntry {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("start", &self.start)?;
        map.serialize_entry("end", &self.end)?;
        map.serialize_entry("duration_s", &round(self.duration_s))?;
        map.serialize_entry("coverage", &((self.coverage * 1e6).floor() / 1e6))?;
        map.serialize_entry("longest_gap_s", &round(self.longest_gap_s))?;
        map.end()
    }
}

impl Serialize for Named<'_, ChallengeEntry> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let one = self.value;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("at", &one.at)?;
        map.serialize_entry("kind", one.kind)?;
        let uncontrolled = self.key("uncontrolled_export_W", "uncontrolled_generation_W");
        map.serialize_entry(uncontrolled, &round(one.uncontrolled_export_w))?;
        map.serialize_entry(self.key("peak_export_W", "peak_generation_W"), &round(one.peak_export_w))?;
        map.serialize_entry("back_within_s", &rounded(one.back_within_s))?;
        map.serialize_entry("storage_could_absorb", &one.storage_could_absorb)?;
        map.serialize_entry("counts", &one.counts)?;
        map.serialize_entry("why_not", &one.why_not)?;
        map.serialize_entry("source", &one.source)?;
        map.serialize_entry("dead_time_s", &rounded(one.dead_time_s))?;
        let between = one.dead_time_between_s.map(|(least, most)| [round(least), round(most)]);
        map.serialize_entry("dead_time_between_s", &between)?;
        map.serialize_entry("settled_s", &rounded(one.settled_s))?;
        map.serialize_entry("overshoot_W", &round(one.overshoot_w))?;
        if one.kind == "signal-loss" {
            map.serialize_entry("resumed_s", &rounded(one.resumed_s))?;
        }
        map.end()
    }
}

impl Serialize for Named<'_, Response> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry(self.key("export_W", "generation_W"), &self.value.export_w)?;
        map.serialize_entry("back_within_s", &self.value.back_within_s)?;
        map.serialize_entry("dead_time_s", &self.value.dead_time_s)?;
        map.serialize_entry("held_at_limit_s", &round(self.value.held_at_limit_s))?;
        map.end()
    }
}

impl Serialize for LimitBody {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let generation = self.meter_role == MeterRole::Generation;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("rules", &List { values: &self.rules, generation })?;
        map.serialize_entry("window", &self.window)?;
        map.serialize_entry("challenges", &List { values: &self.challenges, generation })?;
        map.serialize_entry("challenges_required", &self.challenges_required)?;
        map.serialize_entry("meter_role", self.meter_role.word())?;
        let total = if generation { "generated_Wh" } else { "exported_Wh" };
        map.serialize_entry(total, &round(self.exported_wh))?;
        map.serialize_entry("expanded_uncertainty_W", &round(self.expanded_uncertainty_w))?;
        map.serialize_entry("response", &Named { value: &self.response, generation })?;
        map.serialize_entry("timing", &self.timing)?;
        if !self.side_by_side.is_empty() {
            map.serialize_entry("side_by_side", &self.side_by_side)?;
        }
        map.serialize_entry("notes", &self.notes)?;
        map.end()
    }
}
