//! Lines, words and scales of a drawing in SVG: what the pictures of a page share. Every stroke differs by its form (full,
//! dashed, dotted, hatched) and has its word beside it; colour says nothing alone.

use std::fmt::Write as _;

use super::block::clean;

/// Text as it may stand in HTML and SVG, inside or outside of an attribute.
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in clean(text).chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}

/// How a stroke is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stroke {
    /// What was measured.
    Measured,
    /// A limit, or what was expected.
    Limit,
    /// A bound that comes from the uncertainty.
    Bound,
    /// A mean of what was measured.
    Mean,
    /// Axes and edges.
    Thin,
    /// Something that happened.
    Event,
}

impl Stroke {
    const fn style(self) -> &'static str {
        match self {
            Self::Measured => "stroke=\"#000\" stroke-width=\"1.2\"",
            Self::Mean => "stroke=\"#5a5a5a\" stroke-width=\"2.6\" stroke-opacity=\"0.6\"",
            Self::Limit => "stroke=\"#8a1c1c\" stroke-width=\"1.8\" stroke-dasharray=\"9 4\"",
            Self::Bound => "stroke=\"#8a1c1c\" stroke-width=\"1.2\" stroke-dasharray=\"2 3\"",
            Self::Thin => "stroke=\"#767676\" stroke-width=\"0.7\"",
            Self::Event => "stroke=\"#1f3f7a\" stroke-width=\"1\" stroke-dasharray=\"5 2 1 2\"",
        }
    }
}

/// Where the words of a label stand about its point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// They begin there.
    Start,
    /// Around it.
    Middle,
    /// They end there.
    End,
}

/// A rectangle of the drawing with a scale in both directions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// Left, top, right, bottom in drawing units.
    pub edges: (f64, f64, f64, f64),
    /// Values at the left and the right edge.
    pub x: (f64, f64),
    /// Values at the bottom and the top edge.
    pub y: (f64, f64),
}

impl Frame {
    /// Place of a value along the drawing.
    pub fn at_x(&self, value: f64) -> f64 {
        let share = (value - self.x.0) / (self.x.1 - self.x.0);
        self.edges.0 + share * (self.edges.2 - self.edges.0)
    }

    /// Place of a value up the drawing.
    pub fn at_y(&self, value: f64) -> f64 {
        let share = (value - self.y.0) / (self.y.1 - self.y.0);
        self.edges.3 - share * (self.edges.3 - self.edges.1)
    }
}

/// The drawing so far.
#[derive(Clone, Debug, Default)]
pub struct Drawing(pub String);

impl Drawing {
    /// A straight stroke.
    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), stroke: Stroke, more: &str) {
        let ((x1, y1), (x2, y2)) = (from, to);
        let space = if more.is_empty() { "" } else { " " };
        let style = stroke.style();
        let _ = writeln!(
            self.0,
            "<line x1=\"{x1:.1}\" y1=\"{y1:.1}\" x2=\"{x2:.1}\" y2=\"{y2:.1}\" {style}{space}{more}/>"
        );
    }

    /// Words at a point.
    pub fn words(&mut self, at: (f64, f64), anchor: Anchor, words: &str) {
        let anchor = match anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let _ =
            writeln!(self.0, "<text x=\"{:.1}\" y=\"{:.1}\"{anchor}>{}</text>", at.0, at.1, escaped(words));
    }

    /// Words on a white ground, that may stand over strokes.
    pub fn label(&mut self, at: (f64, f64), words: &str) {
        // Wide enough for any sans-serif: the figure is an estimate, and a margin.
        let wide = 6.6 * words.chars().count() as f64;
        let (x, y) = (at.0 - 2.0, at.1 - 10.5);
        let _ = writeln!(
            self.0,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{wide:.1}\" height=\"14\" fill=\"#fff\" fill-opacity=\"0.85\"/>"
        );
        self.words(at, Anchor::Start, words);
    }

    /// A bent stroke through points in drawing units.
    pub fn path(&mut self, points: &[(f64, f64)], stroke: Stroke, class: &str) {
        let mut list = String::new();
        for (x, y) in points {
            let _ = write!(list, "{x:.2},{y:.2} ");
        }
        let (style, list) = (stroke.style(), list.trim_end());
        let _ = writeln!(self.0, "<polyline class=\"{class}\" fill=\"none\" {style} points=\"{list}\"/>");
    }

    /// Horizontal tick with its value, left of the frame.
    pub fn tick_y(&mut self, frame: &Frame, value: f64, words: &str) {
        let (left, y) = (frame.edges.0, frame.at_y(value));
        self.line(
            (left - 4.0, y),
            (left, y),
            Stroke::Thin,
            &format!("class=\"tick-y\" data-value=\"{value}\""),
        );
        self.words((left - 6.0, y + 4.0), Anchor::End, words);
    }

    /// Tick under the frame with its words; `value` counts from the start of the axis.
    pub fn tick_x(&mut self, frame: &Frame, value: f64, words: &str) {
        let (bottom, x) = (frame.edges.3, frame.at_x(value));
        self.line(
            (x, bottom),
            (x, bottom + 4.0),
            Stroke::Thin,
            &format!("class=\"tick-x\" data-value=\"{value}\""),
        );
        self.words((x, bottom + 16.0), Anchor::Middle, words);
    }

    /// The frame's four sides.
    pub fn frame(&mut self, frame: &Frame) {
        let (left, top, right, bottom) = frame.edges;
        let _ = writeln!(
            self.0,
            "<rect x=\"{left:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"none\" {}/>",
            right - left,
            bottom - top,
            Stroke::Thin.style()
        );
    }
}

/// Round values from a scale, at most `most` of them, and the distance between two.
pub fn ticks(scale: (f64, f64), most: usize) -> (Vec<f64>, f64) {
    let span = (scale.1 - scale.0).abs().max(1e-9);
    let rough = span / most.max(1) as f64;
    let decade = libm::pow(10.0, libm::floor(libm::log10(rough)));
    let step = [1.0, 2.0, 5.0, 10.0].iter().map(|factor| factor * decade).find(|step| *step >= rough);
    let step = step.unwrap_or(10.0 * decade);
    let first = libm::ceil(scale.0 / step - 1e-9) as i64;
    let last = libm::floor(scale.1 / step + 1e-9) as i64;
    ((first..=last).map(|count| count as f64 * step + 0.0).collect(), step)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_from_a_file_can_be_no_tag() {
        assert_eq!(escaped("<script>'\"&\u{202e}\n"), "&lt;script&gt;&#39;&quot;&amp;\u{fffd} ");
    }

    #[test]
    fn ticks_are_round_and_within() {
        assert_eq!(ticks((-3457.0, 2949.0), 6).0, [-2000.0, 0.0, 2000.0]);
        assert_eq!(ticks((0.0, 20.0), 5), (vec![0.0, 5.0, 10.0, 15.0, 20.0], 5.0));
    }

    #[test]
    fn a_frame_puts_values_at_its_edges() {
        let frame = Frame { edges: (10.0, 20.0, 110.0, 70.0), x: (0.0, 50.0), y: (-100.0, 400.0) };
        assert_eq!((frame.at_x(0.0), frame.at_x(50.0)), (10.0, 110.0));
        assert_eq!((frame.at_y(-100.0), frame.at_y(400.0)), (70.0, 20.0));
    }
}
