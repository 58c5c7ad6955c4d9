//! A small world in continuous time: loads, a plant under control, a meter that averages, renews and rounds, and a person
//! who marks switches. It gives the case a check sees and, separately, what the power really did.

use std::fmt::Write as _;

use crate::base::{Phase, PointKey, Quantity, Span, Stamp};
use crate::evidence::case::{Binding, Case, MeterCase};
use crate::profile::{parse_profile, parse_site};
use crate::reading::{MeterSeries, Sample, Series};
use crate::record::{Mark, MarkKind};

/// Step of the continuous power, in s.
pub(crate) const STEP_S: f64 = 0.02;

/// Where time starts.
const START_NS: i64 = 1_780_000_000_000_000_000;

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
    /// How far the mark stands from its switch, in s.
    pub(crate) mark_after_s: f64,
    pub(crate) marked: bool,
    pub(crate) storage: bool,
    pub(crate) storage_idle: bool,
    // the control
    pub(crate) controlled: bool,
    pub(crate) dead_s: f64,
    pub(crate) tau_s: f64,
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
            mark_after_s: -0.4,
            marked: true,
            storage: false,
            storage_idle: false,
            controlled: true,
            dead_s: 0.4,
            tau_s: 0.6,
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
    fn load_on(&self, t: f64) -> bool {
        self.switches.iter().filter(|at| **at <= t).count() % 2 == 1
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
        let mut history: Vec<f64> = Vec::with_capacity(steps + settle);
        for step in 0..steps + settle {
            let t = step as f64 * STEP_S - 60.0;
            cloud = (cloud + self.clouds * STEP_S.sqrt() * 0.05 * dice.normal()).clamp(0.2, 1.0);
            drift = (drift + 0.002 * STEP_S.sqrt() * dice.normal()).clamp(0.9, 1.1);
            let potential = self.rated_w * self.sun * cloud;
            if self.controlled {
                let seen = history.len().checked_sub(dead + 1).map_or(0.0, |index| history[index]);
                plant_w += STEP_S / self.tau_s * (seen - self.target_w);
            } else {
                plant_w = potential;
            }
            plant_w = plant_w.clamp(0.0, potential);
            let mut grid = 0.0;
            for phase in 0..self.phases {
                let mut load = self.base_w[phase] * drift;
                if phase == self.load_phase && self.load_on(t) {
                    load += self.load_w;
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
            history.push(grid);
            if step >= settle {
                total.push(grid);
            }
        }
        Truth { total_w: total, phases_w: phases }
    }

    /// What the meter showed after each update: (time, value of each phase).
    fn updates(&self, truth: &Truth) -> Vec<(f64, [f64; 3])> {
        let mut dice = Dice(self.seed ^ 0xA7A7);
        let sums: Vec<Vec<f64>> = truth
            .phases_w
            .iter()
            .map(|power| {
                let mut sum = 0.0;
                std::iter::once(0.0)
                    .chain(power.iter().map(|value| {
                        sum += value;
                        sum
                    }))
                    .collect()
            })
            .collect();
        let mut updates = Vec::new();
        let mut t = dice.between(0.0, self.update_s.min(1.0));
        while t < self.duration_s {
            let end = ((t / STEP_S) as usize + 1).min(truth.total_w.len());
            let width = ((self.averaging_s / STEP_S) as usize).clamp(1, end);
            let mut shown = [0.0; 3];
            for (phase, sum) in sums.iter().enumerate() {
                let mean = (sum[end] - sum[end - width]) / width as f64;
                let noisy = mean * self.gain[phase] + self.noise_w * dice.normal();
                shown[phase] = (noisy / self.resolution_w).round() * self.resolution_w;
            }
            updates.push((t, shown));
            t += self.update_s;
        }
        updates
    }

    /// The site file.
    pub(crate) fn site_text(&self) -> String {
        let mut text = format!(
            "[site]\nname = \"World\"\nphases = {}\nnominal_V = 230\n\n[[meter]]\nname = \"connection\"\nrole = \"{}\"\n\
             profile = \"m.toml\"\nline = {{ serial = \"/dev/ttyUSB0\" }}\n",
            self.phases, self.role
        );
        if let Some(class) = self.class {
            let _ = writeln!(text, "class = \"{class}\"");
        }
        if self.plant_named {
            let _ = writeln!(
                text,
                "\n[[plant]]\nname = \"roof\"\nrated_W = {:.1}\nstorage = {}",
                self.rated_w, self.storage
            );
        }
        let _ = write!(
            text,
            "\n[[load]]\nname = \"heater\"\npower_W = {:.1}\nphase = \"L{}\"\n\n[limit]\nwindow_s = {:.1}\nchallenges = {}\n\n{}",
            self.load_w,
            self.load_phase + 1,
            self.window_s,
            self.challenges,
            self.rules
        );
        text
    }

    fn profile_text(&self) -> String {
        // A profile that says `signed` of unsigned registers is refused; a meter without sign may sit behind signed ones.
        let kind = if self.unsigned && !self.says_signed { "u32" } else { "i32" };
        let signed = if self.says_signed { ", signed = true" } else { "" };
        let mut text = format!(
            "[profile]\nname = \"Invented\"\n[read]\nupdate_ms = {:.0}\naveraging_ms = {:.0}\n[defaults]\ntype = \"{kind}\"\n\
             positive = \"import\"\n[points.active_power]\n",
            1000.0 * self.profile_update_s,
            1000.0 * self.profile_averaging_s
        );
        let unit = format!("unit = \"W\", scale = {:?}", self.resolution_w);
        if self.reports_phases {
            for phase in 0..self.phases {
                let _ = writeln!(text, "L{} = {{ address = {}, {unit}{signed} }}", phase + 1, 10 + 2 * phase);
            }
        }
        if !self.reports_phases || self.phases > 1 {
            let _ = writeln!(text, "total = {{ address = 30, {unit}{signed} }}");
        }
        text
    }

    fn series(&self, truth: &Truth) -> MeterSeries {
        let mut dice = Dice(self.seed ^ 0x3C3C);
        let updates = self.updates(truth);
        let mut series = MeterSeries::default();
        let mut t = 0.3;
        let mut last = 0.0;
        while t < self.duration_s {
            let at = t + self.jitter_s * dice.between(-1.0, 1.0);
            let lost = self.gaps.iter().any(|(from, to)| (*from..*to).contains(&at));
            let shown = updates.partition_point(|(time, _)| *time <= at).checked_sub(1).map(|i| updates[i].1);
            if let Some(shown) = shown.filter(|_| !lost && at > last) {
                last = at;
                self.answer(&mut series, Stamp::from_nanos(START_NS) + Span::from_seconds(at), shown);
            }
            t += self.spacing_s;
        }
        series
    }

    fn answer(&self, series: &mut MeterSeries, at: Stamp, shown: [f64; 3]) {
        let sign = |value: f64| match (self.reversed, self.unsigned) {
            (_, true) => value.abs(),
            (true, false) => -value,
            (false, false) => value,
        };
        let mut push = |phase: Phase, value: f64| {
            let key = PointKey::Of(Quantity::ActivePower, phase);
            let one: &mut Series = series.points.entry(key).or_default();
            one.samples.push(Sample { at, value });
        };
        if self.reports_phases {
            for (phase, value) in Phase::LINES.into_iter().zip(shown).take(self.phases) {
                push(phase, sign(value));
            }
        }
        if !self.reports_phases || self.phases > 1 {
            push(Phase::Total, sign(shown.iter().take(self.phases).fold(0.0, |sum, value| sum + value)));
        }
    }

    fn marks(&self) -> Vec<Mark> {
        let stamp = |t: f64| Stamp::from_nanos(START_NS) + Span::from_seconds(t);
        let mut marks = Vec::new();
        for (index, text) in self.verdicts.iter().enumerate() {
            let mut mark = Mark::new(stamp(0.001 * index as f64), MarkKind::Verdict, "ct");
            mark.text = Some(text.clone());
            marks.push(mark);
        }
        if self.storage_idle {
            marks.push(Mark::new(stamp(1.0), MarkKind::StorageIdle, "battery full"));
        }
        marks.push(Mark::new(stamp(WINDOW_FROM_S), MarkKind::WindowStart, "window starts"));
        if self.marked {
            for (index, at) in self.switches.iter().enumerate() {
                let kind = if index % 2 == 0 { MarkKind::LoadOn } else { MarkKind::LoadOff };
                let mut mark = Mark::new(stamp(at + self.mark_after_s), kind, "heater");
                mark.load = Some("heater".into());
                marks.push(mark);
            }
        }
        marks.push(Mark::new(stamp(self.window_end_s()), MarkKind::WindowEnd, "window ends"));
        marks.sort_by_key(|mark| mark.at);
        marks
    }

    pub(crate) fn window_end_s(&self) -> f64 {
        (WINDOW_FROM_S + self.window_s).min(self.duration_s - 1.0)
    }

    /// What a check sees.
    pub(crate) fn case(&self, truth: &Truth) -> Case {
        let (site, _) = parse_site("site.toml", &self.site_text())
            .unwrap_or_else(|faults| panic!("{:?}\n{}", faults.list, faults.text));
        let (profile, _) = parse_profile("m.toml", &self.profile_text())
            .unwrap_or_else(|faults| panic!("{:?}\n{}", faults.list, faults.text));
        let meters = vec![MeterCase { meter: site.meters[0].clone(), profile, series: self.series(truth) }];
        let start = Stamp::from_nanos(START_NS);
        Case {
            site,
            meters,
            marks: self.marks(),
            span: Some((start, start + Span::from_seconds(self.duration_s))),
            binding: Binding { shared_line: self.shared, options: Vec::new() },
        }
    }
}

/// When the window starts.
pub(crate) const WINDOW_FROM_S: f64 = 8.0;
