//! Finds the libraries and models that `models/setup.sh` fetched.

/// A library or model that was not found.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what} is missing: run `models/setup.sh` in the project's folder")]
pub struct Missing {
    pub what: String,
}
