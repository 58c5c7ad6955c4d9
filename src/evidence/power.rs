//! The power a meter saw, with its expanded uncertainty at every reading: the total, and each phase where it is read.
//!
//! The uncertainty of a total follows the phases, each with its own power (a total near zero hides large phase powers), and
//! is added up over them, since nothing says that their errors cancel. Where a meter of several phases reports only the
//! total, |P| plus the plants' rated power stands for the sum of the phases.

use super::accuracy::{Accuracy, PhasePower};
use crate::base::uncertain::{combine, expanded, rectangular, resolution};
use crate::base::{Phase, PointKey, Quantity, Stamp};
use crate::evidence::case::MeterCase;
use crate::profile::{Point, Profile, Site, Source, Type};
use crate::reading::{Sample, Series};

/// Reactive power as a share of active power where nobody reads it and external CTs make it count: a power factor of 0.95
/// (ours).
pub(super) const UNREAD_REACTIVE: f64 = 0.33;

/// Above this share of the CTs' primary current nothing is judged (contract 4; the extended range of IEC 61869-2).
const OVERRANGE: f64 = 1.2;

/// One channel of a meter: the power of a phase, or the total.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Which.
    pub phase: Phase,
    /// When each reading arrived, in s since the origin; rising.
    pub at: Vec<f64>,
    /// Import positive, in W.
    pub active_w: Vec<f64>,
    /// Expanded uncertainty (k = 2) of each reading, in W.
    pub expanded_w: Vec<f64>,
    /// Voltage of the phase at each reading, in V; empty where nobody reads it.
    pub volts: Vec<f64>,
    /// The smallest step the meter reports, in W; 0 where it reports floats finer than anything here.
    pub resolution_w: f64,
    /// The profile's update time, in s.
    pub update_s: f64,
    /// Whether the profile says so itself.
    pub update_stated: bool,
    /// The profile's averaging time, in s.
    pub averaging_s: f64,
    /// Whether these registers can hold a negative power at all.
    pub can_be_negative: bool,
    /// Whether the profile says that somebody has seen it negative.
    pub signed: bool,
}

/// All channels of a meter.
#[derive(Clone, Debug, PartialEq)]
pub struct Power {
    /// Time 0 of every channel.
    pub origin: Stamp,
    /// The sum of the phases: as the meter reports it, else added up; none where neither is possible.
    pub total: Option<Channel>,
    /// Each phase that is read.
    pub phases: Vec<Channel>,
    /// A meter of several phases that reports only their sum.
    pub total_only: bool,
    /// Readings left out because the current was above 120 % of the CTs' rating.
    pub overrange: usize,
}

impl Power {
    /// Of a meter, from its readings between `from` and `to`; times count from `origin`.
    pub fn of(case: &MeterCase, site: &Site, origin: Stamp, from: Stamp, to: Stamp) -> Self {
        let reader = Reader { case, site, origin, from, to };
        let mut overrange = 0;
        let phases: Vec<Channel> =
            site.lines().iter().filter_map(|phase| reader.phase(*phase, &mut overrange)).collect();
        let complete = phases.len() == site.lines().len();
        let total = reader
            .reported_total(&phases, complete, &mut overrange)
            .or_else(|| if complete { sum(&phases) } else { None });
        let total_only = !complete && site.phases > 1;
        Self { origin, total, phases, total_only, overrange }
    }

    /// The channel of a phase, or the total.
    pub fn channel(&self, phase: Phase) -> Option<&Channel> {
        match phase {
            Phase::Total => self.total.as_ref(),
            _ => self.phases.iter().find(|channel| channel.phase == phase),
        }
    }
}

impl Channel {
    /// The index of the last reading not later than `t`.
    pub fn index_at(&self, t: f64) -> Option<usize> {
        self.at.partition_point(|at| *at <= t).checked_sub(1)
    }

    /// Mean expanded uncertainty over readings in `from` to `to`, by count, in W.
    pub fn mean_expanded_w(&self, from: f64, to: f64) -> f64 {
        let (mut sum, mut count) = (0.0, 0_u32);
        for (at, expanded) in self.at.iter().zip(&self.expanded_w) {
            if (from..=to).contains(at) {
                sum += expanded;
                count += 1;
            }
        }
        if count > 0 { sum / f64::from(count) } else { self.expanded_w.first().copied().unwrap_or(0.0) }
    }

    fn of_point(phase: Phase, profile: &Profile, point: Option<&Point>) -> Self {
        Self {
            phase,
            at: Vec::new(),
            active_w: Vec::new(),
            expanded_w: Vec::new(),
            volts: Vec::new(),
            resolution_w: 0.0,
            update_s: point.map_or(profile.read.update, |point| profile.update_of(point)).seconds(),
            update_stated: profile.update_stated || point.is_some_and(|point| point.update.is_some()),
            averaging_s: point.map_or(profile.read.averaging, |point| profile.averaging_of(point)).seconds(),
            can_be_negative: point.is_none_or(|point| can_be_negative(point, profile)),
            signed: point.is_none_or(|point| point.signed || point.direction.is_some()),
        }
    }
}

/// Whether the registers of a point can hold a negative number.
fn can_be_negative(point: &Point, profile: &Profile) -> bool {
    match &point.source {
        Source::Registers { kind, .. } => {
            point.direction.is_some()
                || point.offset < 0.0
                || !matches!(kind, Type::U16 | Type::U32 | Type::U64 | Type::Bcd16 | Type::Bcd32)
        }
        Source::Sum(parts) => parts
            .iter()
            .all(|key| profile.point(key).is_some_and(|part| part.key != point.key && own_sign(part))),
    }
}

/// As `can_be_negative`, for the parts of a sum, which are read from registers.
fn own_sign(point: &Point) -> bool {
    match &point.source {
        Source::Registers { kind, .. } => {
            point.direction.is_some()
                || point.offset < 0.0
                || !matches!(kind, Type::U16 | Type::U32 | Type::U64 | Type::Bcd16 | Type::Bcd32)
        }
        Source::Sum(_) => true,
    }
}

struct Reader<'a> {
    case: &'a MeterCase,
    site: &'a Site,
    origin: Stamp,
    from: Stamp,
    to: Stamp,
}

impl Reader<'_> {
    fn samples(&self, quantity: Quantity, phase: Phase) -> &[Sample] {
        self.case.series.of(quantity, phase).map_or(&[], |series: &Series| {
            let samples = &series.samples;
            let first = samples.partition_point(|sample| sample.at < self.from);
            let last = samples.partition_point(|sample| sample.at <= self.to);
            samples.get(first..last).unwrap_or(&[])
        })
    }

    fn nominal_v(&self) -> f64 {
        self.site.phase_v()
    }

    fn accuracy(&self) -> Accuracy {
        Accuracy::of(&self.case.meter, self.site.phases > 1)
    }

    fn start(&self, phase: Phase, samples: &[Sample]) -> (Channel, f64) {
        let key = PointKey::Of(Quantity::ActivePower, phase);
        let point = self.case.profile.point(&key);
        let mut channel = Channel::of_point(phase, &self.case.profile, point);
        channel.resolution_w = resolution_of(point, samples, self.case.meter.resolution_w);
        (channel, point.and_then(|point| point.floor_w).unwrap_or(0.0))
    }

    /// The phase's own name, and on a single-phase site the total as well.
    fn phase(&self, phase: Phase, overrange: &mut usize) -> Option<Channel> {
        let name = if self.site.phases == 1 && self.samples(Quantity::ActivePower, phase).is_empty() {
            Phase::Total
        } else {
            phase
        };
        let samples = self.samples(Quantity::ActivePower, name);
        if samples.is_empty() {
            return None;
        }
        let (mut channel, floor_w) = self.start(name, samples);
        channel.phase = phase;
        let accuracy = self.accuracy();
        let mut reactive = Nearest::new(self.samples(Quantity::ReactivePower, name));
        let volts = match self.samples(Quantity::Voltage, phase) {
            [] => self.samples(Quantity::Voltage, name),
            own => own,
        };
        let (read_v, mut voltage) = (!volts.is_empty(), Nearest::new(volts));
        let mut current = Nearest::new(match self.samples(Quantity::Current, phase) {
            [] => self.samples(Quantity::Current, name),
            own => own,
        });
        for sample in samples {
            let power = PhasePower {
                active_w: sample.value,
                reactive_var: reactive.at(sample.at).unwrap_or(UNREAD_REACTIVE * sample.value.abs()),
                voltage_v: voltage.at(sample.at).filter(|v| *v > 1.0).unwrap_or_else(|| self.nominal_v()),
            };
            let amps = current
                .at(sample.at)
                .unwrap_or_else(|| libm::hypot(power.active_w, power.reactive_var) / power.voltage_v);
            if self.case.meter.ct_primary_a.is_some_and(|rated| amps.abs() > OVERRANGE * rated) {
                *overrange += 1;
                continue;
            }
            let below_floor = if sample.value.abs() <= floor_w { floor_w } else { 0.0 };
            let standard = combine(&[
                accuracy.active_standard_w(power),
                resolution(channel.resolution_w),
                rectangular(below_floor),
            ]);
            channel.at.push(sample.at.seconds_since(self.origin));
            channel.active_w.push(sample.value);
            channel.expanded_w.push(expanded(standard));
            if read_v {
                channel.volts.push(power.voltage_v);
            }
        }
        (!channel.at.is_empty()).then_some(channel)
    }

    /// The total as the meter reports it. Its uncertainty is that of the phases, where they are read.
    fn reported_total(&self, phases: &[Channel], complete: bool, overrange: &mut usize) -> Option<Channel> {
        let samples = self.samples(Quantity::ActivePower, Phase::Total);
        if samples.is_empty() || self.site.phases == 1 {
            return phases.first().filter(|_| self.site.phases == 1).map(|only| {
                let mut total = only.clone();
                total.phase = Phase::Total;
                total
            });
        }
        let (mut channel, floor_w) = self.start(Phase::Total, samples);
        let mut parts: Vec<Walker<'_>> = phases.iter().map(Walker::new).collect();
        let mut reactive = Nearest::new(self.samples(Quantity::ReactivePower, Phase::Total));
        for sample in samples {
            let t = sample.at.seconds_since(self.origin);
            let near: Vec<(f64, f64)> = parts.iter_mut().map(|part| part.nearest(t)).collect();
            let fresh = complete && near.iter().all(|(distance, _)| *distance <= 3.0);
            // A phase over its range leaves a hole in the phase; the total has one there too.
            if complete && !fresh && *overrange > 0 {
                *overrange += 1;
                continue;
            }
            let class = if fresh {
                near.iter().fold(0.0, |sum, (_, expanded_w)| sum + expanded_w / 2.0)
            } else {
                self.standard_from_total(sample.value, reactive.at(sample.at))
            };
            let below_floor = if sample.value.abs() <= floor_w { floor_w } else { 0.0 };
            let standard = combine(&[class, resolution(channel.resolution_w), rectangular(below_floor)]);
            channel.at.push(t);
            channel.active_w.push(sample.value);
            channel.expanded_w.push(expanded(standard));
        }
        (!channel.at.is_empty()).then_some(channel)
    }

    /// Standard uncertainty where only the total is known: |P| plus the plants' rated power stands for the phases.
    fn standard_from_total(&self, active_w: f64, reactive_var: Option<f64>) -> f64 {
        let sum_w = active_w.abs() + self.site.rated_w();
        let reactive_var = reactive_var.map_or(UNREAD_REACTIVE * sum_w, |var| {
            // A total of reactive power cancels over the phases as the active one does.
            var.abs().max(UNREAD_REACTIVE * sum_w)
        });
        self.accuracy().active_standard_w(PhasePower {
            active_w: sum_w,
            reactive_var,
            voltage_v: self.nominal_v(),
        })
    }
}

/// The phases added up at the times of the first; readings of one cycle lie within half the spacing of readings.
fn sum(phases: &[Channel]) -> Option<Channel> {
    let (first, others) = phases.split_first()?;
    let mut total = first.clone();
    total.phase = Phase::Total;
    total.volts.clear();
    let reach = 0.5 * super::coverage::typical_spacing(&first.at).unwrap_or(2.0);
    let mut walkers: Vec<Walker<'_>> = others.iter().map(Walker::new).collect();
    let mut keep = (Vec::new(), Vec::new(), Vec::new());
    for (index, at) in first.at.iter().enumerate() {
        let (mut active_w, mut expanded_w) = (first.active_w[index], first.expanded_w[index]);
        let mut whole = true;
        for walker in &mut walkers {
            let (distance, part_expanded) = walker.nearest(*at);
            whole &= distance <= reach;
            active_w += walker.channel.active_w[walker.index];
            expanded_w += part_expanded;
        }
        if whole {
            keep.0.push(*at);
            keep.1.push(active_w);
            keep.2.push(expanded_w);
        }
    }
    (total.at, total.active_w, total.expanded_w) = keep;
    for other in others {
        total.update_s = total.update_s.max(other.update_s);
        total.update_stated &= other.update_stated;
        total.averaging_s = total.averaging_s.max(other.averaging_s);
        total.resolution_w = total.resolution_w.max(other.resolution_w);
        total.can_be_negative &= other.can_be_negative;
        total.signed &= other.signed;
    }
    (!total.at.is_empty()).then_some(total)
}

/// The smallest step of a point in W: as the site file says, else the larger of the register's own step and the smallest
/// difference found between its values (when there are enough of them to tell).
fn resolution_of(point: Option<&Point>, samples: &[Sample], given_w: Option<f64>) -> f64 {
    if let Some(given_w) = given_w {
        return given_w.abs();
    }
    let step = point.map_or(0.0, |point| match &point.source {
        Source::Registers { kind: Type::F32 | Type::F64, .. } | Source::Sum(_) => 0.0,
        Source::Registers { .. } => (point.scale * point.unit.map_or(1.0, |unit| unit.factor)).abs(),
    });
    let mut values: Vec<f64> = samples.iter().map(|sample| sample.value).collect();
    values.sort_by(f64::total_cmp);
    let mut distinct = 1_u32;
    let mut smallest = f64::INFINITY;
    for pair in values.windows(2) {
        let difference = pair[1] - pair[0];
        // A float register holds 7 digits: closer values are the same number.
        if difference > 1e-6 * pair[1].abs().max(1.0) {
            distinct += 1;
            smallest = smallest.min(difference);
        }
    }
    if distinct >= 10 { step.max(smallest) } else { step }
}

/// Steps along samples, giving the one nearest in time.
struct Nearest<'a> {
    samples: &'a [Sample],
    index: usize,
}

impl<'a> Nearest<'a> {
    const fn new(samples: &'a [Sample]) -> Self {
        Self { samples, index: 0 }
    }

    /// The value nearest to `at`, within 3 s; times asked for must not fall.
    fn at(&mut self, at: Stamp) -> Option<f64> {
        let distance = |sample: &Sample| (sample.at - at).nanos().saturating_abs();
        while let (Some(here), Some(next)) = (self.samples.get(self.index), self.samples.get(self.index + 1))
        {
            if distance(next) > distance(here) {
                break;
            }
            self.index += 1;
        }
        self.samples.get(self.index).filter(|sample| distance(sample) <= 3_000_000_000).map(|s| s.value)
    }
}

/// Steps along a channel.
struct Walker<'a> {
    channel: &'a Channel,
    index: usize,
}

impl<'a> Walker<'a> {
    const fn new(channel: &'a Channel) -> Self {
        Self { channel, index: 0 }
    }

    /// Distance in s and expanded uncertainty of the reading nearest to `t`; times asked for must not fall.
    fn nearest(&mut self, t: f64) -> (f64, f64) {
        let at = &self.channel.at;
        while self.index + 1 < at.len() && (at[self.index + 1] - t).abs() <= (at[self.index] - t).abs() {
            self.index += 1;
        }
        ((at[self.index] - t).abs(), self.channel.expanded_w[self.index])
    }
}
