//! Sessions on a bench of one invented meter.

use std::path::{Path, PathBuf};

use wattward::base::Span;
use wattward::profile::{parse_profile, parse_site};
use wattward::rim::{Asking, SessionPlan, Talk};

/// Three blocks, two of them alike in function and count, so that an answer to one could pass for the other.
pub const PROFILE: &str = r#"
[profile]
name = "Invented meter"
[line]
baud = 115200
[read]
span_unlisted = false
update_ms = 100
[defaults]
table = "input"
type = "u16"
[points.voltage]
L1 = { address = 10 }
[points.current]
L1 = { address = 20 }
[points.frequency]
total = { address = 30, type = "u32" }
"#;

pub fn site_text(line: &str) -> String {
    format!(
        "[site]\nname = \"Bench\"\nphases = 1\n[[meter]]\nprofile = \"invented.toml\"\nline = {{ {line} }}\n"
    )
}

pub fn plan(line: &str, capture: &Path, asking: Asking) -> SessionPlan {
    let (site, _) = parse_site("site.toml", &site_text(line)).expect("site");
    let (profile, _) = parse_profile("invented.toml", PROFILE).expect("profile");
    SessionPlan {
        site,
        profiles: vec![profile],
        meters: vec![0],
        talk: Talk::Ask(asking),
        capture: capture.to_owned(),
        keyboard: false,
    }
}

pub fn serial(path: &str) -> String {
    format!("serial = \"{path}\"")
}

pub fn quick(cycles: u64) -> Asking {
    Asking {
        every: Some(Span::from_millis(20)),
        cycles: Some(cycles),
        listen_first: Span::ZERO,
        ..Asking::default()
    }
}

pub fn folder() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("case.pcapng");
    (folder, path)
}
