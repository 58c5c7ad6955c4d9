//! Against the phasor tables of three-phase metering (computed from V · conj(I), phase order L1 0°, L2 −120°, L3 +120°).

use super::*;

const THREE: Lines = Lines { count: 3, backwards: false };

fn near(found: Complex, expected: Complex) {
    assert!(
        (found.0 - expected.0).abs() < 5e-4 && (found.1 - expected.1).abs() < 5e-4,
        "found {found:?}, expected {expected:?}"
    );
}

#[test]
fn a_resistive_load_on_one_line_reads_as_the_table_of_swaps_says() {
    // Row: channel voltage; column: line the CT and the load are on.
    let (one, plus, minus) = ((1.0, 0.0), (-0.5, 0.866), (-0.5, -0.866));
    let table = [[one, plus, minus], [minus, one, plus], [plus, minus, one]];
    for (channel, row) in table.iter().enumerate() {
        for (line, expected) in row.iter().enumerate() {
            let placement = Placement::Line(Phase::LINES[line]);
            near(THREE.response(placement, (1.0, 0.0), channel, 1 << line), *expected);
            // A CT on another line than the load sees nothing.
            near(THREE.response(placement, (1.0, 0.0), channel, 1 << ((line + 1) % 3)), (0.0, 0.0));
            // The other rotation turns the sign of the reactive part only.
            let back = Lines { backwards: true, ..THREE };
            near(back.response(placement, (1.0, 0.0), channel, 1 << line), (expected.0, -expected.1));
        }
    }
}

#[test]
fn a_balanced_load_reads_as_the_table_of_faults_says() {
    // 3 VA, per phase 1 VA; columns: PF 1 active, PF 1 reactive, PF 0.8 lag active.
    let lag = (2.4, 1.8);
    let read =
        |channel: usize, line: usize, load| THREE.response(Placement::Balanced, load, channel, 1 << line);
    let cases = [
        ("none", [0, 1, 2], [1.0, 1.0, 1.0], [0.0; 3], [0.8, 0.8, 0.8]),
        ("1 and 2 swapped", [1, 0, 2], [-0.5, -0.5, 1.0], [0.866, -0.866, 0.0], [-0.920, 0.120, 0.8]),
        ("shifted", [1, 2, 0], [-0.5; 3], [0.866; 3], [-0.920; 3]),
        ("shifted back", [2, 0, 1], [-0.5; 3], [-0.866; 3], [0.120; 3]),
    ];
    for (name, lines, active, reactive, lagging) in cases {
        for channel in 0..3 {
            let at_one = read(channel, lines[channel], (3.0, 0.0));
            assert!((at_one.0 - active[channel]).abs() < 5e-4, "{name}");
            assert!((at_one.1 - reactive[channel]).abs() < 5e-4, "{name}");
            assert!((read(channel, lines[channel], lag).0 - lagging[channel]).abs() < 5e-4, "{name}");
        }
    }
}

#[test]
fn a_load_between_two_lines_is_shared_by_them_and_sums_to_itself() {
    // From I = S / (V1 − V2): each line sees S/√3 turned by ∓30°, the sum is S; split phase: one half each.
    let between = Placement::Between(Phase::L1L2);
    let first = THREE.response(between, (3.0_f64.sqrt(), 0.0), 0, 1);
    let second = THREE.response(between, (3.0_f64.sqrt(), 0.0), 1, 2);
    near(first, (0.866, -0.5));
    near(second, (0.866, 0.5));
    let split = Lines { count: 2, backwards: false };
    near(split.response(between, (2.0, 0.0), 0, 1), (1.0, 0.0));
    near(split.response(between, (2.0, 0.0), 1, 2), (1.0, 0.0));
    // On the other leg a CT reads its own line's load with the sign turned.
    near(split.response(Placement::Line(Phase::L2), (1.0, 0.0), 0, 2), (-1.0, 0.0));
}
