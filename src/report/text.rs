//! What every check says on a screen: the verdict first, then why, then what next. A check adds its own table between.

use crate::check::Finding;

/// Headline, reasons and next steps, each wrapped to `width` columns; `table` (lines as they are) stands between.
pub fn finding<B>(check: &str, site: &str, finding: &Finding<B>, table: &str, width: usize) -> String {
    let mut text = String::new();
    let verdict = finding.verdict.word().to_uppercase();
    text.push_str(&wrapped(&format!("{verdict}  "), &finding.headline, width));
    let of = match (finding.start, finding.end) {
        (Some(start), Some(end)) => format!(", {} to {} UTC", plain(start), plain(end).split_at(11).1),
        _ => String::new(),
    };
    text.push_str(&wrapped("", &format!("{check} of meter `{}`, {site}{of}", finding.meter), width));
    if !table.is_empty() {
        text.push('\n');
        text.push_str(table.trim_end());
        text.push('\n');
    }
    for (title, list) in [("why", &finding.reasons), ("next", &finding.next)] {
        if !list.is_empty() {
            text.push('\n');
            text.push_str(title);
            text.push('\n');
        }
        for item in list {
            text.push_str(&wrapped("  - ", item, width));
        }
    }
    text
}

fn plain(stamp: crate::base::Stamp) -> String {
    stamp.rfc3339(0).replace('T', " ").replace('Z', "")
}

/// Words after a lead, broken at spaces so that no line is wider than `width`; further lines stand under the first word.
pub fn wrapped(lead: &str, words: &str, width: usize) -> String {
    let indent = " ".repeat(lead.chars().count());
    let mut text = String::new();
    let mut line = lead.to_owned();
    let mut empty = true;
    for word in words.split_whitespace() {
        let long = line.chars().count() + usize::from(!empty) + word.chars().count();
        if !empty && long > width {
            text.push_str(&line);
            text.push('\n');
            line.clone_from(&indent);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    text.push_str(&line);
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_break_at_spaces_and_stand_under_each_other() {
        assert_eq!(
            wrapped("  - ", "pause the battery and test again", 18),
            "  - pause the\n    battery and\n    test again\n"
        );
        assert_eq!(wrapped("", "averylongwordthatcannotbreak", 10), "averylongwordthatcannotbreak\n");
    }
}
