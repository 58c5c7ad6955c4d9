//! The priors against the manual, and as a whole.

use super::*;

/// The manual's table, line by line, from the figures in use.
#[test]
fn the_manual_states_the_priors_in_use() {
    let rows = [
        format!(
            "CT on its own conductor alone; another; none; several | {ON_OWN}; {ON_OTHER}; {ON_NONE}; {ON_SEVERAL}"
        ),
        format!("reversed | {REVERSED}"),
        format!("voltage lead elsewhere | {LEAD_ELSEWHERE}"),
        format!("wrong ratio (evenly in its logarithm over a factor of {RATIO_RANGE}) | {RATIO_WRONG}"),
        format!("none of these | {STRANGE}"),
        format!("rotation L1, L3, L2 | {BACKWARDS}"),
        format!("a socket not on its marked phase; sockets exchanged | {LABEL_WRONG}; {LABELS_EXCHANGED}"),
        format!(
            "a voltage lead that did not fall with its line's load; that fell with another's | times {NO_DIP}; times {DIP_ELSEWHERE}"
        ),
    ];
    let manual = include_str!("../../../../docs/ct.md");
    for row in rows {
        assert!(manual.contains(&format!("| {row} |")), "docs/ct.md lacks the row\n| {row} |");
    }
    assert!((ON_OWN + ON_OTHER + ON_NONE + ON_SEVERAL - 1.0).abs() < 1e-12);
}

/// In a split phase as with three lines, the connections' priors sum to one.
#[test]
fn the_connections_of_a_channel_share_one() {
    for lines in [2, 3] {
        for own in 0..lines {
            let sum = connections(lines, own, false).iter().fold(0.0, |sum, (_, prior)| sum + prior);
            assert!((sum - 1.0).abs() < 1e-12, "{lines} {own}: {sum}");
        }
    }
}
