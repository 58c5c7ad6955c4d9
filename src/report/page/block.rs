//! What a document for people is made of, before it is HTML or Markdown.

use crate::report::grid::Table;

/// A piece of the page. Texts are plain; whoever writes them down escapes them.
#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    /// A heading: 1 for the page, 2 for a part, 3 within one.
    Heading(u8, String),
    /// A paragraph.
    Text(String),
    /// A paragraph that must be seen, under a word that says what it is.
    Warning(String, String),
    /// A verdict with its word, what it is of, and the headline.
    Verdict(Box<VerdictBox>),
    /// Items without an order.
    List(Vec<String>),
    /// Names and what stands behind them.
    Facts(Vec<(String, String)>),
    /// Rows and columns.
    Table(Table),
    /// A picture with its words.
    Figure(Box<Figure>),
    /// What to type.
    Code(Vec<String>),
    /// Fields to be filled in by hand, in columns, each column under its title.
    Signature(Vec<(String, Vec<String>)>),
}

/// A verdict as the first thing seen.
#[derive(Clone, Debug, PartialEq)]
pub struct VerdictBox {
    /// `pass`, `fail` or `inconclusive`; empty for a review, which has none.
    pub word: String,
    /// What was checked, where and when.
    pub of: String,
    /// The sentence a person can act on.
    pub headline: String,
    /// What must be known before it is relied on; mostly empty.
    pub doubts: Vec<String>,
}

/// A picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Its name, also for screen readers.
    pub title: String,
    /// What it shows, for who can't see it.
    pub description: String,
    /// The drawing, without the `svg` element around it.
    pub drawing: String,
    /// Width and height in drawing units.
    pub size: (f64, f64),
    /// How to read it.
    pub caption: String,
}

/// Text without what a printer or a screen might take for an instruction: control characters and those that turn the
/// direction of writing. Names come from files, and a file can hold anything.
pub fn clean(text: &str) -> String {
    let odd = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
    };
    text.chars()
        .map(|c| match c {
            '\n' | '\r' | '\t' => ' ',
            c if odd(c) => '\u{fffd}',
            c => c,
        })
        .collect()
}
