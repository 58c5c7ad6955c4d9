//! Ten-minute logs over a line simulated bit by bit, with every fault it knows, in simulated time: master, framer and pairing
//! as a live log has them. Whatever happens, an answer that makes a reading tells what the meter showed after this very
//! question, and the summary counts what was done to the line.
//!
//! The full run: `WATTWARD_SEEDS=1000 cargo test --release --test faulty_line -- --nocapture`.

#![expect(
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may stop where it stands, and tells its figures"
)]

#[path = "common/bench.rs"]
mod bench;

use bench::{Bench, Conditions, UNIT};
use wattward::base::Span;
use wattward::link::quality::causes::{HELD_BACK, causes};
use wattward::link::{Outcome, TimeoutBounds};
use wattward::sim::bits::Fault;

fn seeds(usual: u64) -> u64 {
    std::env::var("WATTWARD_SEEDS").ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

/// What some runs came to.
#[derive(Debug, Default)]
struct Sum {
    questions: u64,
    /// Answered whole, unspoilt and before the next question.
    clean: u64,
    readings: u64,
    suspect: u64,
}

/// Ten minutes of a log; every reading is held against the meter.
fn ten_minutes(conditions: &Conditions, sum: &mut Sum) -> Bench {
    let mut bench = Bench::new(conditions);
    bench.run(Span::from_millis(600_000));
    for transaction in bench.settled.iter().filter(|transaction| transaction.asked.unit == UNIT) {
        sum.questions += 1;
        if transaction.suspect {
            sum.suspect += 1;
            continue;
        }
        if let Outcome::Answer { at, pdu } = &transaction.outcome {
            if pdu[0] == 43 {
                continue;
            }
            // However late answers come: what a reading tells of is no older than the longest time-out.
            let took = *at - transaction.asked_at;
            let longest = TimeoutBounds::default().ceiling + Span::from_millis(9 + conditions.lump_ms);
            assert!(took <= longest, "{took}: {transaction:?} of {conditions:?}");
            if let Err(why) = bench::tells_of(transaction.asked.address, pdu, transaction.asked_at..*at) {
                panic!("{why}: {transaction:?} of {conditions:?}");
            }
            sum.readings += 1;
        }
    }
    sum.clean += bench.clean();
    bench
}

fn no_reading_is_stale_foreign_or_invented(seeds: u64) {
    let mut sums: Vec<Sum> = (0..3).map(|_| Sum::default()).collect();
    for seed in 0..seeds {
        let group = seed as usize % 3;
        let conditions = Conditions::all_faults(seed, [0.002, 0.01, 0.03][group]);
        ten_minutes(&conditions, &mut sums[group]);
    }
    for (sum, least) in sums.iter().zip([0.95, 0.85, 0.6]) {
        // Not by believing nothing: of what came whole, unspoilt and in time, most became readings.
        let share = sum.readings as f64 / sum.clean.max(1) as f64;
        println!("{sum:?}: {share:.3} of the clean answers became readings");
        assert!(share > least, "{sum:?}");
    }
}

/// One fault at a time: every one shows in the counts as what it was.
fn the_summary_counts_what_was_done(seeds: u64) {
    let (mut total, mut met) = ([0; 4], 0);
    for seed in 0..seeds {
        let bench = ten_minutes(&Conditions::one_at_a_time_mildly(seed), &mut Sum::default());
        let (due, told) = (bench.due(), told(&bench));
        let injected = bench.line.injected();
        assert_eq!(
            told,
            [due.answered, due.silent, due.damaged, due.late],
            "answers, timeouts, damaged, late; seed {seed}, {due:?}, {injected:?}"
        );
        assert_eq!(bench.master.counters().asked, bench.quality.requests + due.open, "seed {seed}");
        total.iter_mut().zip(told).for_each(|(sum, count)| *sum += count);
        met += due.chance;
    }
    println!("answers, timeouts, damaged, late: {total:?}, {met} questions met an answer");
    assert!(total.iter().all(|count| *count > seeds), "{total:?}");
}

/// The same with answers up to twelve seconds late and adapters that hand bytes on in lumps. Where a question met an answer
/// on the wires, what is heard of the two is chance; nowhere else may a count differ.
fn the_summary_counts_what_was_done_on_a_worse_line(seeds: u64) {
    let (mut exact, mut sure) = (0, 0);
    for seed in 0..seeds {
        let bench = ten_minutes(&Conditions::one_at_a_time(seed), &mut Sum::default());
        let due = bench.due();
        let [answers, timeouts, damaged, late] = told(&bench);
        let injected = bench.line.injected();
        let told = format!("{answers} {timeouts} {damaged} {late}; seed {seed}, {due:?}, {injected:?}");
        assert_eq!((answers, timeouts + damaged), (due.answered, due.silent + due.damaged), "{told}");
        assert!((due.damaged..=due.damaged + due.chance).contains(&damaged), "{told}");
        assert!(late.abs_diff(due.late) <= due.chance, "{told}");
        exact += u64::from((damaged, late) == (due.damaged, due.late));
        sure += u64::from(due.chance == 0);
        assert_eq!(bench.master.counters().asked, bench.quality.requests + due.open, "seed {seed}");
    }
    println!("{exact} of {seeds} logs to the last one, {sure} of them without a meeting");
    assert!(exact * 4 >= seeds * 3 && sure * 4 >= seeds, "{exact} and {sure} of {seeds}");
}

/// Answers, timeouts, damaged and late answers, as the summary has them.
fn told(bench: &Bench) -> [u64; 4] {
    let quality = &bench.quality;
    let answers = quality.answers + quality.exceptions.values().sum::<u64>();
    [answers, quality.timeouts, quality.damaged, bench.pairer.late()]
}

#[test]
fn no_reading_of_some_seeds_is_stale_foreign_or_invented() {
    no_reading_is_stale_foreign_or_invented(seeds(24));
}

#[test]
fn the_summary_of_some_seeds_counts_what_was_done() {
    the_summary_counts_what_was_done(seeds(12));
}

#[test]
fn the_summary_of_some_seeds_counts_what_was_done_on_a_worse_line() {
    the_summary_counts_what_was_done_on_a_worse_line(seeds(12));
}

#[test]
fn a_clean_line_loses_nothing() {
    for echo in [false, true] {
        let mut sum = Sum::default();
        let bench = ten_minutes(&Conditions { echo, ..Conditions::clean(7) }, &mut sum);
        let counters = bench.master.counters();
        assert_eq!((counters.timeouts, counters.damaged, counters.unexpected), (0, 0, 0), "{counters:?}");
        assert!(sum.readings + 1 >= sum.clean && sum.clean >= 1790, "{sum:?}");
        assert_eq!(counters.separators, 0);
    }
}

#[test]
fn a_latency_timer_of_16_ms_is_recognised_from_the_answers_and_no_other_is() {
    for lump_ms in [0, 1, 4, 16] {
        let mut bench = Bench::new(&Conditions { lump_ms, ..Conditions::clean(21) });
        bench.run(Span::from_millis(60_000));
        let found = causes(&bench.quality);
        assert_eq!(found.iter().any(|cause| cause.what == HELD_BACK), lump_ms == 16, "{lump_ms}: {found:?}");
        if lump_ms == 16 {
            assert!(found[0].next.contains("latency_timer"), "{found:?}");
        }
    }
}

#[test]
fn a_unit_that_goes_away_and_a_burst_of_noise_cost_their_own_time_and_little_more() {
    for conditions in [
        Conditions { away_s: 200..260, ..Conditions::clean(11) },
        Conditions { burst_s: 300..330, ..Conditions::clean(12) },
    ] {
        let mut sum = Sum::default();
        let gone = conditions.away_s.end - conditions.away_s.start + conditions.burst_s.end
            - conditions.burst_s.start;
        let bench = ten_minutes(&conditions, &mut sum);
        // three questions a second; at the return the unit is asked again in the next cycle
        assert!(sum.readings as i64 >= 3 * (600 - gone - 3), "{sum:?} {:?}", bench.master.counters());
        assert!(sum.suspect <= 12, "{sum:?}");
    }
}

#[test]
fn a_meter_whose_every_answer_is_late_is_read_all_the_same() {
    // always 1.5 s: only the first contact is too short
    let conditions = Conditions { turnaround_ms: 1500, ..Conditions::clean(3) };
    let mut sum = Sum::default();
    let bench = ten_minutes(&conditions, &mut sum);
    assert!(sum.readings > 300, "{sum:?}");
    assert!(bench.master.counters().timeouts <= 2, "{:?}", bench.master.counters());
    assert!(!bench.line.injected().contains_key(&Fault::Late));
}
