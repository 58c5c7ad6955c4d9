//! Interval data beside the log: whether both agree, how far their times are apart, which way of treating phases fits. The
//! intervals are added up here, second by second, from the same lines through the readings.

use wattward::base::{Phase, PointKey, Quantity, Span, Stamp};
use wattward::check::review::{AgainstBody, Interval, Intervals, review_against};
use wattward::evidence::long::{Gather, Long, Plan};
use wattward::profile::{parse_profile, parse_site};
use wattward::reading::{MeterSeries, Sample};

/// 2026-09-21T00:00:00Z.
const START: i64 = 1_789_948_800_000_000_000;
const DAYS: i64 = 2;
const EVERY: i64 = 10;

/// Power of a phase: sun on all of them, and loads that switch.
fn watts(phase: usize, second: i64) -> f64 {
    let t = second as f64;
    let turn = |period: f64| (t / period + 0.31 * phase as f64).fract();
    let sun = (std::f64::consts::TAU * (t / 86_400.0 - 0.25)).sin().max(0.0) * 1500.0;
    let load = if turn(2000.0 + 137.0 * phase as f64) < 0.3 { 1300.0 } else { 150.0 };
    let slow = if turn(17_000.0) < 0.4 { 700.0 } else { 0.0 };
    load + slow - sun
}

/// Import and export in Wh from an instant on, the phases added first or each by itself.
fn energy(from: i64, length: i64, by_phase: bool) -> (f64, f64) {
    let (mut import, mut export) = (0.0, 0.0);
    let at = |phase: usize, second: i64| {
        let (low, share) = (second.div_euclid(EVERY) * EVERY, second.rem_euclid(EVERY) as f64 / EVERY as f64);
        watts(phase, low) * (1.0 - share) + watts(phase, low + EVERY) * share
    };
    for second in from..from + length {
        let parts = [0, 1, 2].map(|phase| 0.5 * (at(phase, second) + at(phase, second + 1)));
        let mut add = |power: f64| {
            import += power.max(0.0) / 3600.0;
            export += (-power).max(0.0) / 3600.0;
        };
        if by_phase {
            parts.into_iter().for_each(&mut add);
        } else {
            add(parts.iter().sum());
        }
    }
    (import, export)
}

fn long() -> Long {
    let profile = "[defaults]\npositive = \"import\"\n[points.active_power]\n\
        each = { address = 12, stride = 2, signed = true }\ntotal = { address = 18, signed = true }\n";
    let site = "[site]\nname = \"x\"\nphases = 3\n[[meter]]\nname = \"connection\"\nrole = \"reference\"\nprofile = \"p\"\n\
        class = \"1\"\nline = { serial = \"x\" }\n";
    let site = parse_site("site", site).expect("a site").0;
    let profile = parse_profile("p", profile).expect("a profile").0;
    let mut series = MeterSeries::default();
    for second in (0..=DAYS * 86_400).step_by(EVERY as usize) {
        let at = Stamp::from_nanos(START) + Span::from_millis(second * 1000);
        let powers = [0, 1, 2].map(|phase| watts(phase, second));
        let mut put = |phase: Phase, value: f64| {
            let key = PointKey::Of(Quantity::ActivePower, phase);
            series.points.entry(key).or_default().samples.push(Sample { at, value });
        };
        Phase::LINES.into_iter().zip(powers).for_each(|(phase, power)| put(phase, power));
        put(Phase::Total, powers.iter().sum());
    }
    let mut long = Long::new(Plan::new(&site, &[profile], None).expect("a meter"));
    let mut gather = Gather::new(1);
    gather.push(0, series);
    gather.finish().into_iter().for_each(|slice| long.take(slice));
    long.finish()
}

/// Intervals that are so late, to this many Wh, with one changed.
fn table(length: i64, late: i64, by_phase: bool, step_wh: f64, wrong: Option<usize>) -> Intervals {
    let rounded = |wh: f64| (wh / step_wh).round() * step_wh;
    let list = (2 * 3600..DAYS * 86_400 - 2 * 3600)
        .step_by(length as usize)
        .enumerate()
        .map(|(index, start)| {
            let (import, export) = energy(start - late, length, by_phase);
            let more = if wrong == Some(index) { 400.0 } else { 0.0 };
            Interval {
                start: Stamp::from_nanos(START) + Span::from_millis(start * 1000),
                import_wh: Some(rounded(import) + more),
                export_wh: Some(rounded(export)),
            }
        })
        .collect();
    Intervals { file: "t.csv".into(), length_s: length as f64, step_wh, net: false, skipped: 0, list }
}

fn held(long: &Long, data: &Intervals) -> AgainstBody {
    let at = |second: i64| Stamp::from_nanos(START) + Span::from_millis(second * 1000);
    let review = review_against(long, (at(0), at(DAYS * 86_400)), None, Some(data)).expect("readings");
    review.body.against.expect("held against it")
}

#[test]
fn intervals_of_any_length_agree_and_show_how_phases_are_treated() {
    let long = long();
    for length in [900, 1800, 3600] {
        for (by_phase, word) in [(false, "sum"), (true, "phase")] {
            let found = held(&long, &table(length, 0, by_phase, 10.0, None));
            assert_eq!((found.netting, found.agree), (word, Some(true)), "{length}: {found:?}");
            assert_eq!(found.agreeing, found.compared, "{found:?}");
            let (offset, u) = (found.offset_s.expect("shown"), found.offset_u_s.expect("shown"));
            assert!(offset.abs() <= u && found.offset_intervals == Some(0), "{length}: {offset} {u}");
        }
    }
}

#[test]
fn an_offset_is_told_in_whole_intervals_and_the_rest() {
    let long = long();
    for (late, whole, rest) in [(3600, 4, 0), (-7200, -8, 0), (240, 0, 240), (1020, 1, 120), (900, 1, 0)] {
        let found = held(&long, &table(900, late, false, 10.0, None));
        let (offset, u) = (found.offset_s.expect("shown"), found.offset_u_s.expect("shown"));
        assert!((offset - late as f64).abs() <= u.max(30.0) && u < 120.0, "{late}: {offset} ± {u}");
        assert_eq!(found.offset_intervals, Some(whole), "{found:?}");
        assert!((found.offset_rest_s.expect("shown") - f64::from(rest)).abs() <= u.max(30.0), "{found:?}");
        assert_eq!(found.agree, Some(true), "{late}: {found:?}");
    }
}

#[test]
fn an_interval_that_differs_is_named() {
    let long = long();
    let found = held(&long, &table(900, 0, false, 10.0, Some(40)));
    assert_eq!((found.agree, found.worst.len()), (Some(true), 1), "{found:?}");
    assert_eq!(found.worst[0].direction, "import");
    let start = Stamp::from_nanos(START) + Span::from_millis((2 * 3600 + 40 * 900) * 1000);
    assert_eq!(found.worst[0].start, start);
    assert!((found.worst[0].file_Wh - found.worst[0].log_Wh - 400.0).abs() < 10.0);
    // All of it 10 % higher: another meter, or a wrong ratio.
    let mut data = table(900, 0, false, 10.0, None);
    for one in &mut data.list {
        one.import_wh = one.import_wh.map(|wh| 1.1 * wh + 20.0);
    }
    let found = held(&long, &data);
    assert_eq!(found.agree, Some(false), "{found:?}");
}
