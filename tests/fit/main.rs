//! Register maps found from what instruments show: made-up meters on the simulated site, types, orders, scales, places and
//! decoys from a seed, three snapshots with instruments that are up to 1 % off. What counts as right is what the map says,
//! now and in ten more states of the site. The figures of the whole run stand in docs/profile.md.

#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may stop where it stands"
)]

use wattward::reading::fit;

mod layouts;
mod trial;

use trial::{ASKED, Trial};

/// Quantities right, points above 0.9, wrong ones among them.
fn run(numbers: std::ops::Range<u64>) -> ([usize; 3], usize, usize) {
    let mut right = [0; 3];
    let (mut believed, mut deceived) = (0, 0);
    for number in numbers {
        let trial = Trial::new(number);
        assert_eq!(trial.faults(), Vec::<String>::new(), "layout {number}: {:?}", trial.draft);
        for (count, key) in right.iter_mut().zip(ASKED) {
            let found = trial.right(key);
            *count += usize::from(found);
            if !found {
                println!("layout {number}: {key} is not right\n{}", trial.layout.text);
            }
        }
        believed += trial.points.iter().filter(|(_, confidence, _)| *confidence > 0.9).count();
        let wrong = trial.deceived();
        if !wrong.is_empty() {
            println!("layout {number}: believed and wrong {wrong:?}\n{}", trial.layout.text);
        }
        deceived += wrong.len();
    }
    (right, believed, deceived)
}

/// The acceptance: 95 % right, at most 1 % of what is believed above 0.9 wrong.
#[test]
fn of_three_hundred_made_up_meters_95_percent_are_found_and_next_to_none_is_believed_wrongly() {
    let (right, believed, deceived) = run(1000..1300);
    println!("right {right:?} of 300, {deceived} of {believed} believed wrongly");
    assert!(right.iter().all(|count| *count >= 285), "{right:?}");
    assert!(believed > 1500 && deceived * 100 <= believed, "{deceived} of {believed}");
}
