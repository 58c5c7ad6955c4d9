//! The live CT check: a known load switched a few times on each phase, the evidence looked at after each pair.

use super::super::args::LiveArgs;
use super::super::earlier::Earlier;
use super::super::exit::Exit;
use super::super::hands::{Ask, Hands, Prompt, Reply};
use super::super::judge::{Check, Outcome};
use super::super::out::Out;
use super::super::remarks::remarks;
use super::super::source::SetUp;
use super::super::subject::meter_index;
use super::super::visit::{Values, Visit, Waited};
use super::screen;
use crate::base::{Failure, Phase, Quantity, Span};
use crate::check::ct::body::CtBody;
use crate::check::ct::{self, CtOptions};
use crate::check::ct_steps::{Holds, Progress, Turn, progress, runs_off, turns};
use crate::check::{Finding, Verdict};
use crate::evidence::Case;
use crate::profile::{Meter, MeterRole, Profile, Site};
use crate::record::{Mark, MarkKind};

/// How long hands-free recording goes on when the evidence does not suffice. Ours.
const HANDS_FREE_MOST: Span = Span::from_millis(15 * 60 * 1000);
/// How often it is looked at meanwhile. Ours.
const HANDS_FREE_LOOK: Span = Span::from_millis(5000);
/// How long a plant may take to feed in when it is switched on again. Ours.
const FEED_IN_MOST: Span = Span::from_millis(120_000);

/// Runs the check with these hands and judges it.
///
/// # Errors
/// No load or no meter to check with, the line fails, interrupted.
pub(crate) fn run_turns(
    set_up: SetUp,
    args: &LiveArgs,
    options: &[String],
    hands: &mut dyn Hands,
    out: &Out,
) -> Result<(Outcome, Exit), Failure> {
    go_on(Earlier::default(), set_up, args, options, hands, out)
}

/// The same, going on with a check that was left.
///
/// # Errors
/// As `run_turns`.
pub(crate) fn go_on(
    earlier: Earlier,
    set_up: SetUp,
    args: &LiveArgs,
    options: &[String],
    hands: &mut dyn Hands,
    out: &Out,
) -> Result<(Outcome, Exit), Failure> {
    let site = set_up.site.clone();
    let judged = CtOptions { under_way: true, ..CtOptions::from_lines(options) };
    let index = meter_index(&site, judged.meter.as_deref(), [MeterRole::Steering, MeterRole::Reference])?;
    let (meter, profile) = (site.meters[index].clone(), set_up.profiles[index].clone());
    let (order, without) = turns(&site);
    if site.loads.is_empty() {
        return Err(Failure::usage("there is no known load to check with")
            .hint("add [[load]] with its power_W to the site file, or name it: --load 2000W --phase L1"));
    }
    let again = screen::again(&earlier);
    let visit = Visit::go_on(earlier, Check::Ct, options, set_up, args, hands, out)?;
    let holds = holds(&visit, &profile);
    let mut check = CtVisit { visit, site, meter, judged, holds };
    check.visit.tell(screen::BEFORE);
    if let Some(text) = again {
        check.visit.tell(&text);
    }
    for phase in without {
        check.visit.tell(&format!("no load for {} in the site file: that stays untested", phase.word()));
    }
    check.remark();
    let waited = if check.judged.hands_free { check.record()? } else { check.switch_all(&order)? };
    if waited == Waited::Through {
        check.feed_in()?;
    }
    let off = still_off(&check.visit.case());
    let concluded = check.visit.conclude()?;
    // Below the verdict, where it is seen: nothing else asks for it, and a window in which nothing is delivered shows nothing.
    for plant in off {
        out.flow(&format!("{plant} was switched off for this test: switch it on again"));
    }
    Ok(concluded)
}

/// Plants whose last mark says that they were switched off.
fn still_off(case: &Case) -> Vec<String> {
    let mut off: Vec<String> = Vec::new();
    for mark in &case.marks {
        let Some(plant) = mark.plant.as_ref() else { continue };
        match mark.kind {
            MarkKind::PlantOff if !off.contains(plant) => off.push(plant.clone()),
            MarkKind::PlantOn => off.retain(|known| known != plant),
            _ => {}
        }
    }
    off
}

fn holds(visit: &Visit<'_>, profile: &Profile) -> Holds {
    let power = profile.points.iter().filter(|point| {
        matches!(point.key, crate::base::PointKey::Of(Quantity::ActivePower | Quantity::ActivePowerImport, _))
    });
    let update = power.clone().map(|point| profile.update_of(point)).max().unwrap_or(profile.read.update);
    let averaging = power.map(|point| profile.averaging_of(point)).max().unwrap_or(Span::ZERO);
    let every = visit.every().unwrap_or(update);
    // The seed is in the evidence: the time of the first look.
    Holds::new(every, update, averaging, visit.now().nanos() as u64)
}

struct CtVisit<'a> {
    visit: Visit<'a>,
    site: Site,
    meter: Meter,
    judged: CtOptions,
    holds: Holds,
}

impl CtVisit<'_> {
    /// What the first reading shows without a load: an angle no load explains, a ratio other than the site file's.
    fn remark(&mut self) {
        let case = self.visit.case();
        let remarks = case.meter(&self.meter.name).map(|meter| remarks(&case, meter)).unwrap_or_default();
        for remark in remarks {
            self.visit.remark(&remark);
        }
    }

    /// Plants off, then each load on its phase.
    fn switch_all(&mut self, order: &[Turn]) -> Result<Waited, Failure> {
        if self.plants_off()? == Waited::Stopped {
            return Ok(Waited::Stopped);
        }
        for turn in order {
            match self.switch_one(turn)? {
                None => return Ok(Waited::Stopped),
                Some(Progress::Shown) => {
                    self.visit.tell("a fault is shown; the other phases need a test once it is corrected");
                    return Ok(Waited::Through);
                }
                Some(_) => {}
            }
        }
        Ok(Waited::Through)
    }

    fn plants_off(&mut self) -> Result<Waited, Failure> {
        for plant in self.site.plants.clone() {
            let what = if plant.storage { "generation and battery" } else { "generation" };
            let text = format!("switch {} off ({what}), and wait until it delivers nothing", plant.name);
            match self.visit.ask(&Prompt::new(Ask::Plant { name: plant.name.clone(), on: false }, text))? {
                Reply::Done => {
                    self.visit.mark_with(MarkKind::PlantOff, &format!("{} off", plant.name), |mark| {
                        mark.plant = Some(plant.name.clone());
                    });
                }
                Reply::Skip => {
                    self.visit.tell("then it may answer the load, and some faults can't be told from that");
                }
                Reply::Stop => return Ok(Waited::Stopped),
            }
        }
        Ok(Waited::Through)
    }

    /// One load on one phase until its evidence suffices; nothing when the person stops the check.
    fn switch_one(&mut self, turn: &Turn) -> Result<Option<Progress>, Failure> {
        let load = self.site.loads[turn.load].clone();
        if turn.carried {
            let text = format!("plug {} into a socket on {}, switched off", load.name, turn.place.word());
            match self.visit.ask(&Prompt::new(Ask::Ready, text))? {
                Reply::Done => {}
                Reply::Skip => return Ok(Some(Progress::Next)),
                Reply::Stop => return Ok(None),
            }
        }
        if turn.position {
            self.visit.tell(&format!("one more load of the site file: does {} move this meter?", load.name));
        }
        self.take_values(turn.phase());
        if self.hold(turn, &load.name, None)? == Waited::Stopped {
            return Ok(None);
        }
        loop {
            for on in [true, false] {
                let before = self.power(turn.phase());
                match self.switch(turn, &load.name, load.power_w, on)? {
                    Reply::Done => {}
                    Reply::Skip => return Ok(Some(Progress::Next)),
                    Reply::Stop => return Ok(None),
                }
                if self.hold(turn, &load.name, before.filter(|_| on))? == Waited::Stopped {
                    return Ok(None);
                }
                if let (Some(before), Some(now)) = (before, self.power(turn.phase()))
                    && runs_off(&self.site, before, now, load.power_w)
                {
                    self.visit
                        .alarm("the power runs off after the load: stop the plant now; the test ends here");
                    return Ok(None);
                }
            }
            let (finding, pairs) = (self.finding(), self.pairs(turn, &load.name));
            let progress = progress(&finding, turn, &load.name, pairs);
            self.visit.tell(&screen::after_pair(&finding, turn, &load.name, pairs, progress));
            if progress != Progress::More {
                return Ok(Some(progress));
            }
        }
    }

    fn pairs(&self, turn: &Turn, load: &str) -> usize {
        pairs(&self.visit.case(), turn, load)
    }

    /// Values typed from now on are of this phase, unless they say otherwise.
    fn take_values(&mut self, phase: Phase) {
        let judged = self.judged.clone();
        let compare = Box::new(move |case: &Case, mark: &Mark| ct::compared(case, &judged, mark));
        self.visit.take_values(Values { phase, compare });
    }

    fn switch(&mut self, turn: &Turn, name: &str, power_w: f64, on: bool) -> Result<Reply, Failure> {
        let (word, kind) = if on { ("ON", MarkKind::LoadOn) } else { ("OFF", MarkKind::LoadOff) };
        let pair = self.pairs(turn, name) + 1;
        let (place, (least, most)) = (turn.place.word(), turn.pairs());
        let text = format!("switch {name} {word} ({place}, pair {pair} of {least} to {most})");
        let reply = self.visit.ask(&Prompt::new(Ask::Load { name: name.to_owned(), on }, text))?;
        if reply == Reply::Done {
            self.visit.mark_with(kind, &format!("{name} {}", word.to_lowercase()), |mark| {
                mark.load = Some(name.to_owned());
                mark.load_w = Some(power_w.to_string());
                mark.phase = Some(turn.place.word().to_owned());
            });
        }
        Ok(reply)
    }

    /// Waits an irregular while; meanwhile the step is shown as it forms. `before`: the power before the load came on, while
    /// it is on.
    fn hold(&mut self, turn: &Turn, load: &str, before: Option<f64>) -> Result<Waited, Failure> {
        let until = self.visit.now() + self.holds.draw();
        let (name, phase, judged) = (self.meter.name.clone(), turn.phase(), self.judged.clone());
        let (turn, load) = (*turn, load.to_owned());
        self.visit.wait(until, |visit| {
            // Nobody looks at it elsewhere.
            if !visit.draws() {
                return String::new();
            }
            let case = visit.case();
            let (now, step) =
                (last_power(&case, &name, phase), screen::step(&ct::judge(&case, &judged), phase));
            screen::forming(&turn, now, before, step, pairs(&case, &turn, &load), until - visit.now())
        })
    }

    /// The meter's last power on this phase, else in all.
    fn power(&self, phase: Phase) -> Option<f64> {
        last_power(&self.visit.case(), &self.meter.name, phase)
    }

    /// Nobody is asked; the known load is switched a few times meanwhile.
    fn record(&mut self) -> Result<Waited, Failure> {
        self.visit.tell("switch the known load on and off a few times on each phase, some 10 s each, at irregular times; q ends it");
        let end = self.visit.now() + HANDS_FREE_MOST;
        while self.visit.now() < end {
            let until = self.visit.now() + HANDS_FREE_LOOK;
            let (finding, changes) = (self.finding(), ct::changes(&self.visit.case(), &self.judged));
            if finding.verdict != Verdict::Inconclusive {
                break;
            }
            let waited =
                self.visit.wait(until, |visit| screen::recording(&finding, changes, end - visit.now()))?;
            if waited == Waited::Stopped {
                break;
            }
        }
        Ok(Waited::Stopped)
    }

    /// Where nothing shows yet that the power can go negative, the plant feeding in shows it.
    fn feed_in(&mut self) -> Result<(), Failure> {
        let open = |finding: &Finding<CtBody>| {
            finding.verdict == Verdict::Inconclusive && finding.body.sign.seen.is_none()
        };
        if !open(&self.finding()) {
            return Ok(());
        }
        for plant in self.site.plants.clone() {
            let text = format!("switch {} on again and let it feed in: that shows the sign", plant.name);
            if self.visit.ask(&Prompt::new(Ask::Plant { name: plant.name.clone(), on: true }, text))?
                != Reply::Done
            {
                return Ok(());
            }
            self.visit.mark_with(MarkKind::PlantOn, &format!("{} on", plant.name), |mark| {
                mark.plant = Some(plant.name.clone());
            });
        }
        let end = self.visit.now() + FEED_IN_MOST;
        while !self.site.plants.is_empty() && self.visit.now() < end && open(&self.finding()) {
            let until = self.visit.now() + Span::from_millis(2000);
            if self
                .visit
                .wait(until, |visit| format!("waiting for it to feed in, {} left", end - visit.now()))?
                == Waited::Stopped
            {
                return Ok(());
            }
        }
        Ok(())
    }

    fn finding(&self) -> Finding<CtBody> {
        ct::judge(&self.visit.case(), &self.judged)
    }
}

/// On/off pairs marked so far, those of the parts before included.
fn pairs(case: &Case, turn: &Turn, load: &str) -> usize {
    let mine = case.marks.iter().filter(|mark| {
        mark.load.as_deref() == Some(load) && mark.phase.as_deref() == Some(turn.place.word())
    });
    let kinds: Vec<MarkKind> = mine.map(|mark| mark.kind).collect();
    kinds.windows(2).filter(|two| *two == [MarkKind::LoadOn, MarkKind::LoadOff]).count()
}

fn last_power(case: &Case, meter: &str, phase: Phase) -> Option<f64> {
    let of = |phase| {
        let series = case.meter(meter)?.series.of(Quantity::ActivePower, phase)?;
        series.samples.last().map(|sample| sample.value)
    };
    of(phase).or_else(|| of(Phase::Total))
}
