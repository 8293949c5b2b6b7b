//! The vosk engine: any Vosk model with a lookahead graph, held to the phrases and decoys of the moment.
//!
//! Owns the model, the vocabulary check and the way from two decodings to scores. Must not know what a phrase does, nor
//! whether it was accepted.
//!
//! A model held to a few phrases takes nearly anything for one of them, with full confidence. So each utterance is
//! decoded twice: once held to the phrases, once free in the model's whole language. What the free path explains
//! better by many nats was not the phrase.

mod ffi;

use super::{Alike, Candidate, Engine, EngineError, Fit, Scores, WordProblem};
use crate::audio::RATE;
use crate::files::{self, Links};
use crate::models::{self, Asset};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::panic::{catch_unwind, AssertUnwindSafe};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use unicode_normalization::UnicodeNormalization;
use vosk::{CompleteResult, DecodingState, LogLevel, Recognizer};

/// How models name what is no word of theirs, to give the grammar a place for everything else; not every model has one.
const SOMETHING_ELSE: [&str; 3] = ["[unk]", "<unk>", "<UNK>"];
const RATE_HZ: f32 = RATE as f32;
/// Paths asked of the decoder: enough for the few that lie within a small model's lattice beam.
const MOST_PATHS: u16 = 16;

/// One listening post's recogniser; posts share the model.
pub struct VoskEngine {
    model: Arc<Model>,
    /// Free in the model's whole language. Kept for the engine's life: its graph is put together as it is walked, and
    /// the first utterance takes several times as long as any later one.
    free: Option<Recognizer>,
    listening: Option<Listening>,
}

/// The loaded model. The lock is there because the `vosk` crate asks for exclusive access to look a word up; it is
/// held for look-ups and for making a recogniser, never while one listens.
struct Model {
    inner: Mutex<vosk::Model>,
    about: String,
}

struct Listening {
    held: Recognizer,
    /// The candidates' words, in the order given.
    texts: Vec<String>,
}

impl VoskEngine {
    /// Loads libvosk (once in a process) and the model in this folder; takes about as long as reading its files.
    ///
    /// # Errors
    /// `Missing` when the library or the model is not there; `Load` when one of them can't be used.
    pub fn load(folder: &Path) -> Result<VoskEngine, EngineError> {
        let folder = models::vosk_model(Some(folder))?;
        let library = models::find(Asset::VoskLibrary)?;
        ffi::load(&library).map_err(|why| cannot_load(&library, why))?;
        vosk::set_log_level(LogLevel::Error);

        if !has_lookahead_graph(&folder) {
            let why =
                "it has no lookahead graph (HCLr.fst and Gr.fst), so it can't be held to given phrases; \
                       use a small model";
            return Err(cannot_load(&folder, why.into()));
        }
        let path = folder.to_str().ok_or_else(|| cannot_load(&folder, "its path is not UTF-8".into()))?;
        let inner = vosk::Model::new(path)
            .ok_or_else(|| cannot_load(&folder, "libvosk refuses it; is it complete?".into()))?;
        let about = about(&folder, &library).map_err(|error| cannot_load(&folder, error.to_string()))?;
        Ok(VoskEngine {
            model: Arc::new(Model { inner: Mutex::new(inner), about }),
            free: None,
            listening: None,
        })
    }

    /// An engine for another post, on the same model. It listens for nothing yet.
    pub fn another(&self) -> VoskEngine {
        VoskEngine { model: Arc::clone(&self.model), free: None, listening: None }
    }
}

impl Model {
    fn with<T>(&self, work: impl FnOnce(&mut vosk::Model) -> T) -> T {
        // A panic elsewhere can't have left the model half changed: nothing ever changes it.
        work(&mut self.inner.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn check_word(&self, word: &str) -> Result<(), WordProblem> {
        // Brackets and angles would reach the model's own symbols, quotes would end a phrase of the grammar.
        let strange: String = word
            .chars()
            .filter(|&c| c.is_whitespace() || c.is_control() || "\"\\[]<>#".contains(c))
            .collect();
        if word.is_empty() || !strange.is_empty() {
            return Err(WordProblem::BadCharacters(strange));
        }
        match self.with(|model| model.find_word(word)) {
            Some(_) => Ok(()),
            None => Err(WordProblem::NotInVocabulary),
        }
    }

    fn something_else(&self) -> Option<&'static str> {
        SOMETHING_ELSE.into_iter().find(|name| self.with(|model| model.find_word(name)).is_some())
    }

    /// The recogniser that may hear anything, past its slow beginning.
    fn warm_free_recognizer(&self) -> Result<Recognizer, EngineError> {
        let mut free = self.with(|model| Recognizer::new(model, RATE_HZ)).ok_or_else(|| {
            EngineError::Failed("libvosk could not make a recogniser for the whole language".into())
        })?;
        // Half a second of a steady pattern: what is heard in it does not matter, only that the graph is walked.
        let pattern: Vec<i16> = (0..8_000).map(|n: i32| (n * 7919 % 201 - 100) as i16).collect();
        decode(&mut free, 1, &pattern)?;
        Ok(free)
    }

    /// Two words of the vocabulary that make this one when written together, as is common where a model writes
    /// endings as words of their own (Korean).
    fn split(&self, word: &str) -> Option<(String, String)> {
        word.char_indices()
            .skip(1)
            .map(|(at, _)| word.split_at(at))
            .find(|(head, tail)| self.check_word(head).is_ok() && self.check_word(tail).is_ok())
            .map(|(head, tail)| (head.to_owned(), tail.to_owned()))
    }
}

impl Engine for VoskEngine {
    fn name(&self) -> &'static str {
        "vosk"
    }

    fn describe(&self) -> String {
        self.model.about.clone()
    }

    /// A Vosk model brings its own pronunciations, so `given` can't add a word.
    fn tells_stumbles(&self) -> bool {
        false
    }

    fn check_word(&self, word: &str, _given: &BTreeMap<String, Vec<Vec<String>>>) -> Result<(), WordProblem> {
        self.model.check_word(word)
    }

    fn how_to_add(&self, word: &str) -> String {
        match self.model.split(word) {
            Some((head, tail)) => format!("write it as `{head} {tail}`: the model has these two words"),
            None => "a Vosk model's vocabulary is fixed: use other words or another model (`--model FOLDER`)"
                .into(),
        }
    }

    fn listen_for(
        &mut self,
        candidates: &[Candidate],
        given: &BTreeMap<String, Vec<Vec<String>>>,
    ) -> Result<(), EngineError> {
        // Until the new set stands, the old one must not answer.
        self.listening = None;
        for candidate in candidates {
            for word in candidate.text.split(' ') {
                // libvosk would only leave the word out of the phrase, with a line on stderr.
                self.check_word(word, given).map_err(|problem| {
                    EngineError::Failed(format!("can't listen for {:?}: {word:?}: {problem}", candidate.text))
                })?;
            }
        }
        let texts: Vec<String> = candidates.iter().map(|candidate| candidate.text.clone()).collect();
        let grammar: BTreeSet<&str> =
            texts.iter().map(String::as_str).chain(self.model.something_else()).collect();
        let grammar: Vec<&str> = grammar.into_iter().collect();
        let held =
            self.model.with(|model| Recognizer::new_with_grammar(model, RATE_HZ, &grammar)).ok_or_else(
                || EngineError::Failed("libvosk could not make a recogniser for these phrases".into()),
            )?;
        if self.free.is_none() {
            self.free = Some(self.model.warm_free_recognizer()?);
        }
        self.listening = Some(Listening { held, texts });
        Ok(())
    }

    fn hear(&mut self, samples: &[i16]) -> Result<Scores, EngineError> {
        let (Some(listening), Some(free)) = (self.listening.as_mut(), self.free.as_mut()) else {
            return Err(EngineError::Failed("it was not told what to listen for".into()));
        };
        let held = decode(&mut listening.held, MOST_PATHS, samples)?;
        let best = held.first().cloned().unwrap_or_default();
        // The free path costs more than the rest together, and decides only about what may be a phrase.
        if !listening.texts.contains(&best.text) {
            return Ok(scores(&listening.texts, &held, &best));
        }
        let free = decode(free, 1, samples)?.into_iter().next().unwrap_or_default();
        Ok(scores(&listening.texts, &held, &free))
    }

    /// libvosk tells where words lie but not how badly they fit there.
    fn fit(&self, _: usize) -> Option<Fit> {
        None
    }

    fn hear_again(&mut self) -> Result<Option<Scores>, EngineError> {
        Ok(None)
    }

    fn corrected(&mut self) -> Option<Scores> {
        None
    }

    /// The free path, in the whole language, is this comparison already.
    fn alike(&mut self, _: usize) -> Option<Alike> {
        None
    }
}

/// One path through the decoder's graph: its words and its log-likelihood, nats.
#[derive(Debug, Clone, Default, PartialEq)]
struct Heard {
    text: String,
    likelihood: f32,
}

/// Decodes one whole utterance, best path first; the recogniser starts afresh with the next.
fn decode(recognizer: &mut Recognizer, most: u16, samples: &[i16]) -> Result<Vec<Heard>, EngineError> {
    let failed = |why: String| EngineError::Failed(why);
    if samples.is_empty() {
        return Ok(Vec::new());
    }
    recognizer.set_max_alternatives(most);
    let state = recognizer.accept_waveform(samples).map_err(|error| failed(error.to_string()))?;
    if state == DecodingState::Failed {
        recognizer.reset();
        return Err(failed("libvosk could not decode it".into()));
    }
    // The `vosk` crate panics on a result it can't read. That must be an error here: a listener that dies in
    // mid-session is a microphone lost.
    let result = catch_unwind(AssertUnwindSafe(|| match recognizer.final_result() {
        CompleteResult::Multiple(paths) => Some(
            paths
                .alternatives
                .iter()
                .map(|path| Heard { text: path.text.trim().to_owned(), likelihood: path.confidence })
                .collect(),
        ),
        CompleteResult::Single(_) => None,
    }));
    result.ok().flatten().ok_or_else(|| failed("libvosk gave a result that can't be read".into()))
}

/// Scores from the two decodings. Only when the best held path is a candidate has anything a score: a mixture of
/// several phrases, or something else around one, is nothing that was listened for. Then every candidate among the
/// paths gets how far it lies below the best path of all, less what the paths that are no candidates take away.
fn scores(texts: &[String], held: &[Heard], free: &Heard) -> Scores {
    let units: Vec<f32> = texts.iter().map(|text| letters(text)).collect();
    let mut ratio = vec![f32::NEG_INFINITY; texts.len()];
    let best = held.first().filter(|path| path.likelihood.is_finite());
    if let Some((best, top)) =
        best.and_then(|best| Some((best, texts.iter().position(|text| *text == best.text)?)))
    {
        let known = share(held, |path| texts.contains(&path.text));
        let taken_away = units[top] * known.ln();
        let ceiling = best.likelihood.max(free.likelihood);
        for (text, ratio) in texts.iter().zip(&mut ratio) {
            if let Some(path) = held.iter().find(|path| path.text == *text) {
                *ratio = path.likelihood - ceiling + taken_away;
            }
        }
    }
    Scores { ratio, units, free: free.text.clone() }
}

/// Which share of the probability of all paths these have, 0 to 1; not 0 where the best is one of them.
fn share(held: &[Heard], of: impl Fn(&Heard) -> bool) -> f32 {
    let best = held.iter().map(|path| path.likelihood).fold(f32::NEG_INFINITY, f32::max);
    let weight = |path: &Heard| (path.likelihood - best).exp();
    let all: f32 = held.iter().map(weight).sum();
    held.iter().filter(|path| of(path)).map(weight).sum::<f32>() / all
}

/// The phones of a phrase by its letters, so that scores mean about what they mean for phones: nearly right in Korean,
/// whose syllables are taken apart, and a little much in English.
fn letters(text: &str) -> f32 {
    text.nfd().filter(|c| c.is_alphabetic()).count().max(1) as f32
}

/// Models come in two layouts. A model whose graph is one HCLG.fst ignores a grammar, with only a line on stderr.
fn has_lookahead_graph(folder: &Path) -> bool {
    [folder.join("graph"), folder.to_path_buf()]
        .iter()
        .any(|graph| graph.join("HCLr.fst").is_file() && graph.join("Gr.fst").is_file())
}

/// For the journal: names, and the beginnings of the sums of the two files that make the difference.
fn about(folder: &Path, library: &Path) -> std::io::Result<String> {
    let name = |path: &Path| path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    let weights = ["am/final.mdl", "final.mdl"].map(|file| folder.join(file));
    let weights = weights.iter().find(|path| path.is_file()).unwrap_or(&weights[0]);
    Ok(format!(
        "vosk model {} (final.mdl sha256 {}), {} (sha256 {})",
        name(&folder.canonicalize()?),
        short_sum(weights)?,
        name(library),
        short_sum(library)?,
    ))
}

fn short_sum(path: &Path) -> std::io::Result<String> {
    let sum = Sha256::digest(files::read(path, Links::Follow, files::MAX_MODEL)?);
    Ok(sum.iter().take(6).map(|byte| format!("{byte:02x}")).collect())
}

fn cannot_load(path: &Path, why: String) -> EngineError {
    EngineError::Load { path: path.display().to_string(), why }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NEVER: f32 = f32::NEG_INFINITY;

    fn texts(phrases: &[&str]) -> Vec<String> {
        phrases.iter().map(|phrase| (*phrase).to_owned()).collect()
    }

    fn paths(paths: &[(&str, f32)]) -> Vec<Heard> {
        paths
            .iter()
            .map(|(text, likelihood)| Heard { text: (*text).into(), likelihood: *likelihood })
            .collect()
    }

    fn free(likelihood: f32) -> Heard {
        Heard { text: "whatever".into(), likelihood }
    }

    #[test]
    fn only_candidates_of_exactly_the_decoded_words_are_possible() {
        let candidates = texts(&["stop", "stop stop", "stop stop now"]);
        let scores = scores(&candidates, &paths(&[("stop stop", 90.0)]), &free(80.0));
        assert_eq!(scores.ratio, [NEVER, 0.0, NEVER]);
        assert_eq!(scores.units, [4.0, 8.0, 11.0]);
        assert_eq!(scores.free, "whatever");
    }

    #[test]
    fn the_score_is_the_distance_to_the_free_path_where_that_is_better() {
        let scores = scores(&texts(&["stop stop"]), &paths(&[("stop stop", 70.0)]), &free(100.0));
        assert_eq!(scores.ratio, [-30.0]);
    }

    #[test]
    fn two_candidates_among_the_paths_keep_their_distance() {
        let scores =
            scores(&texts(&["hold", "gold"]), &paths(&[("gold", 90.0), ("hold", 89.5)]), &free(90.0));
        assert_eq!(scores.ratio, [-0.5, 0.0]);
    }

    #[test]
    fn a_mixture_that_fits_best_makes_every_candidate_impossible() {
        for mixture in ["[unk] stop stop", "stop stop not", ""] {
            let held = paths(&[(mixture, 90.0), ("stop stop", 89.9)]);
            assert_eq!(scores(&texts(&["stop stop"]), &held, &free(80.0)).ratio, [NEVER], "{mixture:?}");
        }
    }

    #[test]
    fn a_mixture_that_fits_as_well_takes_half_the_belief_away() {
        let held = paths(&[("stop stop", 90.0), ("stop not stop", 90.0)]);
        let scores = scores(&texts(&["stop stop"]), &held, &free(80.0));
        assert!((scores.ratio[0] / scores.units[0] - 0.5f32.ln()).abs() < 1e-6, "{:?}", scores.ratio);
    }

    #[test]
    fn no_path_or_a_path_without_a_number_scores_nothing() {
        let candidates = texts(&["stop"]);
        for held in [paths(&[]), paths(&[("stop", f32::NAN)]), paths(&[("stop", f32::INFINITY)])] {
            assert_eq!(scores(&candidates, &held, &free(80.0)).ratio, [NEVER]);
        }
    }

    #[test]
    fn korean_syllables_count_as_the_sounds_they_are_made_of() {
        assert_eq!(letters("중지 중지"), 10.0);
        assert_eq!(letters("stop now"), 7.0);
    }

    #[test]
    fn a_folder_that_is_no_model_is_missing_not_a_crash() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let error = VoskEngine::load(room.path()).err().expect("the folder is empty");
        assert!(matches!(error, EngineError::Missing(_)), "{error}");
    }
}
