//! The window of a limit check drawn: export over time, the limit, the margin that the uncertainty takes from it, excursions
//! as hatched bands with their number, challenges with their letter.

use std::fmt::Write as _;

use super::block::Figure;
use super::doc::{Doc, Times};
use super::drawing::{Anchor, Drawing, Frame, Stroke, ticks};
use super::limit::{letter, limit_words};
use crate::base::uncertain::median;
use crate::base::{Phase, Quantity, Span, Stamp};
use crate::evidence::Case;
use crate::evidence::mean::Line;
use crate::report::limit_text::export;

/// Size of a drawing, and its frame within.
const SIZE: (f64, f64) = (720.0, 300.0);
const EDGES: (f64, f64, f64, f64) = (70.0, 34.0, 712.0, 250.0);

/// Readings are drawn one by one up to this many; beyond, each column keeps its lowest and highest.
const POINTS: usize = 1200;

/// Bands and letters beyond this many have no room for a name.
const NAMED: usize = 40;

/// Distances of the ticks along the time, in s.
const STEPS_S: [f64; 14] =
    [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0];

/// One picture for rules on the total; one for each phase where rules are per phase.
pub(super) fn figures(case: &Case, doc: Doc<'_>, times: &Times) -> Vec<Figure> {
    let Some(meter) = case.meter(doc.text("meter")) else { return Vec::new() };
    let (Some(start), Some(end)) = (doc.time("start"), doc.time("end")) else { return Vec::new() };
    let mut list = Vec::new();
    let lowest = |per: &str| {
        let rules = doc.list("rules").enumerate().filter(|(_, rule)| rule.text("per") == per);
        rules.min_by(|(_, one), (_, other)| limit_of(*one).total_cmp(&limit_of(*other)))
    };
    let mut draw = |channel: &str, points: Vec<(Stamp, f64)>, rule: (usize, Doc<'_>)| {
        let points: Vec<(f64, f64)> = points
            .into_iter()
            .filter(|(at, _)| (start..=end).contains(at))
            .map(|(at, watts)| (at.seconds_since(start), watts))
            .collect();
        if points.len() > 1 && end > start {
            let picture = Picture { doc, times, start, end, channel, rule, points: &points };
            list.push(picture.figure());
        }
    };
    if let Some(rule) = lowest("total") {
        draw("total", export(meter, case.site.lines()), rule);
    }
    if let Some(rule) = lowest("phase") {
        for phase in case.site.lines() {
            let series = meter.series.of(Quantity::ActivePower, *phase);
            let points =
                series.map(|series| series.samples.iter().map(|sample| (sample.at, -sample.value)).collect());
            draw(Phase::word(*phase), points.unwrap_or_default(), rule);
        }
    }
    list
}

fn limit_of(rule: Doc<'_>) -> f64 {
    rule.flow("export_W").unwrap_or(0.0)
}

/// What one picture is drawn from.
struct Picture<'a> {
    doc: Doc<'a>,
    times: &'a Times,
    start: Stamp,
    end: Stamp,
    channel: &'a str,
    rule: (usize, Doc<'a>),
    points: &'a [(f64, f64)],
}

impl Picture<'_> {
    fn figure(&self) -> Figure {
        let frame = Frame { edges: EDGES, x: (0.0, (self.end - self.start).seconds()), y: self.scale() };
        let mut drawing = Drawing::default();
        // Names in a page must be its only ones.
        let hatch = format!("hatch-{}-{}", self.channel, self.start.micros());
        drawing.0.push_str(&HATCH.replace("hatch", &hatch));
        self.bands(&mut drawing, &frame, &hatch);
        self.axes(&mut drawing, &frame);
        self.challenges(&mut drawing, &frame);
        self.averaged(&mut drawing, &frame);
        for run in runs(self.points, self.length()) {
            let run: Vec<(f64, f64)> =
                run.iter().map(|(t, watts)| (frame.at_x(*t), frame.at_y(*watts))).collect();
            drawing.path(&run, Stroke::Measured, "measured");
        }
        self.limits(&mut drawing, &frame);
        let noun = self.noun();
        let on = if self.channel == "total" { String::new() } else { format!(" on {}", self.channel) };
        Figure {
            title: format!("{}{on} in the window", upper_first(noun)),
            description: self.description(),
            drawing: drawing.0,
            size: SIZE,
            caption: format!(
                "{}{on} in W over the window; {noun} is up, import down. Thin full line: readings. Thick \
                 grey line: their mean over {} s, which the rule applies to. Dashed: the limit of rule {} \
                 ({}). Dotted: with the uncertainty against it, what lies above this line may be above the limit. Hatched \
                 bands with numbers: excursions at their greatest length, a full edge for the certain ones. Letters: \
                 challenges.",
                upper_first(noun),
                self.rule.1.number("averaging_s").unwrap_or(0.0),
                self.rule.0 + 1,
                limit_words(self.rule.1)
            ),
        }
    }

    fn noun(&self) -> &'static str {
        if self.doc.text("meter_role") == "generation" { "generation" } else { "export" }
    }

    fn acceptance(&self) -> Option<f64> {
        self.rule.1.number("acceptance_W")
    }

    fn tolerance(&self) -> f64 {
        self.rule.1.number("tolerance_W").unwrap_or(0.0)
    }

    fn excursions(&self) -> impl Iterator<Item = (usize, Doc<'_>)> {
        self.rule.1.list("excursions").enumerate().filter(|(_, one)| one.text("channel") == self.channel)
    }

    fn description(&self) -> String {
        let (low, high) =
            self.points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (_, watts)| {
                (low.min(*watts), high.max(*watts))
            });
        let noun = self.noun();
        let count = self.excursions().count();
        let certain = self.excursions().filter(|(_, one)| one.yes("certain") == Some(true)).count();
        format!(
            "{} readings from {} to {}. The {noun} ranged from {low:.0} W to {high:.0} W (negative is import); the limit is \
             {:.0} W. {count} possible excursions, {certain} of them certain; {} challenges.",
            self.points.len(),
            self.times.clock(Some(self.start)),
            self.times.clock(Some(self.end)),
            limit_of(self.rule.1),
            self.doc.list("challenges").count()
        )
    }

    fn scale(&self) -> (f64, f64) {
        let limit = limit_of(self.rule.1);
        let marks = [0.0, limit, limit + self.tolerance(), self.acceptance().unwrap_or(limit)];
        let values = self.points.iter().map(|point| point.1).chain(marks);
        let (low, high) =
            values.fold((0.0_f64, 0.0_f64), |(low, high), value| (low.min(value), high.max(value)));
        let room = 0.08 * (high - low).max(50.0);
        (low - room, high + room)
    }

    fn axes(&self, drawing: &mut Drawing, frame: &Frame) {
        drawing.frame(frame);
        for value in ticks(frame.y, 6).0 {
            drawing.tick_y(frame, value, &format!("{value:.0} W"));
        }
        let length = frame.x.1;
        let step = STEPS_S.into_iter().find(|step| length / step <= 7.0).unwrap_or(14_400.0);
        let first = libm::ceil(self.start.nanos() as f64 / 1e9 / step) as i64;
        for count in 0..8 {
            let at = Stamp::from_nanos(0) + Span::from_seconds((first + count) as f64 * step);
            if at <= self.end {
                let words = self.times.zone.local(at).time;
                let shown = if step >= 60.0 { &words[..5] } else { &words };
                drawing.tick_x(frame, at.seconds_since(self.start), shown);
            }
        }
        let local = self.times.zone.local(self.start);
        let below = (frame.edges.2, frame.edges.3 + 34.0);
        drawing.words(below, Anchor::End, &format!("time on {} ({})", local.date, local.offset));
    }

    /// The limit, the rule's own tolerance, and the margin.
    fn limits(&self, drawing: &mut Drawing, frame: &Frame) {
        let (left, _, right, _) = frame.edges;
        let limit = limit_of(self.rule.1);
        let whole = |drawing: &mut Drawing, watts: f64, stroke: Stroke, class: &str| {
            let y = frame.at_y(watts);
            let more = format!("class=\"{class}\" data-value=\"{watts}\"");
            drawing.line((left, y), (right, y), stroke, &more);
        };
        whole(drawing, limit, Stroke::Limit, "limit");
        drawing.label((left + 4.0, frame.at_y(limit) - 5.0), &format!("limit {limit:.0} W"));
        if self.tolerance() > 0.0 {
            whole(drawing, limit + self.tolerance(), Stroke::Limit, "tolerance");
        }
        if let Some(acceptance) = self.acceptance() {
            whole(drawing, acceptance, Stroke::Bound, "acceptance");
            let words = format!("limit less uncertainty: {acceptance:.0} W");
            // Below both lines, where it runs into neither.
            let y = frame.at_y(acceptance.min(limit)) + 14.0;
            drawing.label((left + 4.0, y.min(frame.edges.3 - 3.0)), &words);
        }
    }

    fn bands(&self, drawing: &mut Drawing, frame: &Frame, hatch: &str) {
        let (left, top, right, bottom) = frame.edges;
        let mut last = f64::NEG_INFINITY;
        let mut raised = false;
        for (index, one) in self.excursions() {
            let Some(at) = one.time("start") else { continue };
            let from = at.seconds_since(self.start);
            let to = from + one.number("longest_s").unwrap_or(0.0);
            let (x1, x2) = (frame.at_x(from).clamp(left, right), frame.at_x(to).clamp(left, right));
            let certain = one.yes("certain") == Some(true);
            let edge = if certain {
                "stroke=\"#000\" stroke-width=\"0.8\""
            } else {
                "stroke=\"#767676\" stroke-width=\"0.6\" stroke-dasharray=\"2 2\""
            };
            let _ = writeln!(
                drawing.0,
                "<rect class=\"excursion\" data-number=\"{}\" x=\"{x1:.2}\" y=\"{top:.1}\" width=\"{:.2}\" height=\"{:.1}\" \
                 fill=\"url(#{hatch})\" {edge}/>",
                index + 1,
                (x2 - x1).max(1.0),
                bottom - top
            );
            if index < NAMED {
                let x = 0.5 * (x1 + x2);
                raised = x - last < 16.0 && !raised;
                drawing.words(
                    (x, if raised { top - 16.0 } else { top - 4.0 }),
                    Anchor::Middle,
                    &(index + 1).to_string(),
                );
                last = x;
            }
        }
    }

    fn challenges(&self, drawing: &mut Drawing, frame: &Frame) {
        let (left, top, right, bottom) = frame.edges;
        let mut last = f64::NEG_INFINITY;
        let mut raised = false;
        for (index, one) in self.doc.list("challenges").enumerate() {
            let Some(at) = one.time("at") else { continue };
            let x = frame.at_x(at.seconds_since(self.start)).clamp(left, right);
            drawing.line((x, top), (x, bottom), Stroke::Event, "class=\"challenge\"");
            if index < NAMED {
                raised = x - last < 14.0 && !raised;
                let y = if raised { bottom - 18.0 } else { bottom - 5.0 };
                // Left of its line, but for one at the very edge.
                let (x, anchor) =
                    if x - left < 12.0 { (x + 3.0, Anchor::Start) } else { (x - 3.0, Anchor::End) };
                drawing.words((x, y), anchor, &letter(index));
                last = x;
            }
        }
    }

    fn length(&self) -> f64 {
        (self.end - self.start).seconds()
    }

    /// The mean that the rule applies to, where the window has room for it.
    fn averaged(&self, drawing: &mut Drawing, frame: &Frame) {
        let averaging = self.rule.1.number("averaging_s").unwrap_or(0.0);
        let line = Line::new(self.points.iter().copied());
        let means: Vec<(f64, f64)> = self
            .points
            .iter()
            .filter(|(t, _)| t - averaging >= self.points[0].0)
            .filter_map(|(t, _)| Some((*t, line.mean(t - averaging, *t)?)))
            .collect();
        for run in runs(&means, self.length()).into_iter().filter(|_| averaging > 0.0) {
            let run: Vec<(f64, f64)> =
                run.iter().map(|(t, watts)| (frame.at_x(*t), frame.at_y(*watts))).collect();
            drawing.path(&run, Stroke::Mean, "averaged");
        }
    }
}

/// Values in unbroken runs, thinned where there are very many.
fn runs(points: &[(f64, f64)], length: f64) -> Vec<Vec<(f64, f64)>> {
    let steps: Vec<f64> = points.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    // Thinning keeps at least one point in every column in which something was read.
    let most = (3.0 * median(&steps)).max(3.0 * length / POINTS as f64);
    let mut runs: Vec<Vec<(f64, f64)>> = Vec::new();
    let mut before = f64::NEG_INFINITY;
    for point in thinned(points, length) {
        match runs.last_mut() {
            Some(run) if point.0 - before <= most => run.push(point),
            _ => runs.push(vec![point]),
        }
        before = point.0;
    }
    runs
}

/// At most two points for each of `POINTS / 2` columns: the lowest and the highest of the column, in time order.
fn thinned(points: &[(f64, f64)], length: f64) -> Vec<(f64, f64)> {
    if points.len() <= POINTS {
        return points.to_vec();
    }
    let columns = POINTS / 2;
    let column = |t: f64| ((t / length.max(1e-9) * columns as f64) as usize).min(columns - 1);
    let mut kept: Vec<(f64, f64)> = Vec::new();
    for part in points.chunk_by(|one, other| column(one.0) == column(other.0)) {
        let low = part.iter().copied().min_by(|one, other| one.1.total_cmp(&other.1));
        let high = part.iter().copied().max_by(|one, other| one.1.total_cmp(&other.1));
        let mut both: Vec<(f64, f64)> = low.into_iter().chain(high).collect();
        both.sort_by(|one, other| one.0.total_cmp(&other.0));
        both.dedup();
        kept.extend(both);
    }
    kept
}

fn upper_first(words: &str) -> String {
    let mut chars = words.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + chars.as_str())
}

/// The hatching of excursions.
const HATCH: &str = "<defs><pattern id=\"hatch\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" \
                     patternTransform=\"rotate(45)\"><rect width=\"6\" height=\"6\" fill=\"#fff3e0\"/>\
                     <line x1=\"0\" y1=\"0\" x2=\"0\" y2=\"6\" stroke=\"#a65f00\" stroke-width=\"1.2\"/></pattern></defs>\n";
