//! Valid files, edited at random: whatever comes of it is read or refused, never a panic, and every fault has a place.

use proptest::prelude::*;
use wattward::base::{Faults, Phase, Span};
use wattward::profile::{
    check_pair, file_kind, narrow, parse_profile, parse_site, plan, plan_settings, resolve,
};

const FILES: [&str; 8] = [
    include_str!("files/contract.profile.toml"),
    include_str!("files/contract.site.toml"),
    include_str!("files/every-key.profile.toml"),
    include_str!("../profiles/example-three-phase.toml"),
    include_str!("../profiles/example-single-phase.toml"),
    include_str!("../profiles/example-ct-interface.toml"),
    include_str!("files/independent/limit-broken.site.toml"),
    include_str!("files/independent/ct-split-phase-wrong.profile.toml"),
];

/// What people type, and what nobody should.
const PIECES: [&str; 40] = [
    "[",
    "]",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    ",",
    "\"",
    "'",
    ".",
    "\n",
    "#",
    "-",
    "0",
    "1",
    "65535",
    "65536",
    "1e308",
    "-1",
    "0x8000",
    "99999999999999999999999999999999999999999999",
    "nan",
    "inf",
    "true",
    "each",
    "sum",
    "address",
    "register",
    "stride",
    "unit",
    "[points.other]",
    "[[meter]]",
    "[[load]]",
    "[limit]",
    "\u{feff}",
    "°",
    "\u{0}",
    "9223372036854775807",
    "\"active_power.L1\"",
];

#[derive(Clone, Debug)]
enum Edit {
    Delete(prop::sample::Index, usize),
    Insert(prop::sample::Index, usize),
    Copy(prop::sample::Index, prop::sample::Index, usize),
    DropLine(prop::sample::Index),
    SwapLines(prop::sample::Index, prop::sample::Index),
}

fn edit() -> impl Strategy<Value = Edit> {
    let at = any::<prop::sample::Index>;
    prop_oneof![
        (at(), 1_usize..12).prop_map(|(at, count)| Edit::Delete(at, count)),
        (at(), 0..PIECES.len()).prop_map(|(at, piece)| Edit::Insert(at, piece)),
        (at(), at(), 1_usize..40).prop_map(|(from, to, count)| Edit::Copy(from, to, count)),
        at().prop_map(Edit::DropLine),
        (at(), at()).prop_map(|(one, other)| Edit::SwapLines(one, other)),
    ]
}

fn edited(text: &str, edits: &[Edit]) -> String {
    let mut text: Vec<char> = text.chars().collect();
    for edit in edits {
        if text.is_empty() {
            text.extend("[points.voltage]\n".chars());
        }
        let size = text.len();
        match edit {
            Edit::Delete(at, count) => {
                let start = at.index(size);
                text.drain(start..(start + count).min(size));
            }
            Edit::Insert(at, piece) => {
                let start = at.index(size);
                text.splice(start..start, PIECES[*piece].chars());
            }
            Edit::Copy(from, to, count) => {
                let start = from.index(size);
                let part: Vec<char> = text[start..(start + count).min(size)].to_vec();
                let start = to.index(size);
                text.splice(start..start, part);
            }
            Edit::DropLine(at) | Edit::SwapLines(at, _) => {
                let whole: String = text.iter().collect();
                let mut lines: Vec<&str> = whole.split('\n').collect();
                let first = at.index(lines.len());
                match edit {
                    Edit::SwapLines(_, other) => {
                        let second = other.index(lines.len());
                        lines.swap(first, second);
                    }
                    _ => drop(lines.remove(first)),
                }
                text = lines.join("\n").chars().collect();
            }
        }
    }
    text.into_iter().collect()
}

fn well_placed(faults: &Faults, text: &str) -> bool {
    faults.list.iter().all(|fault| {
        fault.span.start <= fault.span.end
            && text.get(fault.span.clone()).is_some()
            && !fault.message.is_empty()
            && faults.place(fault.span.start).0 >= 1
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 3000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn an_edited_file_is_read_or_refused(
        file in 0..FILES.len(),
        edits in prop::collection::vec(edit(), 1..6),
    ) {
        let text = edited(FILES[file], &edits);
        let _ = file_kind(&text);
        match parse_profile("edited", &text) {
            Ok((profile, warnings)) => {
                prop_assert!(!warnings.any_error() && well_placed(&warnings, &text));
                for count in 1..=3 {
                    let lines = &Phase::LINES[..count];
                    let narrowed = narrow(&profile, lines);
                    let plan = plan(&narrowed, lines, profile.line, Span::from_millis(20));
                    for request in &plan.requests {
                        prop_assert!(request.count >= 1 && request.count <= profile.read.max_registers);
                        prop_assert!(u32::from(request.address) + u32::from(request.count) <= 65536);
                    }
                }
                let _ = plan_settings(&profile, profile.line, Span::ZERO);
                if let Ok((mut site, _)) = parse_site("site", FILES[1]) {
                    resolve(&mut site, std::slice::from_ref(&profile));
                    prop_assert!(well_placed(&check_pair("site", &site, 0, &profile), FILES[1]));
                }
            }
            Err(faults) => prop_assert!(faults.any_error() && well_placed(&faults, &text), "{text}\n{faults:#?}"),
        }
        match parse_site("edited", &text) {
            Ok((site, warnings)) => {
                prop_assert!(!warnings.any_error() && well_placed(&warnings, &text));
                prop_assert!(!site.meters.is_empty());
                // Nothing that a check reckons with may be less than a number.
                let figures = site.loads.iter().flat_map(|load| [load.power_w, load.tolerance, load.power_factor]);
                let plants = site.plants.iter().map(|plant| plant.rated_w);
                prop_assert!(figures.chain(plants).chain([site.nominal_v]).all(|figure| figure.is_finite() && figure >= 0.0));
            }
            Err(faults) => prop_assert!(faults.any_error() && well_placed(&faults, &text), "{text}\n{faults:#?}"),
        }
    }
}

/// Depth without end would overflow the stack of a parser that walks it.
#[test]
fn nesting_without_end_is_refused() {
    for piece in ["a.", "[", "{a=", "[["] {
        let text = format!("x = {}", piece.repeat(100_000));
        assert!(parse_profile("deep", &text).is_err());
        assert!(parse_site("deep", &text).is_err());
        let text = format!("{}x = 1", "a.".repeat(100_000));
        assert!(parse_profile("deep", &text).is_err());
    }
}
