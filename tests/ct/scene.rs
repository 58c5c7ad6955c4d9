//! A scene: a site, its faults, a procedure carried out by a person, and what is true of it.

use wattward::evidence::Case;
use wattward::record::{Mark, MarkKind};

use super::meter::{Kind, MeterSetup, START, case, load_mark, read};
use super::random::Random;
use super::world::{Battery, C, House, Instant, STEP_S, Switching, Wire};

#[derive(Clone, Debug)]
pub(crate) struct Scene {
    pub(crate) seed: u64,
    pub(crate) house: House,
    pub(crate) meter: MeterSetup,
    pub(crate) pairs: usize,
    /// Lines tested, in order.
    pub(crate) placements: Vec<usize>,
    pub(crate) load_w: f64,
    pub(crate) tolerance: f64,
    pub(crate) rated_v: f64,
    /// Person: mean delay of a mark and its spread, s.
    pub(crate) delay: (f64, f64),
    pub(crate) forget: f64,
    pub(crate) marks_swapped: bool,
    /// The load never runs.
    pub(crate) never: bool,
    pub(crate) says_phase: bool,
    pub(crate) plant: Option<(bool, f64)>,
    pub(crate) plant_off: bool,
    pub(crate) hold_s: (f64, f64),
    pub(crate) delta: bool,
}

/// What came of it.
pub(crate) struct Played {
    pub(crate) case: Case,
    pub(crate) instants: Vec<Instant>,
    pub(crate) scene: Scene,
}

impl Scene {
    /// A quiet single scene to start from: everything right.
    pub(crate) fn plain(seed: u64, phases: usize, kind: Kind) -> Self {
        let nominal = if phases == 2 { 120.0 } else { 230.0 };
        let house = House {
            phases,
            backwards: false,
            nominal,
            supply_ohm: 0.3,
            load_rated_v: nominal,
            switchings: Vec::new(),
            duration: 0.0,
            other_every_s: 40.0,
            other_w: 150.0,
            drift_w: 1.0,
            clouds: None,
            battery: None,
            wires: (0..phases).map(Wire::right).collect(),
            extra: Vec::new(),
            base_w: 250.0,
            load_tan: 0.0,
            unseen: false,
            rhythm: None,
        };
        let meter = MeterSetup {
            kind,
            unsigned: false,
            says_signed: true,
            counters: false,
            update_s: 1.0,
            says_update: true,
            averaging_s: 0.0,
            poll_s: 0.9,
            resolution_w: 1.0,
            errors: vec![0.0; phases],
            scatter: 0.001,
            lost: 0.005,
            class: "1",
        };
        Self {
            seed,
            house,
            meter,
            pairs: 4,
            placements: (0..phases).collect(),
            load_w: 2000.0,
            tolerance: 0.1,
            rated_v: nominal,
            delay: (0.4, 0.3),
            forget: 0.0,
            marks_swapped: false,
            never: false,
            says_phase: true,
            plant: None,
            plant_off: false,
            hold_s: (9.0, 16.0),
            delta: false,
        }
    }

    /// A random site with whatever can be wrong with it.
    pub(crate) fn random(seed: u64) -> Self {
        let mut random = Random::new(seed);
        let phases = random.pick(&[1, 1, 2, 3, 3, 3]);
        let kind = random.pick(&Kind::ALL);
        let mut scene = Self::plain(seed, phases, kind);
        let house = &mut scene.house;
        house.backwards = random.happens(0.2);
        house.supply_ohm = random.within(0.05, 0.8) * (house.nominal / 230.0) * (house.nominal / 230.0);
        house.other_every_s = random.within(15.0, 120.0);
        house.other_w = random.within(50.0, 500.0);
        house.drift_w = random.within(0.0, 4.0);
        house.base_w = random.within(50.0, 800.0);
        for line in 0..phases {
            house.wires[line] = random_wire(&mut random, phases, line, kind);
        }
        if phases == 3 && random.happens(0.15) {
            let (a, b) = (random.below(3), random.below(3));
            let conductors = (house.wires[a].conductors, house.wires[b].conductors);
            house.wires[a].conductors = conductors.1;
            house.wires[b].conductors = conductors.0;
        }
        let meter = &mut scene.meter;
        meter.unsigned = random.happens(0.05) && kind != Kind::Pair;
        meter.says_signed = !meter.unsigned && random.happens(0.9);
        meter.counters = random.happens(0.3);
        meter.update_s = random.pick(&[0.2, 0.5, 1.0, 1.0, 1.0, 2.0]);
        meter.says_update = random.happens(0.7) || meter.update_s > 1.5;
        meter.averaging_s = random.pick(&[0.0, 0.0, 1.0]);
        if !meter.says_update {
            meter.averaging_s = 0.0;
        }
        meter.poll_s = random.within(0.4, 1.5);
        meter.resolution_w = random.pick(&[0.0, 0.1, 1.0, 1.0, 10.0]);
        meter.errors = (0..phases).map(|_| random.within(-0.02, 0.02)).collect();
        meter.scatter = random.within(0.0002, 0.002);
        meter.lost = random.pick(&[0.0, 0.0, 0.02, 0.08]);
        scene.load_w = random.within(500.0, 3000.0);
        scene.rated_v = house.nominal * random.pick(&[1.0, 1.0, 240.0 / 230.0, 220.0 / 230.0]);
        scene.house.load_rated_v = scene.rated_v;
        scene.delay = random.pick(&[(0.3, 0.3), (0.3, 0.3), (1.0, 1.0), (2.0, 0.5), (-0.5, 0.5)]);
        scene.forget = random.pick(&[0.0, 0.0, 0.0, 0.05]);
        scene.pairs = random.pick(&[4, 4, 4, 5]);
        if random.happens(0.15) {
            scene.placements.truncate(phases - 1);
        }
        if random.happens(0.3) {
            let line = random.below(phases);
            let storage = random.happens(0.5);
            scene.plant = Some((storage, 5000.0));
            scene.plant_off = random.happens(0.6);
            if !scene.plant_off && storage {
                scene.house.battery = Some(random_battery(&mut random, line));
            } else if !scene.plant_off {
                scene.house.clouds = Some((line, random.within(500.0, 4000.0)));
            }
        }
        scene
    }

    /// Whether every channel is right; a total does not care which channel is which.
    pub(crate) fn is_right(&self) -> bool {
        if self.meter.kind.is_total() {
            let mut lines: Vec<usize> = self.house.wires.iter().map(|wire| wire.voltage_line).collect();
            lines.sort_unstable();
            lines.dedup();
            return lines.len() == self.house.phases
                && self.house.wires.iter().all(|wire| wire.is_right(wire.voltage_line));
        }
        self.house.wires.iter().enumerate().all(|(line, wire)| wire.is_right(line))
    }

    /// Carries it out.
    pub(crate) fn play(mut self) -> Played {
        let mut random = Random::new(self.seed ^ 0xABCD_EF01);
        let true_w = self.load_w * (1.0 + self.tolerance * random.within(-1.0, 1.0));
        let mut marks: Vec<Mark> = Vec::new();
        let mut now = random.within(12.0, 18.0);
        if self.plant_off {
            let mut mark = Mark::new(START, MarkKind::PlantOff, "plant off");
            mark.plant = Some("roof".to_owned());
            marks.push(mark);
        }
        for line in self.placements.clone() {
            for edge in 0..2 * self.pairs {
                let on = edge % 2 == 0;
                if !self.never {
                    self.house.switchings.push(Switching { at: now, line, on, watts: true_w });
                }
                let said = now + self.delay.0 + self.delay.1 * random.normal();
                if !random.happens(self.forget) {
                    let word = match line {
                        0..3 => ["L1", "L2", "L3"][line],
                        10..13 => ["L1-L2", "L2-L3", "L3-L1"][line - 10],
                        _ => "L1+L2+L3",
                    };
                    let phase = self.says_phase.then_some(word);
                    marks.push(load_mark(said, on != self.marks_swapped, "heater", self.load_w, phase));
                }
                now += random.within(self.hold_s.0, self.hold_s.1);
            }
            now += random.within(5.0, 15.0);
        }
        marks.sort_by_key(|mark| mark.at);
        self.house.duration = now + 8.0;
        let instants = self.house.run(&mut random);
        let series = read(&self.house, &self.meter, &instants, &mut random);
        let case = case(&self.site_text(), &self.meter, self.house.phases, series, marks);
        Played { case, instants, scene: self }
    }

    fn load_text(&self) -> String {
        let tan = self.house.load_tan;
        if tan == 0.0 {
            return "resistive = true".to_owned();
        }
        let factor = 1.0 / (1.0 + tan * tan).sqrt();
        format!("resistive = false\npower_factor = {factor}\nleading = {}", tan < 0.0)
    }

    pub(crate) fn site_text(&self) -> String {
        let plant = self.plant.map_or_else(String::new, |(storage, rated)| {
            format!("[[plant]]\nname = \"roof\"\nrated_W = {rated}\nstorage = {storage}\n")
        });
        format!(
            "[site]\nname = \"Invented\"\nphases = {}\nnetwork = \"{}\"\nnominal_V = {}\n[[meter]]\nname = \"connection\"\nrole = \"steering\"\nprofile = \"meter.toml\"\nline = {{ serial = \"/dev/ttyUSB0\" }}\nclass = \"{}\"\n{plant}[[load]]\nname = \"heater\"\npower_W = {}\nrated_V = {}\n{}\ntolerance = {}\n",
            self.house.phases,
            if self.delta { "delta" } else { "wye" },
            if self.delta { self.house.nominal * 3.0_f64.sqrt() } else { self.house.nominal },
            self.meter.class,
            self.load_w,
            self.rated_v,
            self.load_text(),
            self.tolerance
        )
    }
}

impl Played {
    /// Mean change that an ideal meter wired like this one sees when the load comes on, by channel; `None` where the line was
    /// not tested.
    pub(crate) fn truth(&self, channel: usize, line: usize) -> Option<C> {
        let mut sum = (0.0, 0.0);
        let mut count = 0.0;
        for switching in self.scene.house.switchings.iter().filter(|switching| switching.line == line) {
            let instant =
                &self.instants[((switching.at / STEP_S).ceil() as usize + 1).min(self.instants.len() - 1)];
            let sign = if switching.on { 1.0 } else { -1.0 };
            let (on, off) = (instant.channels[channel], instant.without[channel]);
            sum = (sum.0 + sign * (on.0 - off.0), sum.1 + sign * (on.1 - off.1));
            count += 1.0;
        }
        (count > 0.0).then_some((sum.0 / count, sum.1 / count))
    }
}

fn random_wire(random: &mut Random, phases: usize, line: usize, kind: Kind) -> Wire {
    let mut wire = Wire::right(line);
    match random.below(20) {
        0 => wire.reversed = true,
        1 => wire.conductors = 0,
        2 => wire.conductors = 1 << random.below(phases),
        3 => wire.ratio = random.pick(&[0.1, 0.2, 0.4, 0.5, 2.0, 2.5, 5.0]),
        4 if phases == 3 => wire.voltage_line = random.below(3),
        5 if phases > 1 => wire.conductors = (1 << line) | (1 << random.below(phases)),
        6 => {
            wire.reversed = true;
            wire.conductors = 1 << random.below(phases);
        }
        _ => {}
    }
    let _ = kind;
    wire
}

pub(crate) fn random_battery(random: &mut Random, line: usize) -> Battery {
    Battery {
        line,
        rated_w: random.within(2000.0, 5000.0),
        dead_s: random.within(0.1, 5.0),
        lag_s: random.within(0.1, 3.0),
        share: random.pick(&[1.0, 1.0, 0.5]),
    }
}
