//! The line: times, faults, what each listener makes of it.

use super::*;
use crate::wire::rtu;

const SECOND: Span = Span::from_millis(1000);

fn line(rules: LineRules) -> Line {
    Line::new(rules, SerialSettings::default(), 1, 0)
}

/// FC 04 read input register 9 and its answer 10 (V1.1b3, 6.4).
fn frames() -> (Vec<u8>, Vec<u8>) {
    (rtu::encode(1, &[4, 0, 8, 0, 1]), rtu::encode(1, &[4, 2, 0, 0x0A]))
}

/// So many questions, one a second, each answered after 10 ms if the meter heard it.
fn carried(rules: LineRules, rounds: usize) -> (Vec<Arrival>, Line) {
    let (question, answer) = frames();
    let mut line = line(rules);
    let arrivals = (0..rounds)
        .flat_map(|n| {
            let at = Stamp::from_nanos(0) + SECOND * (1 + n as i64);
            let heard = line.ask(at, &question);
            let answer = rtu::check(&heard).map(|_| answer.as_slice());
            line.answer(line.heard_at(at, &question), answer, Span::from_millis(10));
            line.hear_all()
        })
        .collect();
    (arrivals, line)
}

fn bytes(arrivals: &[Arrival]) -> Vec<u8> {
    arrivals.iter().flat_map(|arrival| arrival.bytes.clone()).collect()
}

#[test]
fn a_good_line_takes_the_time_of_its_characters() {
    let (arrivals, _) = carried(LineRules::default(), 1);
    assert_eq!(arrivals.len(), 1);
    // 8 characters at 9600 8N1 are 8.333 ms, then 10 ms, then the first character of the answer 1.042 ms
    let at = arrivals[0].at.seconds_since(Stamp::from_nanos(0)) - 1.0;
    assert!((at - 0.019_375).abs() < 1e-6, "{at}");
    assert_eq!(arrivals[0].bytes, frames().1);
}

#[test]
fn lumps_keep_every_byte_in_order() {
    let rules = LineRules { lump: Span::from_millis(3), echo: true, ..LineRules::default() };
    let (arrivals, _) = carried(rules, 1);
    assert!(arrivals.len() > 3, "{arrivals:?}");
    assert_eq!(bytes(&arrivals), [frames().0, frames().1].concat());
    assert!(arrivals.windows(2).all(|pair| pair[0].at < pair[1].at));
    assert!(arrivals.iter().all(|arrival| arrival.at.nanos() % 3_000_000 == 0));
}

#[test]
fn stepping_through_time_brings_the_same_bytes_as_waiting_for_the_end() {
    let rules = LineRules { echo: true, noise: 0.5, ..LineRules::default() };
    let (question, answer) = frames();
    let mut line = line(rules);
    let at = Stamp::from_nanos(0) + SECOND;
    line.ask(at, &question);
    line.answer(line.heard_at(at, &question), Some(&answer), Span::from_millis(10));
    let mut whole = line.clone();
    let mut stepped = Vec::new();
    while let Some(next) = line.next() {
        stepped.extend(line.hear(next));
    }
    assert_eq!(bytes(&stepped), bytes(&whole.hear_all()));
}

#[test]
fn faults_come_as_often_as_they_are_told_to_and_are_counted() {
    let rounds = 4000;
    // four standard deviations of a binomial count
    let near = |count: u64, share: f64| {
        let n = rounds as f64;
        (count as f64 - n * share).abs() < 4.0 * (n * share * (1.0 - share)).sqrt()
    };
    let late_by = Span::from_millis(500);
    let each = |rules: LineRules, fault: Fault| {
        let (arrivals, line) = carried(rules, rounds);
        (arrivals, line.injected().get(&fault).copied().unwrap_or(0))
    };
    let (arrivals, silent) = each(LineRules { silent: 0.2, ..LineRules::default() }, Fault::Silent);
    assert!(near(silent, 0.2), "{silent}");
    assert_eq!(arrivals.len() as u64, rounds as u64 - silent);
    let (arrivals, late) = each(LineRules { late: 0.3, late_by, ..LineRules::default() }, Fault::Late);
    assert!(near(late, 0.3), "{late}");
    let beyond = arrivals.iter().filter(|arrival| arrival.at.nanos() % 1_000_000_000 > 500_000_000).count();
    assert_eq!(beyond as u64, late);
    let (arrivals, half) = each(LineRules { half: 0.3, ..LineRules::default() }, Fault::Half(0));
    assert!(near(half, 0.3), "{half}");
    assert_eq!(arrivals.iter().filter(|arrival| arrival.bytes.len() < 7).count() as u64, half);
    // fifteen bytes, eight to the meter and seven back: 0.99^15
    let (arrivals, _) = each(LineRules { flip: 0.01, ..LineRules::default() }, Fault::Flipped);
    let good = arrivals.iter().filter(|arrival| arrival.bytes == frames().1).count();
    assert!(near(good as u64, 0.860_058), "{good}");
    // 75 bits each way that matter: start and stop bits too
    let (arrivals, _) =
        each(LineRules { bit_errors: 1e-3, marks: true, ..LineRules::default() }, Fault::Flipped);
    let good = arrivals.iter().filter(|arrival| arrival.bytes == frames().1).count();
    assert!(near(good as u64, libm::pow(0.999, 150.0)), "{good}");
}

#[test]
fn meters_set_another_way_hear_nothing_they_know_and_bad_bytes_are_marked() {
    let meters = Some(SerialSettings { parity: Parity::Even, ..SerialSettings::default() });
    let (question, answer) = frames();
    let mut line = line(LineRules { meters, marks: true, ..LineRules::default() });
    let at = Stamp::from_nanos(0) + SECOND;
    assert_eq!(rtu::check(&line.ask(at, &question)), None);
    // were it to speak all the same, its parity bit would stand where our stop bit is due
    line.answer(line.heard_at(at, &question), Some(&answer), Span::from_millis(10));
    let errors: Vec<_> = line.hear_all().into_iter().filter_map(|arrival| arrival.error).collect();
    assert!(errors.contains(&WireError::Framing), "{errors:?}");
}

#[test]
fn through_swapped_wires_the_meter_hears_no_question() {
    let (arrivals, _) = carried(LineRules { swapped: true, marks: true, ..LineRules::default() }, 1);
    assert!(arrivals.iter().any(|arrival| arrival.error == Some(WireError::Break)), "{arrivals:?}");
    assert_ne!(bytes(&arrivals), frames().1);
}

#[test]
fn two_units_of_one_address_spoil_each_other_and_an_altered_echo_the_question() {
    let (arrivals, line) = carried(LineRules { twin: 1.0, ..LineRules::default() }, 5);
    assert_eq!(line.injected()[&Fault::Twin], 5);
    assert!(
        arrivals.len() >= 5 && arrivals.iter().all(|arrival| arrival.bytes != frames().1),
        "{arrivals:?}"
    );
    let (arrivals, _) = carried(LineRules { echo: true, echo_altered: 1.0, ..LineRules::default() }, 1);
    assert!(!bytes(&arrivals).is_empty() && !bytes(&arrivals).starts_with(&frames().0), "{arrivals:?}");
}

#[test]
fn a_late_answer_that_meets_the_next_question_spoils_it() {
    let (question, answer) = frames();
    let mut line = line(LineRules { late: 1.0, late_by: SECOND, ..LineRules::default() });
    let at = Stamp::from_nanos(0) + SECOND;
    line.ask(at, &question);
    let end = line.heard_at(at, &question);
    line.answer(end, Some(&answer), Span::from_millis(10));
    let heard = line.ask(end + SECOND + Span::from_millis(12), &question);
    assert_eq!(rtu::check(&heard), None, "{heard:02x?}");
}

#[test]
fn one_seed_gives_one_line() {
    let rules = LineRules { flip: 0.02, silent: 0.1, noise: 0.3, bit_errors: 1e-4, ..LineRules::default() };
    assert_eq!(carried(rules, 50), carried(rules, 50));
}
