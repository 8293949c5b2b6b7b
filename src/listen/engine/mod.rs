//! Engines: each turns one utterance into a score per candidate phrase.
//!
//! Owns the trait and the common form of a score. Nothing outside this folder names an engine's insides, and no engine
//! decides anything: it only scores; `accept` decides.

pub mod phones;
pub mod vosk;
pub mod whisper;

use crate::procedure::{PhraseId, Place};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What a candidate is to the acceptor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A phrase of the procedure that counts now.
    Counts(PhraseId),
    /// A phrase of the procedure that does not count now at this post.
    Other(PhraseId),
    /// Words that must not be taken for this phrase.
    Decoy(PhraseId),
}

/// One word sequence to score: words in lower case, single spaces.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    pub text: String,
    pub kind: Kind,
}

impl Candidate {
    /// The phrase it is, or stands for.
    pub fn phrase(&self) -> PhraseId {
        let (Kind::Counts(phrase) | Kind::Other(phrase) | Kind::Decoy(phrase)) = self.kind;
        phrase
    }
}

/// Scores of one utterance, one entry per candidate in the order given to `listen_for`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Scores {
    /// Log-likelihood of the candidate's words less that of the best unconstrained path, nats; 0 is perfect,
    /// negative infinity means impossible.
    pub ratio: Vec<f32>,
    /// Number of units (phones; for word engines, words) of the candidate, at least 1: `ratio / units` compares
    /// candidates of different lengths.
    pub units: Vec<f32>,
    /// What an unconstrained decoding heard, for people to read (may be empty).
    pub free: String,
}

/// How one candidate lies in the utterance last heard. Losses are nats below the best free path.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Fit {
    /// Where its words begin and end, ms from the utterance's beginning.
    pub start_ms: f32,
    pub end_ms: f32,
    /// Most nats lost within any quarter of a second of the words: a wrong word shows here, however long the phrase.
    pub worst: f32,
    /// Nats lost to speech before and after the words.
    pub before: f32,
    pub after: f32,
    /// Longest silence within the words, ms.
    pub gap_ms: f32,
}

/// A phrase with one word replaced by one that sounds like it.
#[derive(Debug, Clone, PartialEq)]
pub struct Alike {
    /// How far the phrase itself is above it, nats: negative when the other word fits better.
    pub margin: f32,
    pub text: String,
}

/// What a second ear is asked about an utterance.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Asked {
    /// Phrases that may have been said: words in lower case, single spaces.
    pub phrases: Vec<String>,
    /// How far the first ear leans to each, nats; missing ones are 0.
    pub leaning: Vec<f32>,
    /// What must not be taken for each of them.
    pub rivals: Vec<Arc<Vec<String>>>,
    /// What the first ear would rather have heard: rivals of whichever is chosen.
    pub nearest: Vec<String>,
    /// Words that may come, as the ear may be told of them before it listens; empty: nothing is known.
    pub context: String,
    /// The answer is wanted at once: nothing is weighed but what is asked about.
    pub at_once: bool,
}

/// What a second ear makes of it. Weights are log-probabilities, nats: 0 is certain.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// Which of the phrases it is about: the best, the first ear's leaning taken in.
    pub chosen: usize,
    /// Weight of each phrase, in the ways it is usually written.
    pub log_p: Vec<f32>,
    /// Weight of the chosen one in whatever way the network would write it.
    pub weight: f32,
    /// Of each word of the chosen one, given those before it, and of its end.
    pub words: Vec<f32>,
    pub end: f32,
    /// The least of the words.
    pub worst: f32,
    pub worst_word: String,
    /// Other texts and their weights: the nearest, and all that come near the chosen one or are above it.
    pub rivals: Vec<Rival>,
}

/// Another text that may have been said.
#[derive(Debug, Clone, PartialEq)]
pub struct Rival {
    pub text: String,
    /// Its weight, or what it weighs at most.
    pub log_p: f32,
    /// The network would have written it by itself.
    pub free: bool,
    /// It was asked about it.
    pub asked: bool,
}

impl Default for Weighed {
    fn default() -> Self {
        const NOTHING: f32 = -99.0;
        Weighed {
            chosen: 0,
            log_p: Vec::new(),
            weight: NOTHING,
            words: Vec::new(),
            end: NOTHING,
            worst: NOTHING,
            worst_word: String::new(),
            rivals: Vec::new(),
        }
    }
}

impl Weighed {
    /// The rival that weighs most.
    pub fn nearest(&self) -> Option<&Rival> {
        self.rivals.iter().max_by(|a, b| a.log_p.total_cmp(&b.log_p))
    }
}

/// A word the engine can't listen for.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WordProblem {
    #[error("the pronouncing dictionary does not have it")]
    NotInDictionary,
    #[error("the model's vocabulary does not have it")]
    NotInVocabulary,
    #[error("the given pronunciation has the unknown phone {0:?}")]
    UnknownPhone(String),
    #[error("it has characters the engine can't read: {0:?}")]
    BadCharacters(String),
}

/// A phrase that can't be listened for: reported at load time with the place in the procedure's file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadWord {
    pub phrase: String,
    pub word: String,
    pub at: Place,
    pub problem: WordProblem,
}

#[derive(Debug, thiserror::Error)]
pub enum EngineError {
    #[error("{0}")]
    Missing(#[from] crate::models::Missing),
    #[error("can't load {path}: {why}")]
    Load { path: String, why: String },
    #[error("the engine failed on this utterance: {0}")]
    Failed(String),
}

/// Scores candidate phrases over whole utterances. One engine value per listening thread.
pub trait Engine: Send {
    /// `phones` or `vosk`.
    fn name(&self) -> &'static str;

    /// What was loaded, for the journal: file names and versions, no private paths.
    fn describe(&self) -> String;

    /// Whether it can tell a phrase from the same words stumbled over: one said twice, or two swapped. A grammar of whole
    /// words is drawn into such sequences by a pause, and right phrases suffer: it does without these decoys.
    fn tells_stumbles(&self) -> bool {
        true
    }

    /// Whether this word can be listened for, given the procedure's own pronunciations.
    fn check_word(&self, word: &str, given: &BTreeMap<String, Vec<Vec<String>>>) -> Result<(), WordProblem>;

    /// How a word the engine does not know can be given, for the error message.
    fn how_to_add(&self, word: &str) -> String;

    /// Replaces what is listened for. Candidates whose words are unknown must not reach this (see `check_word`);
    /// if one does, it is an error, never a silently smaller set.
    fn listen_for(
        &mut self,
        candidates: &[Candidate],
        given: &BTreeMap<String, Vec<Vec<String>>>,
    ) -> Result<(), EngineError>;

    /// Scores one utterance: mono, 16 kHz.
    fn hear(&mut self, samples: &[i16]) -> Result<Scores, EngineError>;

    /// Hears the utterance last heard once more, as independently of the first time as the engine can. The scores, and
    /// what is asked of it from now on, are the mean of both. `None` from an engine that would hear the same.
    fn hear_again(&mut self) -> Result<Option<Scores>, EngineError>;

    /// How the candidate with this index lies in the utterance last heard; `None` from an engine that can't tell.
    fn fit(&self, candidate: usize) -> Option<Fit>;

    /// When the utterance last heard has a self-correction in it ('glove, correction, gown closed'): the scores of what
    /// follows the word, which from now on is the utterance last heard. `None` without one, and from an engine that can't
    /// tell.
    fn corrected(&mut self) -> Option<Scores>;

    /// First sample of what followed the word of a self-correction, in the utterance last heard, if it has one.
    fn corrected_from(&self) -> Option<usize> {
        None
    }

    /// The nearest to this candidate in the utterance last heard when one word is any other of the language; `None` from
    /// an engine that can't tell.
    fn alike(&mut self, candidate: usize) -> Option<Alike>;

    /// How well other texts fit the utterance last heard: the ratio of each, as in `Scores`; `None` of one that has words it
    /// can't pronounce, and from an engine that can't tell.
    fn score_texts(&mut self, texts: &[&str]) -> Vec<Option<f32>> {
        vec![None; texts.len()]
    }

    /// Whether two texts can't be told apart by their sound in running speech ('straps secured', 'strap secured'). An engine
    /// that knows no sounds takes them for different.
    fn sound_the_same(&self, _one: &str, _other: &str) -> bool {
        false
    }

    /// Begins to think about an utterance (mono, 16 kHz) elsewhere, for `weigh`, with the context that it will be asked
    /// with; returns at once. Engines that think when they hear do nothing.
    fn begin(&mut self, _samples: &[i16], _context: &str) -> Result<(), EngineError> {
        Ok(())
    }

    /// Weighs phrases against the utterance last begun; `None` from an engine that can't.
    fn weigh(&mut self, _asked: &Asked) -> Result<Option<Weighed>, EngineError> {
        Ok(None)
    }
}
