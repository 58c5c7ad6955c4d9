//! What the phone page shows, as plain data: live power with its direction in words, what is asked now, buttons, cautions.

use serde::Serialize;

use super::cautions;

/// Sentences kept on the page.
const SAID: usize = 4;

/// The page at one moment.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Phone {
    /// The site's name.
    pub site: String,
    /// What the laptop does.
    pub doing: String,
    /// Its meters, in the site file's order.
    pub meters: Vec<PhoneMeter>,
    /// What is asked now.
    pub asked: Option<String>,
    /// Who answers that: whoever holds the phone, or only the person at the laptop.
    pub at_laptop: bool,
    /// What can be pressed, in pairs that stay in their places.
    pub buttons: Vec<Button>,
    /// What must not be missed.
    pub alarm: Option<String>,
    /// What was said last, newest last.
    pub said: Vec<String>,
    /// What can hurt.
    pub cautions: Vec<String>,
    /// Nothing more will come.
    pub ended: bool,
}

/// One meter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PhoneMeter {
    /// Its name in the site file.
    pub name: String,
    /// By phase, then in all.
    pub rows: Vec<PhoneRow>,
}

/// Power of one phase.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PhoneRow {
    /// `L1`, `total`.
    pub phase: String,
    /// Its size with unit; nothing where there is none, or it is too old.
    pub power: Option<String>,
    /// Where it flows, in words with an arrow; why there is no power.
    pub direction: String,
}

/// Something that sets a mark when it is pressed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Button {
    /// What it is about: a prompt's number. Only what is offered for the present number is taken.
    pub ask: u64,
    /// Which of the prompt's buttons.
    pub key: String,
    /// Its words.
    pub label: String,
    /// Whether a press would be taken now.
    pub offered: bool,
}

impl Phone {
    /// Nothing read and nothing asked yet.
    pub fn new(site: &str, doing: &str) -> Self {
        let cautions = cautions::PANEL.into_iter().chain([cautions::RULES]);
        Self {
            site: site.to_owned(),
            doing: doing.to_owned(),
            cautions: cautions.map(str::to_owned).collect(),
            ..Self::default()
        }
    }

    /// Keeps a sentence until newer ones push it out.
    pub fn say(&mut self, text: &str) {
        self.said.push(text.trim().to_owned());
        let over = self.said.len().saturating_sub(SAID);
        self.said.drain(..over);
    }

    /// Asks something that is answered by a button, and by which.
    pub fn ask(&mut self, ask: u64, text: &str, on: bool) {
        self.asked = Some(text.to_owned());
        self.at_laptop = false;
        self.buttons = pair(ask, "", &[on]);
    }

    /// Asks something that only the person at the laptop answers.
    pub fn ask_laptop(&mut self, text: &str) {
        self.asked = Some(text.to_owned());
        self.at_laptop = true;
        self.buttons = pair(0, "", &[]);
    }

    /// Nothing is asked.
    pub fn wait(&mut self) {
        self.asked = None;
        self.at_laptop = false;
        self.buttons = pair(0, "", &[]);
    }
}

/// "Switched on" and "switched off", always in this order, so that no finger meets the other one; `offered`: which of them
/// would be taken. `what`: the load, where there are several.
pub fn pair(ask: u64, what: &str, offered: &[bool]) -> Vec<Button> {
    let button = |on: bool| {
        let (key, words) = if on { ("on", "switched on") } else { ("off", "switched off") };
        let label = if what.is_empty() { format!("S{}", &words[1..]) } else { format!("{what} {words}") };
        Button { ask, key: key.to_owned(), label, offered: offered.contains(&on) }
    };
    vec![button(true), button(false)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_button_asked_for_is_offered_and_both_keep_their_places() {
        let mut phone = Phone::new("Mill", "CT direction");
        for on in [true, false] {
            phone.ask(7, "switch the kettle", on);
            let seen: Vec<_> = phone.buttons.iter().map(|one| (one.label.as_str(), one.offered)).collect();
            assert_eq!(seen, [("Switched on", on), ("Switched off", !on)]);
        }
        phone.ask_laptop("ready?");
        assert!(phone.at_laptop && phone.buttons.iter().all(|one| !one.offered));
        phone.wait();
        assert!(phone.asked.is_none() && phone.buttons.len() == 2);
        assert_eq!(pair(1, "kettle", &[])[0].label, "kettle switched on");
    }

    #[test]
    fn it_says_no_more_than_fits_and_always_the_cautions() {
        let mut phone = Phone::new("Mill", "CT direction");
        (0..9).for_each(|number| phone.say(&format!("{number}\n")));
        assert_eq!(phone.said, ["5", "6", "7", "8"]);
        assert_eq!(phone.cautions.len(), cautions::PANEL.len() + 1);
    }
}
