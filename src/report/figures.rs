//! Figures for people: as many digits as the uncertainty leaves meaning, the unit behind.
//!
//! An expanded uncertainty is given to two significant digits and the value to the same place (JCGM 100:2008, 7.2.6).

/// Decimals that two significant digits of an uncertainty need; negative for tens and hundreds.
fn decimals(uncertainty: f64) -> i32 {
    let size = uncertainty.abs();
    if !size.is_finite() || size <= 0.0 {
        return 0;
    }
    let mut place = 1 - libm::floor(libm::log10(size)) as i32;
    // 9.96 becomes 10, which needs one place less.
    if libm::round(size * power(place)) >= 100.0 {
        place -= 1;
    }
    place.clamp(-9, 6)
}

fn power(place: i32) -> f64 {
    libm::pow(10.0, f64::from(place))
}

/// A value with a number of decimals; tens and hundreds are rounded to zeros. Never `-0`.
pub fn to_place(value: f64, place: i32) -> String {
    let scaled = if place < 0 { libm::round(value * power(place)) / power(place) } else { value };
    let text = format!("{scaled:.*}", place.max(0) as usize);
    if text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.')) {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

/// `2011 ± 26`; without an uncertainty the value with `otherwise` decimals.
pub fn with_uncertainty(value: f64, uncertainty: Option<f64>, otherwise: i32) -> String {
    match uncertainty.filter(|uncertainty| *uncertainty > 0.0) {
        Some(uncertainty) => {
            let place = decimals(uncertainty);
            format!("{} ± {}", to_place(value, place), to_place(uncertainty, place))
        }
        None => to_place(value, otherwise),
    }
}

/// A value to the place its uncertainty leaves meaning, at most `most` decimals, without the uncertainty itself.
pub fn sensible(value: f64, uncertainty: f64, most: i32) -> String {
    to_place(value, if uncertainty > 0.0 { decimals(uncertainty).min(most) } else { most })
}

/// A length of time: tenths of a second up to two minutes, then minutes and seconds, then hours and minutes.
pub fn duration(seconds: f64) -> String {
    let size = seconds.abs();
    if size < 120.0 {
        return format!("{} s", to_place(seconds, 1));
    }
    let whole = libm::round(size) as u64;
    let sign = if seconds < 0.0 { "-" } else { "" };
    if whole < 7200 {
        format!("{sign}{} min {:02} s", whole / 60, whole % 60)
    } else {
        format!("{sign}{} h {:02} min", whole / 3600, whole % 3600 / 60)
    }
}

/// A share as per cent, cut and not rounded, so that 99.97 % does not read as all.
pub fn percent_cut(share: f64) -> String {
    format!("{:.1} %", (share * 1000.0 + 1e-9).floor() / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, 7.2.2 and 7.2.6: a value and its uncertainty end at the same place, with two digits at most.
    #[test]
    fn the_uncertainty_decides_the_digits() {
        assert_eq!(with_uncertainty(100.021_47, Some(0.000_79), 0), "100.02147 ± 0.00079");
        assert_eq!(with_uncertainty(10.057_62, Some(0.027), 0), "10.058 ± 0.027");
        assert_eq!(with_uncertainty(2011.04, Some(26.0), 0), "2011 ± 26");
        assert_eq!(with_uncertainty(-2.14, Some(5.4), 0), "-2.1 ± 5.4");
        assert_eq!(with_uncertainty(20_117.0, Some(1234.0), 0), "20100 ± 1200");
        assert_eq!(with_uncertainty(0.98, Some(0.0996), 0), "0.98 ± 0.10");
        assert_eq!(with_uncertainty(12.34, None, 1), "12.3");
        assert_eq!(sensible(1760.769, 80.5, 1), "1761");
        assert_eq!(sensible(1760.769, 0.05, 1), "1760.8");
    }

    #[test]
    fn nothing_is_less_than_nothing() {
        assert_eq!(to_place(-0.04, 1), "0.0");
        assert_eq!(to_place(-4.0, -1), "0");
        assert_eq!(to_place(-5.0, 0), "-5");
    }

    #[test]
    fn times_and_shares_are_told_in_one_way() {
        assert_eq!(duration(3.25), "3.2 s");
        assert_eq!(duration(146.5), "2 min 27 s");
        assert_eq!(duration(7260.0), "2 h 01 min");
        assert_eq!(percent_cut(0.9999), "99.9 %");
        assert_eq!(percent_cut(0.515), "51.5 %");
        assert_eq!(percent_cut(1.0), "100.0 %");
    }

    proptest::proptest! {
        #[test]
        fn no_figure_breaks_it(value in proptest::num::f64::ANY, uncertainty in proptest::num::f64::ANY) {
            let _ = with_uncertainty(value, Some(uncertainty), 1);
            let _ = sensible(value, uncertainty, 2);
            let _ = duration(value);
            let _ = percent_cut(value);
        }
    }
}
