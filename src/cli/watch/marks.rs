//! The phone page beside the live view: buttons for the known loads, whose presses become marks where something is recorded.

use std::collections::BTreeMap;

use super::super::live::Watching;
use super::super::page::{Page, Sheet};
use super::board::Board;
use crate::base::{PointKey, Span, Stamp};
use crate::profile::{Load, Site};
use crate::reading::Sample;
use crate::record::{Mark, MarkKind};
use crate::report::phone::pair;

/// How often presses are looked for.
pub(super) const PACE: Span = Span::from_millis(100);
/// How often the page is drawn anew.
const DRAW: Span = Span::from_millis(500);

/// The page of a look.
pub(super) struct Marks {
    sheet: Sheet,
    board: Board,
    /// The known loads, else one that nobody has named.
    loads: Vec<Switched>,
    recording: bool,
    drawn: Stamp,
}

struct Switched {
    load: Option<Load>,
    /// Number of its buttons.
    number: u64,
    /// As it was said last.
    on: Option<bool>,
}

impl Marks {
    /// Nothing read and nothing pressed.
    pub(super) fn new(page: &Page, site: &Site, live: &Watching) -> Self {
        let known = site.loads.iter().cloned().map(Some);
        let loads: Vec<_> = if site.loads.is_empty() { vec![None] } else { known.collect() };
        let mut marks = Self {
            sheet: Sheet::new(page, site, "Readings as they come"),
            board: Board::new(site, live.every),
            loads: loads.into_iter().map(|load| Switched { load, number: 0, on: None }).collect(),
            recording: live.session.path().is_some(),
            drawn: live.now(),
        };
        marks.offer();
        marks
    }

    /// Both buttons of a load until the first press; from then on the other one.
    fn offer(&mut self) {
        if !self.recording {
            return self.sheet.offer("Nothing is recorded, so there is nothing to mark.", |_| Vec::new());
        }
        let loads = &mut self.loads;
        self.sheet.offer("Say what you switch, when you switch it.", |number| {
            let mut buttons = Vec::new();
            for one in loads {
                one.number = number();
                let name = one.load.as_ref().map_or("", |load| load.name.as_str());
                let offered: &[bool] =
                    one.on.map_or(&[true, false], |on| if on { &[false] } else { &[true] });
                buttons.extend(pair(one.number, name, offered));
            }
            buttons
        });
    }

    /// A reading is complete.
    pub(super) fn reading(&mut self, index: usize, latest: BTreeMap<PointKey, Sample>) {
        if let Some(panel) = self.board.meters.get_mut(index) {
            panel.take(latest);
        }
    }

    /// Marks what was pressed and shows how it stands; whether a phone looks at it.
    pub(super) fn turn(&mut self, live: &Watching) -> bool {
        let now = live.now();
        let mut changed = false;
        while let Some(press) = self.sheet.taken() {
            let Some(one) = self.loads.iter_mut().find(|one| one.number == press.ask) else {
                self.sheet.passed_over(&press, "that is not asked now");
                continue;
            };
            let on = press.key == "on";
            one.on = Some(on);
            let mark = mark(one.load.as_ref(), on, self.sheet.marked(now, &press));
            self.sheet.say(&format!("marked: {}", mark.message));
            live.session.mark(mark);
            changed = true;
        }
        if changed {
            self.offer();
        }
        let looked_at = self.sheet.looked_at();
        if looked_at && now - self.drawn >= DRAW {
            self.drawn = now;
            self.sheet.show(now, &self.board);
        }
        looked_at
    }
}

/// The mark of a press, as a check makes it of a typed answer.
fn mark(load: Option<&Load>, on: bool, at: Stamp) -> Mark {
    let (word, kind) = if on { ("on", MarkKind::LoadOn) } else { ("off", MarkKind::LoadOff) };
    let name = load.map_or("load", |load| load.name.as_str());
    let mut mark = Mark::new(at, kind, format!("{name} {word}"));
    mark.load = load.map(|load| load.name.clone());
    mark.load_w = load.map(|load| load.power_w.to_string());
    mark.phase = load.and_then(|load| load.phase).map(|phase| phase.word().to_owned());
    mark
}
