//! Meters with made-up register maps on the simulated site: types, orders, scales and places from a seed, and between the
//! points what else stands in such maps: serial numbers, settings, clocks, temperatures, zeros.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use wattward::base::Span;
use wattward::profile::{Profile, Table, parse_profile, parse_site};
use wattward::sim::scenario::parse_scenario;
use wattward::sim::{Command, Seed, World};

/// What a word of the map is, where no point stands.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Decoy {
    /// Always this.
    Fixed(u16),
    /// Seconds since long ago, the high or the low half.
    Clock(bool),
    /// A temperature in tenths of a degree.
    Warmth,
}

/// A meter with its map on its site.
pub(crate) struct Layout {
    pub(crate) profile: Profile,
    pub(crate) text: String,
    pub(crate) world: World,
    pub(crate) decoys: BTreeMap<(Table, u16), Decoy>,
    /// Both tables hold the same.
    pub(crate) mirrored: bool,
    pub(crate) seed: Seed,
    pub(crate) three: bool,
    seconds: u32,
    warmth: f64,
}

const LOADS: [(&str, &str, f64, f64); 4] = [
    ("kettle", "L1", 2000.0, 0.0),
    ("heater", "L2", 1500.0, 0.0),
    ("oven", "L3", 2600.0, 0.0),
    ("pump", "L2", 900.0, 700.0),
];

fn pick<'a, T>(seed: &mut Seed, from: &'a [T]) -> &'a T {
    &from[(seed.unit() * from.len() as f64) as usize % from.len()]
}

/// How this meter writes numbers.
struct House {
    unsigned: &'static str,
    signed: &'static str,
    width: u16,
    words: &'static str,
    bytes: &'static str,
}

fn house(seed: &mut Seed) -> House {
    let kind = seed.unit();
    let (unsigned, signed, width) = match kind {
        x if x < 0.32 => ("u16", "i16", 1),
        x if x < 0.58 => ("u32", "i32", 2),
        x if x < 0.63 => ("i32", "i32", 2),
        x if x < 0.90 => ("f32", "f32", 2),
        x if x < 0.92 => ("f64", "f64", 4),
        x if x < 0.94 => ("u64", "i64", 4),
        x if x < 0.96 => ("u16", "sm16", 1),
        x if x < 0.98 => ("u32", "sm32", 2),
        _ => ("bcd16", "i16", 1),
    };
    House {
        unsigned,
        signed,
        width,
        words: if seed.happens(0.3) { "low-first" } else { "high-first" },
        bytes: if seed.happens(0.03) { "low-first" } else { "high-first" },
    }
}

/// A quantity to be placed: its heading, the phases, the type, what one count is worth.
struct Block {
    quantity: &'static str,
    phases: Vec<&'static str>,
    kind: &'static str,
    width: u16,
    scale: String,
}

fn blocks(seed: &mut Seed, own: &House, three: bool) -> Vec<Block> {
    let lines: &[&'static str] = if three { &["L1", "L2", "L3"] } else { &["L1"] };
    let mut blocks = Vec::new();
    let mut add = |seed: &mut Seed, quantity: &'static str, total: bool, signed: bool| {
        let mut phases: Vec<&'static str> = lines.to_vec();
        match quantity {
            "frequency" | "energy_import" | "energy_export" => phases = vec!["total"],
            "active_power" | "reactive_power" | "apparent_power" if !three => phases = vec!["total"],
            _ if total => phases.push("total"),
            _ => {}
        }
        let mut kind = if signed { own.signed } else { own.unsigned };
        let mut width = own.width;
        // Not every quantity keeps to the habit of its meter; counters seldom fit one register.
        if seed.happens(0.12) || (width == 1 && quantity.starts_with("energy")) {
            (kind, width) = match (own.width, signed) {
                (1, true) => ("i32", 2),
                (1, false) => ("u32", 2),
                (_, true) => ("i16", 1),
                (_, false) => ("u16", 1),
            };
            if quantity.starts_with("energy") {
                (kind, width) = ("u32", 2);
            }
        }
        let float = kind.starts_with('f');
        let scales: &[&str] = match (quantity, float, width) {
            ("voltage" | "current" | "frequency" | "power_factor" | "phase_angle", true, _) => &["1"],
            ("active_power" | "reactive_power" | "apparent_power", true, _) => &["1", "1", "1000"],
            (_, true, _) => &["1000", "1"],
            ("voltage", false, 1) => &["0.1", "0.1", "0.1", "1"],
            ("voltage", false, _) => &["0.1", "0.01", "0.001"],
            ("current" | "frequency", false, 1) => &["0.01", "0.01", "0.1"],
            ("frequency", false, _) => &["0.01", "0.001", "0.1"],
            ("current" | "power_factor", false, _) => &["0.001", "0.01"],
            ("active_power" | "reactive_power" | "apparent_power", false, 1) => &["1", "1", "10"],
            ("active_power" | "reactive_power" | "apparent_power", false, _) => {
                &["1", "0.1", "0.01", "0.001"]
            }
            (_, false, _) => &["10", "100", "1"],
        };
        // Nine thousand nine hundred and ninety-nine is the most a register of decimal digits holds.
        let scales = if kind == "bcd16" && quantity == "frequency" { &["0.01"] } else { scales };
        let scale = (*pick(seed, scales)).to_owned();
        blocks.push(Block { quantity, phases, kind, width, scale });
    };
    let mean = seed.happens(0.4) && three;
    add(seed, "voltage", mean, false);
    add(seed, "current", false, false);
    let total = three;
    add(seed, "active_power", total, true);
    if seed.happens(0.6) {
        add(seed, "reactive_power", total, true);
    }
    if seed.happens(0.6) {
        add(seed, "apparent_power", total, false);
    }
    if seed.happens(0.5) {
        add(seed, "power_factor", false, true);
    }
    add(seed, "frequency", true, false);
    add(seed, "energy_import", true, false);
    if seed.happens(0.7) {
        add(seed, "energy_export", true, false);
    }
    blocks
}

/// First address and number of registers, or distance to the next phase.
type Place = (u16, u16);

/// Where each block begins and how far apart its phases are, the gaps, and whether one phase comes after the other.
fn places(seed: &mut Seed, blocks: &mut [Block]) -> (Vec<Place>, Vec<Place>, bool) {
    // In a random order, but for the usual start with voltage and current.
    for index in (1..blocks.len()).rev() {
        if !seed.happens(0.5) {
            blocks.swap(index, (seed.unit() * index as f64) as usize);
        }
    }
    let mut at = *pick(seed, &[0_u16, 1, 30, 100, 0x0200, 0x1000, 0x4000, 40_000]);
    let by_phase = seed.happens(0.2);
    let mut placed = vec![(0, 0); blocks.len()];
    let mut gaps = Vec::new();
    if by_phase {
        // One phase after the other: its voltage, its current, its power …
        let lines = |block: &Block| block.phases.iter().filter(|phase| phase.starts_with('L')).count();
        let stride: u16 = blocks.iter().filter(|block| lines(block) == 3).map(|block| block.width).sum();
        let mut offset = 0;
        for (place, block) in placed.iter_mut().zip(blocks.iter()).filter(|(_, block)| lines(block) == 3) {
            *place = (at + offset, stride);
            offset += block.width;
        }
        at += 3 * stride;
    }
    for (place, block) in placed.iter_mut().zip(blocks.iter()) {
        if place.1 != 0 {
            continue;
        }
        if seed.happens(0.4) {
            let gap = 1 + (seed.unit() * 8.0) as u16;
            gaps.push((at, gap));
            at += gap;
        }
        let spare = if seed.happens(0.1) { block.width } else { 0 };
        *place = (at, block.width + spare);
        at += block.phases.len() as u16 * (block.width + spare);
    }
    gaps.push((at, 6 + (seed.unit() * 30.0) as u16));
    (placed, gaps, by_phase)
}

fn profile_text(seed: &mut Seed, own: &House, blocks: &mut [Block]) -> (String, Vec<(u16, u16)>) {
    let (placed, mut gaps, by_phase) = places(seed, blocks);
    let holding = seed.happens(0.4);
    let positive = if seed.happens(0.2) { "export" } else { "import" };
    let mut text = format!(
        "[profile]\nname = \"Invented\"\n[read]\nupdate_ms = 500\n[defaults]\ntable = \"{}\"\nword_order = \"{}\"\npositive = \
         \"{positive}\"\n",
        if holding { "holding" } else { "input" },
        own.words
    );
    let mut totals = Vec::new();
    for (block, (first, stride)) in blocks.iter().zip(&placed) {
        let _ = writeln!(text, "[points.{}]", block.quantity);
        for (index, phase) in block.phases.iter().enumerate() {
            let mut address = first + index as u16 * stride;
            // Where phases stand one after the other, the total has its own place behind everything.
            if *phase == "total" && index > 0 && by_phase {
                let (at, _) = *gaps.last().expect("a gap at the end");
                address = at + totals.len() as u16;
                totals.extend(std::iter::repeat_n((), usize::from(block.width)));
            }
            let _ = writeln!(
                text,
                "{phase} = {{ address = {address}, type = \"{}\", scale = {}, byte_order = \"{}\" }}",
                block.kind, block.scale, own.bytes
            );
        }
    }
    if let Some(last) = gaps.last_mut() {
        last.0 += totals.len() as u16;
    }
    (text, gaps)
}

fn decoys(seed: &mut Seed, table: Table, gaps: &[(u16, u16)]) -> BTreeMap<(Table, u16), Decoy> {
    let mut made = BTreeMap::new();
    for (at, count) in gaps {
        // What is not listed is nothing, or zeros, or something else.
        let kind = seed.unit();
        let mut index = 0;
        while index < *count {
            let words: &[Decoy] = match (kind, seed.unit()) {
                (x, _) if x < 0.2 => break,
                (x, _) if x < 0.5 => &[Decoy::Fixed(0)],
                (_, x) if x < 0.35 => &[Decoy::Fixed(seed.bits() as u16)],
                (_, x) if x < 0.5 => &[Decoy::Fixed((seed.bits() % 300) as u16)],
                (_, x) if x < 0.56 => &[Decoy::Fixed(*pick(seed, &[2300, 230, 500, 5000, 50, 9600, 1, 247]))],
                (_, x) if x < 0.66 => &[Decoy::Warmth],
                (_, x) if x < 0.72 => &[Decoy::Clock(true), Decoy::Clock(false)],
                _ => &[Decoy::Fixed(0)],
            };
            for word in words {
                made.insert((table, at + index), *word);
                index += 1;
            }
        }
    }
    made
}

fn scenario(seed: &mut Seed, three: bool, profile: &Profile) -> World {
    let mut site = format!(
        "[site]\nphases = {}\n[[meter]]\nprofile = \"m.toml\"\nline = {{ serial = \"sim\" }}\n[[plant]]\nname = \"roof\"\nrated_W = \
         6000\nphases = {}\n",
        if three { 3 } else { 1 },
        if three { "[\"L1\", \"L2\", \"L3\"]" } else { "[\"L1\"]" }
    );
    let mut text = format!(
        "[scenario]\nsite = \"s.toml\"\nseed = {}\nstep_ms = 100\n[supply]\nlevel = [{:.4}, {:.4}, {:.4}]\ndrift_V = 0.8\ndrift_s = 30\n",
        seed.bits() % 100_000,
        seed.between(0.97, 1.05),
        seed.between(0.97, 1.05),
        seed.between(0.97, 1.05)
    );
    for phase in if three { &["L1", "L2", "L3"][..] } else { &["L1"] } {
        let _ = write!(
            text,
            "[[base]]\nphase = \"{phase}\"\npower_W = {:.0}\npower_factor = {:.2}\n",
            seed.between(80.0, 700.0),
            seed.between(0.7, 0.98)
        );
    }
    for (name, phase, watts, vars) in LOADS {
        let phase = if three { phase } else { "L1" };
        let _ = write!(
            site,
            "[[load]]\nname = \"{name}\"\npower_W = {watts}\nresistive = true\nphase = \"{phase}\"\n"
        );
        let _ = write!(text, "[[load]]\nname = \"{name}\"\npower_W = {watts}\nreactive_var = {vars}\n");
    }
    text.push_str("[[plant]]\nname = \"roof\"\nsun = 0\n");
    let _ = writeln!(
        text,
        "[[meter]]\nnoise_W = 1\ncounted_Wh = [{}, {}]",
        seed.bits() % 20_000_000,
        seed.bits() % 5_000_000
    );
    let (mut site, _) =
        parse_site("s.toml", &site).unwrap_or_else(|faults| panic!("{:?}\n{site}", faults.list));
    wattward::profile::resolve(&mut site, std::slice::from_ref(profile));
    let (scenario, _) = parse_scenario("c.toml", &text, site, vec![profile.clone()])
        .unwrap_or_else(|faults| panic!("{:?}\n{text}", faults.list));
    World::new(&scenario, None)
}

impl Layout {
    pub(crate) fn new(number: u64) -> Self {
        let mut seed = Seed::named(number, "layout");
        let three = seed.happens(0.8);
        let own = house(&mut seed);
        let mut blocks = blocks(&mut seed, &own, three);
        let (text, gaps) = profile_text(&mut seed, &own, &mut blocks);
        let (profile, _) =
            parse_profile("m.toml", &text).unwrap_or_else(|faults| panic!("{:?}\n{text}", faults.list));
        let table = if text.contains("holding") { Table::Holding } else { Table::Input };
        let decoys = decoys(&mut seed, table, &gaps);
        let world = scenario(&mut seed, three, &profile);
        let mirrored = seed.happens(0.15);
        let seconds = seed.bits();
        Self { profile, text, world, decoys, mirrored, seed, three, seconds, warmth: 310.0 }
    }

    /// Other loads and other sun, and a minute of time.
    pub(crate) fn change(&mut self, export: bool) {
        // Somebody who is told to switch a load between snapshots does so.
        let before: Vec<bool> = (0..LOADS.len()).map(|index| self.world.is_on(index)).collect();
        loop {
            for index in 0..LOADS.len() {
                let on = self.seed.happens(0.45);
                self.world.command(&Command::Load(index, on));
            }
            if (0..3).any(|index| self.world.is_on(index) != before[index]) {
                break;
            }
        }
        let sun = if export { self.seed.between(0.5, 1.0) } else { 0.0 };
        self.world.command(&Command::Sun(0, sun));
        self.wait(20);
        self.warmth += self.seed.between(-3.0, 3.0);
    }

    /// Time passes.
    pub(crate) fn wait(&mut self, seconds: u32) {
        self.seconds = self.seconds.wrapping_add(seconds);
        let to = self.world.now() + Span::from_millis(i64::from(seconds) * 1000);
        self.world.advance(to);
    }

    /// The words of the whole map as they stand.
    pub(crate) fn words(&self) -> BTreeMap<(Table, u16), u16> {
        let mut words = BTreeMap::new();
        for (place, decoy) in &self.decoys {
            let word = match decoy {
                Decoy::Fixed(word) => *word,
                Decoy::Clock(true) => (self.seconds >> 16) as u16,
                Decoy::Clock(false) => self.seconds as u16,
                Decoy::Warmth => self.warmth as u16,
            };
            words.insert(*place, word);
        }
        let image = &self.world.meters()[0].image;
        for table in [Table::Input, Table::Holding] {
            if let Some((first, last)) = image.reach(table) {
                for address in first..=last {
                    if let Some(word) = image.word(table, address) {
                        words.insert((table, address), word);
                    }
                }
            }
        }
        if self.mirrored {
            let other = |table| if table == Table::Input { Table::Holding } else { Table::Input };
            let copy: Vec<_> =
                words.iter().map(|((table, address), word)| ((other(*table), *address), *word)).collect();
            words.extend(copy);
        }
        words
    }

    /// What instruments with an error of up to 1 % show, typed with the digits of a display.
    pub(crate) fn typed(&mut self, gains: &[f64; 3]) -> String {
        let truth = self.world.truth();
        let mut off = |gain: f64| 1.0 + (gain + self.seed.between(-0.4, 0.4)) / 100.0;
        let volts = truth.volts[0] * off(gains[0]);
        let hertz = 50.0 * off(gains[1]);
        let watts = truth.total_w() * off(gains[2]);
        format!("voltage.L1={volts:.1} frequency={hertz:.1} active_power.total={:.2}kW", watts / 1000.0)
    }
}
