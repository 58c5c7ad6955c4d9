//! A line that has just been opened, and one that is opened again because it was lost.

use std::time::Duration;

use super::door::OpenDoor;
use super::{Next, Pump, Said, Told};
use crate::base::Span;
use crate::link::Input;
use crate::profile::Door;

/// How long the line must be quiet for what was in the buffer at the opening to be over, and how long that may take.
const OPENING_QUIET: Span = Span::from_millis(50);
const OPENING_LONGEST: Span = Span::from_millis(1000);
/// First and longest wait before a lost line is opened again.
const BACK_OFF: (Duration, Duration) = (Duration::from_millis(200), Duration::from_secs(5));

impl Pump {
    /// What was in the buffer before the settings took hold is read and recorded, never thrown away, and told to nobody.
    pub(super) async fn clear_opening(&mut self) {
        let Door::Serial(_) = self.plan.door else { return };
        let end = self.clock.now() + OPENING_LONGEST;
        let quiet = OPENING_QUIET.max(self.plan.options.settings.silence());
        let mut buffer = [0; 4096];
        loop {
            let until = (self.clock.now() + quiet).min(end);
            let read = tokio::select! {
                biased;
                read = self.door.read(&mut buffer) => read,
                _ = self.alarm.until(until) => return,
            };
            match read {
                // A lost line shows again at the next read.
                Ok(0) | Err(_) => return,
                Ok(count) => {
                    let records = self.frame(&buffer[..count], self.clock.now()).0;
                    self.say_records(records);
                }
            }
        }
    }

    /// The line is gone: say so, and open it again and again until it is back.
    pub(super) async fn lost(&mut self, reason: &str) -> Next {
        let now = self.clock.now();
        let mut records = Vec::new();
        self.framer.finish(&mut records);
        self.tell_master(now, &records);
        self.say_records(records);
        self.second.drop_context();
        if let Some(master) = &mut self.master {
            master.handle(now, Input::Lost);
        }
        self.say(Said::Lost(self.plan.index, now, reason.to_owned()));
        let mut pause = if reason.ends_with("connecting again") { Duration::ZERO } else { BACK_OFF.0 };
        loop {
            tokio::select! {
                biased;
                told = self.told.recv() => match told {
                    Some(Told::Finish(_)) => {
                        self.say(Said::Done(self.plan.index));
                    }
                    Some(Told::Stop) | None => return Next::End,
                },
                () = tokio::time::sleep(pause) => {
                    if let Some(door) = self.open_again().await {
                        self.door = door;
                        break;
                    }
                    pause = (pause * 2).clamp(BACK_OFF.0, BACK_OFF.1);
                }
            }
        }
        self.clear_opening().await;
        let now = self.clock.now();
        self.say(Said::Back(self.plan.index, now));
        if let Some(master) = &mut self.master {
            master.handle(now, Input::Back);
        }
        Next::On
    }

    /// By the adapter's stable name first: its path may have changed.
    async fn open_again(&self) -> Option<OpenDoor> {
        if let (Some(stable), Door::Serial(_)) = (&self.stable, &self.plan.door)
            && let Ok(door) = OpenDoor::open(&Door::Serial(stable.clone()), self.plan.options).await
        {
            return Some(door);
        }
        OpenDoor::open(&self.plan.door, self.plan.options).await.ok()
    }
}
