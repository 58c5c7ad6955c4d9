//! A page for `man`: options by `clap_mangen`, the description from the manual on top of the command's file.

use clap::Command;
use clap_mangen::Man;
use roff::{Inline, Roff, bold, roman};

use super::text::{Block, Manual};

/// The page of a command.
///
/// # Errors
/// Writing to memory failed.
pub(super) fn page(command: &Command, manual: Option<&Manual>) -> std::io::Result<String> {
    let source = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));
    let man = Man::new(command.clone()).source(source);
    let mut page = Vec::new();
    man.render_title(&mut page)?;
    man.render_name_section(&mut page)?;
    man.render_synopsis_section(&mut page)?;
    match manual {
        Some(manual) => described(manual).to_writer(&mut page)?,
        None => man.render_description_section(&mut page)?,
    }
    man.render_options_section(&mut page)?;
    if command.has_subcommands() {
        man.render_subcommands_section(&mut page)?;
    }
    Ok(String::from_utf8_lossy(&page).into_owned())
}

fn described(manual: &Manual) -> Roff {
    let mut roff = Roff::new();
    roff.control("SH", ["DESCRIPTION"]);
    for block in &manual.blocks {
        roff.control("PP", []);
        match block {
            Block::Words(words) => {
                roff.text(inlines(words));
            }
            Block::Screen(lines) => {
                roff.control("nf", []);
                for line in lines {
                    roff.text([roman(if line.is_empty() { " " } else { line.as_str() })]);
                }
                roff.control("fi", []);
            }
        }
    }
    roff
}

/// What is typed, between backticks, is bold.
fn inlines(words: &str) -> Vec<Inline> {
    let pieces = words.split('`').enumerate();
    pieces.map(|(number, piece)| if number % 2 == 1 { bold(piece) } else { roman(piece) }).collect()
}
