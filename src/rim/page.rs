//! The phone page: a small web server for whoever stands at the switch while the laptop is at the panel.
//!
//! It runs on a thread and a runtime of its own, and shares nothing with the lines but the two cores they run on. It shows
//! a document it is handed, and takes presses. A press can answer what is offered at that moment, and nothing else.
//!
//! Everything stands behind a token of 130 random bits in the address. Whoever does not have it gets 404, whatever is asked.
//!
//! ```text
//! GET  /TOKEN/            the page          GET  /TOKEN/page.css, /TOKEN/page.js
//! GET  /TOKEN/state       the document      POST /TOKEN/press   {"id", "ask", "key", "age_ms"}
//! ```

mod answer;
mod desk;
mod door;
pub mod place;
mod request;
#[cfg(test)]
mod tests;
mod token;

use std::net::{SocketAddr, TcpListener};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use tokio::sync::oneshot;

use self::desk::Desk;
use self::token::Token;
use super::clock::Clock;
use crate::base::{Failure, Span, Stamp};

pub use self::desk::Press;
pub use self::door::Limits;

/// Whoever has asked for the document within this time is looking.
const LOOKING: Span = Span::from_millis(5000);

/// The page being served; it ends when this is dropped.
#[derive(Debug)]
pub struct Served {
    address: String,
    shared: Arc<Shared>,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

/// What the server's thread and the commands share.
#[derive(Debug)]
struct Shared {
    token: Token,
    clock: Clock,
    desk: Mutex<Desk>,
}

impl Shared {
    fn desk<T>(&self, what: impl FnOnce(&mut Desk) -> T) -> T {
        // The desk is whole between calls, whatever became of the thread that held it.
        what(&mut self.desk.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Served {
    /// Serves on this address of this computer.
    ///
    /// # Errors
    /// The address is not ours, or taken; no random bytes to be had.
    pub fn start(at: SocketAddr, limits: Limits) -> Result<Self, Failure> {
        let refused = |error: std::io::Error| {
            Failure::usage(format!("the page cannot be served on {at}: {error}"))
                .hint("name an address of this computer and a free port: --page 192.0.2.7:8437")
        };
        let listener = TcpListener::bind(at).map_err(refused)?;
        listener.set_nonblocking(true).map_err(refused)?;
        let bound = listener.local_addr().map_err(refused)?;
        let clock = Clock::start();
        let shared = Arc::new(Shared { token: Token::draw()?, clock, desk: Mutex::default() });
        let address = format!("http://{bound}/{}/", shared.token.text());
        let (stop, stopped) = oneshot::channel();
        let for_thread = Arc::clone(&shared);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(refused)?;
        let thread = std::thread::Builder::new()
            .name("page".into())
            .spawn(move || runtime.block_on(door::serve(listener, for_thread, limits, stopped)))
            .map_err(refused)?;
        Ok(Self { address, shared, stop: Some(stop), thread: Some(thread) })
    }

    /// Where it is, with the token.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// The time presses are stamped by.
    pub fn now(&self) -> Stamp {
        self.shared.clock.now()
    }

    /// Shows this document from now on. `offers`: what a press may answer, as a prompt's number and a key; what was offered
    /// before is so no more.
    pub fn show(&self, document: String, offers: &[(u64, String)]) {
        let now = self.now();
        self.shared.desk(|desk| desk.show(document, offers, now));
    }

    /// The next press that was taken.
    pub fn press(&self) -> Option<Press> {
        self.shared.desk(Desk::next)
    }

    /// Says to whoever pressed what came of it.
    pub fn marked(&self, press: &Press, words: &str) {
        self.shared.desk(|desk| desk.settle(press, true, words));
    }

    /// Says to whoever pressed that nothing was marked, and why.
    pub fn passed_over(&self, press: &Press, why: &str) {
        self.shared.desk(|desk| desk.settle(press, false, why));
    }

    /// Whether anybody looks at it.
    pub fn looked_at(&self) -> bool {
        let now = self.now();
        self.shared.desk(|desk| desk.looked.is_some_and(|at| now - at <= LOOKING))
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
