//! What a table of a file may hold: each key with the shape of its value. The parser reads by these tables, and the JSON
//! Schemas for editors are made from them, so that both accept the same.

use crate::base::Quantity;

/// One key of a table.
#[derive(Clone, Copy)]
pub(crate) struct Key {
    /// As written in files.
    pub(crate) name: &'static str,
    /// What its value looks like.
    pub(crate) shape: Shape,
    /// A line for whoever writes the file: editors show it.
    pub(crate) about: &'static str,
    /// Whether it must be there.
    pub(crate) need: Need,
    /// Which points may have it; `None`: all.
    pub(crate) only: Option<Only>,
}

/// Which points may have a key.
#[derive(Clone, Copy)]
pub(crate) struct Only {
    /// Those of these quantities.
    pub(crate) quantities: &'static [Quantity],
    /// Those under names of the user's own as well.
    pub(crate) named: bool,
    /// The word for them.
    pub(crate) word: &'static str,
}

/// Whether a key must be there.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Need {
    /// It may be left out.
    Free,
    /// It must be there.
    Must,
    /// Exactly one of the keys of its table that say this must be there.
    OneOf,
}

/// The keys of a table, in groups that several tables may share.
pub(crate) type Keys = &'static [&'static [Key]];

/// What a value looks like.
#[derive(Clone, Copy)]
pub(crate) enum Shape {
    /// Text that is not blank.
    Text,
    /// Any text.
    Blank,
    /// True or false.
    Flag,
    /// A whole number, both ends included.
    Whole(i64, i64),
    /// A number with or without a decimal point.
    Number(Bound),
    /// One of a few words.
    Word(fn() -> Vec<&'static str>),
    /// A date, written as such or as text.
    Date,
    /// A list of values of one shape, from so many to so many.
    List(&'static Self, usize, usize),
    /// One of several shapes.
    Either(&'static [Self]),
    /// A table with known keys.
    Table(Keys),
    /// `[[name]]`: one table or more with known keys.
    Tables(Keys),
    /// A number as it stands in the registers, or the same as text.
    Raw,
    /// A number of a five- or six-digit table.
    Register,
    /// The name of a point, such as `active_power.L1`.
    Point,
    /// The unit of a point: the words depend on its quantity.
    Unit,
    /// `[points]`: quantities, under them phases.
    Points,
    /// Points under names of the user's own.
    Named,
}

/// Bounds of a number.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Bound {
    /// Any finite number.
    Finite,
    /// Above 0.
    Positive,
    /// 0 or more.
    NotNegative,
    /// Between the two, both included.
    Within(f64, f64),
    /// Above the first, up to the second.
    Over(f64, f64),
    /// From the first, below the second.
    Under(f64, f64),
}

impl Bound {
    pub(crate) fn admits(self, number: f64) -> bool {
        number.is_finite()
            && match self {
                Self::Finite => true,
                Self::Positive => number > 0.0,
                Self::NotNegative => number >= 0.0,
                Self::Within(low, high) => (low..=high).contains(&number),
                Self::Over(low, high) => number > low && number <= high,
                Self::Under(low, high) => (low..high).contains(&number),
            }
    }

    pub(crate) fn words(self) -> String {
        match self {
            Self::Finite => "a finite number".into(),
            Self::Positive => "a number above 0".into(),
            Self::NotNegative => "0 or more".into(),
            Self::Within(low, high) => format!("a number from {low} to {high}"),
            Self::Over(low, high) => format!("a number above {low}, up to {high}"),
            Self::Under(low, high) => format!("a number from {low} to less than {high}"),
        }
    }
}

/// A key that may be left out.
pub(super) const fn key(name: &'static str, shape: Shape, about: &'static str) -> Key {
    Key { name, shape, about, need: Need::Free, only: None }
}

impl Key {
    /// It must be there.
    pub(super) const fn must(self) -> Self {
        Self { need: Need::Must, ..self }
    }

    /// One of those that say this must be there.
    pub(super) const fn one_of(self) -> Self {
        Self { need: Need::OneOf, ..self }
    }

    /// Only points of these quantities have it.
    pub(super) const fn only(self, quantities: &'static [Quantity], word: &'static str) -> Self {
        Self { only: Some(Only { quantities, named: false, word }), ..self }
    }

    /// Points under names of the user's own have it too.
    pub(super) const fn or_named(self) -> Self {
        match self.only {
            Some(only) => Self { only: Some(Only { named: true, ..only }), ..self },
            None => self,
        }
    }
}

/// The names of a table of words.
pub(super) fn names<T>(words: &[(&'static str, T)]) -> Vec<&'static str> {
    words.iter().map(|(word, _)| *word).collect()
}

/// Every key of a table.
pub(crate) fn all(keys: Keys) -> impl Iterator<Item = &'static Key> {
    keys.iter().flat_map(|group| group.iter())
}
