//! A new profile from a few answers: every section with a line on what it is for, the points that were named, and what may
//! be added, as comments.

use std::fmt::Write as _;

use super::compose::{comment, line_section, quoted};
use super::parse::keys::phases_of;
use super::suggest::{list, nearest};
use super::{Order, Positive, SerialSettings, Table, Type};
use crate::base::{Phase, Quantity, Unit};

/// What a new profile is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct Skeleton {
    /// The meter's name.
    pub name: String,
    /// How the line is set.
    pub line: SerialSettings,
    /// The unit address.
    pub unit: u8,
    /// How many line conductors it measures: 1 to 3.
    pub phases: u8,
    /// How the list counts.
    pub counting: Listed,
    /// Where the points are, unless their numbers say it.
    pub table: Table,
    /// How most of them hold a number.
    pub kind: Type,
    /// Order of registers.
    pub word_order: Order,
    /// What a positive power means; nothing where no power was named.
    pub positive: Option<Positive>,
    /// The points named.
    pub points: Vec<Named>,
}

/// How a register list counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Listed {
    /// Addresses as on the wire, from 0.
    FromZero,
    /// Addresses counted from 1.
    FromOne,
    /// Five or six digits with the table in front: 30001, 400001.
    Numbers,
}

/// A point, or a quantity on all phases.
#[derive(Clone, Debug, PartialEq)]
pub struct Named {
    quantity: Quantity,
    places: Vec<(Phase, u32)>,
    /// The distance from phase to phase, where there is one line for all.
    stride: Option<u32>,
    kind: Option<Type>,
    unit: Option<&'static str>,
    scale: Option<f64>,
    /// Typed in hexadecimal, and written so.
    hexadecimal: bool,
}

impl Named {
    /// Whether it needs a word on its sign.
    pub fn needs_sign(&self) -> bool {
        self.quantity.needs_sign()
    }
}

impl Skeleton {
    /// Reads one point as it is typed: `voltage=530+2`, `active_power.total=610 kW x0.1 i32`, `current=530,534,538`.
    ///
    /// # Errors
    /// What is wrong with it, with the form to write.
    pub fn named(&self, text: &str) -> Result<Named, String> {
        let form = "write voltage=530+2 (the phases 2 apart), active_power.total=610 or energy_import=700 kWh x0.1 u32";
        let (name, rest) = text.split_once('=').ok_or_else(|| format!("`{text}` is no point: {form}"))?;
        let (word, phase) =
            name.trim().split_once('.').map_or((name.trim(), None), |(word, phase)| (word, Some(phase)));
        let quantity = Quantity::parse(word).ok_or_else(|| {
            let words = Quantity::ALL.map(Quantity::word);
            let near = nearest(word, words).map_or_else(|| list(words, "or"), |near| format!("`{near}`"));
            format!("`{word}` is no quantity: did you mean {near}?")
        })?;
        let mut words = rest.split_whitespace();
        let place = words.next().ok_or_else(|| format!("`{text}` has no address: {form}"))?;
        let (places, stride) = self.places(quantity, phase, place)?;
        let mut named =
            Named { quantity, places, stride, kind: None, unit: None, scale: None, hexadecimal: false };
        named.hexadecimal = place.contains(['x', 'X']);
        for word in words {
            if let Some(kind) = Type::ALL.into_iter().find(|kind| kind.word() == word) {
                named.kind = Some(kind);
            } else if let Some(scale) = word.strip_prefix(['x', '*']) {
                let scale = scale
                    .replace(',', ".")
                    .parse::<f64>()
                    .ok()
                    .filter(|scale| scale.is_finite() && *scale > 0.0);
                named.scale = Some(scale.ok_or_else(|| format!("`{word}` is no scale: write x0.1"))?);
            } else if let Some(unit) = Unit::parse(word).filter(|unit| unit.dimension == quantity.dimension())
            {
                named.unit = Some(unit.word);
            } else {
                let units = Unit::ALL.iter().filter(|unit| unit.dimension == quantity.dimension());
                return Err(format!(
                    "`{word}` is neither a unit of {quantity} ({}), nor a scale (x0.1), nor a type (u16, i32, f32 …)",
                    list(units.map(|unit| unit.word), "or")
                ));
            }
        }
        Ok(named)
    }

    /// The phases a point stands for, with their addresses.
    fn places(&self, quantity: Quantity, phase: Option<&str>, text: &str) -> Result<Where, String> {
        let lines = &Phase::LINES[..usize::from(self.phases.clamp(1, 3))];
        if let Some(word) = phase {
            let phase = phases_of(quantity).find(|phase| phase.word() == word).ok_or_else(|| {
                format!(
                    "{quantity} has no `{word}`: write {}",
                    list(phases_of(quantity).map(Phase::word), "or")
                )
            })?;
            return Ok((vec![(phase, number(text)?)], None));
        }
        if let Some((first, stride)) = text.split_once('+') {
            let (first, stride) = (number(first)?, number(stride)?);
            let last = first + stride * (lines.len() as u32 - 1);
            if last > 999_999 {
                return Err(format!("`{text}` leads beyond all addresses"));
            }
            let each = lines.iter().zip(0_u32..).map(|(line, place)| (*line, first + stride * place));
            return Ok((each.collect(), Some(stride).filter(|_| lines.len() == 3)));
        }
        let numbers: Vec<u32> = text.split(',').map(number).collect::<Result<_, _>>()?;
        match (numbers.as_slice(), quantity) {
            ([one], quantity) if quantity == Quantity::Frequency || quantity.is_counter() => {
                Ok((vec![(Phase::Total, *one)], None))
            }
            ([one], _) if lines.len() == 1 => Ok((vec![(Phase::L1, *one)], None)),
            ([one], _) => Err(format!(
                "{quantity} of which phase? write {quantity}.total={one}, {quantity}.L1={one}, or {quantity}={one}+2 for all \
                 phases 2 apart"
            )),
            (several, _) if several.len() == lines.len() => {
                Ok((lines.iter().copied().zip(several.iter().copied()).collect(), None))
            }
            (several, _) => Err(format!("{} addresses for {} phases", several.len(), lines.len())),
        }
    }

    /// The text of the profile. It passes every check that its points pass.
    pub fn text(&self) -> String {
        let mut text = comment(
            "Made by `wattward profile new`. Compare every line with the meter's register list, then: `wattward profile check` \
             says what can't be, `wattward profile check --line` whether the meter's values agree.",
        );
        let _ = write!(text, "\n[profile]\nname = {}\n", quoted(&self.name));
        text.push_str("notes = \"\"                     # where the register list comes from, its date\n");
        text.push_str(&line_section(Some(self.line), Some(self.unit)));
        text.push_str(READ);
        self.defaults(&mut text);
        self.sections(&mut text);
        text.push_str(MORE);
        text
    }

    fn defaults(&self, text: &mut String) {
        text.push_str("\n[defaults]                     # for every point that does not say otherwise\n");
        if self.counting == Listed::Numbers {
            text.push_str(&comment("the numbers of this list say the table: 3… input, 4… holding"));
        } else {
            let _ = writeln!(text, "table = \"{}\"", self.table.word());
            let first = u8::from(self.counting == Listed::FromOne);
            let _ = writeln!(text, "first = {first}                      # the list counts from {first}");
        }
        let _ = writeln!(text, "type = \"{}\"", self.kind.word());
        let order = if self.word_order == Order::HighFirst { "high-first" } else { "low-first" };
        let _ = writeln!(
            text,
            "word_order = \"{order}\"      # which half of a number in two registers comes first"
        );
        if let Some(positive) = self.positive {
            let (word, means) = match positive {
                Positive::Import => ("import", "draws from the grid"),
                Positive::Export => ("export", "feeds into it"),
            };
            let _ = writeln!(text, "positive = \"{word}\"           # a positive power: the site {means}");
        }
        text.push_str("# missing = [0x8000]           # raw values that mean: not available\n");
    }

    fn sections(&self, text: &mut String) {
        for quantity in Quantity::ALL {
            let mut own: Vec<&Named> =
                self.points.iter().filter(|named| named.quantity == quantity).collect();
            if own.is_empty() {
                continue;
            }
            own.sort_by_key(|named| named.places.first().map(|(phase, _)| *phase));
            let _ = write!(text, "\n[points.{quantity}]\n");
            let signed = quantity == Quantity::ActivePower;
            if signed {
                text.push_str(&comment(
                    "add `signed = true` to a power that you have seen below zero, so that a check need not see it itself",
                ));
            }
            for named in own {
                named.lines(text, self);
            }
        }
    }
}

/// Phases with their addresses, and the distance where one line says them all.
type Where = (Vec<(Phase, u32)>, Option<u32>);

impl Named {
    fn lines(&self, text: &mut String, skeleton: &Skeleton) {
        let key = if skeleton.counting == Listed::Numbers { "register" } else { "address" };
        let mut more = String::new();
        if let Some(kind) = self.kind.filter(|kind| *kind != skeleton.kind) {
            let _ = write!(more, ", type = \"{}\"", kind.word());
        }
        if let Some(unit) = self.unit.filter(|unit| *unit != self.quantity.dimension().base()) {
            let _ = write!(more, ", unit = \"{unit}\"");
        }
        if let Some(scale) = self.scale {
            let _ = write!(more, ", scale = {scale}");
        }
        let address = |address: u32| match (self.hexadecimal, skeleton.counting) {
            (true, Listed::FromZero | Listed::FromOne) => format!("0x{address:04X}"),
            _ => address.to_string(),
        };
        match (self.stride, self.places.first()) {
            (Some(stride), Some((_, first))) => {
                let _ = writeln!(text, "each = {{ {key} = {}, stride = {stride}{more} }}", address(*first));
            }
            _ => {
                for (phase, at) in &self.places {
                    let _ = writeln!(text, "{phase} = {{ {key} = {}{more} }}", address(*at));
                }
            }
        }
    }
}

fn number(text: &str) -> Result<u32, String> {
    let text = text.trim();
    let number = match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => u32::from_str_radix(digits, 16),
        None => text.parse(),
    };
    number
        .ok()
        .filter(|number| *number <= 999_999)
        .ok_or_else(|| format!("`{text}` is no address: write 530, 0x0212 or 30531, as the list has it"))
}

const READ: &str = "
[read]
# max_registers = 125          # in one request; less where the list says so
# span_unlisted = false        # where the meter refuses requests over addresses it does not have (exception 2)
# pause_ms = 0                 # rest between requests
# update_ms = 1000             # how often the meter renews its values: bears on what `limit` can tell
# averaging_ms = 0             # what it averages over before it reports
";

const MORE: &str = "
# More quantities, each under a heading of its own: reactive_power, apparent_power, power_factor, phase_angle,
# reactive_energy_import, reactive_energy_export. A meter with one unsigned register for each direction of power has
# [points.active_power_import] and [points.active_power_export], both. Everything else goes here and is logged as it is:
# [points.other]
# state_of_charge = { address = 300, type = \"u16\", unit = \"%\" }

# The meter's own settings, compared with the site file at the start and end of a check:
# [settings]
# ct_ratio = { address = 100, table = \"holding\", type = \"u16\" }
";

#[cfg(test)]
mod tests;
