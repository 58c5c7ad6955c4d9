//! How long the framer takes over bytes that give it as much to do as they can, as seconds on a processor for 50 MB and as a
//! ratio to a plain CRC over the same bytes in the same run: `cargo bench --no-default-features --bench framing`. The aim is
//! under a second for the worst.

#![expect(
    clippy::print_stdout,
    clippy::expect_used,
    clippy::disallowed_methods,
    reason = "a bench prints and measures"
)]

use std::hint::black_box;

use wattward::base::Stamp;
use wattward::record::{Chunk, Direction, Framer, Medium};
use wattward::wire::crc::crc16;

#[path = "../tests/common/worst.rs"]
mod worst;

const LENGTH: usize = 50_000_000;

/// Time this thread has spent on a processor, in seconds: a busy machine does not count. Asked of the kernel's files, so
/// that the pure core alone is enough to build this.
fn on_processor() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").expect("Linux counts it");
    text.split(' ').next().and_then(|ns| ns.parse::<f64>().ok()).expect("nanoseconds first") / 1e9
}

/// Seconds that the fastest of three rounds takes.
fn fastest(mut round: impl FnMut()) -> f64 {
    let rounds = (0..3).map(|_| {
        let start = on_processor();
        round();
        on_processor() - start
    });
    rounds.fold(f64::INFINITY, f64::min)
}

fn main() {
    for (name, bytes) in worst::cases(LENGTH) {
        let chunks: Vec<Chunk> = bytes
            .chunks(4096)
            .map(|bytes| Chunk {
                line: 0,
                at: Stamp::default(),
                direction: Direction::In,
                bytes: bytes.to_vec(),
                error: None,
            })
            .collect();
        let sum = fastest(|| {
            black_box(crc16(black_box(&bytes)));
        });
        let framing = fastest(|| {
            let mut framer = Framer::new(0, Medium::Serial, Some(9600));
            let mut records = Vec::new();
            for chunk in &chunks {
                framer.push(black_box(chunk), &mut records);
                records.clear();
            }
            framer.finish(&mut records);
        });
        println!("{name}: {framing:.2} s, {:.1} times the plain CRC ({sum:.2} s)", framing / sum);
    }
}
