//! speaker
