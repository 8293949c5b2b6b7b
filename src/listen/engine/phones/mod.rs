//! The `phones` engine: a small network gives log-probabilities of phones every 20 ms, and each candidate is scored as
//! a phone sequence against the best free path.
//!
//! Owns the network, the dictionary and the scoring. Must not decide anything.

mod align;
mod alike;
mod ctc;
mod emissions;
mod ffi;
mod lexicon;
mod spot;
mod tokens;

pub use lexicon::{Lexicon, Pronunciation};

use super::{Alike, Candidate, Engine, EngineError, Fit, Scores, WordProblem};
use crate::files::{self, Links};
use crate::models::{self, Asset};
use emissions::Emissions;
use std::collections::hash_map::Entry;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;
use std::sync::{Arc, OnceLock};
use tokens::Tokens;

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
/// The network looks every 20 ms; heard again, its frames lie between those of the first time.
const HALF_A_FRAME: usize = 160;

pub struct PhonesEngine {
    network: ffi::Network,
    shared: Arc<Shared>,
    tree: ctc::Tree,
    /// Leaves of each candidate, one a way of saying it.
    leaves: Vec<Vec<u32>>,
    /// Each way of saying each candidate, word by word.
    spoken: Vec<Vec<Vec<Pronunciation>>>,
    texts: Vec<String>,
    /// Pronunciations of the procedure's own.
    given: BTreeMap<String, Vec<Vec<String>>>,
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
    first: Hearing,
    again: Hearing,
    /// Whether `again` is of the utterance last heard.
    twice: bool,
    /// Frames at its beginning that don't count, since the speaker took them back.
    forgotten: usize,
    /// What the best free path says.
    heard: String,
}

#[derive(Default)]
struct Hearing {
    emissions: Emissions,
    totals: ctc::Totals,
}

impl Scratch {
    fn hearings(&self) -> impl Iterator<Item = &Hearing> {
        std::iter::once(&self.first).chain(self.twice.then_some(&self.again))
    }

    /// Log-probability of a leaf less that of the best free path, the mean of the hearings.
    fn log_of(&self, leaf: u32) -> f32 {
        let sum: f32 = self.hearings().map(|hearing| hearing.totals.log_of(leaf)).sum();
        sum / self.hearings().count() as f32
    }
}

impl PhonesEngine {
    /// Loads the network, its vocabulary and CMUdict from where `models/setup.sh` put them.
    pub fn load() -> Result<PhonesEngine, EngineError> {
        let vocabulary = models::find(Asset::HamaVocabulary)?;
        let tokens = read_tokens(&vocabulary).map_err(|why| cannot_load(&vocabulary, why))?;
        let dictionary = models::find(Asset::CmuDict)?;
        let lexicon = Lexicon::load(&dictionary).map_err(|why| cannot_load(&dictionary, why.to_string()))?;
        let words = models::find(Asset::Words)?;
        let words = files::read_text(&words, Links::Follow, files::MAX_MODEL)
            .map_err(|why| cannot_load(&words, why.to_string()))?;
        PhonesEngine::with(Arc::new(Shared { tokens, lexicon, words, sounds: OnceLock::new() }))
    }

    /// A second engine for another thread; dictionary and vocabulary are shared.
    pub fn another(&self) -> Result<PhonesEngine, EngineError> {
        PhonesEngine::with(Arc::clone(&self.shared))
    }

    fn with(shared: Arc<Shared>) -> Result<PhonesEngine, EngineError> {
        let weights = models::find(Asset::HamaWeights)?;
        let weights = files::read(&weights, Links::Follow, files::MAX_MODEL)
            .map_err(|why| cannot_load(&weights, why.to_string()))?;
        let library = models::find(Asset::HamaLibrary)?;
        let network = ffi::Network::load(&library, &weights).map_err(|why| cannot_load(&library, why))?;
        Ok(PhonesEngine {
            network,
            shared,
            tree: ctc::Tree::new(),
            leaves: Vec::new(),
            spoken: Vec::new(),
            texts: Vec::new(),
            given: BTreeMap::new(),
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
        self.scratch.first.emissions.written()
    }

    /// The way of saying a candidate that fits the utterance last heard best.
    fn best_way(&self, candidate: usize) -> Option<&Vec<Pronunciation>> {
        let ways = self.leaves.get(candidate)?.iter().zip(self.spoken.get(candidate)?);
        let log_of = |leaf: &u32| self.scratch.log_of(*leaf);
        ways.max_by(|a, b| log_of(a.0).total_cmp(&log_of(b.0))).map(|(_, way)| way)
    }

    /// First half of `hear`, apart so that it can be measured: the network over one utterance (mono, 16 kHz).
    pub fn emit(&mut self, samples: &[i16]) -> Result<(), EngineError> {
        let scratch = &mut self.scratch;
        scratch.samples.clear();
        scratch.samples.extend(samples.iter().map(|sample| f32::from(*sample) / 32_768.0));
        if scratch.samples.len() < MIN_SAMPLES {
            scratch.samples.resize(MIN_SAMPLES, 0.0);
        }
        scratch.twice = false;
        scratch.forgotten = 0;
        self.run_network()?;
        let Scratch { raw, first, heard, .. } = &mut self.scratch;
        *heard = first.emissions.read(raw, &self.shared.tokens);
        Ok(())
    }

    /// The network over the samples in `scratch`.
    fn run_network(&mut self) -> Result<(), EngineError> {
        let Scratch { samples, raw, .. } = &mut self.scratch;
        let width = self.shared.tokens.width();
        let frames = self.network.run(samples, width, raw).map_err(EngineError::Failed)?;
        raw.truncate(frames * width);
        Ok(())
    }

    /// Second half of `hear`: every candidate against what `emit` left.
    pub fn score(&mut self) -> Scores {
        let Hearing { emissions, totals } = &mut self.scratch.first;
        self.tree.score(&emissions.frames(), totals);
        self.scores()
    }

    /// Of every candidate the way of saying it that fits best.
    fn scores(&self) -> Scores {
        let log_of = |leaf: &u32| self.scratch.log_of(*leaf);
        let best_way = |ways: &Vec<u32>| ways.iter().map(log_of).fold(f32::NEG_INFINITY, f32::max);
        Scores {
            ratio: self.leaves.iter().map(best_way).collect(),
            units: self.units.clone(),
            free: self.scratch.heard.trim().to_string(),
        }
    }
}

/// Losses are the mean of all hearings, times those of the first.
fn mean_of(fits: &[Fit]) -> Option<Fit> {
    let mean = |of: fn(&Fit) -> f32| fits.iter().map(of).sum::<f32>() / fits.len() as f32;
    let (worst, before, after) = (mean(|fit| fit.worst), mean(|fit| fit.before), mean(|fit| fit.after));
    fits.first().map(|first| Fit { worst, before, after, ..*first })
}

fn read_tokens(path: &Path) -> Result<Tokens, String> {
    #[derive(serde::Deserialize)]
    struct Vocabulary {
        decoder: Vec<String>,
    }
    let text = files::read_text(path, Links::Follow, files::MAX_MODEL).map_err(|error| error.to_string())?;
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
        self.given = given.clone();
        self.texts = candidates.iter().map(|candidate| candidate.text.clone()).collect();
        Ok(())
    }

    fn hear(&mut self, samples: &[i16]) -> Result<Scores, EngineError> {
        self.emit(samples)?;
        Ok(self.score())
    }

    fn hear_again(&mut self) -> Result<Option<Scores>, EngineError> {
        let Scratch { samples, twice, .. } = &mut self.scratch;
        if !*twice {
            samples.splice(0..0, [0.0; HALF_A_FRAME]);
            self.run_network()?;
            let Scratch { raw, again, twice, forgotten, .. } = &mut self.scratch;
            again.emissions.read(raw, &self.shared.tokens);
            if *forgotten > 0 {
                // The silence put before it moves every sound by half a frame: the frame it ends in goes too.
                again.emissions.forget(*forgotten + 1);
            }
            self.tree.score(&again.emissions.frames(), &mut again.totals);
            *twice = true;
        }
        Ok(Some(self.scores()))
    }

    fn fit(&self, candidate: usize) -> Option<Fit> {
        let way = self.best_way(candidate)?.concat();
        let fits: Vec<Fit> = (self.scratch.hearings())
            .filter_map(|hearing| align::fit(&hearing.emissions.frames(), &way))
            .collect();
        mean_of(&fits)
    }

    fn corrected(&mut self) -> Option<Scores> {
        if self.texts.iter().any(|text| text.split(' ').any(|word| word == CORRECTION)) {
            return None;
        }
        let word = self.phones_of(CORRECTION)?;
        let Scratch { first, heard, forgotten, .. } = &mut self.scratch;
        let end = spot::end_of(&first.emissions.frames(), &word, CORRECTION_BAR)?;
        if first.emissions.len() < end + FEW_FRAMES {
            return None;
        }
        first.emissions.forget(end);
        *forgotten = end;
        *heard = format!("... {CORRECTION}: {heard}");
        Some(self.score())
    }

    fn score_texts(&mut self, texts: &[&str]) -> Vec<Option<f32>> {
        let mut tree = ctc::Tree::new();
        let mut known = HashMap::new();
        let leaves: Vec<Option<Vec<u32>>> = texts
            .iter()
            .map(|text| {
                let ways = self.ways(text, &self.given, &mut known).ok().filter(|ways| !ways.is_empty())?;
                Some(ways.iter().map(|way| tree.insert(&way.concat())).collect())
            })
            .collect();
        let mut totals = ctc::Totals::default();
        tree.score(&self.scratch.first.emissions.frames(), &mut totals);
        let best = |leaves: Vec<u32>| {
            leaves.iter().map(|leaf| totals.log_of(*leaf)).fold(f32::NEG_INFINITY, f32::max)
        };
        leaves.into_iter().map(|leaves| leaves.map(best)).collect()
    }

    /// One sound twice in a row is said once, wherever words meet. Texts that can't be said at all are different.
    fn sound_the_same(&self, one: &str, other: &str) -> bool {
        let mut known = HashMap::new();
        let mut said = |text| -> Vec<Pronunciation> {
            let ways = self.ways(text, &self.given, &mut known).unwrap_or_default();
            ways.iter().map(|way| tokens::run_together(&way.concat())).collect()
        };
        let (one, other) = (said(one), said(other));
        one.iter().any(|way| other.contains(way))
    }

    fn corrected_from(&self) -> Option<usize> {
        let forgotten = self.scratch.forgotten;
        (forgotten > 0).then_some(forgotten * 2 * HALF_A_FRAME)
    }

    fn alike(&mut self, candidate: usize) -> Option<Alike> {
        let words = self.best_way(candidate)?.clone();
        let frames: Vec<ctc::Frames> =
            self.scratch.hearings().map(|hearing| hearing.emissions.frames()).collect();
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

    #[test]
    fn what_runs_together_sounds_the_same_and_what_changes_the_meaning_does_not() {
        let engine = PhonesEngine::load().expect("run models/setup.sh");
        for (one, other) in [
            ("straps secured", "strap secured"),
            ("wrists sealed well", "wrist sealed well"),
            ("ears and neck covered", "ears a neck covered"),
            ("ears and neck covered", "ears an neck covered"),
            ("hood is locked tight", "hood is lock tight"),
        ] {
            assert!(engine.sound_the_same(one, other) && engine.sound_the_same(other, one), "{one}: {other}");
        }
        for (one, other) in [
            ("hands are dry", "hand are dry"),
            ("gown is closed", "gown isn't closed"),
            ("inner gloves on", "inner glove on"),
            ("gloves and gown", "gloves or gown"),
            ("two gloves on", "two gloves off"),
            ("straps secured", "straps zzyzx"),
        ] {
            assert!(!engine.sound_the_same(one, other), "{one}: {other}");
        }
    }

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
        let (rows, free) = in_logs(&engine.shared.tokens, &engine.scratch.raw);
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

    /// An engine that listens for three phrases.
    fn listening() -> PhonesEngine {
        let mut engine = PhonesEngine::load().unwrap();
        let candidate = |text: &str| Candidate { text: text.into(), kind: Kind::Counts(PhraseId(0)) };
        let candidates = ["gown is closed", "gown is not closed", "read the tear"].map(candidate);
        engine.listen_for(&candidates, &BTreeMap::new()).unwrap();
        engine
    }

    #[test]
    fn heard_again_the_scores_are_the_mean_of_two_hearings_half_a_frame_apart() {
        let (mut engine, sound) = (listening(), buzz());
        let first = engine.hear(&sound).unwrap();
        let close = engine.alike(0).unwrap();
        let both = engine.hear_again().unwrap().unwrap();
        let close_both = engine.alike(0).unwrap();
        let later: Vec<i16> = [0; HALF_A_FRAME].into_iter().chain(sound.iter().copied()).collect();
        let second = engine.hear(&later).unwrap();
        for ((first, second), both) in first.ratio.iter().zip(&second.ratio).zip(&both.ratio) {
            // One way of saying the phrase for both hearings, which need not be the best of each.
            let (mean, worse) = ((first + second) / 2.0, first.min(*second));
            assert!((worse..=mean + 1e-3).contains(both), "{first} {second} {both}");
            assert!((first - second).abs() > 0.01, "the second hearing is no other");
        }
        assert!(close.margin != close_both.margin);
    }

    #[test]
    fn a_third_hearing_and_the_next_utterance_begin_anew() {
        let (mut engine, sound) = (listening(), buzz());
        let first = engine.hear(&sound).unwrap();
        let both = engine.hear_again().unwrap();
        assert_eq!(engine.hear_again().unwrap(), both, "heard twice at most");
        assert_eq!(engine.hear(&sound).unwrap(), first);
    }
}
