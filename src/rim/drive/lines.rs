//! From meters to lines: meters behind the same door hang on one line and share one master.

use super::super::pump::{LinePlan, medium};
use super::super::serial::SerialOptions;
use super::{Asking, SessionPlan, Talk};
use crate::base::{Failure, Span};
use crate::link::{MasterPlan, Question, TimeoutBounds, UnitPlan};
use crate::profile::{Meter, Profile, Registers, SerialSettings, Table, plan as requests};
use crate::wire::Request;

/// What to open, and what is asked of each line when the session ends.
pub(super) struct Lines {
    pub(super) plans: Vec<LinePlan>,
    /// By line; empty when only listening.
    pub(super) last: Vec<Vec<Question>>,
}

/// The turnaround that requests are planned with before a meter has shown its own. Ours.
const TURNAROUND: Span = Span::from_millis(30);

pub(super) fn plan(session: &SessionPlan) -> Result<Lines, Failure> {
    let mut lines = Lines { plans: Vec::new(), last: Vec::new() };
    for &index in &session.meters {
        let (Some(meter), Some(profile)) = (session.site.meters.get(index), session.profiles.get(index))
        else {
            return Err(Failure::usage(format!("the site has no meter number {index}")));
        };
        let settings = meter.line.settings(profile.line);
        let known = lines.plans.iter().position(|line| line.door == meter.line.door);
        let line = known.unwrap_or(lines.plans.len());
        if known.is_none() {
            lines.plans.push(open_plan(session, meter, settings, line));
            if let Talk::Ask(_) = session.talk {
                lines.last.push(Vec::new());
            }
        }
        if let (Some(master), Talk::Ask(asking)) = (&mut lines.plans[line].master, &session.talk) {
            let questions = session_questions(session, meter, profile, settings)?;
            add_unit(master, &questions.every, profile);
            if asking.settings {
                master.once.extend(&questions.settings);
                lines.last[line].extend(&questions.settings);
            }
        }
    }
    Ok(lines)
}

fn open_plan(session: &SessionPlan, meter: &Meter, settings: SerialSettings, index: usize) -> LinePlan {
    let door = meter.line.door.clone();
    let master = match session.talk {
        Talk::Listen => None,
        Talk::Ask(asking) => Some(master_plan(asking, medium(&door), settings)),
    };
    LinePlan {
        index: index as u16,
        options: SerialOptions { settings, direction: meter.line.direction, listen_only: master.is_none() },
        door,
        master,
    }
}

fn master_plan(asking: Asking, medium: crate::record::Medium, settings: SerialSettings) -> MasterPlan {
    MasterPlan {
        medium,
        settings,
        // The line says it when it is open.
        latency: Span::ZERO,
        units: Vec::new(),
        once: Vec::new(),
        every: asking.every,
        cycles: asking.cycles,
        attempts: 2,
        listen_first: asking.listen_first,
        share_line: asking.share_line,
        bounds: TimeoutBounds::default(),
        earlier: None,
    }
}

/// What one meter is asked.
struct Questions {
    every: Vec<Question>,
    settings: Vec<Question>,
}

fn session_questions(
    session: &SessionPlan,
    meter: &Meter,
    profile: &Profile,
    settings: SerialSettings,
) -> Result<Questions, Failure> {
    let unit = meter.unit.unwrap_or(profile.unit);
    let ask = |all: Vec<Registers>| -> Result<Vec<Question>, Failure> {
        all.into_iter()
            .map(|registers| {
                let request = match registers.table {
                    Table::Input => Request::read_input(registers.address, registers.count),
                    Table::Holding => Request::read_holding(registers.address, registers.count),
                };
                let request = request.map_err(|bad| Failure::usage(format!("{}: {bad}", meter.name)))?;
                Ok(Question { unit, request })
            })
            .collect()
    };
    Ok(Questions {
        every: ask(requests::plan(profile, session.site.lines(), settings, TURNAROUND).requests)?,
        settings: ask(requests::plan_settings(profile, settings, TURNAROUND).requests)?,
    })
}

/// Two meters of one unit address are one unit with two lists of questions.
fn add_unit(master: &mut MasterPlan, questions: &[Question], profile: &Profile) {
    let Some(unit) = questions.first().map(|question| question.unit) else { return };
    let asked = questions.iter().map(|question| question.request);
    match master.units.iter_mut().find(|known| known.unit == unit) {
        Some(known) => {
            known.questions.extend(asked);
            known.pause = known.pause.max(profile.read.pause);
        }
        None => master.units.push(UnitPlan { unit, questions: asked.collect(), pause: profile.read.pause }),
    }
}
