//! What a step looked like: the power of a channel around the edges of a load, every edge laid over the others.

use super::measure::{Bench, Measured};
use crate::evidence::step::Kind;

/// How long before and after an edge is shown, in s.
pub const SHOWN_S: (f64, f64) = (-6.0, 9.0);

/// The mean course of one channel around the edges of one load, "off" turned over onto "on".
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Name of the channel.
    pub channel: String,
    /// Name of the load, and where it stood.
    pub load: String,
    /// Where it stood.
    pub place: String,
    /// What it should do, in W.
    pub expected_w: f64,
    /// (seconds after the edge, W above the level before), rising in time.
    pub points: Vec<(f64, f64)>,
}

/// Curves of every channel for every load whose edges were found.
pub fn curves(bench: &Bench<'_>, measured: &[Measured]) -> Vec<Curve> {
    let mut list = Vec::new();
    for one in measured.iter().filter(|one| !one.consensus.edges.is_empty()) {
        for (channel, about) in bench.channels.iter().enumerate() {
            let Some(lane) = bench.board.lane(channel, Kind::Active) else { continue };
            list.push(Curve {
                channel: about.phase.word().to_owned(),
                load: one.test.load.name.clone(),
                place: one
                    .test
                    .placement
                    .map_or_else(|| "an unknown phase".to_owned(), |place| place.word().to_owned()),
                expected_w: one.draw.active_w,
                points: points(bench, one, lane),
            });
        }
    }
    list
}

fn points(bench: &Bench<'_>, one: &Measured, lane: usize) -> Vec<(f64, f64)> {
    let trace = &bench.board.lanes[lane].data.trace;
    let bin_s = bench.board.period_s.clamp(0.5, 3.0);
    let bins = ((SHOWN_S.1 - SHOWN_S.0) / bin_s).ceil() as usize;
    let mut values: Vec<Vec<f64>> = vec![Vec::new(); bins];
    for edge in &one.consensus.edges {
        let Some(delta) = edge.event.deltas[lane] else { continue };
        // The edge lies just before the first value after it.
        let at = edge.event.to_s - 0.5 * bin_s;
        let (Some(first), Some(last)) = (trace.first_from(at + SHOWN_S.0), trace.last_by(at + SHOWN_S.1))
        else {
            continue;
        };
        for index in first..=last {
            let bin = ((trace.times[index] - at - SHOWN_S.0) / bin_s) as usize;
            if bin < bins {
                values[bin].push(edge.sign() * (trace.values[index] - delta.before));
            }
        }
    }
    let middle = |bin: usize| SHOWN_S.0 + (bin as f64 + 0.5) * bin_s;
    let filled = values.iter().enumerate().filter(|(_, values)| !values.is_empty());
    filled.map(|(bin, values)| (middle(bin), crate::base::uncertain::median(values))).collect()
}
