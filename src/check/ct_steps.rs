//! The procedure of a CT check as data: which load on which phase, how long it stays on and off, when the evidence
//! suffices. Values in, values out; whoever runs it asks, marks and waits.

use super::ct::body::{CtBody, Status};
use super::{Finding, Verdict};
use crate::base::{Phase, Span};
use crate::profile::{Placement, Site};

/// On/off pairs a verdict needs (contract 6).
pub const LEAST_PAIRS: usize = 3;
/// Pairs after which a phase that stays open is left, so that a visit ends. Ours.
pub const MOST_PAIRS: usize = 6;

/// A known load to be switched a few times on one phase.
#[derive(Clone, Debug, PartialEq)]
pub struct Turn {
    /// Index of the load in the site file.
    pub load: usize,
    /// The phase it tests.
    pub phase: Phase,
    /// It has to be plugged in there first: the site file names no phase for it.
    pub carried: bool,
}

/// The turns of a site, and the phases for which it has no load.
pub fn turns(site: &Site) -> (Vec<Turn>, Vec<Phase>) {
    let (mut turns, mut without) = (Vec::new(), Vec::new());
    for &phase in site.lines() {
        let on_it = site.loads.iter().position(|load| load.phase == Some(Placement::Line(phase)));
        let carried = || site.loads.iter().position(|load| load.phase.is_none());
        match on_it.or_else(carried) {
            // With one line there is nowhere else to plug it in.
            Some(load) => {
                turns.push(Turn { load, phase, carried: on_it.is_none() && site.lines().len() > 1 });
            }
            None => without.push(phase),
        }
    }
    (turns, without)
}

/// How long a load stays on, and off: long enough for some four readings beside what the meter's renewal and averaging
/// blur, and irregular, so that nothing periodic in the house keeps in step. Ours.
#[derive(Clone, Debug)]
pub struct Holds {
    base_s: f64,
    state: u64,
}

impl Holds {
    /// For a meter that is read `every`, renews its values each `update` and averages over `averaging`.
    pub fn new(every: Span, update: Span, averaging: Span, seed: u64) -> Self {
        let blurred_s = (update + averaging + every).seconds();
        Self { base_s: (blurred_s + 4.0 * every.max(update).seconds()).clamp(1.2, 30.0), state: seed }
    }

    /// The next one: 1 to 1.5 times the base.
    pub fn draw(&mut self) -> Span {
        // SplitMix64: any generator serves; the intervals only have to be irregular.
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut bits = (self.state ^ (self.state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        let unit = ((bits ^ (bits >> 31)) >> 11) as f64 / (1u64 << 53) as f64;
        Span::from_seconds(self.base_s * (1.0 + 0.5 * unit))
    }
}

/// A power that has gone this many times the load's away from where it was before the load came on is running off: a control
/// follows a reversed CT. Ours.
pub const RUNS_OFF: f64 = 2.5;

/// Whether the power runs off after a load was switched: time to stop the plant and end the test. Only a site with a plant
/// has a control that can do it.
pub fn runs_off(site: &Site, before_w: f64, now_w: f64, load_w: f64) -> bool {
    !site.plants.is_empty() && (now_w - before_w).abs() > RUNS_OFF * load_w
}

/// What the finding so far asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// More pairs on this phase.
    More,
    /// This phase is settled, or more pairs will not settle it.
    Next,
    /// A fault is shown: no further phase can change the verdict.
    Shown,
}

/// Where a turn stands after `pairs` on/off pairs.
pub fn progress(finding: &Finding<CtBody>, phase: Phase, pairs: usize) -> Progress {
    if finding.verdict == Verdict::Fail && pairs >= LEAST_PAIRS {
        return Progress::Shown;
    }
    if pairs < LEAST_PAIRS {
        return Progress::More;
    }
    let channel = finding.body.channels.iter().find(|channel| channel.channel == phase.word());
    // A meter that reports only a total is settled by the last phase, not by this one.
    let settled = channel.is_none_or(|channel| {
        matches!(channel.status, Status::Correct | Status::Faulty) && channel.pairs >= LEAST_PAIRS
    });
    if settled || pairs >= MOST_PAIRS { Progress::Next } else { Progress::More }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::parse_site;

    fn site(loads: &str) -> Site {
        let text =
            format!("[site]\nphases = 3\n[[meter]]\nprofile = \"x\"\nline = {{ serial = \"x\" }}\n{loads}");
        parse_site("site.toml", &text).expect("a site").0
    }

    #[test]
    fn a_load_is_used_where_it_stands_and_carried_where_none_does() {
        let fixed = "[[load]]\nname = \"oven\"\npower_W = 2000\nphase = \"L2\"\n";
        let (found, without) = turns(&site(fixed));
        assert_eq!(found, [Turn { load: 0, phase: Phase::L2, carried: false }]);
        assert_eq!(without, [Phase::L1, Phase::L3]);
        let both = format!("{fixed}[[load]]\nname = \"kettle\"\npower_W = 2000\n");
        let (found, without) = turns(&site(&both));
        let found: Vec<_> = found.iter().map(|turn| (turn.load, turn.phase, turn.carried)).collect();
        assert_eq!(found, [(1, Phase::L1, true), (0, Phase::L2, false), (1, Phase::L3, true)]);
        assert_eq!(without, []);
    }

    #[test]
    fn a_power_runs_off_only_where_a_plant_can_make_it() {
        let plain = site("");
        let plant = site("[[plant]]\nname = \"roof\"\nrated_W = 5000\n");
        assert!(!runs_off(&plain, 300.0, 9300.0, 2000.0));
        assert!(runs_off(&plant, 300.0, -5000.0, 2000.0));
        assert!(!runs_off(&plant, 300.0, 2300.0, 2000.0));
        // A wrong ratio of two is no run-away.
        assert!(!runs_off(&plant, 300.0, 4300.0, 2000.0));
    }

    #[test]
    fn holds_are_irregular_and_outlast_what_the_meter_blurs() {
        let second = Span::from_millis(1000);
        let mut holds = Holds::new(second, second, second, 1);
        let drawn: Vec<f64> = (0..50).map(|_| holds.draw().seconds()).collect();
        assert!(drawn.iter().all(|hold| (7.0..=10.5).contains(hold)));
        let spread = drawn.iter().copied().fold(0.0, f64::max) - drawn.iter().copied().fold(99.0, f64::min);
        assert!(spread > 2.0, "{drawn:?}");
        let mut again = Holds::new(second, second, second, 1);
        assert_eq!(drawn[0], again.draw().seconds());
    }
}
