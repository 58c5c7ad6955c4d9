//! The plan against brute force, and its promises one by one.

use proptest::prelude::*;

use super::*;
use crate::profile::{Parity, parse_profile};

const COST: LineCost = LineCost {
    settings: SerialSettings { baud: 9600, parity: Parity::Even, stop_bits: 1 },
    turnaround: Span::from_millis(20),
    pause: Span::ZERO,
};

fn run(table: Table, address: u16, count: u16) -> Registers {
    Registers { table, address, count }
}

/// Every way to divide the groups among requests (all set partitions), the cheapest of those that are allowed.
fn brute_force(groups: &[Registers], listed: &[Run], rules: ReadRules, cost: LineCost) -> Option<Span> {
    fn divide(
        rest: &[Registers],
        blocks: &mut Vec<Vec<Registers>>,
        judge: &impl Fn(&[Vec<Registers>]) -> Option<Span>,
    ) -> Option<Span> {
        let Some((first, rest)) = rest.split_first() else { return judge(blocks) };
        let mut best: Option<Span> = None;
        for index in 0..=blocks.len() {
            if index == blocks.len() {
                blocks.push(Vec::new());
            }
            blocks[index].push(*first);
            let found = divide(rest, blocks, judge);
            best = best.into_iter().chain(found).min();
            blocks[index].pop();
            if blocks[index].is_empty() {
                blocks.remove(index);
            }
        }
        best
    }
    let judge = |blocks: &[Vec<Registers>]| {
        let mut time = Span::ZERO;
        for block in blocks {
            let start = block.iter().map(|run| u32::from(run.address)).min()?;
            let end = block.iter().map(|run| u32::from(run.address) + u32::from(run.count)).max()?;
            let table = block[0].table;
            let wanted = block.iter().all(|run| run.table == table)
                && end - start <= u32::from(rules.max_registers)
                && (rules.span_unlisted
                    || (start..end).all(|at| {
                        listed.iter().any(|run| run.table == table && (run.start..run.end).contains(&at))
                    }));
            if !wanted {
                return None;
            }
            time = time + cost.of((end - start) as u16);
        }
        Some(time)
    };
    divide(groups, &mut Vec::new(), &judge)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(10_000))]

    #[test]
    fn no_other_set_of_requests_is_cheaper(
        points in prop::collection::vec((any::<bool>(), 0_u16..70, prop::sample::select(vec![1_u16, 2, 4])), 1..7),
        max_registers in prop::sample::select(vec![4_u16, 10, 30, 125]),
        span_unlisted: bool,
        turnaround in 0_i64..120,
        fast: bool,
    ) {
        let table = |input| if input { Table::Input } else { Table::Holding };
        let runs: Vec<Registers> =
            points.iter().map(|(input, address, count)| run(table(*input), *address, *count)).collect();
        let listed = union(runs.iter().copied().map(Run::from).collect());
        let rules = ReadRules { max_registers, span_unlisted, ..ReadRules::default() };
        let settings = SerialSettings { baud: if fast { 115_200 } else { 9600 }, ..COST.settings };
        let cost = LineCost { settings, turnaround: Span::from_millis(turnaround), pause: Span::ZERO };
        let groups: Vec<Vec<Registers>> = runs.iter().map(|run| vec![*run]).collect();
        let plan = requests(&groups, &listed, rules, cost);
        prop_assert_eq!(Some(plan.line_time), brute_force(&runs, &listed, rules, cost));
        let total = plan.requests.iter().fold(Span::ZERO, |sum, request| sum + cost.of(request.count));
        prop_assert_eq!(total, plan.line_time);
        for wanted in &runs {
            let inside = |request: &&Registers| Run::from(**request).holds(&Run::from(*wanted));
            prop_assert!(plan.requests.iter().find(inside).is_some());
        }
    }
}

/// Facts 1.2: a character of 11 bits at 9600 bit/s takes 1.1458 ms, 3.5 of them 4.0104 ms, a 255-byte answer 292.2 ms.
#[test]
fn a_request_costs_what_the_line_takes() {
    let answer = COST.of(125) - COST.turnaround - COST.settings.silence() * 2 - COST.settings.characters(8);
    assert!((answer.millis() - 292.2).abs() < 0.05, "{answer}");
    assert!((COST.settings.silence().millis() - 4.0104).abs() < 1e-3);
}

fn requests_of(text: &str) -> Vec<Registers> {
    let (profile, _) = parse_profile("p", text).unwrap_or_else(|faults| panic!("{faults:#?}"));
    plan(&profile, &Phase::LINES, profile.line, Span::from_millis(20)).requests
}

const HEAD: &str = "[defaults]\npositive = \"import\"\n";

#[test]
fn neighbours_are_read_together_and_tables_apart() {
    let text = format!(
        "{HEAD}[points.active_power]\neach = {{ address = 10, stride = 2 }}\n\
         [points.voltage]\nL1 = {{ address = 0 }}\nL2 = {{ address = 900 }}\nL3 = {{ address = 4, table = \"holding\" }}\n"
    );
    let wanted = [run(Table::Input, 0, 16), run(Table::Input, 900, 2), run(Table::Holding, 4, 2)];
    assert_eq!(requests_of(&text), wanted);
}

#[test]
fn unlisted_addresses_are_left_alone_where_the_meter_wants_it_so() {
    let text = format!(
        "{HEAD}[read]\nspan_unlisted = false\n[points.active_power]\nL1 = {{ address = 10 }}\nL2 = {{ address = 12 }}\n\
         L3 = {{ address = 16 }}\n[settings]\nspare = {{ address = 20, type = \"u16\" }}\n"
    );
    assert_eq!(requests_of(&text), [run(Table::Input, 10, 4), run(Table::Input, 16, 2)]);
}

#[test]
fn both_directions_of_a_power_come_in_one_answer() {
    // Alone, two short requests would be cheaper than one over 100 registers.
    let text = "[points.active_power_import]\ntotal = { address = 0 }\n[points.active_power_export]\ntotal = { address = 98 }\n";
    assert_eq!(requests_of(text), [run(Table::Input, 0, 100)]);
}

#[test]
fn a_value_and_its_exponent_come_in_one_answer_where_they_fit() {
    let near =
        format!("{HEAD}[points.active_power]\ntotal = {{ address = 0, type = \"i16\", exponent_at = 99 }}\n");
    assert_eq!(requests_of(&near), [run(Table::Input, 0, 100)]);
    let far = format!(
        "{HEAD}[points.active_power]\ntotal = {{ address = 0, type = \"i16\", exponent_at = 500 }}\n"
    );
    assert_eq!(requests_of(&far).len(), 2);
}

#[test]
fn settings_are_asked_by_themselves() {
    let text = format!(
        "{HEAD}[points.active_power]\ntotal = {{ address = 0 }}\n[settings]\nct_ratio = {{ address = 2, type = \"u16\" }}\n"
    );
    let (profile, _) = parse_profile("p", &text).unwrap();
    let settings = plan_settings(&profile, profile.line, Span::ZERO);
    assert_eq!(settings.requests, [run(Table::Input, 2, 1)]);
    assert_eq!(requests_of(&text), [run(Table::Input, 0, 2)]);
}

#[test]
fn a_site_with_one_phase_is_asked_for_one() {
    let text = format!("{HEAD}[points.active_power]\neach = {{ address = 10, stride = 2 }}\n");
    let (profile, _) = parse_profile("p", &text).unwrap();
    let one = plan(&profile, &Phase::LINES[..1], profile.line, Span::ZERO);
    assert_eq!(one.requests, [run(Table::Input, 10, 2)]);
}

#[test]
fn requests_of_the_same_shape_do_not_follow_each_other_where_it_can_be_helped() {
    let same = |address| run(Table::Input, address, 2);
    let other = |address| run(Table::Input, address, 4);
    let order = apart(vec![same(0), same(500), other(1000), other(2000)]);
    let shapes: Vec<u16> = order.iter().map(|request| request.count).collect();
    assert_eq!(shapes, [2, 4, 2, 4]);
    // Three of a kind and one other can't be kept apart all round, but better than not at all.
    assert_eq!(apart(vec![same(0), same(500)]), [same(0), same(500)]);
}
