//! What the tool says: text to sound, and news of when it is heard.
//!
//! Owns the two live voices, the system's ([`system`]) and the rendered one ([`rendered`], the only one whose sound
//! can be recorded), and the renderer that rehearsals use without any device ([`render`]). Must not know why something
//! is said. A voice that fails says so in an event; it never counts as having spoken.

pub mod natural;
pub mod render;
pub mod rendered;
pub mod sounds;
mod ssip;
pub mod system;

pub use natural::NaturalVoice;
pub use render::{RenderVoice, Renderer};
pub use rendered::{Played, RenderedVoice};
pub use system::SystemVoice;

use crate::audio::AudioError;
use crate::failure::{ExitCode, Failure};
use crate::models::Missing;
use crate::onnx::OnnxError;
use thiserror::Error;

/// News of an utterance, sent at the moment it is true in the room. Each utterance gets exactly one of `Ended`,
/// `CutShort` and `Failed`, and `Began` at most once before it. `Back` is of none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum VoiceEvent {
    Began {
        utterance: u64,
    },
    Ended {
        utterance: u64,
    },
    CutShort {
        utterance: u64,
    },
    Failed {
        utterance: u64,
        why: String,
    },
    /// A loudspeaker that was lost takes sound again. Of no utterance.
    Back,
}

/// A voice that speaks in the room. Calls return at once; what comes of them arrives as [`VoiceEvent`]s.
pub trait LiveVoice: Send + Sync {
    /// Says the text after what is being said already.
    fn speak(&self, utterance: u64, text: &str);
    /// Falls silent and forgets what waits.
    fn hush(&self);
    /// For the screen and the log.
    fn describe(&self) -> String;
    /// Something that makes or takes sound came back: a loudspeaker that is gone is tried again at once.
    fn try_again(&self) {}
}

/// What can go wrong with a voice, split by what the caller does next.
#[derive(Debug, Error, Clone, PartialEq, Eq)]
pub enum VoiceError {
    /// The program that speaks is not installed.
    #[error("{program} is not installed; install it: apt-get install {package}")]
    Missing { program: &'static str, package: &'static str },
    /// No such voice: use one of those listed.
    #[error("{voice} is not a voice; {fix}")]
    Unknown { voice: String, fix: String },
    /// The natural voices, or what speaks with them, was not fetched.
    #[error(transparent)]
    NotFetched(#[from] Missing),
    /// The natural voices' network does not work.
    #[error("the natural voices' network can't speak: {0}")]
    Network(OnnxError),
    /// This text came to nothing: change it, or use another voice.
    #[error("{voice} can't say '{text}': {why}")]
    Text { voice: String, text: String, why: String },
    /// The system's voice does not work: use the rendered one, and say so.
    #[error("the system's voice does not answer: {why}")]
    System { why: String },
    /// The loudspeaker does not work.
    #[error(transparent)]
    Audio(#[from] AudioError),
}

impl From<VoiceError> for Failure {
    fn from(error: VoiceError) -> Failure {
        match error {
            VoiceError::Missing { program, package } => {
                Failure::new(ExitCode::NoDevice, format!("{program} is not installed"))
                    .fix(format!("apt-get install {package}"))
            }
            VoiceError::Unknown { voice, fix } => {
                Failure::new(ExitCode::NoDevice, format!("{voice} is not a voice")).fix(fix)
            }
            VoiceError::NotFetched(missing) => {
                Failure::new(ExitCode::MissingModel, missing.what).fix(missing.fix)
            }
            VoiceError::Network(error) => error.failure("the natural voices' network can't speak"),
            VoiceError::Text { voice, text, why } => {
                Failure::new(ExitCode::Internal, format!("{voice} can't say '{text}'")).why(why)
            }
            VoiceError::System { why } => {
                Failure::new(ExitCode::NoDevice, "the system's voice does not answer").why(why).fix(
                    "apt-get install speech-dispatcher speech-dispatcher-espeak-ng, or use a rendered voice",
                )
            }
            VoiceError::Audio(error) => error.into(),
        }
    }
}

/// How long a text takes to say, generously: 350 ms a word and 100 ms a character that isn't a letter of the Latin
/// alphabet (a Korean syllable, a digit). Common practice, no source; used only to tell a slow voice from a dead one.
fn expected_duration(text: &str) -> std::time::Duration {
    let words = text.split_whitespace().count() as u64;
    let others = text.chars().filter(|c| !c.is_ascii_alphabetic() && c.is_alphanumeric()).count() as u64;
    std::time::Duration::from_millis(350 * words + 100 * others)
}
