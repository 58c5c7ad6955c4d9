//! The manual on top of a command's file, taken apart: paragraphs, and examples as they stand on a screen.

use crate::report::text::wrapped;

/// What stands on top of a file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Manual {
    /// In order.
    pub(super) blocks: Vec<Block>,
}

/// A piece of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Block {
    /// A paragraph; what is typed stands between backticks.
    Words(String),
    /// Lines of a screen.
    Screen(Vec<String>),
}

impl Manual {
    /// Reads the lines that begin a file and document it.
    pub(super) fn on_top_of(file: &str) -> Self {
        let mut blocks: Vec<Block> = Vec::new();
        let (mut screen, mut fresh) = (false, true);
        for line in file.lines().map_while(|line| line.strip_prefix("//!")) {
            let line = line.strip_prefix(' ').unwrap_or(line);
            if line.starts_with("```") {
                screen = !screen;
                fresh = true;
                if screen {
                    blocks.push(Block::Screen(Vec::new()));
                }
                continue;
            }
            match blocks.last_mut() {
                Some(Block::Screen(lines)) if screen => lines.push(line.to_owned()),
                _ if line.is_empty() => fresh = true,
                Some(Block::Words(words)) if !fresh => {
                    words.push(' ');
                    words.push_str(line);
                }
                _ => {
                    blocks.push(Block::Words(line.to_owned()));
                    fresh = false;
                }
            }
        }
        Self { blocks }
    }

    /// For a screen so many columns wide.
    pub(super) fn screen(&self, width: usize) -> String {
        let mut text = String::new();
        for block in &self.blocks {
            match block {
                Block::Words(words) => text.push_str(&wrapped("", words, width)),
                Block::Screen(lines) => lines.iter().for_each(|line| {
                    text.push_str(format!("    {line}").trim_end());
                    text.push('\n');
                }),
            }
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paragraphs_flow_and_examples_stand() {
        let file = "//! One thing\n//! and more.\n//!\n//! ```console\n//! $ it\n//!\n//! done\n//! ```\n//!\n//! Exit codes: 0.\n\nuse x;\n//! not this\n";
        let manual = Manual::on_top_of(file);
        assert_eq!(
            manual.blocks,
            [
                Block::Words("One thing and more.".into()),
                Block::Screen(vec!["$ it".into(), String::new(), "done".into()]),
                Block::Words("Exit codes: 0.".into()),
            ]
        );
        assert_eq!(manual.screen(80), "One thing and more.\n\n    $ it\n\n    done\n\nExit codes: 0.\n\n");
    }
}
