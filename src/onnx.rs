//! ONNX Runtime, the library that runs the larger networks: loaded once, when one of them is first wanted.
//!
//! Owns the loading and how a session is set up. Must not know what a network is for.

use crate::models::{self, Asset, Missing};
use ort::environment::Environment;
use ort::session::builder::GraphOptimizationLevel;
use ort::session::Session;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// Why a network can't be run.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OnnxError {
    #[error("{0}")]
    Missing(#[from] Missing),
    /// The library is there and can't be loaded: it is damaged, or for another machine.
    #[error("can't load {path}: {why}")]
    Library { path: String, why: String },
    /// The library refuses the network, or failed while running it.
    #[error("{0}")]
    Failed(String),
}

impl From<ort::Error> for OnnxError {
    fn from(error: ort::Error) -> OnnxError {
        OnnxError::Failed(error.to_string())
    }
}

/// A network from its bytes (an ONNX model), run by so many threads, at least one.
pub fn session(model: &[u8], threads: usize) -> Result<Session, OnnxError> {
    builder(threads)?.commit_from_memory(model).map_err(failed)
}

/// A network from its file.
pub fn session_of(file: &Path, threads: usize) -> Result<Session, OnnxError> {
    builder(threads)?.commit_from_file(file).map_err(failed)
}

fn builder(threads: usize) -> Result<ort::session::builder::SessionBuilder, OnnxError> {
    let environment = loaded()?;
    // A thread that waits must not keep a core busy: the other ear and the sound need it.
    let built = Session::builder(environment)
        .and_then(|builder| Ok(builder.with_optimization_level(GraphOptimizationLevel::Level3)?))
        .and_then(|builder| Ok(builder.with_intra_threads(threads.max(1))?))
        .and_then(|builder| Ok(builder.with_config_entry("session.intra_op.allow_spinning", "0")?));
    built.map_err(failed)
}

fn failed(error: impl std::fmt::Display) -> OnnxError {
    OnnxError::Failed(error.to_string())
}

/// Loads the library unless it is loaded already; the first outcome stands for good.
fn loaded() -> Result<&'static Environment, OnnxError> {
    static LOADED: OnceLock<Result<Environment, OnnxError>> = OnceLock::new();
    LOADED.get_or_init(load).as_ref().map_err(OnnxError::clone)
}

fn load() -> Result<Environment, OnnxError> {
    let path: PathBuf = models::find(Asset::OnnxLibrary)?;
    let environment = ort::init_from(&path)
        .map_err(|error| OnnxError::Library { path: path.display().to_string(), why: error.to_string() })?;
    Ok(environment.with_name("antiphon").with_telemetry(false).build()?)
}
