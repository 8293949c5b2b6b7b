//! What both benchmarks share: recordings of a person, and the candidates a listener would score.

pub mod prompts;

use antiphon::listen::decoys;
use antiphon::listen::engine::{Candidate, Engine, Kind};
use antiphon::procedure::PhraseId;
use std::collections::{BTreeMap, BTreeSet};

/// Every phrase as one that counts, and all decoys of each that the engine can pronounce: the most work there is.
pub fn candidates(phrases: &[String], engine: &dyn Engine) -> Vec<Candidate> {
    let all: BTreeSet<String> = phrases.iter().cloned().collect();
    let given = BTreeMap::new();
    let ids = || (0..).map(PhraseId);
    let mut candidates: Vec<Candidate> = phrases
        .iter()
        .zip(ids())
        .map(|(text, id)| Candidate { text: text.clone(), kind: Kind::Counts(id) })
        .collect();
    let mut seen = all.clone();
    for (phrase, id) in phrases.iter().zip(ids()) {
        for text in decoys::derive(phrase, &all) {
            let sayable = text.split(' ').all(|word| engine.check_word(word, &given).is_ok());
            if sayable && seen.insert(text.clone()) {
                candidates.push(Candidate { text, kind: Kind::Decoy(id) });
            }
        }
    }
    candidates
}
