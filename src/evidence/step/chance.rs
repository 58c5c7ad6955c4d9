//! How probable it is that jumps stand at the marks by chance.

use super::Board;
use super::consensus::{Choice, Event, candidate, events, likeness};
use crate::evidence::switching::Switch;

/// How probable jumps like these would be at the marks if the load had nothing to do with them: from how often they come
/// elsewhere in the record, as a binomial tail, times the number of tries.
pub(super) fn chance(
    board: &Board,
    switches: &[Switch],
    around: &[(f64, f64)],
    near: &[Vec<Event>],
    chosen: &Choice,
    lanes: &[usize],
    marked: &[(f64, f64)],
) -> f64 {
    let Some((mark, event)) = chosen.iter().enumerate().find_map(|(mark, event)| Some((mark, (*event)?)))
    else {
        return 1.0;
    };
    let sign = if switches[mark].on { 1.0 } else { -1.0 };
    let Some(candidate) = candidate(&near[mark][event], sign, lanes, 0.0) else { return 1.0 };
    let (first, last) = (around[0].0 - 60.0, around[around.len() - 1].1 + 60.0);
    let inside: f64 = around.iter().map(|(from, to)| to - from).sum();
    let taken: f64 = marked.iter().map(|(from, to)| (to.min(last) - from.max(first)).max(0.0)).sum();
    let outside_s = (last - first - taken.max(inside)).max(30.0);
    let strange = events(board, first, last)
        .iter()
        .filter(|event| {
            let at = f64::midpoint(event.from_s, event.to_s);
            let known = around.iter().chain(marked).any(|(from, to)| at >= *from && at <= *to);
            !known && [1.0, -1.0].iter().any(|sign| likeness(&candidate, event, *sign, lanes) > 0.0)
        })
        .count();
    let rate = (strange as f64 + 0.5) / outside_s;
    let each = 1.0 - libm::exp(-rate * inside / switches.len() as f64 / 2.0);
    let hits = chosen.iter().flatten().count();
    let tries: usize = near.iter().map(Vec::len).sum();
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
