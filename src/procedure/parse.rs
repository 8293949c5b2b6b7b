//! Reads a procedure from TOML and checks it.
