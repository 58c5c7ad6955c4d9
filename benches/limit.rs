//! How long a limit check of a day takes from its capture: 24 hours read once a second, three phases and the total, two rules.
//! `cargo bench --bench limit`. The aim is 300 ms, from the bytes of the capture to the verdict. Time is the processor's, so
//! that other work on the machine does not count.

#![expect(clippy::expect_used, clippy::print_stdout, reason = "a bench prints, and may stop where it stands")]

use std::hint::black_box;

use rustix::time::{ClockId, clock_gettime};
use wattward::base::{Span, Stamp};
use wattward::check::limit::{LimitOptions, judge};
use wattward::pipeline::{Overrides, replay};
use wattward::record::{
    CaptureWriter, Direction, Frame, LineInfo, Mark, MarkKind, Medium, Record, Role, frame_all, read_capture,
};
use wattward::wire::crc;

const SECONDS: i64 = 86_400;
const START_NS: i64 = 1_780_000_000_000_000_000;

const METER: &str = r#"
[profile]
name = "Bench meter"
[read]
update_ms = 500
[defaults]
table = "input"
type = "f32"
positive = "import"
[points.active_power]
each = { address = 0, stride = 2, signed = true }
total = { address = 6, signed = true }
"#;

const SITE: &str = r#"
[site]
name = "Bench"
phases = 3
[[meter]]
name = "connection"
role = "reference"
profile = "meter.toml"
line = { serial = "/dev/bench" }
class = "1"
[[plant]]
name = "roof"
rated_W = 8000
[[load]]
name = "boiler"
power_W = 3000
[limit]
window_s = 86390
[[limit.rule]]
export_W = 0
longest_s = 5
[[limit.rule]]
export_W = 500
averaging_s = 60
longest_s = 0
"#;

/// The total in W at a second of the day: a steady margin with a little unrest, and every 50 s an excursion of three seconds.
fn power(second: i64) -> f64 {
    let unrest = f64::from((second.wrapping_mul(7919) % 23) as i32);
    if second % 50 < 3 { -1200.0 + unrest } else { 180.0 + unrest }
}

fn frame(at: Stamp, direction: Direction, role: Role, mut bytes: Vec<u8>) -> Record {
    let sum = crc::crc16(&bytes);
    bytes.extend(sum.to_le_bytes());
    Record::Frame(Frame { line: 0, at, direction, role, bytes, medium: Medium::Serial })
}

fn capture() -> Vec<u8> {
    let line =
        LineInfo { name: "/dev/bench".into(), medium: Medium::Serial, baud: Some(9600), tells_errors: true };
    let mut writer = CaptureWriter::new(&[line]);
    let mut bytes: Vec<u8> = writer.header().concat();
    let stamp = |millis: i64| Stamp::from_nanos(START_NS) + Span::from_millis(millis);
    let mut put = |record: &Record| bytes.extend(writer.record(record).concat());
    let mark = |millis: i64, kind: MarkKind, text: Option<&str>| {
        let mut mark = Mark::new(stamp(millis), kind, kind.word());
        mark.text = text.map(str::to_owned);
        mark.meter = text.map(|_| "connection".to_owned()).filter(|_| kind == MarkKind::Profile);
        Record::Mark(Box::new(mark))
    };
    put(&mark(0, MarkKind::Site, Some(SITE)));
    put(&mark(0, MarkKind::Profile, Some(METER)));
    put(&mark(2500, MarkKind::WindowStart, None));
    for second in 0..SECONDS {
        let total = power(second) as f32;
        put(&frame(stamp(1000 * second), Direction::Out, Role::Request, vec![1, 4, 0, 0, 0, 8]));
        let mut answer = vec![1, 4, 16];
        for value in [total / 3.0, total / 3.0, total / 3.0, total] {
            answer.extend(value.to_be_bytes());
        }
        put(&frame(stamp(1000 * second + 40), Direction::In, Role::Response, answer));
        if second % 3600 == 1800 {
            for (late, kind) in [(700, MarkKind::LoadOn), (30_700, MarkKind::LoadOff)] {
                let Record::Mark(mut one) = mark(1000 * second + late, kind, None) else { continue };
                one.load = Some("boiler".into());
                put(&Record::Mark(one));
            }
        }
    }
    put(&mark(1000 * (SECONDS - 4), MarkKind::WindowEnd, None));
    bytes
}

/// Time this process has had of the processor, in ms.
fn used_ms() -> f64 {
    let time = clock_gettime(ClockId::ProcessCPUTime);
    time.tv_sec as f64 * 1e3 + time.tv_nsec as f64 / 1e6
}

fn main() {
    let bytes = capture();
    let mut times: Vec<[f64; 3]> = Vec::new();
    for _ in 0..11 {
        let start = used_ms();
        let records = {
            let capture = read_capture(black_box(&bytes)).expect("a capture");
            (capture.lines.clone(), frame_all(&capture))
        };
        let read = used_ms();
        let replayed = replay(&records.0, &records.1, &Overrides::default()).expect("a case");
        let replayed_at = used_ms();
        let finding = black_box(judge(&replayed.case, &LimitOptions::default()));
        let all = used_ms();
        assert_eq!(finding.body.rules.len(), 2);
        assert!(finding.body.rules[0].excursions.len() > 1700, "{}", finding.body.rules[0].excursions.len());
        times.push([read - start, replayed_at - read, all - replayed_at]);
    }
    times.sort_by(|a, b| a.iter().sum::<f64>().total_cmp(&b.iter().sum()));
    let whole = |one: &[f64; 3]| one.iter().sum::<f64>();
    let [read, replayed, judged] = times[5];
    println!(
        "24 h at 1 s, {:.1} MB: median {:.0} ms (read and framed {read:.0}, to readings {replayed:.0}, judged {judged:.0}), \
         best {:.0}, worst {:.0}",
        bytes.len() as f64 / 1e6,
        whole(&times[5]),
        whole(&times[0]),
        whole(&times[10])
    );
}
