//! engines
