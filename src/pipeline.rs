//! Floor 9: joins the floors. Records in, a case out; no I/O.
