//! What each known load did to each channel, and what it should have done.

use crate::base::uncertain::{combine, coverage_factor, rectangular, resolution};
use crate::base::{Phase, Quantity, Stamp};
use crate::evidence::channel::Channel;
use crate::evidence::step::consensus::{Consensus, spikes, windows};
use crate::evidence::step::estimate::{Step, change, step};
use crate::evidence::step::split::parts;
use crate::evidence::step::{Board, Kind};
use crate::evidence::switching::LoadTest;
use crate::evidence::trace::Trace;
use crate::evidence::{Accuracy, MeterCase, PhasePower};
use crate::profile::{Placement, Site};

/// Above this share of the CTs' rated current nothing is judged (contract 4).
const JUDGED_TO: f64 = 1.2;

/// Where no voltage is read it is taken to lie within this fraction of nominal (contract 6).
const VOLTAGE_UNREAD: f64 = 0.10;

/// Supply impedance assumed where no voltage shows it, in Ω (ours: a home at the end of a long service).
const SUPPLY_OHM: f64 = 0.5;

/// Chance that jumps like the load's stand at its marks without it; above this the step is not believed.
pub(super) const CHANCE: f64 = 1e-3;

/// What the load should draw.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Draw {
    /// In W, at the voltage measured.
    pub active_w: f64,
    /// In var.
    pub reactive_var: f64,
    /// Standard uncertainty as a fraction: tolerance, and voltage where none is read.
    pub spread: f64,
    /// Voltage it was corrected to, where read.
    pub voltage_v: Option<f64>,
}

impl Draw {
    /// Apparent power, in VA.
    pub fn apparent_va(self) -> f64 {
        libm::hypot(self.active_w, self.reactive_var)
    }
}

/// What one channel did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Response {
    /// Active power.
    pub active: Step,
    /// Reactive power, where the meter has it.
    pub reactive: Option<Step>,
    /// Everything but scatter: class, CT class, resolution, the loads that follow the voltage; standard, in W.
    pub other_w: f64,
    /// The same in var.
    pub other_var: f64,
    /// Pairs that agree in all of it.
    pub pairs: usize,
    /// Pairs that do not.
    pub against: usize,
}

impl Response {
    /// Standard uncertainty of the active step in W, its scatter widened for few pairs.
    pub fn active_standard(&self) -> f64 {
        combine(&[self.active.standard * coverage_factor(self.active.freedom) / 2.0, self.other_w])
    }

    /// The same for the reactive step, in var.
    pub fn reactive_standard(&self) -> Option<f64> {
        let step = self.reactive?;
        Some(combine(&[step.standard * coverage_factor(step.freedom) / 2.0, self.other_var]))
    }
}

/// One load in one place, measured.
#[expect(clippy::struct_excessive_bools, reason = "independent facts about one load")]
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// The load and its marks.
    pub test: LoadTest,
    /// Its edges.
    pub consensus: Consensus,
    /// What it should draw.
    pub draw: Draw,
    /// What each channel did; nothing where it was above 120 % or said nothing.
    pub responses: Vec<Option<Response>>,
    /// Fall of each line's voltage with its standard uncertainty, in V.
    pub falls: Vec<Option<(f64, f64)>>,
    /// Voltage rose at "on" and fell at "off": the marks stand the wrong way round.
    pub marks_contradicted: bool,
    /// The voltage shows that it ran.
    pub dipped: bool,
    /// A control answers it: the step is undone, wholly or in part, before or after it can be read.
    pub answered: bool,
    /// Some channel was above 120 % of its CT's rated current.
    pub overloaded: bool,
}

impl Measured {
    /// The line whose voltage clearly fell, and no other's with it.
    pub fn fallen(&self) -> Option<usize> {
        let clear = |entry: &(f64, f64)| entry.0 > 5.0 * entry.1 && entry.0 > 0.03;
        let (line, deepest) = self
            .falls
            .iter()
            .enumerate()
            .filter_map(|(line, entry)| Some((line, entry.as_ref().copied()?)))
            .max_by(|one, other| one.1.0.total_cmp(&other.1.0))?;
        let alone = self
            .falls
            .iter()
            .enumerate()
            .all(|(other, entry)| other == line || entry.is_none_or(|entry| entry.0 < 0.5 * deepest.0));
        (clear(&deepest) && alone && self.falls.len() > 1).then_some(line)
    }

    /// Whether as much changes by itself as the load changes: a restless house, or a control that hunts.
    pub fn restless(&self) -> bool {
        self.consensus.restless > super::RESTLESS
    }

    /// Whether the edges can be believed: found in the power, and not by chance.
    pub fn shown(&self) -> bool {
        self.consensus.found && self.consensus.chance < CHANCE
    }
}

/// What a meter offers for measuring.
pub struct Bench<'a> {
    /// The meter.
    pub meter: &'a MeterCase,
    /// The place.
    pub site: &'a Site,
    /// Its channels.
    pub channels: Vec<Channel>,
    /// Voltages by line.
    pub voltages: Vec<Option<Trace>>,
    /// Their lanes, cut.
    pub board: Board,
    /// Zero of all times in s.
    pub origin: Stamp,
}

impl<'a> Bench<'a> {
    /// Sets up a meter.
    pub fn new(meter: &'a MeterCase, site: &'a Site, origin: Stamp) -> Self {
        let channels = crate::evidence::channel::channels(meter, site, origin);
        let voltages = crate::evidence::channel::line_voltages(meter, site, origin);
        let board = Board::new(&channels, &voltages);
        Self { meter, site, channels, voltages, board, origin }
    }

    /// Measures every load.
    pub fn measure_all(&self, tests: Vec<LoadTest>) -> Vec<Measured> {
        let marked: Vec<(f64, f64)> = tests.iter().flat_map(|test| windows(&test.switches)).collect();
        let carried = |test: &LoadTest| test.placement.is_none() && self.channels.len() > 1;
        let tests: Vec<LoadTest> = tests
            .into_iter()
            .flat_map(|test| {
                let least = (0.04 * test.load.power_w).max(15.0);
                let parts = if carried(&test) {
                    parts(&self.board, &test.switches, least)
                } else {
                    vec![test.switches.clone()]
                };
                parts
                    .into_iter()
                    .map(move |switches| LoadTest { switches, ..test.clone() })
                    .collect::<Vec<LoadTest>>()
            })
            .collect();
        tests.into_iter().map(|test| self.measure(test, &marked)).collect()
    }

    /// Measures one load; `marked` are the times at which some load was switched.
    fn measure(&self, test: LoadTest, marked: &[(f64, f64)]) -> Measured {
        let consensus = self.edges(&test, marked);
        let draw = self.draw(&test, &consensus);
        let fall = self.fall(&consensus);
        let late = consensus.answer.is_some_and(|answer| answer.share.abs() > 0.15);
        let answered = late || spikes(&self.board, &test.switches, 0.25 * draw.apparent_va());
        let mut overloaded = false;
        let responses = (0..self.channels.len())
            .map(|channel| {
                let response = self.response(channel, &consensus, draw, fall.relative)?;
                let over = self.is_overloaded(channel, &response);
                overloaded |= over;
                (!over).then_some(response)
            })
            .collect();
        Measured {
            test,
            consensus,
            draw,
            responses,
            falls: fall.falls,
            marks_contradicted: fall.rose,
            dipped: fall.dipped,
            answered,
            overloaded,
        }
    }

    fn response(
        &self,
        channel: usize,
        consensus: &Consensus,
        draw: Draw,
        voltage_fall: Option<f64>,
    ) -> Option<Response> {
        let size = draw.apparent_va();
        let lane = self.board.lane(channel, Kind::Active)?;
        let active = step(&consensus.edges, lane, size)?;
        let reactive =
            self.board.lane(channel, Kind::Reactive).and_then(|lane| step(&consensus.edges, lane, size));
        let about = &self.channels[channel];
        let accuracy = Accuracy::of(&self.meter.meter, self.site.phases > 1);
        let power = PhasePower {
            active_w: active.value,
            reactive_var: reactive.map_or(0.0, |step| step.value),
            voltage_v: draw.voltage_v.unwrap_or(self.site.nominal_v),
        };
        // Other loads on the line follow the voltage the step pulls down: up to twice its share.
        let amps = draw.apparent_va() / self.site.nominal_v.max(1.0);
        let fall = voltage_fall.unwrap_or(amps * SUPPLY_OHM / self.site.nominal_v.max(1.0));
        let follow = |level: f64| rectangular(2.0 * fall * level);
        let floor = if active.level_off.abs() < about.floor_w { rectangular(about.floor_w) } else { 0.0 };
        let shown = std::f64::consts::SQRT_2 * resolution(about.resolution_w);
        let other_w = combine(&[accuracy.active_standard_w(power), shown, floor, follow(active.level_off)]);
        let base_var = reactive.map_or(0.0, |step| step.level_off);
        let other_var = combine(&[accuracy.reactive_standard_var(power), follow(base_var)]);
        let counts = |step: &Step| (step.pairs, step.against);
        let (pairs, against) = match reactive.as_ref().map(counts) {
            Some((pairs, against)) => (active.pairs.min(pairs), active.against.max(against)),
            None => counts(&active),
        };
        Some(Response { active, reactive, other_w, other_var, pairs, against })
    }

    fn is_overloaded(&self, channel: usize, response: &Response) -> bool {
        let Some(primary_a) = self.meter.meter.ct_primary_a else { return false };
        if self.channels[channel].phase == Phase::Total && self.site.phases > 1 {
            return false;
        }
        let reactive = response.reactive.unwrap_or_default();
        let apparent = |active: f64, reactive: f64| libm::hypot(active, reactive);
        let most = apparent(response.active.level_on, reactive.level_on)
            .max(apparent(response.active.level_off, reactive.level_off));
        most / self.site.nominal_v.max(1.0) > JUDGED_TO * primary_a
    }

    /// What the load should draw at the voltage it had.
    fn draw(&self, test: &LoadTest, consensus: &Consensus) -> Draw {
        let load = &test.load;
        let voltage_v = self.voltage_on(test, consensus);
        let rated = load.rated_v.unwrap_or(self.nominal_at(test.placement));
        let (factor, exponent) = if load.resistive {
            let ratio = voltage_v.unwrap_or(self.nominal_at(test.placement)) / rated.max(1.0);
            (ratio * ratio, 2.0)
        } else {
            (1.0, 1.0)
        };
        let active_w = load.power_w * factor;
        let cosine = if load.resistive { 1.0 } else { load.power_factor.abs().clamp(0.05, 1.0) };
        let size = active_w * (1.0 / (cosine * cosine) - 1.0).max(0.0).sqrt();
        let reactive_var = if load.leading { -size } else { size };
        let unread = if voltage_v.is_none() { rectangular(exponent * VOLTAGE_UNREAD) } else { 0.0 };
        let spread = combine(&[rectangular(load.tolerance), unread]);
        Draw { active_w, reactive_var, spread, voltage_v }
    }

    fn nominal_at(&self, placement: Option<Placement>) -> f64 {
        let wye = self.site.network == crate::base::Network::Wye;
        match placement {
            Some(Placement::Between(_)) if wye && self.site.phases == 3 => {
                self.site.nominal_v * 3.0_f64.sqrt()
            }
            Some(Placement::Between(_)) if wye => self.site.nominal_v * 2.0,
            _ => self.site.nominal_v,
        }
    }

    /// Mean voltage across the load while it was on.
    fn voltage_on(&self, test: &LoadTest, consensus: &Consensus) -> Option<f64> {
        let phase = match test.placement {
            Some(Placement::Line(phase)) => phase,
            Some(Placement::Between(phase)) => {
                let series = self.meter.series.of(Quantity::Voltage, phase)?;
                return mean_while_on(&Trace::new(&series.samples, self.origin), consensus);
            }
            Some(Placement::Balanced) | None => {
                let means: Option<Vec<f64>> =
                    self.voltages.iter().map(|trace| mean_while_on(trace.as_ref()?, consensus)).collect();
                return means.map(|means| crate::base::uncertain::mean(&means));
            }
        };
        mean_while_on(self.voltages.get(phase.line_index()?)?.as_ref()?, consensus)
    }

    fn fall(&self, consensus: &Consensus) -> Fall {
        let falls: Vec<Option<(f64, f64)>> = (0..self.voltages.len())
            .map(|line| {
                let lane = self.board.lane(line, Kind::Voltage)?;
                let found = change(&consensus.edges, lane)?;
                Some((-found.value, found.standard * coverage_factor(found.freedom) / 2.0))
            })
            .collect();
        let clear = |entry: &(f64, f64), times: f64| entry.0.abs() > times * entry.1 && entry.0.abs() > 0.03;
        let known = || falls.iter().flatten().copied();
        let deepest = known().max_by(|one, other| one.0.total_cmp(&other.0));
        let highest = known().min_by(|one, other| one.0.total_cmp(&other.0));
        let dipped = deepest.is_some_and(|entry| entry.0 > 0.0 && clear(&entry, 5.0));
        // A doubt is enough for a contradiction, a fall has to be shown. On other lines the neutral may lift the voltage a
        // little; a rise larger than every fall is none of that.
        let rising = highest.filter(|entry| entry.0 < 0.0 && clear(entry, 3.0));
        let rose = rising.is_some_and(|rise| deepest.is_none_or(|fall| -rise.0 > 1.5 * fall.0.max(0.0)));
        let relative = deepest.map(|entry| entry.0.max(0.0) / self.site.nominal_v.max(1.0));
        Fall { falls, rose, dipped, relative }
    }
}

struct Fall {
    falls: Vec<Option<(f64, f64)>>,
    rose: bool,
    dipped: bool,
    relative: Option<f64>,
}

/// Whether each line's voltage fell with each load, `None` where it is not clear. How far a voltage should fall is taken from
/// the deepest fall of all loads, by their power.
pub fn fell(list: &[&Measured]) -> Vec<Vec<Option<bool>>> {
    let per_watt = |one: &Measured, fall: f64| fall / one.draw.apparent_va().max(1.0);
    let deepest = list
        .iter()
        .flat_map(|one| one.falls.iter().flatten().map(|(fall, standard)| (*one, *fall, *standard)))
        .filter(|(_, fall, standard)| *fall > 5.0 * standard && *fall > 0.03)
        .fold(0.0_f64, |most, (one, fall, _)| most.max(per_watt(one, fall)));
    list.iter()
        .map(|one| {
            let due = deepest * one.draw.apparent_va();
            one.falls
                .iter()
                .map(|entry| {
                    let (fall, standard) = (*entry)?;
                    if due <= 0.0 || one.marks_contradicted {
                        None
                    } else if fall > 5.0 * standard && fall > 0.3 * due {
                        Some(true)
                    } else {
                        (fall + 4.0 * standard < 0.15 * due).then_some(false)
                    }
                })
                .collect()
        })
        .collect()
}

fn mean_while_on(trace: &Trace, consensus: &Consensus) -> Option<f64> {
    let edges = &consensus.edges;
    let means: Vec<f64> = crate::evidence::step::estimate::pairs(edges)
        .into_iter()
        .filter_map(|pair| trace.mean_between(edges[pair.on].event.to_s, edges[pair.off].event.from_s))
        .collect();
    (!means.is_empty()).then(|| crate::base::uncertain::mean(&means))
}
