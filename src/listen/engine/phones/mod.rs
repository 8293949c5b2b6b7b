//! The `phones` engine: a small network gives log-probabilities of phones every 20 ms, and each candidate is scored as
//! a phone sequence against the best free path.
//!
//! Owns the network, the dictionary and the scoring. Must not decide anything.

mod ctc;
mod ffi;
mod lexicon;
mod tokens;

pub use lexicon::Pronunciation;

use super::{Candidate, Engine, EngineError, Scores, WordProblem};
use crate::models::{self, Asset};
use lexicon::Lexicon;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use tokens::{Tokens, PHONE_COUNT};

/// Phrases with more combinations of pronunciations than this are an error rather than an explosion.
const MAX_WAYS: usize = 512;
/// The network is fed at least this many samples (silence is added), so that a click is scored, not refused: 200 ms.
const MIN_SAMPLES: usize = 3_200;

pub struct PhonesEngine {
    network: ffi::Network,
    shared: Arc<Shared>,
    tree: ctc::Tree,
    /// Leaves of each candidate, one a way of saying it.
    leaves: Vec<Vec<u32>>,
    units: Vec<f32>,
    scratch: Scratch,
    free: (f32, String),
}

struct Shared {
    tokens: Tokens,
    lexicon: Lexicon,
    weights: Vec<u8>,
}

#[derive(Default)]
struct Scratch {
    samples: Vec<f32>,
    raw: Vec<f32>,
    symbols: Vec<f32>,
    blank: Vec<f32>,
}

impl PhonesEngine {
    /// Loads the network, its vocabulary and CMUdict from where `models/setup.sh` put them.
    pub fn load() -> Result<PhonesEngine, EngineError> {
        let vocabulary = models::find(Asset::HamaVocabulary)?;
        let tokens = read_tokens(&vocabulary).map_err(|why| cannot_load(&vocabulary, why))?;
        let dictionary = models::find(Asset::CmuDict)?;
        let lexicon = Lexicon::load(&dictionary).map_err(|why| cannot_load(&dictionary, why.to_string()))?;
        let weights = models::find(Asset::HamaWeights)?;
        let weights = std::fs::read(&weights).map_err(|why| cannot_load(&weights, why.to_string()))?;
        PhonesEngine::with(Arc::new(Shared { tokens, lexicon, weights }))
    }

    /// A second engine for another thread; dictionary and vocabulary are shared.
    pub fn another(&self) -> Result<PhonesEngine, EngineError> {
        PhonesEngine::with(Arc::clone(&self.shared))
    }

    fn with(shared: Arc<Shared>) -> Result<PhonesEngine, EngineError> {
        let library = models::find(Asset::HamaLibrary)?;
        let network =
            ffi::Network::load(&library, shared.weights.clone()).map_err(|why| cannot_load(&library, why))?;
        Ok(PhonesEngine {
            network,
            shared,
            tree: ctc::Tree::new(),
            leaves: Vec::new(),
            units: Vec::new(),
            scratch: Scratch::default(),
            free: (0.0, String::new()),
        })
    }

    /// Every way to say the words, as phone indices.
    fn ways(
        &self,
        text: &str,
        given: &BTreeMap<String, Vec<Vec<String>>>,
    ) -> Result<Vec<Pronunciation>, EngineError> {
        let mut ways: Vec<Pronunciation> = vec![Vec::new()];
        for word in text.split(' ').filter(|word| !word.is_empty()) {
            let said = self
                .shared
                .lexicon
                .look_up(word, given)
                .map_err(|problem| EngineError::Failed(format!("{word:?} in {text:?}: {problem}")))?;
            ways = ways
                .iter()
                .flat_map(|way| said.iter().map(move |more| way.iter().chain(more).copied().collect()))
                .collect();
            if ways.len() > MAX_WAYS {
                return Err(EngineError::Failed(format!(
                    "{text:?} can be said in more than {MAX_WAYS} ways"
                )));
            }
        }
        Ok(ways)
    }

    /// First half of `hear`, apart so that it can be measured: the network over one utterance (mono, 16 kHz).
    pub fn emit(&mut self, samples: &[i16]) -> Result<(), EngineError> {
        let scratch = &mut self.scratch;
        scratch.samples.clear();
        scratch.samples.extend(samples.iter().map(|sample| f32::from(*sample) / 32_768.0));
        if scratch.samples.len() < MIN_SAMPLES {
            scratch.samples.resize(MIN_SAMPLES, 0.0);
        }
        let width = self.shared.tokens.width();
        let frames =
            self.network.run(&scratch.samples, width, &mut scratch.raw).map_err(EngineError::Failed)?;
        let (free, heard) = self.emissions(frames);
        self.free = (free, heard.trim().to_string());
        Ok(())
    }

    /// Second half of `hear`: every candidate against what `emit` left.
    pub fn score(&mut self) -> Scores {
        let all = self.tree.score(&ctc::Frames {
            symbols: &self.scratch.symbols,
            blank: &self.scratch.blank,
            symbol_count: PHONE_COUNT,
        });
        let free = self.free.0;
        let best_way = |ways: &Vec<u32>| {
            ways.iter().map(|leaf| all[*leaf as usize]).fold(f32::NEG_INFINITY, f32::max) - free
        };
        Scores {
            ratio: self.leaves.iter().map(best_way).collect(),
            units: self.units.clone(),
            free: self.free.1.clone(),
        }
    }

    /// Turns the raw network output into log-probabilities per phone and blank; returns the best free path's
    /// log-probability and its tokens.
    fn emissions(&mut self, frames: usize) -> (f32, String) {
        let tokens = &self.shared.tokens;
        let width = tokens.width();
        let scratch = &mut self.scratch;
        scratch.symbols.clear();
        scratch.blank.clear();
        let mut free = 0.0f32;
        let mut heard = FreePath::new(tokens);
        let mut probabilities = vec![0.0f32; width];
        for row in scratch.raw.chunks_exact(width).take(frames) {
            let high = row.iter().copied().fold(f32::NEG_INFINITY, f32::max);
            let mut sum = 0.0;
            for (probability, raw) in probabilities.iter_mut().zip(row) {
                *probability = (raw - high).exp();
                sum += *probability;
            }
            let log_sum = sum.ln();
            let log_of = |columns: &[usize]| {
                let total: f32 = columns.iter().map(|column| probabilities[*column]).sum();
                total.max(f32::MIN_POSITIVE).ln() - log_sum
            };
            let blank = log_of(&tokens.blanks);
            let mut best = blank;
            for columns in &tokens.columns {
                let value = log_of(columns);
                best = best.max(value);
                scratch.symbols.push(value);
            }
            for column in &tokens.rest {
                best = best.max(probabilities[*column].max(f32::MIN_POSITIVE).ln() - log_sum);
            }
            scratch.blank.push(blank);
            free += best;
            heard.add(&probabilities);
        }
        (free, heard.text)
    }
}

/// The best token of each frame, repeats and blanks taken out: what the network wrote by itself.
struct FreePath<'a> {
    tokens: &'a Tokens,
    last: usize,
    text: String,
}

impl<'a> FreePath<'a> {
    fn new(tokens: &'a Tokens) -> Self {
        FreePath { tokens, last: usize::MAX, text: String::new() }
    }

    fn add(&mut self, probabilities: &[f32]) {
        let best = (0..probabilities.len())
            .max_by(|a, b| probabilities[*a].total_cmp(&probabilities[*b]))
            .unwrap_or_default();
        if best != self.last {
            self.last = best;
            if best == self.tokens.blanks[0] {
                if !self.text.is_empty() && !self.text.ends_with(' ') {
                    self.text.push(' ');
                }
            } else if best != self.tokens.blanks[1] {
                self.text.push_str(&self.tokens.names[best]);
            }
        }
    }
}

fn read_tokens(path: &Path) -> Result<Tokens, String> {
    #[derive(serde::Deserialize)]
    struct Vocabulary {
        decoder: Vec<String>,
    }
    let text = std::fs::read_to_string(path).map_err(|error| error.to_string())?;
    let vocabulary: Vocabulary = serde_json::from_str(&text).map_err(|error| error.to_string())?;
    Tokens::new(&vocabulary.decoder)
}

fn cannot_load(path: &Path, why: String) -> EngineError {
    EngineError::Load { path: path.display().to_string(), why }
}

impl Engine for PhonesEngine {
    fn name(&self) -> &'static str {
        "phones"
    }

    fn describe(&self) -> String {
        "libhama 1.7.0 acoustic network, CMUdict 1.1.3".to_string()
    }

    fn check_word(&self, word: &str, given: &BTreeMap<String, Vec<Vec<String>>>) -> Result<(), WordProblem> {
        self.shared.lexicon.look_up(word, given).map(|_| ())
    }

    fn how_to_add(&self, word: &str) -> String {
        format!("give its sounds in the procedure's [pronounce] table, e.g. {word} = \"G L AH V\" (ARPAbet, as in CMUdict)")
    }

    fn listen_for(
        &mut self,
        candidates: &[Candidate],
        given: &BTreeMap<String, Vec<Vec<String>>>,
    ) -> Result<(), EngineError> {
        let mut tree = ctc::Tree::new();
        let mut leaves = Vec::with_capacity(candidates.len());
        let mut units = Vec::with_capacity(candidates.len());
        for candidate in candidates {
            let ways = self.ways(&candidate.text, given)?;
            units.push(ways.iter().map(Vec::len).min().unwrap_or(1).max(1) as f32);
            leaves.push(ways.iter().map(|way| tree.insert(way)).collect());
        }
        (self.tree, self.leaves, self.units) = (tree, leaves, units);
        Ok(())
    }

    fn hear(&mut self, samples: &[i16]) -> Result<Scores, EngineError> {
        self.emit(samples)?;
        Ok(self.score())
    }
}
