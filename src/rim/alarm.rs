//! Waiting for an instant: an absolute timer of the kernel as a descriptor, so that one wait covers port and schedule.
//! tokio's own timers tick in whole milliseconds, which is most of a silence of 3.5 characters at 19200 and above.

use std::io;
use std::os::fd::OwnedFd;

use rustix::time::{Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec};
use tokio::io::unix::AsyncFd;

use super::clock::Clock;
use super::serial::watch;
use crate::base::Stamp;

/// An absolute timer on the session's clock.
#[derive(Debug)]
pub struct Alarm {
    clock: Clock,
    timer: AsyncFd<OwnedFd>,
}

impl Alarm {
    /// A timer that is not set. Needs a tokio runtime.
    pub fn new(clock: Clock) -> io::Result<Self> {
        let flags = TimerfdFlags::CLOEXEC | TimerfdFlags::NONBLOCK;
        let timer = watch(rustix::time::timerfd_create(TimerfdClockId::Boottime, flags)?)?;
        Ok(Self { clock, timer })
    }

    /// Waits until then; not at all when it has passed. Dropping the future forgets the wait.
    pub async fn until(&self, at: Stamp) -> io::Result<()> {
        // Zero would switch the timer off.
        let nanos = self.clock.boot_nanos_of(at).max(1);
        let value = Timespec { tv_sec: nanos / 1_000_000_000, tv_nsec: (nanos % 1_000_000_000) as _ };
        let once = Itimerspec { it_interval: Timespec { tv_sec: 0, tv_nsec: 0 }, it_value: value };
        rustix::time::timerfd_settime(self.timer.get_ref(), TimerfdTimerFlags::ABSTIME, &once)?;
        loop {
            let mut ready = self.timer.readable().await?;
            let mut count = [0_u8; 8];
            match rustix::io::read(self.timer.get_ref(), &mut count) {
                Ok(_) => return Ok(()),
                // Setting the timer anew took back an expiry that nobody had read.
                Err(rustix::io::Errno::AGAIN) => ready.clear_ready(),
                Err(error) => return Err(error.into()),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Span;

    #[test]
    fn an_alarm_goes_off_not_early_and_at_once_in_the_past() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
        runtime.block_on(async {
            let clock = Clock::start();
            let alarm = Alarm::new(clock).expect("timer");
            alarm.until(clock.now() - Span::from_millis(5)).await.expect("past");
            for _ in 0..3 {
                let due = clock.now() + Span::from_micros(2500);
                alarm.until(due).await.expect("future");
                assert!(clock.now() >= due);
            }
        });
    }
}
