//! mic
