//! What a limit check is told beside the case: which meter, which window, an earlier `ct` to rely on.

use std::borrow::Cow;

use serde::Deserialize;

use crate::base::{Span, Stamp};
use crate::evidence::Case;
use crate::evidence::switching::watts;
use crate::profile::{Limit, Per, Rule, RuleLimit, Site};

/// Options of the check.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LimitOptions {
    /// The meter to judge; else the reference, else the steering meter.
    pub meter: Option<String>,
    /// The document of a `ct` check made earlier.
    pub ct_document: Option<CtDocument>,
    /// The window, where no marks or other marks than the last ones are meant.
    pub window: Option<(Stamp, Stamp)>,
    /// How long the window shall be, in s, in place of the site file's `window_s`.
    pub window_s: Option<f64>,
    /// One rule in place of the site file's: this export in W, over a second, for 5 s at most (contract 4's usual values).
    pub export_w: Option<f64>,
    /// Export at which a live window is ended, in W; bears on nothing else.
    pub abort_w: Option<f64>,
    /// The steering signal was to be taken away in this run: then a pass needs that it was, and that it ended well.
    pub signal_loss: bool,
}

/// What a limit check wants to know of a `ct` document.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct CtDocument {
    /// The check it is of.
    #[serde(default)]
    pub check: String,
    /// Its verdict.
    #[serde(default)]
    pub verdict: String,
    /// The site.
    #[serde(default)]
    pub site: String,
    /// The meter judged.
    #[serde(default)]
    pub meter: String,
    /// Its channels.
    #[serde(default)]
    pub channels: Vec<CtChannel>,
}

/// One channel of a `ct` document.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct CtChannel {
    /// Its name.
    #[serde(default)]
    pub channel: String,
    /// What was found.
    #[serde(default)]
    pub status: String,
}

/// A power, or what is wrong with it.
fn power(name: &str, value: &str) -> Result<f64, String> {
    watts(value).ok_or_else(|| format!("`{name} {value}` gives no power: write 2000W or 2kW"))
}

impl LimitOptions {
    /// From the options of a `check-start` mark, one a line: `--meter connection`. Those of other kinds are passed over.
    ///
    /// # Errors
    /// A `ct` document, a time or a power that cannot be read: without its option another rule would be judged.
    pub fn from_lines(lines: &[String]) -> Result<Self, String> {
        let mut options = Self::default();
        for line in lines {
            let (name, value) = line.split_once(' ').unwrap_or((line, ""));
            match name {
                "--meter" => options.meter = Some(value.to_owned()),
                "--ct" => options.ct_document = Some(CtDocument::parse(value)?),
                "--signal-loss" => options.signal_loss = true,
                "--window" => options.window_s = Some(Span::parse(value)?.seconds()),
                "--export" => options.export_w = Some(power(name, value)?),
                "--abort" => options.abort_w = Some(power(name, value)?),
                _ => {}
            }
        }
        Ok(options)
    }

    /// The limit that is judged: the site file's, or the one rule given in its place.
    pub fn limit(&self, site: &Site) -> Option<Limit> {
        let Some(export_w) = self.export_w else { return site.limit.clone() };
        let rule = Rule {
            limit: RuleLimit::Watts(export_w),
            per: Per::Total,
            averaging_s: 1.0,
            longest_s: 5.0,
            tolerance_w: 0.0,
            share: None,
        };
        let usual = || Limit { window_s: 1800.0, challenges: 3, overvoltage_v: None, rules: Vec::new() };
        Some(Limit { rules: vec![rule], ..site.limit.clone().unwrap_or_else(usual) })
    }

    /// The case with that limit in it.
    pub fn applied<'a>(&self, case: &'a Case) -> Cow<'a, Case> {
        if self.export_w.is_none() {
            return Cow::Borrowed(case);
        }
        let mut case = case.clone();
        case.site.limit = self.limit(&case.site);
        Cow::Owned(case)
    }
}

impl CtDocument {
    /// Reads the JSON of contract 6.
    ///
    /// # Errors
    /// A sentence about what is wrong with it.
    pub fn parse(text: &str) -> Result<Self, String> {
        let document: Self =
            serde_json::from_str(text).map_err(|error| format!("no verdict document: {error}"))?;
        if document.check == "ct" {
            Ok(document)
        } else {
            Err(format!("a document of the check `{}`, not of `ct`", document.check))
        }
    }

    /// Whether it passes this meter of this site: in so many words, and with every channel correct.
    pub fn passes(&self, site: &str, meter: &str) -> bool {
        self.is_of(site, meter)
            && self.verdict == "pass"
            && !self.channels.is_empty()
            && self.channels.iter().all(|channel| channel.status == "correct")
    }

    /// Whether it is about this meter of this site.
    pub fn is_of(&self, site: &str, meter: &str) -> bool {
        self.check == "ct" && self.site == site && self.meter == meter
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_power_that_cannot_be_read_is_refused_not_passed_over() {
        let options = |line: &str| LimitOptions::from_lines(&[line.to_owned()]);
        assert_eq!(options("--export 2kW").map(|options| options.export_w), Ok(Some(2000.0)));
        for line in ["--export five", "--export 2 A", "--abort lots"] {
            assert!(options(line).is_err(), "{line}");
        }
    }
}
