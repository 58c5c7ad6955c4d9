//! What a person wants to see while the window runs, from the case so far: time left, export and margin, excursions and
//! challenges, and whether dropping a load now would count. No clock and no terminal here: time comes in as a number.

use super::bench::{Bench, Window, choose};
use super::body::RuleEntry;
use super::judge::decide;
use super::options::LimitOptions;
use super::words::{seconds, watts};
use crate::base::Stamp;
use crate::base::uncertain::median;
use crate::evidence::case::Case;
use crate::evidence::edge::threshold;
use crate::evidence::mean::Line;
use crate::evidence::power::Channel;
use crate::profile::{Load, Per};

/// How things stand in a window under way.
#[derive(Clone, Debug, PartialEq)]
pub struct LiveView {
    /// Until the window's end, in s.
    pub left_s: f64,
    /// The newest power, import positive, in W.
    pub power_w: Option<f64>,
    /// How old that is, in s.
    pub age_s: Option<f64>,
    /// Export averaged as the tightest rule averages, in W.
    pub averaged_export_w: Option<f64>,
    /// From that, with the uncertainty added, to the tightest limit with its tolerance, in W; negative is above.
    pub margin_w: Option<f64>,
    /// For how long the export has surely stood above a limit until now, in s; none when it does not.
    pub above_s: Option<f64>,
    /// Excursions so far: surely above, and possible ones in all.
    pub excursions: (usize, usize),
    /// Challenges that count, and how many are required.
    pub challenges: (usize, usize),
    /// A rule is surely broken already.
    pub broken: bool,
    /// The power has stood still for as long as a step needs to be told from it.
    pub still: bool,
    /// How far readings stood apart that a step must be told from, in W.
    restless_w: f64,
    /// What an excess must be beyond to count, in W.
    needed_w: f64,
    level_w: f64,
    /// Export of the last minutes: (s before now, W, import positive), oldest first.
    pub recent: Vec<(f64, f64)>,
}

/// How long the picture of the last minutes is, in s.
const RECENT_S: f64 = 180.0;

/// How things stand at `now` in a window that started at `start` and shall last until `end`. Nothing before the first
/// reading in it.
pub fn live_view(
    case: &Case,
    options: &LimitOptions,
    (start, end): (Stamp, Stamp),
    now: Stamp,
) -> Option<LiveView> {
    let case = &*options.applied(case);
    let meter = choose(case, options.meter.as_deref())?;
    let limit = case.site.limit.as_ref().filter(|limit| !limit.rules.is_empty())?;
    let window = Window { start, end: now.min(end).max(start) };
    let bench = Bench::of(case, options, meter, limit, window)?;
    let finding = decide(&bench);
    let channel = bench.main()?;
    let last = channel.at.len().checked_sub(1)?;
    let t = now.seconds_since(bench.origin);
    let (level_w, averaging_s) = tightest(&bench)?;
    let expanded_w = channel.expanded_w.get(last).copied().unwrap_or(0.0);
    let line = Line::new(channel.at.iter().copied().zip(channel.active_w.iter().copied()));
    let averaged = line.mean(channel.at[last] - averaging_s, channel.at[last]).map(|mean| (-mean).max(0.0));
    let entries = || finding.body.rules.iter().flat_map(|rule| &rule.excursions);
    let running = entries().filter(|one| one.certain).filter_map(|one| {
        let since = one.start.seconds_since(bench.origin);
        (since + one.longest_s + bench.timing.lag_s() >= channel.at[last] && averaged? > level_w)
            .then_some(t - since)
    });
    let above_s =
        running.fold(None, |most: Option<f64>, one| Some(most.map_or(one, |so_far| so_far.max(one))));
    let counted = bench.challenges.iter().filter(|one| one.counts()).count();
    let restless_w = restless_w(channel, &bench);
    Some(LiveView {
        left_s: (end - now).seconds().max(0.0),
        power_w: Some(channel.active_w[last]),
        age_s: Some(t - channel.at[last]),
        averaged_export_w: averaged,
        margin_w: line
            .mean(channel.at[last] - averaging_s, channel.at[last])
            .map(|mean| level_w + mean - expanded_w),
        above_s,
        excursions: (entries().filter(|one| one.certain).count(), entries().count()),
        challenges: (counted, limit.challenges.max(1) as usize),
        broken: finding.body.rules.iter().any(broken),
        still: restless_w <= threshold(channel, None, bench.noise_w),
        restless_w,
        needed_w: (5.0 * expanded_w).max(0.1 * case.site.rated_w()),
        level_w,
        recent: recent(channel, t),
    })
}

/// Whether a certain excursion surely outlasted the rule, whichever way the meter may count.
fn broken(rule: &RuleEntry) -> bool {
    rule.excursions.iter().any(|one| one.certain && one.shortest_s > rule.longest_s)
}

/// Level (with tolerance) and averaging of the rule that limits the total most, else of any.
fn tightest(bench: &Bench<'_>) -> Option<(f64, f64)> {
    let of = |per: Per| {
        bench
            .limit
            .rules
            .iter()
            .filter(|rule| rule.applies_per() == per)
            .filter_map(|rule| Some((rule.limit_w(&bench.case.site)? + rule.tolerance_w, rule.averaging_s)))
            .min_by(|a, b| a.0.total_cmp(&b.0))
    };
    of(Per::Total).or_else(|| of(Per::Phase))
}

/// How far the newest readings stand from their middle, over the time a step is told from: three readings at least, and
/// as many as the lag holds.
fn restless_w(channel: &Channel, bench: &Bench<'_>) -> f64 {
    let Some(last) = channel.at.last() else { return f64::INFINITY };
    let from = last - 1.2 * bench.timing.lag_s();
    let first = channel.at.partition_point(|at| *at < from).min(channel.at.len().saturating_sub(3));
    let values = &channel.active_w[first..];
    if values.len() < 3 {
        return f64::INFINITY;
    }
    let middle = median(values);
    values.iter().fold(0.0, |most, value| (value - middle).abs().max(most))
}

fn recent(channel: &Channel, now: f64) -> Vec<(f64, f64)> {
    let first = channel.at.partition_point(|at| *at < now - RECENT_S);
    channel.at[first..].iter().zip(&channel.active_w[first..]).map(|(at, power)| (now - at, *power)).collect()
}

impl LiveView {
    /// Whether switching this load off now would be a challenge that counts; else why not, in words.
    ///
    /// # Errors
    /// A sentence about what to wait for.
    pub fn drop_would_count(&self, load: &Load) -> Result<(), String> {
        let power_w = self.power_w.ok_or("no reading yet")?;
        let least_w = load.power_w * (1.0 - load.tolerance);
        let excess_w = least_w - power_w - self.level_w;
        if excess_w <= self.needed_w {
            return Err(format!(
                "{} off would pass the limit by {} only, {} needed: wait for more sun, or use a larger load",
                load.name,
                watts(excess_w.max(0.0)),
                watts(self.needed_w)
            ));
        }
        // Half of what a step of this load must stand out by (`evidence::reaction`).
        if self.still || self.restless_w <= 0.05 * load.power_w {
            Ok(())
        } else {
            Err("the power has not settled yet".to_owned())
        }
    }

    /// Two lines of at most 79 characters: time, export and margin; excursions and challenges.
    pub fn lines(&self) -> [String; 2] {
        let flow = match self.power_w {
            Some(power) if power < 0.0 => format!("export {}", watts(-power)),
            Some(power) => format!("import {}", watts(power)),
            None => "no reading".to_owned(),
        };
        let stale = match self.age_s {
            Some(age) if age > 5.0 => format!(" ({} OLD)", seconds(age.round())),
            _ => String::new(),
        };
        let margin = match (self.above_s, self.margin_w) {
            (Some(above), _) => format!("ABOVE for {}", seconds(above.round())),
            (None, Some(margin)) if margin >= 0.0 => format!("margin {}", watts(margin)),
            (None, Some(_)) => "at the limit".to_owned(),
            (None, None) => String::new(),
        };
        let averaged =
            self.averaged_export_w.map(|export| format!("mean {}", watts(export))).unwrap_or_default();
        let (sure, possible) = self.excursions;
        [
            format!("{} left   {flow}{stale}   {averaged}   {margin}", seconds(self.left_s.round())),
            format!(
                "excursions: {sure} sure, {possible} possible   challenges: {} of {}{}",
                self.challenges.0,
                self.challenges.1,
                if self.broken { "   LIMIT BROKEN" } else { "" }
            ),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Span;
    use crate::check::limit::tests::world::{Plan, WINDOW_FROM_S};

    fn view(plan: &Plan, at: f64) -> LiveView {
        let case = plan.case(&plan.truth());
        let start = case.span.unwrap().0;
        let stamp = |t: f64| start + Span::from_seconds(t);
        let part = case.between(start, stamp(at));
        let window = (stamp(WINDOW_FROM_S), stamp(plan.window_end_s()));
        live_view(&part, &LimitOptions::default(), window, stamp(at)).unwrap()
    }

    fn fits(view: &LiveView) -> bool {
        view.lines().iter().all(|line| line.chars().count() <= 79)
    }

    #[test]
    fn a_view_tells_when_a_drop_would_count() {
        let plan = Plan::held();
        let heater = Load {
            name: "heater".into(),
            power_w: 2000.0,
            rated_v: None,
            resistive: true,
            power_factor: 1.0,
            leading: false,
            tolerance: 0.1,
            phase: None,
        };
        // Switched on at 20 s, the control has followed by 38 s: a drop counts. Off since 42 s, settled at 60 s: nothing is
        // on that could drop, which the procedure knows; the power alone would allow it.
        let settled = view(&plan, 38.0);
        assert!(settled.still && settled.drop_would_count(&heater).is_ok(), "{settled:?}");
        assert!(settled.margin_w.unwrap() > 100.0 && settled.above_s.is_none());
        // Right after switching on nothing has settled, and 2 kW are imported.
        let early = view(&plan, 20.6);
        assert!(early.drop_would_count(&heater).is_err(), "{early:?}");
        // Without sun a drop shows nothing.
        let dark = view(&Plan { sun: 0.05, ..Plan::held() }, 38.0);
        assert!(dark.drop_would_count(&heater).unwrap_err().contains("sun"));
        let late = view(&plan, 150.0);
        assert_eq!(late.challenges, (3, 3));
        assert!(!late.broken && fits(&late), "{:?}", late.lines());
    }

    #[test]
    fn a_view_says_that_the_export_stands_above() {
        let view = view(&Plan { controlled: false, ..Plan::held() }, 60.0);
        assert!(view.above_s.unwrap() > 10.0 && view.broken, "{view:?}");
        assert!(view.lines()[0].contains("ABOVE") && fits(&view), "{:?}", view.lines());
    }
}
