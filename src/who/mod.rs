//! Who spoke: an utterance as 192 numbers that lie close together for one person's utterances, and how close two lie.
//!
//! Owns the network of voices, what is done to the sound before it, and what a likeness is worth. Must not know phrases,
//! steps or sessions, and decides nothing: it is a hint, wrong in some percent of the cases (docs/who-spoke.md).

mod beside;
mod both;
mod features;
mod graph;
pub mod kept;
mod likeness;
mod sound;
mod weights;

pub use beside::{Beside, Rest};
pub use both::{apart, BesideBoth, Whose};
pub use likeness::{Likeness, Sounds};
pub use sound::{CantTell, LEAST_MS, LONGEST_MS};

use crate::models::{self, Asset};
use crate::onnx::{self, OnnxError};
use features::{Features, BANDS};
use ort::session::Session;
use ort::value::Tensor;
use weights::Weights;

/// Numbers of a voice.
pub const NUMBERS: usize = 192;

/// Why an utterance has no voice.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoVoice {
    /// It is the utterance.
    #[error("{0}")]
    CantTell(#[from] CantTell),
    /// It is the network.
    #[error("the network of voices failed: {0}")]
    Network(#[from] OnnxError),
}

/// How one utterance sounds, or several of one person together: numbers whose squares add up to 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Voice(Vec<f32>);

impl Voice {
    /// Of what the network gives; `None` when it is not made of numbers, or of zeros only.
    pub(crate) fn of(numbers: &[f32]) -> Option<Voice> {
        let length = numbers.iter().map(|value| f64::from(*value).powi(2)).sum::<f64>().sqrt();
        let usable = length.is_finite() && length > 0.0;
        usable.then(|| Voice(numbers.iter().map(|value| (f64::from(*value) / length) as f32).collect()))
    }

    /// Several utterances of one person as one voice; `None` of none.
    pub fn together(voices: &[&Voice]) -> Option<Voice> {
        let mut sum = vec![0.0f32; NUMBERS];
        for voice in voices {
            sum.iter_mut().zip(&voice.0).for_each(|(sum, value)| *sum += value);
        }
        Voice::of(&sum)
    }

    /// From -1 to 1: about 0.1 between two people, 0.6 to 0.7 between two utterances of one.
    pub fn cosine(&self, other: &Voice) -> f32 {
        self.0.iter().zip(&other.0).map(|(one, other)| one * other).sum()
    }

    pub fn numbers(&self) -> &[f32] {
        &self.0
    }
}

/// The network that hears voices. One utterance of 1.5 s takes it 30 ms on one core.
pub struct VoiceNetwork {
    features: Features,
    session: Session,
}

impl VoiceNetwork {
    /// From where `models/setup.sh` put it. One thread: whoever speaks, the ears need the other core.
    ///
    /// Errors: `Missing` when a file is not there, `Library`, `Weights` for others than those that were measured, `Failed`.
    pub fn load() -> Result<VoiceNetwork, OnnxError> {
        let path = models::find(Asset::CampplusWeights)?;
        let unusable = |why: String| OnnxError::Weights { path: path.display().to_string(), why };
        let weights = Weights::read(&path).map_err(unusable)?;
        let model = graph::network(&weights).map_err(unusable)?;
        Ok(VoiceNetwork { features: Features::default(), session: onnx::session(&model, 1)? })
    }

    /// The voice of one utterance: mono, 16 kHz, silence around it is cut off and the level does not matter.
    ///
    /// Errors: `CantTell` for what is no use, `Network`.
    pub fn voice(&mut self, utterance: &[i16]) -> Result<Voice, NoVoice> {
        let sound = sound::prepared(utterance)?;
        Voice::of(&self.numbers(&sound)?).ok_or(NoVoice::CantTell(CantTell::NoNumbers))
    }

    /// What the network makes of sound in full-scale units as it is. The sound has at least one frame, 25 ms.
    fn numbers(&mut self, sound: &[f32]) -> Result<Vec<f32>, OnnxError> {
        let seen = self.features.of(sound);
        let frames = seen.len() / BANDS;
        let input = Tensor::from_array(([1, 1, BANDS, frames], seen))?;
        let outputs = self.session.run(ort::inputs!["features" => input])?;
        let (_, numbers) = outputs["voice"].try_extract_tensor::<f32>()?;
        Ok(numbers.to_vec())
    }
}

#[cfg(test)]
mod tests;
