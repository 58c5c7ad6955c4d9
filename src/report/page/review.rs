//! The part of a review: its pictures, each with the values it is drawn from, and what stands beside them. Colour says nothing
//! alone: the squares of the heat map carry their number, the lines differ in form.

use std::fmt::Write as _;

use super::block::{Block, Figure};
use super::doc::{Doc, Times};
use super::drawing::{Anchor, Drawing, Frame, Stroke, escaped, ticks};
use super::other;
use super::sheet::Sheet;

/// Days drawn in the heat map, the last of them.
const DAYS: usize = 62;

/// Size of a drawing, and its frame within.
const SIZE: (f64, f64) = (720.0, 300.0);
const EDGES: (f64, f64, f64, f64) = (70.0, 20.0, 712.0, 250.0);

/// Pictures first, then every figure of the document but those they are drawn from.
pub(super) fn section(
    page: &mut Vec<Block>,
    sheet: &Sheet,
    times: &Times,
    facts: &mut Vec<(String, String)>,
) {
    let pictures = figures(sheet.doc(), times).into_iter().map(|(_, figure)| Block::Figure(Box::new(figure)));
    let pictures: Vec<Block> = pictures.collect();
    other::section(page, sheet, facts);
    page.extend(pictures);
}

/// A picture by itself, as a file.
pub fn svg(figure: &Figure) -> String {
    let (width, height) = figure.size;
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-labelledby=\"title text\" viewBox=\"0 0 {width:.0} \
         {height:.0}\" font-family=\"sans-serif\" font-size=\"12\">\n<title id=\"title\">{}</title>\n<desc \
         id=\"text\">{} {}</desc>\n<rect width=\"{width:.0}\" height=\"{height:.0}\" fill=\"#fff\"/>\n{}</svg>\n",
        escaped(&figure.title),
        escaped(&figure.description),
        escaped(&figure.caption),
        figure.drawing
    )
}

/// Every picture that the document has the values for, with the name of its file.
pub fn figures(doc: Doc<'_>, times: &Times) -> Vec<(String, Figure)> {
    let mut found = Vec::new();
    found.extend(heat(doc).map(|figure| ("export-by-hour".to_owned(), figure)));
    found.extend(duration(doc).map(|figure| ("duration".to_owned(), figure)));
    for phase in doc.list("plots.voltage") {
        let name = format!("voltage-{}", phase.text("phase"));
        found.extend(voltage(phase).map(|figure| (name, figure)));
    }
    found.extend(event(doc.at("plots.worst_event"), times).map(|figure| ("worst-event".to_owned(), figure)));
    found
}

fn numbers(doc: Doc<'_>, path: &str) -> Vec<f64> {
    doc.list(path).filter_map(|value| value.0.as_f64()).collect()
}

/// Export of each hour of each day.
fn heat(doc: Doc<'_>) -> Option<Figure> {
    let mut days: Vec<(&str, Vec<f64>)> =
        doc.list("by_day").map(|day| (day.text("day"), numbers(day, "export_by_hour_Wh"))).collect();
    days.drain(..days.len().saturating_sub(DAYS));
    let most = days.iter().flat_map(|(_, hours)| hours).fold(0.0_f64, |most, value| most.max(*value));
    if days.is_empty() {
        return None;
    }
    let (left, top, wide, high) = (84.0, 24.0, 26.0, 14.0);
    let mut drawing = Drawing::default();
    for hour in 0..24 {
        drawing.words(
            (left + wide * (f64::from(hour) + 0.5), top - 6.0),
            Anchor::Middle,
            &format!("{hour:02}"),
        );
    }
    for (row, (day, hours)) in days.iter().enumerate() {
        let y = top + high * row as f64;
        drawing.words((left - 6.0, y + 11.0), Anchor::End, day);
        for (hour, value) in hours.iter().enumerate() {
            let x = left + wide * hour as f64;
            let share = if most > 0.0 { value / most } else { 0.0 };
            // Light enough for black numbers.
            let grey = 255 - (115.0 * share).round() as u8;
            let _ = writeln!(
                drawing.0,
                "<rect class=\"hour\" data-day=\"{}\" data-hour=\"{hour}\" data-value=\"{value}\" x=\"{x:.1}\" y=\"{y:.1}\" \
                 width=\"{wide:.1}\" height=\"{high:.1}\" fill=\"#{grey:02x}{grey:02x}ff\" stroke=\"#fff\"/>",
                escaped(day)
            );
            if *value >= 0.5 {
                let words =
                    if *value < 9999.5 { format!("{value:.0}") } else { format!("{:.0}k", value / 1000.0) };
                let at = (x + wide / 2.0, y + 10.5);
                let _ = writeln!(
                    drawing.0,
                    "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"8.5\">{words}</text>",
                    at.0, at.1
                );
            }
        }
    }
    let sum = days.iter().flat_map(|(_, hours)| hours).fold(0.0, |sum, value| sum + value);
    Some(Figure {
        title: "Export by day and hour".into(),
        description: format!(
            "{} days of 24 hours in the site's time. {:.2} kWh of export in all, {most:.0} Wh in the strongest hour.",
            days.len(),
            sum / 1000.0
        ),
        drawing: drawing.0,
        size: (SIZE.0, top + high * days.len() as f64 + 10.0),
        caption: "Export in Wh of each hour (k: kWh), the darker the more; the number stands in each square, and an empty one \
                  had none."
            .into(),
    })
}

fn axes(drawing: &mut Drawing, frame: &Frame, units: (&str, &str), below: &str) {
    drawing.frame(frame);
    let digits = |step: f64| usize::from(step < 1.0);
    let (values, step) = ticks(frame.y, 6);
    for value in values {
        drawing.tick_y(frame, value, &format!("{value:.*} {}", digits(step), units.1));
    }
    let (values, step) = ticks(frame.x, 8);
    for value in values {
        drawing.tick_x(frame, value, &format!("{value:.*} {}", digits(step), units.0));
    }
    drawing.words((frame.edges.2, frame.edges.3 + 34.0), Anchor::End, below);
}

fn extent(values: &[f64]) -> (f64, f64) {
    let (low, high) = values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(*value), high.max(*value)));
    let room = 0.06 * (high - low).max(1e-6);
    (low - room, high + room)
}

/// How much of the time the power stood above what.
fn duration(doc: Doc<'_>) -> Option<Figure> {
    let (share, power) = (numbers(doc, "plots.duration.share"), numbers(doc, "plots.duration.export_W"));
    if share.len() < 2 || share.len() != power.len() {
        return None;
    }
    let frame = Frame { edges: EDGES, x: (0.0, 100.0), y: extent(&power) };
    let mut drawing = Drawing::default();
    axes(&mut drawing, &frame, ("%", "W"), "share of the time");
    let zero = frame.at_y(0.0);
    if zero > EDGES.1 && zero < EDGES.3 {
        drawing.line((EDGES.0, zero), (EDGES.2, zero), Stroke::Thin, "class=\"zero\"");
    }
    let points: Vec<(f64, f64)> = share
        .iter()
        .zip(&power)
        .map(|(share, power)| (frame.at_x(100.0 * share), frame.at_y(*power)))
        .collect();
    drawing.path(&points, Stroke::Measured, "duration");
    embed(&mut drawing, "duration", &[("share", &share), ("export_W", &power)]);
    let exporting = share.iter().zip(&power).filter(|(_, power)| **power > 0.0).map(|(share, _)| *share);
    Some(Figure {
        title: "Duration of the export".into(),
        description: format!(
            "Ten-minute means, highest first: from {:.0} W to {:.0} W (negative is import); above nothing for about {:.0} % \
             of the time.",
            power[0],
            power[power.len() - 1],
            100.0 * exporting.fold(0.0, f64::max)
        ),
        drawing: drawing.0,
        size: SIZE,
        caption: "Export by its ten-minute means, highest first: at 10 % stands what was passed for a tenth of the time. Below \
                  the thin line is import."
            .into(),
    })
}

/// Voltage of a phase against its export, with the line that the supply's resistance gives.
fn voltage(phase: Doc<'_>) -> Option<Figure> {
    let (export, volts) = (numbers(phase, "export_W"), numbers(phase, "voltage_V"));
    if export.len() < 2 || export.len() != volts.len() {
        return None;
    }
    let frame = Frame { edges: EDGES, x: extent(&export), y: extent(&volts) };
    let mut drawing = Drawing::default();
    axes(&mut drawing, &frame, ("W", "V"), "export, ten-minute means");
    for (export, volts) in export.iter().zip(&volts) {
        let _ = writeln!(
            drawing.0,
            "<circle class=\"mean\" cx=\"{:.2}\" cy=\"{:.2}\" r=\"2\" fill=\"none\" stroke=\"#000\" stroke-width=\"0.8\"/>",
            frame.at_x(*export),
            frame.at_y(*volts)
        );
    }
    let name = phase.text("phase");
    let ends = (phase.number("line_from_V"), phase.number("line_to_V"));
    let (low, high) = export
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(*value), high.max(*value)));
    let fitted = if let (Some(from), Some(to)) = ends {
        let (one, two) = ((frame.at_x(low), frame.at_y(from)), (frame.at_x(high), frame.at_y(to)));
        let more = format!("class=\"fitted\" data-from=\"{from}\" data-to=\"{to}\"");
        drawing.line(one, two, Stroke::Limit, &more);
        format!(" By the supply's resistance {from:.1} V at the left end and {to:.1} V at the right.")
    } else {
        String::new()
    };
    embed(&mut drawing, &format!("voltage-{name}"), &[("export_W", &export), ("voltage_V", &volts)]);
    let (from, to) = extent(&volts);
    Some(Figure {
        title: format!("Voltage of {name} against its export"),
        description: format!("{} ten-minute means between {from:.1} V and {to:.1} V.{fitted}", export.len()),
        drawing: drawing.0,
        size: SIZE,
        caption: "Circles: ten-minute means of voltage and export (negative is import). Dashed: what the supply's resistance, \
                  found from steps of the current, lets expect about their middle."
            .into(),
    })
}

/// The worst event, reading by reading.
fn event(event: Doc<'_>, times: &Times) -> Option<Figure> {
    let (second, export) = (numbers(event, "second"), numbers(event, "export_W"));
    if second.len() < 2 || second.len() != export.len() {
        return None;
    }
    let limit = event.number("limit_W").unwrap_or(0.0);
    let mut scale = export.clone();
    scale.push(limit);
    let frame = Frame { edges: EDGES, x: (second[0], second[second.len() - 1]), y: extent(&scale) };
    let mut drawing = Drawing::default();
    let from = times.whole(event.time("from"));
    axes(&mut drawing, &frame, ("s", "W"), &format!("seconds after {from}"));
    let points: Vec<(f64, f64)> = second
        .iter()
        .zip(&export)
        .map(|(second, export)| (frame.at_x(*second), frame.at_y(*export)))
        .collect();
    drawing.path(&points, Stroke::Measured, "event");
    let y = frame.at_y(limit);
    drawing.line(
        (EDGES.0, y),
        (EDGES.2, y),
        Stroke::Limit,
        &format!("class=\"limit\" data-value=\"{limit}\""),
    );
    drawing.label((EDGES.0 + 4.0, y - 5.0), &format!("limit {limit:.0} W"));
    embed(&mut drawing, "event", &[("second", &second), ("export_W", &export)]);
    let highest = export.iter().fold(f64::NEG_INFINITY, |most, value| most.max(*value));
    Some(Figure {
        title: "The worst event".into(),
        description: format!(
            "{} readings about the span with the most energy above the limit, from {from}. The export rose to {highest:.0} W; \
             the limit is {limit:.0} W.",
            second.len()
        ),
        drawing: drawing.0,
        size: SIZE,
        caption: "Export reading by reading (full line, negative is import) and the limit (dashed). Of a long event the last half \
                  hour is shown."
            .into(),
    })
}

/// The values a picture is drawn from, for whoever reads it by machine.
fn embed(drawing: &mut Drawing, name: &str, columns: &[(&str, &Vec<f64>)]) {
    let values: serde_json::Map<String, serde_json::Value> =
        columns.iter().map(|(key, values)| ((*key).to_owned(), serde_json::json!(values))).collect();
    let text = serde_json::Value::Object(values).to_string();
    let _ = writeln!(
        drawing.0,
        "<metadata class=\"data\" data-of=\"{}\">{}</metadata>",
        escaped(name),
        escaped(&text)
    );
}
