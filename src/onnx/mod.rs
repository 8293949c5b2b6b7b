//! ONNX Runtime, the library that runs the larger networks: loaded once, when one of them is first wanted.
//!
//! Owns the loading and how a session is set up. Must not know what a network is for.

pub mod model;

use crate::failure::{ExitCode, Failure};
use crate::models::{self, Asset, Missing};
use ort::environment::Environment;
use ort::session::builder::{GraphOptimizationLevel, SessionBuilder};
use ort::session::Session;
use std::path::Path;
use std::sync::OnceLock;

/// Why a network can't be run.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OnnxError {
    #[error("{0}")]
    Missing(#[from] Missing),
    /// The library is there and can't be loaded: it is damaged, or for another machine.
    #[error("can't load {path}: {why}")]
    Library { path: String, why: String },
    /// A network's weights are there and can't be used: damaged, or others.
    #[error("can't use {path}: {why}")]
    Weights { path: String, why: String },
    /// The library refuses the network, or failed while running it.
    #[error("{0}")]
    Failed(String),
}

impl OnnxError {
    /// As the user reads it; `what` is what can't be done.
    pub fn failure(self, what: &str) -> Failure {
        match self {
            OnnxError::Missing(missing) => {
                Failure::new(ExitCode::MissingModel, missing.what).fix(missing.fix)
            }
            OnnxError::Library { .. } | OnnxError::Weights { .. } => {
                let fix = "run `models/setup.sh` in the project's folder: it fetches what is damaged again";
                Failure::new(ExitCode::MissingModel, what).why(self).fix(fix)
            }
            OnnxError::Failed(_) => Failure::new(ExitCode::Internal, what).why(self),
        }
    }
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

fn builder(threads: usize) -> Result<SessionBuilder, OnnxError> {
    let environment = environment()?;
    // A thread that waits must not keep a core busy: the other ear and the sound need it.
    let built = Session::builder(&environment)
        .and_then(|builder| Ok(builder.with_optimization_level(GraphOptimizationLevel::Level3)?))
        .and_then(|builder| Ok(builder.with_intra_threads(threads.max(1))?))
        .and_then(|builder| Ok(builder.with_config_entry("session.intra_op.allow_spinning", "0")?));
    built.map_err(failed)
}

fn failed(error: impl std::fmt::Display) -> OnnxError {
    OnnxError::Failed(error.to_string())
}

/// The library, loaded unless it is already; the first outcome stands for good.
fn environment() -> Result<Environment, OnnxError> {
    static LOADED: OnceLock<Result<Environment, OnnxError>> = OnceLock::new();
    LOADED.get_or_init(load).clone()
}

fn load() -> Result<Environment, OnnxError> {
    let path = models::find(Asset::OnnxLibrary)?;
    let library = ort::init_from(&path)
        .map_err(|error| OnnxError::Library { path: path.display().to_string(), why: error.to_string() })?;
    library.with_name("antiphon").with_telemetry(false).build().map_err(failed)
}
