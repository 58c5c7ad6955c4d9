//! Steps drawn: as text for the terminal, as SVG for a report.

use std::fmt::Write;

use crate::check::ct::curve::{Curve, SHOWN_S};

/// Rows of a text plot.
const ROWS: usize = 5;

/// Each channel under the load on its own phase, as text of at most `width` columns. A total is drawn for every phase.
pub fn text(curves: &[Curve], width: usize) -> String {
    let mut text = String::new();
    for curve in curves.iter().filter(|curve| is_own(curve)) {
        text.push_str(&one(curve, width));
    }
    text
}

fn is_own(curve: &Curve) -> bool {
    curve.channel == "total"
        || curve.place == curve.channel
        || !curve.place.starts_with('L')
        || curve.place.len() > 2
}

fn one(curve: &Curve, width: usize) -> String {
    let columns = curve.points.len().min(width.saturating_sub(12));
    if columns == 0 {
        return String::new();
    }
    let points = &curve.points[..columns];
    let least = points.iter().fold(0.0_f64, |least, point| least.min(point.1));
    let most = points.iter().fold(curve.expected_w, |most, point| most.max(point.1)).max(least + 1.0);
    let row = |value: f64| (((value - least) / (most - least)) * (ROWS - 1) as f64).round() as usize;
    let mut text = format!("\n{}, {} on {}\n", curve.channel, curve.load, curve.place);
    for level in (0..ROWS).rev() {
        let value = least + (most - least) * level as f64 / (ROWS - 1) as f64;
        let label = if level == 0 || level == ROWS - 1 { format!("{value:.0} W") } else { String::new() };
        let dots: String = points.iter().map(|point| if row(point.1) == level { '*' } else { ' ' }).collect();
        let _ = writeln!(text, "{label:>9} |{}", dots.trim_end());
    }
    let zero = points.iter().take_while(|point| point.0 < 0.0).count();
    let _ = writeln!(text, "{:>9} +{}^ edge", "", "-".repeat(zero));
    text
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
        assert_eq!(rows[0], "   1515 W |      *********");
        assert_eq!(rows[4], "      0 W |******");
        assert_eq!(rows[5], "          +------^ edge");
        assert!(text(&[curve("L1", "L1")], 40).lines().all(|line| line.len() <= 40));
    }

    #[test]
    fn the_picture_is_well_formed_and_names_what_it_shows() {
        let picture = svg(&[curve("L1", "L1"), curve("L2", "L1")], 640);
        assert_eq!(picture.matches("<polyline").count(), 2);
        assert!(picture.contains("kettle &lt;big&gt; on L1"));
        assert!(picture.ends_with("</svg>\n"));
    }
}
