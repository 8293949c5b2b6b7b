//! What is played to the listener: people's recordings from Debian packages and stand-in voices, in two halves that
//! share neither phrase nor stand-in voice.
//!
//! Owns which clip is in which half and which ten phrases are valid with it. Must not know how anything is heard.

use super::{foreign, natural, near, people};
use crate::support::prompts::{self, Prompt};
use antiphon::audio::wav;
use antiphon::listen::engine::phones::PhonesEngine;
use antiphon::listen::engine::Engine;
use antiphon::procedure::Use;
use antiphon::voice::{RenderVoice, Renderer};
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

/// Phrases valid at a time.
pub const VALID: usize = 10;
/// Longest clip used, s: longer ones are no phrase to the listener anyhow.
const LONGEST_S: f64 = 6.0;
/// Recordings of each foreign voice in a half.
const FOREIGN: usize = 170;
/// Near-misses of each stand-in voice at most.
const NEAR: usize = 340;
const STAND_IN_PHRASES: &str = include_str!("phrases.txt");

/// Thresholds are fitted on one half, the page reports the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Half {
    Tuning,
    Reporting,
}

impl Half {
    /// Phrases of procedures.
    fn phrases(self) -> Result<Vec<String>, String> {
        match self {
            Half::Tuning => shipped(),
            Half::Reporting => {
                let lines = STAND_IN_PHRASES.lines().filter(|line| !line.starts_with('#'));
                Ok(lines.map(str::to_string).collect())
            }
        }
    }

    fn voices(self) -> [&'static str; 2] {
        match self {
            Half::Tuning => ["rms", "kal16"],
            Half::Reporting => ["slt", "awb"],
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A valid phrase, said by a person or a stand-in.
    Human,
    StandIn,
    /// The same by one of many people, or by a natural voice.
    Person,
    Natural,
    /// Nearly a valid phrase, with another meaning.
    Near(near::Change),
    /// Anything else.
    Chatter,
}

impl Kind {
    /// Whether a valid phrase is said.
    pub fn is_right(self) -> bool {
        matches!(self, Kind::Human | Kind::StandIn | Kind::Person | Kind::Natural)
    }
}

pub struct Clip {
    pub kind: Kind,
    pub voice: String,
    pub words: String,
    /// Which of the phrases valid with it is said, of `Kind::Human` and `StandIn`; which is nearly said, of near-misses.
    pub phrase: Option<usize>,
    /// The group of phrases valid with it.
    pub group: usize,
    /// 16 kHz.
    pub audio: Arc<[i16]>,
}

impl Clip {
    /// The same, broken off.
    fn broken(&self) -> Clip {
        let kind = Kind::Near(near::Change::Broken);
        let words = format!("{} ...", self.words);
        Clip { kind, words, audio: near::broken(&self.audio).into(), voice: self.voice.clone(), ..*self }
    }
}

pub struct Corpus {
    pub groups: Vec<Vec<String>>,
    pub clips: Vec<Clip>,
    /// Foreign speech for babble, 16 kHz.
    pub babble: Vec<Arc<[i16]>>,
}

/// Builds one half. The same seed, the same corpus.
pub fn build(half: Half, seed: u64, folder: &Path) -> Result<Corpus, String> {
    let engine = PhonesEngine::load().map_err(|error| error.to_string())?;
    let given = BTreeMap::new();
    let known = |word: &str| engine.check_word(word, &given).is_ok();
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let english: Vec<Prompt> = prompts::all()?;
    let vocabulary: BTreeSet<String> = english
        .iter()
        .filter_map(|prompt| prompt.words.as_ref())
        .flat_map(|words| words.split(' ').map(str::to_string))
        .filter(|word| known(word))
        .collect();
    let mut corpus = Corpus { groups: Vec::new(), clips: Vec::new(), babble: Vec::new() };
    corpus.human(half, &english, &known, folder, &mut random)?;
    corpus.stand_ins(half, &vocabulary, &engine, &mut random)?;
    corpus.foreign(half, folder, &mut random)?;
    people::add(&mut corpus, half, &known, folder, &mut random)?;
    natural::add(&mut corpus, half, &half.phrases()?, &mut random)?;
    Ok(corpus)
}

/// A prompt's half, by its words, so that two recordings of the same words are in the same half.
pub fn half_of(text: &str) -> Half {
    use sha2::{Digest, Sha256};
    match Sha256::digest(text.as_bytes())[0] % 2 {
        0 => Half::Tuning,
        _ => Half::Reporting,
    }
}

impl Corpus {
    /// Adds phrases in groups of ten, the last group filled up from the first, and returns each one's group and place.
    pub fn group(&mut self, phrases: &[String]) -> BTreeMap<String, (usize, usize)> {
        let mut places = BTreeMap::new();
        for ten in phrases.chunks(VALID) {
            let mut group = ten.to_vec();
            group.extend(phrases.iter().filter(|p| !ten.contains(p)).take(VALID - ten.len()).cloned());
            for (place, phrase) in ten.iter().enumerate() {
                places.insert(phrase.clone(), (self.groups.len(), place));
            }
            self.groups.push(group);
        }
        places
    }

    fn human(
        &mut self,
        half: Half,
        all: &[Prompt],
        known: &dyn Fn(&str) -> bool,
        folder: &Path,
        random: &mut ChaCha8Rng,
    ) -> Result<(), String> {
        let mine: Vec<&Prompt> = all
            .iter()
            .filter(|prompt| half_of(prompt.words.as_deref().unwrap_or(&prompt.name)) == half)
            .collect();
        let fit = |words: &String| (3..=8).contains(&words.split(' ').count()) && words.split(' ').all(known);
        let phrases: BTreeSet<String> =
            mine.iter().filter_map(|prompt| prompt.words.clone()).filter(fit).collect();
        // A phrase that begins or ends another is no phrase of one procedure: which was said can't be told by ear.
        let mut phrases: Vec<String> = phrases
            .iter()
            .filter(|phrase| !phrases.iter().any(|other| other != *phrase && holds(other, phrase)))
            .cloned()
            .collect();
        phrases.shuffle(random);
        let places = self.group(&phrases);
        let groups = self.groups.len();
        let files = prompts::decode(&mine.iter().map(|p| (*p).clone()).collect::<Vec<_>>(), folder)?;
        let mut broken = Vec::new();
        for (index, (prompt, file)) in mine.iter().zip(files).enumerate() {
            let audio = read(&file)?;
            if audio.len() as f64 > LONGEST_S * 16_000.0 {
                continue;
            }
            let words = prompt.words.clone().unwrap_or_else(|| prompt.name.clone());
            let place = places.get(&words).copied();
            // A prompt with a phrase in it and more words is no chatter and no near-miss of ours to judge.
            if place.is_none() && phrases.iter().any(|phrase| holds(&words, phrase)) {
                continue;
            }
            let (kind, group) = match place {
                Some((group, _)) => (Kind::Human, group),
                None => (Kind::Chatter, index % groups),
            };
            let phrase = place.map(|(_, place)| place);
            let clip = Clip { kind, voice: "one woman, English".to_string(), words, phrase, group, audio };
            broken.extend(place.map(|_| clip.broken()));
            self.clips.push(clip);
        }
        self.clips.extend(broken);
        Ok(())
    }

    fn stand_ins(
        &mut self,
        half: Half,
        vocabulary: &BTreeSet<String>,
        engine: &PhonesEngine,
        random: &mut ChaCha8Rng,
    ) -> Result<(), String> {
        let mut phrases = half.phrases()?;
        phrases.shuffle(random);
        let places = self.group(&phrases);
        let mut near = near::misses(&phrases, vocabulary, engine, random);
        near.shuffle(random);
        near.truncate(NEAR);
        let mut broken = Vec::new();
        for voice in half.voices() {
            let mut renderer =
                Renderer::new(RenderVoice::Flite(voice.to_string())).map_err(|error| error.to_string())?;
            let mut say = |words: &str| renderer.render(words).map_err(|error| error.to_string());
            for phrase in &phrases {
                let (group, place) = places[phrase];
                let audio = say(phrase)?;
                let words = phrase.clone();
                let phrase = Some(place);
                let clip =
                    Clip { kind: Kind::StandIn, voice: voice.to_string(), words, phrase, group, audio };
                broken.push(clip.broken());
                self.clips.push(clip);
            }
            for miss in &near {
                let (group, place) = places[&miss.of];
                let (kind, words) = (Kind::Near(miss.change), miss.words.clone());
                let audio = say(&words)?;
                let voice = voice.to_string();
                self.clips.push(Clip { kind, voice, words, phrase: Some(place), group, audio });
            }
        }
        self.clips.extend(broken);
        Ok(())
    }

    /// Chatter of four more people, in languages that are no phrase of ours; the rest of them babbles.
    fn foreign(&mut self, half: Half, folder: &Path, random: &mut ChaCha8Rng) -> Result<(), String> {
        let voices = [
            ("fr_CA_f_June", "one woman, French"),
            ("es_MX_f_Allison", "one woman, Spanish"),
            ("it_IT_m_Carlo", "one man, Italian"),
            ("ru_RU_f_IvrvoiceRU", "one woman, Russian"),
        ];
        for (package, voice) in voices {
            let mut files = foreign::names(package)?;
            files.retain(|name| half_of(name) == half);
            files.shuffle(random);
            files.truncate(FOREIGN + 30);
            let audio = prompts::decode_from(package, &files, folder)?;
            for (index, (name, file)) in files.iter().zip(audio).enumerate() {
                let audio = read(&file)?;
                if audio.len() as f64 > LONGEST_S * 16_000.0 {
                    continue;
                }
                if index >= FOREIGN {
                    self.babble.push(audio);
                    continue;
                }
                let group = random.random_range(0..self.groups.len());
                let (kind, voice, words) = (Kind::Chatter, voice.to_string(), name.clone());
                self.clips.push(Clip { kind, voice, words, phrase: None, group, audio });
            }
        }
        Ok(())
    }
}

/// Whether all words of `part` stand in `whole`, in a row.
fn holds(whole: &str, part: &str) -> bool {
    format!(" {whole} ").contains(&format!(" {part} "))
}

pub fn read(file: &Path) -> Result<Arc<[i16]>, String> {
    let clip = wav::read(&file.display().to_string()).map_err(|error| error.to_string())?;
    Ok(clip.samples.into())
}

/// Read-backs, confirmations and refusals of the shipped procedure's own steps: those of its contingencies are left out,
/// so that measurements stay comparable with earlier ones.
fn shipped() -> Result<Vec<String>, String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("procedures/isolation-donning.toml");
    let (procedure, _) =
        antiphon::procedure::parse::load(&path).map_err(|errors| format!("{}: {errors}", path.display()))?;
    let wanted = |used: &Use| match used {
        Use::ReadBack { step } | Use::Confirmation { step } => usize::from(*step) < procedure.own_steps,
        Use::Refusal => true,
        Use::Answer { .. }
        | Use::Call { .. }
        | Use::Contingency { .. }
        | Use::Release { .. }
        | Use::Decision
        | Use::Reason { .. } => false,
    };
    let mut phrases: Vec<String> =
        procedure.phrases.iter().filter(|p| wanted(&p.used)).map(|p| p.text.clone()).collect();
    phrases.sort();
    phrases.dedup();
    Ok(phrases)
}
