//! The live window: prepared, opened, challenged by load drops at useful moments, closed and judged.

use super::super::args::LiveArgs;
use super::super::exit::Exit;
use super::super::hands::{Ask, Hands, Prompt, Reply};
use super::super::judge::{Check, Outcome};
use super::super::out::Out;
use super::super::source::SetUp;
use super::super::visit::{Visit, Waited};
use crate::base::{Failure, Phase, Quantity, Span, Stamp};
use crate::check::limit::foresee::{foresee, preparation};
use crate::check::limit::{self, LimitOptions};
use crate::profile::{Limit, Load, Meter, MeterRole, Site};
use crate::record::MarkKind;

/// A load stays on, and off, no longer than this: nobody wants to wait. Ours.
const HOLD_MOST_S: f64 = 45.0;
/// What the window runs on before the first load, and the capture after the window, in s. Ours.
const AROUND_S: f64 = 1.0;

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
    let site = set_up.site.clone();
    let limit = site.limit.clone().filter(|limit| !limit.rules.is_empty()).ok_or_else(|| {
        Failure::usage("there is no limit to check")
            .hint("add [[limit.rule]] to the site file (docs/limits.md), or name it: --export 0W")
    })?;
    let judged = LimitOptions::from_lines(options).map_err(Failure::usage)?;
    let index = meter_index(&site, judged.meter.as_deref())?;
    let (meter, profile) = (site.meters[index].clone(), set_up.profiles[index].clone());
    let mut visit = Visit::begin(Check::Limit, options, set_up, args, hands, out)?;
    for text in foresee(&site, &meter, &profile, visit.every().map(Span::seconds)) {
        visit.tell(&format!("before it starts: {text}"));
    }
    for text in preparation(&site, &meter) {
        visit.tell(&format!("  - {text}"));
    }
    let mut window = Window { visit, site, meter, limit, judged, open_since: None };
    if window.prepare()? == Waited::Through {
        window.hold()?;
    }
    window.close()
}

/// The meter the verdict goes by.
fn meter_index(site: &Site, name: Option<&str>) -> Result<usize, Failure> {
    let with = |role: MeterRole| site.meters.iter().position(|meter| meter.role == role);
    let found = match name {
        Some(name) => site.meters.iter().position(|meter| meter.name == name),
        None => with(MeterRole::Reference).or_else(|| with(MeterRole::Steering)),
    };
    found.ok_or_else(|| {
        let names: Vec<&str> = site.meters.iter().map(|meter| meter.name.as_str()).collect();
        Failure::usage("no such meter to judge by").hint(format!("the site file has {}", names.join(", ")))
    })
}

struct Window<'a> {
    visit: Visit<'a>,
    site: Site,
    meter: Meter,
    limit: Limit,
    judged: LimitOptions,
    open_since: Option<Stamp>,
}

impl Window<'_> {
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
        let length = Span::from_seconds(self.limit.window_s);
        let text = format!("Ready for a window of {length}?");
        Ok(if self.visit.ask(&Prompt::new(Ask::Ready, text))? == Reply::Stop {
            Waited::Stopped
        } else {
            Waited::Through
        })
    }

    /// The window itself.
    fn hold(&mut self) -> Result<(), Failure> {
        self.visit.mark(MarkKind::WindowStart, "window starts");
        let start = self.visit.now();
        self.open_since = Some(start);
        let end = start + Span::from_seconds(self.limit.window_s);
        if self.wait(start + Span::from_seconds(AROUND_S), end)? == Waited::Stopped {
            return Ok(());
        }
        let mut signal = self.judged.signal_loss;
        let loads: Vec<Load> = self.site.loads.clone();
        let mut turn = 0usize;
        while self.visit.now() < end {
            let missing = self.missing();
            if missing == 0 && !signal {
                break;
            }
            if signal && missing == 0 {
                signal = false;
                if self.take_signal(end)? == Waited::Stopped {
                    return Ok(());
                }
                continue;
            }
            let Some(load) = loads.get(turn % loads.len().max(1)) else { break };
            turn += 1;
            let hold = self.hold_span(end, missing);
            for on in [true, false] {
                if self.switch(load, on)? == Reply::Stop
                    || self.wait(self.visit.now() + hold, end)? == Waited::Stopped
                {
                    return Ok(());
                }
            }
        }
        self.wait(end, end)?;
        Ok(())
    }

    /// Challenges that are still to come.
    fn missing(&self) -> usize {
        let finding =
            limit::judge(&self.visit.case(), &LimitOptions { window: self.so_far(), ..self.judged.clone() });
        let counted = finding.body.challenges.iter().filter(|one| one.counts).count();
        (self.limit.challenges.max(1) as usize).saturating_sub(counted)
    }

    fn so_far(&self) -> Option<(Stamp, Stamp)> {
        self.open_since.map(|start| (start, self.visit.now()))
    }

    /// How long a load stays on, and off: the time left shared among what is missing, within what anybody wants to wait.
    fn hold_span(&self, end: Stamp, missing: usize) -> Span {
        let left_s = (end - self.visit.now()).seconds();
        let shared = left_s / (2.0 * (missing as f64 + 0.25));
        Span::from_seconds(shared.clamp(0.5, HOLD_MOST_S))
    }

    fn switch(&mut self, load: &Load, on: bool) -> Result<Reply, Failure> {
        let (word, kind) = if on { ("ON", MarkKind::LoadOn) } else { ("OFF", MarkKind::LoadOff) };
        let prompt =
            Prompt::new(Ask::Load { name: load.name.clone(), on }, format!("switch {} {word}", load.name));
        let reply = self.visit.ask(&prompt)?;
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

    /// The steering signal away, long enough to see the export end, and back.
    fn take_signal(&mut self, end: Stamp) -> Result<Waited, Failure> {
        let Some(plant) = self.site.plants.first().cloned() else { return Ok(Waited::Through) };
        let longest = self.limit.rules.iter().map(|rule| rule.longest_s).fold(5.0, f64::max);
        for on in [false, true] {
            let (word, kind) = if on { ("back", MarkKind::SignalOn) } else { ("away", MarkKind::SignalOff) };
            let text =
                format!("{}: {} the steering signal", plant.name, if on { "give back" } else { "take away" });
            let reply = self.visit.ask(&Prompt::new(Ask::Signal { plant: plant.name.clone(), on }, text))?;
            match reply {
                Reply::Done => self.visit.mark_with(kind, &format!("steering signal {word}"), |mark| {
                    mark.plant = Some(plant.name.clone());
                }),
                Reply::Skip => return Ok(Waited::Through),
                Reply::Stop => return Ok(Waited::Stopped),
            }
            let until = self.visit.now() + Span::from_seconds(3.0 * longest);
            if self.wait(until, end)? == Waited::Stopped {
                return Ok(Waited::Stopped);
            }
        }
        Ok(Waited::Through)
    }

    fn wait(&mut self, until: Stamp, end: Stamp) -> Result<Waited, Failure> {
        let (meter, asked) = (self.meter.name.clone(), self.limit.challenges.max(1));
        let (site, judged, since) = (self.site.clone(), self.judged.clone(), self.open_since);
        self.visit.wait(until.min(end.max(self.visit.now())), |visit| {
            let case = visit.case();
            let options = LimitOptions { window: since.map(|start| (start, visit.now())), ..judged.clone() };
            let finding = limit::judge(&case, &options);
            let counted = finding.body.challenges.iter().filter(|one| one.counts).count();
            let above = finding.body.rules.iter().map(|rule| rule.excursions.len()).sum::<usize>();
            format!(
                "{} left  {}  challenges {counted} of {asked}  excursions {above}",
                end - visit.now(),
                flow(power(&case, &meter, &site)),
            )
        })
    }

    /// Closes the window and judges.
    fn close(mut self) -> Result<(Outcome, Exit), Failure> {
        if self.open_since.is_some() {
            self.visit.mark(MarkKind::WindowEnd, "window ends");
            let after =
                self.visit.now() + Span::from_seconds(AROUND_S) + self.visit.every().unwrap_or(Span::ZERO);
            self.visit.wait(after, |_| "window closed".into())?;
        }
        self.visit.conclude()
    }
}

/// The latest total of a meter in W, import positive.
fn power(case: &crate::evidence::Case, meter: &str, site: &Site) -> Option<f64> {
    let series = &case.meter(meter)?.series;
    let last =
        |phase: Phase| series.of(Quantity::ActivePower, phase)?.samples.last().map(|sample| sample.value);
    last(Phase::Total).or_else(|| site.lines().iter().map(|phase| last(*phase)).sum())
}

fn flow(power: Option<f64>) -> String {
    match power {
        Some(power) if power < 0.0 => format!("export {:.0} W", -power),
        Some(power) => format!("import {power:.0} W"),
        None => "no reading".into(),
    }
}
