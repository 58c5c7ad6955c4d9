//! Values read off a clamp meter: compared with the channel or with the load alone, kept, and no pass against them.

use wattward::base::Span;
use wattward::check::ct::{CtOptions, judge};
use wattward::check::{Finding, Verdict};
use wattward::record::{Mark, MarkKind};

use super::meter::{Kind, START};
use super::scene::{Played, Scene};
use super::world::STEP_S;

/// A single-phase site with a base load of some amperes, and what its meter should be told.
fn played(seed: u64) -> Played {
    let mut scene = Scene::plain(seed, 1, Kind::PowerReactiveVoltage);
    scene.house.base_w = 900.0;
    scene.play()
}

/// Currents of the whole and of the load alone in A, 5 s after the first switching: |S| / V.
fn amps(played: &Played) -> (f64, f64, f64) {
    let at = played.scene.house.switchings[0].at + 5.0;
    let instant = &played.instants[(at / STEP_S) as usize];
    let (with, without) = (instant.channels[0], instant.without[0]);
    let load = libm::hypot(with.0 - without.0, with.1 - without.1) / instant.volts[0];
    (at, libm::hypot(with.0, with.1) / instant.volts[0], load)
}

fn told(played: &Played, values: &[(f64, &str)]) -> Finding<wattward::check::ct::body::CtBody> {
    told_of(played, "current", values)
}

fn told_of(
    played: &Played,
    quantity: &str,
    values: &[(f64, &str)],
) -> Finding<wattward::check::ct::body::CtBody> {
    let mut case = played.case.clone();
    for (at, value) in values {
        let mut mark = Mark::new(START + Span::from_seconds(*at), MarkKind::Seen, "clamp meter");
        mark.quantity = Some(quantity.to_owned());
        mark.value = Some((*value).to_owned());
        mark.phase = Some("L1".to_owned());
        case.marks.push(mark);
    }
    case.marks.sort_by_key(|mark| mark.at);
    judge(&case, &CtOptions::default())
}

#[test]
fn a_clamp_meter_that_agrees_is_said_and_passes() {
    for seed in 0..5 {
        let played = played(seed);
        let (at, whole, load) = amps(&played);
        for (amps, words) in [(whole, ": they agree."), (load, "of it the load's: that agrees.")] {
            // A clamp meter of 2 % is off by as much.
            let finding = told(&played, &[(at, &format!("{:.1} A", 1.02 * amps))]);
            assert_eq!(finding.verdict, Verdict::Pass, "seed {seed} {:?}", finding.reasons);
            let said =
                finding.reasons.iter().find(|reason| reason.starts_with("Read off")).expect("a sentence");
            assert!(said.ends_with(words), "{said}");
        }
    }
}

#[test]
fn no_check_passes_against_a_clamp_meter_until_it_is_read_again() {
    for seed in 0..5 {
        let played = played(seed);
        let (at, whole, _) = amps(&played);
        let twice = format!("{:.1}", 2.0 * whole);
        let finding = told(&played, &[(at, &twice)]);
        assert_eq!(finding.verdict, Verdict::Inconclusive, "seed {seed} {:?}", finding.reasons);
        assert!(finding.headline.contains("they do not agree"), "{}", finding.headline);
        assert!(
            finding.next.iter().any(|next| next.contains("Read the current again")),
            "{:?}",
            finding.next
        );
        let again = format!("{whole:.1} A");
        let finding = told(&played, &[(at, &twice), (at + 1.0, &again)]);
        assert_eq!(finding.verdict, Verdict::Pass, "seed {seed} {:?}", finding.reasons);
        assert_eq!(finding.reasons.iter().filter(|reason| reason.starts_with("Read off")).count(), 2);
    }
}

/// Import read off beside export is no agreement, however alike the figures: that is what a reversed CT looks like.
#[test]
fn a_power_of_the_opposite_sign_does_not_agree() {
    for seed in 0..5 {
        for reversed in [false, true] {
            let mut scene = Scene::plain(seed, 1, Kind::PowerReactiveVoltage);
            scene.house.base_w = 900.0;
            scene.house.wires[0].reversed = reversed;
            let played = scene.play();
            let at = played.scene.house.switchings[0].at + 5.0;
            let instant = &played.instants[(at / STEP_S) as usize];
            // A wattmeter on the tails, and one on the load's own lead: both count what is drawn as positive.
            let (whole, load) = (instant.channels[0].0, instant.channels[0].0 - instant.without[0].0);
            for watts in [whole, load] {
                let finding = told_of(&played, "active power", &[(at, &format!("{:.0} W", watts.abs()))]);
                let said =
                    finding.reasons.iter().find(|reason| reason.starts_with("Read off")).expect("a sentence");
                let agrees = said.ends_with("they agree.") || said.ends_with("that agrees.");
                assert_eq!(agrees, !reversed, "seed {seed} {said}");
                assert_eq!(said.contains("of the opposite sign"), reversed, "seed {seed} {said}");
            }
        }
    }
}

/// A current beyond the whole by more than allowed, and yet near what the load draws, contradicts nothing.
#[test]
fn a_current_forbids_a_pass_only_where_it_differs_from_the_whole_and_from_the_load() {
    for seed in 0..5 {
        let played = played(seed);
        let (at, _, load) = amps(&played);
        // A fifth off the load alone: no agreement, and within a quarter of it.
        let finding = told(&played, &[(at, &format!("{:.1} A", 0.83 * load))]);
        assert_eq!(finding.verdict, Verdict::Pass, "seed {seed} {:?}", finding.reasons);
        let finding = told(&played, &[(at, &format!("{:.1} A", 0.5 * load))]);
        assert_eq!(finding.verdict, Verdict::Inconclusive, "seed {seed} {:?}", finding.reasons);
    }
}
