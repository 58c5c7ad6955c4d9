//! Marks: what a person or the tool noted at an instant, with the fields contract 5 gives them.

use crate::base::Stamp;

/// The kinds of mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[expect(missing_docs, reason = "the words are the contract's")]
pub enum MarkKind {
    Profile,
    Site,
    CheckStart,
    CheckEnd,
    LoadOn,
    LoadOff,
    WindowStart,
    WindowEnd,
    Verdict,
    Clock,
    LineLost,
    LineBack,
    SignalOff,
    SignalOn,
    PlantOff,
    PlantOn,
    StorageIdle,
    Seen,
    Note,
}

impl MarkKind {
    /// All of them.
    pub const ALL: [Self; 19] = [
        Self::Profile,
        Self::Site,
        Self::CheckStart,
        Self::CheckEnd,
        Self::LoadOn,
        Self::LoadOff,
        Self::WindowStart,
        Self::WindowEnd,
        Self::Verdict,
        Self::Clock,
        Self::LineLost,
        Self::LineBack,
        Self::SignalOff,
        Self::SignalOn,
        Self::PlantOff,
        Self::PlantOn,
        Self::StorageIdle,
        Self::Seen,
        Self::Note,
    ];

    /// The word in `WATTWARD_MARK=`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Profile => "profile",
            Self::Site => "site",
            Self::CheckStart => "check-start",
            Self::CheckEnd => "check-end",
            Self::LoadOn => "load-on",
            Self::LoadOff => "load-off",
            Self::WindowStart => "window-start",
            Self::WindowEnd => "window-end",
            Self::Verdict => "verdict",
            Self::Clock => "clock",
            Self::LineLost => "line-lost",
            Self::LineBack => "line-back",
            Self::SignalOff => "signal-off",
            Self::SignalOn => "signal-on",
            Self::PlantOff => "plant-off",
            Self::PlantOn => "plant-on",
            Self::StorageIdle => "storage-idle",
            Self::Seen => "seen",
            Self::Note => "note",
        }
    }

    /// Reads the word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// One mark. Fields are `None` where the kind has no use for them or the writer left them out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// When, cut to microseconds.
    pub at: Stamp,
    /// What kind.
    pub kind: MarkKind,
    /// For people.
    pub message: String,
    /// `WATTWARD_LINE`: name of the line.
    pub line: Option<String>,
    /// `WATTWARD_PLANT`: name of the plant.
    pub plant: Option<String>,
    /// `WATTWARD_SYSTEM_TIME`: what the system's clock said, on `clock` marks.
    pub system_time: Option<String>,
    /// `WATTWARD_QUANTITY`, on `seen`.
    pub quantity: Option<String>,
    /// `WATTWARD_VALUE`, on `seen`.
    pub value: Option<String>,
    /// `WATTWARD_PHASE`: `L1`, `L1+L2+L3`, `L1-L2`.
    pub phase: Option<String>,
    /// `WATTWARD_LOAD`: name of the load.
    pub load: Option<String>,
    /// `WATTWARD_LOAD_W`: its power.
    pub load_w: Option<String>,
    /// `WATTWARD_METER`: which meter a profile belongs to.
    pub meter: Option<String>,
    /// `WATTWARD_TEXT`, decoded from its JSON string.
    pub text: Option<String>,
}

impl Mark {
    /// A mark without fields, its time cut to microseconds.
    pub fn new(at: Stamp, kind: MarkKind, message: impl Into<String>) -> Self {
        Self {
            at: at.cut_to_micros(),
            kind,
            message: message.into(),
            line: None,
            plant: None,
            system_time: None,
            quantity: None,
            value: None,
            phase: None,
            load: None,
            load_w: None,
            meter: None,
            text: None,
        }
    }

    /// The line of a `check-start` text that goes on with a check that was left; the time that check began comes after it.
    pub const RESUME: &str = "--resume";

    /// When the check began that this `check-start` goes on with.
    pub fn resumes(&self) -> Option<Stamp> {
        let text = self.text.as_deref().filter(|_| self.kind == MarkKind::CheckStart)?;
        text.lines().find_map(|line| Stamp::parse(line.trim().strip_prefix(Self::RESUME)?.trim()))
    }
}
