//! One hearing of an utterance: what the network made of each frame, as shares of the best free path.
//!
//! Owns the reading of the network's output. Must not know what is listened for.

use super::ctc::Frames;
use super::lexicon::Pronunciation;
use super::tokens::{Tokens, PHONE_COUNT};

/// Of each frame the probability of each phone and of the blank, divided by that of the frame's best token or phone: their
/// products are then shares of the best free path.
#[derive(Default)]
pub struct Emissions {
    symbols: Vec<f64>,
    blank: Vec<f64>,
    /// Probabilities of one frame's tokens, in the network's own scale.
    probabilities: Vec<f32>,
}

impl Emissions {
    /// Reads the network's raw output, row by row, and returns what the best free path says.
    pub fn read(&mut self, raw: &[f32], tokens: &Tokens) -> String {
        let Emissions { symbols, blank, probabilities } = self;
        symbols.clear();
        blank.clear();
        let mut path = FreePath::new(tokens);
        for row in raw.chunks_exact(tokens.width()) {
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
        path.text
    }

    pub fn frames(&self) -> Frames<'_> {
        Frames { symbols: &self.symbols, blank: &self.blank, symbol_count: PHONE_COUNT }
    }

    /// Number of frames.
    pub fn len(&self) -> usize {
        self.blank.len()
    }

    /// Forgets the first frames.
    pub fn forget(&mut self, frames: usize) {
        let frames = frames.min(self.len());
        self.symbols.drain(..frames * PHONE_COUNT);
        self.blank.drain(..frames);
    }

    /// The best phone or blank of each frame, repeats and blanks taken out.
    pub fn written(&self) -> Pronunciation {
        let mut phones = Vec::new();
        let mut last = None;
        for (row, blank) in self.symbols.chunks_exact(PHONE_COUNT).zip(&self.blank) {
            let best = (0..PHONE_COUNT).max_by(|a, b| row[*a].total_cmp(&row[*b])).unwrap_or_default();
            let now = (row[best] > *blank).then_some(best as u8);
            if now != last {
                phones.extend(now);
                last = now;
            }
        }
        phones
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
