//! The page's address as a QR code (ISO/IEC 18004) of half blocks, for a phone's camera.

use qrcode::{Color, EcLevel, QrCode};

/// Light modules around the code: the standard wants four; two on a dark screen, whose own edge is dark, read well, and
/// leave the code within 24 rows.
const QUIET: usize = 2;

/// Its rows, two modules high each; nothing where the text is too long for a code. Light modules are drawn, dark ones left
/// out: for light ink on a dark ground.
pub(in crate::cli) fn rows(text: &str) -> Vec<String> {
    // A screen is not scratched: the least correction makes the largest modules.
    let Ok(code) = QrCode::with_error_correction_level(text, EcLevel::L) else { return Vec::new() };
    let (width, modules) = (code.width(), code.to_colors());
    let light = |x: usize, y: usize| {
        let inside = |place: usize| place.checked_sub(QUIET).filter(|place| *place < width);
        match (inside(x), inside(y)) {
            (Some(x), Some(y)) => modules.get(y * width + x) != Some(&Color::Dark),
            _ => true,
        }
    };
    let whole = width + 2 * QUIET;
    let row = |y: usize| (0..whole).map(|x| half(light(x, y), y + 1 < whole && light(x, y + 1))).collect();
    (0..whole).step_by(2).map(row).collect()
}

/// The same for a terminal: with colours the ink and the ground are named, so that a light terminal shows it as well.
pub(in crate::cli) fn drawn(text: &str, colour: bool) -> String {
    let (before, after) = if colour { ("\x1b[97;40m", "\x1b[0m") } else { ("", "") };
    let rows: Vec<String> = rows(text).into_iter().map(|row| format!("{before}{row}{after}")).collect();
    rows.join("\n")
}

const fn half(upper: bool, lower: bool) -> char {
    match (upper, lower) {
        (true, true) => '█',
        (true, false) => '▀',
        (false, true) => '▄',
        (false, false) => ' ',
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ADDRESS: &str = "http://192.168.178.123:18437/abcdefghijkmnpqrstuvwxyz23/";

    /// That a reader finds the address in it is tested with an independent one (`tests/peers/phone_test.py`).
    #[test]
    fn the_code_of_an_address_fits_a_small_terminal_with_its_edge() {
        let rows = rows(ADDRESS);
        assert!(rows.len() <= 22, "{}", rows.len());
        assert!(rows.iter().all(|row| row.chars().count() == rows[0].chars().count()));
        assert!(rows[0].chars().count() <= 79);
        // Two light modules above, and on the left the finder pattern behind two more (ISO/IEC 18004, 6.3.3).
        assert!(rows[0].chars().all(|one| one == '█'));
        assert!(rows[1].starts_with("██ ▄▄▄▄▄ █"), "{}", rows[1]);
    }

    #[test]
    fn colours_are_named_only_where_they_are_wanted() {
        assert!(
            drawn(ADDRESS, true)
                .lines()
                .all(|row| row.starts_with("\x1b[97;40m") && row.ends_with("\x1b[0m"))
        );
        assert!(!drawn(ADDRESS, false).contains('\x1b'));
    }
}
