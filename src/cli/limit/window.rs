//! The live window: prepared, opened, challenged by load drops at useful moments, closed and judged. It can be extended, is
//! ended by word and bell when the export passes a threshold, and goes on through a lost line.

use super::super::args::LiveArgs;
use super::super::exit::Exit;
use super::super::hands::{Ask, Hands, Prompt, Reply};
use super::super::judge::{Check, Outcome};
use super::super::out::Out;
use super::super::source::SetUp;
use super::super::subject::meter_index;
use super::super::visit::{Visit, Waited};
use super::picture;
use super::watcher::Watcher;
use crate::base::{Failure, Span, Stamp};
use crate::check::limit::foresee::{foresee, preparation};
use crate::check::limit::{self, LimitOptions, LiveView, live_view};
use crate::profile::{Limit, Load, MeterRole, Profile, Site};
use crate::record::MarkKind;

/// A load stays on, and off, no longer than this when nothing has to be waited for: nobody wants to wait. Ours.
const HOLD_MOST_S: f64 = 45.0;
/// What the window runs on before the first load, and the capture after the window, in s. Ours.
const AROUND_S: f64 = 1.0;
/// How often a window that lacks challenges may be extended, and by what share of itself. Ours.
const EXTENSIONS: (u32, f64) = (3, 0.5);

/// Runs a window with these hands and judges it.
///
/// # Errors
/// No rule to judge or no meter to judge by, the line fails, interrupted.
pub(crate) fn run_window(
    set_up: SetUp,
    args: &LiveArgs,
    options: &[String],
    hands: &mut dyn Hands,
    out: &Out,
) -> Result<(Outcome, Exit), Failure> {
    let judged = LimitOptions::from_lines(options).map_err(Failure::usage)?;
    let mut site = set_up.site.clone();
    site.limit = judged.limit(&site);
    let limit = site.limit.clone().filter(|limit| !limit.rules.is_empty()).ok_or_else(|| {
        Failure::usage("there is no limit to check")
            .hint("add [[limit.rule]] to the site file (docs/limits.md), or name it: --export 0W")
    })?;
    let index = meter_index(&site, judged.meter.as_deref(), [MeterRole::Reference, MeterRole::Steering])?;
    let (meter, profile) = (site.meters[index].clone(), set_up.profiles[index].clone());
    let mut visit = Visit::begin(Check::Limit, options, set_up, args, hands, out)?;
    for text in foresee(&site, &meter, &profile, visit.every().map(Span::seconds)) {
        visit.tell(&format!("before it starts: {text}"));
    }
    for text in preparation(&site, &meter, &profile, visit.every().map(Span::seconds)) {
        visit.tell(&format!("  - {text}"));
    }
    let length_s = judged.window_s.unwrap_or(limit.window_s);
    let rest = rest_s(&profile, visit.every());
    let now = visit.now();
    let mut window = Window {
        visit,
        site,
        limit,
        judged,
        length_s,
        rest,
        start: now,
        end: now,
        open: false,
        warned: false,
        signal_away: false,
    };
    let came = window.run();
    // Ctrl-C, another master, a threshold: whichever way the window ends, the plant must not stay without its signal.
    if window.signal_away {
        window.visit.alarm("the steering signal is still away: give it back now");
    }
    came?;
    window.close()
}

/// How long the power must stand still before a step can be told from it: the meter's lag and three readings.
fn rest_s(profile: &Profile, every: Option<Span>) -> f64 {
    let lag = |point: &crate::profile::Point| {
        profile.update_of(point).seconds() + profile.averaging_of(point).seconds()
    };
    let slowest = profile.points.iter().map(lag).fold(0.0, f64::max);
    let every_s = every.map_or(1.0, Span::seconds);
    (1.2 * slowest.max(every_s) + 3.0 * every_s + 0.5).max(2.0)
}

struct Window<'a> {
    visit: Visit<'a>,
    site: Site,
    limit: Limit,
    judged: LimitOptions,
    length_s: f64,
    rest: f64,
    start: Stamp,
    end: Stamp,
    open: bool,
    warned: bool,
    /// The steering signal was taken away, and nobody has said that it is back.
    signal_away: bool,
}

impl Window<'_> {
    fn run(&mut self) -> Result<(), Failure> {
        if self.prepare()? == Waited::Through { self.hold() } else { Ok(()) }
    }

    /// Storage idle, person ready.
    fn prepare(&mut self) -> Result<Waited, Failure> {
        for plant in self.site.plants.clone().into_iter().filter(|plant| plant.storage) {
            let ask = Ask::StorageIdle { plant: plant.name.clone() };
            let text = format!("{}: is the battery full, or its charging switched off?", plant.name);
            match self.visit.ask(&Prompt::new(ask, text))? {
                Reply::Done => {
                    self.visit.mark_with(MarkKind::StorageIdle, &format!("{} idle", plant.name), |mark| {
                        mark.plant = Some(plant.name.clone());
                    });
                }
                Reply::Skip => self.visit.tell("then it can absorb the surplus, and no challenge will count"),
                Reply::Stop => return Ok(Waited::Stopped),
            }
        }
        let length = Span::from_seconds(self.length_s);
        let text = format!("Ready for a window of {length}?");
        Ok(match self.visit.ask(&Prompt::new(Ask::Ready, text))? {
            Reply::Stop | Reply::Skip => Waited::Stopped,
            Reply::Done => Waited::Through,
        })
    }

    /// The window itself, with its extensions.
    fn hold(&mut self) -> Result<(), Failure> {
        self.visit.mark(MarkKind::WindowStart, "window starts");
        self.start = self.visit.now();
        self.open = true;
        self.end = self.start + Span::from_seconds(self.length_s);
        if self.wait(AROUND_S, |_| false)? == Waited::Stopped {
            return Ok(());
        }
        let mut signal = self.judged.signal_loss;
        for extension in 0..=EXTENSIONS.0 {
            if self.challenge_until_end(&mut signal)? == Waited::Stopped {
                return Ok(());
            }
            let missing = self.missing();
            if missing == 0 || extension == EXTENSIONS.0 || self.site.loads.is_empty() {
                break;
            }
            let more = Span::from_seconds(EXTENSIONS.1 * self.length_s);
            let text = format!("{missing} more challenges are needed. Extend the window by {more}?");
            if self.ask(&Prompt::new(Ask::Ready, text))? != Reply::Done {
                break;
            }
            self.end = self.end.max(self.visit.now() + more);
        }
        Ok(())
    }

    /// Asks for challenges while the window lasts and some are missing, then waits for its end.
    fn challenge_until_end(&mut self, signal: &mut bool) -> Result<Waited, Failure> {
        let mut turn = 0_usize;
        while self.visit.now() < self.end {
            let missing = self.missing();
            let late = self.left_s() < 8.0 * self.longest_s() + 4.0 * self.rest;
            if *signal && (missing == 0 || late) {
                *signal = false;
                if self.take_signal()? == Waited::Stopped {
                    return Ok(Waited::Stopped);
                }
                continue;
            }
            // Too little time for a load to settle on and off: an extension is better than haste.
            let time = self.left_s() >= 2.0 * self.rest;
            let Some(load) = self.load_for(turn).filter(|_| missing > 0 && time) else { break };
            turn += 1;
            if self.drop_load(&load, missing)? == Waited::Stopped {
                return Ok(Waited::Stopped);
            }
        }
        // A longer window may have been asked for meanwhile.
        while self.visit.now() < self.end {
            if self.wait(self.left_s(), |_| false)? == Waited::Stopped {
                return Ok(Waited::Stopped);
            }
        }
        Ok(Waited::Through)
    }

    /// The next load in turn, of those large enough to count; else the largest.
    fn load_for(&self, turn: usize) -> Option<Load> {
        let mut loads = self.site.loads.clone();
        loads.sort_by(|a, b| b.power_w.total_cmp(&a.power_w));
        let least = 0.1 * self.site.rated_w();
        let large = loads.iter().filter(|load| load.power_w * (1.0 - load.tolerance) > least).count().max(1);
        loads.get(turn % large).cloned()
    }

    /// A load on, a useful moment waited for, and off again.
    fn drop_load(&mut self, load: &Load, missing: usize) -> Result<Waited, Failure> {
        let hold = self.hold_s(missing);
        if self.switch(load, true)? == Reply::Stop
            || self.wait(self.rest.min(hold), |_| false)? == Waited::Stopped
        {
            return Ok(Waited::Stopped);
        }
        let useful = |view: &LiveView| view.drop_would_count(load).is_ok();
        if self.wait(hold - self.rest, useful)? == Waited::Stopped {
            return Ok(Waited::Stopped);
        }
        // Not yet: as long as there is time for the rest, the sun may come.
        if let Some(Err(why)) = self.view().map(|view| view.drop_would_count(load)) {
            self.visit.tell(&why);
            let spare = self.left_s() - 2.0 * self.rest * missing as f64;
            if self.wait(spare, useful)? == Waited::Stopped {
                return Ok(Waited::Stopped);
            }
        }
        if self.switch(load, false)? == Reply::Stop {
            return Ok(Waited::Stopped);
        }
        let after = self.hold_s(missing);
        if self.wait(self.rest.min(after), |_| false)? == Waited::Stopped
            || self.wait(after - self.rest, |view| view.still && view.above_s.is_none())? == Waited::Stopped
        {
            return Ok(Waited::Stopped);
        }
        self.tell_last();
        Ok(Waited::Through)
    }

    fn switch(&mut self, load: &Load, on: bool) -> Result<Reply, Failure> {
        let (word, kind) = if on { ("ON", MarkKind::LoadOn) } else { ("OFF", MarkKind::LoadOff) };
        let ask = Ask::Load { name: load.name.clone(), on };
        let reply = self.ask(&Prompt::new(ask, format!("switch {} {word}", load.name)))?;
        if reply == Reply::Done {
            let message = format!("{} {}", load.name, word.to_lowercase());
            self.visit.mark_with(kind, &message, |mark| {
                mark.load = Some(load.name.clone());
                mark.load_w = Some(load.power_w.to_string());
                mark.phase = load.phase.map(|phase| phase.word().to_owned());
            });
        }
        Ok(reply)
    }

    /// The steering signal away, long enough to see the export end, and back. A load is on meanwhile, so that the plant has
    /// something to deliver and its end can be seen.
    fn take_signal(&mut self) -> Result<Waited, Failure> {
        let load = self.load_for(0);
        if let Some(load) = &load
            && (self.switch(load, true)? == Reply::Stop
                || self.wait(self.rest, |_| false)? == Waited::Stopped
                || self.wait(HOLD_MOST_S.min(0.2 * self.left_s()), |view| view.still)? == Waited::Stopped)
        {
            return Ok(Waited::Stopped);
        }
        if self.signal_away_and_back()? == Waited::Stopped {
            return Ok(Waited::Stopped);
        }
        if let Some(load) = &load
            && (self.switch(load, false)? == Reply::Stop
                || self.wait(self.rest, |_| false)? == Waited::Stopped)
        {
            return Ok(Waited::Stopped);
        }
        self.tell_last();
        Ok(Waited::Through)
    }

    fn signal_away_and_back(&mut self) -> Result<Waited, Failure> {
        let Some(plant) = self.site.plants.first().cloned() else { return Ok(Waited::Through) };
        let stay = 3.0 * self.longest_s();
        for on in [false, true] {
            let (word, kind) = if on { ("back", MarkKind::SignalOn) } else { ("away", MarkKind::SignalOff) };
            let text =
                format!("{}: {} the steering signal", plant.name, if on { "give back" } else { "take away" });
            match self.ask(&Prompt::new(Ask::Signal { plant: plant.name.clone(), on }, text))? {
                Reply::Done => {
                    self.signal_away = !on;
                    self.visit.mark_with(kind, &format!("steering signal {word}"), |mark| {
                        mark.plant = Some(plant.name.clone());
                    });
                }
                // Whoever cannot give it back has no window to go on with.
                Reply::Skip if self.signal_away => return Ok(Waited::Stopped),
                Reply::Skip => return Ok(Waited::Through),
                Reply::Stop => return Ok(Waited::Stopped),
            }
            if self.wait(stay, |_| false)? == Waited::Stopped {
                return Ok(Waited::Stopped);
            }
        }
        Ok(Waited::Through)
    }

    /// Waits within the window, shows how it stands, warns, and ends it at the threshold; `enough` ends the wait early.
    fn wait(&mut self, seconds: f64, enough: impl Fn(&LiveView) -> bool) -> Result<Waited, Failure> {
        let until = (self.visit.now() + Span::from_seconds(seconds.max(0.0))).min(self.end);
        let mut watch = self.watcher();
        let waited = self.visit.watch(until, |visit| watch.look(visit, &enough))?;
        Ok(if self.watched(&watch) { Waited::Stopped } else { waited })
    }

    /// Asks within the window, and goes on showing, warning and watching the threshold meanwhile.
    fn ask(&mut self, prompt: &Prompt) -> Result<Reply, Failure> {
        let mut watch = self.watcher();
        let reply = self.visit.ask_looking(prompt, |visit| Some(watch.look(visit, &|_| false)))?;
        Ok(if self.watched(&watch) { Reply::Stop } else { reply })
    }

    fn watcher(&self) -> Watcher {
        Watcher {
            judged: self.judged.clone(),
            limit: self.limit.clone(),
            site: self.site.clone(),
            window: (self.start, self.end),
            usual: Span::from_seconds(EXTENSIONS.1 * self.length_s),
            warned: self.warned,
            aborted: None,
        }
    }

    /// Takes back what a watch came to; whether the window is to end.
    fn watched(&mut self, watch: &Watcher) -> bool {
        (self.warned, self.end) = (watch.warned, watch.window.1);
        let Some(abort_w) = watch.aborted else { return false };
        self.visit.alarm(&format!(
            "ABORTED: export passed {abort_w:.0} W. Switch loads on again or isolate the plant, as agreed with the operator"
        ));
        self.visit.mark(MarkKind::Note, &format!("aborted: export passed {abort_w:.0} W"));
        true
    }

    /// Says what came of the newest challenge.
    fn tell_last(&mut self) {
        let options = LimitOptions { window: Some((self.start, self.visit.now())), ..self.judged.clone() };
        let finding = limit::judge(&self.visit.case(), &options);
        let text = picture::last_challenge(&finding.body);
        self.visit.tell(&text);
    }

    fn view(&self) -> Option<LiveView> {
        live_view(&self.visit.case(), &self.judged, (self.start, self.end), self.visit.now())
    }

    /// Challenges that are still to come.
    fn missing(&self) -> usize {
        let all = self.limit.challenges.max(1) as usize;
        self.view().map_or(all, |view| all.saturating_sub(view.challenges.0))
    }

    fn left_s(&self) -> f64 {
        (self.end - self.visit.now()).seconds().max(0.0)
    }

    fn longest_s(&self) -> f64 {
        self.limit.rules.iter().map(|rule| rule.longest_s).fold(2.0, f64::max)
    }

    /// How long a load stays on, and off: the time left shared among what is missing, within what anybody wants to wait.
    fn hold_s(&self, missing: usize) -> f64 {
        (self.left_s() / (2.0 * (missing as f64 + 0.25))).clamp(0.5, HOLD_MOST_S)
    }

    /// Closes the window and judges.
    fn close(mut self) -> Result<(Outcome, Exit), Failure> {
        if self.open {
            self.visit.mark(MarkKind::WindowEnd, "window ends");
            let after =
                self.visit.now() + Span::from_seconds(AROUND_S) + self.visit.every().unwrap_or(Span::ZERO);
            self.visit.wait(after, |_| "window closed".into())?;
        }
        self.visit.conclude()
    }
}
