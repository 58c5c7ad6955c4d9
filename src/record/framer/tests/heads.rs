//! Frames of which the first bytes are another whole frame, good CRC and all.

use super::*;

#[test]
fn an_answer_whose_first_bytes_make_a_question_by_chance_is_an_answer() {
    let tricky = [0x02, 0x03, 0x04, 0x02, 0x00, 0x33, 0xA5, 0x1C, 0x00];
    assert!(rtu::check(&tricky).is_some() && rtu::check(&tricky[..8]).is_some());
    let question = rtu::encode(2, &[3, 0, 16, 0, 2]);
    let heard = [&question[..], &[2, 3, 4, 0, 1, 0, 2], &question, &tricky].concat();
    let records = frame_all(Medium::Serial, &[chunk(0, Direction::In, &heard)]);
    assert_eq!(told(&records[records.len() - 1..]), ["0 In Response 9"]);
    // and a question that could be the start of the answer due is a question
    let like_it = rtu::encode(2, &[3, 4, 2, 0, 1]);
    let own = rtu::encode(2, &[3, 2, 0, 9]);
    for last in [&own[..], &question, &[]] {
        // (the first two vouch for each other)
        let heard = [&question[..], &question, &like_it, last].concat();
        let records = frame_all(Medium::Serial, &[chunk(0, Direction::In, &heard)]);
        assert!(records.iter().all(|record| matches!(record, Record::Frame(_))), "{records:?}");
        assert_eq!(records.len(), if last.is_empty() { 3 } else { 4 });
    }
}

#[test]
fn a_question_whose_first_bytes_make_an_answer_is_a_question() {
    // found by trying all places at 0x02..: the first seven bytes are a whole answer of one register
    let tricky = (0..=255u8)
        .flat_map(|low| (1..=125u8).map(move |count| rtu::encode(4, &[3, 2, low, 0, count])))
        .find(|frame| rtu::check(&frame[..7]).is_some())
        .unwrap();
    let reply = rtu::encode(4, &[&[3, 2 * tricky[5]][..], &vec![1; 2 * usize::from(tricky[5])]].concat());
    let usual = [rtu::encode(4, &[3, 0, 16, 0, 2]), rtu::encode(4, &[3, 4, 0, 1, 0, 2])].concat();
    let heard = [&usual[..], &tricky, &reply, &tricky, &reply].concat();
    for cut in 1..heard.len() {
        let chunks = [chunk(0, Direction::In, &heard[..cut]), chunk(0, Direction::In, &heard[cut..])];
        let roles: Vec<String> = told(&frame_all(Medium::Serial, &chunks));
        let due = ["Request 8", "Response 9"].map(|word| format!("0 In {word}"));
        assert_eq!(roles[..2], due);
        let due =
            ["Request 8".to_owned(), format!("Response {}", reply.len())].map(|word| format!("0 In {word}"));
        assert_eq!(roles[2..4], due);
        assert_eq!(roles[4..], due);
    }
    let ours = frame_all(
        Medium::Serial,
        &[chunk(0, Direction::Out, &usual[..8]), chunk(1, Direction::Out, &tricky)],
    );
    assert_eq!(told(&ours), ["0 Out Request 8", "1 Out Request 8"]);
}

#[test]
fn an_answer_nobody_asked_for_is_no_question_though_its_head_reads_as_one() {
    // as in a passive capture where the question came spoilt
    let question = rtu::encode(2, &[3, 0, 16, 0, 2]);
    let answer = [0x02, 0x03, 0x04, 0x00, 0x00, 0x0C, 0x44, 0xCC, 0x00];
    let usual = [&question[..], &rtu::encode(2, &[3, 4, 0, 1, 0, 2])].concat();
    let mut spoilt = question.clone();
    spoilt[3] ^= 1;
    let heard = [&usual[..], &spoilt, &answer, &usual].concat();
    let records = frame_all(Medium::Serial, &[chunk(0, Direction::In, &heard)]);
    assert_eq!(told(&records)[2..4], ["0 In Noise 8", "0 In Response 9"]);
}

#[test]
fn an_answer_whose_first_eight_bytes_read_as_a_question_is_the_answer() {
    // From a capture of an independent writer: data 00 00 0C 44, and 44 is the low byte of the CRC over the six before.
    let question = [0x02, 0x03, 0x23, 0x8C, 0x00, 0x02, 0x0E, 0x57];
    let answer = [0x02, 0x03, 0x04, 0x00, 0x00, 0x0C, 0x44, 0xCC, 0x00];
    for asked_by in [Direction::Out, Direction::In] {
        let usual = rtu::encode(2, &[3, 4, 0, 0, 0x0C, 0x46]);
        let chunks = [
            chunk(0, asked_by, &question),
            chunk(30, Direction::In, &usual),
            chunk(700, asked_by, &question),
            chunk(730, Direction::In, &answer),
        ];
        let told = told(&frame_all(Medium::Serial, &chunks));
        assert_eq!(told[2..], [format!("700 {asked_by:?} Request 8"), "730 In Response 9".to_owned()]);
    }
}
