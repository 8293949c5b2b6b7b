//! convert
