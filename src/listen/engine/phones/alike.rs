//! Words of the dictionary that sound nearly like a word of a phrase: what the phrase must be told from besides its
//! decoys, since anybody may say any word.
//!
//! Owns finding them and comparing the phrase with itself, one word replaced. Must not know what a phrase does, nor judge.

use super::ctc::{Frames, Totals, Tree};
use super::lexicon::{Lexicon, Pronunciation};
use super::tokens::phone;
use crate::listen::decoys::WEAK;
use crate::listen::engine::Alike;
use std::collections::{HashMap, HashSet};

/// Words of up to this many phones are compared with those one phone away, longer ones with those two away.
const SHORT: usize = 4;
/// Most words that one word is compared with: the nearest.
const MOST: usize = 300;
/// Only words this frequent compete: nobody says the others, and each costs right phrases.
const FREQUENT: usize = 20_000;
/// Nats: where nothing fits, differences tell nothing.
const IMPOSSIBLE: f32 = -1e4;

/// Every pronunciation of the frequent words, by number of phones.
pub struct Sounds {
    /// Index: number of phones. Phones of all entries in a row, and the line each is from.
    by_length: Vec<(Vec<u8>, Vec<u32>)>,
}

impl Sounds {
    /// `frequent` has a word at the beginning of each line, the most frequent first.
    pub fn of(lexicon: &Lexicon, frequent: &str) -> Sounds {
        let first = |line: &'_ str| line.split(' ').next().unwrap_or_default().to_string();
        let frequent: HashSet<String> = frequent.lines().take(FREQUENT).map(first).collect();
        let mut by_length: Vec<(Vec<u8>, Vec<u32>)> = Vec::new();
        lexicon.each(&|word| frequent.contains(word), |line, phones| {
            if by_length.len() <= phones.len() {
                by_length.resize_with(phones.len() + 1, Default::default);
            }
            let (all, lines) = &mut by_length[phones.len()];
            all.extend_from_slice(phones);
            lines.push(line);
        });
        Sounds { by_length }
    }

    /// The pronunciations nearest to this one, itself apart, with the lines they are from.
    fn near(&self, phones: &[u8]) -> Vec<(Pronunciation, u32)> {
        let most = if phones.len() <= SHORT { 1 } else { 2 };
        let lengths = phones.len().saturating_sub(most).max(1)..=phones.len() + most;
        let mut found = Vec::new();
        for length in lengths {
            let Some((all, lines)) = self.by_length.get(length) else { break };
            for (other, line) in all.chunks_exact(length).zip(lines) {
                let apart = strsim::generic_levenshtein(&Sequence(phones), &Sequence(other));
                if apart > 0 && apart <= most {
                    found.push((apart, other, *line));
                }
            }
        }
        found.sort();
        found.dedup_by_key(|(_, phones, _)| *phones);
        found.into_iter().take(MOST).map(|(_, phones, line)| (phones.to_vec(), line)).collect()
    }
}

/// What the distance wants of a sequence.
struct Sequence<'a>(&'a [u8]);

impl<'a> IntoIterator for &'a Sequence<'_> {
    type Item = &'a u8;
    type IntoIter = std::slice::Iter<'a, u8>;
    fn into_iter(self) -> Self::IntoIter {
        self.0.iter()
    }
}

/// What was looked up so far, and room to score in.
#[derive(Default)]
pub struct Comparison {
    near: HashMap<Pronunciation, Vec<(Pronunciation, u32)>>,
    totals: Totals,
}

impl Comparison {
    /// Compares a phrase, its words said like this, with every one that has one word replaced by one like it: the mean
    /// over the hearings of one utterance.
    pub fn compare(
        &mut self,
        hearings: &[Frames],
        text: &str,
        said: &[Pronunciation],
        sounds: &Sounds,
        lexicon: &Lexicon,
    ) -> Option<Alike> {
        let mut tree = Tree::new();
        let own = tree.insert(&said.concat());
        let words: Vec<&str> = text.split(' ').collect();
        let mut others = Vec::new();
        for (at, (word, phones)) in words.iter().zip(said).enumerate() {
            if WEAK.contains(word) {
                continue;
            }
            let near = self.near.entry(phones.clone()).or_insert_with(|| sounds.near(phones));
            let telling = |(other, line): &&(Pronunciation, u32)| {
                !one_stem(word, lexicon.word(*line)) && !only_a_breath(phones, other)
            };
            for (other, line) in near.iter().filter(telling) {
                let sequence = [&said[..at], std::slice::from_ref(other), &said[at + 1..]].concat().concat();
                others.push((tree.insert(&sequence), at, *line));
            }
        }
        // How far the phrase is above each, summed over the hearings.
        let mut margins = vec![0.0; others.len()];
        for frames in hearings {
            tree.score(frames, &mut self.totals);
            let own = self.totals.log_of(own).max(IMPOSSIBLE);
            for (margin, (leaf, _, _)) in margins.iter_mut().zip(&others) {
                *margin += own - self.totals.log_of(*leaf).max(IMPOSSIBLE);
            }
        }
        let closest = margins.into_iter().zip(others).min_by(|a, b| a.0.total_cmp(&b.0));
        let (margin, (_, at, line)) = closest?;
        let mut other = words.clone();
        other[at] = lexicon.word(line);
        Some(Alike { margin: margin / hearings.len().max(1) as f32, text: other.join(" ") })
    }
}

/// Whether two words differ by nothing but an H at their beginning: 'ears' and 'hears'. The network misses every seventh H
/// that is said (src/listen/confusions.tsv), and stand-in voices breathe before vowels: which it was can't be told.
fn only_a_breath(a: &[u8], b: &[u8]) -> bool {
    let Some(breath) = phone("HH") else { return false };
    let without = |phones: &[u8]| phones.strip_prefix(&[breath]).unwrap_or(phones).to_vec();
    without(a) == without(b)
}

/// Whether two words are forms of one, or the same but for an apostrophe: 'glove' and 'gloves', 'wipe' and 'wiped'. Which
/// of them was said changes no state of things, and their endings are said weakly.
fn one_stem(a: &str, b: &str) -> bool {
    let (short, long) = if a.len() <= b.len() { (a, b) } else { (b, a) };
    long.strip_prefix(short.trim_end_matches('e'))
        .is_some_and(|rest| ["", "e", "s", "es", "d", "ed", "'s", "ly"].contains(&rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lexicon() -> Lexicon {
        let text = "gown G AW1 N\ntown T AW1 N\nfrown F R AW1 N\ngone G AO1 N\ngrown G R OW1 N\nclosed K L OW1 Z D\nclose K L OW1 S\n";
        Lexicon::from_text(text.into())
    }

    const FREQUENT_HERE: &str = "town 3\ngone 2\nfrown 2\ngrown 1\nclose 1\nclosed 1\ngown 1\n";

    #[test]
    fn an_h_before_a_vowel_tells_nothing_and_any_other_phone_does() {
        let of = |arpabet: &str| arpabet.split(' ').map(|one| phone(one).unwrap()).collect::<Vec<u8>>();
        assert!(only_a_breath(&of("IH R Z"), &of("HH IH R Z")));
        assert!(!only_a_breath(&of("IH R Z"), &of("F IH R Z")));
        assert!(!only_a_breath(&of("HH EH R"), &of("EH R Z")));
    }

    #[test]
    fn words_a_phone_away_are_near_and_the_word_itself_is_not() {
        let lexicon = lexicon();
        let sounds = Sounds::of(&lexicon, FREQUENT_HERE);
        let gown = lexicon.look_up("gown", &Default::default()).unwrap().remove(0);
        let near: Vec<&str> = sounds.near(&gown).iter().map(|(_, line)| lexicon.word(*line)).collect();
        assert_eq!(near.len(), 2, "{near:?}");
        assert!(near.contains(&"town") && near.contains(&"gone"));
        let closed = lexicon.look_up("closed", &Default::default()).unwrap().remove(0);
        assert_eq!(sounds.near(&closed).len(), 1, "five phones: two away");
    }

    #[test]
    fn the_word_that_was_said_beats_the_one_that_was_not_and_names_itself() {
        let lexicon = lexicon();
        let sounds = Sounds::of(&lexicon, FREQUENT_HERE);
        let say = |word: &str| lexicon.look_up(word, &Default::default()).unwrap().remove(0);
        let said: Vec<u8> = say("town");
        let count = 39;
        let mut symbols = Vec::new();
        for phone in &said {
            symbols.extend((0..count).map(|symbol| if symbol == usize::from(*phone) { 1.0 } else { 0.01 }));
        }
        let frames = Frames { symbols: &symbols, blank: &[0.01; 3], symbol_count: count };
        let mut comparison = Comparison::default();
        let mut compare = |word: &str| {
            comparison
                .compare(std::slice::from_ref(&frames), word, &[say(word)], &sounds, &lexicon)
                .expect("there are others")
        };
        let town = compare("town");
        assert!(town.margin > 4.0, "{}", town.margin);
        let gown = compare("gown");
        assert!((gown.margin - 0.01f32.ln()).abs() < 1e-3, "{}", gown.margin);
        assert_eq!(gown.text, "town");
    }

    #[test]
    fn forms_of_one_word_and_rare_words_do_not_compete() {
        assert!(one_stem("glove", "gloves") && one_stem("wipe", "wiped") && one_stem("users", "user"));
        assert!(!one_stem("gown", "town") && !one_stem("tied", "untied") && !one_stem("hood", "wood"));
        let lexicon = lexicon();
        let rare = Sounds::of(&lexicon, "gone 1\n");
        let gown = lexicon.look_up("gown", &Default::default()).unwrap().remove(0);
        assert_eq!(rare.near(&gown).len(), 1);
    }
}
