//! Steps drawn: as text for the terminal, as SVG for a report.

use std::fmt::Write;

use crate::check::ct::curve::{Curve, SHOWN_S};

/// Rows of a text plot.
const ROWS: usize = 5;

/// Columns of a value's label, and those between two plots side by side.
const LABEL: usize = 8;
const BETWEEN: usize = 2;

/// Each channel under the load on its own phase, as text of at most `width` columns, side by side as far as they fit. A total
/// is drawn for every phase.
pub fn text(curves: &[Curve], width: usize) -> String {
    let own: Vec<Curve> = curves.iter().filter(|curve| is_own(curve)).cloned().collect();
    let row =
        |curves: &[Curve]| curves.iter().fold(0, |sum, curve| sum + LABEL + 2 + curve.points.len() + BETWEEN);
    // Coarser where that lets all of them stand in one row.
    let coarse: Vec<Curve> = own.iter().map(halved).collect();
    let chosen = if row(&own) > width + BETWEEN && row(&coarse) <= width + BETWEEN { coarse } else { own };
    let plots: Vec<Vec<String>> =
        chosen.iter().map(|curve| one(curve, width)).filter(|rows| !rows.is_empty()).collect();
    let wide = |rows: &Vec<String>| rows.iter().map(|row| row.chars().count()).max().unwrap_or(0);
    let widest = plots.iter().map(wide).max().unwrap_or(0);
    let beside = ((width + BETWEEN) / (widest + BETWEEN)).max(1);
    let mut text = String::new();
    for plots in plots.chunks(beside) {
        text.push('\n');
        for row in 0..plots.iter().map(Vec::len).max().unwrap_or(0) {
            let cells = plots.iter().map(|rows| rows.get(row).map_or("", String::as_str));
            let cells: Vec<String> = cells.map(|cell| format!("{cell:<widest$}")).collect();
            let _ = writeln!(text, "{}", cells.join(&" ".repeat(BETWEEN)).trim_end());
        }
    }
    text
}

/// Every two points as their mean; the edge stays between two.
fn halved(curve: &Curve) -> Curve {
    let before = curve.points.iter().take_while(|point| point.0 < 0.0).count();
    let (before, after) = curve.points.split_at(before);
    let mean = |two: &[(f64, f64)]| {
        let count = two.len() as f64;
        let sum = two.iter().fold((0.0, 0.0), |sum, point| (sum.0 + point.0, sum.1 + point.1));
        (sum.0 / count, sum.1 / count)
    };
    let points = before.chunks(2).chain(after.chunks(2)).map(mean).collect();
    Curve { points, ..curve.clone() }
}

fn is_own(curve: &Curve) -> bool {
    curve.channel == "total"
        || curve.place == curve.channel
        || !curve.place.starts_with('L')
        || curve.place.len() > 2
}

fn one(curve: &Curve, width: usize) -> Vec<String> {
    let columns = curve.points.len().min(width.saturating_sub(LABEL + 2));
    if columns == 0 {
        return Vec::new();
    }
    let points = &curve.points[..columns];
    let least = points.iter().fold(0.0_f64, |least, point| least.min(point.1));
    let most = points.iter().fold(curve.expected_w, |most, point| most.max(point.1)).max(least + 1.0);
    let row = |value: f64| (((value - least) / (most - least)) * (ROWS - 1) as f64).round() as usize;
    let title = format!("{}, {} on {}", curve.channel, curve.load, curve.place);
    let mut rows = vec![title.chars().take(LABEL + 2 + columns).collect()];
    for level in (0..ROWS).rev() {
        let value = least + (most - least) * level as f64 / (ROWS - 1) as f64;
        let label = if level == 0 || level == ROWS - 1 { format!("{value:.0} W") } else { String::new() };
        let dots: String = points.iter().map(|point| if row(point.1) == level { '*' } else { ' ' }).collect();
        rows.push(format!("{label:>LABEL$} |{}", dots.trim_end()));
    }
    let zero = points.iter().take_while(|point| point.0 < 0.0).count();
    rows.push(format!("{:>LABEL$} +{}^ edge", "", "-".repeat(zero)));
    rows
}

/// All curves as one SVG picture, a panel for each, `width` pixels wide.
pub fn svg(curves: &[Curve], width: u32) -> String {
    const PANEL: f64 = 120.0;
    let width = f64::from(width.max(200));
    let mut text = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {:.0}\" font-family=\"sans-serif\" font-size=\"11\">\n",
        PANEL * curves.len() as f64
    );
    for (index, curve) in curves.iter().enumerate() {
        let top = PANEL * index as f64;
        let reach =
            curve.points.iter().fold(curve.expected_w.abs(), |most, point| most.max(point.1.abs())).max(1.0);
        let x = |seconds: f64| 60.0 + (width - 70.0) * (seconds - SHOWN_S.0) / (SHOWN_S.1 - SHOWN_S.0);
        let y = |watts: f64| top + PANEL / 2.0 + 5.0 - (PANEL / 2.0 - 15.0) * watts / reach;
        let _ = writeln!(
            text,
            "<text x=\"4\" y=\"{:.1}\">{}: {} on {}</text>",
            top + 11.0,
            escaped(&curve.channel),
            escaped(&curve.load),
            escaped(&curve.place)
        );
        let line = |text: &mut String, from: (f64, f64), to: (f64, f64), style: &str| {
            let _ = writeln!(
                text,
                "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"{style}\"/>",
                from.0, from.1, to.0, to.1
            );
        };
        line(&mut text, (x(SHOWN_S.0), y(0.0)), (x(SHOWN_S.1), y(0.0)), "#999");
        line(&mut text, (x(0.0), y(reach)), (x(0.0), y(-reach)), "#ccc");
        line(
            &mut text,
            (x(0.0), y(curve.expected_w)),
            (x(SHOWN_S.1), y(curve.expected_w)),
            "#7a7\" stroke-dasharray=\"4 3",
        );
        let _ = writeln!(
            text,
            "<text x=\"4\" y=\"{:.1}\">{:.0} W</text>",
            y(curve.expected_w) + 4.0,
            curve.expected_w
        );
        let _ = writeln!(text, "<text x=\"4\" y=\"{:.1}\">0</text>", y(0.0) + 4.0);
        let path: Vec<String> =
            curve.points.iter().map(|point| format!("{:.1},{:.1}", x(point.0), y(point.1))).collect();
        let _ = writeln!(text, "<polyline fill=\"none\" stroke=\"#000\" points=\"{}\"/>", path.join(" "));
    }
    text.push_str("</svg>\n");
    text
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(channel: &str, place: &str) -> Curve {
        let points =
            (-6..9).map(|second| (f64::from(second) + 0.5, if second < 0 { 0.0 } else { 1500.0 })).collect();
        Curve {
            channel: channel.into(),
            load: "kettle <big>".into(),
            place: place.into(),
            expected_w: 1515.0,
            points,
        }
    }

    #[test]
    fn a_step_rises_at_its_edge_and_fits_the_width() {
        let drawn = text(&[curve("L1", "L1"), curve("L1", "L2")], 80);
        assert_eq!(drawn.matches("kettle").count(), 1, "{drawn}");
        let rows: Vec<&str> = drawn.lines().skip(2).collect();
        assert_eq!(rows[0], "  1515 W |      *********");
        assert_eq!(rows[4], "     0 W |******");
        assert_eq!(rows[5], "         +------^ edge");
        assert!(text(&[curve("L1", "L1")], 40).lines().all(|line| line.len() <= 40));
    }

    #[test]
    fn three_phases_stand_side_by_side_on_80_columns() {
        // Thirty points each, as the check gives them.
        let fine = |line: &str| {
            let points =
                (-12..18).map(|half| (f64::from(half) / 2.0 + 0.25, if half < 0 { 0.0 } else { 1500.0 }));
            Curve { points: points.collect(), ..curve(line, line) }
        };
        let three = [fine("L1"), fine("L2"), fine("L3")];
        let drawn = text(&three, 80);
        assert_eq!(drawn.lines().count(), 1 + 1 + ROWS + 1, "{drawn}");
        assert!(drawn.lines().all(|line| line.chars().count() <= 80), "{drawn}");
        assert_eq!(drawn.lines().nth(1).map(|line| line.matches("kettle").count()), Some(3));
        assert!(
            drawn.lines().nth(2).is_some_and(|line| line.starts_with("  1515 W |      *********")),
            "{drawn}"
        );
        assert_eq!(text(&three, 40).lines().filter(|line| line.is_empty()).count(), 3);
    }

    #[test]
    fn the_picture_is_well_formed_and_names_what_it_shows() {
        let picture = svg(&[curve("L1", "L1"), curve("L2", "L1")], 640);
        assert_eq!(picture.matches("<polyline").count(), 2);
        assert!(picture.contains("kettle &lt;big&gt; on L1"));
        assert!(picture.ends_with("</svg>\n"));
    }
}
