//! The natural voices: text to phonemes, by the network Kokoro to samples, and the speech that was made kept on disk.
//!
//! Owns the names and the pace of these voices, and the one network that all of a process share. Must not know where the
//! sound is played or what is said. Phonemes come from espeak-ng; the network's weights and the voices are fetched by
//! `models/setup.sh`.

mod kept;
mod network;
mod phonemes;

use super::VoiceError;
use crate::audio::{resample, to_i16, RATE};
use crate::models;
use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

pub use network::use_threads;

/// A natural voice at a pace, written `natural:af_heart` or `natural:af_heart@1.1`.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct NaturalVoice {
    name: String,
    /// 100 is the voice's own pace, 110 a tenth faster.
    pace_percent: u16,
}

/// Paces the network still speaks well at, percent.
const PACES: std::ops::RangeInclusive<u16> = 50..=200;

/// Voices to test with, the ones that sound best first: of women and men in turn, American and British. Whispering and
/// disguised voices are not among them.
const COMPANY: [&str; 12] = [
    "af_heart",
    "bm_george",
    "bf_emma",
    "am_michael",
    "af_bella",
    "am_fenrir",
    "bf_isabella",
    "bm_fable",
    "af_sarah",
    "am_puck",
    "af_kore",
    "bm_lewis",
];
/// Paces of a company in turn: half of them speak at their own, percent.
const COMPANY_PACES: [u16; 8] = [100, 115, 100, 85, 100, 125, 100, 90];

impl NaturalVoice {
    /// This voice at a pace: 1 is its own, above is faster. What the network can't speak at is taken for the next it can.
    pub fn at_pace(&self, pace: f32) -> NaturalVoice {
        let percent = (pace * 100.0).round().clamp(f32::from(*PACES.start()), f32::from(*PACES.end()));
        NaturalVoice { name: self.name.clone(), pace_percent: percent as u16 }
    }

    fn pace(&self) -> f32 {
        f32::from(self.pace_percent) / 100.0
    }

    /// espeak-ng's name of what this voice speaks. The first letter of its name tells.
    fn language(&self) -> &'static str {
        if self.name.starts_with('b') {
            "en-gb"
        } else {
            "en-us"
        }
    }

    /// Where its file is.
    fn file(&self) -> Result<PathBuf, VoiceError> {
        let voices = models::natural_voices()?;
        if let Some((_, file)) = voices.iter().find(|(name, _)| *name == self.name) {
            return Ok(file.clone());
        }
        let names: Vec<&str> = voices.iter().map(|(name, _)| name.as_str()).collect();
        Err(VoiceError::Unknown {
            voice: format!("natural:{}", self.name),
            fix: format!("natural voices: {}", names.join(" ")),
        })
    }

    /// Checks that all it takes to speak is there; nothing is loaded yet.
    pub(super) fn check(&self) -> Result<(), VoiceError> {
        self.file()?;
        models::find(models::Asset::KokoroWeights)?;
        models::find(models::Asset::OnnxLibrary)?;
        phonemes::check()
    }

    /// Loads the network, so that the first words do not take longer than the others.
    pub fn warm_up(&self) -> Result<(), VoiceError> {
        network::load()
    }

    /// What it says, at [`RATE`], silence before and after included. `Err` of a text that nothing can be said of.
    pub(super) fn say(&self, text: &str) -> Result<Vec<i16>, VoiceError> {
        let style = self.file()?;
        let key = kept::Key::of(
            &[text.as_bytes(), self.name.as_bytes(), &self.pace_percent.to_le_bytes()],
            &style,
        )?;
        let store = kept::Store::of_this_user();
        if let Some(samples) = store.as_ref().and_then(|store| store.get(&key)) {
            return Ok(samples);
        }
        let failed =
            |why: String| VoiceError::Text { voice: format!("natural:{self}"), text: text.into(), why };
        let tokens = phonemes::tokens(text, self.language())?;
        if tokens.is_empty() {
            return Err(failed("there is nothing to say in it".into()));
        }
        let mut speech = Vec::new();
        for piece in phonemes::pieces(&tokens) {
            speech.extend(network::speak(piece, &style, self.pace())?);
        }
        let speech = resample::clip(&speech, network::RATE_OUT, RATE)?;
        let samples: Vec<i16> = speech.into_iter().map(to_i16).collect();
        if let Some(store) = &store {
            store.put(&key, &samples);
        }
        Ok(samples)
    }
}

/// So many voices to test with, each at a pace of its own: of different people as far as there are any. `Err` when the
/// natural voices are not installed.
pub fn company(count: usize) -> Result<Vec<NaturalVoice>, VoiceError> {
    let installed = models::natural_voices()?;
    let there = |name: &&str| installed.iter().any(|(known, _)| known == name);
    let mut names: Vec<&str> = COMPANY.iter().copied().filter(there).collect();
    let rest = installed.iter().map(|(name, _)| name.as_str());
    names.extend(rest.filter(|name| !COMPANY.contains(name)));
    let voice = |number: usize| NaturalVoice {
        name: names[number % names.len()].to_string(),
        // After a round the same voice is at another pace.
        pace_percent: COMPANY_PACES[(number + number / names.len()) % COMPANY_PACES.len()],
    };
    let voices: Vec<NaturalVoice> = (0..count).map(voice).collect();
    voices.first().map_or(Ok(()), NaturalVoice::check)?;
    Ok(voices)
}

/// Every natural voice, by name.
pub fn installed() -> Result<Vec<NaturalVoice>, VoiceError> {
    let voices = models::natural_voices()?;
    Ok(voices.into_iter().map(|(name, _)| NaturalVoice { name, pace_percent: 100 }).collect())
}

impl fmt::Display for NaturalVoice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.pace_percent {
            100 => write!(f, "{}", self.name),
            _ => write!(f, "{}@{}", self.name, self.pace()),
        }
    }
}

impl FromStr for NaturalVoice {
    type Err = String;

    fn from_str(text: &str) -> Result<NaturalVoice, String> {
        const FORM: &str =
            "write natural:NAME or natural:NAME@PACE (natural:af_heart, natural:bm_george@1.1)";
        let (name, pace) = text.split_once('@').unwrap_or((text, "1"));
        let name = if name.is_empty() { COMPANY[0] } else { name };
        if !name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_') {
            return Err(format!("'{name}' can't be the name of a natural voice; {FORM}"));
        }
        let percent =
            pace.parse::<f32>().ok().filter(|pace| pace.is_finite()).map(|pace| (pace * 100.0).round());
        match percent.filter(|percent| (50.0..=200.0).contains(percent)) {
            Some(percent) => Ok(NaturalVoice { name: name.into(), pace_percent: percent as u16 }),
            None => Err(format!("'{pace}' can't be a pace, which is 0.5 to 2; {FORM}")),
        }
    }
}

#[cfg(test)]
mod tests;
