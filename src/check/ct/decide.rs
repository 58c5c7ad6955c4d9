//! From probabilities to a status for each channel: contract 6's rules, one after the other.

use super::body::{CtFault, Status};
use super::gain::{GAIN_FROM, GAIN_TO, common_factor, gain, is_outside, ratio, unlike};
use super::hypothesis::{ChannelPosterior, Observation, Problem, Trial, weigh};
use super::measure::{Measured, fell};
use super::network::draws_in;
use crate::base::uncertain::combine;
use crate::profile::Placement;

/// Confidence a claim needs (contract 6).
pub const SURE: f64 = 0.999;

/// A fault is named when it is this probable among the ways a channel that is surely wrong can be wrong.
const NAMED: f64 = 0.9;

/// Phase and sign of a channel are stated when they are this probable.
const STATED: f64 = 0.99;

/// On/off pairs a verdict needs (contract 6).
pub const PAIRS: usize = 3;

/// One thing to decide on: a channel, or one phase of a total.
#[derive(Clone, Debug, PartialEq)]
pub struct Subject {
    /// Index of the channel.
    pub channel: usize,
    /// The line it belongs to.
    pub line: usize,
}

/// A measured load with what may be made of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Weighed<'a> {
    /// What was measured.
    pub measured: &'a Measured,
    /// Whether it counts, and why not.
    pub trust: Trust,
    /// The plant was shown idle all the time.
    pub idle: bool,
    /// The placement as the subjects count: the phases of a total in a delta are its pairs of lines.
    pub placement: Option<Placement>,
}

/// Whether a measured load counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trust {
    /// It does.
    Good,
    /// Nothing moved, and nothing shows that the load ran.
    NotRun,
    /// Something moved at the marks, and might have done so by chance.
    Chance,
    /// The voltage says that the marks stand the wrong way round.
    Contradicted,
    /// A control answered before the step could be read.
    Answered,
}

/// Why a status is what it is, beyond the status itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// Nothing more to say.
    Clear,
    /// The plant was not shown idle, and it may hide or mirror the load.
    PlantActive,
    /// A control answers the load, and the site file names no plant.
    Unnamed,
    /// The gain's interval reaches into what is right.
    GainOpen,
    /// All channels are off by one factor: the load or the ratio.
    CommonFactor,
    /// Its power has, with the plant idle, a sign that contradicts its steps.
    Level,
    /// The same load moves another channel by another share of itself.
    GainsApart,
    /// Two loads give it two gains: one of their powers is not what is stated.
    LoadsApart,
    /// Several ways to be wrong fit.
    Several,
    /// The loads may stand on other lines than marked.
    Labels,
    /// It fits no connection at all.
    Strange,
    /// Nothing shows that the power can go negative.
    SignUnknown,
    /// Too few agreeing pairs.
    FewPairs,
    /// The tests on its phase did not count.
    NoTrust,
    /// The check was left and gone on with, and nothing was switched on its phase since.
    UntriedSince,
    /// The check was left and gone on with, and what was switched since is too blurred to be called the same.
    BlurredSince,
    /// The check was left and gone on with, and the load moves it otherwise since.
    OtherwiseSince,
}

/// What was decided on a subject.
#[derive(Clone, Debug, PartialEq)]
pub struct Decision {
    /// The status.
    pub status: Status,
    /// Faults named.
    pub faults: Vec<CtFault>,
    /// The line sensed.
    pub senses: Option<usize>,
    /// 1 or −1.
    pub sign: Option<i8>,
    /// Gain and its expanded uncertainty.
    pub gain: Option<(f64, f64)>,
    /// Probability of the claim.
    pub confidence: f64,
    /// Agreeing pairs.
    pub pairs: usize,
    /// Pairs that disagree.
    pub against: usize,
    /// Indexes of the loads whose pairs these are.
    pub told_by: Vec<usize>,
    /// Index of the load whose step is shown.
    pub shown: Option<usize>,
    /// Why.
    pub why: Why,
}

/// Decides on every subject. `alone`: subjects are the phases of one total.
pub fn decide(lines: usize, subjects: &[Subject], alone: bool, tests: &[Weighed<'_>]) -> Vec<Decision> {
    let good: Vec<usize> = (0..tests.len()).filter(|index| tests[*index].trust == Trust::Good).collect();
    let measured: Vec<&Measured> = good.iter().map(|index| tests[*index].measured).collect();
    let fell = fell(&measured);
    let trials =
        good.iter().zip(fell).map(|(index, fell)| trial(&tests[*index], fell, subjects, alone)).collect();
    let own = subjects.iter().map(|subject| subject.line).collect();
    let problem = Problem { lines, own, trials, alone };
    let posterior = weigh(&problem);
    let mut decisions: Vec<Decision> = subjects
        .iter()
        .zip(&posterior)
        .map(|(subject, posterior)| one(lines, subject, alone, tests, posterior))
        .collect();
    common_factor(lines, subjects, tests, &posterior, &mut decisions);
    unlike(tests, &mut decisions);
    decisions
}

fn trial(test: &Weighed<'_>, fell: Vec<Option<bool>>, subjects: &[Subject], alone: bool) -> Trial {
    let measured = test.measured;
    let draw = measured.draw;
    let size = draw.apparent_va();
    let blur = if measured.test.load.resistive { 0.06 } else { 0.15 };
    let observations = subjects
        .iter()
        .map(|subject| {
            let only = Some(Placement::Line(crate::base::Phase::LINES[subject.line]));
            if alone && test.placement != only {
                return None;
            }
            let response = measured.responses.get(subject.channel)?.as_ref()?;
            let active = combine(&[response.active_standard(), 0.02 * size]);
            let reactive = response.reactive.zip(response.reactive_standard()).map(|(step, standard)| {
                (step.value, combine(&[standard, blur * size.max(step.value.abs())]))
            });
            Some(Observation { active: (response.active.value, active), reactive })
        })
        .collect();
    Trial {
        placement: test.placement,
        load: (draw.active_w, draw.reactive_var),
        load_spread: draw.spread,
        observations,
        fell,
    }
}

/// Whether a test tells of this subject's own phase.
fn is_own(test: &Weighed<'_>, subject: &Subject, alone: bool) -> bool {
    match test.placement {
        Some(placement @ Placement::Line(_)) => draws_in(placement, subject.line),
        Some(placement) => !alone && draws_in(placement, subject.line),
        None => {
            !alone
                && test
                    .measured
                    .fallen()
                    .map_or_else(|| moves_most(test, subject), |line| line == subject.line)
        }
    }
}

/// How much of a load this subject's channel shows.
fn moved(test: &Weighed<'_>, subject: &Subject) -> f64 {
    test.measured.responses.get(subject.channel).copied().flatten().map_or(0.0, |response| {
        libm::hypot(response.active.value, response.reactive.unwrap_or_default().value)
            / test.measured.draw.apparent_va().max(1.0)
    })
}

/// A channel that shows less than this of a load of unknown place is not told to be moved by it (ours).
const MOVES: f64 = 0.2;

fn moves_most(test: &Weighed<'_>, subject: &Subject) -> bool {
    let own = moved(test, subject);
    let others = (0..test.measured.responses.len()).filter(|channel| *channel != subject.channel);
    own > MOVES
        && others.into_iter().all(|channel| moved(test, &Subject { channel, line: subject.line }) < own)
}

fn one(
    lines: usize,
    subject: &Subject,
    alone: bool,
    tests: &[Weighed<'_>],
    posterior: &ChannelPosterior,
) -> Decision {
    let own: Vec<usize> = (0..tests.len()).filter(|index| is_own(&tests[*index], subject, alone)).collect();
    let counts = |index: &usize| tests[*index].trust == Trust::Good;
    let tested = own.iter().any(counts);
    let right = posterior.of(|connection| connection.is_right(subject.line));
    let wrong = 1.0 - right - posterior.strange - posterior.mislabelled;
    let senses = sensed(lines, posterior);
    let reversed = posterior.of(|connection| connection.reversed && connection.conductors != 0);
    let forward = posterior.of(|connection| !connection.reversed && connection.conductors != 0);
    let claim = posterior.strange.max(posterior.mislabelled);
    // The load on the phase it senses, where that is another.
    let encloses = posterior.best().map_or(0, |best| best.conductors);
    let seen_on: Vec<usize> = if wrong > SURE && encloses != 0 && encloses & (1 << subject.line) == 0 {
        let reached = |place| (0..lines).any(|line| encloses & (1 << line) != 0 && draws_in(place, line));
        (0..tests.len())
            .filter(|index| match tests[*index].placement {
                Some(place) => reached(place),
                None => moved(&tests[*index], subject) > MOVES,
            })
            .collect()
    } else {
        own.clone()
    };
    let mut decision = Decision {
        status: Status::Untested,
        faults: Vec::new(),
        senses: None,
        sign: None,
        gain: None,
        confidence: 0.0,
        pairs: 0,
        against: 0,
        told_by: seen_on.iter().copied().filter(|index| counts(index)).collect(),
        shown: best_of(&seen_on, tests, subject).or_else(|| best_of(&own, tests, subject)),
        why: Why::Clear,
    };
    for index in &decision.told_by {
        if let Some(response) = &tests[*index].measured.responses[subject.channel] {
            decision.pairs += response.pairs;
            decision.against += response.against;
        }
    }
    decision.gain = decision.shown.and_then(|index| gain(lines, tests, index, subject, posterior));
    if right > SURE && tested {
        decision.status = Status::Correct;
        decision.confidence = right;
        decision.senses = Some(subject.line);
        decision.sign = Some(1);
        return ratio(decision, idle(tests));
    }
    // What is right in all but its ratio is wrong too.
    let off = decision.gain.is_some_and(|(gain, gain_u)| is_outside(gain, gain_u));
    let ratio_only = if off && tested { right } else { 0.0 };
    if wrong + ratio_only > SURE {
        decision.confidence = wrong + ratio_only;
        decision.senses = senses;
        decision.sign =
            [(reversed, -1), (forward, 1)].iter().find(|(p, _)| *p > STATED).map(|(_, sign)| *sign);
        return faulty(decision, subject, posterior, tests, ratio_only);
    }
    decision.why = why_open(&own, tests, posterior);
    if tested || !own.is_empty() {
        decision.status = Status::Ambiguous;
        decision.confidence = claim.max(right).max(wrong);
    }
    decision
}

fn why_open(own: &[usize], tests: &[Weighed<'_>], posterior: &ChannelPosterior) -> Why {
    if !own.is_empty() && own.iter().all(|index| tests[*index].trust != Trust::Good) {
        Why::NoTrust
    } else if posterior.strange > 0.5 {
        Why::Strange
    } else if posterior.mislabelled > 0.2 {
        Why::Labels
    } else {
        Why::Several
    }
}

/// The line a CT encloses, where that is sure enough to be said.
fn sensed(lines: usize, posterior: &ChannelPosterior) -> Option<usize> {
    (0..lines).find(|line| posterior.of(|connection| connection.senses() == Some(*line)) > STATED)
}

/// The lines on which a load that counts was switched, as bits.
fn tested_lines(tests: &[Weighed<'_>]) -> u8 {
    let placements = tests.iter().filter(|test| test.trust == Trust::Good).map(|test| test.placement);
    placements.flatten().fold(0, |bits, placement| {
        (0..3).fold(bits, |bits, line| if draws_in(placement, line) { bits | 1 << line } else { bits })
    })
}

/// Names the faults of a channel that is surely wrong.
fn faulty(
    mut decision: Decision,
    subject: &Subject,
    posterior: &ChannelPosterior,
    tests: &[Weighed<'_>],
    ratio_only: f64,
) -> Decision {
    let share = |p: f64| p / decision.confidence;
    let reversed = posterior.of(|connection| connection.reversed && connection.conductors != 0);
    // No response on any line tested: on none, or on one that was not.
    let on_tested = tested_lines(tests);
    let dead = posterior.of(|connection| connection.conductors & on_tested == 0);
    let other = posterior.of(|connection| {
        connection.conductors & on_tested != 0
            && (connection.conductors != 1 << subject.line || connection.voltage_line != subject.line)
    });
    let ways = [
        (reversed, CtFault::Reversed),
        (other, CtFault::OtherPhase),
        (dead, CtFault::NoResponse),
        (ratio_only, CtFault::WrongRatio),
    ];
    let named = ways.iter().filter(|(p, _)| share(*p) > NAMED).map(|(_, fault)| *fault);
    let named: Vec<CtFault> = named.collect();
    decision.faults = named;
    decision.status = Status::Faulty;
    if decision.faults.is_empty() {
        decision.status = Status::Ambiguous;
        decision.why = Why::Several;
        return decision;
    }
    if decision.faults.contains(&CtFault::NoResponse) {
        decision.sign = None;
    }
    let hidden = |fault: &CtFault| matches!(fault, CtFault::OtherPhase | CtFault::NoResponse);
    let idle = idle(tests);
    let off = decision.gain.is_some_and(|(gain, _)| !(GAIN_FROM..=GAIN_TO).contains(&gain));
    if (decision.faults.iter().any(hidden) || off) && !idle {
        decision.status = Status::Ambiguous;
        decision.faults.clear();
        decision.why = Why::PlantActive;
        return decision;
    }
    if let Some((gain, gain_u)) = decision.gain
        && !decision.faults.contains(&CtFault::NoResponse)
        && !decision.faults.contains(&CtFault::WrongRatio)
        && is_outside(gain, gain_u)
        && idle
    {
        decision.faults.push(CtFault::WrongRatio);
    }
    decision
}

/// Whether the plant was idle in every test: a control that shows itself once is not trusted in the others.
fn idle(tests: &[Weighed<'_>]) -> bool {
    tests.iter().all(|test| test.idle)
}

/// Of several loads in the right place the one with the most agreeing pairs, then the strongest.
fn best_of(list: &[usize], tests: &[Weighed<'_>], subject: &Subject) -> Option<usize> {
    let key = |index: &usize| {
        let test = &tests[*index];
        let pairs = test.measured.responses[subject.channel].as_ref().map_or(0, |response| response.pairs);
        (test.trust == Trust::Good, pairs.min(PAIRS), test.measured.draw.active_w)
    };
    list.iter().copied().filter(|index| tests[*index].measured.responses[subject.channel].is_some()).max_by(
        |one, other| {
            let (a, b) = (key(one), key(other));
            (a.0, a.1).cmp(&(b.0, b.1)).then(a.2.total_cmp(&b.2)).then(other.cmp(one))
        },
    )
}
