//! `--page`: a small page for the phone of whoever stands at the switch while the laptop is at the panel (docs/page.md). What
//! is told and asked at the terminal stands on it too, and its buttons answer the prompts that ask for a load or a plant to
//! be switched, as a typed line does. Nothing else can be answered there: not the start of a window, not that a battery is
//! full, not the steering signal.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use clap::Args;

use super::hands::{Ask, Prompt};
use super::out::Out;
use super::watch::board::{Board, Panel};
use super::watch::draw::direction;
use crate::base::zone::Zone;
use crate::base::{Failure, Phase, Quantity, Stamp};
use crate::profile::Site;
use crate::record::MarkKind;
use crate::report::phone::{Button, Phone, PhoneMeter, PhoneRow};
use crate::rim::page::place::{is_private, place};
use crate::rim::page::{Limits, Press, Served};

pub(in crate::cli) mod code;

/// How long the page stays when it has ended, so that a phone that looks at it hears of that.
const LINGER: std::time::Duration = std::time::Duration::from_secs(1);

/// The option.
#[derive(Args, Clone, Debug, Default)]
pub(crate) struct PageArgs {
    /// Serve a page with live power and buttons for the phone of whoever switches; the address is that of this computer
    /// on the network both are on [default: found, port 8437]
    #[arg(long, value_name = "ADDRESS[:PORT]", num_args = 0..=1, default_missing_value = "")]
    page: Option<String>,
}

impl PageArgs {
    /// A capture has nobody at its switches.
    ///
    /// # Errors
    /// A page is wanted all the same.
    pub(crate) fn refuse_with_captures(&self) -> Result<(), Failure> {
        match self.page {
            None => Ok(()),
            Some(_) => Err(Failure::usage("--page is for a live line: a capture has nobody at its switches")),
        }
    }

    /// Serves it, where it is wanted, and says where.
    ///
    /// # Errors
    /// No such address, or it is taken.
    pub(crate) fn open(&self, out: &Out) -> Result<Option<Page>, Failure> {
        let Some(typed) = &self.page else { return Ok(None) };
        let page = Page::open(place(typed)?)?;
        // Whoever asked for it needs the address: `--quiet` does not take it away.
        if out.live {
            out.error(&code::drawn(page.address(), out.colour_on_error));
        }
        out.error(&format!("phone page  {}", page.address()));
        out.flow("Whoever has this address sees the power and can answer what is asked to be switched, and nothing else.");
        if !is_private(page.at.ip()) {
            out.error(&out.broken(&format!(
                "caution: {} is no address of a private network: anybody may knock",
                page.at.ip()
            )));
        }
        Ok(Some(page))
    }
}

/// The page as long as the command runs. Copies are the same page.
#[derive(Clone, Debug)]
pub(crate) struct Page {
    shared: Arc<Shared>,
    at: SocketAddr,
}

#[derive(Debug)]
struct Shared {
    served: Served,
    /// Prompts so far: each has a number of its own.
    asked: AtomicU64,
}

impl Drop for Shared {
    fn drop(&mut self) {
        if self.served.looked_at() {
            std::thread::sleep(LINGER);
        }
    }
}

impl Page {
    fn open(at: SocketAddr) -> Result<Self, Failure> {
        let shared = Shared { served: Served::start(at, Limits::default())?, asked: AtomicU64::new(0) };
        let page = Self { shared: Arc::new(shared), at };
        let mut phone = Phone::new("wattward", "Nothing has begun yet");
        phone.wait();
        page.show(&phone);
        Ok(page)
    }

    /// Where it is.
    pub(crate) fn address(&self) -> &str {
        self.shared.served.address()
    }

    fn number(&self) -> u64 {
        self.shared.asked.fetch_add(1, Ordering::Relaxed) + 1
    }

    fn show(&self, phone: &Phone) {
        let offered = phone.buttons.iter().filter(|button| button.offered);
        let offers: Vec<(u64, String)> = offered.map(|button| (button.ask, button.key.clone())).collect();
        let document = serde_json::to_string(phone).unwrap_or_else(|_| "null".to_owned());
        self.shared.served.show(document, &offers);
    }
}

/// What one check, or one look, shows on the page.
#[derive(Debug)]
pub(crate) struct Sheet {
    page: Page,
    phone: Phone,
    zone: Zone,
    /// The prompt that stands; 0: none that the page answers.
    number: u64,
    /// A press that answered it, and has not made its mark yet.
    answered: Option<Press>,
}

impl Sheet {
    /// Nothing asked yet.
    pub(crate) fn new(page: &Page, site: &Site, doing: &str) -> Self {
        let mut phone = Phone::new(&site.name, doing);
        phone.wait();
        let zone = Zone::named(&site.time_zone).unwrap_or_default();
        let sheet = Self { page: page.clone(), phone, zone, number: 0, answered: None };
        sheet.publish();
        sheet
    }

    fn publish(&self) {
        self.page.show(&self.phone);
    }

    /// Whether anybody looks at it.
    pub(crate) fn looked_at(&self) -> bool {
        self.page.shared.served.looked_at()
    }

    /// Shows a prompt, with its button where the page may answer it.
    pub(crate) fn ask(&mut self, prompt: &Prompt) {
        self.let_go("something else is asked now");
        // What was pressed for the prompt before answers no other, whoever may answer this one.
        self.number = 0;
        self.phone.alarm = None;
        match &prompt.ask {
            Ask::Load { on, .. } | Ask::Plant { on, .. } => {
                self.number = self.page.number();
                self.phone.ask(self.number, &prompt.text, *on);
            }
            Ask::Ready | Ask::Signal { .. } | Ask::StorageIdle { .. } => self.phone.ask_laptop(&prompt.text),
        }
        self.publish();
    }

    /// The prompt was answered at the laptop.
    pub(crate) fn closed(&mut self) {
        self.number = 0;
        self.phone.wait();
        self.publish();
        // Nothing is offered from here on: what was pressed before came too late.
        while let Some(press) = self.page.shared.served.press() {
            self.page.shared.served.passed_over(&press, "it was answered at the laptop first");
        }
    }

    /// Whether the prompt that stands was answered by a press.
    pub(crate) fn pressed(&mut self) -> bool {
        let Some(press) = self.page.shared.served.press() else { return false };
        if press.ask != self.number {
            self.page.shared.served.passed_over(&press, "that is not asked now");
            return false;
        }
        self.number = 0;
        self.phone.wait();
        self.publish();
        self.answered = Some(press);
        true
    }

    /// The time of the press that a mark of this kind comes from, if it comes from one; whoever pressed is told.
    pub(crate) fn marks(&mut self, now: Stamp, kind: MarkKind) -> Option<Stamp> {
        use MarkKind::{LoadOff, LoadOn, PlantOff, PlantOn};
        let press = self.answered.take_if(|_| matches!(kind, LoadOn | LoadOff | PlantOn | PlantOff))?;
        Some(self.marked(now, &press))
    }

    /// A press makes a mark: its time, and word to whoever pressed.
    pub(crate) fn marked(&self, now: Stamp, press: &Press) -> Stamp {
        let served = &self.page.shared.served;
        let at = now - press.age(served.now());
        served.marked(press, &format!("at {}", self.zone.local(at).time));
        at
    }

    /// A press that has made no mark makes none any more.
    fn let_go(&mut self, why: &str) {
        if let Some(press) = self.answered.take() {
            self.page.shared.served.passed_over(&press, why);
        }
    }

    /// Offers buttons that answer no prompt; each load takes a number of its own.
    pub(crate) fn offer(&mut self, words: &str, buttons: impl FnOnce(&dyn Fn() -> u64) -> Vec<Button>) {
        self.phone.asked = Some(words.to_owned());
        self.phone.at_laptop = false;
        self.phone.buttons = buttons(&|| self.page.number());
        self.publish();
    }

    /// The next press of what was offered so. Say what comes of it.
    pub(crate) fn taken(&self) -> Option<Press> {
        self.page.shared.served.press()
    }

    /// A press makes no mark.
    pub(crate) fn passed_over(&self, press: &Press, why: &str) {
        self.page.shared.served.passed_over(press, why);
    }

    /// Keeps a sentence for a while.
    pub(crate) fn say(&mut self, text: &str) {
        self.phone.say(text);
        self.publish();
    }

    /// Something that must not be missed.
    pub(crate) fn alarm(&mut self, text: &str) {
        self.let_go("the check has been stopped");
        self.phone.alarm = Some(text.to_owned());
        self.publish();
    }

    /// Shows how the readings stand.
    pub(crate) fn show(&mut self, now: Stamp, board: &Board) {
        self.phone.meters = board.meters.iter().map(|panel| meter(panel, now)).collect();
        self.publish();
    }
}

impl Drop for Sheet {
    fn drop(&mut self) {
        self.let_go("it has ended");
        self.closed();
        self.phone.ended = true;
        self.phone.meters.clear();
        self.publish();
    }
}

/// One meter's powers as they stand now; one that is too old is none.
fn meter(panel: &Panel, now: Stamp) -> PhoneMeter {
    let row = |phase: Phase, power: Option<f64>| PhoneRow {
        phase: phase.word().to_owned(),
        power: power.map(|power| format!("{:.0} W", power.abs())),
        direction: match power {
            Some(power) => direction(panel.role, panel.way(power)).to_owned(),
            None => "not known".to_owned(),
        },
    };
    let by_phase = panel.phases.iter().copied().filter(|phase| panel.has(Quantity::ActivePower, *phase));
    let mut rows: Vec<PhoneRow> =
        by_phase.map(|phase| row(phase, panel.value(now, Quantity::ActivePower, phase))).collect();
    if rows.len() != 1 || panel.has(Quantity::ActivePower, Phase::Total) {
        rows.push(row(Phase::Total, panel.total_w(now)));
    }
    PhoneMeter { name: panel.name.clone(), rows }
}
