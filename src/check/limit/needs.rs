//! What a pass needs beside kept rules, and whether it was there. Each need that is missing gives a reason and what would
//! settle it; a pass needs the list to be empty.

use super::bench::Bench;
use super::options::CtDocument;
use super::rules::bounded_gaps;
use super::words::{seconds, watts};
use crate::base::{Phase, Span};
use crate::evidence::Binding;
use crate::evidence::MeterCase;
use crate::evidence::energy::{Counter, possibly_exported_wh};
use crate::evidence::load_step::LoadStep;
use crate::evidence::power::Channel;
use crate::profile::MeterRole;
use crate::reading::{judge_settings, unread_settings};
use crate::record::MarkKind;

/// A need that was not met.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// Why no pass.
    pub reason: String,
    /// What would settle it.
    pub next: String,
}

/// What the marked steps of known loads say about the meter's direction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// Shown by the meter's `ct` pass.
    ByCt,
    /// Shown by this many steps of known loads.
    ByLoads(usize),
    /// This many steps went the wrong way and this many the right way.
    Against(usize, usize),
    /// Nothing, or too little, shows it.
    Unknown(usize),
}

/// Steps of known loads that must agree: one on and one off, or two of a kind (ours).
const AGREEING: usize = 2;

/// The mean way of all marked loads counts as wrong from this many standard errors (ours).
const AGAINST: f64 = 4.0;

/// The latest `ct` document on this meter of this site: given by option, or in the captures; and whether it is a pass.
pub fn ct_pass(bench: &Bench<'_>) -> Option<bool> {
    let (site, meter) = (&bench.case.site.name, &bench.meter.meter.name);
    let of_this = |document: &CtDocument| document.is_of(site, meter);
    let recorded = bench
        .case
        .marks
        .iter()
        .filter(|mark| mark.kind == MarkKind::Verdict)
        .filter_map(|mark| CtDocument::parse(mark.text.as_deref()?).ok())
        .rfind(|document| of_this(document));
    let given = bench.options.ct_document.clone().filter(of_this);
    // A recorded failure is not outvoted by a document from elsewhere.
    match (recorded, given) {
        (Some(one), other) => {
            Some(one.passes(site, meter) && other.is_none_or(|other| other.passes(site, meter)))
        }
        (None, Some(one)) => Some(one.passes(site, meter)),
        (None, None) => None,
    }
}

/// The meter's direction.
pub fn direction(bench: &Bench<'_>) -> Direction {
    let known = bench.steps.iter().filter(|step| step.size_w.is_some());
    let ways: Vec<bool> = known.filter_map(LoadStep::right_way).collect();
    let right = ways.iter().filter(|right| **right).count();
    let wrong = ways.len() - right;
    if wrong > 0 && right < 4 * wrong {
        return Direction::Against(wrong, right);
    }
    // All marks together may tell what no single step does.
    if right < AGREEING && bench.mean_way.is_some_and(|way| way < -AGAINST) {
        return Direction::Against(wrong.max(1), right);
    }
    if ct_pass(bench) == Some(true) {
        return Direction::ByCt;
    }
    match (wrong, right) {
        (0, right) if right >= AGREEING => Direction::ByLoads(right),
        (0, right) => Direction::Unknown(right),
        // Something else switched at the wrong moment; a meter that counts the wrong way shows most steps wrong.
        (wrong, right) if right >= 4 * wrong && right >= 2 * AGREEING => Direction::ByLoads(right),
        (wrong, right) => Direction::Against(wrong, right),
    }
}

/// Everything a pass needs and that was not there, most important first.
pub fn missing(bench: &Bench<'_>) -> Vec<Missing> {
    let mut list = List(Vec::new());
    let Some(main) = bench.main() else {
        list.add("the meter reports no active power", "name its power points in the profile");
        return list.0;
    };
    list.direction(bench, main);
    list.meter(bench);
    list.challenges(bench);
    list.coverage(bench, main);
    list.speed(bench, main);
    list.accuracy(bench);
    list.counter(bench, main);
    list.settings(bench);
    let bound = &bench.case.binding;
    for (binds, [reason, next]) in [(bound.part, Binding::PART), (bound.shared_line, Binding::SHARED)] {
        if binds {
            list.add(reason, next);
        }
    }
    list.0
}

struct List(Vec<Missing>);

impl List {
    fn add(&mut self, reason: impl Into<String>, next: impl Into<String>) {
        self.0.push(Missing { reason: reason.into(), next: next.into() });
    }

    /// Direction, and whether the meter can report export at all.
    fn direction(&mut self, bench: &Bench<'_>, main: &Channel) {
        match direction(bench) {
            Direction::ByCt | Direction::ByLoads(_) => {}
            Direction::Against(wrong, right) => self.add(
                format!(
                    "{wrong} marked step{} of known loads went the wrong way on this meter ({right} the right way): it may \
                     count export as import",
                    if wrong == 1 { "" } else { "s" }
                ),
                "check the direction with `ct`, correct the clamp or the setting, never both, and repeat the window",
            ),
            Direction::Unknown(right) => self.add(
                format!(
                    "nothing shows which way this meter counts ({right} marked step{} of a known load seen in this window, \
                     {AGREEING} needed)",
                    if right == 1 { "" } else { "s" }
                ),
                "switch a known load on and off during the window and mark it, or rely on a `ct` pass of this meter",
            ),
        }
        let negative = main.active_w.iter().any(|power| *power < -(2.0 * main.resolution_w).max(5.0));
        if !main.can_be_negative {
            self.add(
                "the registers of this power hold no sign: export would read as import",
                "name the meter's signed power, its direction flag, or its registers for each direction in the profile",
            );
        } else if !negative && ct_pass(bench) != Some(true) {
            // What the profile says is not enough here: a meter without sign shows a load drop as a dip and a return.
            self.add(
                "nothing shows that this meter's power can go negative: no reading of it ever did",
                "let the plant feed in for a moment and read it before the window, or rely on a `ct` pass of this meter",
            );
        }
    }

    /// Whose meter.
    fn meter(&mut self, bench: &Bench<'_>) {
        if bench.meter.meter.role == MeterRole::Reference {
            return;
        }
        let role = bench.meter.meter.role.word();
        match ct_pass(bench) {
            Some(true) => {}
            Some(false) => self.add(
                format!("the {role} meter's last `ct` check on this site did not pass"),
                "correct what `ct` found, let it pass, then repeat the window",
            ),
            None => self.add(
                format!("this is a {role} meter without a `ct` pass on this site: it proves only that it believes itself"),
                "run `ct` on this meter and give its capture or document (--ct), or judge an independent reference meter",
            ),
        }
    }

    fn challenges(&mut self, bench: &Bench<'_>) {
        let required = bench.limit.challenges.max(1) as usize;
        let counted = bench.challenges.iter().filter(|one| one.counts()).count();
        if bench.case.site.plants.is_empty() {
            self.add(
                "the site file names no plant: nothing here is known to export, and no challenge can be measured against it",
                "add each [[plant]] with its rated_W to the site file",
            );
        }
        if counted < required {
            let mut reason = format!("{counted} of {required} challenges: ");
            reason.push_str(match bench.challenges.len() {
                0 if counted == 0 => "the control had nothing to do, so a limit that held shows nothing",
                _ => "the control was not tried hard enough",
            });
            self.add(
                reason,
                "with the sun on the plant, switch off a large load and mark it, as often as the site file asks",
            );
            let mut seen: Vec<&str> = Vec::new();
            for why in bench.challenges.iter().filter_map(|one| one.why_not.as_deref()) {
                let kind = why.split(':').next().unwrap_or(why);
                if !seen.contains(&kind) {
                    seen.push(kind);
                    self.add(format!("a challenge does not count: {why}"), next_for(why));
                }
            }
        }
        let unseen = bench.steps.iter().filter(|step| !step.on && step.edge.is_none()).count();
        if counted < required && unseen > 0 {
            self.add(
                format!(
                    "{unseen} marked load drop{} can't be told in the readings: the control answered between two of them, the power \
                     was restless, or the load did not switch",
                    if unseen == 1 { "" } else { "s" }
                ),
                "see that the load does switch; read more often (--every), or from a meter that renews its values faster",
            );
        }
        let absorbing = bench.challenges.iter().any(|one| one.storage_could_absorb)
            || (bench.challenges.is_empty()
                && crate::evidence::storage::could_absorb(bench.case, bench.window.end));
        if absorbing && counted < required {
            self.add(
                "a storage on this site could have absorbed the surplus: nothing shows that it was full, off or idle",
                "fill the battery or stop its charging and mark it as idle (storage-idle), or read its state of charge",
            );
        }
        let lost = |one: &crate::evidence::challenge::Challenge| {
            one.kind == crate::evidence::challenge::ChallengeKind::SignalLoss && one.counts()
        };
        if bench.options.signal_loss && !bench.challenges.iter().any(lost) {
            self.add(
                "the loss of the steering signal was asked for, and none was seen that ended the export",
                "take the steering signal away while the plant delivers, mark it, and wait for the export to end",
            );
        }
    }

    fn coverage(&mut self, bench: &Bench<'_>, main: &Channel) {
        let (duration, asked) = (bench.duration_s(), bench.options.window_s.unwrap_or(bench.limit.window_s));
        // Two hundredths are the time people and polls take to begin and end (ours).
        if duration < 0.98 * asked {
            self.add(
                format!("the window lasted {}, {} asked", seconds(duration), seconds(asked)),
                "run the whole window, or set window_s to what your operator asks for",
            );
        }
        let coverage = &bench.coverage;
        if coverage.share < 0.99 {
            self.add(
                format!(
                    "only {:.1} % of the window lies between readings close enough together (99 % needed)",
                    (1000.0 * coverage.share).floor() / 10.0
                ),
                "repeat the window with a quiet line and no other program on it",
            );
        }
        if main.at.is_empty() || coverage.gaps.is_empty() {
            return;
        }
        let hidden = coverage.gaps.iter().filter(|gap| {
            bench.limit.rules.iter().any(|rule| {
                let Some(limit) = rule.limit_w(&bench.case.site) else { return true };
                !bounded_gaps(bench, rule, main, limit + rule.tolerance_w)
                    .iter()
                    .any(|(before, _)| (before - gap.between.0).abs() < 1e-9)
            })
        });
        let longest = hidden.map(|gap| gap.length()).fold(0.0, f64::max);
        if longest > 0.0 {
            self.add(
                format!(
                    "a gap of {} without readings, {} is the most, and no export counter bounds what passed in it",
                    seconds(longest),
                    seconds(bench.bounds.gap_s)
                ),
                "repeat the window; a fine export counter in the profile, with `netting` in the site file, would bound a gap",
            );
        }
    }

    /// Readings and meter fast enough.
    fn speed(&mut self, bench: &Bench<'_>, main: &Channel) {
        let needed = bench.bounds.fast_s;
        let timing = &bench.timing;
        let measured =
            timing.averaging_measured_s.is_some_and(|measured| measured > timing.averaging_profile_s);
        let averages =
            if measured { "steps show as if the meter averages over" } else { "the meter averages over" };
        let parts = [
            ("readings came", bench.coverage.spacing_s, "apart"),
            ("the meter renews its values every", timing.update_s, ""),
            (averages, timing.averaging_s, ""),
        ];
        let mut slow = false;
        for (what, value, after) in parts {
            if value > needed {
                slow = true;
                let space = if after.is_empty() { "" } else { " " };
                self.add(
                    format!(
                        "{what} {}{space}{after}; the rules need {} at most",
                        seconds(value),
                        seconds(needed)
                    ),
                    format!("read at least every {}, from a meter that is as fast", seconds(needed)),
                );
            }
        }
        let (Some(allowed), false) = (bench.bounds.shortest_allowed_s, slow) else { return };
        let left = main.at.partition_point(|at| *at < bench.from);
        let right = main.at.partition_point(|at| *at <= bench.to);
        let covered = main.at[left..right].windows(2).map(|pair| pair[1] - pair[0]);
        let widest = covered.filter(|step| *step <= bench.bounds.gap_s).fold(0.0, f64::max);
        let unseen = widest + timing.lag_s();
        if unseen > allowed {
            self.add(
                format!(
                    "an excursion of up to {} could pass between two readings unseen; {} allowed",
                    seconds(unseen),
                    seconds(allowed)
                ),
                "read more often, or use a meter that renews its values faster",
            );
        }
    }

    fn accuracy(&mut self, bench: &Bench<'_>) {
        if bench.meter.meter.class.is_none() {
            self.add(
                "the site file gives no accuracy class for this meter; class 2 was assumed",
                "write the class that stands on the meter into the site file (class = \"1\")",
            );
        }
        if bench.power.total_only && bench.case.site.rated_w() <= 0.0 && !bench.case.site.plants.is_empty() {
            self.add(
                "the meter reports only the total and the plants have no rated power: its uncertainty is unknown",
                "give each [[plant]] its rated_W",
            );
        }
    }

    /// The meter's own settings: what the site file says, and the same from start to end.
    fn settings(&mut self, bench: &Bench<'_>) {
        let MeterCase { meter, profile, series } = bench.meter;
        for remark in judge_settings(profile, meter, series) {
            self.add(
                format!("{}; expected {}", remark.saw, remark.expected),
                "set the meter or the site file right, never both, leave it alone, and repeat the window",
            );
        }
        let at = |seconds| bench.origin + Span::from_seconds(seconds);
        for one in unread_settings(profile, series, at(bench.from), Some(at(bench.to))) {
            if one.asked {
                self.add(
                    format!("the meter's {}: whether it stayed what it was is not known", one.missing),
                    "let the check end by itself with the line sound, so that the settings are read again; or repeat the window",
                );
            }
        }
    }

    /// An export counter that counted more than the readings show.
    fn counter(&mut self, bench: &Bench<'_>, main: &Channel) {
        let phase = if main.phase == Phase::Total { Phase::Total } else { main.phase };
        let Some(counter) = Counter::of(bench.meter, &bench.case.site, phase, bench.origin) else { return };
        let Some(counted) = counter.least_wh(bench.from, bench.to).filter(|_| counter.own) else { return };
        let possible = possibly_exported_wh(main, bench.from, bench.to);
        let hidden = counted - possible * 1.02 - 0.1;
        if hidden > 0.0 {
            self.add(
                format!(
                    "the meter's export counter rose by {counted:.1} Wh at least, and the readings show {possible:.1} Wh at most: \
                     something was exported between the readings ({} on average)",
                    watts(hidden * 3600.0 / (bench.to - bench.from))
                ),
                "read more often; if it remains, check the profile's scale of power and of the counter",
            );
        }
    }
}

fn next_for(why: &str) -> &'static str {
    if why.starts_with("too small") {
        "use a larger load, or wait for more sun"
    } else if why.contains("storage") {
        "fill the battery or stop its charging, and mark it as idle"
    } else if why.contains("come back") {
        "leave the load off until the export has come back"
    } else if why.contains("swings") {
        "mend the control's hunting first, then repeat the challenge"
    } else if why.contains("no mark") {
        "mark each load that is switched, or add the plant's own meter to the site file"
    } else if why.contains("signal") {
        "leave the signal away until the plant has stopped"
    } else {
        "repeat the challenge with the plant delivering"
    }
}
