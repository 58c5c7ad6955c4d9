//! What a check sees of the made-up world: the meter's answers as they come over a bad line, the files, the marks.

use std::fmt::Write as _;

use super::world::{Dice, Plan, START_NS, STEP_S, Truth, WINDOW_FROM_S};
use crate::base::{Phase, PointKey, Quantity, Span, Stamp};
use crate::evidence::case::{Binding, Case, MeterCase};
use crate::profile::{parse_profile, parse_site};
use crate::reading::{MeterSeries, Sample, Series};
use crate::record::{Mark, MarkKind};

impl Plan {
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
            if self.plant_on_one && self.phases > 1 {
                text.push_str("phases = [\"L1\"]\n");
            }
        }
        for name in ["heater", "oven"].into_iter().take(1 + usize::from(self.pairs)) {
            let phase = self.load_phase + 1;
            let _ = write!(
                text,
                "\n[[load]]\nname = \"{name}\"\npower_W = {:.1}\nphase = \"L{phase}\"\n",
                self.load_w
            );
        }
        let _ = write!(
            text,
            "\n[limit]\nwindow_s = {:.1}\nchallenges = {}\n\n{}",
            self.window_s, self.challenges, self.rules
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
                let kind = if self.switches_on(index) { MarkKind::LoadOn } else { MarkKind::LoadOff };
                let name = if self.pairs && index % 2 == 1 { "oven" } else { "heater" };
                let mut mark = Mark::new(stamp(at + self.mark_after_s), kind, name);
                mark.load = Some(name.into());
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
            binding: Binding { shared_line: self.shared, ..Binding::default() },
        }
    }
}
