//! One kind of table for every command and every document: words to the left, figures to the right, fitted to the width.

use std::fmt::Write as _;

/// How the cells of a column stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Words.
    Left,
    /// Figures.
    Right,
}

/// A table.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Table {
    /// What it shows, in a document; empty on a screen.
    pub caption: String,
    /// Titles of the columns and how their cells stand. The first column names the row.
    pub columns: Vec<(String, Side)>,
    /// The cells, a row at a time.
    pub rows: Vec<Vec<String>>,
}

/// Spaces between two columns.
const GAP: usize = 2;

/// The narrowest a column of words may become.
const NARROWEST: usize = 8;

impl Table {
    /// A table without rows. A title that begins with `>` stands over figures.
    pub fn new(caption: &str, titles: &[&str]) -> Self {
        let columns = titles.iter().map(|title| match title.strip_prefix('>') {
            Some(title) => (title.to_owned(), Side::Right),
            None => ((*title).to_owned(), Side::Left),
        });
        Self { caption: caption.to_owned(), columns: columns.collect(), rows: Vec::new() }
    }

    /// Adds a row; missing cells are empty.
    pub fn row<S: Into<String>>(&mut self, cells: impl IntoIterator<Item = S>) {
        let mut cells: Vec<String> = cells.into_iter().map(Into::into).collect();
        cells.resize(self.columns.len(), String::new());
        self.rows.push(cells);
    }

    /// Leaves out columns in which no row says anything.
    #[must_use]
    pub fn without_empty_columns(mut self) -> Self {
        for column in (0..self.columns.len()).rev() {
            if self.rows.iter().all(|row| row[column].is_empty()) {
                self.columns.remove(column);
                for row in &mut self.rows {
                    row.remove(column);
                }
            }
        }
        self
    }

    /// The table as lines of at most `width` characters, each after `indent` spaces. Words are broken at spaces where
    /// the width asks for it; figures never are.
    pub fn text(&self, indent: usize, width: usize) -> String {
        if self.rows.is_empty() {
            return String::new();
        }
        let widths = self.widths(width.saturating_sub(indent));
        let titles: Vec<String> = self.columns.iter().map(|column| column.0.clone()).collect();
        let mut text = String::new();
        for row in std::iter::once(&titles).chain(&self.rows) {
            self.lay(&mut text, row, &widths, indent);
        }
        text
    }

    fn widths(&self, room: usize) -> Vec<usize> {
        let length = |text: &str| text.chars().count();
        let mut widths: Vec<usize> = Vec::with_capacity(self.columns.len());
        for (index, (title, _)) in self.columns.iter().enumerate() {
            let cells = self.rows.iter().map(|row| length(&row[index]));
            widths.push(cells.fold(length(title), usize::max));
        }
        let gaps = GAP * widths.len().saturating_sub(1);
        // The widest column of words gives way first.
        while widths.iter().sum::<usize>() + gaps > room {
            let words = self.columns.iter().enumerate().filter(|(_, (_, side))| *side == Side::Left);
            let widest = words.map(|(index, _)| index).max_by_key(|index| widths[*index]);
            match widest {
                Some(index) if widths[index] > NARROWEST => widths[index] -= 1,
                _ => break,
            }
        }
        widths
    }

    fn lay(&self, text: &mut String, row: &[String], widths: &[usize], indent: usize) {
        let broken: Vec<Vec<String>> = row
            .iter()
            .enumerate()
            .map(|(index, cell)| match self.columns[index].1 {
                Side::Left => broken(cell, widths[index]),
                Side::Right => vec![cell.clone()],
            })
            .collect();
        let height = broken.iter().map(Vec::len).max().unwrap_or(1).max(1);
        for level in 0..height {
            let mut line = " ".repeat(indent);
            for (index, cell) in broken.iter().enumerate() {
                let cell = cell.get(level).map_or("", String::as_str);
                let width = widths[index];
                if index > 0 {
                    line.push_str(&" ".repeat(GAP));
                }
                let _ = match self.columns[index].1 {
                    Side::Left => write!(line, "{cell:<width$}"),
                    Side::Right => write!(line, "{cell:>width$}"),
                };
            }
            text.push_str(line.trim_end());
            text.push('\n');
        }
    }
}

/// Words in lines of at most `width` characters; a word longer than that stands alone.
fn broken(words: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> Table {
        let mut table = Table::new("", &["channel", "status", ">step W", "faults"]);
        table.row(["L1", "correct", "1890 ± 55", ""]);
        table.row(["L2", "faulty", "-1716 ± 58", "reversed, and senses L3"]);
        table
    }

    #[test]
    fn figures_stand_to_the_right_and_words_to_the_left() {
        assert_eq!(
            table().text(0, 80),
            "channel  status       step W  faults\n\
             L1       correct   1890 ± 55\n\
             L2       faulty   -1716 ± 58  reversed, and senses L3\n"
        );
    }

    #[test]
    fn a_narrow_screen_breaks_words_and_leaves_figures_whole() {
        let text = table().text(2, 44);
        assert!(text.lines().all(|line| line.chars().count() <= 44), "{text}");
        let words: Vec<String> = text.lines().skip(2).map(|line| line.chars().skip(32).collect()).collect();
        assert_eq!(words, ["reversed,", "and senses", "L3"], "{text}");
        assert!(text.contains("-1716 ± 58"), "{text}");
    }

    #[test]
    fn a_column_in_which_nothing_stands_is_left_out() {
        let mut table = Table::new("", &["load", "note", ">W"]);
        table.row(["kettle", "", "2000"]);
        assert_eq!(table.without_empty_columns().text(0, 80), "load       W\nkettle  2000\n");
        assert_eq!(Table::new("", &["load"]).text(0, 80), "");
    }
}
