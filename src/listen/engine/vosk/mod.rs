//! The vosk engine.
