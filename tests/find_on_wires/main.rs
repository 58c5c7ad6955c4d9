//! The search on a line simulated bit by bit, in simulated time: what a wrong setting, two units on one address, swapped wires
//! and other masters do to it cannot be shown on a pseudo-terminal.

#![expect(clippy::panic, clippy::expect_used, reason = "a test may stop where it stands")]

mod bench;
#[path = "../common/crc.rs"]
#[expect(unreachable_pub, reason = "shared by test files")]
mod crc;

use bench::{Bench, LISTEN, START, first, search, terms, unit};
use wattward::base::Span;
use wattward::link::ChainEnd;
use wattward::link::search::{Hunt, SELDOM, Terms, USUAL};
use wattward::profile::{Parity, SerialSettings};

fn set(baud: u32, parity: Parity) -> SerialSettings {
    SerialSettings { baud, parity, stop_bits: 1 }
}

#[test]
fn a_meter_at_any_usual_setting_is_found_within_five_seconds_after_the_listening() {
    let mut slowest = Span::ZERO;
    for settings in USUAL {
        for address in 1..=8 {
            for turnaround in [2, 40, 80] {
                let mut meter = unit(address, settings);
                meter.turnaround = Span::from_millis(turnaround);
                let run = first(Bench::new(vec![meter]), terms());
                let (found, after) = run.found[0];
                assert_eq!((found, run.hunt.findings().units[&found].settings), (address, settings));
                assert!(after < Span::from_millis(5000), "{address} at {settings}: {after}");
                slowest = slowest.max(after);
            }
        }
    }
    // Should it become much faster, the figure in the manual is to be made again.
    assert!(slowest > Span::from_millis(3500), "{slowest}");
}

#[test]
fn a_silent_line_is_searched_in_the_time_that_was_said() {
    let hunt = Hunt::new(terms());
    let (first, slow) = hunt.left();
    assert!(first < Span::from_millis(150_000), "{first}");
    let run = search(Bench::new(Vec::new()), terms());
    let took = run.now - START - LISTEN;
    assert!(
        took <= first + slow && took.seconds() > 0.8 * (first + slow).seconds(),
        "{took} of {first} and {slow}"
    );
    assert_eq!(run.asked.len(), 2 * 4 * 247);
    assert!(run.first_clue().what.starts_with("no power at the unit"), "{:?}", run.clues());
    assert!(run.first_clue().evidence.contains("not a byte heard"));
}

#[test]
fn an_exception_is_a_unit_and_a_slow_one_is_found_in_the_second_pass() {
    let mut meter = unit(3, USUAL[2]);
    meter.registers = (1000, vec![1]);
    let run = search(Bench::new(vec![meter.clone()]), Terms { units: vec![3, 4], ..terms() });
    assert_eq!(run.hunt.findings().units[&3].exception, Some(2));
    assert_eq!(run.clues(), []);
    meter.turnaround = Span::from_millis(700);
    let run = search(Bench::new(vec![meter]), Terms { units: vec![3], ..terms() });
    assert_eq!(run.hunt.findings().units[&3].settings, USUAL[2]);
}

#[test]
fn two_units_on_one_address_are_told_by_what_comes_back() {
    let pair = |apart: i64| {
        let (mut one, mut other) = (unit(5, USUAL[0]), unit(5, USUAL[0]));
        other.registers.1 = vec![0x4321];
        other.identity = Some("Example");
        one.turnaround = Span::from_millis(20);
        other.turnaround = one.turnaround + Span::from_micros(apart);
        Bench::new(vec![one, other, unit(7, USUAL[0])])
    };
    let few = || Terms { units: (1..=9).collect(), ..terms() };
    // One after the other: both are heard whole.
    for marks in [true, false] {
        let mut bench = pair(40_000);
        bench.marks = marks;
        let run = search(bench, few());
        assert_eq!(run.first_clue().what, "two units with one address", "{:?}", run.clues());
        assert!(run.first_clue().evidence.starts_with("unit 5: "), "{:?}", run.clues());
        // Counted once, whoever tells it.
        let findings = run.hunt.findings();
        let twice: u32 = findings.answers().map(|(_, answers)| answers.twice).sum();
        let second = findings.quality.as_ref().map_or(0, |quality| quality.second_answers);
        assert!(twice > 1 && u64::from(twice) == second, "{twice} {second}");
    }
    // At once: nobody understands a word, but only at this address.
    for marks in [true, false] {
        for apart in [300, 1500, 4000] {
            let mut bench = pair(apart);
            bench.marks = marks;
            let run = search(bench, few());
            let clue = run.first_clue();
            assert!(clue.what.starts_with("two units with one address"), "{apart} us: {:?}", run.clues());
            assert!(clue.evidence.contains(" 5") && !clue.evidence.contains("unit 7"), "{clue:?}");
            assert!(run.hunt.findings().units.contains_key(&7));
        }
    }
}

#[test]
fn one_unit_alone_and_several_that_are_well_give_no_clue() {
    for units in [vec![unit(1, USUAL[1])], vec![unit(2, USUAL[3]), unit(3, USUAL[3]), unit(200, USUAL[3])]] {
        let count = units.len();
        let run = search(Bench::new(units), terms());
        assert_eq!((run.hunt.findings().units.len(), run.clues()), (count, Vec::new()));
    }
}

#[test]
fn a_slow_unit_whose_answers_come_late_is_one_unit() {
    for turnaround in [95, 130, 180, 250, 330, 450, 700, 950] {
        let mut meter = unit(2, USUAL[0]);
        meter.turnaround = Span::from_millis(turnaround);
        let run = search(Bench::new(vec![meter]), Terms { units: vec![1, 2, 3], ..terms() });
        let found = run.hunt.findings().units.get(&2).expect("found");
        assert_eq!((found.settings, run.clues()), (USUAL[0], Vec::new()), "{turnaround} ms");
    }
}

#[test]
fn an_echo_is_taken_off_and_told_from_an_answer() {
    let few = || Terms { units: vec![1, 2, 3], ..terms() };
    let mut bench = Bench::new(vec![unit(2, USUAL[1])]);
    bench.echo = true;
    let run = search(bench, few());
    assert_eq!(run.hunt.findings().units.keys().copied().collect::<Vec<u8>>(), [2]);
    assert!(run.hunt.findings().echo);
    assert_eq!(run.clues().len(), 1, "{:?}", run.clues());
    assert_eq!(run.first_clue().what, "the adapter echoes what is sent");
    let mut dead = Bench::new(Vec::new());
    dead.echo = true;
    let run = search(dead, few());
    assert!(run.hunt.findings().units.is_empty());
    assert!(run.first_clue().what.starts_with("no power"), "{:?}", run.clues());
    assert!(run.first_clue().evidence.contains("but the echo of our own"), "{:?}", run.clues());
}

#[test]
fn swapped_wires_show_as_a_break_and_a_setting_that_was_not_tried_as_silence() {
    let few = || Terms { units: vec![1, 2, 3], ..terms() };
    let mut bench = Bench::new(vec![unit(2, USUAL[0])]);
    bench.swapped = true;
    let run = search(bench, few());
    assert_eq!(run.first_clue().what, "A and B swapped at this adapter");
    let slow = set(4800, Parity::None);
    let run = search(Bench::new(vec![unit(2, slow)]), few());
    assert!(
        run.first_clue().what.contains("settings or an address that were not tried"),
        "{:?}",
        run.clues()
    );
    let all = Terms { settings: USUAL.into_iter().chain(SELDOM).collect(), ..few() };
    let run = search(Bench::new(vec![unit(2, slow)]), all);
    assert_eq!(run.hunt.findings().units[&2].settings, slow);
}

#[test]
fn a_unit_that_takes_any_parity_is_told_by_its_answers() {
    let mut meter = unit(2, set(9600, Parity::Even));
    meter.lenient = true;
    let narrow = Terms { settings: vec![set(9600, Parity::Odd)], units: vec![1, 2, 3], ..terms() };
    let run = search(Bench::new(vec![meter.clone()]), narrow);
    assert!(run.first_clue().what.ends_with("or one that answers with another parity"), "{:?}", run.clues());
    // Where its own is tried too, it is simply found.
    let run = search(Bench::new(vec![meter]), Terms { units: vec![1, 2, 3], ..terms() });
    assert_eq!(run.hunt.findings().units[&2].settings, set(9600, Parity::Even));
    assert_eq!(run.clues(), []);
}

#[test]
fn another_master_ends_the_search_before_and_while_asking() {
    // Heard while listening, at whatever speed.
    for theirs in [USUAL[0], USUAL[1], set(115_200, Parity::None)] {
        let mut bench = Bench::new(vec![unit(200, USUAL[0])]);
        bench.other = Some((START, theirs));
        let run = search(bench, terms());
        assert!(run.refused && run.asked.is_empty(), "{theirs}");
    }
    // Speaks up later: at the speed of the search its first question ends it, at another one bytes at several addresses do.
    for (theirs, most) in [(USUAL[0], 3), (set(38_400, Parity::Even), 20)] {
        let mut bench = Bench::new(Vec::new());
        let from = START + LISTEN + Span::from_millis(12_000);
        bench.other = Some((from, theirs));
        let run = search(bench, Terms { settings: vec![USUAL[0]], ..terms() });
        assert!(run.refused || run.over, "{theirs}");
        let after = run.asked.iter().filter(|at| **at > from).count();
        assert!(after <= most, "{after} questions after {theirs} was heard first");
    }
}

/// The marker's place answers so late that the next place has been asked meanwhile, in a turn of its own: what comes then
/// is no marker there.
#[test]
fn a_late_marker_is_not_taken_for_one_at_the_next_place() {
    for late in [900, 1400, 2000, 3000, 5000] {
        let mut meter = unit(1, USUAL[0]);
        meter.registers = (40_000, vec![0x5375, 0x6e53, 1, 2, 0, 0, 0xffff, 0]);
        meter.slow = Some((40_000, Span::from_millis(late)));
        let run = search(Bench::new(vec![meter]), Terms { units: vec![1], ..terms() });
        let base = run.hunt.findings().units[&1].chain.base();
        assert!(matches!(base, None | Some(40_000)), "{late} ms: {base:?}");
    }
}

#[test]
fn the_models_of_the_open_register_model_are_listed_with_the_units_own_words() {
    // Base 40000, model 1 at 40002 with 66 registers, model 203 at 40070 with 105, end at 40177: computed from the open
    // definitions.
    let mut registers = vec![0x5375, 0x6e53, 1, 66];
    registers.extend([0; 66]);
    registers.extend([203, 105]);
    registers.extend([0; 105]);
    registers.extend([0xffff, 0]);
    let mut meter = unit(1, USUAL[0]);
    meter.registers = (40_000, registers);
    meter.identity = Some("Example");
    let run = search(Bench::new(vec![meter]), Terms { units: vec![1, 2], ..terms() });
    let found = &run.hunt.findings().units[&1];
    let models: Vec<_> =
        found.chain.models().iter().map(|model| (model.id, model.address, model.length)).collect();
    assert_eq!(models, [(1, 40_002, 66), (203, 40_070, 105)]);
    assert_eq!(found.chain.end(), Some(ChainEnd::Marked));
    assert_eq!(found.identity, [(0, "Example".to_owned())]);
}
