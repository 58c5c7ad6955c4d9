//! Areas and means against closed forms: ramps, sines, first-order responses.

use std::f64::consts::{LN_10, TAU};

use proptest::prelude::*;

use super::Line;

fn close(a: f64, b: f64, relative: f64) -> bool {
    (a - b).abs() <= relative * a.abs().max(b.abs()).max(1e-300)
}

#[test]
fn a_ramp_has_the_mean_of_its_middle_whatever_the_spacing() {
    // P = -500 + 37 t sampled at irregular times over a day; closed form of the mean over [t-A, t]: P(t - A/2).
    let mut vertices = Vec::new();
    let mut t = 0.0;
    let mut odd = 0_u32;
    while t < 86_400.0 {
        vertices.push((t, -500.0 + 37.0 * t));
        odd = odd.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        t += 0.2 + f64::from(odd >> 16) / 65_536.0 * 9.8;
    }
    let line = Line::new(vertices);
    let (_, last) = line.extent().unwrap();
    for averaging in [1.0, 60.0, 900.0] {
        line.sliding(averaging, 0.0, last, |piece| {
            let expected = -500.0 + 37.0 * (piece.start - averaging / 2.0);
            assert!(close(piece.level, expected, 1e-9) || (piece.level - expected).abs() < 1e-6, "{piece:?}");
        });
        for (from, to) in [(10.0, 11.0), (12_345.6, 12_346.6), (80_000.0, 80_900.0)] {
            let expected = -500.0 + 37.0 * f64::midpoint(from, to);
            assert!(close(line.mean(from, to).unwrap(), expected, 1e-9));
            assert!(close(line.integral(from, to), expected * (to - from), 1e-9));
        }
    }
}

#[test]
fn a_sampled_sine_errs_by_no_more_than_a_twelfth_of_the_squared_step() {
    // Straight lines between samples of a sine shorten its mean by the factor sinc²(ωh/2) ≈ 1 - (ωh)²/12, so the error of a
    // mean is at most (ωh)²/12 of the exact one's size when the window holds whole samples (calculus; facts: bound of issue 4).
    for step in [0.1, 0.5, 1.0] {
        let omega = TAU / 20.0;
        let count = (400.0 / step) as usize;
        let line =
            Line::new((0..=count).map(|k| (k as f64 * step, 1000.0 * libm::sin(omega * k as f64 * step))));
        let bound = (omega * step) * (omega * step) / 12.0;
        for start in 0..40 {
            let (from, to) = (f64::from(start) * 3.0, f64::from(start) * 3.0 + 7.0);
            let exact = 1000.0 * (libm::cos(omega * from) - libm::cos(omega * to)) / omega / (to - from);
            let found = line.mean(from, to).unwrap();
            // The bound is on each component's amplitude; 1000 W / (ω A) · 2 is the largest size a mean can have.
            let size = 1000.0 * 2.0 / omega / (to - from);
            assert!((found - exact).abs() <= bound * size, "{found} {exact} {bound}");
        }
    }
}

#[test]
fn a_first_order_response_crosses_when_its_closed_form_does() {
    // Open-loop response time Tr is the time to 90 % of the change: τ = Tr / ln 10 (facts 6, IEEE 1547 open-loop response).
    for (response, tau) in [(5.0, 2.171), (15.0, 6.514), (30.0, 13.029)] {
        let constant: f64 = response / LN_10;
        assert!((constant - tau).abs() < 0.001);
        let (height, step) = (4000.0, 0.01);
        let line = Line::new((0..20_000).map(|k| {
            let t = f64::from(k) * step;
            (t, -height * libm::exp(-t / constant))
        }));
        // Export falls to a tenth exactly at Tr.
        let dips = line.dips(0.0, -height / 10.0, 0.0, 190.0);
        assert_eq!(dips.len(), 1);
        assert!((dips[0].end - response).abs() < 1e-4, "{dips:?}");
        // The sliding mean over A falls to c at t with (τ/A)(e^{A/τ} - 1) e^{-t/τ} H = c.
        let (averaging, level): (f64, f64) = (1.0, 400.0);
        let factor = constant / averaging * (libm::exp(averaging / constant) - 1.0);
        let expected = constant * libm::log(factor * height / level);
        let dips = line.dips(averaging, -level, 0.0, 190.0);
        assert_eq!(dips.len(), 1);
        assert!((dips[0].end - expected).abs() < 1e-4, "{dips:?} {expected}");
    }
}

#[test]
fn a_pulse_is_above_its_level_for_as_long_as_it_lasts() {
    // A trapezoid with corners at 10, 11, 14, 15: below -500 W from 10.5 to 14.5.
    let line =
        Line::new([(0.0, 0.0), (10.0, 0.0), (11.0, -1000.0), (14.0, -1000.0), (15.0, 0.0), (30.0, 0.0)]);
    let dips = line.dips(0.0, -500.0, 0.0, 30.0);
    assert_eq!(dips.len(), 1);
    // A level counts as passed a billionth of it beyond, hence 1e-9.
    assert!(close(dips[0].start, 10.5, 1e-9) && close(dips[0].end, 14.5, 1e-9), "{dips:?}");
    assert!(close(line.area_below(0.0, 0.0, 30.0), 4000.0, 1e-12));
    // Mean over 1 s: at 10 + s (s ≤ 1) it is -1000 s²/2, so -500 at 11; on the way up the same, mirrored, at 15.
    let dips = line.dips(1.0, -500.0, 0.0, 30.0);
    assert!(close(dips[0].start, 11.0, 1e-9) && close(dips[0].end, 15.0, 1e-9), "{dips:?}");
    assert!(close(dips[0].lowest, -1000.0, 1e-9));
}

#[test]
fn standing_exactly_at_the_level_is_not_below_it() {
    let line = Line::new((0..1000).map(|k| (f64::from(k) * 0.3, -5000.0)));
    assert!(line.dips(1.0, -5000.0, 0.0, 299.0).is_empty());
    assert_eq!(line.dips(1.0, -4999.0, 0.0, 299.0).len(), 1);
}

#[test]
fn a_jump_at_one_instant_is_integrated_as_a_jump() {
    let line =
        Line::new([(0.0, 100.0), (5.0, 100.0), (5.0, -900.0), (7.0, -900.0), (7.0, 100.0), (9.0, 100.0)]);
    assert!(close(line.integral(0.0, 9.0), 700.0 - 1800.0, 1e-12));
    let dips = line.dips(0.0, 0.0, 0.0, 9.0);
    assert_eq!(dips.len(), 1);
    assert!(close(dips[0].start, 5.0, 1e-12) && close(dips[0].end, 7.0, 1e-12));
}

#[test]
fn an_average_longer_than_the_line_gives_nothing() {
    let line = Line::new([(0.0, -1.0), (10.0, -1.0)]);
    assert!(line.dips(900.0, 0.0, 0.0, 10.0).is_empty());
    assert_eq!(line.lowest(900.0, 0.0, 10.0), None);
    assert_eq!(Line::default().mean(0.0, 1.0), None);
}

proptest! {
    #[test]
    fn pieces_join_and_equal_the_mean_computed_directly(
        steps in prop::collection::vec((0.05_f64..3.0, -5000.0_f64..5000.0), 3..60),
        averaging in prop_oneof![Just(0.0), 0.1_f64..20.0],
    ) {
        let mut t = 0.0;
        let line = Line::new(steps.iter().map(|(dt, value)| { t += dt; (t, *value) }));
        let (first, last) = line.extent().unwrap();
        let mut before: Option<super::Piece> = None;
        line.sliding(averaging, first, last, |piece| {
            let direct = line.mean(piece.start - averaging, piece.start).unwrap();
            assert!((piece.level - direct).abs() < 1e-7);
            let end = line.mean(piece.end - averaging, piece.end).unwrap();
            assert!((piece.mean_of(piece.end) - end).abs() < 1e-6);
            if let Some(before) = before {
                assert_eq!(before.end, piece.start);
            }
            before = Some(piece);
        });
    }

    #[test]
    fn dips_hold_just_the_instants_below_the_level(
        steps in prop::collection::vec((0.05_f64..3.0, -3000.0_f64..3000.0), 3..40),
        averaging in prop_oneof![Just(0.0), 0.1_f64..8.0],
        level in -2000.0_f64..2000.0,
    ) {
        let mut t = 0.0;
        let line = Line::new(steps.iter().map(|(dt, value)| { t += dt; (t, *value) }));
        let (first, last) = line.extent().unwrap();
        let dips = line.dips(averaging, level, first, last);
        for k in 0..500 {
            let t = first + averaging + (last - first - averaging) * f64::from(k) / 500.0;
            if t > last || t < first + averaging { continue; }
            let mean = line.mean(t - averaging, t).unwrap();
            let inside = dips.iter().any(|dip| dip.start <= t && t <= dip.end);
            if (mean - level).abs() > 1e-3 {
                prop_assert_eq!(mean < level, inside, "at {} mean {} level {}", t, mean, level);
            }
        }
    }
}
