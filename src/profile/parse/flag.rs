//! `direction = { address, bit, export_when }`: unsigned power with a flag that says which way it flows.

use super::keys::{FLAG, FLAG_EACH, TABLES};
use super::place::{Counting, Place, place_of};
use super::tree::Value;
use super::walk::{Desk, Section};
use crate::profile::{DirectionFlag, Table, Type};

/// Reads the flag; with it, its place and how far it moves from phase to phase of `each`.
pub(super) fn direction(
    desk: &mut Desk,
    section: &Section<'_>,
    kind: Type,
    counting: Counting,
    own: Option<&Place>,
    moving: &mut Option<(Place, i64)>,
) -> Option<DirectionFlag> {
    let node = section.node("direction")?;
    if matches!(kind, Type::Sm16 | Type::Sm32) {
        let message = format!("{} has its sign in the top bit, and a `direction` flag besides", kind.word());
        desk.error(
            &section.place("direction"),
            message,
            "keep the flag with an unsigned type, or the type without it",
        );
        return None;
    }
    let in_each = section.has("stride");
    let known = if in_each { FLAG_EACH } else { FLAG };
    let flag = Section::open(desk, node, "`direction`", known)?;
    let absent = |desk: &mut Desk, name: &str, mend: &str| {
        desk.missing(&flag.span, format!("`direction` has no `{name}`"), mend);
    };
    if in_each && !flag.has("stride") {
        absent(
            desk,
            "stride",
            "inside `each` say how far apart the flags are: `stride = 0` when all phases share one",
        );
    }
    if !flag.has("address") && !flag.has("register") {
        absent(desk, "address", "add the address of the register that holds the flag");
    }
    if !flag.has("bit") {
        absent(desk, "bit", "add `bit = 0` to 15, 0 the least significant");
    }
    if !flag.has("export_when") {
        absent(desk, "export_when", "add `export_when = 1` (or 0): the bit's value while the site exports");
    }
    let table = flag.word(desk, "table", TABLES);
    let bit = flag.integer(desk, "bit");
    let export_when = match flag.node("export_when").map(|node| &node.value) {
        Some(Value::Flag(value)) => Some(*value),
        Some(_) => flag.within(desk, "export_when", 0, 1).map(|value| value == 1),
        None => None,
    };
    let default = own.map_or(Table::Input, |own| own.table);
    let place = place_of(desk, &flag, counting, table, default)?;
    let stride = flag.integer(desk, "stride").unwrap_or(0);
    let register = place.run(desk, 1, "the flag")?;
    *moving = Some((place, stride));
    Some(DirectionFlag { register, bit: bit? as u8, export_when: export_when? })
}
