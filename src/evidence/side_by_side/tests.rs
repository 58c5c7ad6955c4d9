//! Two made-up meters at one point, whose relation is known.

use super::*;
use crate::evidence::made::channel;

/// Numbers without a pattern, the same on every machine (Lehmer's generator, modulus 2^31 - 1, factor 48271: Park and Miller,
/// from memory).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> f64 {
        self.0 = self.0 * 48_271 % 2_147_483_647;
        self.0 as f64 / 2_147_483_647.0
    }
}

/// A power that stands for a while, then jumps.
struct Power(Vec<(f64, f64)>);

impl Power {
    fn made(numbers: &mut Numbers) -> Self {
        let (mut t, mut list) = (-60.0, Vec::new());
        while t < 700.0 {
            list.push((t, -3000.0 + 6000.0 * numbers.next()));
            t += 8.0 + 20.0 * numbers.next();
        }
        Self(list)
    }

    fn at(&self, t: f64) -> f64 {
        self.0[self.0.partition_point(|(from, _)| *from <= t).saturating_sub(1)].1
    }

    fn mean(&self, t: f64, over_s: f64) -> f64 {
        let parts = 20;
        (0..parts).fold(0.0, |sum, k| sum + self.at(t - over_s * (f64::from(k) + 0.5) / f64::from(parts)))
            / f64::from(parts)
    }
}

fn readings(numbers: &mut Numbers, spacing: f64, noise: f64, power: impl Fn(f64) -> f64) -> Channel {
    let mut t = spacing * numbers.next();
    let mut list = Vec::new();
    while t < 600.0 {
        list.push((t, power(t) + noise * (numbers.next() - 0.5)));
        t += spacing * (0.95 + 0.1 * numbers.next());
    }
    let mut one = channel(&list, 20.0);
    (one.resolution_w, one.update_s) = (0.1, 0.2);
    one
}

#[test]
fn lag_gain_offset_and_sign_of_a_second_meter_lie_within_their_uncertainties() {
    let (mut lag_in, mut gain_in, mut offset_in, mut count) = (0, 0, 0, 0);
    for seed in 1..=60 {
        let mut numbers = Numbers(seed * 7919);
        let power = Power::made(&mut numbers);
        let turned = seed % 3 == 0;
        let gain = (0.9 + 0.2 * numbers.next()) * if turned { -1.0 } else { 1.0 };
        let (offset, behind) = (100.0 * (numbers.next() - 0.5), 6.0 * numbers.next() - 1.0);
        let averaging = if seed % 2 == 0 { 0.0 } else { 1.0 };
        let first = readings(&mut numbers, 0.5, 4.0, |t| power.at(t));
        let second = readings(&mut numbers, 1.0, 6.0, |t| gain * power.mean(t - behind, averaging) + offset);
        let found = compare(&first, &second, 0.0, 600.0);
        let told = format!("{seed}: {gain} {offset} {behind} {averaging} {found:?}");
        assert_eq!(found.sign, Some(if turned { -1 } else { 1 }), "{told}");
        assert!(found.spans >= 10, "{told}");
        // A mean over a second follows half of it behind.
        let true_lag = behind + 0.5 * averaging;
        lag_in += u32::from((found.lag_s.unwrap() - true_lag).abs() <= found.lag_u_s.unwrap());
        gain_in += u32::from((found.gain.unwrap() - gain).abs() <= found.gain_u.unwrap());
        offset_in += u32::from((found.offset_w.unwrap() - offset).abs() <= found.offset_u_w.unwrap());
        assert!(found.lag_u_s.unwrap() < 0.5 && found.gain_u.unwrap() < 0.003, "{told}");
        assert!((found.gain.unwrap() - gain).abs() < 0.003, "{told}");
        count += 1;
    }
    // For a coverage of 95 %, of 60: 52 or more with a probability of 99.6 % (binomial).
    println!("within: lag {lag_in}, gain {gain_in}, offset {offset_in} of {count}");
    assert!(lag_in >= 52 && gain_in >= 52 && offset_in >= 52, "{lag_in} {gain_in} {offset_in} of {count}");
}

#[test]
fn without_noise_or_lag_gain_and_offset_are_exact() {
    let mut numbers = Numbers(5);
    let power = Power::made(&mut numbers);
    let list: Vec<(f64, f64)> = (0..1200).map(|k| 0.5 * f64::from(k)).map(|t| (t, power.at(t))).collect();
    let first = channel(&list, 20.0);
    let second = channel(&list.iter().map(|(t, w)| (*t, 1.02 * w - 7.0)).collect::<Vec<_>>(), 20.0);
    let found = compare(&first, &second, 0.0, 600.0);
    assert!((found.gain.unwrap() - 1.02).abs() < 1e-9, "{found:?}");
    assert!((found.offset_w.unwrap() + 7.0).abs() < 1e-6, "{found:?}");
    assert!(found.lag_s.unwrap().abs() <= found.lag_u_s.unwrap(), "{found:?}");
    // 2 % of 3 kW is 60 W; both know their power to 20 W.
    assert_eq!(found.agree(), Some(false), "{found:?}");
    let near = channel(&list.iter().map(|(t, w)| (*t, w + 9.0)).collect::<Vec<_>>(), 20.0);
    assert_eq!(compare(&first, &near, 0.0, 600.0).agree(), Some(true));
}

#[test]
fn a_power_that_never_changes_tells_an_offset_and_no_more() {
    let list: Vec<(f64, f64)> = (0..600).map(|k| (f64::from(k), 400.0 + f64::from(k % 3))).collect();
    let first = channel(&list, 5.0);
    let second = channel(&list.iter().map(|(t, w)| (*t, w + 3.0)).collect::<Vec<_>>(), 5.0);
    let found = compare(&first, &second, 0.0, 600.0);
    assert_eq!((found.lag_s, found.gain, found.sign), (None, None, None), "{found:?}");
    assert!((found.offset_w.unwrap() - 3.0).abs() < 0.5, "{found:?}");
    assert_eq!(compare(&first, &channel(&[], 1.0), 0.0, 600.0), Comparison::default());
}

/// 20 s on and 20 s off for ten minutes: the opposite of such a power is the power itself 20 s later.
#[test]
fn a_power_that_comes_and_goes_with_a_period_tells_neither_lag_nor_sign() {
    for seed in 1..=40 {
        let mut numbers = Numbers(seed * 104_729);
        let period = 16.0 + 30.0 * numbers.next();
        let behind = 12.0 * numbers.next();
        let power = |t: f64| if (t + 1000.0) % period < 0.5 * period { 2000.0 } else { -400.0 };
        let first = readings(&mut numbers, 0.5, 40.0, power);
        let second = readings(&mut numbers, 1.0, 40.0, |t| power(t - behind));
        let found = compare(&first, &second, 0.0, 600.0);
        assert_eq!((found.lag_s, found.sign), (None, None), "{seed}: period {period} lag {behind} {found:?}");
    }
    // With two thirds of it on, only one way fits.
    let mut numbers = Numbers(11);
    let power = |t: f64| if (t + 1000.0) % 61.0 < 40.0 { 2000.0 } else { -400.0 };
    let first = readings(&mut numbers, 0.5, 40.0, power);
    let second = readings(&mut numbers, 1.0, 40.0, |t| -power(t - 3.0));
    assert_eq!(compare(&first, &second, 0.0, 600.0).sign, Some(-1));
}

/// NIST Statistical Reference Datasets, linear regression, Norris: data (y, x) and certified values (data from memory; they give the
/// certified values to 13 digits, which no slip would).
#[test]
fn gain_and_offset_are_the_certified_ones_of_norris() {
    const NORRIS: [(f64, f64); 36] = [
        (0.1, 0.2),
        (338.8, 337.4),
        (118.1, 118.2),
        (888.0, 884.6),
        (9.2, 10.1),
        (228.1, 226.5),
        (668.5, 666.3),
        (998.5, 996.3),
        (449.1, 448.6),
        (778.9, 777.0),
        (559.2, 558.2),
        (0.3, 0.4),
        (0.1, 0.6),
        (778.1, 775.5),
        (668.8, 666.9),
        (339.3, 338.0),
        (448.9, 447.5),
        (10.8, 11.6),
        (557.7, 556.0),
        (228.3, 228.1),
        (998.0, 995.8),
        (888.8, 887.6),
        (119.6, 120.2),
        (0.3, 0.3),
        (0.6, 0.3),
        (557.6, 556.8),
        (339.3, 339.1),
        (888.0, 887.2),
        (998.5, 999.0),
        (778.9, 779.0),
        (10.2, 11.1),
        (117.6, 118.3),
        (228.9, 229.2),
        (668.4, 669.1),
        (449.2, 448.9),
        (0.2, 0.5),
    ];
    let points: Vec<Level> =
        NORRIS.iter().map(|(y, x)| Level { first_w: *x, second_w: *y, allowed_w: 1.0 }).collect();
    let mut flat = channel(&[(0.0, 0.0), (1.0, 0.0)], 0.0);
    flat.resolution_w = 0.0;
    let mut found = Comparison::default();
    relate(&points, (&flat, &flat), &mut found);
    let factor = coverage_factor(34.0);
    for (name, value, certified) in [
        ("slope", found.gain, 1.002_116_818_020_45),
        ("its deviation", found.gain_u.map(|u| u / factor), 0.429_796_848_199_937e-3),
        ("intercept", found.offset_w, -0.262_323_073_774_029),
        ("its deviation", found.offset_u_w.map(|u| u / factor), 0.232_818_234_301_152),
    ] {
        let value = value.expect("a line");
        assert!((value / certified - 1.0).abs() < 1e-11, "{name}: {value}, certified {certified}");
    }
}
