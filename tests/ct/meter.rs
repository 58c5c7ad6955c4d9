//! The meter and the polling of it: renewal, averaging, class error, scatter, steps of its registers, lost answers. Makes a
//! case straight from instants, with profile and site as their files would give them.

use std::fmt::Write;

use wattward::base::{Phase, PointKey, Quantity, Span, Stamp};
use wattward::evidence::{Binding, Case, MeterCase};
use wattward::profile::{parse_profile, parse_site};
use wattward::reading::{MeterSeries, Sample, Series};
use wattward::record::{Mark, MarkKind};

use super::random::Random;
use super::world::{C, House, Instant, STEP_S};

/// 2026-06-01T10:00:00Z.
pub(crate) const START: Stamp = Stamp::from_nanos(1_780_308_000_000_000_000);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// P, Q, V.
    PowerReactiveVoltage,
    PowerVoltage,
    PowerReactive,
    Power,
    /// P, V, I and a power factor that says lag and lead.
    Factor,
    /// One register for each direction, and V.
    Pair,
    /// One power for all phases.
    Total,
    /// One power for all phases, and the voltage of each.
    TotalVoltage,
}

impl Kind {
    pub(crate) const ALL: [Self; 8] = [
        Self::PowerReactiveVoltage,
        Self::PowerVoltage,
        Self::PowerReactive,
        Self::Power,
        Self::Factor,
        Self::Pair,
        Self::Total,
        Self::TotalVoltage,
    ];

    pub(crate) fn is_total(self) -> bool {
        matches!(self, Self::Total | Self::TotalVoltage)
    }

    pub(crate) fn has_voltage(self) -> bool {
        !matches!(self, Self::PowerReactive | Self::Power | Self::Total)
    }

    pub(crate) fn has_reactive(self) -> bool {
        matches!(self, Self::PowerReactiveVoltage | Self::PowerReactive | Self::Factor)
    }
}

#[derive(Clone, Debug)]
pub(crate) struct MeterSetup {
    pub(crate) kind: Kind,
    /// Reports |P|.
    pub(crate) unsigned: bool,
    pub(crate) says_signed: bool,
    pub(crate) counters: bool,
    pub(crate) update_s: f64,
    pub(crate) says_update: bool,
    pub(crate) averaging_s: f64,
    pub(crate) poll_s: f64,
    pub(crate) resolution_w: f64,
    /// Fraction of the reading, per channel.
    pub(crate) errors: Vec<f64>,
    pub(crate) scatter: f64,
    pub(crate) lost: f64,
    pub(crate) class: &'static str,
}

fn quantise(value: f64, step: f64) -> f64 {
    if step > 0.0 { (value / step).round() * step } else { value }
}

fn key(quantity: Quantity, phase: Phase) -> PointKey {
    PointKey::Of(quantity, phase)
}

/// Readings of the meter.
pub(crate) fn read(
    house: &House,
    setup: &MeterSetup,
    instants: &[Instant],
    random: &mut Random,
) -> MeterSeries {
    let mut series = MeterSeries::default();
    let (update, mean) = (setup.update_s / STEP_S, (setup.averaging_s / STEP_S).max(1.0) as usize);
    let shift = random.unit() * update;
    let mut counted = [0.5_f64, 12.0];
    let mut counted_to = 0;
    let mut at = random.within(0.0, setup.poll_s);
    let mut scatter: Vec<(usize, C)> = Vec::new();
    while at < house.duration - 1.0 {
        let now = (at / STEP_S) as usize;
        let renewed = ((((now as f64 - shift) / update).floor() * update + shift).max(0.0) as usize).min(now);
        for instant in &instants[counted_to..=renewed] {
            // Counters hang on the same CTs as the power.
            let watts: f64 = instant.channels.iter().map(|channel| channel.0).sum();
            counted[usize::from(watts < 0.0)] += watts.abs() * STEP_S / 3600.0;
        }
        counted_to = counted_to.max(renewed + 1);
        if random.happens(setup.lost) {
            at += setup.poll_s;
            continue;
        }
        let from = renewed.saturating_sub(mean - 1);
        if scatter.first().is_none_or(|last| last.0 != renewed) {
            scatter = house.wires.iter().map(|_| (renewed, (random.normal(), random.normal()))).collect();
        }
        let channel = |index: usize| -> C {
            let (mut p, mut q) = (0.0, 0.0);
            for instant in &instants[from..=renewed] {
                p += instant.channels[index].0;
                q += instant.channels[index].1;
            }
            let (p, q) = (p / (renewed + 1 - from) as f64, q / (renewed + 1 - from) as f64);
            let wild = setup.scatter * libm::hypot(p, q) + 0.3;
            let gain = 1.0 + setup.errors[index];
            (p * gain + wild * scatter[index].1.0, q * gain + wild * scatter[index].1.1)
        };
        let stamp = START + Span::from_seconds(at);
        let mut put = |quantity, phase, value: f64| {
            let list: &mut Series = series.points.entry(key(quantity, phase)).or_default();
            list.samples.push(Sample { at: stamp, value });
        };
        let sign = |value: f64| if setup.unsigned { value.abs() } else { value };
        if setup.kind.is_total() {
            let total: f64 = (0..house.wires.len()).map(|index| channel(index).0).sum();
            put(Quantity::ActivePower, Phase::Total, sign(quantise(total, setup.resolution_w)));
        }
        for line in 0..house.phases {
            let phase = Phase::LINES[line];
            let volts = instants[renewed].volts[house.wires[line].voltage_line.min(house.phases - 1)];
            if setup.kind.has_voltage() {
                put(Quantity::Voltage, phase, quantise(volts + 0.03 * random.normal(), 0.01));
            }
            if setup.kind.is_total() {
                continue;
            }
            let (p, q) = channel(line);
            let p = sign(quantise(p, setup.resolution_w));
            if setup.kind == Kind::Pair {
                put(Quantity::ActivePowerImport, phase, p.max(0.0));
                put(Quantity::ActivePowerExport, phase, (-p).max(0.0));
            } else {
                put(Quantity::ActivePower, phase, p);
            }
            match setup.kind {
                Kind::PowerReactiveVoltage | Kind::PowerReactive => {
                    put(Quantity::ReactivePower, phase, quantise(q, setup.resolution_w));
                }
                Kind::Factor => {
                    let apparent = libm::hypot(p, q);
                    put(Quantity::Current, phase, quantise(apparent / volts, 0.001));
                    let lagging = q * p > 0.0;
                    let factor = if apparent > 0.0 { p.abs() / apparent } else { 1.0 };
                    put(Quantity::PowerFactor, phase, if lagging { -factor } else { factor });
                }
                _ => {}
            }
        }
        if setup.counters {
            put(Quantity::EnergyImport, Phase::Total, quantise(counted[0], 0.1));
            put(Quantity::EnergyExport, Phase::Total, quantise(counted[1], 0.1));
        }
        at += setup.poll_s * random.within(0.95, 1.05);
    }
    series
}

/// The profile as its file would have it.
pub(crate) fn profile_text(setup: &MeterSetup, phases: usize) -> String {
    let mut text = "[profile]\nname = \"Invented\"\n[read]\n".to_owned();
    if setup.says_update {
        let _ = writeln!(text, "update_ms = {}", (setup.update_s * 1000.0).round());
    }
    if setup.averaging_s > 0.0 && setup.says_update {
        let _ = writeln!(text, "averaging_ms = {}", (setup.averaging_s * 1000.0).round());
    }
    text.push_str("[defaults]\ntype = \"f32\"\npositive = \"import\"\n");
    let mut address = 0;
    let signed = if setup.says_signed { ", signed = true" } else { "" };
    let mut points = |name: &str, phases: &[Phase], more: &str| {
        let _ = writeln!(text, "[points.{name}]");
        for phase in phases {
            let _ = writeln!(text, "{} = {{ address = {address}{more} }}", phase.word());
            address += 2;
        }
    };
    let lines = &Phase::LINES[..phases];
    match setup.kind {
        Kind::Total | Kind::TotalVoltage => points("active_power", &[Phase::Total], signed),
        Kind::Pair => {
            points("active_power_import", lines, "");
            points("active_power_export", lines, "");
        }
        _ => points("active_power", lines, signed),
    }
    if setup.kind.has_voltage() {
        points("voltage", lines, "");
    }
    match setup.kind {
        Kind::PowerReactive | Kind::PowerReactiveVoltage => points("reactive_power", lines, ""),
        Kind::Factor => {
            points("current", lines, "");
            points("power_factor", lines, ", sign = \"lag-lead\"");
        }
        _ => {}
    }
    if setup.counters {
        points("energy_import", &[Phase::Total], ", unit = \"Wh\"");
        points("energy_export", &[Phase::Total], ", unit = \"Wh\"");
    }
    text
}

/// Puts a case together.
pub(crate) fn case(
    site_text: &str,
    setup: &MeterSetup,
    phases: usize,
    series: MeterSeries,
    marks: Vec<Mark>,
) -> Case {
    let (site, _) =
        parse_site("site.toml", site_text).unwrap_or_else(|faults| panic!("{:?}\n{site_text}", faults.list));
    let text = profile_text(setup, phases);
    let (profile, _) =
        parse_profile("meter.toml", &text).unwrap_or_else(|faults| panic!("{:?}\n{text}", faults.list));
    let times: Vec<Stamp> =
        series.points.values().flat_map(|series| series.samples.iter().map(|sample| sample.at)).collect();
    let span = times.iter().min().zip(times.iter().max()).map(|(first, last)| (*first, *last));
    let meter = site.meters[0].clone();
    Case {
        site,
        meters: vec![MeterCase { meter, profile, series }],
        marks,
        span,
        binding: Binding::default(),
    }
}

pub(crate) fn load_mark(at: f64, on: bool, name: &str, watts: f64, phase: Option<&str>) -> Mark {
    let kind = if on { MarkKind::LoadOn } else { MarkKind::LoadOff };
    let mut mark = Mark::new(START + Span::from_seconds(at), kind, "load");
    mark.load = Some(name.to_owned());
    mark.load_w = Some(format!("{watts}"));
    mark.phase = phase.map(str::to_owned);
    mark
}
