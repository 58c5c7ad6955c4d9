//! A text plot of a power over time against a limit: plain characters, so that it survives any terminal and a mail.

/// What is plotted.
#[derive(Clone, Debug, PartialEq)]
pub struct Plot<'a> {
    /// (time in s, export in W; import is negative), in time order.
    pub points: &'a [(f64, f64)],
    /// First and last time shown, in s.
    pub span: (f64, f64),
    /// The limit in W, where there is one of what is shown.
    pub limit_w: Option<f64>,
    /// Instants to point at under the plot: (time in s, a character).
    pub marks: &'a [(f64, char)],
    /// What stands under the left and the right end.
    pub ends: (String, String),
    /// Rows of the picture, without what stands under it.
    pub rows: usize,
}

/// Characters of the scale at the left.
const SCALE: usize = 11;

/// Rows of a plot among other text.
pub const ROWS: usize = 9;

/// Fewer rows show nothing.
pub const FEWEST_ROWS: usize = 4;

impl Plot<'_> {
    /// The plot as lines of at most `width` characters. Each column shows the range the power covered in its time (`#`), the
    /// limit is `=`, no power `-`; a column without a reading stays empty, so a gap shows as one.
    pub fn render(&self, width: usize) -> String {
        let columns = width.clamp(SCALE + 10, 120) - SCALE;
        let rows = self.rows.max(FEWEST_ROWS);
        let Some(ranges) = self.ranges(columns) else { return String::new() };
        let (low, high) = self.scale(&ranges);
        let row_of = |power: f64| {
            let share = (high - power) / (high - low);
            ((share * (rows - 1) as f64).round() as usize).min(rows - 1)
        };
        let (limit_row, zero_row) = (self.limit_w.map(row_of), row_of(0.0));
        let mut text = String::new();
        for row in 0..rows {
            let label = if let Some(limit_w) = self.limit_w.filter(|_| limit_row == Some(row)) {
                format!("{limit_w:.0} W =")
            } else if row == zero_row {
                "0 W -".to_owned()
            } else if row == 0 {
                format!("{high:.0} W ")
            } else if row == rows - 1 {
                format!("{low:.0} W ")
            } else {
                String::new()
            };
            let mut line = format!("{label:>SCALE$}");
            for range in &ranges {
                let covered = range.is_some_and(|(from, to)| (row_of(to)..=row_of(from)).contains(&row));
                line.push(match (covered, limit_row == Some(row), row == zero_row) {
                    (true, _, _) => '#',
                    (false, true, _) => '=',
                    (false, false, true) => '-',
                    (false, false, false) => ' ',
                });
            }
            text.push_str(line.trim_end());
            text.push('\n');
        }
        text.push_str(&self.under(columns));
        text
    }

    fn column(&self, t: f64, columns: usize) -> Option<usize> {
        let length = (self.span.1 - self.span.0).max(1e-9);
        let place = (t - self.span.0) / length * columns as f64;
        (0.0..=columns as f64).contains(&place).then(|| (place as usize).min(columns - 1))
    }

    /// Lowest and highest power in each column's time; nothing at all of no point.
    fn ranges(&self, columns: usize) -> Option<Vec<Option<(f64, f64)>>> {
        let mut ranges: Vec<Option<(f64, f64)>> = vec![None; columns];
        for (t, power) in self.points.iter().filter(|(t, power)| t.is_finite() && power.is_finite()) {
            if let Some(column) = self.column(*t, columns) {
                let range = &mut ranges[column];
                *range =
                    Some(range.map_or((*power, *power), |(low, high)| (low.min(*power), high.max(*power))));
            }
        }
        // Neighbours are joined by a stroke, unless they are farther apart than usual.
        let steps: Vec<f64> = self.points.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
        let usual = crate::base::uncertain::median(&steps);
        for pair in self.points.windows(2).filter(|pair| pair[1].0 - pair[0].0 <= 3.0 * usual) {
            let (from, to) = (self.column(pair[0].0, columns), self.column(pair[1].0, columns));
            let (Some(from), Some(to)) = (from, to) else { continue };
            for range in ranges.iter_mut().take(to + 1).skip(from + 1) {
                *range =
                    Some(range.map_or((pair[0].1, pair[0].1), |(low, high)| {
                        (low.min(pair[0].1), high.max(pair[0].1))
                    }));
            }
        }
        ranges.iter().any(Option::is_some).then_some(ranges)
    }

    fn scale(&self, ranges: &[Option<(f64, f64)>]) -> (f64, f64) {
        let (mut low, mut high) =
            self.limit_w.map_or((0.0, 0.0), |limit_w| (limit_w.min(0.0), limit_w.max(0.0)));
        for (from, to) in ranges.iter().flatten() {
            low = low.min(*from);
            high = high.max(*to);
        }
        let room = 0.05 * (high - low).max(10.0);
        (low - room, high + room)
    }

    fn under(&self, columns: usize) -> String {
        let mut text = String::new();
        if !self.marks.is_empty() {
            let mut row = vec![' '; columns];
            for (t, mark) in self.marks {
                if let Some(column) = self.column(*t, columns) {
                    row[column] = *mark;
                }
            }
            let row: String = row.into_iter().collect();
            text.push_str(format!("{:SCALE$}{row}", "").trim_end());
            text.push('\n');
        }
        let (left, right) = (&self.ends.0, &self.ends.1);
        let between = columns.saturating_sub(left.chars().count() + right.chars().count());
        text.push_str(format!("{:SCALE$}{left}{:between$}{right}", "", "").trim_end());
        text.push('\n');
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pulse_shows_above_the_limit_and_a_gap_stays_empty() {
        let points: Vec<(f64, f64)> = (0..100)
            .filter(|k| !(60..75).contains(k))
            .map(|k| (f64::from(k), if (20..30).contains(&k) { 2000.0 } else { -500.0 }))
            .collect();
        let plot = Plot {
            points: &points,
            span: (0.0, 100.0),
            limit_w: Some(0.0),
            marks: &[(20.0, 'v')],
            ends: ("20:26:48".into(), "20:31:48".into()),
            rows: ROWS,
        };
        let text = plot.render(61);
        let rows: Vec<&str> = text.lines().collect();
        assert_eq!(rows.len(), ROWS + 2);
        assert!(rows.iter().all(|row| row.chars().count() <= 61), "{text}");
        let at = |row: usize, column: usize| rows[row].chars().nth(SCALE + column).unwrap_or(' ');
        assert_eq!((at(0, 12), at(0, 5)), ('#', ' '), "{text}");
        assert_eq!(at(ROWS - 1, 5), '#', "{text}");
        assert_eq!(at(ROWS - 1, 33), ' ', "the gap: {text}");
        assert_eq!(at(ROWS, 10), 'v', "{text}");
        assert!(rows[6].contains("0 W =") || rows[7].contains("0 W ="), "{text}");
    }

    #[test]
    fn without_a_limit_none_is_drawn() {
        let points: Vec<(f64, f64)> = (0..50).map(|k| (f64::from(k), 100.0)).collect();
        let ends = (String::new(), String::new());
        let plot = Plot { points: &points, span: (0.0, 50.0), limit_w: None, marks: &[], ends, rows: ROWS };
        let text = plot.render(61);
        assert!(!text.contains('=') && text.contains("0 W -"), "{text}");
    }

    #[test]
    fn nothing_to_plot_is_nothing() {
        let plot = Plot {
            points: &[],
            span: (0.0, 1.0),
            limit_w: Some(0.0),
            marks: &[],
            ends: (String::new(), String::new()),
            rows: ROWS,
        };
        assert_eq!(plot.render(80), "");
    }
}
