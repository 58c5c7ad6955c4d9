//! What the finding says to the person at the panel.

use super::body::{CtFault, Status};
use super::decide::{Decision, PAIRS, Trust, Weighed, Why};
use super::measure::Measured;
use crate::base::Phase;
use crate::profile::{Meter, Placement};

/// Factors a wrong ratio usually is, with the question to ask: secondary, primary or turns entered wrongly (common practice).
const FACTORS: [(f64, &str); 14] = [
    (0.1, "is the ratio entered a tenth of the CT's?"),
    (0.2, "is the meter set to 100/5 for a 500/5 CT, or to a 5 A secondary for a 1 A one?"),
    (0.25, "is the ratio entered a quarter of the CT's?"),
    (1.0 / 3.0, "is the meter set to one phase, or the ratio a third of the CT's?"),
    (0.4, "is the meter set to 100/5 for a 250/5 CT?"),
    (0.5, "is the meter set to half the CT's ratio, as 100/5 for 200/5?"),
    (2.0 / 3.0, "is the meter set to 100/5 for a 150/5 CT?"),
    (1.5, "is the meter set to 150/5 for a 100/5 CT?"),
    (2.0, "does the conductor pass the CT twice, or is the meter set to 200/5 for a 100/5 CT?"),
    (2.5, "is the meter set to 250/5 for a 100/5 CT?"),
    (3.0, "does the conductor pass the CT three times, or is the ratio three times the CT's?"),
    (4.0, "is the ratio entered four times the CT's?"),
    (5.0, "is the meter set to 500/5 for a 100/5 CT, or to a 1 A secondary for a 5 A one?"),
    (10.0, "is the ratio entered ten times the CT's?"),
];

/// The question a gain raises.
pub(super) fn ratio_question(gain: f64) -> &'static str {
    let far = |factor: f64| libm::log(gain.max(1e-6) / factor).abs();
    FACTORS
        .iter()
        .min_by(|one, other| far(one.0).total_cmp(&far(other.0)))
        .filter(|(factor, _)| far(*factor) < 0.14)
        .map_or(
            "does the ratio set in the meter match the CTs, and is the CT quite shut?",
            |(_, question)| question,
        )
}

/// Name of a placement for people.
pub(super) fn place(placement: Option<Placement>) -> String {
    placement.map_or_else(|| "a phase nobody knows".to_owned(), |placement| placement.word().to_owned())
}

/// The sentences on one channel (or one phase of a total).
pub(super) fn subject(name: &str, decision: &Decision, tests: &[Weighed<'_>]) -> Vec<String> {
    let measured = decision.shown.map(|index| tests[index].measured);
    match decision.status {
        Status::Correct => correct(name, decision, measured),
        Status::Faulty => {
            decision.faults.iter().map(|fault| faulty(name, *fault, decision, measured)).collect()
        }
        Status::Untested => vec![format!("{name} is untested: no load was switched on its phase.")],
        Status::Ambiguous => vec![open(name, decision)],
    }
}

fn correct(name: &str, decision: &Decision, measured: Option<&Measured>) -> Vec<String> {
    let gain = decision
        .gain
        .map_or_else(String::new, |(gain, gain_u)| format!(", {gain:.2} ± {gain_u:.2} of what it draws"));
    let load = measured.map_or("load", |measured| measured.test.load.name.as_str());
    vec![format!(
        "{name} sees the {load} on its own phase, the right way round{gain}, in {} pairs.",
        decision.pairs
    )]
}

fn faulty(name: &str, fault: CtFault, decision: &Decision, measured: Option<&Measured>) -> String {
    let load = measured.map_or("load", |measured| measured.test.load.name.as_str());
    match fault {
        CtFault::Reversed if decision.faults.contains(&CtFault::OtherPhase) => {
            format!("{name} also counts the wrong way round for the phase it senses.")
        }
        CtFault::Reversed => format!("{name} counts the wrong way: the {load} coming on made it fall."),
        CtFault::OtherPhase => match decision.senses {
            Some(line) => format!(
                "{name} takes its voltage from one phase and its current from another: the current is that of {}.",
                Phase::LINES[line]
            ),
            None => format!(
                "{name} takes its voltage from one phase and its current from another, or from several."
            ),
        },
        CtFault::NoResponse => format!(
            "{name} does not move when the {load} runs: its CT is on no conductor tested, open, unplugged, or behind a branch that the load is not on."
        ),
        CtFault::WrongRatio => {
            let (gain, gain_u) = decision.gain.unwrap_or((0.0, 0.0));
            format!("{name} reads {gain:.2} ± {gain_u:.2} of the load: {}", ratio_question(gain))
        }
    }
}

fn open(name: &str, decision: &Decision) -> String {
    let why = match decision.why {
        Why::PlantActive => {
            "the plant was not shown idle, and a battery that answers the step hides or mirrors it"
        }
        Why::Unnamed => {
            "something answers the load and may hide or mirror it, and the site file names no plant"
        }
        Why::GainOpen => "its gain lies outside 0.8 to 1.25, and its uncertainty reaches inside",
        Why::CommonFactor => "all channels are off by one factor, which can be the load as well as the ratio",
        Why::Level => {
            "its power has, with the plant idle, the sign of export, and its steps say otherwise: marks the wrong way round, or a plant nobody named"
        }
        Why::LoadsApart => "two loads give it two gains, so the power of one of them is not what is stated",
        Why::GainsApart => {
            "the same load moves another channel by another share of itself, so one of them is wrong"
        }
        Why::Several | Why::Clear => "several connections fit what it did",
        Why::Labels => "the loads may stand on other phases than they are marked as",
        Why::Strange => {
            "it did what no connection of one load explains: a CT not quite shut, or another load in step with the marks"
        }
        Why::SignUnknown => {
            "nothing shows that its power can go negative, and a meter without a sign reads a reversed CT as a right one"
        }
        Why::FewPairs => "too few on/off pairs agree",
        Why::NoTrust => "the switchings on its phase cannot be used",
        Why::UntriedSince => {
            "the check was left and gone on with, and nothing shows that what was seen of it before still holds"
        }
        Why::BlurredSince => {
            "the check was left and gone on with, and its step since is too poorly known to be called the same as before"
        }
        Why::OtherwiseSince => {
            "the load moves it otherwise since the check was left and gone on with: something was changed meanwhile"
        }
    };
    format!("{name} is open: {why}.")
}

/// Sentences on loads that could not be used.
pub(super) fn distrust(test: &Weighed<'_>) -> Option<String> {
    let load = &test.measured.test.load.name;
    let place = place(test.measured.test.placement);
    match test.trust {
        Trust::Good => None,
        Trust::NotRun => Some(format!(
            "Nothing moved when the {load} on {place} was marked, and nothing shows that it ran."
        )),
        Trust::Chance => Some(format!("What moved with the {load} on {place} may have done so by chance.")),
        Trust::Contradicted => Some(format!(
            "The marks of the {load} on {place} contradict the voltage, which falls when a load comes on."
        )),
        Trust::Answered => Some(match test.measured.consensus.answer {
            Some(answer) => {
                format!("The step of the {load} on {place} was compensated after {:.1} s.", answer.after_s)
            }
            None if test.measured.consensus.found => {
                format!(
                    "With the {load} on {place} something else changed by as much: which change was the load's can't be told."
                )
            }
            None => format!(
                "Nothing moved for long with the {load} on {place}; with a plant that may answer, that shows nothing."
            ),
        }),
    }
}

/// What would settle a load that could not be used.
pub(super) fn retry(test: &Weighed<'_>) -> Option<String> {
    let load = &test.measured.test.load.name;
    let place = place(test.measured.test.placement);
    match test.trust {
        Trust::Good => None,
        Trust::NotRun => Some(format!(
            "Switch the {load} on {place} again and see that it runs; a voltage point in the profile or a value read off a clamp meter (a `seen` mark) shows it."
        )),
        Trust::Chance => {
            Some(format!("Switch the {load} on {place} at least {PAIRS} times more, at irregular intervals."))
        }
        Trust::Contradicted => {
            Some(format!("Mark the {load} on {place} again: `on` when it comes on, `off` when it goes off."))
        }
        Trust::Answered => Some("Pause the battery and the generation for this test.".to_owned()),
    }
}

/// What would settle an open channel.
pub(super) fn next(
    name: &str,
    line: Phase,
    decision: &Decision,
    lines: usize,
    tested: &[Phase],
) -> Vec<String> {
    let missing: Vec<&str> = Phase::LINES[..lines]
        .iter()
        .filter(|phase| !tested.contains(phase))
        .map(|phase| phase.word())
        .collect();
    match (decision.status, decision.why) {
        (Status::Untested, _) => vec![format!("Switch a known load on {line} on and off {PAIRS} times.")],
        (Status::Ambiguous, Why::PlantActive) => {
            vec!["Pause the battery and the generation for this test (mark `plant-off`), then switch the load again.".to_owned()]
        }
        (Status::Ambiguous, Why::Unnamed) => {
            vec!["Find what answers the load (a battery, a controlled heater), pause it, and name a plant in the site file.".to_owned()]
        }
        (Status::Ambiguous, Why::GainOpen) => {
            vec![format!(
                "Settle the gain of {name}: use a load whose power is known better, or read the voltage."
            )]
        }
        (Status::Ambiguous, Why::CommonFactor) => {
            vec![format!(
                "Switch a second load of another power on {line}: it tells a wrong ratio from a wrong figure for the load."
            )]
        }
        (Status::Ambiguous, Why::Level) => vec![
            "Check that each mark says what the load did, and name every plant in the site file, then test again.".to_owned(),
        ],
        (Status::Ambiguous, Why::LoadsApart) => vec![format!(
            "Measure what the loads draw, or switch a third one on {line}: two of three tell which figure is wrong."
        )],
        (Status::Ambiguous, Why::GainsApart) => vec![
            "Switch one load on each phase in turn, at the same voltage, and look at ratios and at what each CT encloses.".to_owned(),
        ],
        (Status::Ambiguous, Why::Several) if !missing.is_empty() => {
            vec![format!(
                "Switch the load on {}: the placement tells the connections of {name} apart.",
                missing.join(" and ")
            )]
        }
        (Status::Ambiguous, Why::Several | Why::Labels) => vec![format!(
            "Make sure which phase each socket is on, and read voltage and reactive power if the meter has them: they tell the connections of {name} apart."
        )],
        (Status::Ambiguous, Why::Strange) => vec![format!(
            "Look whether the CT of {name} is quite shut and on one conductor, then switch a plain heater {PAIRS} times with nothing else switching."
        )],
        (Status::Ambiguous, Why::UntriedSince) => {
            vec![format!("Switch the load on {line} on and off once more.")]
        }
        (Status::Ambiguous, Why::BlurredSince) => {
            vec![format!("Switch the load on {line} on and off again while little else switches.")]
        }
        (Status::Ambiguous, Why::OtherwiseSince) => {
            vec!["Begin a new check: the two parts of this one are not of one installation.".to_owned()]
        }
        (Status::Ambiguous | Status::Correct | Status::Faulty, Why::FewPairs) => {
            vec![format!("Switch the load on {line} on and off until {PAIRS} pairs agree.")]
        }
        _ => Vec::new(),
    }
}

/// What to do about faults, with the caution that goes with it.
pub(super) fn mend(meter: &Meter, reversed: bool, other: bool) -> Vec<String> {
    let mut list = Vec::new();
    if reversed {
        list.push("Correct the clamp or the setting in the meter, never both, then test again.".to_owned());
    } else if other {
        list.push(
            "Move the CT or the voltage lead to its own phase, one of them and not both, then test again."
                .to_owned(),
        );
    } else {
        list.push("Correct one thing at a time, then test again.".to_owned());
    }
    if meter.ct_class.is_some() || meter.ct_primary_a.is_some() || meter.ct_ratio.is_some() {
        list.push(
            "Caution: a licensed person shorts the secondary of a 1 A or 5 A CT before it is opened; under load it carries a dangerous voltage."
                .to_owned(),
        );
    }
    list
}
