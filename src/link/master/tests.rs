//! The master on a line in simulated time.

use std::collections::VecDeque;

use super::*;
use crate::profile::SerialSettings;
use crate::record::{Direction, Role, Stray, StrayWhy};
use crate::wire::Request;

mod world;

use world::{Act, World, frame, ms, plan, unit, us};

#[test]
fn it_listens_five_seconds_and_keeps_the_schedule_without_drift() {
    let mut world = World::new(plan(vec![unit(1, &[(0, 10)])]), &[Act::Answer(ms(40))]);
    world.run(us(8_500_000), &[]);
    assert_eq!(world.asked_at_us(), [5_000_000, 6_000_000, 7_000_000, 8_000_000]);
    assert_eq!(world.master.counters().answered, 4);
}

#[test]
fn it_rests_from_the_computed_end_of_the_last_byte_of_either_side() {
    let mut quick = plan(vec![unit(1, &[(0, 10), (20, 2)])]);
    quick.units[0].pause = ms(2);
    let mut world = World::new(quick, &[Act::Answer(ms(40))]);
    world.run(us(5_500_000), &[]);
    // 8 characters out, 40 ms, 25 characters back from their first, 3.5 of silence, 2 ms of pause; 10 bits at 9600.
    let characters = |count: f64| (count * 10.0 / 9600.0 * 1e6) as i64;
    let expected = 5_000_000 + characters(8.0) + 40_000 + characters(25.0) + characters(3.5) + 2000;
    assert!((world.asked_at_us()[1] - expected).abs() <= 3, "{:?} {expected}", world.asked_at_us());
}

#[test]
fn slots_the_line_cannot_keep_are_missed_and_the_schedule_stays() {
    let mut slow = plan(vec![unit(1, &[(0, 10)])]);
    slow.every = Some(ms(100));
    let mut world = World::new(slow, &[Act::Answer(ms(250)), Act::Answer(ms(250)), Act::Answer(ms(20))]);
    world.run(us(6_050_000), &[]);
    // 8 characters, 250 ms, 25 characters and 3.5 of silence: the line is free after 288 ms, in slot 2; so again, in
    // slot 5. After a quick answer slot 6 begins late, and slot 7 in time.
    assert_eq!(world.asked_at_us()[..5], [5_000_000, 5_288_020, 5_576_041, 5_634_062, 5_700_000]);
    assert_eq!(world.master.cycles().0, 3);
}

#[test]
fn traffic_heard_while_listening_is_refused_before_a_byte_is_sent() {
    let mut world = World::new(plan(vec![unit(1, &[(0, 10)])]), &[Act::Silent]);
    world.hear(us(2_000_000), frame(us(2_000_000), Role::Request, 7, &[4, 0, 0, 0, 2], Medium::Serial, 0));
    world.run(us(9_000_000), &[]);
    let (at, heard) = world.refused.expect("refused");
    assert_eq!((at, world.asked.len()), (us(5_000_000), 0));
    assert_eq!(heard.to_string(), "another master: 1 request and 0 answers, unit 7");
}

#[test]
fn bytes_of_another_speed_in_bursts_are_refused_and_single_stray_bytes_are_not() {
    for (length, refused) in [(1, false), (9, true)] {
        let mut world = World::new(plan(vec![unit(1, &[(0, 10)])]), &[Act::Silent]);
        for second in 1..5 {
            let at = us(second * 1_000_000);
            let bytes = vec![0xf8; length];
            let stray = Stray { line: 0, at, direction: Direction::In, bytes, why: StrayWhy::Noise };
            world.hear(at, Record::Stray(stray));
        }
        world.run(us(6_000_000), &[]);
        assert_eq!(world.refused.is_some(), refused);
    }
}

#[test]
fn another_master_heard_later_stops_it_unless_the_line_is_shared() {
    for share_line in [false, true] {
        let mut shared = plan(vec![unit(1, &[(0, 10)])]);
        shared.share_line = share_line;
        let mut world = World::new(shared, &[Act::Answer(ms(30))]);
        world
            .hear(us(7_500_000), frame(us(7_500_000), Role::Request, 7, &[4, 0, 0, 0, 2], Medium::Serial, 0));
        world.run(us(10_500_000), &[]);
        assert_eq!(world.refused.is_some(), !share_line);
        assert_eq!(world.asked.len(), if share_line { 6 } else { 3 });
    }
}

#[test]
fn a_silent_unit_is_waited_for_drained_and_asked_the_same_again() {
    let acts = [Act::Answer(ms(30)), Act::Silent, Act::Answer(ms(30))];
    let mut world = World::new(plan(vec![unit(1, &[(0, 10), (20, 2)])]), &acts);
    world.run(us(5_900_000), &[]);
    // one register of the same block stands between the question and its repeat
    assert_eq!(world.ranges(), [(0, 10), (20, 2), (20, 1), (20, 2)]);
    let times = world.asked_at_us();
    // Its time-out is the floor, 300 ms from the end of the question.
    assert!((times[2] - times[1] - 308_333).abs() < 5, "{times:?}");
    assert_eq!(world.master.counters().timeouts, 1);
}

#[test]
fn an_answer_begun_before_the_time_out_is_in_time_though_it_ends_after_it() {
    // First contact: 1 s. The answer begins at 999 ms and takes 26 ms.
    let mut world = World::new(plan(vec![unit(1, &[(0, 10)])]), &[Act::Answer(ms(999))]);
    world.run(us(6_500_000), &[]);
    assert_eq!((world.master.counters().answered, world.master.counters().timeouts), (1, 0));
}

#[test]
fn a_late_answer_teaches_the_time_out_and_meets_no_other_question() {
    let mut world = World::new(plan(vec![unit(1, &[(0, 10), (20, 10)])]), &[Act::Answer(ms(1400))]);
    world.run(us(20_000_000), &[]);
    let counters = world.master.counters();
    assert_eq!(
        (counters.timeouts, counters.late),
        (1, 1),
        "only the first contact is too short: {counters:?}"
    );
    assert_eq!(
        world.asked[0].1, world.asked[1].1,
        "the same block again: its answer has come, so nothing is owed"
    );
    assert_eq!(world.master.times(1).map(AnswerTimes::timeout), Some(ms(4200)));
}

#[test]
fn damage_and_foreign_answers_drain_and_repeat() {
    for act in [Act::Damage(ms(30)), Act::Other(ms(30))] {
        let acts = [Act::Answer(ms(30)), act, Act::Answer(ms(30))];
        let mut world = World::new(plan(vec![unit(1, &[(0, 10), (20, 2)])]), &acts);
        world.run(us(5_900_000), &[]);
        // The spoilt answer was the answer; behind something else it may yet come.
        let owed = matches!(act, Act::Other(_));
        let middle: &[(u16, u16)] = if owed { &[(20, 1)] } else { &[] };
        assert_eq!(world.ranges(), [&[(0, 10), (20, 2)][..], middle, &[(20, 2)]].concat());
        let counters = world.master.counters();
        assert_eq!((counters.damaged + counters.unexpected, counters.timeouts), (1, 0));
        assert_eq!((counters.answered, counters.separators), (2 + u64::from(owed), u64::from(owed)));
        let times = world.asked_at_us();
        assert!(times[2] - times[1] < 150_000, "told at once, not by the time-out: {times:?}");
    }
}

#[test]
fn an_answer_that_comes_during_the_separator_is_late_and_is_nobody_else_s() {
    let acts = [Act::Answer(ms(30)), Act::Answer(ms(400)), Act::Answer(ms(150)), Act::Answer(ms(30))];
    let mut world = World::new(plan(vec![unit(1, &[(0, 10), (20, 4)])]), &acts);
    world.run(us(5_900_000), &[]);
    assert_eq!(world.ranges(), [(0, 10), (20, 4), (20, 2), (20, 4)]);
    let counters = world.master.counters();
    assert_eq!((counters.timeouts, counters.late, counters.unexpected, counters.answered), (1, 1, 0, 3));
    // 400 ms from the end of the question, and three times that from now on
    let learnt = world.master.times(1).map(AnswerTimes::timeout).expect("known");
    assert!((learnt - ms(1200)).nanos().abs() < 1000, "{learnt:?}");
}

#[test]
fn a_refused_part_of_a_block_separates_nothing_and_the_identification_does() {
    // One register has no part at all.
    let refused = [Act::Exception(ms(20)); 3];
    for (count, before) in [(3, vec![(20, 2), (0, 0)]), (1, vec![(0, 0)])] {
        let mut acts = vec![Act::Answer(ms(30)), Act::Silent];
        acts.extend(&refused[..before.len()]);
        acts.push(Act::Answer(ms(30)));
        let mut world = World::new(plan(vec![unit(1, &[(0, 10), (20, count)])]), &acts);
        world.run(us(5_950_000), &[]);
        let block = (20, count);
        assert_eq!(world.ranges(), [&[(0, 10), block][..], &before, &[block]].concat());
        assert_eq!(world.master.counters().separators, before.len() as u64);
    }
}

#[test]
fn a_unit_that_does_not_answer_the_separator_is_asked_it_first_in_the_next_cycle() {
    let acts = [Act::Answer(ms(30)), Act::Silent, Act::Silent, Act::Answer(ms(30))];
    let mut world = World::new(plan(vec![unit(1, &[(20, 4)])]), &acts);
    world.run(us(7_500_000), &[]);
    assert_eq!(world.ranges(), [(20, 4), (20, 4), (20, 2), (20, 2), (20, 4)]);
    assert!(world.asked_at_us()[3] >= 7_000_000);
    assert_eq!(world.master.counters().timeouts, 2);

    // Another block of another length does as well, and is wanted anyway.
    let mut world = World::new(plan(vec![unit(1, &[(0, 10), (20, 4)])]), &acts);
    world.run(us(6_500_000), &[]);
    assert_eq!(world.ranges(), [(0, 10), (20, 4), (20, 2), (0, 10), (20, 4)]);
}

#[test]
fn an_exception_is_an_answer() {
    let mut world = World::new(plan(vec![unit(1, &[(0, 10)])]), &[Act::Exception(ms(20))]);
    world.run(us(6_500_000), &[]);
    assert_eq!((world.master.counters().exceptions, world.asked.len()), (2, 2));
}

#[test]
fn a_dead_unit_is_probed_and_does_not_take_the_line_from_a_live_one() {
    let mut world = World::new(plan(vec![unit(1, &[(0, 10)]), unit(2, &[(0, 10), (20, 10)])]), &[]);
    world.acts = VecDeque::from([Act::Silent]);
    // Unit 1 answers always, unit 2 never: the acts are chosen by the unit, not by order.
    let mut now_asked = 0;
    let until = us(60_000_000);
    world.master.handle(us(0), Input::Back);
    let mut now = us(0);
    while now < until {
        match world.master.poll() {
            Output::Ask { question, .. } => {
                let bytes = wire::rtu::encode(question.unit, &question.request.encode());
                world.master.handle(now, Input::Sent(&bytes));
                if question.unit == 1 {
                    now_asked += 1;
                    world.acts = VecDeque::from([Act::Answer(ms(30))]);
                    world.answer(now, question, 0);
                }
            }
            Output::Wait(wait, _) => {
                let next = [wait, world.coming.first().map(|(at, ..)| *at)].into_iter().flatten().min();
                now = next.expect("a time");
                if world.coming.first().is_some_and(|(at, ..)| *at == now) {
                    let (_, bytes, record) = world.coming.remove(0);
                    world.master.handle(now, Input::Heard(&bytes));
                    world.master.handle(now, Input::Record(&record));
                } else {
                    world.master.handle(now, Input::Tick);
                }
            }
            other => panic!("{other:?}"),
        }
    }
    let dead = world.master.counters().asked - now_asked;
    assert!(now_asked >= 35, "{now_asked} of 55");
    assert!((8..=30).contains(&dead), "{dead}");
}

#[test]
fn on_tcp_an_old_answer_is_passed_over_and_two_lost_in_a_row_reconnect() {
    let mut network = plan(vec![unit(1, &[(0, 10)])]);
    network.medium = Medium::Tcp;
    network.settings = SerialSettings::default();
    let acts = [Act::Answer(ms(10)), Act::Answer(ms(310)), Act::Answer(ms(20))];
    let mut world = World::new(network.clone(), &acts);
    world.run(us(2_500_000), &[]);
    let counters = world.master.counters();
    assert_eq!((counters.timeouts, counters.late, world.reconnects), (1, 1, 0), "{counters:?}");
    assert_eq!(counters.answered, 3);

    let mut world =
        World::new(network, &[Act::Answer(ms(10)), Act::Silent, Act::Silent, Act::Answer(ms(10))]);
    world.run(us(3_500_000), &[]);
    assert_eq!(world.reconnects, 1);
    assert!(world.master.counters().answered >= 2);
}

#[test]
fn so_many_cycles_then_the_last_questions_then_done() {
    let mut short = plan(vec![unit(1, &[(0, 10)])]);
    short.cycles = Some(2);
    short.once = vec![Question { unit: 1, request: Request::device_id(1, 0).expect("valid") }];
    let mut world = World::new(short, &[Act::Silent, Act::Silent, Act::Answer(ms(10))]);
    world.run(us(20_000_000), &[]);
    assert_eq!(world.asked.len(), 4, "identification twice, in vain, then two cycles");
    assert!(world.done.is_some());
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(64))]
    #[test]
    fn extra_ticks_at_any_times_change_nothing(
        acts in proptest::collection::vec((0_u8..5, 0_i64..1500), 1..12),
        mut ticks in proptest::collection::vec(0_i64..14_000_000, 0..40),
        network in proptest::bool::ANY,
    ) {
        let acts: Vec<Act> = acts
            .into_iter()
            .map(|(kind, delay)| match kind {
                0 => Act::Silent,
                1 => Act::Exception(ms(delay)),
                2 => Act::Damage(ms(delay)),
                3 => Act::Other(ms(delay)),
                _ => Act::Answer(ms(delay)),
            })
            .collect();
        let mut which = plan(vec![unit(1, &[(0, 10), (20, 4)]), unit(2, &[(5, 3)])]);
        if network {
            which.medium = Medium::Tcp;
        }
        ticks.sort_unstable();
        let mut plain = World::new(which.clone(), &acts);
        plain.run(us(14_000_000), &[]);
        let mut ticked = World::new(which, &acts);
        ticked.run(us(14_000_000), &ticks.into_iter().map(us).collect::<Vec<_>>());
        proptest::prop_assert_eq!(plain.asked, ticked.asked);
        proptest::prop_assert_eq!(plain.master.counters(), ticked.master.counters());
    }
}

#[test]
fn finishing_waits_for_the_question_on_its_way_and_repeats_none() {
    let mut world = World::new(plan(vec![unit(1, &[(0, 10), (20, 2)])]), &[Act::Silent]);
    world.run(us(5_100_000), &[]);
    assert_eq!(world.asked.len(), 1, "asked at 5 s, and waited for");
    let settings = Question { unit: 1, request: Request::read_holding(100, 1).expect("valid") };
    world.master.finish(vec![settings]);
    world.acts = VecDeque::from([Act::Answer(ms(20))]);
    world.resume(us(20_000_000));
    let addresses: Vec<_> =
        world.asked.iter().filter_map(|(_, question)| question.request.address()).collect();
    assert_eq!(addresses, [0, 100]);
    assert!(world.done.is_some_and(|at| at < us(9_000_000)), "{:?}", world.done);
}

#[test]
fn the_last_question_is_asked_behind_its_separator() {
    let mut world = World::new(plan(vec![unit(1, &[(0, 10)])]), &[Act::Silent]);
    world.run(us(5_100_000), &[]);
    // alike to the one that stays without its answer, so that something has to be asked in between
    world.master.finish(vec![Question { unit: 1, request: Request::read_input(100, 10).expect("valid") }]);
    world.acts = VecDeque::from([Act::Answer(ms(20))]);
    world.resume(us(20_000_000));
    assert_eq!(world.ranges(), [(0, 10), (100, 2), (100, 10)]);
    assert!(world.done.is_some());
}

#[test]
fn finishing_while_a_separator_is_on_its_way_drops_what_it_stood_before() {
    let acts = [Act::Answer(ms(30)), Act::Silent, Act::Answer(ms(200)), Act::Answer(ms(30))];
    let mut world = World::new(plan(vec![unit(1, &[(0, 10), (20, 4)])]), &acts);
    world.run(us(5_500_000), &[]);
    assert_eq!(world.ranges(), [(0, 10), (20, 4), (20, 2)]);
    world.master.finish(Vec::new());
    world.resume(us(20_000_000));
    assert_eq!(world.ranges().len(), 3, "a repeat of the cycle's question is not wanted any more");
    assert!(world.done.is_some());
}

#[test]
fn finishing_with_nothing_more_to_ask_does_not_wait_for_a_quiet_line() {
    let mut world = World::new(plan(vec![unit(1, &[(0, 10)])]), &[Act::Silent]);
    world.run(us(1_000_000), &[]);
    world.master.finish(Vec::new());
    world.resume(us(2_000_000));
    assert!(world.done.is_some() && world.asked.is_empty(), "still listening, so done at once");
}
