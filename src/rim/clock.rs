//! The only place that asks the system for the time.
//!
//! Packet times run on one clock that neither steps nor stops when the computer sleeps (`CLOCK_BOOTTIME`), anchored to
//! UTC once at the start. What the system's clock does meanwhile (set by hand, corrected over the network, wrong at boot)
//! is noted in `clock` marks with both times, and bends no measured length of time.

use rustix::time::{ClockId, Timespec};

use crate::base::{Span, Stamp};
use crate::record::{Mark, MarkKind};

/// A change of the system's clock against ours, between two looks a second apart, that counts as a step. Slewing moves
/// it by half a millisecond a second at most; scheduling of this program by a few. Ours.
const STEP: Span = Span::from_millis(50);
/// Between two `clock` marks when nothing happens (contracts, section 5).
const HOUR: Span = Span::from_millis(3_600_000);

/// The session's clock. Copies agree with each other.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    /// UTC nanoseconds at boot, as anchored.
    boot_at: i64,
}

impl Clock {
    /// Anchors to the system's clock now.
    pub fn start() -> Self {
        // The anchor is as good as the time between the two looks; the tightest of a few takes the luck out of it.
        let mut best = (i64::MAX, 0);
        for _ in 0..8 {
            let before = boot_nanos();
            let utc = utc_nanos();
            let after = boot_nanos();
            if after - before < best.0 {
                best = (after - before, utc - before - (after - before) / 2);
            }
        }
        Self { boot_at: best.1 }
    }

    /// Now.
    pub fn now(self) -> Stamp {
        Stamp::from_nanos(self.boot_at + boot_nanos())
    }

    /// How far the system's clock stands ahead of ours.
    pub fn system_ahead(self) -> Span {
        Span::from_nanos(utc_nanos() - self.boot_at - boot_nanos())
    }

    /// Nanoseconds after boot of an instant of this clock, for the kernel's timers.
    pub fn boot_nanos_of(self, at: Stamp) -> i64 {
        at.nanos() - self.boot_at
    }

    /// Sleeps until then, to the precision of the kernel's own timer; returns at once when it has passed.
    pub fn sleep_until(self, at: Stamp) {
        let left = at - self.now();
        if left > Span::ZERO {
            std::thread::sleep(std::time::Duration::from_nanos(left.nanos() as u64));
        }
    }
}

/// Watches the system's clock and says when a `clock` mark is due. Look once a second.
#[derive(Debug)]
pub struct ClockWatch {
    ahead: Span,
    marked_at: Stamp,
}

impl ClockWatch {
    /// Starts, with the mark for the start.
    pub fn start(now: Stamp, ahead: Span) -> (Self, Mark) {
        (Self { ahead, marked_at: now }, mark(now, ahead, "clock at the start"))
    }

    /// One look: a mark when the system's clock stepped, or an hour has passed.
    pub fn look(&mut self, now: Stamp, ahead: Span) -> Option<Mark> {
        let moved = ahead - self.ahead;
        self.ahead = ahead;
        let stepped = moved.nanos().abs() >= STEP.nanos();
        if !stepped && now - self.marked_at < HOUR {
            return None;
        }
        self.marked_at = now;
        let message =
            if stepped { format!("system clock stepped by {moved}") } else { "clock, hourly".to_owned() };
        Some(mark(now, ahead, &message))
    }

    /// The mark for the end.
    pub fn end(&self, now: Stamp, ahead: Span) -> Mark {
        mark(now, ahead, "clock at the end")
    }
}

fn mark(now: Stamp, ahead: Span, message: &str) -> Mark {
    let mut mark = Mark::new(now, MarkKind::Clock, message);
    mark.system_time = Some((now + ahead).rfc3339(6));
    mark
}

fn boot_nanos() -> i64 {
    nanos(rustix::time::clock_gettime(ClockId::Boottime))
}

fn utc_nanos() -> i64 {
    nanos(rustix::time::clock_gettime(ClockId::Realtime))
}

#[expect(clippy::useless_conversion, reason = "the field's width differs between platforms")]
fn nanos(time: Timespec) -> i64 {
    i64::from(time.tv_sec).saturating_mul(1_000_000_000).saturating_add(i64::from(time.tv_nsec))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_anchor_agrees_with_the_systems_clock_and_runs_forward() {
        let clock = Clock::start();
        assert!(
            clock.system_ahead().nanos().abs() < Span::from_millis(20).nanos(),
            "{}",
            clock.system_ahead()
        );
        let first = clock.now();
        assert!(clock.now() >= first);
    }

    #[test]
    fn a_step_and_an_hour_are_marked_and_slewing_is_not() {
        let start = Stamp::from_micros(1_790_000_000_000_000);
        let (mut watch, first) = ClockWatch::start(start, Span::ZERO);
        assert_eq!(first.system_time.as_deref(), Some("2026-09-21T14:13:20.000000Z"));
        let mut marks = Vec::new();
        for second in 1..=7200 {
            // 500 ppm of slewing, and one step of -2 s.
            let step = if second >= 100 { Span::from_millis(-2000) } else { Span::ZERO };
            let ahead = Span::from_micros(500 * second) + step;
            marks.extend(
                watch.look(start + Span::from_millis(1000 * second), ahead).map(|mark| (second, mark)),
            );
        }
        let seconds: Vec<i64> = marks.iter().map(|(second, _)| *second).collect();
        assert_eq!(seconds, [100, 3700]);
        assert!(marks[0].1.message.contains("stepped by -2.0 s"), "{}", marks[0].1.message);
    }
}
