//! Faults as a person sees them.

use super::*;

const OUT: Out = Out {
    json: false,
    part: false,
    quiet: false,
    colour: false,
    colour_on_error: false,
    live: false,
    width: 99,
};

#[test]
fn a_fault_is_underlined_where_it_stands() {
    let text = "[line]\nbaud = 9600\nparity = \"nome\"\n";
    let mut bag = Faults::new("meter.toml", text);
    bag.error(28..34, "`nome` is no parity known here", "did you mean `none`?");
    let expected = "error: `nome` is no parity known here\n \
                    --> meter.toml:3:10\n  |\n3 | parity = \"nome\"\n  |          ^^^^^^\n  |\n  = mend: did you mean `none`?";
    assert_eq!(faults(&bag, &OUT), expected);
}

#[test]
fn spans_past_the_end_or_inside_a_character_do_not_upset_it() {
    for text in ["", "\n", "a = 1", "# ° ohm\r\n\tx = \"é\"", "\u{feff}x = 1\n"] {
        for start in 0..text.len() + 2 {
            for end in start..text.len() + 3 {
                let mut bag = Faults::new("f", text);
                bag.error(start..end, "wrong", "right");
                assert!(faults(&bag, &OUT).contains("wrong"));
            }
        }
    }
}

#[test]
fn long_words_of_advice_are_cut_into_lines_that_fit() {
    let mut bag = Faults::new("f", "a = 1\n");
    bag.error(0..1, "wrong ".repeat(40), "right ".repeat(60));
    assert!(faults(&bag, &OUT).lines().all(|line| line.chars().count() <= OUT.width));
}

#[test]
fn a_failure_is_broken_between_words_on_a_terminal_and_whole_for_a_program() {
    let failure = Failure::usage("word ".repeat(40)).hint("advice ".repeat(40));
    let terminal = Out { live: true, width: 80, ..OUT };
    let shown = super::failure(&failure, &terminal);
    assert!(shown.lines().all(|line| line.chars().count() < 80), "{shown}");
    assert!(shown.lines().all(|line| !line.contains("wor ")), "{shown}");
    assert_eq!(super::failure(&failure, &OUT).lines().count(), 2);
}

proptest::proptest! {
    #[test]
    fn any_text_and_any_place_can_be_shown(text in "(?s).{0,60}", start in 0_usize..80, length in 0_usize..40) {
        let mut bag = Faults::new("f", text);
        bag.error(start..start + length, "wrong", "right");
        let shown = faults(&bag, &OUT);
        proptest::prop_assert!(shown.contains("wrong") && shown.contains("right"));
    }
}
