//! On logs with one planted cause the first cause is the planted one; on healthy ones nothing is found.

use crate::world::{Planted, Table, reviewed};

fn sweep(each: u64, healthy: u64, seed: u64) -> (f64, f64, Table) {
    let mut table = Table::new();
    let (mut right, mut quiet) = (0_u64, 0_u64);
    let count = Planted::ALL.len() as u64 * each;
    for place in 0..count + healthy {
        let planted = if place < count { Planted::ALL[(place % 10) as usize] } else { Planted::Nothing };
        let found = reviewed(seed + place, planted);
        let first = found.body.causes[0].cause;
        *table.entry(planted).or_default().entry(first.to_owned()).or_default() += 1;
        if first != planted.word() {
            let causes: Vec<(&str, f64)> =
                found.body.causes.iter().map(|cause| (cause.cause, cause.support)).collect();
            println!("seed {}: {planted:?} gave {causes:?}; {}", seed + place, found.headline);
        } else if planted == Planted::Nothing {
            quiet += 1;
        } else {
            right += 1;
        }
    }
    let share = |part: u64, whole: u64| part as f64 / (whole as f64).max(1.0);
    (share(right, count), share(quiet, healthy), table)
}

#[test]
fn a_planted_cause_comes_first_and_a_healthy_site_has_none() {
    let (right, quiet, table) = sweep(2, 4, 1000);
    assert!(right >= 0.95 && quiet >= 0.97, "{right} {quiet} {table:#?}");
}

/// The full sweep of docs/review.md: 300 planted, 100 healthy; some minutes, so only where it is asked for, on seeds that
/// nothing was tuned by: `WATTWARD_LOGS=400 cargo test --test review -- --nocapture`; `WATTWARD_SEED` begins it elsewhere.
#[test]
fn three_hundred_planted_and_a_hundred_healthy() {
    let Some(logs) = std::env::var_os("WATTWARD_LOGS") else { return };
    let number = |text: std::ffi::OsString| text.to_string_lossy().parse::<u64>().ok();
    let logs = number(logs).filter(|logs| *logs >= 40).expect("WATTWARD_LOGS is how many logs, 40 or more");
    let seed = std::env::var_os("WATTWARD_SEED").and_then(number).unwrap_or(40_000);
    let (right, quiet, table) = sweep(logs * 3 / 40, logs / 4, seed);
    println!("first cause right {right:.4}, nothing found {quiet:.4}\n{table:#?}");
    assert!(right >= 0.95 && quiet >= 0.97, "{right} {quiet}");
}
