//! How probable it is that jumps stand at the marks by chance.

use super::Board;
use super::consensus::{Choice, Event, candidate, events, likeness};
use crate::evidence::switching::Switch;

/// What is already known of the events near the marks.
pub(super) struct Known<'a> {
    /// The events near each mark.
    pub(super) near: &'a [Vec<Event>],
    /// Those taken for the load's.
    pub(super) chosen: &'a Choice,
    /// Those taken for a control's answer; empty where there is none.
    pub(super) answering: &'a Choice,
}

/// How probable jumps like these would be at the marks if the load had nothing to do with them: from how often they come
/// anywhere else, near the marks and away from them, as a binomial tail, times the number of tries.
pub(super) fn chance(
    board: &Board,
    switches: &[Switch],
    around: &[(f64, f64)],
    known: &Known<'_>,
    lanes: &[usize],
    marked: &[(f64, f64)],
) -> f64 {
    let sign = |mark: usize| if switches[mark].on { 1.0 } else { -1.0 };
    let first = known.chosen.iter().enumerate().find_map(|(mark, event)| Some((mark, (*event)?)));
    let Some((mark, event)) = first else { return 1.0 };
    let Some(candidate) = candidate(&known.near[mark][event], sign(mark), lanes, 0.0) else { return 1.0 };
    let alike =
        |event: &Event| [1.0, -1.0].iter().any(|sign| likeness(&candidate, event, *sign, lanes) > 0.0);
    let mut taken: Vec<(f64, f64)> = Vec::new();
    for choice in [known.chosen, known.answering] {
        for (list, event) in known.near.iter().zip(choice) {
            taken.extend(event.map(|event| (list[event].from_s, list[event].to_s)));
        }
    }
    // An event on the border of two windows stands in both.
    let is_taken = |event: &Event| taken.iter().any(|(from, to)| event.from_s < *to && event.to_s > *from);
    let mut strange = 0;
    for list in known.near {
        strange += list.iter().filter(|event| !is_taken(event) && alike(event)).count();
    }
    let (from, to) = (around[0].0 - 60.0, around[around.len() - 1].1 + 60.0);
    let inside: f64 = around.iter().map(|(from, to)| to - from).sum();
    let elsewhere: f64 = marked.iter().map(|(start, end)| (end.min(to) - start.max(from)).max(0.0)).sum();
    strange += events(board, from, to)
        .iter()
        .filter(|event| {
            let at = f64::midpoint(event.from_s, event.to_s);
            !around.iter().chain(marked).any(|(from, to)| at >= *from && at <= *to) && alike(event)
        })
        .count();
    let watched_s = (to - from - elsewhere.max(inside) + inside).max(30.0);
    let rate = (strange as f64 + 0.5) / watched_s;
    let each = 1.0 - libm::exp(-rate * inside / switches.len() as f64 / 2.0);
    let hits = known.chosen.iter().flatten().count();
    let tries: usize = known.near.iter().map(Vec::len).sum();
    (binomial_tail(switches.len(), hits, each) * tries.max(1) as f64).min(1.0)
}

/// Probability of at least `hits` of `count` at probability `p` each.
fn binomial_tail(count: usize, hits: usize, p: f64) -> f64 {
    let p = p.clamp(1e-12, 1.0 - 1e-12);
    let ln = |k: f64| {
        let n = count as f64;
        libm::lgamma(n + 1.0) - libm::lgamma(k + 1.0) - libm::lgamma(n - k + 1.0)
            + k * libm::log(p)
            + (n - k) * libm::log1p(-p)
    };
    (hits..=count).map(|k| libm::exp(ln(k as f64))).sum::<f64>().min(1.0)
}
