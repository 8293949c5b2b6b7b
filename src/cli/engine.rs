//! The options that say what listens, which several commands have.

use crate::conduct::second_ear::Ears;
use crate::conduct::set_up::{self, EngineName, Listening, Ready};
use crate::failure::Failure;
use crate::procedure::Post;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct EngineArgs {
    /// What listens
    #[arg(long = "engine", value_name = "ENGINE", value_enum, default_value = "phones")]
    pub name: EngineName,
    /// Folder of a Vosk model (with --engine vosk; default: the one in models/)
    #[arg(long, value_name = "DIR")]
    pub model: Option<PathBuf>,
    /// How many ears listen (default: both, where the machine keeps up)
    #[arg(long, value_name = "EARS", value_enum, env = "ANTIPHON_EARS")]
    pub ears: Option<Ears>,
}

impl EngineArgs {
    /// The procedure, and a listener for each post.
    pub fn ready(&self, procedure: &Path, posts: &[Post]) -> Result<Ready, Failure> {
        set_up::ready(procedure, posts, &self.listening())
    }

    pub fn listening(&self) -> Listening {
        Listening { engine: self.name, model: self.model.clone(), ears: self.ears, voices: None, rooms: 1 }
    }
}
