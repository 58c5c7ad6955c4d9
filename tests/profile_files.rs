//! Profile and site files: the contract's own examples, files by an independent writer, and the shortest ones that work.

#![expect(clippy::panic, reason = "a test may stop where it stands")]

use wattward::base::{Faults, Phase, PointKey, Quantity};
use wattward::profile::{
    Door, MeterRole, Order, Positive, Profile, RuleLimit, Site, Source, Table, Type, check_pair, narrow,
    parse_profile, parse_site, resolve,
};

fn profile(text: &str) -> Profile {
    let (profile, warnings) =
        parse_profile("profile.toml", text).unwrap_or_else(|faults| panic!("{faults:#?}"));
    assert!(warnings.list.is_empty(), "{warnings:#?}");
    profile
}

fn site(text: &str) -> Site {
    let (site, warnings) = parse_site("site.toml", text).unwrap_or_else(|faults| panic!("{faults:#?}"));
    assert!(warnings.list.is_empty(), "{warnings:#?}");
    site
}

fn messages(faults: &Faults) -> Vec<&str> {
    faults.list.iter().map(|fault| fault.message.as_str()).collect()
}

macro_rules! independent {
    ($name:literal) => {
        (
            include_str!(concat!("files/independent/", $name, ".profile.toml")),
            include_str!(concat!("files/independent/", $name, ".site.toml")),
        )
    };
}

/// Written to contracts.md by a generator that shares no code with this program.
#[test]
fn files_by_an_independent_writer_read_without_a_fault() {
    for (profile_text, site_text) in [
        independent!("ct-right"),
        independent!("ct-split-phase-wrong"),
        independent!("ct-total-right"),
        independent!("ct-wrong"),
        independent!("limit-broken"),
        independent!("limit-held"),
        independent!("ct-foreign-network"),
    ] {
        let profile = profile(profile_text);
        let mut site = site(site_text);
        resolve(&mut site, std::slice::from_ref(&profile));
        let faults = check_pair("site.toml", &site, 0, &profile);
        assert!(faults.list.is_empty(), "{faults:#?}");
        assert_eq!(site.meters[0].role, MeterRole::Reference);
    }
}

/// The profile of contracts 3, word for word.
const CONTRACT_PROFILE: &str = include_str!("files/contract.profile.toml");
/// The site of contracts 4, word for word.
const CONTRACT_SITE: &str = include_str!("files/contract.site.toml");

#[test]
fn the_contracts_profile_reads_as_the_contract_says() {
    let profile = profile(CONTRACT_PROFILE);
    assert_eq!(profile.name, "Example three-phase meter");
    assert_eq!(profile.points.len(), 6);
    let volts: Vec<u16> = Phase::LINES
        .iter()
        .map(|phase| {
            match profile.point(&PointKey::Of(Quantity::Voltage, *phase)).map(|point| &point.source) {
                Some(Source::Registers { at, kind: Type::F32, .. }) => at.address,
                other => panic!("{other:?}"),
            }
        })
        .collect();
    assert_eq!(volts, [0x200, 0x204, 0x208]);
    let total = profile.point(&PointKey::Of(Quantity::ActivePower, Phase::Total)).unwrap();
    assert_eq!((total.scale, total.unit_word.as_str(), total.valid), (0.001, "kW", Some((-50.0, 50.0))));
    assert!(total.signed);
    assert_eq!(total.positive, Some(Positive::Import));
    let energy = profile.point(&PointKey::Of(Quantity::EnergyExport, Phase::Total)).unwrap();
    let Source::Registers { at, .. } = &energy.source else { panic!() };
    assert_eq!((at.table, at.address), (Table::Input, 700));
    let ratio = profile.point(&PointKey::Setting("ct_ratio".into())).unwrap();
    let Source::Registers { at, kind, .. } = &ratio.source else { panic!() };
    assert_eq!((at.table, at.address, *kind), (Table::Holding, 100, Type::U16));
}

#[test]
fn the_contracts_site_reads_as_the_contract_says() {
    let (site, warnings) = parse_site("site.toml", CONTRACT_SITE).unwrap();
    assert!(warnings.list.is_empty(), "{warnings:#?}");
    assert_eq!((site.name.as_str(), site.phases, site.nominal_v), ("Cider barn", 3, 230.0));
    assert_eq!(site.meters[0].line.door, Door::Serial("/dev/ttyUSB0".into()));
    assert_eq!(site.meters[0].line.baud, Some(19200));
    assert_eq!(site.meters[0].ct_ratio, Some(40.0));
    let limit = site.limit.unwrap();
    assert_eq!((limit.window_s, limit.challenges, limit.overvoltage_v), (1800.0, 3, Some(253.0)));
    assert_eq!(limit.rules[0].limit, RuleLimit::Watts(0.0));
    assert_eq!(limit.rules[0].share, Some(0.05));
    // The example profile multiplies nothing by the ratio, and the pair says so.
    let (site, _) = parse_site("site.toml", CONTRACT_SITE).unwrap();
    let faults = check_pair("site.toml", &site, 0, &profile(CONTRACT_PROFILE));
    assert!(!faults.any_error());
    assert!(
        messages(&faults).iter().any(|message| message.starts_with("`ct_ratio` is used nowhere")),
        "{faults:#?}"
    );
}

const SINGLE: &str = "[points.active_power]\nL1 = { address = 12, signed = true, positive = \"import\" }\n";

#[test]
fn a_single_phase_home_needs_five_lines() {
    let mut home = site(
        "[[meter]]\nprofile = \"meter.toml\"\nline = { serial = \"/dev/ttyUSB0\" }\n[[load]]\npower_W = 2000\n",
    );
    // Before the profile is known no phase may be left out.
    assert_eq!(home.lines(), Phase::LINES);
    resolve(&mut home, &[profile(SINGLE)]);
    assert_eq!(home.lines(), [Phase::L1]);
    assert_eq!((home.nominal_v, home.time_zone.as_str()), (230.0, "UTC"));
    assert_eq!((home.meters[0].name.as_str(), home.meters[0].role), ("connection", MeterRole::Steering));
    let load = &home.loads[0];
    assert_eq!((load.name.as_str(), load.resistive, load.tolerance, load.phase), ("load", true, 0.10, None));
}

#[test]
fn a_site_that_does_not_say_its_phases_gets_no_fewer_than_the_profile_has() {
    let five = "[[meter]]\nprofile = \"m.toml\"\nline = { tcp = \"192.0.2.1\" }\n[[load]]\npower_W = 2000\n";
    let phases = |profile_text: &str, site_text: &str| {
        let mut site = site(site_text);
        resolve(&mut site, &[profile(profile_text)]);
        (site.phases, site.nominal_v)
    };
    let three =
        "[defaults]\npositive = \"import\"\n[points.active_power]\neach = { address = 0, stride = 2 }\n";
    let split = "[defaults]\npositive = \"import\"\n[points.active_power]\nL1 = { address = 0 }\nL2 = { address = 2 }\n";
    let total = "[points.active_power]\ntotal = { address = 12, positive = \"import\" }\n";
    assert_eq!(phases(three, five), (3, 230.0));
    assert_eq!(phases(split, five), (2, 120.0));
    assert_eq!(phases(SINGLE, five), (1, 230.0));
    // A total alone says nothing of phases: three stay, and the pair says so.
    assert_eq!(phases(total, five), (3, 230.0));
    let faults = check_pair("site.toml", &site(five), 0, &profile(total));
    assert!(messages(&faults)[0].contains("nothing says how many phases"), "{faults:#?}");
    // A load on L3 shows that there is an L3, whatever the meter sees.
    assert_eq!(phases(SINGLE, &format!("{five}phase = \"L3\"\n")), (3, 230.0));
}

#[test]
fn a_site_with_fewer_phases_leaves_the_others_out_of_profile_and_sums() {
    let three = profile(
        "[defaults]\npositive = \"import\"\n[points.active_power]\neach = { address = 0, stride = 2 }\n\
         total = { sum = [\"active_power.L1\", \"active_power.L2\", \"active_power.L3\"] }\n\
         [points.voltage]\nL1-L2 = { address = 20 }\n",
    );
    let one = narrow(&three, &Phase::LINES[..1]);
    let keys: Vec<String> = one.points.iter().map(|point| point.key.to_string()).collect();
    assert_eq!(keys, ["active_power.L1", "active_power.total"]);
    assert_eq!(one.points[1].source, Source::Sum(vec![PointKey::Of(Quantity::ActivePower, Phase::L1)]));
    assert_eq!(narrow(&three, &Phase::LINES).points.len(), 5);
}

#[test]
fn a_sum_may_add_up_powers_of_two_directions() {
    let profile = profile(
        "[points.active_power_import]\neach = { address = 0, stride = 4 }\n\
         [points.active_power_export]\neach = { address = 2, stride = 4 }\n\
         [points.active_power]\ntotal = { sum = [\"active_power.L1\", \"active_power.L2\", \"active_power.L3\"] }\n",
    );
    let total = profile.point(&PointKey::Of(Quantity::ActivePower, Phase::Total)).unwrap();
    assert!(!total.signed);
}

#[test]
fn register_numbers_and_counted_addresses_come_to_the_same_place_on_the_wire() {
    let at = |text: &str| {
        let text = format!("{text}\n[points.voltage]\nL1 = {{ POINT }}\n");
        move |point: &str| {
            let (profile, _) = parse_profile("p", &text.replace("POINT", point)).unwrap();
            match &profile.points[0].source {
                Source::Registers { at, .. } => (at.table, at.address),
                Source::Sum(_) => panic!(),
            }
        }
    };
    let plain = at("");
    // Trade practice (facts 1.1): 30001 is the first input register, 40001 the first holding register, both 0 on the wire.
    assert_eq!(plain("register = 30001"), (Table::Input, 0));
    assert_eq!(plain("register = 300001"), (Table::Input, 0));
    assert_eq!(plain("register = 40001"), (Table::Holding, 0));
    assert_eq!(plain("register = 400001"), (Table::Holding, 0));
    assert_eq!(plain("register = 465535"), (Table::Holding, 65534));
    // MODBUS Application Protocol V1.1b3, 4.4: register X is sent as X - 1 (its example: 55 becomes 54).
    assert_eq!(at("[defaults]\nfirst = 1")("address = 55"), (Table::Input, 54));
    assert_eq!(at("[defaults]\ntable = \"holding\"")("address = 0x36"), (Table::Holding, 54));
    // A register number is what it is, however the list counts its addresses.
    assert_eq!(at("[defaults]\nfirst = 1")("register = 40055"), (Table::Holding, 54));
}

#[test]
fn every_key_of_a_point_is_read() {
    let (profile, warnings) = parse_profile("p", include_str!("files/every-key.profile.toml")).unwrap();
    assert!(warnings.list.is_empty(), "{warnings:#?}");
    let point = |key: &str| profile.point(&PointKey::parse(key).unwrap()).unwrap().clone();
    let power = point("active_power.L1");
    let flag = power.direction.unwrap();
    assert_eq!((flag.register.address, flag.bit, flag.export_when), (130, 3, true));
    assert_eq!(power.positive, Some(Positive::Import));
    assert_eq!(power.floor_w, Some(4.0));
    assert_eq!(power.update.unwrap().millis(), 200.0);
    assert_eq!(power.missing, [0xFFFF_FFFF]);
    let volts = point("voltage.L1");
    assert_eq!(volts.exponent_at.unwrap().address, 12);
    let Source::Registers { word_order, byte_order, bits, .. } = volts.source else { panic!() };
    assert_eq!((word_order, byte_order, bits), (Order::LowFirst, Order::LowFirst, Some((0, 11))));
    assert_eq!(point("energy_import.total").missing, [u64::MAX]);
    assert_eq!(point("energy_import.total").rollover, Some(1e9));
    assert_eq!(point("current.L1").multiply.len(), 1);
    assert_eq!(point("current.L1").multiply_at.unwrap().address, 51);
    assert_eq!(point("other.state_of_charge").unit_word, "% of capacity");
    assert_eq!(point("settings.ct_ratio").offset, -1.0);
}

#[test]
fn the_example_profiles_are_sound() {
    for text in [
        include_str!("../profiles/example-three-phase.toml"),
        include_str!("../profiles/example-single-phase.toml"),
        include_str!("../profiles/example-ct-interface.toml"),
        include_str!("../profiles/example-two-directions.toml"),
        include_str!("../profiles/example-open-model.toml"),
    ] {
        let profile = profile(text);
        let origin = ["Invented", "From the definition of model 203"];
        assert!(origin.iter().any(|origin| profile.notes.starts_with(origin)), "{}", profile.notes);
    }
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("profiles");
    let count = std::fs::read_dir(folder).unwrap().count();
    assert_eq!(count, 5, "list the new example above");
}

/// Every example in the documentation is a whole file and works.
#[test]
fn the_examples_in_the_documentation_work() {
    let blocks =
        |text: &'static str| text.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next());
    let mut count = 0;
    for block in blocks(include_str!("../docs/profile.md")) {
        profile(block);
        count += 1;
    }
    for block in blocks(include_str!("../docs/site.md")) {
        site(block);
        count += 1;
    }
    assert_eq!(count, 6);
}

/// The documentation names every key: this is what a person searches it for.
#[test]
fn the_documentation_names_every_key_of_the_contract() {
    let named = |document: &str, text: &str| {
        for line in text.lines() {
            let code = line.split('#').next().unwrap_or("");
            for word in code.split(|c: char| !(c.is_alphanumeric() || c == '_')) {
                let key =
                    code.contains(&format!("{word} =")) && word.starts_with(|c: char| c.is_ascii_lowercase());
                assert!(!key || document.contains(word), "`{word}` is missing from the documentation");
            }
        }
    };
    named(include_str!("../docs/profile.md"), CONTRACT_PROFILE);
    named(
        include_str!("../docs/profile.md"),
        include_str!("files/every-key.profile.toml").split("[points.other]").next().unwrap_or(""),
    );
    named(include_str!("../docs/site.md"), CONTRACT_SITE);
}
