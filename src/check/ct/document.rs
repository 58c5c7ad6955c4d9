//! The `ct` part of the document out of a story.

use super::body::{ChannelFinding, CtFault, Expected, OtherResponse, Position, Status, StepFound, StepValue};
use super::decide::{Decision, Trust};
use super::measure::Response;
use super::network::Lines;
use super::plant::Seen;
use super::tell::Story;
use crate::base::uncertain::expanded;
use crate::base::{Phase, Span};
use crate::profile::Placement;

/// To a tenth, as powers stand in documents.
fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0 + 0.0
}

fn fourth(value: f64) -> f64 {
    (value * 1e4).round() / 1e4 + 0.0
}

/// Cut, not rounded: 0.9999999 must not read as 1.
fn confidence(value: f64) -> f64 {
    (value.clamp(0.0, 1.0) * 1e6).floor() / 1e6
}

impl Story<'_> {
    pub(super) fn position(&self, plants: &[(String, Seen)]) -> Vec<Position> {
        let mut names: Vec<&str> = self.case.site.loads.iter().map(|load| load.name.as_str()).collect();
        for test in self.tests {
            if !names.contains(&test.measured.test.load.name.as_str()) {
                names.push(&test.measured.test.load.name);
            }
        }
        let mut list: Vec<Position> = names
            .into_iter()
            .map(|name| {
                let mine = || self.tests.iter().filter(|test| test.measured.test.load.name == name);
                let moves = mine().any(|test| test.measured.shown());
                let still = mine().any(|test| test.trust == Trust::Good && !test.measured.consensus.found);
                let seen = if moves { Some(true) } else { still.then_some(false) };
                Position { source: name.to_owned(), seen }
            })
            .collect();
        list.extend(plants.iter().map(|(name, seen)| Position {
            source: name.clone(),
            seen: match seen {
                Seen::Moves => Some(true),
                Seen::Outside => Some(false),
                Seen::Unmoved | Seen::Untried => None,
            },
        }));
        list
    }

    pub(super) fn steps(&self) -> Vec<StepFound> {
        let mut list: Vec<StepFound> = Vec::new();
        for test in self.tests.iter().filter(|test| test.measured.consensus.found) {
            let phase = test.measured.test.placement.map(|placement| placement.word().to_owned());
            list.extend(test.measured.consensus.edges.iter().map(|edge| StepFound {
                at: (self.bench.origin + Span::from_seconds(edge.time_s())).cut_to_micros(),
                kind: if edge.on { "load-on" } else { "load-off" },
                phase: phase.clone(),
            }));
        }
        list.sort_by_key(|step| step.at);
        list
    }

    pub(super) fn channels(&self) -> Vec<ChannelFinding> {
        if self.alone {
            return vec![self.total()];
        }
        self.subjects
            .iter()
            .zip(self.decisions)
            .map(|(subject, decision)| self.channel(subject.channel, decision))
            .collect()
    }

    fn channel(&self, channel: usize, decision: &Decision) -> ChannelFinding {
        let response = |index: usize| self.tests[index].measured.responses[channel].as_ref();
        let others =
            (0..self.tests.len()).filter(|index| decision.shown != Some(*index)).filter_map(|index| {
                let test = &self.tests[index];
                let response = response(index).filter(|_| test.trust == Trust::Good)?;
                Some(OtherResponse {
                    load_phase: test.measured.test.placement.map_or("unknown", Placement::word).to_owned(),
                    active_w: tenth(response.active.value),
                    active_u_w: tenth(expanded(response.active_standard())),
                })
            });
        ChannelFinding {
            channel: self.bench.channels[channel].phase.word().to_owned(),
            status: decision.status,
            faults: decision.faults.clone(),
            senses: decision.senses.map(|line| Phase::LINES[line].word().to_owned()),
            sign: decision.sign,
            gain: decision.gain.map(|gain| fourth(gain.0)),
            gain_u: decision.gain.map(|gain| fourth(gain.1)),
            confidence: confidence(decision.confidence),
            pairs: decision.pairs,
            step: decision.shown.and_then(response).map(step_value),
            expected: decision.shown.map(|index| self.expected(index, channel)),
            responses: others.collect(),
        }
    }

    /// What the load shown should have moved this channel by: its own share of a load on several lines.
    fn expected(&self, test: usize, channel: usize) -> Expected {
        let measured = self.tests[test].measured;
        let draw = measured.draw;
        let whole = (draw.active_w, draw.reactive_var);
        let line = self.bench.channels[channel].phase.line_index();
        let share = match (measured.test.placement, line) {
            (Some(placement @ (Placement::Between(_) | Placement::Balanced)), Some(line)) => {
                let lines = Lines { count: self.case.site.lines().len(), backwards: false };
                lines.response(placement, whole, line, 1 << line)
            }
            _ => whole,
        };
        Expected { active_w: tenth(share.0), reactive_var: tenth(share.1) }
    }

    /// One finding for a total out of those on its phases: as bad as the worst.
    fn total(&self) -> ChannelFinding {
        let rank = |decision: &Decision| match decision.status {
            Status::Faulty => 0,
            Status::Ambiguous => 1,
            Status::Untested => 2,
            Status::Correct => 3,
        };
        let worst = self.decisions.iter().min_by_key(|decision| (rank(decision), decision.pairs));
        let Some(worst) = worst else { return self.channel(0, &self.decisions[0]) };
        let mut finding = self.channel(0, worst);
        finding.senses = None;
        let tested = self.decisions.iter().any(|decision| decision.status != Status::Untested);
        match worst.status {
            Status::Untested if tested => finding.status = Status::Ambiguous,
            Status::Correct => {
                let all = self.decisions.iter().fold(1.0, |product, decision| product * decision.confidence);
                finding.confidence = confidence(all);
            }
            Status::Faulty => {
                let mut faults: Vec<CtFault> =
                    self.decisions.iter().flat_map(|decision| decision.faults.clone()).collect();
                faults.sort_unstable();
                faults.dedup();
                finding.faults = faults;
            }
            Status::Untested | Status::Ambiguous => {}
        }
        let signs: Vec<Option<i8>> = self.decisions.iter().map(|decision| decision.sign).collect();
        finding.sign = signs[0].filter(|sign| signs.iter().all(|other| *other == Some(*sign)));
        finding
    }
}

fn step_value(response: &Response) -> StepValue {
    StepValue {
        active_w: tenth(response.active.value),
        active_u_w: tenth(expanded(response.active_standard())),
        reactive_var: response.reactive.map(|step| tenth(step.value)),
        reactive_u_var: response.reactive_standard().map(|standard| tenth(expanded(standard))),
    }
}
