//! The person at the terminal: lines typed on standard input, and Ctrl-C.

use std::io::BufRead;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Mutex, Once};

use tokio::sync::oneshot;

use super::drive::Event;
use crate::base::Failure;

/// Who hears what is typed. Reading standard input cannot be called off, so one thread reads it for all sessions of the
/// process, one after the other.
static LISTENER: Mutex<Option<Sender<Event>>> = Mutex::new(None);
static READER: Once = Once::new();
/// Standard input has ended: whoever listens from then on is told at once, and does not wait for what cannot come.
static ENDED: AtomicBool = AtomicBool::new(false);

/// Hands on what is typed from now on.
pub(crate) fn listen(events: Sender<Event>) {
    if let Ok(mut listener) = LISTENER.lock() {
        if ENDED.load(Ordering::SeqCst) {
            let _ = events.send(Event::InputEnd);
        }
        *listener = Some(events);
    }
    READER.call_once(|| {
        std::thread::spawn(|| {
            for line in std::io::stdin().lock().lines() {
                match line {
                    Ok(line) => tell(Event::Line(line)),
                    Err(_) => break,
                }
            }
            end();
        });
    });
}

fn tell(event: Event) {
    if let Ok(listener) = LISTENER.lock()
        && let Some(events) = listener.as_ref()
    {
        let _ = events.send(event);
    }
}

/// Under the lock, so that a listener who comes in between is told once.
fn end() {
    if let Ok(listener) = LISTENER.lock() {
        ENDED.store(true, Ordering::SeqCst);
        if let Some(events) = listener.as_ref() {
            let _ = events.send(Event::InputEnd);
        }
    }
}

/// What came of a question between two sessions.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Typed {
    /// A line.
    Line(String),
    /// Standard input was closed.
    End,
    /// Ctrl-C.
    Interrupt,
}

/// Hears what is typed, while no session wants it. Begin before the question is shown: what is typed while nobody listens is
/// let go, so that nothing typed ahead confirms a question that was not read.
#[derive(Debug)]
pub struct Listening {
    heard: Receiver<Event>,
    _interrupts: Interrupts,
}

impl Listening {
    /// From now on.
    ///
    /// # Errors
    /// No signals can be heard.
    pub fn begin() -> Result<Self, Failure> {
        let (events, heard) = channel();
        let interrupts = Interrupts::listen(events.clone())
            .map_err(|error| Failure::nothing(format!("no signals can be heard: {error}")))?;
        listen(events);
        Ok(Self { heard, _interrupts: interrupts })
    }

    /// Waits for a line.
    pub fn wait(self) -> Typed {
        loop {
            match self.heard.recv() {
                Ok(Event::Line(line)) => return Typed::Line(line),
                Ok(Event::Interrupt) => return Typed::Interrupt,
                Ok(Event::InputEnd) | Err(_) => return Typed::End,
                Ok(_) => {}
            }
        }
    }
}

/// Listens for Ctrl-C and a request to terminate, until dropped.
#[derive(Debug)]
pub(crate) struct Interrupts {
    _end: oneshot::Sender<()>,
}

impl Interrupts {
    pub(crate) fn listen(events: Sender<Event>) -> std::io::Result<Self> {
        let (end, mut ended) = oneshot::channel();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build()?;
        std::thread::Builder::new().name("interrupts".into()).spawn(move || {
            runtime.block_on(async move {
                let Ok(mut terminate) = terminate() else { return };
                loop {
                    tokio::select! {
                        _ = &mut ended => return,
                        done = tokio::signal::ctrl_c() => if done.is_err() { return },
                        _ = terminate.recv() => {}
                    }
                    if events.send(Event::Interrupt).is_err() {
                        return;
                    }
                }
            });
        })?;
        Ok(Self { _end: end })
    }
}

fn terminate() -> std::io::Result<tokio::signal::unix::Signal> {
    tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())
}
