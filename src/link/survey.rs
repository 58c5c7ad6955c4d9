//! Which registers a meter answers, when nobody has its list: a few questions at likely places, then outward from every
//! answer until it refuses, with blocks halved where a whole one is refused.
//!
//! Pure: take `batch`, ask, tell what came of each by `settle`, until the batch is empty.

use std::collections::{BTreeSet, VecDeque};

use crate::profile::{Registers, Table};

/// Registers in one request to begin with; meters that take fewer say so. Ours, half of what is allowed.
const BLOCK: u16 = 64;
/// Questions in one batch at most, so that progress shows.
const BATCH: usize = 96;

/// What came of a question.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reply {
    /// The registers came.
    Answered,
    /// An exception of this code.
    Refused(u8),
    /// Nothing, or nothing whole.
    Silent,
}

/// Where to look.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Where {
    /// Where lists usually begin.
    Usual,
    /// At every sixteenth address.
    Everywhere,
    /// Only here.
    Only(Vec<Registers>),
}

/// The state of a search for registers.
#[derive(Clone, Debug)]
pub struct Survey {
    probes: VecDeque<Registers>,
    /// Ranges to be read whole.
    fills: VecDeque<Registers>,
    /// Answered probes whose surroundings are not known yet, lowest first.
    hits: BTreeSet<(Table, u16)>,
    edges: Vec<Edge>,
    asked: Vec<(Registers, Task)>,
    known: BTreeSet<(Table, u16)>,
    dead: Vec<Table>,
    most: u16,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Task {
    Probe,
    Fill,
    Edge,
}

/// Going up from what was answered.
#[derive(Clone, Copy, Debug)]
struct Edge {
    table: Table,
    at: u16,
    block: u16,
    /// A whole block was refused: the end is within it.
    closing: bool,
}

impl Survey {
    /// At its beginning.
    pub fn new(place: &Where) -> Self {
        let mut survey = Self {
            probes: VecDeque::new(),
            fills: VecDeque::new(),
            hits: BTreeSet::new(),
            edges: Vec::new(),
            asked: Vec::new(),
            known: BTreeSet::new(),
            dead: Vec::new(),
            most: BLOCK,
        };
        let addresses: Vec<u16> = match place {
            Where::Usual => usual(),
            Where::Everywhere => (0..u16::MAX).step_by(16).collect(),
            Where::Only(ranges) => {
                survey.fills = ranges.iter().flat_map(|range| chunks(*range, BLOCK)).collect();
                Vec::new()
            }
        };
        for address in addresses {
            for table in [Table::Input, Table::Holding] {
                survey.probes.push_back(Registers { table, address, count: 2 });
            }
        }
        survey
    }

    /// What to ask now; empty when everything is known. Every question must be settled before the next batch.
    pub fn batch(&mut self) -> Vec<Registers> {
        let mut batch = Vec::new();
        while batch.len() < BATCH {
            let Some(probe) = self.probes.pop_front() else { break };
            if !self.dead.contains(&probe.table) {
                batch.push((probe, Task::Probe));
            }
        }
        if batch.is_empty() {
            self.next_edges();
            for edge in &self.edges {
                let count = edge.block.min(u16::MAX - edge.at);
                if count > 0 {
                    batch.push((Registers { table: edge.table, address: edge.at, count }, Task::Edge));
                }
            }
            while batch.len() < BATCH {
                let Some(fill) = self.fills.pop_front() else { break };
                batch.push((fill, Task::Fill));
            }
        }
        self.asked.clone_from(&batch);
        batch.into_iter().map(|(registers, _)| registers).collect()
    }

    /// Begins to go up from the lowest answer of each table that has nothing going on.
    fn next_edges(&mut self) {
        for table in [Table::Input, Table::Holding] {
            let busy = self.edges.iter().any(|edge| edge.table == table)
                || self.fills.iter().any(|fill| fill.table == table);
            if busy {
                continue;
            }
            while let Some(hit) = self.hits.range((table, 0)..=(table, u16::MAX)).next().copied() {
                self.hits.remove(&hit);
                // What lies beyond what is known already was reached from below.
                if self.known.contains(&(table, hit.1.saturating_add(2))) || self.dead.contains(&table) {
                    continue;
                }
                self.edges.push(Edge { table, at: hit.1 + 2, block: self.most, closing: false });
                let below = self.unknown_below(table, hit.1);
                self.fills.extend(below);
                break;
            }
        }
    }

    /// The few registers below an answer that no question has reached.
    fn unknown_below(&self, table: Table, address: u16) -> Option<Registers> {
        let first = (address.saturating_sub(15)..address)
            .rev()
            .take_while(|below| !self.known.contains(&(table, *below)))
            .last()?;
        Some(Registers { table, address: first, count: address - first })
    }

    /// Tells what came of a question of the last batch.
    pub fn settle(&mut self, asked: Registers, reply: Reply) {
        let Some(place) = self.asked.iter().position(|(known, _)| *known == asked) else { return };
        let (_, task) = self.asked.remove(place);
        match reply {
            Reply::Answered => {
                self.known.extend(
                    (0..asked.count)
                        .filter_map(|offset| Some((asked.table, asked.address.checked_add(offset)?))),
                );
            }
            // "Illegal function": this table is not there (V1.1b3, section 7).
            Reply::Refused(1) => self.dead.push(asked.table),
            // "Illegal data value": more registers than it gives at once.
            Reply::Refused(3) if asked.count > 1 => self.most = self.most.min((asked.count / 2).max(1)),
            Reply::Refused(_) | Reply::Silent => {}
        }
        let answered = reply == Reply::Answered;
        match task {
            Task::Probe if answered => {
                self.hits.insert((asked.table, asked.address));
            }
            Task::Probe => {}
            Task::Fill => self.fill(asked, reply),
            Task::Edge => self.edge(asked, reply),
        }
        let dead = &self.dead;
        self.fills.retain(|fill| !dead.contains(&fill.table));
        self.edges.retain(|edge| !dead.contains(&edge.table));
    }

    fn fill(&mut self, asked: Registers, reply: Reply) {
        // Silence is slow: its halves are looked into only so far.
        let least = if reply == Reply::Silent { 4 } else { 1 };
        if reply != Reply::Answered && asked.count > least {
            self.fills.extend(chunks(asked, asked.count.div_ceil(2).min(self.most)));
        }
    }

    fn edge(&mut self, asked: Registers, reply: Reply) {
        let Some(place) = self.edges.iter().position(|edge| edge.table == asked.table) else { return };
        let edge = &mut self.edges[place];
        let answered = reply == Reply::Answered;
        if answered {
            edge.at = edge.at.saturating_add(asked.count);
        } else {
            edge.closing |= !matches!(reply, Reply::Refused(3));
        }
        if edge.closing || !answered {
            edge.block = (asked.count / 2).min(self.most);
        }
        // Silence at a few registers is the end as well.
        let spent = edge.block == 0 || (reply == Reply::Silent && asked.count <= 4);
        if spent || edge.at == u16::MAX || self.known.contains(&(edge.table, edge.at)) {
            self.edges.remove(place);
        }
    }

    /// How many questions are left at least.
    pub fn left(&self) -> usize {
        self.probes.len() + self.fills.len() + 7 * self.edges.len() + self.hits.len().min(8)
    }

    /// Most registers it gave in one answer, or took in one request.
    pub const fn most(&self) -> u16 {
        self.most
    }

    /// Everything it answers, in requests of a size it takes.
    pub fn runs(&self) -> Vec<Registers> {
        let mut runs: Vec<Registers> = Vec::new();
        for (table, address) in &self.known {
            match runs.last_mut() {
                Some(last)
                    if last.table == *table
                        && last.address.checked_add(last.count) == Some(*address)
                        && last.count < self.most =>
                {
                    last.count += 1;
                }
                _ => runs.push(Registers { table: *table, address: *address, count: 1 }),
            }
        }
        runs
    }

    /// How many registers it answers.
    pub fn registers(&self) -> usize {
        self.known.len()
    }
}

/// Where lists of meters begin, in common practice: at 0, at whole pages, at the numbers printed in five-digit tables.
fn usual() -> Vec<u16> {
    let near = (0..1024_u16).step_by(8);
    let far = (1024..8192_u16).step_by(64);
    let pages = (8192..=0xFF00_u16).step_by(256);
    let printed = [10_000, 20_000, 30_000, 40_000, 50_000, 60_000]
        .into_iter()
        .flat_map(|thousand: u16| [thousand, thousand + 32, thousand + 100, thousand + 200]);
    let mut all: Vec<u16> = near.chain(far).chain(pages).chain(printed).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// A range in pieces of at most so many registers.
fn chunks(range: Registers, most: u16) -> Vec<Registers> {
    let most = most.max(1);
    let mut pieces = Vec::new();
    let mut done = 0;
    while done < range.count {
        let count = most.min(range.count - done);
        pieces.push(Registers { address: range.address.saturating_add(done), count, ..range });
        done += count;
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A meter that answers only what lies inside one of these runs, and so many registers at most.
    fn explored(place: &Where, holds: &[Registers], most: u16) -> (Survey, usize) {
        let mut survey = Survey::new(place);
        let mut questions = 0;
        loop {
            let batch = survey.batch();
            if batch.is_empty() {
                return (survey, questions);
            }
            questions += batch.len();
            assert!(questions < 30_000, "it does not end");
            for asked in batch {
                let end = u32::from(asked.address) + u32::from(asked.count);
                let inside = |run: &Registers| {
                    run.table == asked.table
                        && run.address <= asked.address
                        && end <= u32::from(run.address) + u32::from(run.count)
                };
                let reply = match () {
                    () if asked.count > most => Reply::Refused(3),
                    () if holds.iter().any(inside) => Reply::Answered,
                    () => Reply::Refused(2),
                };
                survey.settle(asked, reply);
            }
        }
    }

    fn run(table: Table, address: u16, count: u16) -> Registers {
        Registers { table, address, count }
    }

    fn all(survey: &Survey) -> usize {
        survey.runs().iter().map(|run| usize::from(run.count)).sum()
    }

    #[test]
    fn usual_places_are_found_to_their_last_register() {
        let holds =
            [run(Table::Input, 0, 83), run(Table::Input, 0x0200, 120), run(Table::Holding, 40_000, 171)];
        let (survey, questions) = explored(&Where::Usual, &holds, 125);
        assert_eq!(all(&survey), 83 + 120 + 171, "{:?}", survey.runs());
        assert!(questions < 1200, "{questions}");
    }

    #[test]
    fn a_meter_that_gives_few_at_once_is_asked_for_few() {
        let holds = [run(Table::Input, 0, 83)];
        let (survey, _) = explored(&Where::Usual, &holds, 10);
        assert_eq!(all(&survey), 83);
        assert!(survey.most() <= 10 && survey.runs().iter().all(|run| run.count <= 10));
    }

    proptest! {
        #[test]
        fn a_range_that_is_named_is_found_whole(
            first in 0..200_u16, count in 1..300_u16, hole in 0..100_u16, most in 1..125_u16,
        ) {
            let holds = [run(Table::Holding, first, count), run(Table::Holding, first + count + hole, 7)];
            let (survey, _) = explored(&Where::Only(vec![run(Table::Holding, 0, 700)]), &holds, most);
            // Two runs that touch are still two for a meter that refuses what spans them.
            prop_assert_eq!(all(&survey), usize::from(count) + 7);
        }
    }
}
