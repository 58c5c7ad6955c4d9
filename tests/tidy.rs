//! The repository checks itself: length and opening of files, import floors, leftovers. Each failure names the remedy.

#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test may stop where it stands"
)]

use std::fs;
use std::path::{Path, PathBuf};

/// The floors, lowest first; rooms of one line share a floor (DEVELOPERS.md).
const FLOORS: &[&[&str]] = &[
    &["base"],
    &["wire"],
    &["record"],
    &["profile"],
    &["link"],
    &["reading"],
    &["evidence"],
    &["check"],
    &["report"],
    &["pipeline", "sim"],
    &["rim"],
    &["cli"],
];

/// Imports that would go down the floors and are still wrong.
const FORBIDDEN: &[(&str, &[&str], &str)] = &[
    ("profile", &["record"], "files a user writes know nothing of captures"),
    (
        "sim",
        &["link", "reading", "evidence", "check", "report", "pipeline"],
        "the judge shares no code with the world it judges: encode registers in sim itself",
    ),
    ("pipeline", &["sim"], "sim and pipeline share a floor"),
];

/// Names that belong to `rim` and `cli` alone.
const OUTSIDE: &[&str] = &[
    "tokio",
    "std::fs",
    "std::net",
    "std::thread",
    "std::io::stdin",
    "Instant::now",
    "SystemTime",
    "rustix::",
];

const LONGEST: usize = 400;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn rust_files(folder: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![root().join(folder)];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).expect("a folder of the repository") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                if path.file_name().is_some_and(|name| name != "target" && name != "venv") {
                    open.push(path);
                }
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

fn text_of(path: &Path) -> String {
    fs::read_to_string(path).expect("a source file")
}

fn short(path: &Path) -> String {
    path.strip_prefix(root()).unwrap_or(path).display().to_string()
}

/// The room a source file belongs to: `src/wire/crc.rs` to `wire`, `src/pipeline.rs` to `pipeline`.
fn room(path: &Path) -> Option<String> {
    let inside = path.strip_prefix(root().join("src")).ok()?;
    let first = inside.components().next()?.as_os_str().to_str()?;
    let name = first.strip_suffix(".rs").unwrap_or(first);
    (!matches!(name, "lib" | "main")).then(|| name.to_owned())
}

fn floor(room: &str) -> usize {
    FLOORS
        .iter()
        .position(|rooms| rooms.contains(&room))
        .unwrap_or_else(|| panic!("room `{room}` has no floor: add it to FLOORS here and to DEVELOPERS.md"))
}

/// Rooms named in `crate::…` paths, also inside `crate::{a::…, b::…}`.
fn imports(text: &str) -> Vec<String> {
    let mut rooms = Vec::new();
    for (start, _) in text.match_indices("crate::") {
        let rest = &text[start + "crate::".len()..];
        let Some(list) = rest.strip_prefix('{') else {
            rooms.push(rest.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect());
            continue;
        };
        let mut depth = 0;
        let mut flat = String::new();
        for character in list.chars() {
            match character {
                '{' => depth += 1,
                '}' if depth == 0 => break,
                '}' => depth -= 1,
                c if depth == 0 => flat.push(c),
                _ => {}
            }
        }
        rooms.extend(flat.split(',').map(|part| part.trim().split("::").next().unwrap_or("").to_owned()));
    }
    rooms.retain(|room: &String| FLOORS.iter().any(|rooms| rooms.contains(&room.as_str())));
    rooms
}

fn code_of(path: &Path) -> String {
    text_of(path).lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

/// Source files of the rooms that may not touch the world.
fn pure_files() -> impl Iterator<Item = PathBuf> {
    rust_files("src").into_iter().filter(|path| room(path).is_some_and(|room| room != "rim" && room != "cli"))
}

#[test]
fn no_file_needs_a_table_of_contents() {
    for path in rust_files("src").into_iter().chain(rust_files("tests")) {
        let lines = text_of(&path).lines().count();
        let name = short(&path);
        assert!(
            lines <= LONGEST,
            "{name} has {lines} lines, more than {LONGEST}: split it by what it is about"
        );
    }
}

#[test]
fn every_file_says_first_what_it_is() {
    for path in rust_files("src").into_iter().chain(rust_files("tests")) {
        let name = short(&path);
        assert!(text_of(&path).starts_with("//!"), "{name} must open with a `//!` line saying what it is");
    }
}

#[test]
fn rooms_import_downwards_only() {
    for path in rust_files("src") {
        let Some(own) = room(&path) else { continue };
        let name = short(&path);
        for used in imports(&code_of(&path)) {
            assert!(
                used == own || floor(&used) < floor(&own),
                "{name}: `{own}` may not import `{used}`, which is on no lower floor: move the code where it belongs"
            );
            for (room, not, why) in FORBIDDEN {
                let allowed = own != *room || !not.contains(&used.as_str());
                assert!(allowed, "{name}: `{own}` may not import `{used}`: {why}");
            }
        }
    }
}

#[test]
fn only_the_rim_and_the_command_line_touch_the_world() {
    for path in pure_files() {
        let (name, text) = (short(&path), code_of(&path));
        for word in OUTSIDE {
            assert!(!text.contains(word), "{name}: `{word}` belongs to rim or cli: pass values and times in");
        }
    }
}

#[test]
fn results_do_not_hang_on_the_order_of_a_hash() {
    for path in pure_files() {
        let (name, text) = (short(&path), code_of(&path));
        for word in ["HashMap", "HashSet"] {
            assert!(
                !text.contains(word),
                "{name}: `{word}` has no order of its own: use BTreeMap or BTreeSet"
            );
        }
    }
}

#[test]
fn nothing_is_left_lying_about() {
    // Spelt in two halves so that this file does not find itself.
    let halves = [
        ["to", "do!("],
        ["unimple", "mented!("],
        ["db", "g!("],
        ["FIX", "ME"],
        ["#[ign", "ore"],
        ["#[all", "ow("],
    ];
    for path in rust_files("src").into_iter().chain(rust_files("tests")) {
        let (name, text) = (short(&path), text_of(&path));
        for word in halves.iter().map(|halves| halves.concat()) {
            assert!(
                !text.contains(&word),
                "{name}: `{word}` is a leftover: finish it, or use expect with a reason"
            );
        }
    }
}
