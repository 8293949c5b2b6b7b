//! Near-misses: sentences that are nearly a phrase and mean something else.
//!
//! Owns how they are made, by its own means and not by `listen::decoys`, so that decoys are not tested against
//! themselves. Must not know how they are heard.

use antiphon::listen::engine::phones::PhonesEngine;
use rand::seq::{IndexedRandom, IteratorRandom};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeSet;

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Change {
    /// One word is another that sounds alike.
    Alike,
    /// One word is another at random.
    Other,
    /// A word from another phrase in its place.
    Swapped,
    Negated,
    Cut,
    /// The sound breaks off, mostly in the middle of a word.
    Broken,
    /// A word stands before or after it that is not of it.
    Longer,
    /// A word is said twice.
    Doubled,
    /// What people say when they slip: n't put in or left out, another tense, another place (on, off, in), another value
    /// (left, right, inner, outer), another number, another form (one or many, done or doing).
    Contraction,
    Tense,
    Place,
    Value,
    Number,
    Form,
}

impl Change {
    pub const ALL: [Change; 14] = [
        Change::Alike,
        Change::Other,
        Change::Swapped,
        Change::Negated,
        Change::Cut,
        Change::Broken,
        Change::Longer,
        Change::Doubled,
        Change::Contraction,
        Change::Tense,
        Change::Place,
        Change::Value,
        Change::Number,
        Change::Form,
    ];

    /// Whether what was said means something else than the phrase.
    pub fn of_meaning(self) -> bool {
        !matches!(self, Change::Longer | Change::Doubled)
    }

    pub fn name(self) -> &'static str {
        match self {
            Change::Alike => "one word like it",
            Change::Other => "one word changed",
            Change::Swapped => "a word of another phrase",
            Change::Negated => "negated",
            Change::Cut => "cut off",
            Change::Broken => "broken off",
            Change::Longer => "a word before or after",
            Change::Doubled => "a word twice",
            Change::Contraction => "n't in or out",
            Change::Tense => "another tense",
            Change::Place => "on, off or in",
            Change::Value => "another value",
            Change::Number => "another number",
            Change::Form => "another form",
        }
    }
}

pub struct Miss {
    pub of: String,
    pub words: String,
    pub change: Change,
}

/// Small words carry no state of things; changing one is no change of meaning.
const SMALL: [&str; 16] =
    ["a", "an", "the", "is", "are", "my", "i", "it", "to", "and", "of", "now", "in", "by", "with", "as"];
const NEGATIVE: [&str; 4] = ["not", "no", "never", "isn't"];

/// Slips of one word, by their kind: each is said in the other's place.
const SLIPS: [(Change, &str, &str); 52] = [
    (Change::Contraction, "is", "isn't"),
    (Change::Contraction, "are", "aren't"),
    (Change::Contraction, "was", "wasn't"),
    (Change::Contraction, "has", "hasn't"),
    (Change::Contraction, "have", "haven't"),
    (Change::Tense, "is", "was"),
    (Change::Tense, "are", "were"),
    (Change::Tense, "has", "had"),
    (Change::Tense, "looks", "looked"),
    (Change::Tense, "see", "saw"),
    (Change::Place, "on", "off"),
    (Change::Place, "on", "in"),
    (Change::Place, "over", "under"),
    (Change::Place, "in", "on"),
    (Change::Place, "off", "on"),
    (Change::Place, "up", "down"),
    (Change::Value, "inner", "outer"),
    (Change::Value, "left", "right"),
    (Change::Value, "first", "second"),
    (Change::Value, "full", "half"),
    (Change::Value, "full", "low"),
    (Change::Value, "dry", "wet"),
    (Change::Value, "clean", "dirty"),
    (Change::Value, "closed", "open"),
    (Change::Value, "tied", "tight"),
    (Change::Value, "no", "some"),
    (Change::Value, "all", "most"),
    (Change::Value, "both", "one"),
    (Change::Value, "good", "bad"),
    (Change::Value, "strong", "wrong"),
    (Change::Value, "wrist", "waist"),
    (Change::Value, "wrists", "waists"),
    (Change::Value, "hood", "hook"),
    (Change::Value, "gown", "down"),
    (Change::Value, "my", "your"),
    (Change::Value, "shut", "open"),
    (Change::Value, "loose", "tight"),
    (Change::Number, "two", "three"),
    (Change::Number, "three", "four"),
    (Change::Number, "one", "two"),
    (Change::Form, "gloves", "glove"),
    (Change::Form, "hands", "hand"),
    (Change::Form, "covers", "cover"),
    (Change::Form, "straps", "strap"),
    (Change::Form, "sleeves", "sleeve"),
    (Change::Form, "dry", "drying"),
    (Change::Form, "tied", "tying"),
    (Change::Form, "closed", "closing"),
    (Change::Form, "changed", "changing"),
    (Change::Form, "removed", "removing"),
    (Change::Form, "covered", "covering"),
    (Change::Form, "washed", "washing"),
];

/// What people say for these phrases when they slip.
pub fn slips(phrases: &[String]) -> Vec<Miss> {
    let mut found = Vec::new();
    for phrase in phrases {
        let words: Vec<&str> = phrase.split(' ').collect();
        for (at, word) in words.iter().enumerate() {
            for (change, one, other) in SLIPS {
                let instead = match *word {
                    word if word == one => other,
                    word if word == other => one,
                    _ => continue,
                };
                let words = with(&words, at, instead).join(" ");
                if !phrases.contains(&words) && !found.iter().any(|miss: &Miss| miss.words == words) {
                    found.push(Miss { of: phrase.clone(), words, change });
                }
            }
        }
        let short = words.iter().position(|word| ["is", "are"].contains(word));
        let negated = short.map(|at| [&words[..=at], &["not"], &words[at + 1..]].concat().join(" "));
        found.extend(negated.map(|words| Miss { of: phrase.clone(), words, change: Change::Negated }));
    }
    found
}

/// How much is left of what breaks off.
const LEFT: f64 = 0.65;

/// A phrase that breaks off.
pub fn broken(speech: &[i16]) -> Vec<i16> {
    let loud = |piece: &[i16]| piece.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>();
    let pieces: Vec<f64> = speech.chunks(320).map(loud).collect();
    let over = pieces.iter().copied().fold(0.0, f64::max) * 1e-4;
    let first = pieces.iter().position(|piece| *piece > over).unwrap_or(0) * 320;
    let last = pieces.iter().rposition(|piece| *piece > over).unwrap_or(0) * 320;
    let end = first + ((last - first) as f64 * LEFT) as usize;
    speech[..end].to_vec()
}

/// Several near-misses of each phrase.
pub fn misses(
    phrases: &[String],
    vocabulary: &BTreeSet<String>,
    engine: &PhonesEngine,
    random: &mut ChaCha8Rng,
) -> Vec<Miss> {
    let mut found = Vec::new();
    for phrase in phrases {
        let words: Vec<&str> = phrase.split(' ').collect();
        let heavy: Vec<usize> = (0..words.len()).filter(|at| !SMALL.contains(&words[*at])).collect();
        let mut add = |words: Vec<&str>, change: Change| {
            let words = words.join(" ");
            if words != *phrase && !phrases.contains(&words) {
                found.push(Miss { of: phrase.clone(), words, change });
            }
        };
        for at in &heavy {
            if let Some(alike) = alike(words[*at], vocabulary, engine) {
                add(with(&words, *at, alike), Change::Alike);
            }
        }
        let (Some(at), Some(other)) = (heavy.choose(random), vocabulary.iter().choose(random)) else {
            continue;
        };
        add(with(&words, *at, other), Change::Other);
        let elsewhere: Vec<&str> =
            phrases.iter().filter(|other| *other != phrase).flat_map(|other| other.split(' ')).collect();
        if let (Some(at), Some(other)) = (heavy.choose(random), elsewhere.choose(random)) {
            if !SMALL.contains(other) {
                add(with(&words, *at, other), Change::Swapped);
            }
        }
        if !words.iter().any(|word| NEGATIVE.contains(word)) {
            let verb = words.iter().position(|word| ["is", "are", "looks", "stays", "has"].contains(word));
            let at = verb.map_or(words.len() - 1, |verb| verb + 1);
            add([&words[..at], &["not"], &words[at..]].concat(), Change::Negated);
            add([&["no"], &words[..]].concat(), Change::Negated);
        }
        for cut in [&words[1..], &words[..words.len() - 1]] {
            let heavier = |words: &[&str]| words.iter().filter(|word| !SMALL.contains(word)).count();
            if heavier(cut) < heavier(&words) {
                add(cut.to_vec(), Change::Cut);
            }
        }
        if let Some(more) = vocabulary.iter().filter(|word| word.len() > 4).choose(random) {
            add([&[more.as_str()], &words[..]].concat(), Change::Longer);
            add([&words[..], &[more.as_str()]].concat(), Change::Longer);
        }
        if let Some(at) = heavy.first() {
            add([&words[..*at], &[words[*at]], &words[*at..]].concat(), Change::Doubled);
        }
    }
    found
}

fn with<'a>(words: &[&'a str], at: usize, word: &'a str) -> Vec<&'a str> {
    let mut changed = words.to_vec();
    changed[at] = word;
    changed
}

/// Whether two words are forms of one: 'glove' and 'gloves', 'wipe' and 'wiped'.
fn one_stem(a: &str, b: &str) -> bool {
    let (short, long) = if a.len() <= b.len() { (a, b) } else { (b, a) };
    long.strip_prefix(short.trim_end_matches('e'))
        .is_some_and(|rest| ["", "e", "s", "es", "d", "ed", "ing", "er", "ers", "'s"].contains(&rest))
}

/// The everyday word that sounds most like this one without being a form of it.
fn alike<'v>(word: &str, vocabulary: &'v BTreeSet<String>, engine: &PhonesEngine) -> Option<&'v str> {
    let mine = engine.phones_of(word)?;
    vocabulary
        .iter()
        .filter(|other| !one_stem(other, word))
        .filter_map(|other| {
            let theirs = engine.phones_of(other)?;
            let apart = strsim::generic_levenshtein(&mine, &theirs);
            (1..=2).contains(&apart).then_some((apart, other.as_str()))
        })
        .min()
        .map(|(_, other)| other)
}
