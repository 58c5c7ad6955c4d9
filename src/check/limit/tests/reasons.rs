//! Whether a reason that was given really held, from what was put into the world and from the plain readings: nothing that
//! finds steps, excursions or challenges is used.

use super::truth::{Kept, TrueRule, kept};
use super::world::{Plan, STEP_S, Truth, WINDOW_FROM_S};
use crate::base::{Phase, PointKey, Quantity};
use crate::check::Finding;
use crate::check::limit::LimitBody;
use crate::evidence::case::Case;

/// Everything a reason is held against.
pub(super) struct Ground<'a> {
    pub(super) plan: &'a Plan,
    pub(super) truth: &'a Truth,
    pub(super) rules: &'a [TrueRule],
    pub(super) kept: &'a [Kept],
    pub(super) case: &'a Case,
    pub(super) finding: &'a Finding<LimitBody>,
}

impl Ground<'_> {
    /// The kind of a reason, and whether it held; nothing where this can't tell.
    pub(super) fn held(&self, reason: &str) -> (&'static str, Option<bool>) {
        let plan = self.plan;
        let (needed, bound) = (self.needed_s(), self.bound_s());
        let profile = |real: f64, said: f64| real.max(said);
        let update = profile(plan.update_s, plan.profile_update_s);
        let averaging = profile(plan.averaging_s, plan.profile_averaging_s);
        let has = |words: &str| reason.contains(words);
        let gaps = || !plan.gaps.is_empty() || plan.spacing_s * 1.3 > bound;
        if has("went the wrong way") {
            ("wrong way", Some(plan.reversed || plan.unsigned))
        } else if has("nothing shows which way") {
            ("direction unknown", Some(self.visible(true) + self.visible(false) < 4))
        } else if has("hold no sign") {
            ("no sign", Some(plan.unsigned))
        } else if has("can go negative") {
            ("never negative", Some(self.lowest_w() > -(2.0 * plan.resolution_w).max(5.0) - 1e-6))
        } else if has("without a `ct` pass") {
            ("steering", Some(plan.role == "steering"))
        } else if has("challenges: ") {
            ("too few challenges", Some(self.challenges()))
        } else if has("a challenge does not count") {
            ("a challenge does not count", self.does_not_count(reason))
        } else if has("can't be told in the readings") {
            (
                "not told",
                Some(self.visible(false) < self.drops().count() || self.drops().any(|at| self.restless(at))),
            )
        } else if has("storage on this site") {
            ("storage", Some(plan.storage && !plan.storage_idle))
        } else if has("lies between readings close enough")
            || has("without readings")
            || has("nothing was read")
        {
            ("gap", Some(gaps()))
        } else if has("readings came") {
            ("slow readings", Some(plan.spacing_s > 0.98 * needed))
        } else if has("renews its values every") {
            ("slow meter", Some(update > 0.9 * needed))
        } else if has("as if the meter averages over") {
            ("as if a long mean", Some(averaging + update > 0.9 * needed))
        } else if has("averages over") {
            ("long mean", Some(averaging > 0.9 * needed))
        } else if has("between two readings unseen") {
            let allowed = self.allowed_s();
            (
                "unseen",
                Some(plan.spacing_s * 1.3 + update + averaging > 0.95 * allowed || !plan.gaps.is_empty()),
            )
        } else if has("accuracy class") {
            ("class", Some(plan.class.is_none()))
        } else if has("shared with another master") {
            ("shared", Some(plan.shared))
        } else if has("the window lasted") {
            ("short window", Some(self.window_s() < 0.98 * plan.window_s))
        } else if has("as this meter counts") {
            (
                "as it counts",
                self.rule_of(reason.trim_start_matches("as this meter counts, "))
                    .filter(|k| !self.rules[*k].per_phase)
                    .map(|k| self.counted_above(k)),
            )
        } else if has("closer to it than the uncertainty") {
            ("margin", self.rule_of(reason).map(|k| self.close(k)))
        } else if has("lasted between") {
            ("length", self.rule_of(reason).map(|k| self.between(k)))
        } else if has("% of the window") {
            let share = |k: usize| self.finding.body.rules[k].share_at_most + 0.01 >= self.kept[k].share;
            ("share", self.rule_of(reason).map(share))
        } else if has("shorter than the mean") {
            (
                "window shorter than mean",
                self.rule_of(reason).map(|k| self.window_s() < self.rules[k].averaging_s),
            )
        } else {
            ("other", None)
        }
    }

    fn needed_s(&self) -> f64 {
        self.finding.body.timing.needed_s.unwrap_or(f64::INFINITY)
    }

    fn allowed_s(&self) -> f64 {
        self.rules
            .iter()
            .map(|rule| rule.longest_s)
            .filter(|longest| *longest > 0.0)
            .fold(f64::INFINITY, f64::min)
    }

    fn bound_s(&self) -> f64 {
        let half = self.allowed_s() / 2.0;
        let ceilings = self.rules.iter().filter(|rule| rule.longest_s <= 0.0).map(|rule| rule.averaging_s);
        ceilings.fold(if half.is_finite() { half } else { 2.0 }, f64::min)
    }

    /// `rule 2 (…` is 1, `the rule` is 0.
    fn rule_of(&self, reason: &str) -> Option<usize> {
        let number =
            reason.strip_prefix("rule ").and_then(|rest| rest.split(' ').next()?.parse::<usize>().ok());
        let index = number.map_or(0, |number| number - 1);
        (index < self.rules.len()).then_some(index)
    }

    fn readings(&self) -> Vec<(f64, f64)> {
        let meter = &self.case.meters[0];
        let of = |phase: Phase| meter.series.points.get(&PointKey::Of(Quantity::ActivePower, phase));
        let series = of(Phase::Total).or_else(|| of(Phase::L1));
        let start = self.case.span.map(|(start, _)| start).unwrap_or_default();
        series.map_or_else(Vec::new, |series| {
            series.samples.iter().map(|one| (one.at.seconds_since(start), one.value)).collect()
        })
    }

    fn window_s(&self) -> f64 {
        self.plan.window_end_s() - WINDOW_FROM_S
    }

    /// Whether the plain readings stand above the limit for longer than the rule allows, give or take one on either side.
    fn counted_above(&self, k: usize) -> bool {
        let rule = self.rules[k];
        let (mut longest_s, mut since) = (0.0_f64, None);
        for (at, power) in self.readings() {
            if -power > rule.level_w {
                let from = *since.get_or_insert(at);
                longest_s = longest_s.max(at - from + 2.0 * self.plan.spacing_s + rule.averaging_s);
            } else {
                since = None;
            }
        }
        longest_s > rule.longest_s
    }

    fn lowest_w(&self) -> f64 {
        self.readings().iter().fold(f64::INFINITY, |lowest, (_, power)| lowest.min(*power))
    }

    fn lag_s(&self) -> f64 {
        self.plan.update_s + self.plan.averaging_s
    }

    /// Marked switches in the window, on or off, after which a reading moved by half the load before anything else could.
    fn visible(&self, on: bool) -> usize {
        let plan = self.plan;
        if !plan.marked || plan.mark_after_s.abs() > 1.6 {
            return 0;
        }
        let readings = self.readings();
        let seen = |at: f64| {
            let index = readings.partition_point(|(t, _)| *t <= at);
            let Some((_, before)) = index.checked_sub(1).map(|i| readings[i]) else { return false };
            let until = at + self.lag_s() + 2.5 * plan.spacing_s;
            let after = readings[index..].iter().take_while(|(t, _)| *t <= until);
            let sign = if on { 1.0 } else { -1.0 };
            after.fold(0.0_f64, |most, (_, power)| most.max(sign * (power - before))) >= 0.5 * plan.load_w
        };
        self.switches(on).filter(|at| seen(*at)).count()
    }

    fn switches(&self, on: bool) -> impl Iterator<Item = f64> + '_ {
        let inside = |at: f64| at > WINDOW_FROM_S + 2.0 && at < self.plan.window_end_s() - 2.0;
        let all = self.plan.switches.iter().copied().enumerate();
        all.filter(move |(index, at)| self.plan.switches_on(*index) == on && inside(*at)).map(|(_, at)| at)
    }

    /// Whether the true power, at the times of the readings, rose and fell by itself by what counts as a step of the load
    /// (a fifth of it) between the answer to the switch before and this one.
    fn restless(&self, at: f64) -> bool {
        let plan = self.plan;
        let before = plan.switches.iter().copied().rfind(|other| *other < at - 0.01);
        let answered_s = plan.dead_s + 5.0 * plan.tau_s + self.lag_s();
        let from = before.map_or(WINDOW_FROM_S, |before| before + answered_s);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        let (mut rise, mut fall) = (0.0_f64, 0.0_f64);
        for (t, _) in self.readings().into_iter().filter(|(t, _)| (from..at - 0.1).contains(t)) {
            let power = self.true_w(t);
            (low, high) = (low.min(power), high.max(power));
            (rise, fall) = (rise.max(power - low), fall.max(high - power));
        }
        rise.min(fall) >= 0.2 * plan.load_w
    }

    fn drops(&self) -> impl Iterator<Item = f64> + '_ {
        self.switches(false)
    }

    /// Challenges are looked for in the total where a rule limits it, else in the phase the load is on.
    fn all_per_phase(&self) -> bool {
        self.rules.iter().all(|rule| rule.per_phase)
    }

    fn true_w(&self, t: f64) -> f64 {
        let power = if self.all_per_phase() {
            &self.truth.phases_w[self.plan.load_phase]
        } else {
            &self.truth.total_w
        };
        power[((t / STEP_S).round().max(0.0) as usize).min(power.len() - 1)]
    }

    fn level_w(&self) -> f64 {
        self.rules
            .iter()
            .filter(|rule| rule.per_phase == self.all_per_phase())
            .map(|rule| rule.level_w)
            .fold(f64::INFINITY, f64::min)
    }

    /// How far a drop would have taken the export above the limit, over what is needed for it to count.
    fn excess(&self, at: f64) -> (f64, f64) {
        let needed = (0.1 * self.plan.rated_w).max(5.0 * self.finding.body.expanded_uncertainty_w);
        (self.plan.load_w - self.true_w(at - 0.1) - self.level_w(), needed)
    }

    /// Whether the export was back before the load was.
    fn came_back(&self, at: f64) -> bool {
        let next = self.plan.switches.iter().copied().find(|other| *other > at + 0.01);
        let until = next.unwrap_or(f64::INFINITY).min(self.plan.window_end_s())
            - self.lag_s()
            - 2.0 * self.plan.spacing_s;
        let margin = self.finding.body.expanded_uncertainty_w;
        until > at && -self.true_w(until) <= self.level_w() - margin
    }

    /// Whether fewer drops than asked for were surely challenges.
    fn challenges(&self) -> bool {
        let counts = |at: &f64| {
            let (excess, needed) = self.excess(*at);
            excess > 1.2 * needed + 0.1 * self.plan.load_w && self.came_back(*at)
        };
        let sure = if self.plan.storage && !self.plan.storage_idle {
            0
        } else {
            self.drops().filter(counts).count()
        };
        sure.min(self.visible(false)) < self.plan.challenges as usize
    }

    fn does_not_count(&self, reason: &str) -> Option<bool> {
        if reason.contains("too small") {
            let small = |at: f64| {
                let (excess, needed) = self.excess(at);
                excess < 1.3 * needed + 0.15 * self.plan.load_w
            };
            Some(self.drops().any(small) || self.visible(false) < self.drops().count())
        } else if reason.contains("storage") {
            Some(self.plan.storage && !self.plan.storage_idle)
        } else if reason.contains("come back") {
            let late = self.drops().any(|at| !self.came_back(at));
            Some(late || !self.plan.gaps.is_empty())
        } else if reason.contains("swings") {
            // A control of this lag hunts from a dead time of some 0.8 of it on (first order behind a dead time).
            let hunts = self.plan.controlled && !self.plan.sharp && self.plan.tau_s < 1.3 * self.plan.dead_s;
            Some(hunts || self.plan.clouds > 0.0)
        } else if reason.contains("no mark says") {
            Some(!self.plan.marked || self.plan.mark_after_s.abs() > 1.6 || self.plan.clouds > 0.0)
        } else {
            None
        }
    }

    /// Whether the true export stood nearer to the limit than the uncertainty, for as long as the rule allows at most.
    fn close(&self, k: usize) -> bool {
        let rule = self.rules[k];
        let u = self.finding.body.expanded_uncertainty_w;
        let margin = 3.0 * u + 4.0 * self.plan.noise_w + 2.0 * self.plan.resolution_w;
        let near = kept(self.plan, self.truth, TrueRule { level_w: rule.level_w - margin, ..rule });
        // A ceiling takes what lies between two readings at its worst.
        let blur = 2.6 * self.plan.spacing_s
            + self.lag_s().max(self.plan.profile_update_s + self.plan.profile_averaging_s);
        if rule.longest_s > 0.0 {
            near.longest_s + blur > rule.longest_s || !self.plan.gaps.is_empty()
        } else {
            let reach = (2.0 * blur / rule.averaging_s).min(1.0) * self.plan.load_w;
            let worst = self.kept[k].worst_w;
            worst + margin + reach > rule.level_w
        }
    }

    /// Whether the true length lies between the two given.
    fn between(&self, k: usize) -> bool {
        let found = &self.finding.body.rules[k];
        let shown = found.excursions.iter().map(|one| (one.shortest_s, one.longest_s));
        let (least, most) = shown.fold((0.0_f64, 0.0_f64), |so, one| (so.0.max(one.0), so.1.max(one.1)));
        let truth = self.kept[k].longest_s;
        least <= truth + 0.1 && truth <= most + 0.1
    }
}
