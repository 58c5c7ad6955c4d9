//! An unplugged adapter reads as the end of a file, again and again: waiting for it must not keep a processor busy. Alone
//! in its process, since the time is the process's.

#![expect(clippy::expect_used, reason = "a test may stop where it stands")]

mod common;

use std::time::Duration;

use common::pty;
use common::session::{folder, plan, quick, serial};
use wattward::base::Span;
use wattward::rim::{Asking, Event, Session};

fn processor_time() -> Duration {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    Duration::new(time.tv_sec as u64, time.tv_nsec as u32)
}

#[test]
fn an_unplugged_line_is_told_at_once_and_costs_next_to_no_processor_time() {
    let (_folder, capture) = folder();
    let (far, near) = pty();
    let asking = Asking { listen_first: Span::from_millis(5000), ..quick(1) };
    let mut session = Session::start(&plan(&serial(&near), &capture, asking)).expect("start");
    let unplugged = session.now();
    drop(far);
    let deadline = unplugged + Span::from_millis(1000);
    while !matches!(session.next(deadline), Event::LineLost(_)) {
        assert!(session.now() < deadline, "lost within a second");
    }
    let before = processor_time();
    let until = session.now() + Span::from_millis(1000);
    while !matches!(session.next(until), Event::Tick) {}
    let used = processor_time().saturating_sub(before);
    // A spinning reader would use all of the second.
    assert!(used < Duration::from_millis(50), "{used:?}");
}
