//! The view on a terminal of cells, read as a person would read it.

use std::collections::BTreeMap;

use ratatui::Terminal;
use ratatui::backend::TestBackend;

use super::board::Board;
use super::draw::draw;
use crate::base::{Phase, PointKey, Quantity, Span, Stamp};
use crate::profile::parse_site;
use crate::reading::Sample;

const SITE: &str = "[site]\nname = \"Mill cottage\"\nphases = 3\ntime_zone = \"Europe/London\"\n\
    [[meter]]\nname = \"connection\"\nrole = \"reference\"\nprofile = \"x.toml\"\nline = { serial = \"/dev/x\" }\n\
    [[meter]]\nname = \"roof\"\nrole = \"generation\"\nprofile = \"x.toml\"\nline = { serial = \"/dev/x\" }\nunit = 2\n\
    [[plant]]\nname = \"roof\"\nrated_W = 5000\nphases = [\"L1\"]\n\
    [limit]\nwindow_s = 60\n[[limit.rule]]\nexport_W = 0\nper = \"total\"\naveraging_s = 1.0\nlongest_s = 5.0\n\
    [[limit.rule]]\nexport_W = 500\nper = \"phase\"\naveraging_s = 60.0\nlongest_s = 0\n";

/// 2026-07-14 12:00:00 UTC, 13:00 in London.
const NOON: i64 = 1_784_030_400_000_000;

fn at(seconds: f64) -> Stamp {
    Stamp::from_micros(NOON) + Span::from_seconds(seconds)
}

fn reading(seconds: f64, power: [f64; 3]) -> BTreeMap<PointKey, Sample> {
    let mut latest = BTreeMap::new();
    for (phase, power) in Phase::LINES.into_iter().zip(power) {
        let mut put = |quantity, value| {
            latest.insert(PointKey::Of(quantity, phase), Sample { at: at(seconds), value });
        };
        put(Quantity::ActivePower, power);
        put(Quantity::ReactivePower, power.abs() * 0.2);
        put(Quantity::Voltage, 230.4);
        put(Quantity::Current, power.abs() / 230.4);
    }
    let energy = PointKey::Of(Quantity::EnergyImport, Phase::Total);
    latest.insert(energy, Sample { at: at(seconds), value: 1_234_500.0 });
    latest
}

/// A board after `seconds` of readings once a second, the power of each by `power`.
fn board(seconds: u32, power: impl Fn(f64) -> [f64; 3]) -> Board {
    let (site, _) = parse_site("site.toml", SITE).expect("site");
    let mut board = Board::new(&site, Some(Span::from_millis(1000)));
    board.before = "waiting".into();
    board.health = "line  412 questions, 2 failed (0.5 %), answer after 41 ms, at worst 80 ms".into();
    for second in 0..=seconds {
        let second = f64::from(second);
        board.meters[0].take(reading(second, power(second)));
        board.meters[1].take(reading(second, [-3210.0, 0.0, 0.0]));
    }
    board
}

fn screen(board: &Board, now: Stamp, (width, height): (u16, u16)) -> String {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("cells");
    terminal.draw(|frame| draw(board, now, false, frame)).expect("drawn");
    let cells = terminal.backend().buffer().clone();
    let row = |y| (0..width).map(|x| cells[(x, y)].symbol().to_owned()).collect::<String>();
    (0..height).map(|y| row(y).trim_end().to_owned() + "\n").collect()
}

#[test]
fn everything_fits_the_smallest_usual_terminal() {
    let board = board(240, |t| [412.0, 88.0, 1204.0 + 300.0 * libm::sin(t / 20.0)]);
    insta::assert_snapshot!("watch_80x24", screen(&board, at(240.4), (80, 24)));
    insta::assert_snapshot!("watch_120x40", screen(&board, at(240.4), (120, 40)));
    insta::assert_snapshot!("watch_40x12", screen(&board, at(240.4), (40, 12)));
    // No size is too small to draw on.
    for size in [(1, 1), (10, 3), (66, 18), (65, 18), (200, 5)] {
        let _ = screen(&board, at(240.4), size);
    }
}

#[test]
fn export_above_a_limit_is_said_in_words() {
    let text =
        screen(&board(70, |t| [if t > 30.0 { -2412.0 } else { 100.0 }, 90.0, 90.0]), at(70.0), (80, 30));
    assert!(text.contains("← towards grid"), "{text}");
    assert!(text.contains("rule 1 (0 W, at most 5 s above):   ABOVE the limit by 2232 W"), "{text}");
    // 60 s of mean ending at 70 s: 100 W until 30 s, straight to -2412 W within a second, then that.
    let mean = (20.0 * 100.0 + 0.5 * (100.0 - 2412.0) - 39.0 * 2412.0) / 60.0;
    assert!(text.contains(&format!("ABOVE the limit by {:.0} W", -(500.0 + mean))), "{text}");
}

#[test]
fn an_old_power_is_never_shown_as_the_present_one() {
    let mut board = board(20, |_| [412.0, 88.0, 1204.0]);
    assert!(screen(&board, at(22.9), (80, 24)).contains("412 W"));
    let text = screen(&board, at(24.1), (80, 24));
    assert!(!text.contains("412 W") && !text.contains("towards house"), "{text}");
    assert!(text.contains("nothing new for 4 s"), "{text}");
    assert!(text.contains("rule 1 (0 W, at most 5 s above):  not known yet"), "{text}");
    board.lost.push("/dev/x".into());
    assert!(screen(&board, at(24.1), (80, 24)).contains("/dev/x is lost"));
}

#[test]
fn one_missing_phase_leaves_no_sum() {
    let mut board = board(20, |_| [412.0, 88.0, 1204.0]);
    let mut partial = reading(21.0, [412.0, 88.0, 1204.0]);
    partial.remove(&PointKey::Of(Quantity::ActivePower, Phase::L2));
    board.meters[0].take(partial);
    assert_eq!(board.meters[0].total_w(at(21.0)), None);
    assert!(screen(&board, at(21.0), (80, 24)).contains("no power read"));
}

#[test]
fn a_plant_delivers_and_has_no_limit_of_its_own() {
    let mut board = board(20, |_| [412.0, 88.0, 1204.0]);
    assert!(screen(&board, at(20.0), (80, 30)).contains("roof (generation)  3210 W  → delivers"));
    board.next_meter();
    let text = screen(&board, at(20.0), (80, 30));
    assert!(text.contains("→ delivers") && !text.contains("rule 1"), "{text}");
    assert!(text.contains("connection (reference)  1704 W  → towards house"), "{text}");
}

#[test]
fn a_mean_needs_readings_for_all_of_its_time() {
    let board = board(30, |_| [412.0, 88.0, 1204.0]);
    let panel = &board.meters[0];
    assert_eq!(panel.below_w(&panel.rules[0], at(30.0)), Some(1704.0));
    assert_eq!(panel.below_w(&panel.rules[1], at(30.0)), None);
}
