//! The simulated site from outside: the program that serves it, and its registers against the decoder of the checks, which
//! shares no code with them.

#![cfg(feature = "rim")]
#![expect(clippy::disallowed_methods, reason = "a test may stop where it stands")]

use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::{Command, Stdio};

use proptest::prelude::*;
use wattward::base::{Phase, PointKey, Quantity, Unit};
use wattward::profile::{Order, Point, Positive, Registers, SiteRatio, Source, Table, Type};
use wattward::reading::Ratios;
use wattward::reading::decode::decode;
use wattward::sim::registers::{Image, Makeup};

const SITE: &str = r#"
[site]
phases = 1
[[meter]]
name = "connection"
profile = "meter.toml"
line = { tcp = "127.0.0.1:502" }
[[load]]
name = "kettle"
power_W = 2000
phase = "L1"
"#;
const METER: &str = r#"
[profile]
name = "Invented"
[read]
update_ms = 100
[defaults]
table = "holding"
type = "i32"
positive = "import"
[points.active_power]
L1 = { address = 10, signed = true }
"#;

/// The program serves what the site file says, switches what is typed, and ends when its input says so.
#[test]
fn the_program_serves_a_site_and_obeys_what_is_typed() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("site.toml"), SITE).expect("written");
    std::fs::write(folder.path().join("meter.toml"), METER).expect("written");
    let mut program = Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args(["simulate", "site.toml", "--tcp", "127.0.0.1:0", "--json", "--for", "20s"])
        .current_dir(&folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the program runs");
    let mut input = program.stdin.take().expect("a pipe");
    let mut output = program.stdout.take().expect("a pipe");
    // the document ends with a closing brace at the start of a line
    let mut text = String::new();
    while !text.ends_with("\n}\n") {
        let mut byte = [0];
        output.read_exact(&mut byte).expect("the document");
        text.push(char::from(byte[0]));
    }
    let document: serde_json::Value = serde_json::from_str(&text).expect("json");
    let address = document["meters"][0]["address"].as_str().expect("an address");
    let mut stream = TcpStream::connect(address).expect("served");
    let mut power = || {
        // MODBUS Application Protocol V1.1b3, 6.3, in the envelope of 4.1: two holding registers from 10
        stream.write_all(&[0, 1, 0, 0, 0, 6, 1, 3, 0, 10, 0, 2]).expect("asked");
        let mut answer = [0; 13];
        stream.read_exact(&mut answer).expect("answered");
        assert_eq!(answer[..9], [0, 1, 0, 0, 0, 7, 1, 3, 4]);
        i32::from_be_bytes(answer[9..].try_into().expect("four bytes"))
    };
    assert!((50..200).contains(&power()), "the household alone");
    input.write_all(b"kettle on\n").expect("typed");
    std::thread::sleep(std::time::Duration::from_millis(400));
    assert!((1900..2200).contains(&power()), "the kettle too");
    input.write_all(b"quit\n").expect("typed");
    assert!(program.wait().expect("ended").success());
}

/// What a point looks like, as far as its number goes.
#[derive(Clone, Debug)]
struct Shape {
    kind: Type,
    scale: f64,
    offset: f64,
    unit: &'static str,
    positive: Positive,
    orders: (bool, bool),
    exponent: Option<i8>,
    factor: Option<u16>,
    ratio: bool,
}

fn shapes() -> impl Strategy<Value = Shape> {
    let kinds = proptest::sample::select(vec![
        Type::I16,
        Type::I32,
        Type::I64,
        Type::F32,
        Type::F64,
        Type::Sm16,
        Type::Sm32,
    ]);
    let scale = proptest::sample::select(vec![1.0, 0.1, 0.01, 10.0, 0.5]);
    let offset = proptest::sample::select(vec![0.0, -3.0]);
    let unit = proptest::sample::select(vec!["W", "kW", "mW"]);
    let positive = proptest::sample::select(vec![Positive::Import, Positive::Export]);
    let exponent = proptest::option::of(-3_i8..=3);
    let factor = proptest::option::of(1_u16..50);
    let whole =
        (kinds, scale, offset, unit, positive, any::<(bool, bool)>(), exponent, factor, any::<bool>());
    whole.prop_map(|(kind, scale, offset, unit, positive, orders, exponent, factor, ratio)| Shape {
        kind,
        scale,
        offset,
        unit,
        positive,
        orders,
        exponent,
        factor,
        ratio,
    })
}

fn point(shape: &Shape) -> Point {
    let order = |low| if low { Order::LowFirst } else { Order::HighFirst };
    let at = |address, count| Registers { table: Table::Holding, address, count };
    let source = Source::Registers {
        at: at(20, shape.kind.registers()),
        kind: shape.kind,
        word_order: order(shape.orders.0),
        byte_order: order(shape.orders.1),
        bits: None,
    };
    Point {
        scale: shape.scale,
        offset: shape.offset,
        unit: Unit::parse(shape.unit),
        unit_word: shape.unit.to_owned(),
        positive: Some(shape.positive),
        signed: true,
        exponent_at: shape.exponent.map(|_| at(30, 1)),
        multiply_at: shape.factor.map(|_| at(31, 1)),
        multiply: if shape.ratio { vec![SiteRatio::Ct] } else { Vec::new() },
        ..Point::plain(PointKey::Of(Quantity::ActivePower, Phase::L1), source)
    }
}

proptest! {
    /// Two codes that share nothing: what the simulated meter puts, the checks read, to the step of the register.
    #[test]
    fn what_a_simulated_meter_shows_is_read_as_it_is(shape in shapes(), watts in -30_000.0..30_000.0_f64) {
        let point = point(&shape);
        let ratios = Ratios { ct: if shape.ratio { 40.0 } else { 1.0 }, vt: 1.0 };
        let makeup = Makeup {
            exponent: shape.exponent.unwrap_or(0),
            factor: shape.factor.unwrap_or(1),
            ratios: ratios.ct,
        };
        let mut image = Image::default();
        image.put(&point, Some(watts), makeup);
        let fetch = |run: Registers| {
            (0..run.count).map(|n| image.word(run.table, run.address + n)).collect::<Option<Vec<u16>>>()
        };
        let read = decode(&point, ratios, &fetch).expect("a number");
        let unit = Unit::parse(shape.unit).expect("a unit").factor;
        let power_of_ten = (0..shape.exponent.unwrap_or(0).unsigned_abs()).fold(1.0, |ten, _| ten * 10.0);
        let power_of_ten = if shape.exponent.unwrap_or(0) < 0 { 1.0 / power_of_ten } else { power_of_ten };
        let step = shape.scale * power_of_ten * f64::from(makeup.factor) * ratios.ct * unit;
        let span = match shape.kind {
            Type::I16 | Type::Sm16 => 32_767.0 * step,
            Type::I32 | Type::Sm32 => 2_147_483_647.0 * step,
            _ => f64::INFINITY,
        };
        let whole = !matches!(shape.kind, Type::F32 | Type::F64);
        // a single float keeps 24 bits of the raw number, which the offset is part of
        let room = if whole { 0.5 * step } else { 1e-7 * (watts.abs() + shape.offset.abs() * unit) };
        if watts.abs() + shape.offset.abs() * unit < span {
            prop_assert!((read - watts).abs() <= room * 1.000_001 + 1e-9, "{read} for {watts}, step {step}");
        }
    }
}
