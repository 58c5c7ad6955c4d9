//! Floor 1: bytes and frames of Modbus, pure.
