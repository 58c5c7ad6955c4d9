//! A line's thread: opened on it, run on it, and told when it ends badly.

use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};

use super::super::clock::Clock;
use super::super::pump::{LinePlan, LineStats, Pump, Told};
use super::super::recorder::Entry;
use crate::base::Failure;
use crate::record::LineInfo;

/// A line's thread.
#[derive(Debug)]
pub(in crate::rim) struct Line {
    pub(in crate::rim) told: UnboundedSender<Told>,
    pub(in crate::rim) thread: JoinHandle<()>,
    pub(super) stats: Arc<Mutex<LineStats>>,
}

/// Opens a line on its own thread; gives it when it is open.
pub(in crate::rim) fn start_line(
    plan: LinePlan,
    clock: Clock,
    entries: Sender<Entry>,
) -> Result<(Line, LineInfo), Failure> {
    let (told, orders) = unbounded_channel();
    let (opened, wait) = channel();
    let stats = Arc::new(Mutex::new(LineStats::default()));
    let shared = Arc::clone(&stats);
    let name = plan.door.name().to_owned();
    let bad = |what: &str| Failure::nothing(format!("{name}: {what}"));
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| bad(&format!("no runtime: {error}")))?;
    let thread = std::thread::Builder::new()
        .name("line".into())
        .spawn(move || {
            let watch = Watch(entries.clone());
            runtime.block_on(async move {
                match Pump::open(plan, clock, entries, orders, shared).await {
                    Ok((pump, info)) => {
                        let _ = opened.send(Ok(info));
                        pump.run().await;
                    }
                    Err(failure) => {
                        let _ = opened.send(Err(failure));
                    }
                }
            });
            drop(watch);
        })
        .map_err(|error| bad(&format!("no thread: {error}")))?;
    let info = wait.recv().map_err(|_| bad("the line could not be opened"))??;
    Ok((Line { told, thread, stats }, info))
}

/// Tells when a line's thread ends by a fault of the program.
struct Watch(Sender<Entry>);

impl Drop for Watch {
    fn drop(&mut self) {
        if std::thread::panicking() {
            let _ = self
                .0
                .send(Entry::Failed(Failure::nothing("a line's thread failed: a fault of this program")));
        }
    }
}
