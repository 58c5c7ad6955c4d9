//! What a scenario is where its file says nothing: the site as its own file describes it, with a quiet household.

use super::{Base, Battery, Channel, RealLoad, RealMeter, RealPlant, Scenario, Spot, Supply};
use crate::base::{Network, Phase, Span, Stamp};
use crate::profile::{Load, Meter, MeterRole, Placement, Plant, Profile, Site};
use crate::sim::line::LineRules;

impl Scenario {
    /// The site exactly as its file says, with a quiet household; `profiles` are those of its meters, in its order.
    pub fn of(site: Site, profiles: Vec<Profile>) -> Self {
        let lines = site.lines().len();
        let base = (0..lines).map(|line| quiet_base(Phase::LINES[line])).collect();
        let loads = site.loads.iter().map(|load| real_load(load, &site)).collect();
        let plants = site.plants.iter().map(|plant| real_plant(plant, lines)).collect();
        let meters = site.meters.iter().map(|meter| real_meter(meter, &site)).collect();
        Self {
            name: site.name.clone(),
            seed: 1,
            start: Stamp::from_nanos(1_782_034_200_000_000_000),
            step: Span::from_millis(10),
            supply: Supply { frequency_hz: usual_frequency(site.nominal_v), ..Supply::default() },
            base: if site.network == Network::Delta { Vec::new() } else { base },
            appliances: Vec::new(),
            loads,
            plants,
            meters,
            line: LineRules::default(),
            events: Vec::new(),
            site,
            profiles,
        }
    }
}

/// 60 Hz where 100 to 127 V are usual, else 50 Hz (common practice).
fn usual_frequency(nominal_v: f64) -> f64 {
    if nominal_v < 130.0 { 60.0 } else { 50.0 }
}

fn quiet_base(phase: Phase) -> Base {
    Base { placement: Placement::Line(phase), power_w: 120.0, power_factor: 0.95, noise_w: 8.0, noise_s: 3.0 }
}

fn real_load(load: &Load, site: &Site) -> RealLoad {
    let placement = load.phase.unwrap_or_else(|| usual_placement(site));
    let cos = load.power_factor.clamp(0.01, 1.0);
    let sign = if load.leading { -1.0 } else { 1.0 };
    RealLoad {
        name: load.name.clone(),
        active_w: load.power_w,
        reactive_var: if load.resistive { 0.0 } else { sign * load.power_w * (1.0 - cos * cos).sqrt() / cos },
        rated_v: load.rated_v.unwrap_or_else(|| rated_volts(placement, site)),
        resistive: load.resistive,
        placement,
        on: false,
    }
}

/// Where a load is when its file does not say.
fn usual_placement(site: &Site) -> Placement {
    match site.network {
        Network::Wye => Placement::Line(Phase::L1),
        Network::Delta => Placement::Between(Phase::L1L2),
    }
}

/// The voltage across a load in its place, at nominal voltage, in V.
pub fn rated_volts(placement: Placement, site: &Site) -> f64 {
    match (placement, site.network, site.phases) {
        (Placement::Between(_), Network::Wye, 2) => 2.0 * site.nominal_v,
        (Placement::Between(_), Network::Wye, _) => 3.0_f64.sqrt() * site.nominal_v,
        _ => site.nominal_v,
    }
}

fn real_plant(plant: &Plant, lines: usize) -> RealPlant {
    let mut fed: Vec<usize> =
        plant.phases.iter().filter_map(|phase| phase.line_index()).filter(|line| *line < lines).collect();
    if fed.is_empty() {
        fed = (0..lines).collect();
    }
    let battery = plant.storage.then_some(Battery {
        capacity_wh: 5000.0,
        charge_w: plant.rated_w / 2.0,
        discharge_w: plant.rated_w / 2.0,
        soc: 0.5,
    });
    RealPlant {
        name: plant.name.clone(),
        rated_w: plant.rated_w,
        lines: fed,
        sun: 0.8,
        clouds: None,
        battery,
        control: None,
        on: true,
    }
}

fn real_meter(meter: &Meter, site: &Site) -> RealMeter {
    let spot = match meter.role {
        MeterRole::Generation if !site.plants.is_empty() => Spot::Plant(0),
        MeterRole::Load if !site.loads.is_empty() => Spot::Load(0),
        _ => Spot::Grid,
    };
    RealMeter {
        name: meter.name.clone(),
        spot,
        misses: Vec::new(),
        channels: [Channel::right(0), Channel::right(1), Channel::right(2)],
        update: None,
        averaging: None,
        noise_w: 0.0,
        exponent: 0,
        factor: 1,
        shows: meter.ct_ratio.map(|ratio| ("ct_ratio".to_owned(), ratio)).into_iter().collect(),
        counted_wh: [123_456.0, 23_456.0],
        turnaround: Span::from_millis(12),
        on: true,
    }
}
