//! What a meter answers: functions 3, 4 and 43/14, and exceptions 1, 2 and 3 (MODBUS Application Protocol V1.1b3, 6.3, 6.4,
//! 6.21 and 7). Any other function gets exception 1, so nothing can be written.

use super::meter::SimMeter;
use crate::profile::Table;

const ILLEGAL_FUNCTION: u8 = 1;
const ILLEGAL_ADDRESS: u8 = 2;
const ILLEGAL_VALUE: u8 = 3;

/// The answer to a question, both as function code and data.
pub fn answer(meter: &SimMeter, pdu: &[u8]) -> Vec<u8> {
    let function = pdu.first().copied().unwrap_or(0);
    let outcome = match function {
        3 => registers(meter, Table::Holding, pdu),
        4 => registers(meter, Table::Input, pdu),
        43 => identification(meter, pdu),
        _ => Err(ILLEGAL_FUNCTION),
    };
    outcome.unwrap_or_else(|code| vec![function | 0x80, code])
}

fn registers(meter: &SimMeter, table: Table, pdu: &[u8]) -> Result<Vec<u8>, u8> {
    let &[function, high, low, count_high, count_low] = pdu else { return Err(ILLEGAL_VALUE) };
    let first = u16::from_be_bytes([high, low]);
    let count = u16::from_be_bytes([count_high, count_low]);
    let read = meter.profile().read;
    if count == 0 || count > read.max_registers.min(125) {
        return Err(ILLEGAL_VALUE);
    }
    let reach = meter.image.reach(table).ok_or(ILLEGAL_ADDRESS)?;
    let mut bytes = vec![function, (2 * count) as u8];
    for place in 0..count {
        let address = first.checked_add(place).ok_or(ILLEGAL_ADDRESS)?;
        // a meter that lets a question span addresses without a meaning fills them with 0
        let gap = (read.span_unlisted && (reach.0..=reach.1).contains(&address)).then_some(0);
        let word = meter.image.word(table, address).or(gap).ok_or(ILLEGAL_ADDRESS)?;
        bytes.extend(word.to_be_bytes());
    }
    Ok(bytes)
}

/// Read device identification: the three basic objects, as a stream or one by one.
fn identification(meter: &SimMeter, pdu: &[u8]) -> Result<Vec<u8>, u8> {
    let &[function, 0x0E, code, object] = pdu else { return Err(ILLEGAL_FUNCTION) };
    let name: String = meter.profile().name.chars().filter(char::is_ascii).take(60).collect();
    let objects = [b"Simulated".to_vec(), name.into_bytes(), b"1.0".to_vec()];
    let known = usize::from(object) < objects.len();
    let chosen = match code {
        // an unknown object starts the stream again, and is refused when asked for by itself
        1..=3 => usize::from(if known { object } else { 0 })..objects.len(),
        4 if known => usize::from(object)..usize::from(object) + 1,
        4 => return Err(ILLEGAL_ADDRESS),
        _ => return Err(ILLEGAL_VALUE),
    };
    let mut bytes = vec![function, 0x0E, code, 0x81, 0, 0, chosen.len() as u8];
    for number in chosen {
        let text = objects.get(number).map_or(&[][..], Vec::as_slice);
        bytes.extend([number as u8, text.len() as u8]);
        bytes.extend(text);
    }
    Ok(bytes)
}
