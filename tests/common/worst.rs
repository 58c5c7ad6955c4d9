//! Bytes that give a framer as much to do as they can; shared by the tests of framing and its benchmark.

use wattward::wire::rtu;

/// xorshift64*, so that a failure repeats.
pub(crate) struct Seed(u64);

impl Seed {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    pub(crate) fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 20) % limit
    }

    pub(crate) fn byte(&mut self) -> u8 {
        self.below(256) as u8
    }
}

/// Each with its name.
pub(crate) fn cases(length: usize) -> Vec<(&'static str, Vec<u8>)> {
    let mut seed = Seed::new(77);
    let question = rtu::encode(4, &[4, 4, 4, 0, 2]);
    let repeat = |pattern: &[u8]| pattern.iter().copied().cycle().take(length).collect::<Vec<u8>>();
    let with_question = |bytes: Vec<u8>| [question.repeat(3), bytes].concat();
    let mut spoilt = rtu::encode(4, &[4, 4, 1, 2, 3, 4]);
    spoilt[4] ^= 1;
    vec![
        ("random", (0..length).map(|_| seed.byte()).collect()),
        ("all 4, asked for what they look like", with_question(repeat(&[4]))),
        ("all 1", repeat(&[1])),
        ("heads of long frames", repeat(&[3, 3, 0xFA])),
        ("identification answers", repeat(&[1, 0x2B, 0x0E, 1, 1, 0, 0, 0x7F, 0, 0])),
        ("spoilt answers", with_question(repeat(&spoilt))),
        ("exceptions without end", with_question(repeat(&[4, 0x84, 2]))),
        ("questions of four bytes", repeat(&rtu::encode(1, &[7]))),
        (
            "good traffic",
            repeat(&[rtu::encode(1, &[4, 0, 8, 0, 1]), rtu::encode(1, &[4, 2, 0, 10])].concat()),
        ),
    ]
}
