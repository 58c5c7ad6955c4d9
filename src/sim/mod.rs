//! Floor 9: the simulated world. Shares no decoding code with the checks.
