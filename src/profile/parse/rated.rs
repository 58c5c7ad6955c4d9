//! A site's `[[plant]]` and `[[load]]`: what feeds in, and what is switched for the CT check.

use super::site_keys::{LINES, LOAD, PLACEMENTS, PLANT};
use super::tree::{Node, Value};
use super::walk::{Desk, Section, choose};
use crate::base::Phase;
use crate::profile::{Load, Placement, Plant, suggest};

/// Reads one plant. A file with a fault is never used, so what could not be read only holds its place.
pub(super) fn plant(desk: &mut Desk, node: &Node, default_name: String, limited: bool) -> Option<Plant> {
    let section = Section::open(desk, node, "[[plant]]", &[PLANT])?;
    let name = section.text(desk, "name").map_or(default_name, str::to_owned);
    if !section.has("rated_W") {
        desk.missing(
            &section.span,
            "this plant has no `rated_W`",
            "add `rated_W = 5000`, as on its rating plate",
        );
    }
    let rated_w = section.number(desk, "rated_W");
    let phases = match section.node("phases") {
        Some(node) => phases(desk, node),
        None => Vec::new(),
    };
    let storage = section.flag(desk, "storage");
    if limited && !section.has("storage") {
        let message = format!("nothing says whether the plant `{name}` can store");
        let mend = "add `storage = true` for a battery or a hybrid with one, else `storage = false`; \
                    `false` is assumed, and a battery could absorb what the check tries to provoke";
        desk.warn(&section.span, message, mend);
    }
    Some(Plant { name, rated_w: rated_w.unwrap_or(f64::NAN), phases, storage: storage.unwrap_or(false) })
}

fn phases(desk: &mut Desk, node: &Node) -> Vec<Phase> {
    let Value::List(items) = &node.value else {
        let message = format!("`phases` of a plant is {}, not a list", node.value.noun());
        desk.error(&node.span, message, "write the lines it feeds: `phases = [\"L1\"]`");
        return Vec::new();
    };
    let mut phases = Vec::new();
    for item in items {
        let Some(phase) = choose(desk, item, "phase", LINES) else { continue };
        if phases.contains(&phase) {
            desk.error(&item.span, format!("{phase} stands here twice"), "keep one of them");
        } else {
            phases.push(phase);
        }
    }
    phases
}

/// Reads one load; of one with a fault the rest is still looked at.
pub(super) fn load(desk: &mut Desk, node: &Node, default_name: String) -> Option<Load> {
    let section = Section::open(desk, node, "[[load]]", &[LOAD])?;
    let name = section.text(desk, "name").map_or(default_name, str::to_owned);
    if !section.has("power_W") {
        desk.missing(
            &section.span,
            "this load has no `power_W`",
            "add `power_W = 2000`, as on its rating plate",
        );
    }
    let power_w = section.number(desk, "power_W");
    let rated_v = section.number(desk, "rated_V");
    let power_factor = power_factor(desk, &section);
    let resistive = section.flag(desk, "resistive");
    let leading = section.flag(desk, "leading");
    if resistive == Some(true) && power_factor.is_some_and(|factor| factor < 1.0) {
        let message = "a resistive load has a power factor of 1";
        desk.error(
            &section.place("power_factor"),
            message,
            "keep `resistive = true` or `power_factor`, not both",
        );
    }
    if leading == Some(true) && power_factor.is_none_or(|factor| factor >= 1.0) {
        let message = "`leading` without a `power_factor` below 1 says nothing";
        desk.error(&section.place("leading"), message, "add the power factor, such as `power_factor = 0.85`");
    }
    let tolerance = tolerance(desk, &section).unwrap_or(DEFAULT_TOLERANCE);
    let phase = section.node("phase").and_then(|node| placement(desk, node));
    Some(Load {
        name,
        power_w: power_w.unwrap_or(f64::NAN),
        rated_v,
        resistive: resistive.unwrap_or(!section.has("power_factor")),
        power_factor: power_factor.unwrap_or(1.0),
        leading: leading.unwrap_or(false),
        tolerance,
        phase,
    })
}

/// Rated powers are often within +5 and -10 % (facts 8.2, common practice).
const DEFAULT_TOLERANCE: f64 = 0.10;

fn power_factor(desk: &mut Desk, section: &Section<'_>) -> Option<f64> {
    section.number_or(desk, "power_factor", |factor| {
        let mend = if (-1.0..0.0).contains(&factor) {
            format!("write `power_factor = {}`; it lags unless `leading = true`", -factor)
        } else if factor > 1.0 && factor <= 100.0 {
            format!("write it as a fraction: `power_factor = {}`", factor / 100.0)
        } else {
            return None;
        };
        Some((format!("`power_factor` is {factor}, out of its range"), mend))
    })
}

fn tolerance(desk: &mut Desk, section: &Section<'_>) -> Option<f64> {
    section.number_or(desk, "tolerance", |tolerance| {
        let mend =
            format!("it is a fraction of `power_W`: `tolerance = {}` is {tolerance} %", tolerance / 100.0);
        (tolerance >= 1.0).then(|| (format!("`tolerance` is {tolerance}, the whole load and more"), mend))
    })
}

fn placement(desk: &mut Desk, node: &Node) -> Option<Placement> {
    let known =
        format!("a load sits on {}; leave `phase` out when nobody knows", suggest::list(PLACEMENTS, "or"));
    let Value::Text(text) = &node.value else {
        desk.error(&node.span, format!("`phase` is {}, not text", node.value.noun()), known);
        return None;
    };
    let found = Placement::parse(text);
    if found.is_none() {
        let mend = match suggest::nearest(text, PLACEMENTS) {
            Some(near) => format!("did you mean `{near}`? {known}"),
            None => known,
        };
        desk.error(&node.span, format!("`{text}` is no place for a load"), mend);
    }
    found
}
