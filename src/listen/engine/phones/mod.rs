//! The `phones` engine: a small network gives log-probabilities of phones every 20 ms, and each candidate is scored as
//! a phone sequence against the best free path.
//!
//! Owns the network, the dictionary and the scoring. Must not decide anything.

mod align;
mod alike;
mod ctc;
mod ffi;
mod lexicon;
mod spot;
mod tokens;

pub use lexicon::{Lexicon, Pronunciation};

use super::{Alike, Candidate, Engine, EngineError, Fit, Scores, WordProblem};
use crate::models::{self, Asset};
use std::collections::hash_map::Entry;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;
use std::sync::{Arc, OnceLock};
use tokens::{Tokens, PHONE_COUNT};

/// Phrases with more combinations of pronunciations than this are an error rather than an explosion.
const MAX_WAYS: usize = 512;
/// The word that takes back what was said before it, and nats a phone by which it must fit. Set on the tuning half of
/// docs/listening.md, where no chatter holds it.
const CORRECTION: &str = "correction";
const CORRECTION_BAR: f64 = -0.7;
/// Less than this after it is no phrase, frames: 200 ms.
const FEW_FRAMES: usize = 10;
/// The network is fed at least this many samples (silence is added), so that a click is scored, not refused: 200 ms.
const MIN_SAMPLES: usize = 3_200;

pub struct PhonesEngine {
    network: ffi::Network,
    shared: Arc<Shared>,
    tree: ctc::Tree,
    /// Leaves of each candidate, one a way of saying it.
    leaves: Vec<Vec<u32>>,
    /// Each way of saying each candidate, word by word.
    spoken: Vec<Vec<Vec<Pronunciation>>>,
    texts: Vec<String>,
    comparison: alike::Comparison,
    units: Vec<f32>,
    scratch: Scratch,
}

struct Shared {
    tokens: Tokens,
    lexicon: Lexicon,
    /// The frequent words, one a line and first in it.
    words: String,
    /// Made when first needed.
    sounds: OnceLock<alike::Sounds>,
}

#[derive(Default)]
struct Scratch {
    samples: Vec<f32>,
    raw: Vec<f32>,
    /// Probabilities in the network's own scale, of one frame.
    probabilities: Vec<f32>,
    /// What `ctc::Frames` wants.
    symbols: Vec<f64>,
    blank: Vec<f64>,
    totals: ctc::Totals,
    /// What the best free path says.
    heard: String,
}

impl PhonesEngine {
    /// Loads the network, its vocabulary and CMUdict from where `models/setup.sh` put them.
    pub fn load() -> Result<PhonesEngine, EngineError> {
        let vocabulary = models::find(Asset::HamaVocabulary)?;
        let tokens = read_tokens(&vocabulary).map_err(|why| cannot_load(&vocabulary, why))?;
        let dictionary = models::find(Asset::CmuDict)?;
        let lexicon = Lexicon::load(&dictionary).map_err(|why| cannot_load(&dictionary, why.to_string()))?;
        let words = models::find(Asset::Words)?;
        let words = std::fs::read_to_string(&words).map_err(|why| cannot_load(&words, why.to_string()))?;
        PhonesEngine::with(Arc::new(Shared { tokens, lexicon, words, sounds: OnceLock::new() }))
    }

    /// A second engine for another thread; dictionary and vocabulary are shared.
    pub fn another(&self) -> Result<PhonesEngine, EngineError> {
        PhonesEngine::with(Arc::clone(&self.shared))
    }

    fn with(shared: Arc<Shared>) -> Result<PhonesEngine, EngineError> {
        let weights = models::find(Asset::HamaWeights)?;
        let weights = std::fs::read(&weights).map_err(|why| cannot_load(&weights, why.to_string()))?;
        let library = models::find(Asset::HamaLibrary)?;
        let network = ffi::Network::load(&library, &weights).map_err(|why| cannot_load(&library, why))?;
        Ok(PhonesEngine {
            network,
            shared,
            tree: ctc::Tree::new(),
            leaves: Vec::new(),
            spoken: Vec::new(),
            texts: Vec::new(),
            comparison: alike::Comparison::default(),
            units: Vec::new(),
            scratch: Scratch::default(),
        })
    }

    /// Every way to say the words, word by word, as phone indices. `known` keeps the words looked up so far: decoys repeat them.
    fn ways<'t>(
        &self,
        text: &'t str,
        given: &BTreeMap<String, Vec<Vec<String>>>,
        known: &mut HashMap<&'t str, Vec<Pronunciation>>,
    ) -> Result<Vec<Vec<Pronunciation>>, EngineError> {
        let mut ways: Vec<Vec<Pronunciation>> = vec![Vec::new()];
        for word in text.split(' ').filter(|word| !word.is_empty()) {
            let said =
                match known.entry(word) {
                    Entry::Occupied(entry) => entry.into_mut(),
                    Entry::Vacant(entry) => {
                        let said = self.shared.lexicon.look_up(word, given);
                        entry.insert(said.map_err(|problem| {
                            EngineError::Failed(format!("{word:?} in {text:?}: {problem}"))
                        })?)
                    }
                };
            ways = ways
                .iter()
                .flat_map(|way| said.iter().map(move |more| way.iter().chain([more]).cloned().collect()))
                .collect();
            if ways.len() > MAX_WAYS {
                return Err(EngineError::Failed(format!(
                    "{text:?} can be said in more than {MAX_WAYS} ways"
                )));
            }
        }
        Ok(ways)
    }

    /// The phones of a word's first pronunciation, as indices; `None` when the dictionary does not have it.
    pub fn phones_of(&self, word: &str) -> Option<Pronunciation> {
        self.shared.lexicon.look_up(word, &BTreeMap::new()).ok()?.into_iter().next()
    }

    /// Every way to say the words, in the phones of ARPAbet as CMUdict numbers them.
    pub fn ways_to_say(&self, text: &str) -> Result<Vec<Pronunciation>, EngineError> {
        let ways = self.ways(text, &BTreeMap::new(), &mut HashMap::new())?;
        Ok(ways.iter().map(|way| way.concat()).collect())
    }

    /// The phones the network wrote of the utterance last heard: the best phone or blank of each frame, repeats and
    /// blanks taken out.
    pub fn written(&self) -> Pronunciation {
        let Scratch { symbols, blank, .. } = &self.scratch;
        let mut phones = Vec::new();
        let mut last = None;
        for (row, blank) in symbols.chunks_exact(PHONE_COUNT).zip(blank) {
            let best = (0..PHONE_COUNT).max_by(|a, b| row[*a].total_cmp(&row[*b])).unwrap_or_default();
            let now = (row[best] > *blank).then_some(best as u8);
            if now != last {
                phones.extend(now);
                last = now;
            }
        }
        phones
    }

    /// The way of saying a candidate that fits the utterance last heard best.
    fn best_way(&self, candidate: usize) -> Option<&Vec<Pronunciation>> {
        let totals = &self.scratch.totals;
        let ways = self.leaves.get(candidate)?.iter().zip(self.spoken.get(candidate)?);
        ways.max_by(|a, b| totals.log_of(*a.0).total_cmp(&totals.log_of(*b.0))).map(|(_, way)| way)
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
        self.emissions(frames);
        Ok(())
    }

    /// Second half of `hear`: every candidate against what `emit` left.
    pub fn score(&mut self) -> Scores {
        let Scratch { symbols, blank, totals, heard, .. } = &mut self.scratch;
        self.tree.score(&ctc::Frames { symbols, blank, symbol_count: PHONE_COUNT }, totals);
        let best_way =
            |ways: &Vec<u32>| ways.iter().map(|leaf| totals.log_of(*leaf)).fold(f32::NEG_INFINITY, f32::max);
        Scores {
            ratio: self.leaves.iter().map(best_way).collect(),
            units: self.units.clone(),
            free: heard.trim().to_string(),
        }
    }

    /// Turns the raw network output into the probability of each phone and of the blank, divided by that of the best
    /// token or phone of the frame: their products are then shares of the best free path.
    fn emissions(&mut self, frames: usize) {
        let tokens = &self.shared.tokens;
        let Scratch { raw, probabilities, symbols, blank, heard, .. } = &mut self.scratch;
        symbols.clear();
        blank.clear();
        let mut path = FreePath::new(tokens);
        for row in raw.chunks_exact(tokens.width()).take(frames) {
            let high = row.iter().copied().fold(f32::NEG_INFINITY, f32::max);
            probabilities.clear();
            probabilities.extend(row.iter().map(|raw| (raw - high).exp()));
            let of = |columns: &[usize]| {
                let total: f32 = columns.iter().map(|column| probabilities[*column]).sum();
                f64::from(total.max(f32::MIN_POSITIVE))
            };
            let start = symbols.len();
            symbols.extend(tokens.columns.iter().map(|columns| of(columns)));
            let no_phone = of(&tokens.blanks);
            let mut best = symbols[start..].iter().copied().fold(no_phone, f64::max);
            for column in &tokens.rest {
                best = best.max(f64::from(probabilities[*column]));
            }
            symbols[start..].iter_mut().for_each(|value| *value /= best);
            blank.push(no_phone / best);
            path.add(probabilities);
        }
        *heard = path.text;
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
        format!(
            "give its sounds: {word} = \"G L AH V\" (ARPAbet, as in CMUdict) in the procedure's [pronounce] table, or on a \
             line of the phrase list"
        )
    }

    fn listen_for(
        &mut self,
        candidates: &[Candidate],
        given: &BTreeMap<String, Vec<Vec<String>>>,
    ) -> Result<(), EngineError> {
        let mut tree = ctc::Tree::new();
        let mut leaves = Vec::with_capacity(candidates.len());
        let mut units = Vec::with_capacity(candidates.len());
        let mut spoken = Vec::with_capacity(candidates.len());
        let mut known = HashMap::new();
        for candidate in candidates {
            let ways = self.ways(&candidate.text, given, &mut known)?;
            let phones = ways.iter().map(|way| way.iter().map(Vec::len).sum::<usize>());
            units.push(phones.min().unwrap_or(1).max(1) as f32);
            leaves.push(ways.iter().map(|way| tree.insert(&way.concat())).collect());
            spoken.push(ways);
        }
        (self.tree, self.leaves, self.units, self.spoken) = (tree, leaves, units, spoken);
        self.texts = candidates.iter().map(|candidate| candidate.text.clone()).collect();
        Ok(())
    }

    fn hear(&mut self, samples: &[i16]) -> Result<Scores, EngineError> {
        self.emit(samples)?;
        Ok(self.score())
    }

    fn fit(&self, candidate: usize) -> Option<Fit> {
        let Scratch { symbols, blank, .. } = &self.scratch;
        let frames = ctc::Frames { symbols, blank, symbol_count: PHONE_COUNT };
        align::fit(&frames, &self.best_way(candidate)?.concat())
    }

    fn corrected(&mut self) -> Option<Scores> {
        if self.texts.iter().any(|text| text.split(' ').any(|word| word == CORRECTION)) {
            return None;
        }
        let word = self.phones_of(CORRECTION)?;
        let Scratch { symbols, blank, heard, .. } = &mut self.scratch;
        let frames = ctc::Frames { symbols, blank, symbol_count: PHONE_COUNT };
        let end = spot::end_of(&frames, &word, CORRECTION_BAR)?;
        if blank.len() < end + FEW_FRAMES {
            return None;
        }
        symbols.drain(..end * PHONE_COUNT);
        blank.drain(..end);
        *heard = format!("... {CORRECTION}: {heard}");
        Some(self.score())
    }

    fn alike(&mut self, candidate: usize) -> Option<Alike> {
        let words = self.best_way(candidate)?.clone();
        let Scratch { symbols, blank, .. } = &self.scratch;
        let frames = ctc::Frames { symbols, blank, symbol_count: PHONE_COUNT };
        let Shared { lexicon, words: frequent, sounds, .. } = self.shared.as_ref();
        let sounds = sounds.get_or_init(|| alike::Sounds::of(lexicon, frequent));
        self.comparison.compare(&frames, &self.texts[candidate], &words, sounds, lexicon)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::engine::Kind;
    use crate::procedure::PhraseId;

    /// A second of something like a voice: a buzz whose two resonances wander.
    fn buzz() -> Vec<i16> {
        let mut out = Vec::new();
        let (mut low, mut high) = ([0.0f32; 2], [0.0f32; 2]);
        for n in 0..16_000 {
            let t = n as f32 / 16_000.0;
            let pulse = if n % 130 == 0 { 1.0 } else { 0.0 };
            for (state, hertz) in
                [(&mut low, 500.0 + 250.0 * (t * 9.0).sin()), (&mut high, 1_700.0 + 600.0 * (t * 7.0).cos())]
            {
                let turn = 2.0 * 0.97 * (std::f32::consts::TAU * hertz / 16_000.0).cos();
                let next = pulse + turn * state[0] - 0.97 * 0.97 * state[1];
                *state = [next, state[0]];
            }
            out.push(((low[0] + high[0]) * 2_000.0) as i16);
        }
        out
    }

    /// Log-probabilities of the phones and, last, of the blank, and the best free path's, from the network's output:
    /// straight from the definition, in f64.
    fn in_logs(tokens: &Tokens, raw: &[f32]) -> (Vec<Vec<f64>>, f64) {
        let mut free = 0.0;
        let rows = raw
            .chunks_exact(tokens.width())
            .map(|row| {
                let sum: f64 = row.iter().map(|value| f64::from(*value).exp()).sum();
                let of = |columns: &[usize]| {
                    columns.iter().map(|column| f64::from(row[*column]).exp() / sum).sum::<f64>()
                };
                let groups: Vec<f64> =
                    tokens.columns.iter().chain([&tokens.blanks]).map(|columns| of(columns)).collect();
                let rest = tokens.rest.iter().map(|column| of(&[*column]));
                free += groups.iter().copied().chain(rest).fold(0.0, f64::max).ln();
                groups
            })
            .collect();
        (rows, free)
    }

    #[test]
    fn scores_equal_a_reckoning_in_logarithms_of_the_network_s_own_output() {
        let mut engine = PhonesEngine::load().unwrap();
        let texts =
            ["gown is closed", "gown is not closed", "hood", "a", "either read the tear or the live bow"];
        let candidates: Vec<Candidate> = texts
            .iter()
            .map(|text| Candidate { text: text.to_string(), kind: Kind::Counts(PhraseId(0)) })
            .collect();
        let given = BTreeMap::new();
        engine.listen_for(&candidates, &given).unwrap();
        let scores = engine.hear(&buzz()).unwrap();
        let frames = engine.scratch.blank.len();
        let width = engine.shared.tokens.width();
        let (rows, free) = in_logs(&engine.shared.tokens, &engine.scratch.raw[..frames * width]);
        for (text, got) in texts.iter().zip(&scores.ratio) {
            let wanted = engine
                .ways(text, &given, &mut HashMap::new())
                .unwrap()
                .iter()
                .map(|way| ctc::tests::score_in_logs(&rows, &way.concat()) - free)
                .fold(f64::NEG_INFINITY, f64::max);
            assert!(wanted > -1_200.0 && wanted < -0.1, "{text}: {wanted} tells nothing");
            assert!(
                (f64::from(*got) - wanted).abs() < 1e-4 * wanted.abs().max(1.0),
                "{text}: {got}, {wanted}"
            );
        }
    }
}
