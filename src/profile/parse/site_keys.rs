//! The keys of a site file, table by table, and the words some of them take.

use super::keys::LINE;
use super::shape::{Bound, Key, Keys, Shape, key, names};
use crate::base::{Network, Phase};
use crate::profile::{CtClass, DriverDirection, MeterClass, MeterRole, Netting, Per};

/// The words for roles.
pub(super) const ROLES: &[(&str, MeterRole)] = &[
    ("reference", MeterRole::Reference),
    ("steering", MeterRole::Steering),
    ("generation", MeterRole::Generation),
    ("load", MeterRole::Load),
];

/// IEC 62053 and EN 50470; the S of 0.2S and 0.5S concerns small currents and changes nothing here.
pub(super) const CLASSES: &[(&str, MeterClass)] = &[
    ("0.2", MeterClass::C02),
    ("0.5", MeterClass::C05),
    ("1", MeterClass::C1),
    ("2", MeterClass::C2),
    ("A", MeterClass::A),
    ("B", MeterClass::B),
    ("C", MeterClass::C),
    ("0.2S", MeterClass::C02),
    ("0.5S", MeterClass::C05),
];

/// IEC 61869-2.
pub(super) const CT_CLASSES: &[(&str, CtClass)] = &[
    ("0.2", CtClass::C02),
    ("0.2S", CtClass::C02S),
    ("0.5", CtClass::C05),
    ("0.5S", CtClass::C05S),
    ("1", CtClass::C1),
    ("3", CtClass::C3),
    ("5", CtClass::C5),
];

/// The words for netting.
pub(super) const NETTINGS: &[(&str, Netting)] =
    &[("sum", Netting::Sum), ("phase", Netting::Phase), ("unknown", Netting::Unknown)];

/// Who switches an RS485 driver.
pub(super) const DIRECTIONS: &[(&str, DriverDirection)] =
    &[("adapter", DriverDirection::Adapter), ("kernel", DriverDirection::Kernel)];

/// The words for networks.
pub(super) const NETWORKS: &[(&str, Network)] = &[("wye", Network::Wye), ("delta", Network::Delta)];

/// The lines a plant may feed.
pub(super) const LINES: &[(&str, Phase)] = &[("L1", Phase::L1), ("L2", Phase::L2), ("L3", Phase::L3)];

/// Where a load may sit.
pub(super) const PLACEMENTS: [&str; 7] = ["L1", "L2", "L3", "L1-L2", "L2-L3", "L3-L1", "L1+L2+L3"];

/// What a rule holds for.
pub(super) const PERS: &[(&str, Per)] = &[("total", Per::Total), ("phase", Per::Phase)];

const POSITIVE: Shape = Shape::Number(Bound::Positive);
const NOT_NEGATIVE: Shape = Shape::Number(Bound::NotNegative);

/// The whole file.
pub(crate) const SITE: Keys = &[&[
    key("site", Shape::Table(&[HEADER]), "The place that is checked"),
    key("meter", Shape::Tables(&[METER]), "One for each meter").must(),
    key("plant", Shape::Tables(&[PLANT]), "What generates or stores here"),
    key("load", Shape::Tables(&[LOAD]), "Known loads for the CT check"),
    key("limit", Shape::Table(&[LIMIT]), "The export limit to check"),
]];

pub(super) const HEADER: &[Key] = &[
    key("name", Shape::Text, "For documents"),
    key("phases", Shape::Whole(1, 3), "1, 2 (split phase) or 3; as many as the profiles name when left out"),
    key("network", Shape::Word(|| names(NETWORKS)), "wye (with a neutral, when left out) or delta (without)"),
    key(
        "nominal_V",
        Shape::Number(Bound::Within(50.0, 1000.0)),
        "Phase to neutral; delta: between phases. 230 when left out; 120 for split phase, 400 for delta",
    ),
    key("time_zone", Shape::Text, "A name of the time zone database such as Europe/London, for reports"),
];

pub(super) const METER: &[Key] = &[
    key("name", Shape::Text, "Your word for it"),
    key(
        "role",
        Shape::Word(|| names(ROLES)),
        "reference: independent of the plant; steering (when left out): the plant's control follows it; generation: what a \
         plant delivers; load",
    ),
    key("profile", Shape::Text, "Path of its profile, counted from the folder of the site file").must(),
    key("line", Shape::Table(&[METER_LINE]), "The line it hangs on").must(),
    key("unit", Shape::Whole(0, 255), "Unit address, 1 to 247 on a serial line; the profile's when left out"),
    key(
        "ct_ratio",
        POSITIVE,
        "Primary over secondary, 200 A to 5 A is 40; only where the profile multiplies by it",
    ),
    key("vt_ratio", POSITIVE, "Primary over secondary; only where the profile multiplies by it"),
    key("ct_primary_A", POSITIVE, "Rated primary current of the CTs; above 120 % of it nothing is judged"),
    key(
        "class",
        Shape::Word(|| names(CLASSES)),
        "Accuracy class: 0.2, 0.5, 1, 2 (IEC 62053) or A, B, C (EN 50470), in quotes. Without it limit can't pass",
    ),
    key("ct_class", Shape::Word(|| names(CT_CLASSES)), "Class of external CTs (IEC 61869-2), in quotes"),
    key(
        "resolution_W",
        POSITIVE,
        "The smallest step of power the meter reports; found from the data when left out",
    ),
    key("netting", Shape::Word(|| names(NETTINGS)), "How its energy counters treat phases"),
    key("serial", Shape::Text, "Serial number, for the report"),
    key("calibrated", Shape::Date, "Date of the last calibration, for the report"),
];

/// A meter's line: one of three doors, and settings that differ from the profile.
pub(super) const METER_LINE: &[Key] = &[
    key("serial", Shape::Text, "A serial port of this computer").one_of(),
    key("tcp", Shape::Text, "Modbus TCP: host, or host:port").one_of(),
    key("serial_over_tcp", Shape::Text, "A gateway that passes serial frames on: host:port").one_of(),
    LINE[0],
    LINE[1],
    LINE[2],
    key(
        "direction",
        Shape::Word(|| names(DIRECTIONS)),
        "Who switches an RS485 driver; adapter when left out",
    ),
];

pub(super) const PLANT: &[Key] = &[
    key("name", Shape::Text, "Your word for it"),
    key("rated_W", POSITIVE, "Rated power").must(),
    key("phases", Shape::List(&Shape::Word(|| names(LINES)), 0, 3), "The lines it feeds"),
    key("storage", Shape::Flag, "true for a battery, or a hybrid with one"),
];

pub(super) const LOAD: &[Key] = &[
    key("name", Shape::Text, "Your word for it"),
    key("power_W", POSITIVE, "Active power, at rated_V for a resistive load").must(),
    key("rated_V", POSITIVE, "The voltage on its rating plate"),
    key("resistive", Shape::Flag, "Heaters and kettles; true without a power_factor"),
    key("power_factor", Shape::Number(Bound::Over(0.0, 1.0)), "For other loads; lags unless leading = true"),
    key("leading", Shape::Flag, "Capacitive"),
    key(
        "tolerance",
        Shape::Number(Bound::Under(0.0, 1.0)),
        "The true power lies within this fraction of power_W; 0.10 when left out",
    ),
    key("phase", Shape::Word(|| PLACEMENTS.to_vec()), "Where it is connected; left out when nobody knows"),
];

pub(super) const LIMIT: &[Key] = &[
    key("window_s", POSITIVE, "Length of the test window; 1800 when left out"),
    key("challenges", Shape::Whole(0, 10_000), "How many challenges the window must hold; 3 when left out"),
    key("overvoltage_V", POSITIVE, "Ten-minute mean at which a review speaks of voltage rise"),
    key("rule", Shape::Tables(&[RULE]), "Each rule must hold"),
];

pub(super) const RULE: &[Key] = &[
    key("export_W", NOT_NEGATIVE, "The limit in W").one_of(),
    key("export_A", NOT_NEGATIVE, "The limit in A for each phase").one_of(),
    key(
        "percent",
        Shape::Number(Bound::Within(0.0, 100.0)),
        "The limit in percent of the plants' rated power",
    )
    .one_of(),
    key("per", Shape::Word(|| names(PERS)), "The sum of the phases, or each phase by itself"),
    key("averaging_s", POSITIVE, "Sliding mean that the rule applies to; 1 when left out"),
    key("longest_s", NOT_NEGATIVE, "How long it may stand above; 0: never; 5 when left out"),
    key("tolerance_W", NOT_NEGATIVE, "A band the rule itself allows; 0 when left out"),
    key(
        "share",
        Shape::Number(Bound::Within(0.0, 1.0)),
        "Of the window that all excursions together may take: 0.05 is 5 %",
    ),
];
