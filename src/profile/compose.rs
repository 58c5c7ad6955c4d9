//! Writing profiles: the few pieces every draft is made of.

use std::fmt::Write as _;

use super::meter::SerialSettings;

/// JSON's basic strings are TOML's, escapes included.
pub fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// Comment lines, broken where they grow longer than a screen of 110.
pub fn comment(text: &str) -> String {
    let mut lines = String::new();
    let mut line = String::from("#");
    for word in text.split_whitespace() {
        if line.len() > 1 && line.chars().count() + 1 + word.chars().count() > 112 {
            let _ = writeln!(lines, "{line}");
            "#".clone_into(&mut line);
        }
        line.push(' ');
        line.push_str(word);
    }
    lines + &line + "\n"
}

/// The `[line]` section; nothing where nothing is known of the line.
pub fn line_section(line: Option<SerialSettings>, unit: Option<u8>) -> String {
    let mut text = String::new();
    if line.is_some() || unit.is_some() {
        text.push_str("\n[line]\n");
    }
    if let Some(line) = line {
        let (baud, parity, stop_bits) = (line.baud, line.parity.word(), line.stop_bits);
        let _ = write!(text, "baud = {baud}\nparity = \"{parity}\"\nstop_bits = {stop_bits}\n");
    }
    if let Some(unit) = unit {
        let _ = writeln!(text, "unit = {unit}");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_comment_is_broken_and_a_name_is_escaped() {
        let text = comment(&"word ".repeat(40));
        assert_eq!(text.lines().count(), 2);
        assert!(text.lines().all(|line| line.starts_with("# word") && line.len() <= 112));
        assert_eq!(quoted("a \"b\"\n"), r#""a \"b\"\n""#);
    }
}
