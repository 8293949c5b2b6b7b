//! Tries other wordings for a phrase that can be mistaken.
//!
//! Owns the list of other words and the choice. Must not judge whether a wording is needed.

use super::book::{ways_to_say, Book};
use super::{Better, LookUp};
use crate::procedure::{PhraseId, Procedure};
use std::collections::HashMap;

const LIST: &str = include_str!("wording.tsv");
/// A wording must lower the risk to less than this share of what it was.
const WORTH_IT: f64 = 0.5;

/// Words with what may stand for each.
pub(super) fn list() -> impl Iterator<Item = (&'static str, Vec<&'static str>)> {
    let lines = LIST.lines().filter(|line| !line.starts_with('#'));
    lines.filter_map(|line| line.split_once('\t')).map(|(word, others)| (word, others.split(',').collect()))
}

/// The wording of either phrase with the least risk, if one is much better than what is there.
pub(super) fn better(
    procedure: &Procedure,
    book: &Book,
    pair: (PhraseId, PhraseId),
    risk: f64,
    look_up: &LookUp,
) -> Option<Better> {
    let mut known = HashMap::new();
    let mut best: Option<Better> = None;
    for (id, other) in [pair, (pair.1, pair.0)] {
        let phrase = procedure.phrase(id);
        if phrase.at == crate::procedure::Place::BUILT_IN {
            continue;
        }
        for text in wordings(&phrase.text) {
            if procedure.phrases.iter().any(|phrase| phrase.text == text) {
                continue;
            }
            let ways = ways_to_say(&text, &mut known, look_up);
            let left = ways_risk(book, &ways, id, other);
            let least = best.as_ref().map_or(risk * WORTH_IT, |best| best.risk);
            if !ways.is_empty() && left < least {
                best = Some(Better { instead_of: phrase.text.clone(), text, risk: left });
            }
        }
    }
    best
}

/// What remains, both ways, of the risk with the other phrase of the pair and with all that may be said beside the phrase.
fn ways_risk(book: &Book, ways: &[Vec<u8>], id: PhraseId, other: PhraseId) -> f64 {
    let beside = book.beside[usize::from(id.0)].iter().copied().filter(|beside| *beside != other);
    let rivals = beside.chain([other]).map(|rival| &book.ways[usize::from(rival.0)]);
    rivals.map(|rival| book.risk(rival, ways).max(book.risk(ways, rival))).fold(0.0, f64::max)
}

/// Each word in turn replaced by each that may stand for it.
fn wordings(phrase: &str) -> Vec<String> {
    let words: Vec<&str> = phrase.split(' ').collect();
    let mut found = Vec::new();
    for (at, word) in words.iter().enumerate() {
        for other in list().filter(|(listed, _)| listed == word).flat_map(|(_, others)| others) {
            let mut changed = words.clone();
            changed[at] = other;
            found.push(changed.join(" "));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::decoys::opposite_pairs;

    #[test]
    fn no_other_word_is_an_opposite_and_no_word_stands_twice() {
        let mut seen = std::collections::BTreeSet::new();
        for (word, others) in list() {
            assert!(seen.insert(word), "{word} twice");
            for other in others {
                assert!(!other.is_empty() && other == other.trim(), "{word}: {other:?}");
                let turned =
                    opposite_pairs().any(|(a, b)| (a, b) == (word, other) || (b, a) == (word, other));
                assert!(!turned, "{other} turns {word} round");
            }
        }
        assert!(seen.len() > 50);
    }

    #[test]
    fn each_word_is_replaced_in_turn() {
        let all = wordings("gloves are on");
        assert!(all.contains(&"gloves are worn".to_string()) && all.contains(&"mitts are on".to_string()));
        assert!(wordings("xylem qua").is_empty());
    }
}
