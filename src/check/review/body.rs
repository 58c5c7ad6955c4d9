//! The body of a review document (contract 6): plain numbers, ready to be written.

use serde::Serialize;

use super::against::AgainstBody;
use super::plots::PlotsBody;
use crate::base::Stamp;
use crate::link::Outcome;

/// What a review adds to the common keys.
#[derive(Clone, Debug, Serialize)]
#[expect(missing_docs, reason = "the keys are explained in docs/review.md")]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct ReviewBody {
    pub period: PeriodBody,
    pub energy: EnergyBody,
    pub over_limit: OverLimitBody,
    pub by_day: Vec<DayBody>,
    pub voltage: Vec<VoltageBody>,
    pub overvoltage_V: f64,
    pub hunting: HuntingBody,
    pub silence: Vec<SilenceBody>,
    pub settings_changed: Vec<ChangedBody>,
    pub counter_resets: Vec<ResetBody>,
    pub ct_doubts: Vec<CtDoubt>,
    pub line: Option<LineBody>,
    /// What the log can't show, in sentences.
    pub not_seen: Vec<String>,
    pub causes: Vec<Cause>,
    pub plots: PlotsBody,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub against: Option<AgainstBody>,
}

#[derive(Clone, Debug, Serialize)]
pub struct PeriodBody {
    pub start: Stamp,
    pub end: Stamp,
    pub duration_s: f64,
    pub covered_s: f64,
    pub readings: u64,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct EnergyBody {
    /// The export counter nets the phases, by the site file or the figures: what it rises by was exported.
    #[serde(skip)]
    pub nets: bool,
    pub import_Wh: f64,
    pub export_Wh: f64,
    pub import_by_phase_Wh: Option<f64>,
    pub export_by_phase_Wh: Option<f64>,
    pub import_counter_Wh: Option<f64>,
    pub export_counter_Wh: Option<f64>,
    /// Counters against what the power adds up to, within uncertainty and resolution; null without a counter.
    pub agree: Option<bool>,
    /// How the counters treat phases, as the figures show: `sum`, `phase` or `unknown`.
    pub netting: &'static str,
    pub generation_Wh: Option<f64>,
    /// While no reading of the power came, by an export counter that nets the phases: at least.
    pub unseen_export_least_Wh: f64,
    /// And at most; null where it bounds not all of that time.
    pub unseen_export_most_Wh: Option<f64>,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct OverLimitBody {
    pub limit_W: Option<f64>,
    pub longest_s: Option<f64>,
    pub spans: Vec<SpanBody>,
    pub count: u64,
    pub breaking: u64,
    pub time_s: f64,
    pub share: f64,
    pub energy_Wh: f64,
    pub breaking_energy_Wh: f64,
    pub worst_averaged_export_W: f64,
    pub worst_at: Option<Stamp>,
    pub rules: Vec<RuleBody>,
}

/// One rule of the site file.
#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct RuleBody {
    /// With its tolerance.
    pub limit_W: f64,
    pub per: &'static str,
    pub averaging_s: f64,
    pub longest_s: f64,
    pub count: u64,
    pub breaking: u64,
    pub time_s: f64,
    pub share: f64,
    pub energy_Wh: f64,
    pub breaking_energy_Wh: f64,
    pub worst_averaged_export_W: f64,
    pub worst_at: Option<Stamp>,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct SpanBody {
    pub phase: &'static str,
    pub start: Stamp,
    pub end: Stamp,
    pub duration_s: f64,
    pub worst_averaged_export_W: f64,
    pub energy_Wh: f64,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct DayBody {
    /// In the site's time zone.
    pub day: String,
    pub import_Wh: f64,
    pub export_Wh: f64,
    pub over_Wh: f64,
    pub export_by_hour_Wh: Vec<f64>,
    pub over_by_hour_Wh: Vec<f64>,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct VoltageBody {
    pub phase: &'static str,
    pub ten_minute_max_V: Option<f64>,
    pub ten_minute_max_at: Option<Stamp>,
    pub ten_minute_min_V: Option<f64>,
    pub ten_minutes: u64,
    pub ten_minutes_over: u64,
    pub sliding_max_V: Option<f64>,
    pub time_over_s: f64,
    pub highest_V: f64,
    pub supply_ohm: Option<f64>,
    pub supply_u_ohm: Option<f64>,
    pub supply_reactance_ohm: Option<f64>,
    pub steps: usize,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct HuntingBody {
    pub found: bool,
    pub period_s: Option<f64>,
    pub amplitude_W: Option<f64>,
    pub time_s: f64,
    pub times: Vec<TrainBody>,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct TrainBody {
    pub start: Stamp,
    pub end: Stamp,
    pub period_s: f64,
    pub amplitude_W: f64,
    pub periods: usize,
}

#[derive(Clone, Debug, Serialize)]
pub struct SilenceBody {
    pub meter: String,
    pub count: u64,
    pub time_s: f64,
    pub longest: Vec<SilentBody>,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct SilentBody {
    pub start: Stamp,
    pub end: Stamp,
    pub duration_s: f64,
    /// Whether the recorded line shows a question to it in that time.
    pub asked: bool,
    pub export_W: Option<f64>,
}

#[derive(Clone, Debug, Serialize)]
pub struct ChangedBody {
    pub at: Stamp,
    pub meter: String,
    pub setting: String,
    pub from: f64,
    pub to: f64,
}

#[derive(Clone, Debug, Serialize)]
#[expect(non_snake_case, reason = "documents name units as the trade writes them")]
pub struct ResetBody {
    pub at: Stamp,
    pub meter: String,
    pub point: String,
    pub from_Wh: f64,
    pub to_Wh: f64,
}

/// A channel whose CT looks wrong over the long view. A doubt, not a verdict: `ct` gives one.
#[derive(Clone, Debug, Serialize)]
pub struct CtDoubt {
    /// The meter.
    pub meter: String,
    /// `L1` … or `total`.
    pub channel: &'static str,
    /// `reversed` or `other-phase`.
    pub doubt: &'static str,
    /// What shows it.
    pub evidence: String,
}

/// Counts of the lines over the log.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct LineBody {
    /// Questions settled.
    pub requests: u64,
    /// Answers, exceptions not included.
    pub answers: u64,
    /// Nothing in time.
    pub timeouts: u64,
    /// Frame-like, with a bad CRC.
    pub damaged: u64,
    /// Exceptions.
    pub exceptions: u64,
    /// Longest time from one answer to the next, whichever meter gave it, in s.
    pub longest_gap_s: Option<f64>,
    #[serde(skip)]
    last_answer: Option<Stamp>,
}

impl LineBody {
    /// Counts what came of a question.
    pub fn take(&mut self, outcome: &Outcome) {
        let answered = match outcome {
            Outcome::Open => return,
            Outcome::Answer { at, .. } => {
                self.answers += 1;
                Some(*at)
            }
            Outcome::Exception { at, .. } => {
                self.exceptions += 1;
                Some(*at)
            }
            Outcome::Damaged { .. } => {
                self.damaged += 1;
                None
            }
            Outcome::Silence => {
                self.timeouts += 1;
                None
            }
        };
        self.requests += 1;
        if let Some(at) = answered {
            if let Some(last) = self.last_answer {
                let gap = at.seconds_since(last);
                self.longest_gap_s = Some(self.longest_gap_s.map_or(gap, |longest| longest.max(gap)));
            }
            self.last_answer = self.last_answer.max(Some(at));
        }
    }
}

/// One cause with what speaks for it.
#[derive(Clone, Debug, Serialize)]
pub struct Cause {
    /// One of the words of contract 6.
    pub cause: &'static str,
    /// Share of the exceedance it explains, 0 to 1.
    pub support: f64,
    /// What to look at.
    pub evidence: Vec<Evidence>,
}

/// One thing to look at.
#[derive(Clone, Debug, Serialize)]
pub struct Evidence {
    /// When; none where it is the whole period.
    pub at: Option<Stamp>,
    /// A sentence.
    pub text: String,
}

impl Evidence {
    pub(super) fn at(at: Stamp, text: impl Into<String>) -> Self {
        Self { at: Some(at), text: text.into() }
    }

    pub(super) fn whole(text: impl Into<String>) -> Self {
        Self { at: None, text: text.into() }
    }
}
