//! The procedure of a CT check as data: which load on which phase, how long it stays on and off, when the evidence
//! suffices. Values in, values out; whoever runs it asks, marks and waits.

use super::ct::body::{CtBody, Position, Status};
use super::{Finding, Verdict};
use crate::base::{Network, Phase, Span};
use crate::profile::{Placement, Site};

/// On/off pairs a verdict needs (contract 6).
pub const LEAST_PAIRS: usize = 3;
/// Pairs after which a phase that stays open is left, so that a visit ends. Ours.
pub const MOST_PAIRS: usize = 6;

/// On/off pairs that show whether a further load moves the meter, and after which it is left. Ours: three hits of three are
/// hardly chance, two may be.
pub const POSITION_PAIRS: (usize, usize) = (2, 3);

/// A known load to be switched a few times in one place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turn {
    /// Index of the load in the site file.
    pub load: usize,
    /// Where it tests: a line, in a delta a pair of lines.
    pub place: Placement,
    /// It has to be plugged in there first: the site file names no phase for it.
    pub carried: bool,
    /// Its place is tested by another load; this one shows whether it hangs behind the CTs.
    pub position: bool,
}

impl Turn {
    /// The line whose power shows it.
    pub fn phase(&self) -> Phase {
        match self.place {
            Placement::Line(phase) => phase,
            Placement::Between(Phase::L2L3) => Phase::L2,
            Placement::Between(Phase::L3L1) => Phase::L3,
            Placement::Between(_) | Placement::Balanced => Phase::L1,
        }
    }

    /// Fewest and most on/off pairs.
    pub fn pairs(&self) -> (usize, usize) {
        if self.position { POSITION_PAIRS } else { (LEAST_PAIRS, MOST_PAIRS) }
    }
}

/// Where a site needs a load: on every line, in a delta between every two.
fn places(site: &Site) -> Vec<Placement> {
    if site.network == Network::Delta && site.phases == 3 {
        return [Phase::L1L2, Phase::L2L3, Phase::L3L1].map(Placement::Between).to_vec();
    }
    site.lines().iter().copied().map(Placement::Line).collect()
}

/// The turns of a site, and the places for which it has no load. Loads that no place needs come last: what moves the meter
/// not at all is outside its CTs.
pub fn turns(site: &Site) -> (Vec<Turn>, Vec<Placement>) {
    let (mut turns, mut without): (Vec<Turn>, _) = (Vec::new(), Vec::new());
    let places = places(site);
    for place in places.iter().copied() {
        let on_it = site.loads.iter().position(|load| load.phase == Some(place));
        let carried = || site.loads.iter().position(|load| load.phase.is_none());
        match on_it.or_else(carried) {
            // With one line there is nowhere else to plug it in.
            Some(load) => {
                let carried = on_it.is_none() && places.len() > 1;
                turns.push(Turn { load, place, carried, position: false });
            }
            None => without.push(place),
        }
    }
    for (load, about) in site.loads.iter().enumerate() {
        let used = turns.iter().any(|turn| turn.load == load);
        if let Some(place) = about.phase.filter(|_| !used) {
            turns.push(Turn { load, place, carried: false, position: true });
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

/// Where a turn stands after `pairs` on/off pairs of its load, of this name.
pub fn progress(finding: &Finding<CtBody>, turn: &Turn, load: &str, pairs: usize) -> Progress {
    let (least, most) = turn.pairs();
    if pairs < least {
        return Progress::More;
    }
    if turn.position {
        let moves = |entry: &Position| entry.source == load && entry.seen == Some(true);
        let shown = finding.body.position.iter().any(moves);
        return if shown || pairs >= most { Progress::Next } else { Progress::More };
    }
    if finding.verdict == Verdict::Fail {
        return Progress::Shown;
    }
    let channel = finding.body.channels.iter().find(|channel| channel.channel == turn.place.word());
    // A meter that reports only a total is settled by the last phase, not by this one.
    let settled = channel.is_none_or(|channel| {
        matches!(channel.status, Status::Correct | Status::Faulty) && channel.pairs >= LEAST_PAIRS
    });
    if settled || pairs >= most { Progress::Next } else { Progress::More }
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
        let line = Placement::Line;
        assert_eq!(found, [Turn { load: 0, place: line(Phase::L2), carried: false, position: false }]);
        assert_eq!(without, [line(Phase::L1), line(Phase::L3)]);
        let both = format!("{fixed}[[load]]\nname = \"kettle\"\npower_W = 2000\n");
        let (found, without) = turns(&site(&both));
        let found: Vec<_> = found.iter().map(|turn| (turn.load, turn.phase(), turn.carried)).collect();
        assert_eq!(found, [(1, Phase::L1, true), (0, Phase::L2, false), (1, Phase::L3, true)]);
        assert_eq!(without, []);
    }

    #[test]
    fn every_load_of_the_site_file_has_its_turn() {
        let more = "[[load]]\nname = \"kettle\"\npower_W = 2000\nphase = \"L1\"\n\
                    [[load]]\nname = \"charger\"\npower_W = 11000\nphase = \"L1+L2+L3\"\n\
                    [[load]]\nname = \"iron\"\npower_W = 1000\nphase = \"L1\"\n";
        let (found, _) = turns(&site(more));
        let found: Vec<_> = found.iter().map(|turn| (turn.load, turn.place.word(), turn.position)).collect();
        assert_eq!(found, [(0, "L1", false), (1, "L1+L2+L3", true), (2, "L1", true)]);
    }

    #[test]
    fn a_delta_is_tested_between_its_lines() {
        let mut delta = site("[[load]]\nname = \"heater\"\npower_W = 2000\nphase = \"L2-L3\"\n");
        delta.network = Network::Delta;
        let (found, without) = turns(&delta);
        let words: Vec<_> = without.iter().map(|place| place.word()).collect();
        assert_eq!((found.len(), found[0].place.word(), words), (1, "L2-L3", vec!["L1-L2", "L3-L1"]));
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
