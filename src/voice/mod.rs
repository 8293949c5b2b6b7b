//! voice
