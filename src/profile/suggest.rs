//! The nearest known word to one nobody knows.

/// How many single edits (insert, delete, replace, swap of neighbours) turn `a` into `b`, letter case not counting
/// (optimal string alignment distance).
pub fn distance(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.to_lowercase().chars().collect();
    let b: Vec<char> = b.to_lowercase().chars().collect();
    let mut before: Vec<usize> = vec![0; b.len() + 1];
    let mut above: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let differs = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (above[j] + 1).min(row[j - 1] + 1).min(above[j - 1] + differs);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = std::mem::replace(&mut above, row);
    }
    above[b.len()]
}

/// The known word nearest to `word`, if one is near enough to be meant: at most a third of its letters differ, or one
/// is the beginning of the other. Of equals the first.
pub fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    // A word longer than any of ours is not worth comparing letter by letter, and a number is no misspelt word.
    if word.len() > 64 || !word.chars().any(char::is_alphabetic) {
        return None;
    }
    let lower = word.to_lowercase();
    let mut best: Option<(usize, &str)> = None;
    for candidate in known {
        let steps = distance(word, candidate);
        // 0.6 is no slip of the pen for 0.5, nor L4 for L1: other digits mean another thing.
        if steps > 0 && letters(word) == letters(candidate) {
            continue;
        }
        let longest = word.chars().count().max(candidate.chars().count());
        let shortest = word.chars().count().min(candidate.chars().count());
        let other = candidate.to_lowercase();
        let begins = shortest >= 3 && (other.starts_with(&lower) || lower.starts_with(&other));
        let near = steps <= longest.div_ceil(3).min(3).max(usize::from(longest > 1)) && steps < longest;
        if (near || begins) && best.is_none_or(|(least, _)| steps < least) {
            best = Some((steps, candidate));
        }
    }
    best.map(|(_, candidate)| candidate)
}

fn letters(word: &str) -> String {
    word.chars().filter(|character| !character.is_ascii_digit()).flat_map(char::to_lowercase).collect()
}

/// `a`, `b` and `c`, each in backticks, for messages.
pub fn list<'k>(words: impl IntoIterator<Item = &'k str>, last: &str) -> String {
    let words: Vec<String> = words.into_iter().map(|word| format!("`{word}`")).collect();
    match words.split_last() {
        None => String::new(),
        Some((only, [])) => only.clone(),
        Some((end, rest)) => format!("{} {last} {end}", rest.join(", ")),
    }
}

/// What other lists and programs call one of our words. Common practice.
const OTHER_WORDS: &[(&str, &str)] = &[
    ("float", "f32"),
    ("float32", "f32"),
    ("real", "f32"),
    ("single", "f32"),
    ("float64", "f64"),
    ("double", "f64"),
    ("int", "i16"),
    ("short", "i16"),
    ("s16", "i16"),
    ("s32", "i32"),
    ("s64", "i64"),
    ("int16", "i16"),
    ("int32", "i32"),
    ("int64", "i64"),
    ("long", "i32"),
    ("word", "u16"),
    ("uint", "u16"),
    ("uint16", "u16"),
    ("uint32", "u32"),
    ("uint64", "u64"),
    ("dword", "u32"),
    ("bcd", "bcd16"),
    ("big-endian", "high-first"),
    ("big", "high-first"),
    ("little-endian", "low-first"),
    ("little", "low-first"),
    ("swapped", "low-first"),
    ("consumption", "import"),
    ("consume", "import"),
    ("draw", "import"),
    ("generation", "export"),
    ("feed-in", "export"),
    ("3x", "input"),
    ("4x", "holding"),
    ("star", "wye"),
    ("y", "wye"),
    ("triangle", "delta"),
];

/// The word of ours that somebody means who writes another list's word.
pub fn meant<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    let word = word.trim().to_lowercase().replace('_', "-");
    let ours = OTHER_WORDS.iter().find(|(other, _)| *other == word)?.1;
    known.into_iter().find(|known| *known == ours)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Textbook pairs: kitten/sitting 3 (Levenshtein), ca/abc 3 in the optimal string alignment form, where no letter
    // is edited twice (from memory).
    #[test]
    fn distances_are_those_of_the_textbook() {
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("ca", "abc"), 3);
        assert_eq!(distance("adress", "address"), 1);
        assert_eq!(distance("adderss", "address"), 1);
        assert_eq!(distance("", "abc"), 3);
    }

    #[test]
    fn a_misspelt_key_finds_its_neighbour_and_a_foreign_one_finds_none() {
        let known = ["address", "register", "word_order", "byte_order", "scale"];
        assert_eq!(nearest("adress", known), Some("address"));
        assert_eq!(nearest("wordorder", known), Some("word_order"));
        assert_eq!(nearest("Scale", known), Some("scale"));
        assert_eq!(nearest("colour", known), None);
        assert_eq!(nearest("", known), None);
        assert_eq!(nearest("l1", ["L1", "L2"]), Some("L1"));
        assert_eq!(nearest("L4", ["L1", "L2"]), None);
        assert_eq!(nearest("0.6", ["0.5", "0.2S"]), None);
    }

    #[test]
    fn lists_read_as_a_sentence() {
        assert_eq!(list(["a", "b", "c"], "or"), "`a`, `b` or `c`");
        assert_eq!(list(["a"], "or"), "`a`");
    }

    /// A signed type must never be taken for an unsigned one because the letters are near.
    #[test]
    fn words_of_other_lists_are_known() {
        let types = ["u16", "i16", "u32", "i32", "f32"];
        assert_eq!(meant("S16", types), Some("i16"));
        assert_eq!(meant("float32", types), Some("f32"));
        assert_eq!(meant("Little_Endian", ["high-first", "low-first"]), Some("low-first"));
        assert_eq!(meant("big-endian", types), None);
    }
}
