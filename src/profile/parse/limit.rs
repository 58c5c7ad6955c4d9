//! A site's `[limit]`: the window, and the rules of the operator's paper.

use super::site_keys::{LIMIT, PERS, RULE};
use super::tree::{Node, Value};
use super::walk::{Desk, Section};
use crate::profile::{Limit, Per, Rule, RuleLimit};

/// Reads the limit.
pub(super) fn limit(desk: &mut Desk, node: &Node, plants: bool) -> Option<Limit> {
    let section = Section::open(desk, node, "[limit]", &[LIMIT])?;
    let window_s = section.number(desk, "window_s").unwrap_or(1800.0);
    let challenges = section.integer(desk, "challenges").unwrap_or(3) as u32;
    let overvoltage_v = section.number(desk, "overvoltage_V");
    let mut rules = Vec::new();
    if let Some(node) = section.node("rule") {
        match &node.value {
            Value::List(items) => {
                rules.extend(items.iter().filter_map(|item| rule(desk, item, window_s, plants)));
            }
            Value::Table(_) => {
                let message = "[limit.rule] stands in single brackets";
                desk.error(&node.span, message, "write `[[limit.rule]]`: there may be several");
            }
            other => {
                let message = format!("`rule` is {}", other.noun());
                desk.error(&node.span, message, "write `[[limit.rule]]` and under it `export_W = 0`");
            }
        }
    } else if overvoltage_v.is_none() {
        let message = "[limit] has no rule";
        desk.warn(&section.span, message, "add `[[limit.rule]]` and under it `export_W = 0`");
    }
    Some(Limit { window_s, challenges, overvoltage_v, rules })
}

fn rule(desk: &mut Desk, node: &Node, window_s: f64, plants: bool) -> Option<Rule> {
    let section = Section::open(desk, node, "[[limit.rule]]", &[RULE])?;
    let limit = rule_limit(desk, &section, plants);
    let per = section.word(desk, "per", PERS);
    let amps = matches!(limit, Some(RuleLimit::Amps(_)));
    if amps && per == Some(Per::Total) {
        let message = "`export_A` is a current in each phase, and `per` says total";
        desk.error(
            &section.place("per"),
            message,
            "write `per = \"phase\"`, or give the limit as `export_W`",
        );
    }
    let averaging_s = section.number(desk, "averaging_s").unwrap_or(1.0);
    let longest_s = section.number(desk, "longest_s").unwrap_or(5.0);
    if longest_s > 0.0 && averaging_s > longest_s {
        let message = format!(
            "a mean over {averaging_s} s that may stand above the limit for {longest_s} s: after an excursion the mean \
             itself needs up to {averaging_s} s to come down"
        );
        let mend =
            "for a limit on means write `longest_s = 0`; for an allowed time keep `averaging_s` below it";
        desk.warn(&section.place("averaging_s"), message, mend);
    }
    for (key, value) in [("averaging_s", averaging_s), ("longest_s", longest_s)] {
        if value > window_s {
            let message = format!("`{key}` is {value} s, longer than the window of {window_s} s");
            let mend = format!("make `window_s` under [limit] longer, or `{key}` shorter");
            desk.error(&section.place(key), message, mend);
        }
    }
    let tolerance_w = section.number(desk, "tolerance_W").unwrap_or(0.0);
    let share = share(desk, &section);
    let per = per.unwrap_or(if amps { Per::Phase } else { Per::Total });
    Some(Rule { limit: limit?, per, averaging_s, longest_s, tolerance_w, share })
}

fn rule_limit(desk: &mut Desk, section: &Section<'_>, plants: bool) -> Option<RuleLimit> {
    let given: Vec<&str> =
        ["export_W", "export_A", "percent"].into_iter().filter(|key| section.has(key)).collect();
    match given.as_slice() {
        [] => {
            let mend =
                "add `export_W = 0` (or `export_A` for each phase, or `percent` of the plant's rated power)";
            desk.missing(&section.span, "this rule has no limit", mend);
            None
        }
        [key] => match *key {
            "export_W" => section.number(desk, key).map(RuleLimit::Watts),
            "export_A" => section.number(desk, key).map(RuleLimit::Amps),
            _ => {
                if !plants {
                    let mend = "add `[[plant]]` with its `rated_W`, or give the limit as `export_W`";
                    desk.missing(
                        &section.place(key),
                        "a percentage of a plant that is not in this file",
                        mend,
                    );
                }
                section.number(desk, key).map(RuleLimit::Percent)
            }
        },
        [_, second, ..] => {
            let message = format!("this rule has two limits: {}", super::site::listed(&given));
            desk.error(&section.place(second), message, "make them two rules; each must hold");
            None
        }
    }
}

fn share(desk: &mut Desk, section: &Section<'_>) -> Option<f64> {
    section.number_or(desk, "share", |share| {
        let mend = format!("it is a fraction of the window: `share = {}` is {share} %", share / 100.0);
        (share > 1.0).then(|| (format!("`share` is {share}, more than the whole window"), mend))
    })
}
