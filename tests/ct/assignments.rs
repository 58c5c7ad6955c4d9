//! The 48 ways three CTs can be exchanged and turned, each with the load on one phase alone and on all three.

use std::fmt::Write;

use wattward::check::Verdict;
use wattward::check::ct::body::{ChannelFinding, CtFault, Status};
use wattward::check::ct::{CtOptions, judge};

use super::meter::Kind;
use super::scene::Scene;
use super::world::Wire;

const ORDERS: [[usize; 3]; 6] = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];

fn letters(channel: &ChannelFinding) -> String {
    match channel.status {
        Status::Correct => "ok".to_owned(),
        Status::Untested => "-".to_owned(),
        Status::Ambiguous => "?".to_owned(),
        Status::Faulty => {
            let mut text = String::new();
            for fault in &channel.faults {
                text.push_str(match fault {
                    CtFault::Reversed => "R",
                    CtFault::OtherPhase => "O",
                    CtFault::NoResponse => "N",
                    CtFault::WrongRatio => "W",
                });
            }
            if let Some(senses) = channel.senses.as_ref().filter(|senses| **senses != channel.channel) {
                text.push_str(senses);
            }
            text
        }
    }
}

/// What must not be said of a channel wired so.
fn contradicts(channel: &ChannelFinding, line: usize, wire: &Wire, tested: &[usize]) -> bool {
    let lines = ["L1", "L2", "L3"];
    let home = wire.conductors == 1 << line;
    match channel.status {
        Status::Correct => !wire.is_right(line),
        Status::Untested | Status::Ambiguous => false,
        Status::Faulty => {
            let reversed = channel.faults.contains(&CtFault::Reversed) && !wire.reversed;
            let other = channel.faults.contains(&CtFault::OtherPhase) && home;
            let gone = channel.faults.contains(&CtFault::NoResponse)
                && tested.iter().any(|tested| wire.conductors == 1 << tested);
            let senses = channel.senses.as_ref().is_some_and(|senses| {
                wire.conductors != 1 << lines.iter().position(|line| line == senses).unwrap_or(9)
            });
            wire.is_right(line)
                || reversed
                || other
                || gone
                || senses
                || channel.faults.contains(&CtFault::WrongRatio)
        }
    }
}

/// Rows of the table for one kind of meter; panics where something false is said.
fn table(kind: Kind) -> (String, usize, usize) {
    let mut text = String::new();
    let (mut named, mut failed) = (0, 0);
    for (number, order) in ORDERS.iter().enumerate() {
        for signs in 0..8_usize {
            let mut row = String::new();
            for (line, conductor) in order.iter().enumerate() {
                let _ =
                    write!(row, "{}L{} ", if signs & (1 << line) != 0 { "-" } else { "+" }, conductor + 1);
            }
            for placements in [vec![0], vec![1], vec![2], vec![0, 1, 2]] {
                let mut scene = Scene::plain((number * 8 + signs) as u64, 3, kind);
                for (line, conductor) in order.iter().enumerate() {
                    scene.house.wires[line] = Wire {
                        conductors: 1 << conductor,
                        reversed: signs & (1 << line) != 0,
                        ..Wire::right(line)
                    };
                }
                scene.placements.clone_from(&placements);
                let wires = scene.house.wires.clone();
                let right = scene.is_right();
                let finding = judge(&scene.play().case, &CtOptions::default());
                let cells: Vec<String> = finding.body.channels.iter().map(letters).collect();
                let _ = write!(row, "| {:<14}", cells.join(" "));
                for (line, channel) in finding.body.channels.iter().enumerate() {
                    assert!(
                        !contradicts(channel, line, &wires[line], &placements),
                        "{kind:?} {row} {channel:?}"
                    );
                }
                if placements.len() == 3 {
                    assert_eq!(finding.verdict == Verdict::Pass, right, "{kind:?} {row}");
                    failed += usize::from(finding.verdict == Verdict::Fail);
                    named += usize::from(
                        finding
                            .body
                            .channels
                            .iter()
                            .all(|channel| matches!(channel.status, Status::Correct | Status::Faulty)),
                    );
                } else {
                    assert_ne!(finding.verdict, Verdict::Pass, "{kind:?} {row}");
                }
            }
            let _ = writeln!(text, "{}", row.trim_end());
        }
    }
    (text, named, failed)
}

/// The table stands in the manual as this test makes it; `WATTWARD_BLESS=1` writes it anew.
#[test]
fn every_assignment_is_identified_and_the_manual_says_so() {
    let (full, named, failed) = table(Kind::PowerReactiveVoltage);
    assert_eq!((named, failed), (48, 47));
    let (plain, plain_named, plain_failed) = table(Kind::Power);
    let text = format!(
        "{HEAD}## Active and reactive power, and voltage\n\nWith the load on all three phases in turn {named} of 48 are named, and {failed} of the 47 wrong ones fail.\n\n```text\n{LEGEND}{full}```\n\n## Active power alone\n\nWith the load on all three phases in turn {plain_named} of 48 are named, and {plain_failed} of the 47 wrong ones fail.\n\n```text\n{LEGEND}{plain}```\n"
    );
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/ct-assignments.md");
    if std::env::var("WATTWARD_BLESS").is_ok() {
        bless(path, &text);
    }
    assert!(
        text == include_str!("../../docs/ct-assignments.md"),
        "{path} differs; WATTWARD_BLESS=1 writes it anew"
    );
}

#[expect(clippy::disallowed_methods, reason = "a test that was told to writes the manual's table")]
pub(crate) fn bless(path: &str, text: &str) {
    std::fs::write(path, text).expect("the manual can be written");
}

const HEAD: &str = "# The 48 ways three CTs can be exchanged and turned\n\nMade by `tests/ct/assignments.rs`: a simulated house with a 2 kW heater, four on/off pairs, no plant. A row says what each channel's CT is on, and which\nway round (`-`: reversed). Then, for channels L1, L2, L3: what is found with the heater on L1 only, on L2 only, on L3 only, and on all three in turn.\n\n`ok` correct, `R` reversed, `O` another phase with the one it senses, `N` no response on the phases tested, `?` ambiguous (surely wrong or open; `next` says what parts it),\n`-` untested. A channel that shows nothing on its own phase is `N` until the phase it does sense is tested.\n\n";
const LEGEND: &str = "CTs on       | heater on L1  | on L2         | on L3         | on all three\n";
