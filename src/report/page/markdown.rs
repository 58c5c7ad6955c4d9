//! The page as Markdown (the common core with tables). Pictures are told in words.

use std::fmt::Write as _;

use super::block::{Block, clean};
use super::compose::compose;
use super::sheet::Report;
use crate::report::grid::{Side, Table};

/// The whole file.
pub fn markdown(report: &Report) -> String {
    let mut text = String::new();
    for block in compose(report) {
        write_block(&mut text, &block);
    }
    let _ = write!(text, "<!--\n{}\n-->\n", report.record.line());
    text
}

/// Words as Markdown shows them, whatever is in them.
fn escaped(words: &str) -> String {
    let mut safe = String::with_capacity(words.len());
    for c in clean(words).chars() {
        if matches!(c, '\\' | '`' | '*' | '_' | '[' | ']' | '<' | '>' | '#' | '|' | '~' | '&' | '!') {
            safe.push('\\');
        }
        safe.push(c);
    }
    safe
}

fn write_block(text: &mut String, block: &Block) {
    match block {
        Block::Heading(level, words) => {
            let _ = writeln!(text, "{} {}\n", "#".repeat(usize::from(*level)), escaped(words));
        }
        Block::Text(words) => {
            let _ = writeln!(text, "{}\n", escaped(words));
        }
        Block::Warning(title, words) => {
            let _ = writeln!(text, "> **{}:** {}\n", escaped(title), escaped(words));
        }
        Block::Verdict(verdict) => {
            let word = if verdict.word.is_empty() { "no verdict" } else { &verdict.word };
            let _ = writeln!(text, "**{}** ({})\n", escaped(&word.to_uppercase()), escaped(&verdict.of));
            let _ = writeln!(text, "> {}\n", escaped(&verdict.headline));
            for doubt in &verdict.doubts {
                let _ = writeln!(text, "*{}*\n", escaped(doubt));
            }
        }
        Block::List(items) => {
            for item in items {
                let _ = writeln!(text, "- {}", escaped(item));
            }
            text.push('\n');
        }
        Block::Facts(facts) => {
            for (name, words) in facts {
                let _ = writeln!(text, "- **{}:** {}", escaped(name), escaped(words));
            }
            text.push('\n');
        }
        Block::Table(table) => write_table(text, table),
        Block::Figure(figure) => {
            let _ = writeln!(text, "*{}.* {}\n", escaped(&figure.title), escaped(&figure.description));
        }
        Block::Code(lines) => {
            for line in lines {
                let _ = writeln!(text, "    {}", clean(line));
            }
            text.push('\n');
        }
        Block::Signature(columns) => {
            for (title, fields) in columns {
                let _ = writeln!(text, "**{}**\n", escaped(title));
                for field in fields {
                    let _ = writeln!(text, "{}: {}\n", escaped(field), "\\_".repeat(30));
                }
            }
        }
    }
}

fn write_table(text: &mut String, table: &Table) {
    let _ = writeln!(text, "{}\n", escaped(&table.caption));
    let row =
        |cells: &mut dyn Iterator<Item = String>| format!("| {} |", cells.collect::<Vec<_>>().join(" | "));
    let _ = writeln!(text, "{}", row(&mut table.columns.iter().map(|(title, _)| escaped(title))));
    let rule = |side: &Side| if *side == Side::Right { "---:" } else { "---" }.to_owned();
    let _ = writeln!(text, "{}", row(&mut table.columns.iter().map(|(_, side)| rule(side))));
    for cells in &table.rows {
        let _ = writeln!(text, "{}", row(&mut cells.iter().map(|cell| escaped(cell))));
    }
    text.push('\n');
}
