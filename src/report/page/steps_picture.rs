//! Steps drawn: a row for each load, a column for each channel, one scale for all panels of a row.

use std::fmt::Write as _;

use super::block::Figure;
use super::doc::Doc;
use super::drawing::{Anchor, Drawing, Frame, Stroke, escaped};
use crate::check::ct::curve::{Curve, SHOWN_S};
use crate::report::figures::with_uncertainty;

/// Width of the whole drawing.
const WIDTH: f64 = 720.0;

/// Height of a row of panels.
const ROW: f64 = 116.0;

/// Room over the first row and at the left.
const TOP: f64 = 22.0;
const LEFT: f64 = 66.0;

/// Room below a row, for its seconds.
const BELOW: f64 = 44.0;

/// The picture; nothing where no load's steps were found.
pub(super) fn figure(curves: &[Curve], doc: Doc<'_>) -> Option<Figure> {
    let mut rows: Vec<(&str, &str)> = Vec::new();
    let mut channels: Vec<&str> = Vec::new();
    for curve in curves.iter().filter(|curve| !curve.points.is_empty()) {
        if !rows.contains(&(&curve.load, &curve.place)) {
            rows.push((&curve.load, &curve.place));
        }
        if !channels.contains(&curve.channel.as_str()) {
            channels.push(&curve.channel);
        }
    }
    if rows.is_empty() {
        return None;
    }
    let mut drawing = Drawing::default();
    let wide = (WIDTH - LEFT) / channels.len() as f64;
    for (column, channel) in channels.iter().enumerate() {
        let middle = LEFT + wide * (column as f64 + 0.5);
        drawing.words((middle, 14.0), Anchor::Middle, &format!("channel {channel}"));
    }
    let mut told = Vec::new();
    for (index, (load, place)) in rows.iter().enumerate() {
        let top = TOP + index as f64 * (ROW + BELOW);
        let of_row: Vec<&Curve> =
            curves.iter().filter(|curve| curve.load == *load && curve.place == *place).collect();
        let y = scale(&of_row);
        for curve in of_row {
            let Some(column) = channels.iter().position(|channel| *channel == curve.channel) else {
                continue;
            };
            let left = LEFT + wide * column as f64;
            let frame = Frame { edges: (left, top, left + wide - 8.0, top + ROW), x: SHOWN_S, y };
            panel(&mut drawing, curve, &frame, column == 0);
            told.push(sentence(curve, doc));
        }
        let words = format!("{load} on {place} switched on");
        drawing.words((LEFT, top + ROW + 30.0), Anchor::Start, &words);
    }
    Some(Figure {
        title: "Steps of each channel under each load".to_owned(),
        description: told.join(" "),
        drawing: drawing.0,
        size: (WIDTH, TOP + rows.len() as f64 * (ROW + BELOW)),
        caption: "Steps: power of each channel in W over seconds, averaged over all edges of a load, switching off turned over. \
                  Full line: measured. Dashed: what the load draws, in the panel of its own phase."
            .to_owned(),
    })
}

/// Lowest and highest power of a row.
fn scale(curves: &[&Curve]) -> (f64, f64) {
    let expected = curves.iter().map(|curve| curve.expected_w);
    let values = curves.iter().flat_map(|curve| curve.points.iter().map(|point| point.1));
    let (low, high) = values
        .chain(expected)
        .fold((0.0_f64, 0.0_f64), |(low, high), value| (low.min(value), high.max(value)));
    let room = 0.1 * (high - low).max(10.0);
    (low - room, high + room)
}

fn is_own(curve: &Curve) -> bool {
    curve.place == curve.channel || curve.channel == "total"
}

fn panel(drawing: &mut Drawing, curve: &Curve, frame: &Frame, first: bool) {
    let _ = writeln!(
        drawing.0,
        "<g class=\"steps\" data-channel=\"{}\" data-load=\"{}\" data-place=\"{}\">",
        escaped(&curve.channel),
        escaped(&curve.load),
        escaped(&curve.place)
    );
    drawing.frame(frame);
    let (left, top, right, bottom) = frame.edges;
    drawing.line((left, frame.at_y(0.0)), (right, frame.at_y(0.0)), Stroke::Thin, "");
    drawing.line((frame.at_x(0.0), top), (frame.at_x(0.0), bottom), Stroke::Thin, "");
    if is_own(curve) {
        let y = frame.at_y(curve.expected_w);
        drawing.line((frame.at_x(0.0), y), (right, y), Stroke::Limit, "class=\"expected\"");
    }
    let points: Vec<(f64, f64)> =
        curve.points.iter().map(|(t, watts)| (frame.at_x(*t), frame.at_y(*watts))).collect();
    drawing.path(&points, Stroke::Measured, "measured");
    if first {
        let (values, _) = super::drawing::ticks(frame.y, 5);
        for value in values {
            drawing.tick_y(frame, value, &format!("{value:.0} W"));
        }
    }
    for second in [-5.0, 0.0, 5.0] {
        let words = if second == 0.0 { "edge".to_owned() } else { format!("{second:+.0} s") };
        drawing.tick_x(frame, second, &words);
    }
    drawing.0.push_str("</g>\n");
}

/// What a panel shows, in words: the step as the document has it.
fn sentence(curve: &Curve, doc: Doc<'_>) -> String {
    let mut channels = doc.list("channels").filter(|channel| channel.text("channel") == curve.channel);
    let step = channels.next().and_then(|channel| {
        let here = channel.list("responses").find(|response| response.text("load_phase") == curve.place);
        // The step of a channel is that on the phase it senses.
        let sensed = match channel.text("senses") {
            "" => curve.channel.as_str(),
            senses => senses,
        };
        let own = (curve.channel == "total" || sensed == curve.place).then(|| channel.at("step"));
        let step = here.or(own)?;
        Some(with_uncertainty(step.number("active_W")?, step.number("active_u_W"), 0))
    });
    let moved = step.map_or_else(String::new, |step| format!(": the channel moved by {step} W"));
    let expected =
        if is_own(curve) { format!(", {:.0} W expected", curve.expected_w) } else { String::new() };
    format!("Channel {}, {} on {}{moved}{expected}.", curve.channel, curve.load, curve.place)
}
