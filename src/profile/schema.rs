//! JSON Schemas of the files a user writes, for editors that complete and check TOML: made from the parser's own tables of
//! keys. They know names, types, words and ranges; what one key means for another only `wattward profile check` knows.
//!
//! Draft 7 of JSON Schema (json-schema.org/draft-07), which editors understand best.

use serde_json::{Map, Value, json};

use super::parse::keys::{EACH, NOT_IN_SUM, ONE, PROFILE, phases_of};
use super::parse::shape::{Bound, Key, Keys, Need, Shape, all};
use super::parse::site_keys::SITE;
use crate::base::{Phase, Quantity, Unit};

/// The schema of a profile.
pub fn profile_schema() -> Value {
    let mut definitions = Map::new();
    for keys in [ONE, EACH] {
        let shared = all(keys).filter(|key| !matches!(key.shape, Shape::Unit));
        definitions.extend(shared.map(|key| (definition(key, keys), described(key))));
    }
    definitions.insert("point".to_owned(), point(None, ONE));
    for quantity in Quantity::ALL {
        definitions.insert(quantity.word().to_owned(), point(Some(quantity), ONE));
        definitions.insert(format!("each.{quantity}"), point(Some(quantity), EACH));
    }
    file("A meter's register map", PROFILE, definitions)
}

/// The schema of a site file.
pub fn site_schema() -> Value {
    file("A site to be checked", SITE, Map::new())
}

fn file(title: &str, keys: Keys, definitions: Map<String, Value>) -> Value {
    let mut schema = table(keys);
    schema["$schema"] = "http://json-schema.org/draft-07/schema#".into();
    schema["title"] = title.into();
    if !definitions.is_empty() {
        schema["definitions"] = definitions.into();
    }
    schema
}

/// Name of the definition of a point's key; a direction flag inside `each` is another than by itself.
fn definition(key: &Key, of: Keys) -> String {
    let each = key.name == "direction" && all(of).any(|key| key.name == "stride");
    format!("{}.{}", if each { "each" } else { "key" }, key.name)
}

fn described(key: &Key) -> Value {
    let mut schema = shape(key.shape);
    schema["description"] = key.about.into();
    if let (Shape::Tables(_), Need::Must) = (key.shape, key.need) {
        schema["minItems"] = 1.into();
    }
    schema
}

/// A table: its keys and no others, those that must be there, and of some exactly one.
fn table(keys: Keys) -> Value {
    let properties: Map<String, Value> = all(keys).map(|key| (key.name.to_owned(), described(key))).collect();
    closed(keys, &properties)
}

fn closed(keys: Keys, properties: &Map<String, Value>) -> Value {
    let named = |need: Need| all(keys).filter(move |key| key.need == need).map(|key| key.name);
    let mut schema = json!({ "type": "object", "properties": properties, "additionalProperties": false });
    let must: Vec<&str> = named(Need::Must).collect();
    if !must.is_empty() {
        schema["required"] = must.into();
    }
    let choices: Vec<Value> = named(Need::OneOf).map(|name| json!({ "required": [name] })).collect();
    if !choices.is_empty() {
        schema["oneOf"] = choices.into();
    }
    schema
}

/// One point of a quantity; without one a point under a name of the user's own.
fn point(quantity: Option<Quantity>, keys: Keys) -> Value {
    let fits = |key: &Key| {
        key.only
            .is_none_or(|only| quantity.map_or(only.named, |quantity| only.quantities.contains(&quantity)))
    };
    let property = |key: &Key| match (key.shape, quantity) {
        (Shape::Unit, None) => json!({ "type": "string", "pattern": FILLED, "description": key.about }),
        (Shape::Unit, Some(quantity)) => {
            let same = |unit: &&Unit| unit.dimension == quantity.dimension();
            let words: Vec<&str> = Unit::ALL.iter().filter(same).map(|unit| unit.word).collect();
            json!({ "enum": words, "description": key.about })
        }
        _ => reference(&definition(key, keys)),
    };
    let properties =
        all(keys).filter(|key| fits(key)).map(|key| (key.name.to_owned(), property(key))).collect();
    let mut schema = closed(keys, &properties);
    if all(keys).any(|key| key.name == "sum") {
        let barred: Vec<Value> =
            all(NOT_IN_SUM).filter(|key| fits(key)).map(|key| json!({ "required": [key.name] })).collect();
        schema["dependencies"] = json!({ "sum": { "not": { "anyOf": barred } } });
    }
    schema
}

fn reference(definition: &str) -> Value {
    json!({ "$ref": format!("#/definitions/{definition}") })
}

/// Text with something in it.
const FILLED: &str = r"\S";

fn shape(shape: Shape) -> Value {
    match shape {
        Shape::Text => json!({ "type": "string", "pattern": FILLED }),
        // The words of a unit depend on the quantity: `point` has them.
        Shape::Blank | Shape::Date | Shape::Unit => json!({ "type": "string" }),
        Shape::Flag => json!({ "type": "boolean" }),
        Shape::Whole(low, high) => json!({ "type": "integer", "minimum": low, "maximum": high }),
        Shape::Number(bound) => number(bound),
        Shape::Word(words) => json!({ "enum": words() }),
        Shape::List(item, least, most) => list(*item, least, most),
        Shape::Either(shapes) => {
            let choices: Vec<Value> = shapes.iter().map(|one| self::shape(*one)).collect();
            json!({ "anyOf": choices })
        }
        Shape::Table(keys) => table(keys),
        Shape::Tables(keys) => json!({ "type": "array", "items": table(keys) }),
        Shape::Raw => json!({ "anyOf": [
            { "type": "integer", "minimum": 0, "maximum": u64::MAX },
            { "type": "string", "pattern": r"^\s*(0[xX][0-9A-Fa-f_]+|[0-9_]+)\s*$" },
        ] }),
        Shape::Register => {
            let ranges = [(30001, 39999), (40001, 49999), (300_001, 365_536), (400_001, 465_536)];
            let ranges = ranges.map(|(low, high)| self::shape(Shape::Whole(low, high)));
            json!({ "anyOf": ranges })
        }
        Shape::Point => {
            let any = |words: Vec<&str>| words.join("|");
            let quantities = any(Quantity::ALL.iter().map(|quantity| quantity.word()).collect());
            let phases = any(Phase::ALL.iter().map(|phase| phase.word()).collect());
            json!({ "type": "string", "pattern": format!(r"^(({quantities})\.({phases})|(other|settings)\..*)$") })
        }
        Shape::Points => points(),
        Shape::Named => json!({ "type": "object", "additionalProperties": reference("point") }),
    }
}

fn list(item: Shape, least: usize, most: usize) -> Value {
    let mut schema = json!({ "type": "array", "items": shape(item) });
    if least > 0 {
        schema["minItems"] = least.into();
    }
    if most < usize::MAX {
        schema["maxItems"] = most.into();
    }
    if matches!(item, Shape::Word(_) | Shape::Point) {
        schema["uniqueItems"] = true.into();
    }
    schema
}

fn number(bound: Bound) -> Value {
    let mut schema = json!({ "type": "number" });
    let limits: &[(&str, f64)] = match bound {
        Bound::Finite => &[],
        Bound::Positive => &[("exclusiveMinimum", 0.0)],
        Bound::NotNegative => &[("minimum", 0.0)],
        Bound::Within(low, high) => &[("minimum", low), ("maximum", high)],
        Bound::Over(low, high) => &[("exclusiveMinimum", low), ("maximum", high)],
        Bound::Under(low, high) => &[("minimum", low), ("exclusiveMaximum", high)],
    };
    for (word, limit) in limits {
        schema[*word] = (*limit).into();
    }
    schema
}

/// `[points]`: under each quantity its phases, and `each` for L1 to L3.
fn points() -> Value {
    let mut quantities = Map::new();
    for quantity in Quantity::ALL {
        let mut phases: Map<String, Value> =
            phases_of(quantity).map(|phase| (phase.word().to_owned(), reference(quantity.word()))).collect();
        phases.insert("each".to_owned(), reference(&format!("each.{quantity}")));
        let table = json!({
            "type": "object", "properties": phases, "additionalProperties": false, "minProperties": 1,
        });
        quantities.insert(quantity.word().to_owned(), table);
    }
    quantities.insert("other".to_owned(), shape(Shape::Named));
    json!({ "type": "object", "properties": quantities, "additionalProperties": false, "minProperties": 1 })
}
