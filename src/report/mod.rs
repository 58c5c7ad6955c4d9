//! Floor 8: documents and text for people.
