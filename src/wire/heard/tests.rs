//! Against the worked examples of MODBUS Application Protocol V1.1b3, section 6 (16, 22, 23, 24: from memory).

use super::*;
use proptest::prelude::*;

/// Question and answer of the examples, function by function.
const PAIRS: [(&[u8], &[u8]); 15] = [
    (&[1, 0, 0x13, 0, 0x13], &[1, 3, 0xCD, 0x6B, 5]),
    (&[2, 0, 0xC4, 0, 0x16], &[2, 3, 0xAC, 0xDB, 0x35]),
    (&[3, 0, 0x6B, 0, 3], &[3, 6, 2, 0x2B, 0, 0, 0, 0x64]),
    (&[4, 0, 8, 0, 1], &[4, 2, 0, 0x0A]),
    (&[5, 0, 0xAC, 0xFF, 0], &[5, 0, 0xAC, 0xFF, 0]),
    (&[6, 0, 1, 0, 3], &[6, 0, 1, 0, 3]),
    (&[7], &[7, 0x6D]),
    (&[8, 0, 0, 0xA5, 0x37], &[8, 0, 0, 0xA5, 0x37]),
    (&[11], &[11, 0xFF, 0xFF, 1, 8]),
    (&[12], &[12, 8, 0, 0, 1, 8, 1, 0x21, 0x20, 0]),
    (&[15, 0, 0x13, 0, 0x0A, 2, 0xCD, 1], &[15, 0, 0x13, 0, 0x0A]),
    (&[16, 0, 1, 0, 2, 4, 0, 0x0A, 1, 2], &[16, 0, 1, 0, 2]),
    (&[22, 0, 4, 0, 0xF2, 0, 0x25], &[22, 0, 4, 0, 0xF2, 0, 0x25]),
    (
        &[23, 0, 3, 0, 6, 0, 0x0E, 0, 3, 6, 0, 0xFF, 0, 0xFF, 0, 0xFF],
        &[23, 12, 0, 0xFE, 0x0A, 0xCD, 0, 1, 0, 3, 0, 0x0D, 0, 0xFF],
    ),
    (&[24, 4, 0xDE], &[24, 0, 6, 0, 2, 1, 0xB8, 0x12, 0x84]),
];

#[test]
fn the_standards_examples_have_their_length_and_fit_each_other_only() {
    for (i, (request, response)) in PAIRS.iter().enumerate() {
        assert_eq!(length(Part::Request, request), Exact(request.len()), "{request:02x?}");
        assert_eq!(length(Part::Response, response), Exact(response.len()), "{response:02x?}");
        assert!(consistent(Part::Request, request), "{request:02x?}");
        assert!(consistent(Part::Response, response), "{response:02x?}");
        for (j, (_, other)) in PAIRS.iter().enumerate() {
            assert_eq!(fits(request, other), i == j, "{request:02x?} {other:02x?}");
        }
    }
}

#[test]
fn an_exception_fits_the_function_it_belongs_to() {
    // V1.1b3 section 7: read coils at 1185, exception 2
    assert!(fits(&[1, 4, 0xA1, 0, 1], &[0x81, 2]));
    assert!(!fits(&[2, 4, 0xA1, 0, 1], &[0x81, 2]));
    assert!(is_exception(&[0x81, 2]));
    assert_eq!(exception_name(2), "illegal data address");
    assert_eq!(exception_name(0x0B), "gateway target failed to respond");
}

#[test]
fn an_answer_of_another_count_does_not_fit() {
    let request = [3, 0, 0, 0, 4];
    for registers in 0u8..=10 {
        let mut response = vec![3, 2 * registers];
        response.resize(2 + 2 * usize::from(registers), 0);
        assert_eq!(fits(&request, &response), registers == 4);
    }
    assert!(!fits(&request, &[3, 7, 0, 0, 0, 0, 0, 0, 0]));
}

#[test]
fn identification_answers_are_walked_by_their_length_bytes() {
    // 6.21: basic identification, three objects; lengths counted here, since the printed ones are misprinted
    let mut response = vec![0x2B, 0x0E, 1, 1, 0, 0, 3];
    for (id, text) in [(0u8, "Company identification"), (1, "Product code XX"), (2, "V2.11")] {
        response.extend_from_slice(&[id, text.len() as u8]);
        response.extend_from_slice(text.as_bytes());
    }
    assert_eq!(length(Part::Response, &response), Exact(response.len()));
    assert!(fits(&[0x2B, 0x0E, 1, 0], &response));
    assert!(!fits(&[0x2B, 0x0E, 2, 0], &response));
    let mut seen = 1;
    while let Need(more) = length(Part::Response, &response[..seen]) {
        assert!(more > seen);
        seen = more;
    }
    assert_eq!(length(Part::Response, &response[..seen]), Exact(response.len()));
}

#[test]
fn the_table_of_first_bytes_says_what_lengths_say() {
    for function in 0..=255u8 {
        let starts = |part| u8::from(length(part, &[function]) != Never);
        let due = starts(Part::Request) | starts(Part::Response) << 1;
        let starts = STARTS[usize::from(function)];
        assert_eq!(starts & 3, due, "{function}");
        let alone = match length(Part::Request, &[function]) {
            Exact(bytes) => bytes,
            Need(_) | Never => 0,
        };
        assert_eq!(usize::from(starts >> 2), alone, "{function}");
    }
}

proptest! {
    #[test]
    fn lengths_are_found_from_any_bytes_without_end_or_panic(bytes in proptest::collection::vec(any::<u8>(), 1..300)) {
        for part in [Part::Request, Part::Response] {
            let mut seen = 1;
            while let Need(more) = length(part, &bytes[..seen]) {
                prop_assert!(more > seen && more <= LONGEST);
                if more > bytes.len() {
                    break;
                }
                seen = more;
            }
            if let Exact(end) = length(part, &bytes[..seen]) {
                prop_assert!(end <= LONGEST);
                if let Some(pdu) = bytes.get(..end) {
                    consistent(part, pdu);
                    fits(pdu, pdu);
                    range(pdu);
                    answer_length(pdu);
                }
            }
        }
    }
}
