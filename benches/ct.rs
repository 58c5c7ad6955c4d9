//! How long one check of a five-minute record takes: `cargo bench --bench ct`. The aim is 20 ms.

#![expect(
    clippy::panic,
    clippy::print_stdout,
    clippy::struct_excessive_bools,
    reason = "a bench prints, and shares the tests' scenes"
)]

use std::hint::black_box;
use std::time::Instant;

use wattward::check::ct::{CtOptions, judge};

#[path = "../tests/ct/meter.rs"]
#[expect(dead_code, reason = "the tests use more of it")]
mod meter;
#[path = "../tests/ct/random.rs"]
mod random;
#[path = "../tests/ct/scene.rs"]
#[expect(dead_code, reason = "the tests use more of it")]
mod scene;
#[path = "../tests/ct/world.rs"]
#[expect(dead_code, reason = "the tests use more of it")]
mod world;

#[expect(clippy::disallowed_methods, reason = "a bench measures time")]
fn main() {
    for (name, poll_s) in [("once a second", 1.0), ("five times a second", 0.2)] {
        let mut scene = scene::Scene::plain(7, 3, meter::Kind::PowerReactiveVoltage);
        (scene.meter.poll_s, scene.meter.update_s) = (poll_s, poll_s);
        let played = scene.play();
        let length = played.case.span.map_or(0.0, |(first, last)| (last - first).seconds());
        let mut times: Vec<f64> = (0..50)
            .map(|_| {
                let start = Instant::now();
                black_box(judge(black_box(&played.case), &CtOptions::default()));
                start.elapsed().as_secs_f64() * 1e3
            })
            .collect();
        times.sort_by(f64::total_cmp);
        println!(
            "three phases, {length:.0} s read {name}: median {:.2} ms, worst {:.2} ms",
            times[25], times[49]
        );
    }
}
