//! A live run as the commands see it: lines opened by the options, records into the pipeline, trouble told in words.

use std::path::PathBuf;

use super::args::LiveArgs;
use super::earlier::Earlier;
use super::out::Out;
pub(crate) use super::purpose::Purpose;
use super::source::SetUp;
use crate::base::{Failure, Span, Stamp};
use crate::pipeline::Pipeline;
use crate::profile::{Door, Profile, Site, plan};
use crate::record::{Mark, Record};
use crate::rim::{Asking, ClosedCapture, Event, Session, SessionPlan, Talk};

/// The turnaround that the fastest schedule is reckoned with before a meter has shown its own. Ours.
const TURNAROUND: Span = Span::from_millis(30);
/// Schedules are whole multiples of this, so that a log of one second stays on the second. Ours.
const STEP: Span = Span::from_millis(50);

/// A running session.
#[derive(Debug)]
pub(crate) struct Watching {
    /// The lines.
    pub(crate) session: Session,
    /// How often every meter is read; `None` when only listening, or as fast as the line carries.
    pub(crate) every: Option<Span>,
}

/// A running session with its pipeline, for whatever needs the case.
#[derive(Debug)]
pub(crate) struct Live {
    watching: Watching,
    /// What came of the records.
    pub(crate) pipeline: Pipeline,
}

/// What happened that a command has to do something about.
#[derive(Debug)]
pub(crate) enum Step {
    /// The deadline has come.
    Tick,
    /// Records came, and went into the pipeline.
    Records(Vec<Record>),
    /// The person typed this.
    Line(String),
    /// Standard input was closed.
    InputEnd,
    /// Ctrl-C.
    Interrupt,
    /// All cycles that were to be asked have been.
    Done,
}

/// A step, or what became of a line.
#[derive(Debug)]
pub(crate) enum Turn {
    /// A step.
    Step(Step),
    /// This line is lost; it is waited for.
    Lost(String),
    /// This line is back.
    Back(String),
    /// Something went wrong, and the recording goes on.
    Trouble(Failure),
}

impl Watching {
    /// Opens the lines and says what is about to happen.
    ///
    /// # Errors
    /// As `Session::start`.
    pub(crate) fn begin(
        set_up: SetUp,
        args: &LiveArgs,
        purpose: Purpose<'_>,
        out: &Out,
    ) -> Result<Self, Failure> {
        for faults in &set_up.warnings {
            out.note(&super::render::faults(faults, out));
        }
        let SetUp { site, profiles, .. } = set_up;
        let mut meters =
            if purpose.meters.is_empty() { (0..site.meters.len()).collect() } else { purpose.meters };
        if args.listen {
            meters = passive(&site, meters, out)?;
        }
        let every = args.every.or_else(|| fastest(&site, &profiles, &meters));
        let talk = if args.listen {
            Talk::Listen
        } else {
            Talk::Ask(Asking {
                every,
                cycles: purpose.cycles,
                listen_first: args.listen_first,
                share_line: args.share_line,
                settings: purpose.settings,
            })
        };
        let keep = purpose.evidence || args.capture.is_some();
        let capture = args.capture.clone().unwrap_or_else(|| match purpose.segments {
            // A series goes on under its own name when the log is started again.
            Some(_) => PathBuf::from(purpose.name),
            None => free_name(purpose.name),
        });
        let plan = SessionPlan { site, profiles, meters, talk, capture, keyboard: purpose.keyboard };
        announce(&plan, out);
        let session = match (keep, purpose.segments) {
            (true, Some(series)) => Session::start_segments(&plan, series)?,
            (true, None) => Session::start(&plan)?,
            (false, _) => Session::start_unkept(&plan)?,
        };
        Ok(Self { session, every: if args.listen { None } else { every } })
    }

    /// The session's time now.
    pub(crate) fn now(&self) -> Stamp {
        self.session.now()
    }

    /// What happens next, at the latest the deadline. Lost lines are told here, and never come out.
    ///
    /// # Errors
    /// Another master was heard, or the session cannot go on; what was recorded is kept and named.
    pub(crate) fn next(&mut self, deadline: Stamp, out: &Out) -> Result<Step, Failure> {
        loop {
            match self.turn(deadline)? {
                Turn::Lost(line) => {
                    out.error(&format!("{line} is lost; waiting for it to come back (Ctrl-C to stop)"));
                }
                Turn::Back(line) => out.error(&format!("{line} is back")),
                Turn::Trouble(failure) => out.error(&format!("note: {failure}")),
                Turn::Step(step) => return Ok(step),
            }
        }
    }

    /// As `next`, with its errors, and says nothing: lost lines come out.
    pub(crate) fn turn(&mut self, deadline: Stamp) -> Result<Turn, Failure> {
        Ok(Turn::Step(match self.session.next(deadline) {
            Event::Tick => Step::Tick,
            Event::Line(line) => Step::Line(line),
            Event::InputEnd => Step::InputEnd,
            Event::Interrupt => Step::Interrupt,
            Event::Done => Step::Done,
            Event::Records(records) => Step::Records(records),
            Event::LineLost(line) => return Ok(Turn::Lost(line)),
            Event::LineBack(line) => return Ok(Turn::Back(line)),
            Event::Trouble(failure) => return Ok(Turn::Trouble(failure)),
            Event::Refused { line, heard } => {
                let failure = Failure::nothing(format!("{line} is in use: {heard}"));
                return Err(self.with_capture(failure).hint(
                    "two masters spoil each other's answers and can blind an inverter: `--listen` reads what the \
                     other master gets without sending a byte; `--share-line` asks all the same, and no check passes",
                ));
            }
            Event::Failed(failure) => return Err(self.with_capture(failure)),
        }))
    }

    fn with_capture(&self, mut failure: Failure) -> Failure {
        if let Some(path) = self.session.path() {
            failure.message = format!("{}; what was recorded is in {}", failure.message, path.display());
        }
        failure
    }

    /// Stops asking; gives what happened meanwhile.
    pub(crate) fn stop(&mut self) -> Vec<Record> {
        self.session.stop();
        let now = self.session.now();
        let mut last = Vec::new();
        loop {
            match self.session.next(now) {
                Event::Records(records) => last.extend(records),
                Event::Tick | Event::Failed(_) => return last,
                _ => {}
            }
        }
    }

    /// Stops and closes the capture, where one is kept; gives what happened meanwhile.
    ///
    /// # Errors
    /// The disk did not take all of it.
    pub(crate) fn close(mut self) -> Result<(Vec<Record>, Option<ClosedCapture>), Failure> {
        let last = self.stop();
        let kept = self.session.path().is_some();
        let closed = self.session.close();
        Ok((last, if kept { Some(closed?) } else { None }))
    }
}

impl Live {
    /// Opens the lines and says what is about to happen.
    ///
    /// # Errors
    /// As `Session::start`.
    pub(crate) fn begin(
        set_up: SetUp,
        args: &LiveArgs,
        purpose: Purpose<'_>,
        out: &Out,
    ) -> Result<Self, Failure> {
        Self::begin_after(Earlier::default(), set_up, args, purpose, out)
    }

    /// The same, going on with what was recorded earlier.
    ///
    /// # Errors
    /// As `Session::start`.
    pub(crate) fn begin_after(
        earlier: Earlier,
        set_up: SetUp,
        args: &LiveArgs,
        purpose: Purpose<'_>,
        out: &Out,
    ) -> Result<Self, Failure> {
        let (site, profiles) = (set_up.site.clone(), set_up.profiles.clone());
        let watching = Watching::begin(set_up, args, purpose, out)?;
        let (lines, records) = earlier.beside(watching.session.lines());
        let mut pipeline = Pipeline::new(site, profiles, &lines);
        for record in &records {
            pipeline.push(record);
        }
        Ok(Self { watching, pipeline })
    }

    /// The session's time now.
    pub(crate) fn now(&self) -> Stamp {
        self.watching.now()
    }

    /// Where the evidence goes, where it is kept.
    pub(crate) fn path(&self) -> Option<&std::path::Path> {
        self.watching.session.path()
    }

    /// How often every meter is read; `None` when only listening.
    pub(crate) fn every(&self) -> Option<Span> {
        self.watching.every
    }

    /// As `Watching::next`; records have gone into the pipeline when they come out.
    ///
    /// # Errors
    /// Another master was heard, or the session cannot go on; what was recorded is kept and named.
    pub(crate) fn next(&mut self, deadline: Stamp, out: &Out) -> Result<Step, Failure> {
        let step = self.watching.next(deadline, out)?;
        if let Step::Records(records) = &step {
            for record in records {
                self.pipeline.push(record);
            }
        }
        Ok(step)
    }

    /// Writes a mark.
    pub(crate) fn mark(&self, mark: Mark) {
        self.watching.session.mark(mark);
    }

    /// Stops asking, reads the settings once more where that was wanted, and takes what happened meanwhile into the
    /// pipeline. Marks can still be written.
    pub(crate) fn stop(&mut self) {
        let last = self.watching.stop();
        for record in &last {
            self.pipeline.push(record);
        }
    }

    /// Stops, closes the capture, and gives it (where one is kept) with the pipeline.
    ///
    /// # Errors
    /// The disk did not take all of it.
    pub(crate) fn close(mut self) -> Result<(Option<ClosedCapture>, Pipeline), Failure> {
        self.stop();
        let (last, closed) = self.watching.close()?;
        for record in &last {
            self.pipeline.push(record);
        }
        Ok((closed, self.pipeline))
    }
}

/// As fast as the meters renew their values, within what each line carries with a tenth to spare.
pub(crate) fn fastest(site: &Site, profiles: &[Profile], meters: &[usize]) -> Option<Span> {
    let chosen: Vec<_> =
        meters.iter().filter_map(|&index| Some((site.meters.get(index)?, profiles.get(index)?))).collect();
    let renewed = |profile: &Profile| {
        let update = profile.points.iter().map(|point| profile.update_of(point)).min();
        update.unwrap_or(profile.read.update).max(STEP)
    };
    let wanted = chosen.iter().map(|(_, profile)| renewed(profile)).min()?;
    let mut lines: Vec<(&Door, Span)> = Vec::new();
    for (meter, profile) in &chosen {
        let settings = meter.line.settings(profile.line);
        let time = plan(profile, site.lines(), settings, TURNAROUND).line_time;
        match lines.iter_mut().find(|(door, _)| *door == &meter.line.door) {
            Some((_, sum)) => *sum = *sum + time,
            None => lines.push((&meter.line.door, time)),
        }
    }
    let carried = lines.iter().map(|(_, time)| *time + Span::from_nanos(time.nanos() / 10)).max()?;
    Some(rounded_up(wanted.max(carried)))
}

/// The meters whose lines can be listened to: a Modbus TCP connection carries only what its own client asks.
///
/// # Errors
/// There is none.
pub(crate) fn passive(site: &Site, meters: Vec<usize>, out: &Out) -> Result<Vec<usize>, Failure> {
    let on_tcp =
        |index: &usize| site.meters.get(*index).filter(|meter| matches!(meter.line.door, Door::Tcp(_)));
    let (deaf, heard): (Vec<usize>, Vec<usize>) =
        meters.into_iter().partition(|index| on_tcp(index).is_some());
    if heard.is_empty() {
        return Err(no_bus());
    }
    for meter in deaf.iter().filter_map(on_tcp) {
        out.error(&format!(
            "note: `{}` hangs on Modbus TCP, which cannot be listened to: left out",
            meter.name
        ));
    }
    Ok(heard)
}

/// Nobody can be listened to.
pub(crate) fn no_bus() -> Failure {
    Failure::usage(
        "a Modbus TCP connection carries only what its own client asks: there is nobody to listen to",
    )
    .hint("record the network with a general tool and give the file to --from")
}

fn rounded_up(span: Span) -> Span {
    let steps = (span.nanos() + STEP.nanos() - 1).div_euclid(STEP.nanos());
    STEP * steps.max(1)
}

/// What a person should know before the first byte leaves.
fn announce(plan: &SessionPlan, out: &Out) {
    let Talk::Ask(asking) = plan.talk else {
        out.note("only listening: not a byte is sent");
        return;
    };
    let serial = plan.meters.iter().filter_map(|&index| plan.site.meters.get(index));
    if serial.clone().any(|meter| !matches!(meter.line.door, Door::Tcp(_))) {
        out.note(&format!("listening {} for another master before the first request", asking.listen_first));
    }
    if asking.share_line {
        out.error(
            "caution: asking although another master may be on this line. It can blind the inverter that steers by \
             this meter, and no check made so passes",
        );
    } else if serial.clone().any(|meter| !matches!(meter.line.door, Door::Serial(_))) {
        out.note("many gateways allow one connection only: this one may take the line from an inverter");
    }
}

/// A name that does not exist yet: the purpose and the UTC time.
fn free_name(name: &str) -> PathBuf {
    let now =
        crate::rim::clock::Clock::start().now().rfc3339(0).replace(['-', ':', 'Z'], "").replace('T', "-");
    let first = PathBuf::from(format!("{name}-{now}.pcapng"));
    let others = (2..1000).map(|number| PathBuf::from(format!("{name}-{now}-{number}.pcapng")));
    // Should all be taken, starting the session says so.
    std::iter::once(first.clone()).chain(others).find(|path| !path.exists()).unwrap_or(first)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::{parse_profile, parse_site};

    #[test]
    fn the_schedule_is_the_meters_pace_and_no_faster_than_the_line() {
        let profile = |baud: u32, update: u32| {
            let text = format!(
                "[profile]\nname = \"x\"\n[line]\nbaud = {baud}\n[read]\nupdate_ms = {update}\n[defaults]\n\
                 table = \"input\"\ntype = \"f32\"\npositive = \"import\"\n[points.voltage]\n\
                 each = {{ address = 0, stride = 40 }}\n"
            );
            parse_profile("x.toml", &text).expect("profile").0
        };
        let site = "[[meter]]\nprofile = \"x.toml\"\nline = { serial = \"/dev/x\" }\n";
        let (site, _) = parse_site("site.toml", site).expect("site");
        let every = |baud, update| fastest(&site, &[profile(baud, update)], &[0]);
        assert_eq!(every(115_200, 1000), Some(Span::from_millis(1000)));
        assert_eq!(every(115_200, 180), Some(Span::from_millis(200)));
        // At 1200 8N1 even the shortest reading, 8 + 9 characters for each phase, takes longer than 200 ms.
        assert!(every(1200, 200).is_some_and(|every| every >= Span::from_millis(400)));
    }
}
