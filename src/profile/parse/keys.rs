//! The keys of a profile, table by table, and the words some of them take.

use super::shape::{Bound, Key, Keys, Shape, key, names};
use crate::base::{Phase, Quantity};
use crate::profile::{Order, Parity, Positive, PowerFactorSign, SiteRatio, Table, Type};

/// The words for types.
pub(super) const TYPES: &[(&str, Type)] = &[
    ("u16", Type::U16),
    ("i16", Type::I16),
    ("u32", Type::U32),
    ("i32", Type::I32),
    ("u64", Type::U64),
    ("i64", Type::I64),
    ("f32", Type::F32),
    ("f64", Type::F64),
    ("sm16", Type::Sm16),
    ("sm32", Type::Sm32),
    ("bcd16", Type::Bcd16),
    ("bcd32", Type::Bcd32),
];

/// The words for orders.
pub(super) const ORDERS: &[(&str, Order)] =
    &[("high-first", Order::HighFirst), ("low-first", Order::LowFirst)];

/// The words for tables.
pub(super) const TABLES: &[(&str, Table)] = &[("input", Table::Input), ("holding", Table::Holding)];

/// The words for parity.
pub(super) const PARITIES: &[(&str, Parity)] =
    &[("none", Parity::None), ("even", Parity::Even), ("odd", Parity::Odd)];

/// The words for `positive`.
pub(super) const POSITIVES: &[(&str, Positive)] =
    &[("import", Positive::Import), ("export", Positive::Export)];

/// The words for the sign of a power factor.
pub(super) const SIGNS: &[(&str, PowerFactorSign)] =
    &[("iec", PowerFactorSign::Iec), ("lag-lead", PowerFactorSign::LagLead)];

/// Values of the site file that a point may be multiplied by.
pub(super) const RATIOS: &[(&str, SiteRatio)] = &[("ct_ratio", SiteRatio::Ct), ("vt_ratio", SiteRatio::Vt)];

/// A day in ms: no meter takes longer to renew a value.
pub(super) const LONGEST_MS: f64 = 86_400_000.0;

/// Address as the file counts it: from 0, or from 1.
const ADDRESS: Shape = Shape::Whole(0, 65536);
const SPAN: Shape = Shape::Number(Bound::Over(0.0, LONGEST_MS));
const SPAN_OR_ZERO: Shape = Shape::Number(Bound::Within(0.0, LONGEST_MS));
const TABLE: Shape = Shape::Word(|| names(TABLES));
const TYPE: Shape = Shape::Word(|| names(TYPES));
const ORDER: Shape = Shape::Word(|| names(ORDERS));
const POSITIVE: Shape = Shape::Word(|| names(POSITIVES));
const MISSING: Shape = Shape::Either(&[Shape::Raw, Shape::List(&Shape::Raw, 0, usize::MAX)]);
const RATIO: Shape = Shape::Word(|| names(RATIOS));
const NAME: Shape = Shape::Text;

/// The whole file.
pub(crate) const PROFILE: Keys = &[&[
    key("profile", Shape::Table(&[HEADER]), "What this profile is for"),
    key("line", Shape::Table(&[LINE]), "How the meter is set when new; a site file may say otherwise"),
    key("read", Shape::Table(&[READ]), "How this meter wants to be read"),
    key("defaults", Shape::Table(&[DEFAULTS]), "For every point that does not say otherwise"),
    key("points", Shape::Points, "The quantities of the meter, phase by phase").must(),
    key("settings", Shape::Named, "The meter's own settings, read at the start and end of a check"),
]];

pub(super) const HEADER: &[Key] = &[
    key("name", NAME, "For screens and documents"),
    key("notes", Shape::Blank, "Where the register list comes from"),
];

pub(super) const LINE: &[Key] = &[
    key("baud", Shape::Whole(50, 4_000_000), "Bits a second; 9600 when left out"),
    key("parity", Shape::Word(|| names(PARITIES)), "Parity bit; none when left out"),
    key("stop_bits", Shape::Whole(1, 2), "1 when left out"),
    // 1 to 247 (Modbus over Serial Line V1.02, 2.2); 0 is the broadcast address, and nobody answers it.
    key("unit", Shape::Whole(1, 247), "Unit address of the meter; 1 when left out"),
];

pub(super) const READ: &[Key] = &[
    // 1 to 125 (MODBUS Application Protocol V1.1b3, 6.3).
    key("max_registers", Shape::Whole(1, 125), "Registers in one request at most; 125 when left out"),
    key(
        "span_unlisted",
        Shape::Flag,
        "May a request cover addresses that no point names? true when left out; false for meters that refuse it",
    ),
    key("pause_ms", SPAN_OR_ZERO, "Rest between requests, on top of the 3.5 characters; 0 when left out"),
    UPDATE,
    AVERAGING,
];

const UPDATE: Key = key("update_ms", SPAN, "How often the meter renews its values");
const AVERAGING: Key = key("averaging_ms", SPAN_OR_ZERO, "What the meter averages over before it reports");

pub(super) const DEFAULTS: &[Key] = &[
    key("table", TABLE, "input (function 4, when left out) or holding (function 3)"),
    key("type", TYPE, "f32 when left out"),
    key("word_order", ORDER, "Which register of a longer number comes first; high-first when left out"),
    key("byte_order", ORDER, "Order of the two bytes in a register; Modbus' own is high-first"),
    key("positive", POSITIVE, "What a positive power means to this meter; there is no default"),
    key("first", Shape::Whole(0, 1), "0: addresses as on the wire; 1: the list counts from 1"),
    key("signed", Shape::Flag, "Somebody has seen the active powers go negative"),
    key("scale", Shape::Number(Bound::Positive), "What one count is worth; 1 when left out"),
    key("missing", MISSING, "Raw values that mean 'not available', for points of the default type"),
];

/// Where a register is.
pub(super) const WHERE: &[Key] = &[
    key(
        "address",
        ADDRESS,
        "Address of the first register, counted as `first` says; decimal or 0x hexadecimal",
    )
    .one_of(),
    key("register", Shape::Register, "Number printed in a five- or six-digit table; says the table as well")
        .one_of(),
];

/// Where a register is, with its table.
pub(super) const PLACE: Keys = &[WHERE, &[TABLE_KEY]];

const TABLE_KEY: Key = key("table", TABLE, "input (function 4) or holding (function 3)");

/// How registers become a number: what the points of a sum have already.
pub(super) const RAW: &[Key] = &[
    TABLE_KEY,
    key("type", TYPE, "How the registers hold the number"),
    key("word_order", ORDER, "Which register of a longer number comes first"),
    key("byte_order", ORDER, "Order of the two bytes in a register"),
    key(
        "bits",
        Shape::List(&Shape::Whole(0, 63), 2, 2),
        "A field inside: [low, high], 0 the least significant bit",
    ),
    key("scale", Shape::Number(Bound::Finite), "What one count is worth; not 0, for powers not negative"),
    key("offset", Shape::Number(Bound::Finite), "Added after scale"),
    key("positive", POSITIVE, "What a positive number means to this meter")
        .only(SIGNED, "a power with a sign"),
    key("exponent_at", BESIDE, "Address of a register (i16) with a power of ten"),
    key("multiply_at", BESIDE, "Address of a register (u16) with a factor"),
    key(
        "multiply",
        Shape::Either(&[RATIO, Shape::List(&RATIO, 0, 2)]),
        "Multiplied by these values of the meter in the site file",
    ),
    key("missing", MISSING, "Raw values that mean 'not available'"),
    key(
        "rollover",
        Shape::Number(Bound::Positive),
        "A counter starts again from 0 after this many raw counts",
    )
    .only(COUNTERS, "an energy counter")
    .or_named(),
];

/// A register beside the point's own.
const BESIDE: Shape = Shape::Either(&[ADDRESS, Shape::Table(PLACE)]);

/// What every point may say, a sum too.
pub(super) const POINT: &[Key] = &[
    key("unit", Shape::Unit, "What the scaled number is in"),
    key("signed", Shape::Flag, "Somebody has seen this power go negative")
        .only(SIGNED, "a power with a sign"),
    key(
        "valid",
        Shape::List(&Shape::Number(Bound::Finite), 2, 2),
        "Lowest and highest sensible value, in the point's unit",
    ),
    UPDATE,
    AVERAGING,
    key("floor_W", Shape::Number(Bound::NotNegative), "Below this power the meter reports 0")
        .only(POWERS, "an active power"),
    key("sign", Shape::Word(|| names(SIGNS)), "iec: follows the power; lag-lead: minus is lagging")
        .only(&[Quantity::PowerFactor], "power_factor"),
];

/// What a point may be in place of registers.
pub(super) const SUM: &[Key] = &[key(
    "sum",
    Shape::List(&Shape::Point, 2, usize::MAX),
    "The sum of other points, such as active_power.L1",
)
.one_of()];

/// An unsigned power with a flag.
const DIRECTION: &[Key] =
    &[key("direction", Shape::Table(FLAG), DIRECTION_ABOUT).only(&[Quantity::ActivePower], "active_power")];
const DIRECTION_EACH: &[Key] =
    &[key("direction", Shape::Table(FLAG_EACH), DIRECTION_ABOUT)
        .only(&[Quantity::ActivePower], "active_power")];
const DIRECTION_ABOUT: &str = "An unsigned power with a flag beside it that says which way it flows";

/// One point.
pub(crate) const ONE: Keys = &[WHERE, RAW, DIRECTION, POINT, SUM];

/// L1, L2 and L3 at a fixed distance.
pub(crate) const EACH: Keys = &[
    WHERE,
    &[key("stride", Shape::Whole(-32767, 32767), "Registers from L1 to L2, and from L2 to L3").must()],
    RAW,
    DIRECTION_EACH,
    POINT,
];

/// What a sum may not have, since its parts have it.
pub(crate) const NOT_IN_SUM: Keys = &[WHERE, RAW, DIRECTION];

/// A direction flag.
pub(super) const FLAG: Keys = &[WHERE, &[TABLE_KEY], BIT];
/// A direction flag in `each`.
pub(super) const FLAG_EACH: Keys = &[
    WHERE,
    &[TABLE_KEY],
    BIT,
    &[key("stride", Shape::Whole(-65535, 65535), "Registers from flag to flag; 0 when all phases share one")
        .must()],
];
const BIT: &[Key] = &[
    key("bit", Shape::Whole(0, 15), "Which bit, 0 the least significant").must(),
    key(
        "export_when",
        Shape::Either(&[Shape::Flag, Shape::Whole(0, 1)]),
        "The bit's value while the site exports",
    )
    .must(),
];

const POWERS: &[Quantity] =
    &[Quantity::ActivePower, Quantity::ActivePowerImport, Quantity::ActivePowerExport];
const SIGNED: &[Quantity] = &[Quantity::ActivePower, Quantity::ReactivePower];
const COUNTERS: &[Quantity] = &[
    Quantity::EnergyImport,
    Quantity::EnergyExport,
    Quantity::ReactiveEnergyImport,
    Quantity::ReactiveEnergyExport,
];

/// The phases a quantity has: only voltage goes between lines, only current and voltage belong to the neutral.
pub(crate) fn phases_of(quantity: Quantity) -> impl Iterator<Item = Phase> {
    Phase::ALL.into_iter().filter(move |phase| match phase {
        Phase::L1L2 | Phase::L2L3 | Phase::L3L1 => quantity == Quantity::Voltage,
        Phase::N => matches!(quantity, Quantity::Current | Quantity::Voltage),
        _ => true,
    })
}
