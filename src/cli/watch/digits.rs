//! Digits five rows high, so that a power can be read from two metres away.

/// Rows of a digit.
pub(super) const ROWS: usize = 5;

/// Each row of a glyph, a `#` for what is filled.
const GLYPHS: [(char, [&str; ROWS]); 12] = [
    ('0', ["###", "# #", "# #", "# #", "###"]),
    ('1', [" # ", "## ", " # ", " # ", "###"]),
    ('2', ["###", "  #", "###", "#  ", "###"]),
    ('3', ["###", "  #", "###", "  #", "###"]),
    ('4', ["# #", "# #", "###", "  #", "  #"]),
    ('5', ["###", "#  ", "###", "  #", "###"]),
    ('6', ["###", "#  ", "###", "# #", "###"]),
    ('7', ["###", "  #", "  #", "  #", "  #"]),
    ('8', ["###", "# #", "###", "# #", "###"]),
    ('9', ["###", "# #", "###", "  #", "###"]),
    ('.', [" ", " ", " ", " ", "#"]),
    ('-', ["   ", "   ", "###", "   ", "   "]),
];

/// A number in rows of full blocks; characters without a glyph leave a gap. Each filled place is two columns wide, since a
/// terminal's cell is about twice as high as wide.
pub(super) fn rows(number: &str) -> [String; ROWS] {
    let mut rows: [String; ROWS] = std::array::from_fn(|_| String::new());
    for character in number.chars() {
        let glyph =
            GLYPHS.iter().find(|(name, _)| *name == character).map_or([" "; ROWS], |(_, glyph)| *glyph);
        for (row, part) in rows.iter_mut().zip(glyph) {
            if !row.is_empty() {
                row.push_str("  ");
            }
            for place in part.chars() {
                row.push_str(if place == '#' { "██" } else { "  " });
            }
        }
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_of_a_number_is_as_wide_as_the_others() {
        for number in ["0", "1234567890", "12.35", "---", "x"] {
            let rows = rows(number);
            let width = rows[0].chars().count();
            assert!(rows.iter().all(|row| row.chars().count() == width), "{number}: {rows:?}");
        }
        assert_eq!(rows("1")[4], "██████");
        assert_eq!(rows("12345").first().map(|row| row.chars().count()), Some(5 * 6 + 4 * 2));
    }
}
