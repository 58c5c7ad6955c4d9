//! A house behind a meter, in steps of 50 ms: base loads that drift and switch, a fridge with its inrush, a plant, a battery
//! that follows the grid power it is shown, a test load. It shares no code with the judge; phasors are worked out here anew.

use super::random::Random;

pub(crate) type C = (f64, f64);

pub(crate) const STEP_S: f64 = 0.05;

fn mul(a: C, b: C) -> C {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

fn conj(a: C) -> C {
    (a.0, -a.1)
}

/// How one channel is wired.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Wire {
    pub(crate) voltage_line: usize,
    /// Bit 0 is L1.
    pub(crate) conductors: u8,
    pub(crate) reversed: bool,
    pub(crate) ratio: f64,
}

impl Wire {
    pub(crate) const fn right(line: usize) -> Self {
        Self { voltage_line: line, conductors: 1 << line, reversed: false, ratio: 1.0 }
    }

    /// Exactly right.
    pub(crate) fn is_right(&self, line: usize) -> bool {
        *self == Self::right(line)
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Battery {
    pub(crate) line: usize,
    pub(crate) rated_w: f64,
    pub(crate) dead_s: f64,
    /// Time constant of the controller after the dead time.
    pub(crate) lag_s: f64,
    /// How much of the grid power it takes away.
    pub(crate) share: f64,
}

/// When the load really switches: (s, line, on).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Switching {
    pub(crate) at: f64,
    pub(crate) line: usize,
    pub(crate) on: bool,
    pub(crate) watts: f64,
}

#[derive(Clone, Debug)]
pub(crate) struct House {
    pub(crate) phases: usize,
    pub(crate) backwards: bool,
    pub(crate) nominal: f64,
    pub(crate) supply_ohm: f64,
    pub(crate) load_rated_v: f64,
    pub(crate) switchings: Vec<Switching>,
    pub(crate) duration: f64,
    /// Mean time between switchings of other loads on one phase, s.
    pub(crate) other_every_s: f64,
    pub(crate) other_w: f64,
    pub(crate) drift_w: f64,
    pub(crate) clouds: Option<(usize, f64)>,
    pub(crate) battery: Option<Battery>,
    pub(crate) wires: Vec<Wire>,
    /// Extra load steps that keep time with something: (s, line, W).
    pub(crate) extra: Vec<(f64, usize, f64)>,
    pub(crate) base_w: f64,
    /// Reactive over active power of the test load; one that is not resistive keeps its power whatever the voltage.
    pub(crate) load_tan: f64,
    /// The test load hangs on the grid side of the CTs: it pulls the voltage down and no channel sees it.
    pub(crate) unseen: bool,
    /// A plant that goes up and down with a period: (line, W, period s, ramp s).
    pub(crate) rhythm: Option<(usize, f64, f64, f64)>,
}

/// One instant.
#[derive(Clone, Debug, Default)]
pub(crate) struct Instant {
    /// What an ideal meter wired like this one reads, by channel.
    pub(crate) channels: Vec<C>,
    /// The same had the test load been the other way (on for off), everything else alike.
    pub(crate) without: Vec<C>,
    /// Voltage of each line.
    pub(crate) volts: Vec<f64>,
    /// What the plant delivers.
    pub(crate) plant_w: f64,
}

impl House {
    pub(crate) fn angle(&self, line: usize) -> C {
        let h = 3.0_f64.sqrt() / 2.0;
        let flip = if self.backwards { -1.0 } else { 1.0 };
        match (self.phases, line) {
            (2, 1) => (-1.0, 0.0),
            (3, 1) => (-0.5, -h * flip),
            (3, 2) => (-0.5, h * flip),
            _ => (1.0, 0.0),
        }
    }

    /// Puts the test load on a place: a line (0 to 2), between two lines (10 to 12: L1-L2, L2-L3, L3-L1), on all three (20).
    fn put(&self, test: &mut [C], place: usize, watts: f64) {
        let load = (watts, watts * self.load_tan);
        match place {
            0..3 => test[place] = load,
            10..13 => {
                let (from, to) = (place - 10, (place - 9) % self.phases);
                let (a, b) = (self.angle(from), self.angle(to));
                let across = (a.0 - b.0, a.1 - b.1);
                let size = across.0 * across.0 + across.1 * across.1;
                // S / (Va − Vb), and each line's share is its voltage times that.
                let current = mul(load, (across.0 / size, -across.1 / size));
                test[from] = mul(a, current);
                let share = mul(b, current);
                test[to] = (-share.0, -share.1);
            }
            _ => test.fill((load.0 / 3.0, load.1 / 3.0)),
        }
    }

    /// What a channel wired so reads of these line powers.
    fn read(&self, wire: &Wire, powers: &[C]) -> C {
        let mut sum = (0.0, 0.0);
        for (line, power) in powers.iter().enumerate() {
            if wire.conductors & (1 << line) != 0 {
                // conj(I) = S / V, and 1 / V = conj(V) for unit voltages.
                let current = mul(*power, conj(self.angle(line)));
                sum = (sum.0 + current.0, sum.1 + current.1);
            }
        }
        let seen = mul(self.angle(wire.voltage_line), sum);
        let factor = if wire.reversed { -wire.ratio } else { wire.ratio };
        (seen.0 * factor, seen.1 * factor)
    }

    /// Runs the house.
    pub(crate) fn run(&self, random: &mut Random) -> Vec<Instant> {
        let count = (self.duration / STEP_S) as usize;
        let mut base: Vec<C> = (0..self.phases)
            .map(|_| (self.base_w * random.within(0.3, 1.7), self.base_w * random.within(-0.1, 0.5)))
            .collect();
        let resistive: Vec<f64> = (0..self.phases).map(|_| random.unit()).collect();
        let mut others: Vec<Vec<C>> = vec![Vec::new(); self.phases];
        let mut next: Vec<f64> = (0..self.phases).map(|_| random.exponential(self.other_every_s)).collect();
        let mut inrush = vec![(0.0, 0.0); self.phases];
        let mut drift = vec![0.0; self.phases];
        let mut grid_v: Vec<f64> = (0..self.phases).map(|_| random.within(0.97, 1.04)).collect();
        let mut cloud = 0.6;
        let mut shown: Vec<f64> = Vec::with_capacity(count);
        let mut battery_w = 0.0_f64;
        let mut test = vec![(0.0, 0.0); self.phases];
        let (mut coming, mut strange) = (0, 0);
        let mut instants = Vec::with_capacity(count);
        for index in 0..count {
            let now = index as f64 * STEP_S;
            while coming < self.switchings.len() && self.switchings[coming].at <= now {
                let switching = self.switchings[coming];
                self.put(&mut test, switching.line, if switching.on { switching.watts } else { 0.0 });
                coming += 1;
            }
            while strange < self.extra.len() && self.extra[strange].0 <= now {
                base[self.extra[strange].1].0 += self.extra[strange].2;
                strange += 1;
            }
            for line in 0..self.phases {
                if now >= next[line] {
                    next[line] = now + random.exponential(self.other_every_s);
                    if others[line].len() > 3 || (!others[line].is_empty() && random.happens(0.5)) {
                        let which = random.below(others[line].len());
                        others[line].swap_remove(which);
                    } else {
                        let watts = self.other_w * random.exponential(0.5).min(4.0) + 10.0;
                        others[line].push((watts, watts * random.within(-0.1, 0.6)));
                        if random.happens(0.3) {
                            inrush[line] = (watts * random.within(2.0, 6.0), now + random.within(0.1, 0.4));
                        }
                    }
                }
                drift[line] += self.drift_w * STEP_S.sqrt() * random.normal();
                drift[line] *= 1.0 - STEP_S / 60.0;
                grid_v[line] +=
                    0.0002 * STEP_S.sqrt() * random.normal() + (1.0 - grid_v[line]) * STEP_S / 400.0;
            }
            let mut plant = vec![0.0; self.phases];
            if let Some((line, watts)) = self.clouds {
                cloud = (cloud + 0.06 * STEP_S.sqrt() * random.normal()).clamp(0.1, 1.0);
                plant[line] += watts * cloud;
            }
            if let Some((line, watts, period, ramp)) = self.rhythm {
                let phase = (now / period) % 1.0 * period;
                let up = (phase / ramp).min(1.0);
                let down = ((phase - period / 2.0) / ramp).clamp(0.0, 1.0);
                plant[line] += watts * (1.0 - (up - down));
            }
            if let Some(battery) = self.battery {
                let back = (battery.dead_s / STEP_S) as usize;
                let seen = shown.len().checked_sub(back + 1).map_or(0.0, |at| shown[at]);
                battery_w += battery.share * seen * STEP_S / battery.lag_s.max(STEP_S);
                battery_w = battery_w.clamp(-battery.rated_w, battery.rated_w);
                plant[battery.line] += battery_w;
            }
            let powers = |test: &[C]| -> (Vec<C>, Vec<f64>) {
                let seen = if self.unseen { 0.0 } else { 1.0 };
                (0..self.phases)
                    .map(|line| {
                        let mut still: C = (base[line].0 + drift[line] - plant[line], base[line].1);
                        for other in &others[line] {
                            still = (still.0 + other.0, still.1 + other.1);
                        }
                        if now < inrush[line].1 {
                            still = (still.0 + inrush[line].0, still.1 + inrush[line].0);
                        }
                        let source = self.nominal * grid_v[line];
                        let mut volts = source;
                        let mut total = (0.0, 0.0);
                        let mut hidden = 0.0;
                        let heats = self.load_tan == 0.0;
                        let ratio = |volts: f64| {
                            if heats {
                                (volts / self.load_rated_v) * (volts / self.load_rated_v)
                            } else {
                                1.0
                            }
                        };
                        for _ in 0..3 {
                            let factor = ratio(volts);
                            let (heat, swing) = (test[line].0 * factor, test[line].1 * factor);
                            let follow = 1.0
                                + resistive[line] * ((volts / self.nominal) * (volts / self.nominal) - 1.0);
                            let part = base[line].0.max(0.0) * (follow - 1.0);
                            total = (still.0 + part + heat, still.1 + swing);
                            volts = source - self.supply_ohm * total.0 / volts.max(1.0);
                        }
                        hidden += (1.0 - seen) * test[line].0 * ratio(volts);
                        ((total.0 - hidden, total.1), volts)
                    })
                    .unzip()
            };
            let (now_powers, volts) = powers(&test);
            let flipped: Vec<C> = match coming.checked_sub(1) {
                Some(last) => {
                    let switching = self.switchings[last];
                    let mut flipped = test.clone();
                    self.put(&mut flipped, switching.line, if switching.on { 0.0 } else { switching.watts });
                    flipped
                }
                None => test.clone(),
            };
            let (other_powers, _) = powers(&flipped);
            let channels: Vec<C> = self.wires.iter().map(|wire| self.read(wire, &now_powers)).collect();
            shown.push(channels.iter().map(|channel| channel.0).sum());
            instants.push(Instant {
                without: self.wires.iter().map(|wire| self.read(wire, &other_powers)).collect(),
                channels,
                volts,
                plant_w: plant.iter().sum(),
            });
        }
        instants
    }
}
