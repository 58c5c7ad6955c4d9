//! The changes that the usual slips of a profile amount to, and how to write them.

use crate::base::{PointKey, Quantity};
use crate::profile::{Order, Point, Positive, Profile, Registers, Source, Table, Type};

/// One change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// So many registers further on.
    Address(i8),
    /// The other table.
    Table,
    /// The other order of registers.
    WordOrder,
    /// The other order of bytes.
    ByteOrder,
    /// Times 10^n.
    Scale(i8),
    /// The other direction.
    Sign,
    /// Another type of the same width.
    Type(Type),
}

/// What it is done to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Scope {
    /// One point.
    Point(PointKey),
    /// All phases of one quantity.
    Quantity(Quantity),
    /// All points of this type.
    Kind(Type),
    /// Every point it can be done to.
    All,
}

impl Scope {
    fn holds(&self, point: &Point) -> bool {
        match (self, &point.key, &point.source) {
            (Self::Point(key), own, _) => key == own,
            (Self::Quantity(quantity), PointKey::Of(own, _), _) => quantity == own,
            (Self::Kind(kind), _, Source::Registers { kind: own, .. }) => kind == own,
            (Self::All, ..) => true,
            _ => false,
        }
    }
}

/// The profile with the change made, and which points it changed; nothing where it changes none or can't be made.
pub(super) fn changed(profile: &Profile, scope: &Scope, change: Change) -> Option<(Profile, Vec<PointKey>)> {
    let mut made = profile.clone();
    let mut touched = Vec::new();
    for point in made.points.iter_mut().filter(|point| scope.holds(point)) {
        let before = point.clone();
        change_point(point, change)?;
        if *point != before {
            touched.push(point.key.clone());
        }
    }
    (!touched.is_empty()).then_some((made, touched))
}

/// Nothing where an address would leave the table.
fn change_point(point: &mut Point, change: Change) -> Option<()> {
    let Source::Registers { at, kind, word_order, byte_order, bits } = &mut point.source else {
        return Some(());
    };
    let other = |order: Order| if order == Order::HighFirst { Order::LowFirst } else { Order::HighFirst };
    match change {
        Change::Address(by) => at.address = at.address.checked_add_signed(i16::from(by))?,
        Change::Table => at.table = if at.table == Table::Input { Table::Holding } else { Table::Input },
        Change::WordOrder if at.count > 1 => *word_order = other(*word_order),
        Change::ByteOrder => *byte_order = other(*byte_order),
        Change::Scale(power) => point.scale = times_ten_to(point.scale, power),
        Change::Sign => {
            point.positive = point.positive.map(|positive| match positive {
                Positive::Import => Positive::Export,
                Positive::Export => Positive::Import,
            });
        }
        Change::Type(to) if bits.is_none() && to.registers() == kind.registers() => *kind = to,
        Change::WordOrder | Change::Type(_) => {}
    }
    Some(())
}

/// 0.1 made ten times larger is 1 and nothing beside it.
fn times_ten_to(scale: f64, power: i8) -> f64 {
    let factor = libm::pow(10.0, f64::from(power.unsigned_abs()));
    let made = if power < 0 { scale / factor } else { scale * factor };
    let rounded = (made * 1e9).round() / 1e9;
    if (rounded / made - 1.0).abs() < 1e-9 { rounded } else { made }
}

/// Where a point stands, for words.
pub(super) fn place(profile: &Profile, key: &PointKey) -> Option<Registers> {
    match &profile.point(key)?.source {
        Source::Registers { at, .. } => Some(*at),
        Source::Sum(_) => None,
    }
}

/// What to write, for one change as a whole.
pub(super) fn words(
    before: &Profile,
    after: &Profile,
    scope: &Scope,
    change: Change,
    touched: &[PointKey],
) -> String {
    let subject = match scope {
        Scope::Point(key) => key.to_string(),
        Scope::Quantity(quantity) => format!("every {quantity}"),
        Scope::Kind(kind) => format!("every {} point", kind.word()),
        Scope::All => "every point".to_owned(),
    };
    let first = touched.first().and_then(|key| Some((key, before.point(key)?, after.point(key)?)));
    let Some((_, old, new)) = first else { return subject };
    match change {
        Change::Address(by) if *scope == Scope::All => {
            let hint = if by < 0 {
                "write `first = 1` under [defaults], if it is not there: such a list counts from one"
            } else {
                "take `first = 1` away under [defaults], if it is there: the list counts from zero"
            };
            format!("{subject} {by:+} register; {hint}")
        }
        Change::Address(by) => {
            let at = touched.first().and_then(|key| place(after, key)).map_or(0, |at| at.address);
            let more = if touched.len() > 1 { " for the first of them, and so on" } else { "" };
            format!("{subject} {by:+} register: `address = 0x{at:04X}`{more}")
        }
        Change::Table => {
            let table = touched.first().and_then(|key| place(after, key)).map_or("", |at| at.table.word());
            format!("{subject} in the other table: `table = \"{table}\"`")
        }
        Change::WordOrder | Change::ByteOrder => {
            let Source::Registers { word_order, byte_order, .. } = &new.source else { return subject };
            let (name, order) = match change {
                Change::WordOrder => ("word_order", word_order),
                _ => ("byte_order", byte_order),
            };
            let word = if *order == Order::HighFirst { "high-first" } else { "low-first" };
            format!("{subject}: `{name} = \"{word}\"`")
        }
        Change::Scale(power) => {
            let times = times_ten_to(1.0, power);
            format!("{subject} times {times}: `scale = {}` in place of {}", new.scale, old.scale)
        }
        Change::Sign => {
            let word = if new.positive == Some(Positive::Export) { "export" } else { "import" };
            format!("{subject} the other way round: `positive = \"{word}\"`")
        }
        Change::Type(kind) => format!("{subject} as another type: `type = \"{}\"`", kind.word()),
    }
}
