//! Where registers are: addresses as on the wire, and the numbers printed in five- or six-digit tables.

use std::ops::Range;

use super::keys::{PLACE, TABLES};
use super::tree::{Node, Value};
use super::walk::{Desk, Section, whole};
use crate::profile::{Registers, Table};

/// The last address there is.
const LAST: i128 = 65535;

/// How a file counts its addresses.
#[derive(Clone, Copy)]
pub(super) struct Counting {
    /// What the first address is called: 0 or 1.
    pub(super) first: u16,
}

/// Where a run of registers starts, with the text that says so.
#[derive(Clone)]
pub(super) struct Place {
    pub(super) table: Table,
    pub(super) address: u16,
    pub(super) span: Range<usize>,
    /// Given as the number printed in a five- or six-digit table.
    pub(super) numbered: bool,
}

impl Place {
    /// The run of `count` registers from here; a fault when it goes past the last address.
    pub(super) fn run(&self, desk: &mut Desk, count: u16, what: &str) -> Option<Registers> {
        self.shifted(desk, 0, count, what)
    }

    /// The same, moved by `shift` registers.
    pub(super) fn shifted(&self, desk: &mut Desk, shift: i64, count: u16, what: &str) -> Option<Registers> {
        let start = i64::from(self.address).checked_add(shift);
        let fits = start.filter(|start| *start >= 0 && start + i64::from(count) - 1 <= LAST as i64);
        if let Some(start) = fits {
            return Some(Registers { table: self.table, address: start as u16, count });
        }
        let at = start.map_or_else(|| "beyond all addresses".to_owned(), |start| format!("at {start}"));
        let message = match count {
            1 => format!("{what} would be {at}, and addresses go from 0 to {LAST}"),
            _ => format!("{what} takes {count} registers and would be {at}, but the last address is {LAST}"),
        };
        desk.error(&self.span, message, "check the address against the meter's register list");
        None
    }
}

/// Reads `address` or `register` of a section, whichever is there.
pub(super) fn place_of(
    desk: &mut Desk,
    section: &Section<'_>,
    counting: Counting,
    table: Option<Table>,
    default: Table,
) -> Option<Place> {
    match (section.node("address"), section.node("register")) {
        (Some(_), Some(_)) => {
            let message = format!("{} has both `address` and `register`", section.title);
            let mend = "keep the one the meter's register list prints";
            desk.error(&section.place("register"), message, mend);
            None
        }
        (Some(node), None) => {
            let address = address(desk, node, "address", counting)?;
            Some(Place {
                table: table.unwrap_or(default),
                address,
                span: section.place("address"),
                numbered: false,
            })
        }
        (None, Some(node)) => {
            let (numbered, address) = register(desk, node)?;
            if let Some(table) = table.filter(|table| *table != numbered) {
                let message = format!(
                    "`table` says {}, but this register number is one of the {} table",
                    table.word(),
                    numbered.word()
                );
                let mend = "leave `table` out, or give the address as on the wire with `address`";
                desk.error(&section.place("register"), message, mend);
                return None;
            }
            Some(Place { table: numbered, address, span: section.place("register"), numbered: true })
        }
        (None, None) => None,
    }
}

/// An address, brought to the wire.
pub(super) fn address(desk: &mut Desk, node: &Node, what: &str, counting: Counting) -> Option<u16> {
    let number = whole(desk, node, what)?;
    let first = i128::from(counting.first);
    if (first..=LAST + first).contains(&number) {
        return Some((number - first) as u16);
    }
    let (message, mend) = if number < first {
        (format!("`{what}` is {number}, and this list counts from {first}"), {
            if number == 0 {
                "set `first = 0` in [defaults], or correct the address"
            } else {
                "correct the address"
            }
        })
    } else if register_number(number).is_some() && what == "address" {
        (
            format!("`{what}` is {number}, beyond {LAST}, the last address on the wire"),
            "this looks like a six-digit register number: write `register` in place of `address`",
        )
    } else {
        (
            format!("`{what}` is {number}, beyond {LAST}, the last address on the wire"),
            "check the digits; hexadecimal is written 0x0212",
        )
    };
    desk.error(&node.span, message, mend);
    None
}

/// A number of a five- or six-digit table: the table and the address on the wire.
fn register(desk: &mut Desk, node: &Node) -> Option<(Table, u16)> {
    let number = whole(desk, node, "register")?;
    if let Some(found) = register_number(number) {
        return Some(found);
    }
    let mend = match number {
        10001..=19999 | 100_001..=165_536 | 1..=9999 => {
            "numbers of inputs start at 30001 or 300001, of holding registers at 40001 or 400001; \
             an address as on the wire goes under `address`"
        }
        _ => "it runs from 30001, 300001, 40001 or 400001; an address as on the wire goes under `address`",
    };
    desk.error(&node.span, format!("{number} is no register number of a five- or six-digit table"), mend);
    None
}

/// 30001 to 39999 and 300001 to 365536: input registers; 40001 to 49999 and 400001 to 465536: holding registers
/// (trade practice; the numbering is not part of the Modbus documents).
fn register_number(number: i128) -> Option<(Table, u16)> {
    let (table, base) = match number {
        30001..=39999 => (Table::Input, 30001),
        40001..=49999 => (Table::Holding, 40001),
        300_001..=365_536 => (Table::Input, 300_001),
        400_001..=465_536 => (Table::Holding, 400_001),
        _ => return None,
    };
    Some((table, (number - base) as u16))
}

/// The place of a register beside the point's own (`exponent_at`, `multiply_at`): an address, or a table with `address`
/// or `register`.
pub(super) fn beside(
    desk: &mut Desk,
    section: &Section<'_>,
    key: &'static str,
    own: &Place,
    counting: Counting,
) -> Option<Registers> {
    let node = section.node(key)?;
    if let Value::Table(_) = node.value {
        let inner = Section::open(desk, node, format!("`{key}`"), PLACE)?;
        let table = inner.word(desk, "table", TABLES);
        let Some(place) = place_of(desk, &inner, counting, table, own.table) else {
            if !inner.has("address") && !inner.has("register") {
                desk.missing(&node.span, format!("`{key}` has no address"), "add `address = …`");
            }
            return None;
        };
        return place.run(desk, 1, key);
    }
    let address = address(desk, node, key, counting)?;
    let number = i128::from(address) + i128::from(counting.first);
    if own.numbered && register_number(number).is_some_and(|(table, _)| table == own.table) {
        let message =
            format!("`{key} = {number}` is an address on the wire, though the point has a register number");
        let mend = format!("if {number} is a register number, write `{key} = {{ register = {number} }}`");
        desk.warn(&node.span, message, mend);
    }
    Some(Registers { table: own.table, address, count: 1 })
}
