//! A simulated site in real time: its meters answer on pseudo-terminals, on Modbus TCP and on serial-over-TCP, so that
//! whatever asks them goes through the door it would use on site. Own framing and own small loops: other units' traffic,
//! noise, and clients that come and go end nothing.

mod net;
mod pty;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use crate::base::{Failure, Span, Stamp};
use crate::profile::Door;
use crate::rim::clock::Clock;
use crate::sim::line::{Arrival, Line};
use crate::sim::slave::Slave;
use crate::sim::{Command, Scenario, Truth, World};
use crate::wire::rtu;

/// A world that runs with the clock.
#[derive(Clone, Debug)]
pub struct Stage {
    world: Arc<Mutex<World>>,
    clock: Clock,
}

impl Stage {
    /// Starts a scenario now.
    pub fn start(scenario: &Scenario, clock: Clock) -> Self {
        let scenario = Scenario { start: clock.now(), ..scenario.clone() };
        Self { world: Arc::new(Mutex::new(World::new(&scenario, None))), clock }
    }

    /// Does something to it now.
    pub fn command(&self, command: &Command) {
        self.with(|world| world.command(command));
    }

    /// What is true now.
    pub fn truth(&self) -> Truth {
        self.with(|world| world.truth())
    }

    /// The world, brought up to now.
    pub fn with<T>(&self, what: impl FnOnce(&mut World) -> T) -> T {
        let mut world = self.lock();
        world.advance(self.clock.now());
        what(&mut world)
    }

    fn lock(&self) -> MutexGuard<'_, World> {
        // the world is whole between steps, whatever became of the thread that held it
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Serves line number `line` of the site on a pseudo-terminal, with a link to it where one is wanted.
    ///
    /// # Errors
    /// No pseudo-terminal to be had, or something else stands where the link should be.
    pub fn serve_pty(&self, line: usize, link: Option<&Path>) -> Result<Serving, Failure> {
        pty::serve(self, line, link)
    }

    /// Serves line number `line` on a network address: Modbus TCP messages, or serial frames as a gateway passes them on.
    ///
    /// # Errors
    /// The address is taken, or not ours.
    pub fn serve_net(&self, line: usize, address: &str, serial: bool) -> Result<Serving, Failure> {
        net::serve(self, line, address, serial)
    }

    /// Serves every line as the site file names it; serial ports as pseudo-terminals with a link at that path. A path under
    /// `/dev` is left alone, and the terminal's own name is to be used.
    ///
    /// # Errors
    /// As the doors.
    pub fn serve_all(&self) -> Result<Vec<Serving>, Failure> {
        let doors = self.lock().lines().to_vec();
        let serve = |(line, door): (usize, &Door)| match door {
            Door::Serial(path) if path.starts_with("/dev/") => self.serve_pty(line, None),
            Door::Serial(path) => self.serve_pty(line, Some(Path::new(path))),
            Door::Tcp(host) => self.serve_net(line, host, false),
            Door::SerialOverTcp(host) => self.serve_net(line, host, true),
        };
        doors.iter().enumerate().map(serve).collect()
    }

    /// The serial line of that number as the scenario has it.
    fn line(&self, number: usize) -> Line {
        let world = self.lock();
        let scenario = world.scenario();
        let door = world.lines().get(number);
        let mut described = scenario.site.meters.iter().zip(&scenario.profiles);
        let found = described.find(|(meter, _)| Some(&meter.line.door) == door);
        let settings = found.map(|(meter, profile)| meter.line.settings(profile.line)).unwrap_or_default();
        Line::new(scenario.line, settings, scenario.seed, number)
    }
}

/// A line being served; it ends when this is dropped.
#[derive(Debug)]
pub struct Serving {
    /// The door by which to reach it.
    pub door: Door,
    /// A link that was made for it.
    link: Option<PathBuf>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Serving {
    fn new(door: Door, stop: Arc<AtomicBool>, thread: JoinHandle<()>) -> Self {
        Self { door, link: None, stop, thread: Some(thread) }
    }

    /// Whether it still runs.
    pub fn runs(&self) -> bool {
        self.thread.as_ref().is_some_and(|thread| !thread.is_finished())
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
        if let Some(link) = &self.link {
            let _ = std::fs::remove_file(link);
        }
    }
}

/// The meters of one serial line: bytes in, bytes with their time out.
struct Meters {
    stage: Stage,
    number: usize,
    line: Line,
    slave: Slave,
    second_due: Stamp,
}

impl Meters {
    fn new(stage: &Stage, number: usize) -> Self {
        let second_due = stage.clock.now() + Span::from_millis(300);
        Self { stage: stage.clone(), number, line: stage.line(number), slave: Slave::new(), second_due }
    }

    /// What comes back for bytes that arrived just now.
    fn hear(&mut self, bytes: &[u8]) -> Vec<Arrival> {
        let now = self.stage.clock.now();
        let heard = self.line.hears(bytes);
        let number = self.number;
        let questions = {
            let world = self.stage.lock();
            self.slave.hear(now, &heard, |unit| world.has_unit(number, unit))
        };
        let mut arrivals = Vec::new();
        for question in questions {
            let asked = rtu::encode(question.unit, &question.pdu);
            // on a pseudo-terminal the question is here at once; on a wire it would take its characters
            let answer = self.answer(self.line.heard_at(now, &asked), question.unit, &question.pdu);
            let turnaround = self.stage.lock().turnaround(number, question.unit);
            arrivals.extend(self.line.carry(now, &asked, answer.as_deref(), turnaround));
        }
        arrivals
    }

    /// What another master on the line is heard to say, when it is its time.
    fn second_master(&mut self) -> Vec<Arrival> {
        let now = self.stage.clock.now();
        let Some(master) = self.line.rules.second_master.filter(|_| now >= self.second_due) else {
            return Vec::new();
        };
        self.second_due = now + master.every;
        let question = rtu::encode(master.unit, &master.pdu());
        let answer = self.answer(self.line.heard_at(now, &question), master.unit, &master.pdu());
        let turnaround = self.stage.lock().turnaround(self.number, master.unit);
        let mut arrivals = vec![Arrival { at: now, bytes: question.clone() }];
        arrivals.extend(self.line.carry(now, &question, answer.as_deref(), turnaround));
        arrivals
    }

    fn answer(&self, heard_at: Stamp, unit: u8, pdu: &[u8]) -> Option<Vec<u8>> {
        let mut world = self.stage.lock();
        world.advance(heard_at);
        world.answer(self.number, unit, pdu).map(|answer| rtu::encode(unit, &answer))
    }
}

#[cfg(test)]
mod tests;
