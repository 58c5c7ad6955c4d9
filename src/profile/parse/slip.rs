//! Slips that TOML's own complaints do not explain: a comma in a number, a colon for an equals sign, quotes of a word
//! processor, a quote left open, a comma left out. Looked for only on a line that TOML could not read.

use std::ops::Range;

/// What went wrong on this line, where on it, and the mend.
pub(super) fn slip(line: &str) -> Option<(Range<usize>, String, String)> {
    curly(line)
        .or_else(|| comma(line))
        .or_else(|| colon(line))
        .or_else(|| open_quote(line))
        .or_else(|| crowded(line))
}

type Slip = (Range<usize>, String, String);

/// Quotes that a word processor made.
fn curly(line: &str) -> Option<Slip> {
    let odd = ['\u{201c}', '\u{201d}', '\u{201e}', '\u{2018}', '\u{2019}', '\u{201a}', '\u{ab}', '\u{bb}'];
    let (at, quote) = line.char_indices().find(|(_, letter)| odd.contains(letter))?;
    Some((
        at..at + quote.len_utf8(),
        format!("`{quote}` is no quote here: a word processor made it"),
        "type the plain one: `\"`, and save the file as plain text".to_owned(),
    ))
}

/// `0,1`.
fn comma(line: &str) -> Option<Slip> {
    for (equals, _) in line.match_indices('=') {
        let rest = &line[equals + 1..];
        let start = equals + 1 + (rest.len() - rest.trim_start().len());
        let number: String = line[start..]
            .chars()
            .take_while(|letter| letter.is_ascii_digit() || matches!(letter, ',' | '-' | '.'))
            .collect();
        let behind = line[start + number.len()..].chars().next();
        let Some((whole, part)) = number.split_once(',') else { continue };
        let digits = |text: &str| !text.is_empty() && text.chars().all(|letter| letter.is_ascii_digit());
        if digits(whole.trim_start_matches('-'))
            && digits(part)
            && behind.is_none_or(|c| matches!(c, ' ' | '}' | '\t' | '#'))
        {
            let key: String = line[..equals]
                .trim_end()
                .chars()
                .rev()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect();
            let key: String = key.chars().rev().collect();
            let mend = format!("write a point: `{key} = {whole}.{part}`");
            return Some((start..start + number.len(), "a comma in a number".to_owned(), mend));
        }
    }
    None
}

/// `key: value`.
fn colon(line: &str) -> Option<Slip> {
    let key = line.trim_start();
    let name: String =
        key.chars().take_while(|c| c.is_alphanumeric() || matches!(c, '_' | '-' | '.')).collect();
    let behind = key[name.len()..].trim_start();
    if name.is_empty() || !behind.starts_with(':') {
        return None;
    }
    let at = line.len() - behind.len();
    Some((
        at..at + 1,
        "a colon between key and value".to_owned(),
        format!("write an equals sign: `{name} = …`"),
    ))
}

/// An odd number of quotes.
fn open_quote(line: &str) -> Option<Slip> {
    let code = line.replace("\\\"", "  ");
    let quotes: Vec<usize> = code.match_indices('"').map(|(at, _)| at).collect();
    // Whole texts over several lines have three.
    if quotes.len().is_multiple_of(2) || code.contains("\"\"\"") {
        return None;
    }
    let at = *quotes.last()?;
    Some((
        at..line.trim_end().len().max(at + 1),
        "a quote that is not closed".to_owned(),
        "close it: `key = \"text\"`".to_owned(),
    ))
}

/// Two keys in braces without a comma between them.
fn crowded(line: &str) -> Option<Slip> {
    let open = line.find('{')?;
    let mut quoted = false;
    let mut equals: Option<usize> = None;
    for (at, letter) in line[open..].char_indices().map(|(at, letter)| (open + at, letter)) {
        match letter {
            '"' => quoted = !quoted,
            _ if quoted => {}
            ',' | '{' | '[' => equals = None,
            '=' if equals.is_some() => {
                // The key before this equals sign; a comma belongs in front of it.
                let before = line[..at].trim_end();
                let gap = before.char_indices().rfind(|(_, c)| !(c.is_alphanumeric() || *c == '_'));
                let start = gap.map_or(0, |(gap, c)| gap + c.len_utf8());
                let key = &before[start..];
                let mend = format!("put a comma before `{key}`");
                return (!key.is_empty())
                    .then(|| (start..before.len(), format!("no comma before `{key}`"), mend));
            }
            '=' => equals = Some(at),
            _ => {}
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_slip_is_told_by_its_place() {
        for (line, marked, words) in [
            ("total = { address = 0, scale = 0,1 }", "0,1", "`scale = 0.1`"),
            ("factor = -0,25", "-0,25", "`factor = -0.25`"),
            ("total: { address = 0 }", ":", "`total = …`"),
            ("name = \"Meter", "\"Meter", "close it"),
            ("name = \u{201c}Meter\u{201d}", "\u{201c}", "plain"),
            ("total = { address = 0 unit = \"kW\" }", "unit", "comma before `unit`"),
        ] {
            let (at, _, mend) = slip(line).unwrap_or_else(|| panic!("{line}"));
            assert_eq!((&line[at], mend.contains(words)), (marked, true), "{line}: {mend}");
        }
        for line in [
            "valid = [0, 1]",
            "total = { address = 0, unit = \"kW\" }",
            "a = \"x = 1, y = 2\"",
            "[points",
            "x = 1,a",
        ] {
            assert_eq!(slip(line), None, "{line}");
        }
    }
}
