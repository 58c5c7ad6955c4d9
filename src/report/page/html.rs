//! The page as one HTML file: no script, nothing from outside, everything that comes from a file escaped. Each row and
//! paragraph has a line of its own, so that two pages can be compared line by line.

use std::fmt::Write as _;

use super::block::{Block, Figure, VerdictBox};
use super::compose::compose;
use super::drawing::escaped;
use super::sheet::Report;
use crate::report::grid::{Side, Table};

/// How it looks, on a screen and on A4 and Letter.
const STYLE: &str = include_str!("page.css");

/// The whole file of a report, with its record for machines at the end.
pub fn html(report: &Report) -> String {
    let record = format!("<template id=\"record\">\n{}\n</template>\n", report.record.line());
    file(&compose(report), &record)
}

/// Any blocks as a file to be printed; `after` is HTML behind the visible part.
pub fn file(blocks: &[Block], after: &str) -> String {
    let title = blocks.iter().find_map(|block| match block {
        Block::Heading(1, words) => Some(escaped(words)),
        _ => None,
    });
    let mut page = Page::default();
    for block in blocks {
        page.block(block);
    }
    page.close();
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <title>{}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n{}</main>\n\
         {after}</body>\n</html>\n",
        title.unwrap_or_default(),
        page.text,
    )
}

/// Escaped, with what stands between backticks as code.
fn with_code(words: &str) -> String {
    let parts: Vec<&str> = words.split('`').collect();
    if parts.len().is_multiple_of(2) {
        return escaped(words);
    }
    let code = |(index, part): (usize, &&str)| {
        let part = escaped(part);
        if index % 2 == 1 { format!("<code>{part}</code>") } else { part }
    };
    parts.iter().enumerate().map(code).collect()
}

#[derive(Default)]
struct Page {
    text: String,
    /// How many headings and pictures there were, for their names.
    parts: usize,
    pictures: usize,
    open: bool,
}

impl Page {
    fn close(&mut self) {
        if self.open {
            self.text.push_str("</section>\n");
            self.open = false;
        }
    }

    fn line(&mut self, words: &str) {
        self.text.push_str(words);
        self.text.push('\n');
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Heading(1, words) => self.line(&format!("<h1>{}</h1>", escaped(words))),
            Block::Heading(2, words) => {
                self.close();
                self.parts += 1;
                self.open = true;
                self.line(&format!("<section aria-labelledby=\"part-{}\">", self.parts));
                self.line(&format!("<h2 id=\"part-{}\">{}</h2>", self.parts, escaped(words)));
            }
            Block::Heading(_, words) => self.line(&format!("<h3>{}</h3>", escaped(words))),
            Block::Text(words) => self.line(&format!("<p>{}</p>", escaped(words))),
            Block::Warning(title, words) => self.line(&format!(
                "<p class=\"warning\"><strong>{}:</strong> {}</p>",
                escaped(title),
                escaped(words)
            )),
            Block::Verdict(verdict) => self.verdict(verdict),
            Block::List(items) => {
                self.line("<ul>");
                for item in items {
                    self.line(&format!("<li>{}</li>", with_code(item)));
                }
                self.line("</ul>");
            }
            Block::Facts(facts) => {
                self.line("<dl>");
                for (name, words) in facts {
                    self.line(&format!("<dt>{}</dt><dd>{}</dd>", escaped(name), escaped(words)));
                }
                self.line("</dl>");
            }
            Block::Table(table) => self.table(table),
            Block::Figure(figure) => self.figure(figure),
            Block::Code(lines) => {
                let lines: Vec<String> = lines.iter().map(|line| escaped(line)).collect();
                self.line(&format!("<pre><code>{}</code></pre>", lines.join("\n")));
            }
            Block::Signature(columns) => {
                self.line("<div class=\"sign\">");
                for (title, fields) in columns {
                    self.line(&format!("<div><h3>{}</h3>", escaped(title)));
                    for field in fields {
                        self.line(&format!("<p>{}</p>", escaped(field)));
                    }
                    self.line("</div>");
                }
                self.line("</div>");
            }
        }
    }

    fn verdict(&mut self, verdict: &VerdictBox) {
        // Only our own three words become a class.
        let class = match verdict.word.as_str() {
            "pass" => " pass",
            "fail" => " fail",
            "inconclusive" => " inconclusive",
            _ => "",
        };
        self.line(&format!("<div class=\"verdict{class}\">"));
        if !verdict.word.is_empty() {
            self.line(&format!("<p class=\"word\">{}</p>", escaped(&verdict.word.to_uppercase())));
        }
        self.line(&format!("<p class=\"of\">{}</p>", escaped(&verdict.of)));
        self.line(&format!("<p class=\"headline\">{}</p>", escaped(&verdict.headline)));
        for doubt in &verdict.doubts {
            self.line(&format!("<p class=\"doubt\">{}</p>", escaped(doubt)));
        }
        self.line("</div>");
    }

    fn table(&mut self, table: &Table) {
        let class = |side: Side| if side == Side::Right { " class=\"n\"" } else { "" };
        // A short table is not parted between two sheets of paper.
        let short = if table.rows.len() <= 12 { " short" } else { "" };
        self.line(&format!("<div class=\"scroll{short}\">"));
        self.line("<table>");
        self.line(&format!("<caption>{}</caption>", escaped(&table.caption)));
        let mut row = String::from("<thead><tr>");
        for (title, side) in &table.columns {
            if title.is_empty() {
                let _ = write!(row, "<td{}></td>", class(*side));
            } else {
                let _ = write!(row, "<th scope=\"col\"{}>{}</th>", class(*side), escaped(title));
            }
        }
        self.line(&format!("{row}</tr></thead>"));
        self.line("<tbody>");
        for cells in &table.rows {
            let mut row = String::from("<tr>");
            for (index, (cell, (title, side))) in cells.iter().zip(&table.columns).enumerate() {
                let class = if title == "SHA-256" { " class=\"hash\"" } else { class(*side) };
                let (tag, scope) = if index == 0 { ("th", " scope=\"row\"") } else { ("td", "") };
                let _ = write!(row, "<{tag}{scope}{class}>{}</{tag}>", escaped(cell));
            }
            self.line(&format!("{row}</tr>"));
        }
        self.line("</tbody>");
        self.line("</table>");
        self.line("</div>");
    }

    fn figure(&mut self, figure: &Figure) {
        self.pictures += 1;
        let (name, (width, height)) = (format!("picture-{}", self.pictures), figure.size);
        self.line("<figure>");
        self.line(&format!(
            "<svg role=\"img\" aria-labelledby=\"{name}-title {name}-text\" viewBox=\"0 0 {width:.0} {height:.0}\">"
        ));
        self.line(&format!("<title id=\"{name}-title\">{}</title>", escaped(&figure.title)));
        self.line(&format!("<desc id=\"{name}-text\">{}</desc>", escaped(&figure.description)));
        self.text.push_str(&figure.drawing);
        self.line("</svg>");
        self.line(&format!("<figcaption>{}</figcaption>", escaped(&figure.caption)));
        self.line("</figure>");
    }
}
