//! Who is let in: so many at a time, so many from one address, so often, for so long. Whoever is turned away costs an
//! `accept` and a `close`.

use std::collections::BTreeMap;
use std::net::{IpAddr, TcpListener};
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::oneshot;
use tokio::task::JoinSet;
use tokio::time::{sleep, timeout};

use super::Shared;
use super::answer::{Answer, answer, outcome, refusal};
use super::desk::{Came, Sent};
use super::request::read;
use crate::base::Stamp;

/// How long a press waits for what comes of it before the phone is told to ask again.
const SETTLES: Duration = Duration::from_millis(1200);
/// How often it is looked at meanwhile.
const LOOK: Duration = Duration::from_millis(20);
/// After an answer the rest of what is sent is read for so long and no further, so that the answer is not cut off.
const LINGER: (Duration, usize) = (Duration::from_millis(300), 65_536);
/// Addresses whose rate is remembered.
const ADDRESSES: usize = 1024;
/// How long nothing is accepted after an `accept` that failed, as when files run out.
const NAP: Duration = Duration::from_millis(50);

/// What is allowed. All of it ours: a phone asks twice a second, on one or two connections, in some 600 bytes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Bytes of the request line and the headers together.
    pub head: usize,
    /// Bytes of a body.
    pub body: usize,
    /// From the connection to the end of the request.
    pub patience: Duration,
    /// Connections at a time.
    pub connections: usize,
    /// Connections at a time from one address.
    pub by_address: usize,
    /// Connections a second from one address, in the long run.
    pub rate: f64,
    /// How many may come at once.
    pub burst: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            head: 4096,
            body: 512,
            patience: Duration::from_secs(5),
            connections: 32,
            by_address: 8,
            rate: 20.0,
            burst: 40.0,
        }
    }
}

/// Serves until told to stop.
pub(super) async fn serve(
    listener: TcpListener,
    shared: Arc<Shared>,
    limits: Limits,
    mut stop: oneshot::Receiver<()>,
) {
    let Ok(listener) = tokio::net::TcpListener::from_std(listener) else { return };
    let mut guard = Guard::new(limits);
    let mut open: JoinSet<IpAddr> = JoinSet::new();
    loop {
        tokio::select! {
            _ = &mut stop => return,
            Some(closed) = open.join_next_with_id(), if !open.is_empty() => {
                guard.closed(match closed {
                    Ok((id, _)) => id,
                    Err(error) => error.id(),
                });
            }
            came = listener.accept() => match came {
                Err(_) => sleep(NAP).await,
                Ok((stream, from)) => {
                    let from = from.ip();
                    if guard.lets(from, shared.clock.now()) {
                        let shared = Arc::clone(&shared);
                        let task = open.spawn(async move {
                            attend(stream, &shared, limits).await;
                            from
                        });
                        guard.opened(task.id(), from);
                    }
                }
            }
        }
    }
}

/// One connection: one request, one answer.
async fn attend(mut stream: TcpStream, shared: &Shared, limits: Limits) {
    let Ok(request) = timeout(limits.patience, read(&mut stream, limits)).await else { return };
    let bytes = match request {
        Ok(request) => match answer(&request, shared) {
            Answer::Bytes(bytes) => bytes,
            Answer::Press(sent) => outcome(&press(&sent, shared).await),
        },
        Err(why) => match refusal(why) {
            Some(bytes) => bytes,
            None => return,
        },
    };
    if !matches!(timeout(limits.patience, stream.write_all(&bytes)).await, Ok(Ok(()))) {
        return;
    }
    let _ = stream.shutdown().await;
    let _ = timeout(LINGER.0, drain(&mut stream)).await;
}

/// Reads what is still sent, to its end or as far as anybody sensible sends.
async fn drain(stream: &mut TcpStream) {
    let (mut left, mut piece) = (LINGER.1, [0_u8; 2048]);
    while let Ok(count) = stream.read(&mut piece).await {
        left = left.saturating_sub(count);
        if count == 0 || left == 0 {
            return;
        }
    }
}

/// Hands a press on and waits a moment for what comes of it.
async fn press(sent: &Sent, shared: &Shared) -> Came {
    let mut came = shared.desk(|desk| desk.arrive(sent, shared.clock.now()));
    let mut waited = Duration::ZERO;
    while came == Came::Waiting && waited < SETTLES {
        sleep(LOOK).await;
        waited += LOOK;
        came = shared.desk(|desk| desk.came_of(&sent.id)).unwrap_or(Came::Waiting);
    }
    came
}

/// Counts who is there and how often they come.
#[derive(Debug)]
struct Guard {
    limits: Limits,
    open: BTreeMap<tokio::task::Id, IpAddr>,
    /// What each address may still take, and as of when.
    left: BTreeMap<IpAddr, (f64, Stamp)>,
}

impl Guard {
    fn new(limits: Limits) -> Self {
        Self { limits, open: BTreeMap::new(), left: BTreeMap::new() }
    }

    /// Whether one more may come in from there now.
    fn lets(&mut self, from: IpAddr, now: Stamp) -> bool {
        let Limits { rate, burst, .. } = self.limits;
        let refilled = |(left, at): (f64, Stamp)| ((now - at).seconds().max(0.0) * rate + left).min(burst);
        if self.left.len() >= ADDRESSES && !self.left.contains_key(&from) {
            // Whoever has its whole allowance again is as good as new.
            self.left.retain(|_, known| refilled(*known) < burst);
            if self.left.len() >= ADDRESSES {
                return false;
            }
        }
        let known = self.left.entry(from).or_insert((burst, now));
        let left = refilled(*known);
        *known = (left, now);
        let theirs = self.open.values().filter(|one| **one == from).count();
        if left < 1.0 || self.open.len() >= self.limits.connections || theirs >= self.limits.by_address {
            return false;
        }
        known.0 = left - 1.0;
        true
    }

    fn opened(&mut self, task: tokio::task::Id, from: IpAddr) {
        self.open.insert(task, from);
    }

    fn closed(&mut self, task: tokio::task::Id) {
        self.open.remove(&task);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(last: u8) -> IpAddr {
        IpAddr::from([192, 0, 2, last])
    }

    fn at(ms: i64) -> Stamp {
        Stamp::from_nanos(ms * 1_000_000)
    }

    #[test]
    fn an_address_comes_as_often_as_allowed_and_takes_nothing_from_another() {
        let mut guard = Guard::new(Limits { rate: 10.0, burst: 5.0, ..Limits::default() });
        let many = |guard: &mut Guard, who, ms| (0..100).filter(|_| guard.lets(from(who), at(ms))).count();
        assert_eq!(many(&mut guard, 1, 0), 5);
        assert_eq!(many(&mut guard, 2, 0), 5);
        assert_eq!(many(&mut guard, 1, 250), 2);
        assert_eq!(many(&mut guard, 1, 60_000), 5);
    }

    #[test]
    fn what_is_remembered_of_addresses_is_bounded() {
        let mut guard = Guard::new(Limits::default());
        for number in 0..3_000_u32 {
            guard.lets(IpAddr::from(number.to_be_bytes()), at(0));
        }
        assert_eq!(guard.left.len(), ADDRESSES);
        // A second later all have their allowance again, and others can come.
        assert!(guard.lets(IpAddr::from([10, 0, 0, 1]), at(1000)));
    }
}
