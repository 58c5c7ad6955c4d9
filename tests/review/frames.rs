//! A meter's frames over hours, written as captures: questions and answers once a second, with the faults a line has.

use wattward::base::{Span, Stamp};
use wattward::record::{
    CaptureWriter, Direction, Frame, LineInfo, Mark, MarkKind, Medium, Record, Role, Stray, StrayWhy,
};

use crate::crc::rtu;

pub(crate) const START: i64 = 1_780_000_123_400_000_000;

pub(crate) const PROFILE: &str = "[defaults]\npositive = \"import\"\ntype = \"i32\"\n\
    [points.voltage]\neach = { address = 0, stride = 2, scale = 0.1 }\n\
    [points.current]\neach = { address = 6, stride = 2, scale = 0.001 }\n\
    [points.active_power]\neach = { address = 12, stride = 2, signed = true }\ntotal = { address = 18, signed = true }\n\
    [points.energy_import]\ntotal = { address = 20, type = \"u32\", unit = \"Wh\" }\n\
    [points.energy_export]\ntotal = { address = 22, type = \"u32\", unit = \"Wh\" }\n";

pub(crate) const SITE: &str = "[site]\nname = \"Malt loft\"\nphases = 3\ntime_zone = \"Europe/London\"\n\
    [[meter]]\nname = \"connection\"\nrole = \"reference\"\nprofile = \"meter.toml\"\nline = { serial = \"/dev/ttyX\" }\nclass = \"1\"\n\
    [[plant]]\nname = \"roof\"\nrated_W = 8000\n[[limit.rule]]\nexport_W = 0\nlongest_s = 5.0\n";

pub(crate) fn line() -> LineInfo {
    LineInfo { name: "/dev/ttyX".into(), medium: Medium::Serial, baud: Some(9600), tells_errors: true }
}

pub(crate) fn at(millis: i64) -> Stamp {
    Stamp::from_nanos(START) + Span::from_millis(millis)
}

/// Numbers that look random and are the same everywhere (a linear congruence, Knuth's MMIX constants).
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    pub(crate) fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }
}

fn frame(millis: i64, role: Role, pdu: &[u8]) -> Record {
    let direction = if role == Role::Request { Direction::Out } else { Direction::In };
    let bytes = rtu(&[&[1], pdu].concat());
    Record::Frame(Frame { line: 0, at: at(millis), direction, role, bytes, medium: Medium::Serial })
}

/// So many seconds of a house with sun: steps of loads, exports, a silence, damage, late answers, a counter reset.
pub(crate) fn log(seconds: i64) -> Vec<Record> {
    let mut dice = Dice(7);
    let mut records = Vec::new();
    let (mut load, mut import, mut export) = (800.0, 5000.0, 900.0);
    for second in 0..seconds {
        if dice.roll() < 0.02 {
            load = 300.0 + 3000.0 * dice.roll();
        }
        let sun = 1500.0 + 1500.0 * (1.0 - (second % 5000 - 2500).abs() as f64 / 2500.0);
        let house = match second {
            // A control that swings about the limit, 12 s a period.
            4000..4300 if second % 12 < 6 => 300.0,
            4000..4300 => -900.0,
            _ => load - sun,
        };
        let power = [house, 200.0, 120.0];
        let total: f64 = power.iter().sum();
        import += total.max(0.0) / 3600.0;
        export += (-total).max(0.0) / 3600.0;
        if second == 6100 {
            export = 3.0;
        }
        let millis = second * 1000;
        records.push(frame(millis, Role::Request, &[4, 0, 0, 0, 24]));
        let mut words: Vec<i32> = Vec::new();
        words.extend(power.iter().map(|power| (2310.0 - 0.004 * power + 3.0 * dice.roll()) as i32));
        words.extend(power.iter().map(|power| (power.abs() / 0.231) as i32));
        words.extend(power.iter().map(|power| *power as i32));
        words.extend([total as i32, import as i32, export as i32]);
        let mut pdu = vec![4, 48];
        pdu.extend(words.iter().flat_map(|word| word.to_be_bytes()));
        match second {
            2000..=2090 => {}
            _ if second % 977 == 5 => {
                let mut bytes = rtu(&[&[1], &pdu[..]].concat());
                bytes[9] ^= 0x40;
                let (why, direction) = (StrayWhy::Damaged, Direction::In);
                records.push(Record::Stray(Stray { line: 0, at: at(millis + 40), direction, bytes, why }));
            }
            _ => records.push(frame(millis + 40 + (second % 7), Role::Response, &pdu)),
        }
    }
    records
}

/// The log as so many captures, each complete on its own.
pub(crate) fn captures(records: &[Record], count: usize) -> Vec<Vec<u8>> {
    let each = records.len().div_ceil(count);
    let write = |records: &[Record]| {
        let mut writer = CaptureWriter::new(&[line()]);
        let mut bytes = writer.header().concat();
        let first = records[0].at();
        for (kind, message, text) in
            [(MarkKind::Site, "site file", SITE), (MarkKind::Profile, "profile meter.toml", PROFILE)]
        {
            let mut mark = Mark::new(first, kind, message);
            mark.text = Some(text.to_owned());
            bytes.extend(writer.record(&Record::Mark(Box::new(mark))).concat());
        }
        bytes.extend(records.iter().flat_map(|record| writer.record(record)).flatten());
        bytes
    };
    records.chunks(each).map(write).collect()
}
