//! Whether a report still says what its captures give: documents figure by figure, and the page line by line.

use std::fmt::Write as _;

/// Lines compared one against the other at most, where something was put in or taken out.
const MOST: usize = 4000;

/// Where what a file shows differs from what it should show, in words: what stands there and what should.
pub fn shown_differences(found: &str, should: &str) -> Vec<String> {
    let (found, should): (Vec<&str>, Vec<&str>) = (lines(found), lines(should));
    let same_before = found.iter().zip(&should).take_while(|(one, other)| one == other).count();
    let (rest_found, rest_should) = (&found[same_before..], &should[same_before..]);
    let same_after =
        rest_found.iter().rev().zip(rest_should.iter().rev()).take_while(|(one, other)| one == other).count();
    let rest_found = &rest_found[..rest_found.len() - same_after];
    let rest_should = &rest_should[..rest_should.len() - same_after];
    let heading = |index: usize| part_of(&found[..(same_before + index).min(found.len())]);
    let mut list = Vec::new();
    if rest_found.len() == rest_should.len() {
        for (index, (found, should)) in rest_found.iter().zip(rest_should).enumerate() {
            if found != should {
                list.push(told(&heading(index), Some(found), Some(should)));
            }
        }
    } else {
        for (index, step) in aligned(rest_found, rest_should) {
            match step {
                Step::Gone(should) => list.push(told(&heading(index), None, Some(should))),
                Step::Added(found) => list.push(told(&heading(index), Some(found), None)),
            }
        }
    }
    list
}

/// Lines without their ends: a file that went through a mail or another system may have other ones.
fn lines(text: &str) -> Vec<&str> {
    text.lines().map(|line| line.trim_end_matches('\r')).collect()
}

enum Step<'a> {
    /// Should be there and is not.
    Gone(&'a str),
    /// Is there and should not be.
    Added(&'a str),
}

/// What was added and what is gone, by the longest common run of lines.
fn aligned<'a>(found: &[&'a str], should: &[&'a str]) -> Vec<(usize, Step<'a>)> {
    let (n, m) = (found.len(), should.len());
    if n > MOST || m > MOST || n * m > MOST * MOST {
        let gone = should.iter().map(|line| (0, Step::Gone(line)));
        return gone
            .chain(found.iter().enumerate().map(|(index, line)| (index, Step::Added(line))))
            .collect();
    }
    let mut longest = vec![0_u16; (n + 1) * (m + 1)];
    let place = |i: usize, j: usize| i * (m + 1) + j;
    for i in (0..n).rev() {
        for j in (0..m).rev() {
            longest[place(i, j)] = if found[i] == should[j] {
                longest[place(i + 1, j + 1)] + 1
            } else {
                longest[place(i + 1, j)].max(longest[place(i, j + 1)])
            };
        }
    }
    let (mut i, mut j, mut steps) = (0, 0, Vec::new());
    while i < n || j < m {
        if i < n && j < m && found[i] == should[j] {
            (i, j) = (i + 1, j + 1);
        } else if j >= m || (i < n && longest[place(i + 1, j)] >= longest[place(i, j + 1)]) {
            steps.push((i, Step::Added(found[i])));
            i += 1;
        } else {
            steps.push((i, Step::Gone(should[j])));
            j += 1;
        }
    }
    steps
}

/// The heading last seen.
fn part_of(before: &[&str]) -> String {
    let heading = |line: &&&str| {
        line.starts_with("<h1")
            || line.starts_with("<h2")
            || line.starts_with("# ")
            || line.starts_with("## ")
    };
    before
        .iter()
        .rev()
        .find(heading)
        .map_or_else(String::new, |line| bare(line).trim_start_matches(['#', ' ']).to_owned())
}

fn told(part: &str, found: Option<&str>, should: Option<&str>) -> String {
    let mut words = if part.is_empty() { String::new() } else { format!("under \"{part}\": ") };
    let _ = match (found, should) {
        (Some(found), Some(should)) => {
            let (found, should) = (differing(found, should), differing(should, found));
            write!(words, "shows \"{found}\", should be \"{should}\"")
        }
        (Some(found), None) => write!(words, "shows \"{}\", which should not be there", cut(&visible(found))),
        (None, Some(should)) => write!(words, "lacks \"{}\"", cut(&visible(should))),
        (None, None) => Ok(()),
    };
    words
}

/// What a reader sees of a line; where that is nothing or says the same, the line itself.
fn differing(line: &str, other: &str) -> String {
    let (seen, other_seen) = (visible(line), visible(other));
    let (line, other) =
        if seen == other_seen { (line.to_owned(), other.to_owned()) } else { (seen, other_seen) };
    // Long lines are shown about the place where they part.
    let (line, other): (Vec<char>, Vec<char>) = (line.chars().collect(), other.chars().collect());
    let same = line.iter().zip(&other).take_while(|(one, other)| one == other).count();
    let from = if line.len() > 160 { same.saturating_sub(60) } else { 0 };
    let to = (from + 160).min(line.len());
    let shown: String = line[from.min(to)..to].iter().collect();
    format!("{}{shown}{}", if from > 0 { "…" } else { "" }, if to < line.len() { "…" } else { "" })
}

fn cut(words: &str) -> String {
    if words.chars().count() <= 160 {
        words.to_owned()
    } else {
        words.chars().take(160).collect::<String>() + "…"
    }
}

fn visible(line: &str) -> String {
    let seen = bare(line);
    if seen.is_empty() { line.to_owned() } else { seen }
}

/// A line without tags, a space between cells.
fn bare(line: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in line.chars() {
        match c {
            '<' => {
                inside = true;
                if !text.is_empty() && !text.ends_with(' ') {
                    text.push(' ');
                }
            }
            '>' if inside => inside = false,
            c if !inside => text.push(c),
            _ => {}
        }
    }
    text.trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAGE: &str =
        "<h2 id=\"part-1\">1. CT direction</h2>\n<tr><th>L1</th><td>2011 ± 26</td></tr>\n<p>end</p>\n";

    #[test]
    fn the_same_page_differs_nowhere_whatever_its_line_ends() {
        assert!(shown_differences(PAGE, PAGE).is_empty());
        assert!(shown_differences(&PAGE.replace('\n', "\r\n"), PAGE).is_empty());
    }

    #[test]
    fn a_changed_figure_is_named_with_its_part() {
        let changed = PAGE.replace("2011", "2211");
        assert_eq!(
            shown_differences(&changed, PAGE),
            ["under \"1. CT direction\": shows \"L1 2211 ± 26\", should be \"L1 2011 ± 26\""]
        );
    }

    #[test]
    fn a_line_put_in_or_taken_out_is_named() {
        let more = PAGE.replace("<p>end</p>", "<p>All is well.</p>\n<p>end</p>");
        assert_eq!(
            shown_differences(&more, PAGE),
            ["under \"1. CT direction\": shows \"All is well.\", which should not be there"]
        );
        assert_eq!(shown_differences(PAGE, &more), ["under \"1. CT direction\": lacks \"All is well.\""]);
    }

    #[test]
    fn what_no_reader_sees_is_shown_as_it_stands() {
        let found = shown_differences("<p class=\"x\">a</p>", "<p>a</p>");
        assert_eq!(found, ["shows \"<p class=\"x\">a</p>\", should be \"<p>a</p>\""]);
    }

    proptest::proptest! {
        #[test]
        fn any_two_texts_can_be_compared(one in "(a|b|<p>|\n|é){0,40}", other in "(a|b|<p>|\n|é){0,40}") {
            let equal = lines(&one) == lines(&other);
            proptest::prop_assert_eq!(shown_differences(&one, &other).is_empty(), equal);
        }
    }
}
