//! What a search has found: units, and what came back of every address at every setting.

use std::collections::{BTreeMap, VecDeque};

use super::about::About;
use crate::base::Span;
use crate::link::{Chain, Earlier, Pairer, Quality, Question, Transaction};
use crate::profile::SerialSettings;
use crate::record::{Direction, Frame, LineInfo, Record, Role, Stray, StrayWhy};
use crate::wire::{Request, heard};

/// Fewer bytes than this in place of an answer are those of an unbiased line; the shortest answer has five. Ours.
const SOME: usize = 3;
/// Addresses looked back at for bytes that nobody was asked for. Ours.
const RECENT: usize = 16;
/// More addresses than this with spoilt answers at one setting are no matter of the address. Ours.
const MOST_DOUBTS: usize = 4;

/// A unit that was found.
#[derive(Clone, Debug)]
pub struct Unit {
    /// How the line was set.
    pub settings: SerialSettings,
    /// Of its first answer in time; `None` when it came late, or its baud is unknown.
    pub latency: Option<Span>,
    /// Its first answer was this exception.
    pub exception: Option<u8>,
    /// Its own words, by object.
    pub identity: Vec<(u8, String)>,
    /// Its models, where it has the marker of the open register model.
    pub chain: Chain,
}

/// What came back when an address was asked at one setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Answers {
    /// How the line was set.
    pub settings: SerialSettings,
    /// Questions.
    pub asked: u32,
    /// That brought a whole answer.
    pub whole: u32,
    /// That brought two.
    pub twice: u32,
    /// That brought a whole answer and bytes beside it.
    pub mixed: u32,
    /// That brought bytes and no whole answer.
    pub spoilt: u32,
}

/// What a question has brought so far.
#[derive(Clone, Copy, Debug)]
struct Window {
    unit: u8,
    whole: u32,
    /// One more answer came to it.
    twice: bool,
    bytes: usize,
}

type Key = (u8, u32, u8, u8);

/// Everything a search has found so far.
#[derive(Debug, Default)]
pub struct Findings {
    /// By address.
    pub units: BTreeMap<u8, Unit>,
    /// Whether the adapter gives back what is sent.
    pub echo: bool,
    /// All settings together.
    pub quality: Option<Quality>,
    answers: BTreeMap<Key, Answers>,
    about: BTreeMap<u8, About>,
    settings: SerialSettings,
    /// By setting: what stayed without an answer may be answered when the line is open so again.
    pairers: BTreeMap<Key, Pairer>,
    window: Option<Window>,
    question: Option<Request>,
    fresh: Vec<u8>,
    /// Of the last addresses asked for the first time at a setting: whether they brought bytes and nothing whole.
    pub(super) recent: VecDeque<bool>,
}

impl Findings {
    /// What came back of every address that was asked, by address and setting.
    pub fn answers(&self) -> impl Iterator<Item = (u8, &Answers)> {
        self.answers.iter().map(|(key, answers)| (key.0, answers))
    }

    /// Units found since this was last asked.
    pub fn news(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.fresh)
    }

    /// The line is open, with these settings.
    pub(super) fn begin(&mut self, info: &LineInfo, settings: SerialSettings, question: Option<Request>) {
        let lines = std::slice::from_ref(info);
        self.pairers.entry(key(0, settings)).or_insert_with(|| Pairer::new(lines));
        self.quality.get_or_insert_with(|| Quality::new(lines));
        self.settings = settings;
        self.question = question;
    }

    pub(super) fn take(&mut self, record: &Record) {
        let mut settled = Vec::new();
        if let Some(quality) = &mut self.quality {
            quality.record(record);
        }
        let mut second = false;
        if let Some(pairer) = self.pairers.get_mut(&key(0, self.settings)) {
            let before = pairer.second_answers();
            pairer.push(record, &mut settled);
            second = pairer.second_answers() > before;
        }
        if let Some(quality) = &mut self.quality {
            quality.second_answers += u64::from(second);
        }
        match record {
            Record::Frame(frame) if frame.direction == Direction::Out => {
                self.close_window();
                self.window = Some(Window { unit: frame.unit(), whole: 0, twice: false, bytes: 0 });
            }
            Record::Frame(frame) if frame.role == Role::Response => self.answer(frame, second),
            Record::Stray(stray) if stray.direction == Direction::In => self.stray(stray),
            _ => {}
        }
        self.settle(&settled);
    }

    /// The line is closed.
    pub(super) fn end(&mut self) {
        self.close_window();
        self.window = None;
        let mut settled = Vec::new();
        if let Some(pairer) = self.pairers.get_mut(&key(0, self.settings)) {
            pairer.close(&mut settled);
        }
        self.settle(&settled);
        for (unit, about) in &mut self.about {
            about.end();
            if let Some(known) = self.units.get_mut(unit) {
                known.chain.clone_from(&about.chain);
            }
        }
        self.doubt();
    }

    /// What was said at this setting before.
    pub(super) fn earlier(&self, settings: SerialSettings) -> Option<Earlier> {
        self.pairers.get(&key(0, settings))?.earlier(0)
    }

    /// What to ask next of the addresses that answered at this setting.
    pub(super) fn questions(&mut self) -> Vec<Question> {
        let mut questions = Vec::new();
        for (&unit, about) in &mut self.about {
            let whole = self.units.get(&unit).is_some_and(|known| known.settings == self.settings);
            questions.extend(about.questions(whole).into_iter().map(|request| Question { unit, request }));
        }
        questions
    }

    /// How long to wait for units that were found: three times the slowest of their first answers; one that came late counts
    /// for a second.
    pub(super) fn patience(&self) -> Span {
        let late = Span::from_millis(1000);
        let first = self.units.values().map(|unit| unit.latency.unwrap_or(late));
        let slowest = first.max().unwrap_or(Span::ZERO);
        (slowest * 3).max(Span::from_millis(300)).min(Span::from_millis(5000))
    }

    fn answer(&mut self, frame: &Frame, second: bool) {
        let unit = frame.unit();
        if !matches!(frame.pdu().first().map(|function| function & 0x7f), Some(3 | 4 | 43)) {
            return;
        }
        let Some(window) = &mut self.window else { return };
        let here = window.unit == unit;
        window.whole += u32::from(here);
        window.twice |= here && second;
        if let Some(answers) = self.answers.get_mut(&key(unit, self.settings)) {
            answers.twice += u32::from(second && !here);
        }
        if !self.units.contains_key(&unit) {
            let exception = heard::is_exception(frame.pdu()).then(|| frame.pdu().get(1).copied()).flatten();
            let (identity, chain) = (Vec::new(), Chain::default());
            self.units
                .insert(unit, Unit { settings: self.settings, latency: None, exception, identity, chain });
            self.fresh.push(unit);
            if let Some(question) = self.question {
                self.about.entry(unit).or_insert_with(|| About::new(question));
            }
        }
    }

    fn stray(&mut self, stray: &Stray) {
        if stray.why == StrayWhy::Echo {
            self.echo = true;
            return;
        }
        let Some(window) = &mut self.window else { return };
        window.bytes += stray.bytes.len();
    }

    fn close_window(&mut self) {
        let Some(window) = self.window.take() else { return };
        let settings = self.settings;
        let answers = self.answers.entry(key(window.unit, settings)).or_insert(Answers {
            settings,
            asked: 0,
            whole: 0,
            twice: 0,
            mixed: 0,
            spoilt: 0,
        });
        let some = window.bytes >= SOME;
        answers.asked += 1;
        answers.whole += u32::from(window.whole > 0);
        answers.twice += u32::from(window.twice);
        answers.mixed += u32::from(window.whole > 0 && some);
        answers.spoilt += u32::from(window.whole == 0 && some);
        if answers.asked == 1 {
            self.recent.push_back(answers.spoilt > 0);
            if self.recent.len() > RECENT {
                self.recent.pop_front();
            }
        }
    }

    fn settle(&mut self, settled: &[Transaction]) {
        for transaction in settled {
            if let Some(quality) = &mut self.quality {
                quality.transaction(transaction);
            }
            let unit = transaction.asked.unit;
            let Some(known) = self.units.get_mut(&unit) else { continue };
            known.latency = known.latency.or(transaction.latency);
            if let Some(about) = self.about.get_mut(&unit) {
                about.settle(transaction);
                known.identity.clone_from(&about.identity);
            }
        }
    }

    /// Addresses that brought bytes and nothing whole are asked again, unless all the line is like that.
    fn doubt(&mut self) {
        let here = key(0, self.settings);
        let spoilt = self.answers.iter().filter(|((unit, baud, parity, stop), answers)| {
            (*baud, *parity, *stop) == (here.1, here.2, here.3)
                && answers.spoilt > 0
                && !self.units.contains_key(unit)
        });
        let spoilt: Vec<(u8, u32)> = spoilt.map(|(key, answers)| (key.0, answers.asked)).collect();
        if spoilt.len() > MOST_DOUBTS {
            return;
        }
        for (unit, asked) in spoilt {
            if let Some(question) = self.question.filter(|_| asked == 1) {
                self.about.insert(unit, About::new(question));
            }
        }
    }
}

fn key(unit: u8, settings: SerialSettings) -> Key {
    (unit, settings.baud, settings.parity as u8, settings.stop_bits)
}
