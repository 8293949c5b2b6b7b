//! What a listener asks about whose voice it heard.
//!
//! Owns the question. Whoever answers it knows the procedure and the network of voices (`conduct/same_voice.rs`).

use crate::procedure::PhraseId;
use crate::who::BesideBoth;

/// Sound from before and after an utterance that its voice is told from, ms: the segmenter may be a frame or two late.
pub const MARGIN_MS: u64 = 50;

/// What an utterance's voice tells.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct VoiceEvidence {
    /// Of a confirmation: how many times likelier it is that whoever read the step back said it than somebody else, as a
    /// natural logarithm, nats.
    pub same_voice: Option<f32>,
    /// Beside both people, once their voices are known.
    pub beside: Option<BesideBoth>,
}

/// Compares voices as phrases are said.
pub trait Voices: Send {
    /// This phrase was surely said, with this sound (mono, 16 kHz). Nothing is told of a phrase that either may say, and where
    /// nothing can be told. Errors: in words, when no voice can be told from now on.
    fn said(&mut self, phrase: PhraseId, sound: &[i16]) -> Result<VoiceEvidence, String>;
}
