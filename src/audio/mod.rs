//! audio
