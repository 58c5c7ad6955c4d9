//! Drafts of an invented model in the form of the open register model. (The published definitions are used in
//! `tests/peers/import_test.py`.)

use super::*;
use crate::base::Phase;
use crate::profile::{Source, import::definition, parse_profile};

/// Names and 'not implemented' values as in facts 3.3 and 3.4; the layout is invented.
const DEFINITION: &str = include_str!("../../../../tests/files/invented-model.json");

fn terms(found: Option<Found>) -> ImportTerms {
    ImportTerms {
        name: "Invented".to_owned(),
        origin: "At 40070.".to_owned(),
        address: 40_070,
        found,
        line: Some(SerialSettings::default()),
        unit: Some(3),
        positive: None,
        everything: false,
    }
}

fn imported(terms: &ImportTerms) -> Imported {
    import(&definition(DEFINITION).unwrap(), terms).unwrap()
}

#[test]
fn a_definition_becomes_a_profile_without_a_fault() {
    let made = imported(&terms(None));
    let (profile, warnings) = parse_profile("p", &made.text).unwrap_or_else(|faults| panic!("{faults:#?}"));
    assert!(warnings.list.is_empty(), "{warnings:#?}\n{}", made.text);
    let point = |quantity, phase| profile.point(&PointKey::Of(quantity, phase)).unwrap().clone();
    let volts = point(Quantity::Voltage, Phase::L1);
    let Source::Registers { at, kind, .. } = volts.source else { panic!() };
    assert_eq!((at.address, kind, volts.exponent_at.unwrap().address), (40_073, Type::I16, 40_074));
    assert_eq!(volts.missing, [0x8000]);
    let factor = point(Quantity::PowerFactor, Phase::Total);
    assert_eq!((factor.scale, factor.unit_word.as_str()), (0.1, "%"));
    let energy = point(Quantity::EnergyImport, Phase::Total);
    assert_eq!((energy.missing.clone(), energy.rollover), (vec![0], Some(4_294_967_296.0)));
    assert!(point(Quantity::Frequency, Phase::Total).missing.is_empty());
    assert_eq!(point(Quantity::ActivePower, Phase::Total).positive, Some(Positive::Import));
    assert_eq!((profile.unit, profile.line), (3, SerialSettings::default()));
    assert_eq!((made.points, made.left_out.as_slice()), (6, &["Evt".to_owned(), "Big".to_owned()][..]));
    assert!(made.text.contains("assumption"), "{}", made.text);
    // Phases in their order, whatever the definition's.
    assert!(made.text.find("L1 = ").unwrap() < made.text.find("L2 = ").unwrap());
}

#[test]
fn everything_else_goes_under_other_where_it_is_wanted() {
    let made = imported(&ImportTerms { everything: true, ..terms(None) });
    let (profile, _) =
        parse_profile("p", &made.text).unwrap_or_else(|faults| panic!("{faults:#?}\n{}", made.text));
    let big = profile.point(&PointKey::Other("Big".to_owned())).unwrap();
    assert_eq!((big.missing.as_slice(), big.unit_word.as_str()), (&[u64::MAX][..], "furlong"));
    assert!(made.left_out.is_empty());
}

#[test]
fn what_the_meter_does_not_implement_is_a_comment() {
    // Voltage B and the power of ten of W are 0x8000, the frequency is no number, nothing was counted.
    let image =
        vec![203, 24, 0x8000, 2305, 0xFFFF, 100, 0x8000, 980, 0x7FC0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
    let made = imported(&terms(Some(Found { length: 20, image })));
    assert_eq!(made.not_implemented, ["PhVphB", "W", "Hz"]);
    let (profile, _) =
        parse_profile("p", &made.text).unwrap_or_else(|faults| panic!("{faults:#?}\n{}", made.text));
    let keys: Vec<String> = profile.points.iter().map(|point| point.key.to_string()).collect();
    assert_eq!(keys, ["voltage.L1", "power_factor.total", "energy_import.total"]);
    // No power is left, so nothing is said about its sign.
    assert!(!made.text.contains("positive"), "{}", made.text);
}

#[test]
fn what_lies_beyond_the_stated_length_is_not_there() {
    let made = imported(&terms(Some(Found { length: 5, image: Vec::new() })));
    assert_eq!(made.not_implemented, ["PF", "Hz", "TotWhImp"]);
    assert!(made.text.contains("states 5 registers"), "{}", made.text);
}

#[test]
fn what_is_no_meter_needs_a_word_about_its_sign() {
    let text = DEFINITION.replace("203", "64900");
    let other = definition(&text).unwrap();
    let error = import(&other, &terms(None)).unwrap_err();
    assert!(error.contains("positive"), "{error}");
    let made = import(&other, &ImportTerms { positive: Some(Positive::Export), ..terms(None) }).unwrap();
    assert!(made.text.contains("positive = \"export\"") && !made.text.contains("assumption"));
    let error = import(&other, &ImportTerms { address: 65_530, ..terms(None) }).unwrap_err();
    assert!(error.contains("does not fit"), "{error}");
}

#[test]
fn a_file_that_is_no_definition_says_what_is_wrong() {
    let with = |from: &str, to: &str| definition(&DEFINITION.replacen(from, to, 1)).unwrap_err();
    for (error, words) in [
        (definition("[").unwrap_err(), "no JSON"),
        (definition("{}").unwrap_err(), "no `id`"),
        (definition(r#"{"id":1}"#).unwrap_err(), "no `group`"),
        (definition(r#"{"id":1,"group":{}}"#).unwrap_err(), "no list of `points`"),
        (with("\"int16\"", "\"int17\""), "unknown type `int17`"),
        (with("\"size\": 1, \"sf\"", "\"size\": 2, \"sf\""), "a `size` of 2"),
        (with("\"V_SF\", \"units\"", "\"X_SF\", \"units\""), "no such power of ten"),
        (with("\"sf\": -1", "\"sf\": -11"), "no power of ten from -10 to 10"),
        (with("\"PhVphA\"", "\"PhVphB\""), "two points `PhVphB`"),
        (with("\"name\": \"L\"", "\"name\": \"M\""), "`ID` and `L`"),
        (with("\"name\": \"PF\", ", ""), "point 8 of its list: it has no `name`"),
    ] {
        assert!(error.contains(words), "{error}");
    }
}
