//! The same question asked again: its answer is about the same registers, but perhaps of an earlier moment.

use super::*;

#[test]
fn a_late_answer_is_not_the_next_question_s_though_it_is_about_the_same_registers() {
    // The unit answers in order: at 420 ms comes what was asked at 0, and what was asked at 350 ms comes after it.
    let stale = [7u16, 8].map(|value| [&[3, 4][..], &value.to_be_bytes().repeat(2)].concat());
    let chunks = [
        out(0, &ask(100, 2)),
        out(350, &ask(100, 2)),
        heard(420, &stale[0]),
        out(450, &ask(100, 2)),
        heard(520, &stale[1]),
    ];
    assert_eq!(told(&chunks), ["100: silence", "100: 7?", "100: 8?"]);
}

#[test]
fn a_separator_answered_between_them_makes_the_same_question_good_again() {
    // the separator reads one register of the same block; the late answer may come before its own
    for late in [false, true] {
        let mut chunks = vec![out(0, &ask(100, 2)), out(350, &ask(100, 1))];
        chunks.extend(late.then(|| heard(360, &answer(100, 2))));
        chunks.extend([heard(420, &answer(100, 1)), out(450, &ask(100, 2)), heard(520, &answer(100, 2))]);
        assert_eq!(told(&chunks), ["100: silence", "100: 100", "100: 100"]);
    }
}

#[test]
fn a_separator_that_was_refused_separates_nothing_and_another_function_does() {
    // the refusal may be that of the question before: function 3 with the exception bit, as this one's would be
    let chunks = [
        out(0, &ask(100, 2)),
        out(350, &ask(100, 1)),
        heard(420, &[0x83, 11]),
        out(450, &ask(100, 2)),
        heard(520, &answer(100, 2)),
        out(550, &[43, 14, 1, 0]),
        heard(620, &[0xAB, 1]),
        out(650, &ask(100, 2)),
        heard(720, &answer(100, 2)),
    ];
    assert_eq!(
        told(&chunks),
        ["100: silence", "100: exception 11?", "100: 100?", "0: exception 1", "100: 100"]
    );
}

#[test]
fn an_answer_later_than_any_is_due_tells_of_no_known_moment() {
    let session = |latency: i64| {
        vec![
            out(0, &ask(100, 2)),
            heard(8 + latency, &answer(100, 2)),
            out(9000, &ask(100, 2)),
            heard(9008 + latency, &answer(100, 2)),
        ]
    };
    assert_eq!(told(&session(950)), ["100: 100", "100: 100"]);
    // from then on the unit's pace is known
    assert_eq!(told(&session(1500)), ["100: 100?", "100: 100"]);
}

#[test]
fn an_answer_beyond_the_longest_time_out_tells_of_no_known_moment_however_slow_the_unit() {
    let session = |latency: i64| {
        vec![
            out(0, &ask(100, 2)),
            heard(4008, &answer(100, 2)),
            out(20_000, &ask(100, 2)),
            heard(20_008 + latency, &answer(100, 2)),
        ]
    };
    // three times 4 s would be 12 s: no master of ours waits that long
    assert_eq!(told(&session(4900)), ["100: 100?", "100: 100"]);
    assert_eq!(told(&session(5100)), ["100: 100?", "100: 100?"]);
}

#[test]
fn of_another_master_s_same_question_only_the_first_answer_after_a_silence_is_in_doubt() {
    let mut chunks = vec![heard(-2000, &ask(100, 2)), heard(-1950, &answer(100, 2))];
    for turn in 0..4 {
        chunks.push(heard(60 * turn, &ask(100, 2)));
        chunks.extend((turn > 0).then(|| heard(60 * turn + 20, &answer(100, 2))));
    }
    assert_eq!(told(&chunks), ["100: 100", "100: silence", "100: 100?", "100: 100", "100: 100"]);
}

#[test]
fn the_same_question_is_good_again_once_it_was_answered_twice_in_the_usual_time() {
    // polled without a pause, so that no cycle ever ends clean
    let session = |latency: i64| {
        let mut chunks = Vec::new();
        for turn in 0..8 {
            chunks.push(out(120 * turn, &ask(100, 2)));
            let late = if turn > 3 { latency } else { 50 + turn };
            chunks.extend((turn != 3).then(|| heard(120 * turn + late, &answer(100, 2))));
        }
        told(&chunks)[3..].to_vec()
    };
    assert_eq!(session(51), ["100: silence", "100: 100?", "100: 100?", "100: 100", "100: 100"]);
    // 20 ms is what is left of an answer that comes 140 ms after its own question
    assert!(session(20)[1..].iter().all(|word| word == "100: 100?"), "{:?}", session(20));
}
