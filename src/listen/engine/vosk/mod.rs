//! The vosk engine: any Vosk model with a lookahead graph, held to the phrases and decoys of the moment.
//!
//! Owns the model, the vocabulary check and the way from a decoded text to scores. Must not know what a phrase does,
//! nor whether it was accepted. It is a word engine: one candidate at most is heard, all others are impossible, and
//! the score is what the decoder believes of its own words.

mod ffi;

use super::{Candidate, Engine, EngineError, Scores, WordProblem};
use crate::models::{self, Asset};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::panic::{catch_unwind, AssertUnwindSafe};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use vosk::{CompleteResult, DecodingState, LogLevel, Recognizer};

/// What the grammar offers for everything else that may be said.
const SOMETHING_ELSE: &str = "[unk]";
const RATE_HZ: f32 = 16_000.0;
/// A word confidence of 0 would make the phrase impossible, and confidences come rounded to six decimals.
const LEAST_CONFIDENCE: f32 = 1e-6;

/// One listening post's recogniser; posts share the model.
pub struct VoskEngine {
    model: Arc<Model>,
    listening: Option<Listening>,
}

/// The loaded model. The lock is there because the `vosk` crate asks for exclusive access to look a word up; it is
/// held for look-ups and for making a recogniser, never while one listens.
struct Model {
    inner: Mutex<vosk::Model>,
    about: String,
}

struct Listening {
    recognizer: Recognizer,
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
        Ok(VoskEngine { model: Arc::new(Model { inner: Mutex::new(inner), about }), listening: None })
    }

    /// An engine for another post, on the same model. It listens for nothing yet.
    pub fn another(&self) -> VoskEngine {
        VoskEngine { model: Arc::clone(&self.model), listening: None }
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
        let grammar: BTreeSet<&str> = texts.iter().map(String::as_str).chain([SOMETHING_ELSE]).collect();
        let grammar: Vec<&str> = grammar.into_iter().collect();
        let mut recognizer =
            self.model.with(|model| Recognizer::new_with_grammar(model, RATE_HZ, &grammar)).ok_or_else(
                || EngineError::Failed("libvosk could not make a recogniser for these phrases".into()),
            )?;
        recognizer.set_words(true);
        self.listening = Some(Listening { recognizer, texts });
        Ok(())
    }

    fn hear(&mut self, samples: &[i16]) -> Result<Scores, EngineError> {
        let listening = self
            .listening
            .as_mut()
            .ok_or_else(|| EngineError::Failed("it was not told what to listen for".into()))?;
        let decoded = decode(&mut listening.recognizer, samples)?;
        Ok(scores(&listening.texts, &decoded))
    }
}

/// What one decoding gave: its words and the decoder's confidence in each, 0 to 1.
#[derive(Debug, Clone, PartialEq)]
struct Decoded {
    text: String,
    confidences: Vec<f32>,
}

/// Decodes one whole utterance; the recogniser starts afresh with the next.
fn decode(recognizer: &mut Recognizer, samples: &[i16]) -> Result<Decoded, EngineError> {
    let failed = |why: String| EngineError::Failed(why);
    if samples.is_empty() {
        return Ok(Decoded { text: String::new(), confidences: Vec::new() });
    }
    let state = recognizer.accept_waveform(samples).map_err(|error| failed(error.to_string()))?;
    if state == DecodingState::Failed {
        recognizer.reset();
        return Err(failed("libvosk could not decode it".into()));
    }
    // The `vosk` crate panics on a result it can't read. That must be an error here: a listener that dies in
    // mid-session is a microphone lost.
    let result = catch_unwind(AssertUnwindSafe(|| match recognizer.final_result() {
        CompleteResult::Single(single) => Some(Decoded {
            text: single.text.to_owned(),
            confidences: single.result.iter().map(|word| word.conf).collect(),
        }),
        CompleteResult::Multiple(_) => None,
    }));
    result.ok().flatten().ok_or_else(|| failed("libvosk gave a result that can't be read".into()))
}

/// Scores from a decoding: the candidate of exactly these words gets the summed logarithm of their confidences.
fn scores(texts: &[String], decoded: &Decoded) -> Scores {
    let units: Vec<f32> = texts.iter().map(|text| text.split(' ').count() as f32).collect();
    let ratio = texts
        .iter()
        .zip(&units)
        .map(|(text, units)| match text == &decoded.text && !decoded.confidences.is_empty() {
            true => units * mean_log(&decoded.confidences),
            false => f32::NEG_INFINITY,
        })
        .collect();
    Scores { ratio, units, free: decoded.text.clone() }
}

/// Mean natural logarithm, nats; what is no number counts as no confidence.
fn mean_log(confidences: &[f32]) -> f32 {
    let sum: f32 = confidences
        .iter()
        .map(|&confidence| if confidence.is_nan() { 0.0 } else { confidence })
        .map(|confidence| confidence.clamp(LEAST_CONFIDENCE, 1.0).ln())
        .sum();
    sum / confidences.len() as f32
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
    let sum = Sha256::digest(std::fs::read(path)?);
    Ok(sum.iter().take(6).map(|byte| format!("{byte:02x}")).collect())
}

fn cannot_load(path: &Path, why: String) -> EngineError {
    EngineError::Load { path: path.display().to_string(), why }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(phrases: &[&str]) -> Vec<String> {
        phrases.iter().map(|phrase| (*phrase).to_owned()).collect()
    }

    fn decoded(text: &str, confidences: &[f32]) -> Decoded {
        Decoded { text: text.into(), confidences: confidences.into() }
    }

    #[test]
    fn only_the_candidate_of_exactly_the_decoded_words_is_possible() {
        let candidates = texts(&["stop", "stop stop", "stop stop now"]);
        let scores = scores(&candidates, &decoded("stop stop", &[1.0, 1.0]));
        assert_eq!(scores.ratio, [f32::NEG_INFINITY, 0.0, f32::NEG_INFINITY]);
        assert_eq!(scores.units, [1.0, 2.0, 3.0]);
        assert_eq!(scores.free, "stop stop");
    }

    #[test]
    fn the_score_is_the_summed_logarithm_of_the_confidences() {
        let scores = scores(&texts(&["stop stop"]), &decoded("stop stop", &[0.5, 0.25]));
        assert!((scores.ratio[0] - (0.5f32.ln() + 0.25f32.ln())).abs() < 1e-6, "{:?}", scores.ratio);
    }

    #[test]
    fn something_else_before_the_phrase_makes_it_impossible() {
        let scores = scores(&texts(&["stop stop"]), &decoded("[unk] stop stop", &[1.0, 1.0, 1.0]));
        assert_eq!(scores.ratio, [f32::NEG_INFINITY]);
    }

    #[test]
    fn nothing_decoded_scores_nothing_even_for_an_empty_candidate() {
        assert_eq!(scores(&texts(&["", "stop"]), &decoded("", &[])).ratio, [f32::NEG_INFINITY; 2]);
    }

    #[test]
    fn confidences_out_of_range_or_not_numbers_never_raise_a_score() {
        for strange in [f32::NAN, 0.0, -1.0] {
            assert!((mean_log(&[strange]) - LEAST_CONFIDENCE.ln()).abs() < 1e-6, "{strange}");
        }
        assert_eq!(mean_log(&[1.5]), 0.0);
    }

    #[test]
    fn a_folder_that_is_no_model_is_missing_not_a_crash() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let error = VoskEngine::load(room.path()).err().expect("the folder is empty");
        assert!(matches!(error, EngineError::Missing(_)), "{error}");
    }
}
