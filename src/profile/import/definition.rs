//! One model's definition, read from its JSON.

use serde_json::Value;

use crate::profile::Type;

/// What kind of thing a point's registers hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A number that is measured or set.
    Number(Type),
    /// A counter, for which zero means that it is not counted.
    Accumulator(Type),
    /// A state or flags: a number without a unit.
    Flags(Type),
    /// A power of ten for other points.
    Exponent,
    /// Letters.
    Text,
    /// Anything else (addresses of networks, padding).
    Other,
}

/// What a point's raw number is multiplied by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Scale {
    /// Nothing.
    One,
    /// This power of ten, fixed.
    Fixed(i8),
    /// The power of ten in the point of this name.
    Named(String),
}

/// One point of a definition.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DefinedPoint {
    /// Its short name in the definition.
    pub name: String,
    /// For people; empty where the definition has none.
    pub label: String,
    /// Registers from the model's first one (that of its number).
    pub offset: u16,
    /// Registers.
    pub size: u16,
    /// What they hold.
    pub kind: Kind,
    /// Its scale.
    pub scale: Scale,
    /// Its unit in the definition's own words; empty where it has none.
    pub unit: String,
    /// Every meter with this model must have it.
    pub mandatory: bool,
}

/// A model's definition.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Definition {
    /// Which model.
    pub id: u16,
    /// For people.
    pub label: String,
    /// The points of its fixed block, number and length included.
    pub points: Vec<DefinedPoint>,
    /// Whether groups follow the fixed block, which are not read here.
    pub groups: bool,
}

impl Definition {
    /// The point of this name.
    pub fn point(&self, name: &str) -> Option<&DefinedPoint> {
        self.points.iter().find(|point| point.name == name)
    }

    /// Registers of the fixed block, number and length included.
    pub fn registers(&self) -> u16 {
        self.points.last().map_or(0, |point| point.offset + point.size)
    }
}

/// Reads a definition.
///
/// # Errors
/// What is not as a definition has it, and where in the file.
pub fn definition(text: &str) -> Result<Definition, String> {
    let root: Value = serde_json::from_str(text).map_err(|error| format!("it is no JSON: {error}"))?;
    let id = root.get("id").and_then(Value::as_u64).and_then(|id| u16::try_from(id).ok());
    let id = id.ok_or("it has no `id` from 0 to 65535 at its top, so it is no definition of a model")?;
    let group = root.get("group").ok_or("it has no `group` at its top")?;
    let listed =
        group.get("points").and_then(Value::as_array).ok_or("its `group` has no list of `points`")?;
    let mut points: Vec<DefinedPoint> = Vec::new();
    let mut offset = 0_u16;
    for (number, value) in listed.iter().enumerate() {
        let point =
            point(value, offset).map_err(|error| format!("point {} of its list: {error}", number + 1))?;
        if points.iter().any(|known| known.name == point.name) {
            return Err(format!("it has two points `{}`", point.name));
        }
        offset = offset
            .checked_add(point.size)
            .filter(|end| *end <= 10_000)
            .ok_or_else(|| format!("with `{}` it is longer than any model", point.name))?;
        points.push(point);
    }
    if points.first().is_none_or(|point| point.name != "ID")
        || points.get(1).is_none_or(|point| point.name != "L")
    {
        return Err("its first two points are not `ID` and `L`, with which every model begins".to_owned());
    }
    for point in &points {
        if let Scale::Named(name) = &point.scale {
            let there = points.iter().any(|other| other.name == *name && other.kind == Kind::Exponent);
            if !there {
                return Err(format!(
                    "`{}` is scaled by `{name}`, and there is no such power of ten",
                    point.name
                ));
            }
        }
    }
    let text = |key: &str| group.get(key).and_then(Value::as_str).unwrap_or_default().trim().to_owned();
    let groups = group.get("groups").and_then(Value::as_array).is_some_and(|groups| !groups.is_empty());
    Ok(Definition { id, label: text("label"), points, groups })
}

fn point(value: &Value, offset: u16) -> Result<DefinedPoint, String> {
    let text = |key: &str| value.get(key).and_then(Value::as_str).map(str::trim);
    let name = text("name").filter(|name| !name.is_empty()).ok_or("it has no `name`")?;
    let word = text("type").ok_or_else(|| format!("`{name}` has no `type`"))?;
    let size = value.get("size").and_then(Value::as_u64).and_then(|size| u16::try_from(size).ok());
    let size = size.filter(|size| *size > 0).ok_or_else(|| format!("`{name}` has no `size` in registers"))?;
    let (kind, registers) = kind(word).ok_or_else(|| format!("`{name}` has the unknown type `{word}`"))?;
    if registers.is_some_and(|registers| registers != size) {
        return Err(format!("`{name}` is a {word} and has a `size` of {size}"));
    }
    let scale = match value.get("sf") {
        None | Some(Value::Null) => Scale::One,
        Some(Value::String(name)) => Scale::Named(name.trim().to_owned()),
        Some(other) => {
            let power = other.as_i64().filter(|power| (-10..=10).contains(power));
            Scale::Fixed(
                power.ok_or_else(|| format!("`sf` of `{name}` is no power of ten from -10 to 10"))? as i8
            )
        }
    };
    Ok(DefinedPoint {
        name: name.to_owned(),
        label: text("label").unwrap_or_default().to_owned(),
        offset,
        size,
        kind,
        scale,
        unit: text("units").unwrap_or_default().to_owned(),
        mandatory: text("mandatory") == Some("M"),
    })
}

/// The kind a type's word stands for, with its size where the type has one.
fn kind(word: &str) -> Option<(Kind, Option<u16>)> {
    let number = |kind: Type| (Kind::Number(kind), Some(kind.registers()));
    let accumulator = |kind: Type| (Kind::Accumulator(kind), Some(kind.registers()));
    let flags = |kind: Type| (Kind::Flags(kind), Some(kind.registers()));
    Some(match word {
        "int16" => number(Type::I16),
        "uint16" | "raw16" | "count" => number(Type::U16),
        "int32" => number(Type::I32),
        "uint32" => number(Type::U32),
        "int64" => number(Type::I64),
        "uint64" => number(Type::U64),
        "float32" => number(Type::F32),
        "float64" => number(Type::F64),
        "acc16" => accumulator(Type::U16),
        "acc32" => accumulator(Type::U32),
        "acc64" => accumulator(Type::U64),
        "enum16" | "bitfield16" => flags(Type::U16),
        "enum32" | "bitfield32" => flags(Type::U32),
        "bitfield64" => flags(Type::U64),
        "sunssf" => (Kind::Exponent, Some(1)),
        "string" => (Kind::Text, None),
        "pad" | "ipaddr" | "ipv6addr" | "eui48" => (Kind::Other, None),
        _ => return None,
    })
}

/// The raw value, as the unsigned number in the registers, that means 'not implemented' (facts 3.3, from the published
/// package). A float has none here: every float that is no number is absent anyway.
pub const fn not_implemented(kind: Kind) -> Option<u64> {
    match kind {
        Kind::Accumulator(_) => Some(0),
        Kind::Exponent => Some(0x8000),
        Kind::Number(kind) | Kind::Flags(kind) => match kind {
            Type::I16 => Some(0x8000),
            Type::U16 => Some(0xFFFF),
            Type::I32 => Some(0x8000_0000),
            Type::U32 => Some(0xFFFF_FFFF),
            Type::I64 => Some(0x8000_0000_0000_0000),
            Type::U64 => Some(u64::MAX),
            _ => None,
        },
        Kind::Text | Kind::Other => None,
    }
}
