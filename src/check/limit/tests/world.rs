//! A small world in continuous time: loads, a plant under control, a meter that averages, renews and rounds, and a person
//! who marks switches. It gives the case a check sees and, separately, what the power really did.

/// Step of the continuous power, in s.
pub(crate) const STEP_S: f64 = 0.02;

/// Where time starts.
pub(crate) const START_NS: i64 = 1_780_000_000_000_000_000;

/// SplitMix64 (Steele, Lea, Flood 2014): the same numbers on every machine.
#[derive(Clone, Debug)]
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From `low` to `high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn chance(&mut self, share: f64) -> bool {
        self.between(0.0, 1.0) < share
    }

    pub(crate) fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[(self.next() % of.len() as u64) as usize]
    }

    /// Roughly normal with deviation 1 (sum of twelve).
    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).fold(-6.0, |sum, _| sum + self.between(0.0, 1.0))
    }
}

/// Everything about one window.
#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is one thing that may go wrong on a site")]
pub(crate) struct Plan {
    pub(crate) seed: u64,
    pub(crate) phases: usize,
    /// The meter reports each phase, or only the total.
    pub(crate) reports_phases: bool,
    pub(crate) duration_s: f64,
    /// `[[limit.rule]]` blocks.
    pub(crate) rules: String,
    pub(crate) challenges: u32,
    pub(crate) window_s: f64,
    // the site
    pub(crate) rated_w: f64,
    pub(crate) plant_named: bool,
    /// The plant feeds one phase, or all alike.
    pub(crate) plant_on_one: bool,
    pub(crate) sun: f64,
    pub(crate) clouds: f64,
    pub(crate) base_w: [f64; 3],
    pub(crate) load_w: f64,
    pub(crate) load_phase: usize,
    /// When the load changes, starting switched off; odd ones switch off.
    pub(crate) switches: Vec<f64>,
    /// Two loads of that power, switched on, on, off and off again in turn.
    pub(crate) pairs: bool,
    /// How far the mark stands from its switch, in s.
    pub(crate) mark_after_s: f64,
    pub(crate) marked: bool,
    pub(crate) storage: bool,
    pub(crate) storage_idle: bool,
    // the control
    pub(crate) controlled: bool,
    pub(crate) dead_s: f64,
    pub(crate) tau_s: f64,
    /// The plant follows the load itself, `dead_s` later and at once, as one that reckons with its own output does: its
    /// answer is as sharp as the step.
    pub(crate) sharp: bool,
    /// Grid power the control aims at, in W; positive is import.
    pub(crate) target_w: f64,
    // the meter
    pub(crate) role: &'static str,
    pub(crate) class: Option<&'static str>,
    pub(crate) gain: [f64; 3],
    pub(crate) noise_w: f64,
    pub(crate) resolution_w: f64,
    pub(crate) update_s: f64,
    pub(crate) averaging_s: f64,
    pub(crate) profile_update_s: f64,
    pub(crate) profile_averaging_s: f64,
    pub(crate) reversed: bool,
    pub(crate) unsigned: bool,
    pub(crate) says_signed: bool,
    // the line
    pub(crate) spacing_s: f64,
    pub(crate) jitter_s: f64,
    pub(crate) gaps: Vec<(f64, f64)>,
    pub(crate) shared: bool,
    pub(crate) verdicts: Vec<String>,
}

impl Plan {
    /// A window that passes: 5 kW of plant under a quick control, limit 0 W within 5 s, a reference meter read twice a
    /// second, four load drops.
    pub(crate) fn held() -> Self {
        Self {
            seed: 1,
            phases: 1,
            reports_phases: true,
            duration_s: 200.0,
            rules: "[[limit.rule]]\nexport_W = 0\naveraging_s = 1.0\nlongest_s = 5.0\n".into(),
            challenges: 3,
            window_s: 180.0,
            rated_w: 5000.0,
            plant_named: true,
            plant_on_one: true,
            sun: 0.9,
            clouds: 0.0,
            base_w: [400.0, 300.0, 300.0],
            load_w: 2000.0,
            load_phase: 0,
            switches: (0..8).map(|k| 20.0 + 22.0 * f64::from(k)).collect(),
            pairs: false,
            mark_after_s: -0.4,
            marked: true,
            storage: false,
            storage_idle: false,
            controlled: true,
            dead_s: 0.4,
            tau_s: 0.6,
            sharp: false,
            target_w: 150.0,
            role: "reference",
            class: Some("1"),
            gain: [1.003, 0.998, 1.001],
            noise_w: 1.0,
            resolution_w: 1.0,
            update_s: 0.2,
            averaging_s: 0.2,
            profile_update_s: 0.2,
            profile_averaging_s: 0.2,
            reversed: false,
            unsigned: false,
            says_signed: true,
            spacing_s: 0.5,
            jitter_s: 0.02,
            gaps: Vec::new(),
            shared: false,
            verdicts: Vec::new(),
        }
    }
}

/// What the power really did, import positive, every `STEP_S` from 0.
pub(crate) struct Truth {
    pub(crate) total_w: Vec<f64>,
    pub(crate) phases_w: Vec<Vec<f64>>,
}

impl Plan {
    /// Whether the switching of this number switches a load on.
    pub(crate) fn switches_on(&self, index: usize) -> bool {
        if self.pairs { index % 4 < 2 } else { index.is_multiple_of(2) }
    }

    /// How many loads run.
    pub(crate) fn loads_on(&self, t: f64) -> f64 {
        let switched = self.switches.iter().filter(|at| **at <= t).count();
        (0..switched).fold(0.0, |on, index| if self.switches_on(index) { on + 1.0 } else { on - 1.0 })
    }

    /// Runs the site.
    pub(crate) fn truth(&self) -> Truth {
        let mut dice = Dice(self.seed ^ 0x5151);
        let steps = (self.duration_s / STEP_S) as usize + 1;
        let dead = (self.dead_s / STEP_S) as usize;
        let mut plant_w = 0.9 * self.sun * self.rated_w;
        let mut cloud = 1.0_f64;
        let mut drift = 1.0_f64;
        let mut total = Vec::with_capacity(steps);
        let mut phases = vec![Vec::with_capacity(steps); self.phases];
        // Settled before time 0: the control has had a minute.
        let settle = (60.0 / STEP_S) as usize;
        let mut history: Vec<(f64, f64)> = Vec::with_capacity(steps + settle);
        for step in 0..steps + settle {
            let t = step as f64 * STEP_S - 60.0;
            cloud = (cloud + self.clouds * STEP_S.sqrt() * 0.05 * dice.normal()).clamp(0.2, 1.0);
            drift = (drift + 0.002 * STEP_S.sqrt() * dice.normal()).clamp(0.9, 1.1);
            let potential = self.rated_w * self.sun * cloud;
            if self.controlled && self.sharp {
                let (grid, output) =
                    history.len().checked_sub(dead + 1).map_or((0.0, plant_w), |i| history[i]);
                plant_w += STEP_S / 0.06 * (grid + output - self.target_w - plant_w);
            } else if self.controlled {
                let seen = history.len().checked_sub(dead + 1).map_or(0.0, |index| history[index].0);
                plant_w += STEP_S / self.tau_s * (seen - self.target_w);
            } else {
                plant_w = potential;
            }
            plant_w = plant_w.clamp(0.0, potential);
            let mut grid = 0.0;
            for phase in 0..self.phases {
                let mut load = self.base_w[phase] * drift;
                if phase == self.load_phase {
                    load += self.load_w * self.loads_on(t);
                }
                let share = match (self.plant_on_one, phase) {
                    (true, 0) => 1.0,
                    (true, _) => 0.0,
                    (false, _) => 1.0 / self.phases as f64,
                };
                let power = load - share * plant_w;
                grid += power;
                if step >= settle {
                    phases[phase].push(power);
                }
            }
            history.push((grid, plant_w));
            if step >= settle {
                total.push(grid);
            }
        }
        Truth { total_w: total, phases_w: phases }
    }
}

/// When the window starts.
pub(crate) const WINDOW_FROM_S: f64 = 8.0;
