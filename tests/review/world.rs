//! A house over half a day, second by second: sun with clouds, loads that switch, an inverter with an export control that
//! reads the steering meter, a supply with impedance and other people's loads. One thing may be wrong with it.

use std::collections::BTreeMap;

use wattward::base::{Phase, PointKey, Quantity, Span, Stamp};
use wattward::check::review::{Review, review};
use wattward::evidence::long::{Gather, Long, Plan};
use wattward::profile::{Profile, Site, parse_profile, parse_site};
use wattward::reading::{Absent, MeterSeries, Sample};

use crate::frames::Dice;

/// What is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Planted {
    Nothing,
    Steadily,
    Briefly,
    Hunting,
    VoltageRise,
    MeterSilent,
    CtDirection,
    EnergyMismatch,
    StorageFull,
    OutsideCt,
    SettingsChanged,
}

impl Planted {
    pub const ALL: [Self; 10] = [
        Self::Steadily,
        Self::Briefly,
        Self::Hunting,
        Self::VoltageRise,
        Self::MeterSilent,
        Self::CtDirection,
        Self::EnergyMismatch,
        Self::StorageFull,
        Self::OutsideCt,
        Self::SettingsChanged,
    ];

    pub const fn word(self) -> &'static str {
        match self {
            Self::Nothing => "nothing-found",
            Self::Steadily => "limit-passed-steadily",
            Self::Briefly => "limit-passed-briefly",
            Self::Hunting => "hunting",
            Self::VoltageRise => "voltage-rise",
            Self::MeterSilent => "meter-silent",
            Self::CtDirection => "ct-direction",
            Self::EnergyMismatch => "energy-mismatch",
            Self::StorageFull => "storage-full",
            Self::OutsideCt => "outside-ct",
            Self::SettingsChanged => "settings-changed",
        }
    }
}

const HOURS: i64 = 12;
const START: i64 = 1_790_226_000_000_000_000;

fn profile() -> Profile {
    let text = "[defaults]\npositive = \"import\"\n\
        [points.voltage]\neach = { address = 0, stride = 2 }\n\
        [points.active_power]\neach = { address = 12, stride = 2, signed = true }\ntotal = { address = 18, signed = true }\n\
        [points.reactive_power]\neach = { address = 40, stride = 2 }\n\
        [points.energy_import]\ntotal = { address = 20, type = \"u32\", unit = \"Wh\" }\n\
        [points.energy_export]\ntotal = { address = 22, type = \"u32\", unit = \"Wh\" }\n\
        [points.other]\nstate_of_charge = { address = 30, type = \"u16\", unit = \"%\" }\n\
        [settings]\nexport_limit = { address = 60, type = \"u16\" }\n";
    parse_profile("meter", text).expect("a profile").0
}

fn site(phases: usize, planted: Planted, rated_w: f64) -> Site {
    let limit = if planted == Planted::VoltageRise { rated_w } else { 0.0 };
    let storage = planted == Planted::StorageFull;
    let meter = |name: &str, role: &str, unit: u8| {
        format!(
            "[[meter]]\nname = \"{name}\"\nrole = \"{role}\"\nprofile = \"p\"\nclass = \"1\"\nunit = {unit}\n\
             line = {{ serial = \"x\" }}\n"
        )
    };
    let text = format!(
        "[site]\nname = \"Made house\"\nphases = {phases}\ntime_zone = \"Europe/London\"\n{}{}\
         [[plant]]\nname = \"roof\"\nrated_W = {rated_w}\nstorage = {storage}\n\
         [limit]\novervoltage_V = 253\n[[limit.rule]]\nexport_W = {limit}\nlongest_s = 5.0\nshare = 0.05\n",
        meter("connection", "reference", 1),
        meter("inverter", "steering", 2)
    );
    parse_site("site", &text).unwrap_or_else(|faults| unreachable!("{faults:#?}")).0
}

/// Standard normal by the sum of twelve.
pub fn normal(dice: &mut Dice) -> f64 {
    (0..12).map(|_| dice.roll()).sum::<f64>() - 6.0
}

/// A load that is on for some time and off for some time.
struct Load {
    phase: usize,
    watts: f64,
    on_s: f64,
    off_s: f64,
    on: bool,
    left: f64,
}

impl Load {
    fn step(&mut self, dice: &mut Dice) -> f64 {
        self.left -= 1.0;
        if self.left <= 0.0 {
            self.on = !self.on;
            self.left = (0.3 + 1.4 * dice.roll()) * if self.on { self.on_s } else { self.off_s };
        }
        if self.on { self.watts } else { 0.0 }
    }
}

/// One simulated log, reviewed.
pub fn reviewed(seed: u64, planted: Planted) -> Review {
    reviewed_later(seed, planted, 0)
}

/// The same log, so many seconds later.
pub fn reviewed_later(seed: u64, planted: Planted, later_s: i64) -> Review {
    let mut dice = Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5851_F42D);
    let _ = dice.roll();
    // Phases are netted only where there are several; a small plant on three phases raises no voltage above its limit.
    let three = match planted {
        Planted::EnergyMismatch => true,
        Planted::VoltageRise => false,
        _ => dice.roll() < 0.5,
    };
    let phases = if three { 3 } else { 1 };
    let rated = 3000.0 + 4000.0 * dice.roll();
    let site = site(phases, planted, rated);
    let profiles = vec![profile(), profile()];
    let plan = Plan::new(&site, &profiles, None).expect("meters");
    let mut long = Long::new(plan);
    let mut gather = Gather::new(2);
    let mut house = House::new(&mut dice, phases, rated, planted);
    house.later_s = later_s;
    let mut pieces = [Piece::default(), Piece::default()];
    for second in 0..HOURS * 3600 {
        house.second(second, &mut dice, &mut pieces);
        if second % 900 == 899 {
            for (meter, piece) in pieces.iter_mut().enumerate() {
                gather.push(meter, std::mem::take(piece).0);
            }
            gather.ready().into_iter().for_each(|slice| long.take(slice));
        }
    }
    gather.finish().into_iter().for_each(|slice| long.take(slice));
    let at = |second: i64| Stamp::from_nanos(START) + Span::from_millis((second + later_s) * 1000);
    review(&long.finish(), (at(0), at(HOURS * 3600)), None).expect("readings")
}

#[derive(Default)]
struct Piece(MeterSeries);

impl Piece {
    fn put(&mut self, key: PointKey, at: Stamp, value: f64) {
        self.0.points.entry(key).or_default().samples.push(Sample { at, value });
    }
}

impl Piece {
    /// It was asked, and gave no answer.
    fn missed(&mut self, key: PointKey, at: Stamp) {
        self.0.points.entry(key).or_default().absent.push((at, Absent::NoAnswer));
    }
}

struct House {
    phases: usize,
    rated: f64,
    planted: Planted,
    loads: Vec<Load>,
    base: Vec<f64>,
    ohm: f64,
    level: f64,
    drift: f64,
    others: Load,
    cloud: Load,
    output: f64,
    limit: f64,
    gain: f64,
    every: i64,
    dead: usize,
    seen: Vec<f64>,
    silent_at: i64,
    silent_for: i64,
    battery: f64,
    outside: f64,
    change_at: i64,
    counts: [[f64; 2]; 2],
    errors: [f64; 2],
    later_s: i64,
}

impl House {
    fn new(dice: &mut Dice, phases: usize, rated: f64, planted: Planted) -> Self {
        let load = |dice: &mut Dice, watts: f64, on_s: f64, off_s: f64| Load {
            phase: ((dice.roll() * phases as f64) as usize).min(phases - 1),
            watts,
            on_s,
            off_s,
            on: false,
            left: off_s * dice.roll(),
        };
        let washer = 800.0 + 700.0 * dice.roll();
        let loads = vec![
            load(dice, 2000.0, 180.0, 1500.0),
            load(dice, washer, 300.0, 600.0),
            load(dice, 120.0, 600.0, 900.0),
            load(dice, 2200.0, 900.0, 3000.0),
        ];
        let (gain, every, dead) = match planted {
            Planted::Hunting => (2.1 + 0.2 * dice.roll(), 5 + (dice.roll() * 5.0) as i64, 1),
            Planted::Briefly => (0.9, 12 + (dice.roll() * 10.0) as i64, 2),
            _ => (0.85 + 0.15 * dice.roll(), 1, 0),
        };
        let weak = planted == Planted::VoltageRise;
        let others = Load { phase: 0, watts: 1.0, on_s: 400.0, off_s: 700.0, on: false, left: 100.0 };
        let cloud = Load { phase: 0, watts: 0.6, on_s: 120.0, off_s: 500.0, on: false, left: 300.0 };
        let output = if planted == Planted::CtDirection && dice.roll() < 0.5 { rated } else { 0.0 };
        Self {
            phases,
            rated,
            planted,
            loads,
            base: (0..phases).map(|_| 100.0 + 200.0 * dice.roll()).collect(),
            ohm: if weak { 0.9 + 0.4 * dice.roll() } else { 0.15 + 0.45 * dice.roll() },
            level: if weak { 246.0 + 2.0 * dice.roll() } else { 229.0 + 8.0 * dice.roll() },
            drift: 0.0,
            others,
            cloud,
            output,
            limit: if planted == Planted::Steadily { 800.0 + 1000.0 * dice.roll() } else { -40.0 },
            gain,
            every,
            dead,
            seen: Vec::new(),
            silent_at: 9000 + (dice.roll() * 6000.0) as i64,
            silent_for: 120 + (dice.roll() * 900.0) as i64,
            battery: 0.3 + 0.3 * dice.roll(),
            outside: 700.0 + 2000.0 * dice.roll(),
            change_at: 10_000 + (dice.roll() * 10_000.0) as i64,
            counts: [[1000.0, 500.0]; 2],
            errors: [1.0 + 0.004 * normal(dice), 1.0 + 0.004 * normal(dice)],
            later_s: 0,
        }
    }

    fn second(&mut self, second: i64, dice: &mut Dice, pieces: &mut [Piece; 2]) {
        let hours = second as f64 / 3600.0 / HOURS as f64;
        let cloud = 1.0 - self.cloud.step(dice);
        let sun = (4.0 * hours * (1.0 - hours)).max(0.0) * cloud;
        let mut load: Vec<f64> = self.base.iter().map(|base| base + 15.0 * normal(dice)).collect();
        for one in &mut self.loads {
            load[one.phase] += one.step(dice);
        }
        if self.planted == Planted::EnergyMismatch {
            load[0] += 400.0;
        }
        let phases = self.phases as f64;
        let demand: f64 = load.iter().sum();
        let output = self.output.min(sun * self.rated).max(0.0);
        let mut battery = 0.0;
        if self.planted == Planted::StorageFull {
            let surplus = sun * self.rated - demand;
            let room = if surplus > 0.0 { self.battery < 1.0 } else { self.battery > 0.1 };
            battery = if room { surplus } else { 0.0 };
            self.battery = (self.battery + battery / 3600.0 / 6000.0).min(1.0);
        }
        let feeds = match self.planted {
            Planted::StorageFull => sun * self.rated - battery,
            Planted::VoltageRise => sun * self.rated,
            _ => output,
        };
        let outside = if self.planted == Planted::OutsideCt { self.outside * sun } else { 0.0 };
        let inside: Vec<f64> = load.iter().map(|load| load - feeds / phases).collect();
        let whole: Vec<f64> = inside.iter().map(|power| power - outside / phases).collect();
        self.drift += -self.drift / 60.0 + 0.09 * normal(dice);
        let others = self.others.step(dice);
        let volts: Vec<f64> =
            whole.iter().map(|p| self.level + self.drift - others - self.ohm * p / 230.0).collect();
        let silent = self.planted == Planted::MeterSilent
            && (0..4).any(|k| (0..self.silent_for).contains(&(second - self.silent_at - 5000 * k)));
        let turned = if self.planted == Planted::CtDirection { -1.0 } else { 1.0 };
        let changed = self.planted == Planted::SettingsChanged && second >= self.change_at;
        let at = |millis: i64| {
            Stamp::from_nanos(START) + Span::from_millis((second + self.later_s) * 1000 + millis)
        };
        for (meter, powers) in [&whole, &inside].into_iter().enumerate() {
            let sign = if meter == 1 { turned } else { 1.0 };
            let read: Vec<f64> =
                powers.iter().map(|p| sign * p * self.errors[meter] + 2.0 * normal(dice)).collect();
            let total: f64 = read.iter().sum();
            let counted: Vec<f64> = match self.planted {
                Planted::EnergyMismatch if meter == 0 => read.clone(),
                _ => vec![total],
            };
            for power in counted {
                self.counts[meter][0] += power.max(0.0) / 3600.0;
                self.counts[meter][1] += (-power).max(0.0) / 3600.0;
            }
            // A reading is lost now and then.
            let (piece, when) = (&mut pieces[meter], at(100 + 50 * meter as i64));
            if (meter == 1 && silent) || dice.roll() < 0.001 {
                piece.missed(PointKey::Of(Quantity::ActivePower, Phase::Total), when);
                continue;
            }
            for (line, phase) in Phase::LINES.into_iter().enumerate().take(self.phases) {
                piece.put(PointKey::Of(Quantity::ActivePower, phase), when, read[line]);
                piece.put(PointKey::Of(Quantity::Voltage, phase), when, (volts[line] * 10.0).round() / 10.0);
                piece.put(PointKey::Of(Quantity::ReactivePower, phase), when, 20.0 + 3.0 * normal(dice));
            }
            piece.put(PointKey::Of(Quantity::ActivePower, Phase::Total), when, total);
            let [import, export] = self.counts[meter];
            piece.put(PointKey::Of(Quantity::EnergyImport, Phase::Total), when, import.floor());
            piece.put(PointKey::Of(Quantity::EnergyExport, Phase::Total), when, export.floor());
            if meter == 1 && self.planted == Planted::StorageFull {
                let charge = (self.battery * 100.0).floor();
                piece.put(PointKey::Other("state_of_charge".into()), when, charge);
            }
            if meter == 1 && second % 60 == 0 {
                let value = if changed { 2000.0 } else { 0.0 };
                piece.put(PointKey::Setting("export_limit".into()), when, value);
            }
            if meter == 1 {
                self.seen.push(total);
            }
        }
        // The control, by what the steering meter showed a dead time ago; without a reading it goes on as it was, or full.
        if self.planted == Planted::MeterSilent && silent {
            self.output = (self.output + 100.0).min(self.rated);
        } else if second % self.every == 0 && self.seen.len() > self.dead {
            let shown = self.seen[self.seen.len() - 1 - self.dead.min(self.seen.len() - 1)];
            let limit = if changed { 1500.0 } else { self.limit };
            self.output = (output + self.gain * (shown + limit)).clamp(0.0, self.rated);
        }
        if self.seen.len() > 64 {
            self.seen.drain(..32);
        }
    }
}

/// How often each first cause came, by what was planted.
pub type Table = BTreeMap<Planted, BTreeMap<String, usize>>;
