//! Which jumps belong to the marks. People mark late or early, and other loads switch too. What belongs to the known load is
//! what repeats: the same change, in every lane, at every "on", and its opposite at every "off".

use super::chance::{Known, chance};
use super::{Board, Delta, Kind};
use crate::evidence::switching::Switch;

/// How far from its mark a switching may lie, in s, where the neighbouring marks leave room.
pub const LATE_S: f64 = 10.0;

/// What a load's step may vary from one switching to the next, as a fraction (voltage, warming up).
const VARIES: f64 = 0.07;

/// However noisy the levels, a change further than this fraction of the step from it is another one.
const BLURRED: f64 = 0.3;

/// Something that happened at one instant, in all lanes.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Last values before, in s.
    pub from_s: f64,
    /// First values after, in s.
    pub to_s: f64,
    /// Change of every lane, `None` where it has no values there.
    pub deltas: Vec<Option<Delta>>,
    /// The largest overshoot of every lane.
    pub overshoots: Vec<f64>,
}

/// An edge of the known load.
#[derive(Clone, Debug, PartialEq)]
pub struct Edge {
    /// Index of the mark it belongs to; `None` for one that nobody marked.
    pub mark: Option<usize>,
    /// On or off.
    pub on: bool,
    /// What happened.
    pub event: Event,
}

impl Edge {
    /// The middle of the time it may have happened at, in s.
    pub fn time_s(&self) -> f64 {
        f64::midpoint(self.event.from_s, self.event.to_s)
    }

    /// 1 for on, −1 for off.
    pub const fn sign(&self) -> f64 {
        if self.on { 1.0 } else { -1.0 }
    }
}

/// What the marks of one load have in common.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Consensus {
    /// The edges found, in time order.
    pub edges: Vec<Edge>,
    /// Whether the edges were found in the power (or voltage) itself; else they stand where the marks do.
    pub found: bool,
    /// Another step that follows or precedes these at most marks, as (seconds after, share of the step): a control that
    /// answers.
    pub answer: Option<Answer>,
    /// How probable it is that chance alone put such jumps at the marks.
    pub chance: f64,
    /// Share of the marks near which something else changed by as much, nearly: a control at work, or a restless house.
    pub restless: f64,
}

/// A control that answers the step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Answer {
    /// How long after the edge, in s.
    pub after_s: f64,
    /// Its size over that of the step; −1: undone, +1: doubled.
    pub share: f64,
}

/// The times around each mark in which its edge is looked for.
pub fn windows(switches: &[Switch]) -> Vec<(f64, f64)> {
    (0..switches.len())
        .map(|index| {
            let at = switches[index].time_s;
            let before = index.checked_sub(1).map_or(f64::INFINITY, |left| at - switches[left].time_s);
            let after = switches.get(index + 1).map_or(f64::INFINITY, |right| right.time_s - at);
            (at - (0.5 * before).min(LATE_S), at + (0.5 * after).min(LATE_S))
        })
        .collect()
}

/// Jumps that share an instant: from, to, and the overshoot of each lane concerned.
struct Cluster {
    from_s: f64,
    to_s: f64,
    overshoots: Vec<(usize, f64)>,
}

/// The events within these times.
pub fn events(board: &Board, from_s: f64, to_s: f64) -> Vec<Event> {
    let mut jumps = board.jumps(from_s, to_s);
    jumps.sort_by(|one, other| one.from_s.total_cmp(&other.from_s).then(one.to_s.total_cmp(&other.to_s)));
    let mut clusters: Vec<Cluster> = Vec::new();
    for jump in jumps {
        let shared = |cluster: &Cluster| {
            let overlap = cluster.to_s.min(jump.to_s) - cluster.from_s.max(jump.from_s);
            overlap >= 0.4 * (cluster.to_s - cluster.from_s).min(jump.to_s - jump.from_s)
        };
        let over = (jump.lane, jump.overshoot);
        match clusters.iter_mut().rev().find(|cluster| shared(cluster)) {
            Some(cluster) => {
                cluster.from_s = cluster.from_s.min(jump.from_s);
                cluster.to_s = cluster.to_s.max(jump.to_s);
                cluster.overshoots.push(over);
            }
            None => clusters.push(Cluster { from_s: jump.from_s, to_s: jump.to_s, overshoots: vec![over] }),
        }
    }
    clusters.into_iter().map(|one| event(board, one.from_s, one.to_s, &one.overshoots)).collect()
}

/// What happened between these times.
pub fn event(board: &Board, from_s: f64, to_s: f64, overshoots: &[(usize, f64)]) -> Event {
    let deltas = (0..board.lanes.len()).map(|lane| board.delta(lane, from_s, to_s)).collect();
    let mut over = vec![0.0; board.lanes.len()];
    for (lane, value) in overshoots {
        over[*lane] = *value;
    }
    Event { from_s, to_s, deltas, overshoots: over }
}

/// Which of the events near each mark is taken.
pub(super) type Choice = Vec<Option<usize>>;

/// A reference: what the step may be, with its sign turned to "on".
pub(super) struct Candidate {
    values: Vec<Option<Delta>>,
    sign: f64,
    size: f64,
}

/// Finds the edges of one load. `kinds` are the lanes whose changes must repeat, `least` the smallest size to consider,
/// `marked` the times at which any load was switched.
pub fn find(
    board: &Board,
    switches: &[Switch],
    kinds: &[Kind],
    least: f64,
    marked: &[(f64, f64)],
) -> Option<Consensus> {
    let around = windows(switches);
    let near: Vec<Vec<Event>> = around.iter().map(|(from, to)| events(board, *from, *to)).collect();
    let lanes: Vec<usize> =
        (0..board.lanes.len()).filter(|lane| kinds.contains(&board.lanes[*lane].kind)).collect();
    let mut ranked: Vec<(f64, Choice)> = Vec::new();
    for (mark, list) in near.iter().enumerate() {
        for event in list {
            let sign = if switches[mark].on { 1.0 } else { -1.0 };
            let Some(candidate) = candidate(event, sign, &lanes, least) else { continue };
            let (score, chosen) = score(&candidate, switches, &near, &around, &lanes);
            ranked.push((score, chosen));
        }
    }
    ranked.sort_by(|one, other| other.0.total_cmp(&one.0));
    let best = ranked.first()?.clone();
    let count = |chosen: &Choice| chosen.iter().flatten().count();
    if count(&best.1) < 2.max(switches.len().div_ceil(3)) {
        return None;
    }
    let when = |mark: usize, chosen: &[Option<usize>]| {
        chosen[mark].map(|event| f64::midpoint(near[mark][event].from_s, near[mark][event].to_s))
    };
    // A control that answers repeats as faithfully as the load itself; of two changes that repeat, the load's comes first.
    let mut chosen = best.1.clone();
    for (score, other) in &ranked {
        if *score < 0.6 * best.0 {
            break;
        }
        let leads: Vec<bool> = (0..switches.len())
            .filter_map(|mark| Some(when(mark, other)? < when(mark, &chosen)? - 1e-6))
            .collect();
        if leads.len() * 4 >= count(&chosen) * 3
            && leads.iter().filter(|lead| **lead).count() * 4 >= leads.len() * 3
        {
            chosen.clone_from(other);
        }
    }
    let answer = ranked.iter().take_while(|(score, _)| *score >= 0.5 * best.0).find_map(|(_, other)| {
        answer(&chosen, other, switches, &near, &lanes).map(|answer| (answer, other.clone()))
    });
    let (answer, answering) = answer.map_or((None, Choice::new()), |(answer, other)| (Some(answer), other));
    let reference = chosen.iter().enumerate().find_map(|(mark, event)| {
        candidate(&near[mark][(*event)?], if switches[mark].on { 1.0 } else { -1.0 }, &lanes, 0.0)
    });
    let mut edges: Vec<Edge> = Vec::with_capacity(switches.len());
    for (mark, event) in chosen.iter().enumerate() {
        let on = switches[mark].on;
        let event = match (event, &reference) {
            (Some(event), _) => Some(near[mark][*event].clone()),
            (None, Some(reference)) => {
                // Not before the edge that went before.
                let from_s =
                    edges.last().map_or(around[mark].0, |edge: &Edge| around[mark].0.max(edge.event.to_s));
                closer(board, reference, (from_s, around[mark].1), on, &lanes)
            }
            (None, None) => None,
        };
        edges.extend(event.map(|event| Edge { mark: Some(mark), on, event }));
    }
    if edges.len() < 2.max(switches.len().div_ceil(2)) {
        return None;
    }
    let known = Known { near: &near, chosen: &chosen, answering: &answering };
    let chance = chance(board, switches, &around, &known, &lanes, marked);
    let restless =
        reference.as_ref().map_or(0.0, |reference| restless(&near, &edges, reference.size, &lanes));
    Some(Consensus { edges, found: true, answer, chance, restless })
}

/// A change of this share of the load's own is nearly as large.
const AS_MUCH: f64 = 0.4;

fn restless(near: &[Vec<Event>], edges: &[Edge], size: f64, lanes: &[usize]) -> f64 {
    let is_edge = |event: &Event| {
        edges.iter().any(|edge| event.from_s < edge.event.to_s && event.to_s > edge.event.from_s)
    };
    let large = |event: &Event| {
        let deltas = lanes.iter().filter_map(|lane| event.deltas[*lane]);
        deltas.fold(0.0_f64, |most, delta| most.max(delta.value.abs())) > AS_MUCH * size
    };
    let marks = near.iter().filter(|list| list.iter().any(|event| !is_edge(event) && large(event))).count();
    marks as f64 / near.len().max(1) as f64
}

/// Edges where the marks are, with room for a person's delay: for a load that shows nowhere.
pub fn at_marks(board: &Board, switches: &[Switch]) -> Consensus {
    let around = windows(switches);
    let edges = switches
        .iter()
        .enumerate()
        .map(|(mark, switch)| {
            let room = |end: f64| (0.5 * (end - switch.time_s).abs()).min(3.0);
            let from_s = switch.time_s - room(around[mark].0);
            let to_s = switch.time_s + room(around[mark].1) + board.settle_s;
            Edge { mark: Some(mark), on: switch.on, event: event(board, from_s, to_s, &[]) }
        })
        .collect();
    Consensus { edges, found: false, answer: None, chance: 1.0, restless: 0.0 }
}

/// Whether the power shoots past both its levels at the marks, the way the load goes, at "on" and at "off" alike: a control
/// undid the step before it could be called a level. (An inrush does so at "on" only.)
pub fn spikes(board: &Board, switches: &[Switch], least: f64) -> bool {
    let around = windows(switches);
    let powers: Vec<bool> = board.lanes.iter().map(|lane| lane.kind == Kind::Active).collect();
    let mut counts = [[0_usize; 2]; 2];
    let mut marks = [0_usize; 2];
    for (switch, (from, to)) in switches.iter().zip(around) {
        let sign = if switch.on { 1.0 } else { -1.0 };
        let jumps = board.jumps(from, to);
        let seen =
            |way: f64| jumps.iter().any(|jump| powers[jump.lane] && way * sign * jump.overshoot > least);
        let kind = usize::from(switch.on);
        marks[kind] += 1;
        counts[0][kind] += usize::from(seen(1.0));
        counts[1][kind] += usize::from(seen(-1.0));
    }
    let most = |way: usize, kind: usize| marks[kind] > 0 && counts[way][kind] * 5 >= marks[kind] * 3;
    (0..2).any(|way| most(way, 0) && most(way, 1))
}

pub(super) fn candidate(event: &Event, sign: f64, lanes: &[usize], least: f64) -> Option<Candidate> {
    let size = lanes
        .iter()
        .filter_map(|lane| event.deltas[*lane])
        .filter(|delta| delta.value.abs() > 5.0 * delta.standard)
        .fold(0.0_f64, |most, delta| most.max(delta.value.abs()));
    (size > least).then(|| Candidate { values: event.deltas.clone(), sign, size })
}

/// Looks again where no level lasted long enough for a jump: between every two readings, for the change already known.
fn closer(
    board: &Board,
    reference: &Candidate,
    (from_s, to_s): (f64, f64),
    on: bool,
    lanes: &[usize],
) -> Option<Event> {
    let size = |lane: &usize| reference.values[*lane].map_or(0.0, |delta| delta.value.abs());
    let main = *lanes.iter().max_by(|one, other| size(one).total_cmp(&size(other)))?;
    let times = &board.lanes[main].data.trace.times;
    let first = times.partition_point(|time| *time < from_s - board.period_s);
    let sign = if on { 1.0 } else { -1.0 };
    let middle = f64::midpoint(from_s, to_s);
    let mut best: Option<(f64, Event)> = None;
    for index in first..times.len().saturating_sub(1) {
        if times[index] > to_s {
            break;
        }
        for next in index + 1..times.len() {
            let event = event(board, times[index], times[next], &[]);
            let away = (f64::midpoint(times[index], times[next]) - middle).abs();
            let like = likeness(reference, &event, sign, lanes) - 0.2 * away / (to_s - from_s).max(0.1);
            if like > best.as_ref().map_or(0.3, |(most, _)| *most) {
                best = Some((like, event));
            }
            if times[next] > times[index] + board.settle_s {
                break;
            }
        }
    }
    best.map(|(_, event)| event)
}

/// Whether an event repeats another in every power that matters to it, with this sign.
pub fn alike(board: &Board, reference: &Event, event: &Event, sign: f64) -> bool {
    let lanes: Vec<usize> =
        (0..board.lanes.len()).filter(|lane| board.lanes[*lane].kind != Kind::Voltage).collect();
    candidate(reference, 1.0, &lanes, 0.0)
        .is_some_and(|candidate| likeness(&candidate, event, sign, &lanes) > 0.0)
}

/// How well an event repeats the candidate: 0 not at all, 1 exactly. Only lanes that matter to the candidate are compared: a
/// fridge on another phase at the same instant takes nothing away.
pub(super) fn likeness(candidate: &Candidate, event: &Event, sign: f64, lanes: &[usize]) -> f64 {
    let mut worst = 1.0_f64;
    for lane in lanes {
        let Some(reference) = candidate.values[*lane] else { continue };
        if reference.value.abs() < 0.25 * candidate.size {
            continue;
        }
        let Some(delta) = event.deltas[*lane] else { return 0.0 };
        let noise = 4.0 * libm::hypot(delta.standard, reference.standard);
        let reach = noise.min(BLURRED * candidate.size) + VARIES * candidate.size;
        let apart = (sign * delta.value - candidate.sign * reference.value) / reach;
        worst = worst.min(1.0 - apart * apart);
    }
    worst.max(0.0)
}

pub(super) fn score(
    candidate: &Candidate,
    switches: &[Switch],
    near: &[Vec<Event>],
    around: &[(f64, f64)],
    lanes: &[usize],
) -> (f64, Choice) {
    let (mut sum, mut chosen) = (0.0, Vec::with_capacity(switches.len()));
    for (mark, switch) in switches.iter().enumerate() {
        let sign = if switch.on { 1.0 } else { -1.0 };
        let mut best: Option<(f64, usize)> = None;
        for (index, event) in near[mark].iter().enumerate() {
            let like = likeness(candidate, event, sign, lanes);
            if like <= 0.0 {
                continue;
            }
            let away = (f64::midpoint(event.from_s, event.to_s) - switch.time_s).abs();
            let like = like - 0.2 * away / (around[mark].1 - around[mark].0).max(0.1);
            if best.is_none_or(|(most, _)| like > most) {
                best = Some((like, index));
            }
        }
        sum += best.map_or(0.0, |(like, _)| like.max(0.05));
        chosen.push(best.map(|(_, index)| index));
    }
    (sum, chosen)
}

/// Whether `other` follows `chosen` at most marks, and how.
fn answer(
    chosen: &[Option<usize>],
    other: &[Option<usize>],
    switches: &[Switch],
    near: &[Vec<Event>],
    lanes: &[usize],
) -> Option<Answer> {
    let (mut delays, mut shares) = (Vec::new(), Vec::new());
    let total = |event: &Event| {
        lanes.iter().filter_map(|lane| event.deltas[*lane]).fold(0.0, |sum, delta| sum + delta.value)
    };
    for mark in 0..switches.len() {
        let (Some(first), Some(second)) = (chosen[mark], other[mark]) else { continue };
        let (first, second) = (&near[mark][first], &near[mark][second]);
        let delay = f64::midpoint(second.from_s, second.to_s) - f64::midpoint(first.from_s, first.to_s);
        if delay > 1e-6 && total(first).abs() > 0.0 {
            delays.push(delay);
            shares.push(total(second) / total(first));
        }
    }
    let enough = delays.len() >= 2 && delays.len() * 2 > chosen.iter().flatten().count();
    let after_s = crate::base::uncertain::median(&delays);
    enough.then(|| Answer { after_s, share: crate::base::uncertain::median(&shares) })
}
