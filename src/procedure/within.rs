//! Which phrases stand within a text that is spoken.
//!
//! Owns how a text is cut into words as phrases are. Must not know who speaks it, nor what follows from it.

use super::parse::{words, WordsError};
use super::Phrase;

/// The words of a text, as phrases are written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpokenWords(Vec<String>);

impl SpokenWords {
    /// What no phrase can hold (a number, a symbol) is spoken too and stands between words.
    pub fn of(text: &str) -> SpokenWords {
        let mut spoken = Vec::new();
        for piece in text.split_whitespace() {
            match words(piece) {
                Ok(piece) => spoken.extend(piece.split(' ').map(str::to_string)),
                Err(WordsError::Empty) => {}
                Err(_) => spoken.push(String::new()),
            }
        }
        SpokenWords(spoken)
    }

    /// Whether the phrase's words follow each other here.
    pub fn hold(&self, phrase: &Phrase) -> bool {
        let phrase: Vec<&str> = phrase.words().collect();
        self.0.windows(phrase.len()).any(|part| part.iter().zip(&phrase).all(|(one, other)| one == other))
    }
}
