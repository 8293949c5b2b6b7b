//! The rules of moving on.
