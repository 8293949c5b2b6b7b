//! Decoys: word sequences that must not be taken for a phrase, derived from the phrase itself.
//!
//! Owns the derivations and their data tables. Must not know how decoys are scored or what follows from one.
//! A decoy that *is* another phrase of the procedure is left out: that phrase competes under its own name.

use std::collections::BTreeSet;

/// Decoys a phrase may have at most, so that the cost of listening stays bounded.
pub const MAX_PER_PHRASE: usize = 24;

const OPPOSITES: &str = include_str!("opposites.tsv");

/// Words whose loss or gain does not change what a phrase says: a decoy differs in more than these.
const WEIGHTLESS: [&str; 19] = [
    "a", "an", "the", "is", "are", "was", "were", "be", "been", "my", "your", "i", "it", "to", "and", "of",
    "for", "as", "now",
];

/// Words that are said so weakly that nothing can be concluded from how they sound. Decoys and the weight of the rest of
/// the phrase stand for them. Common practice, no source.
pub const WEAK: [&str; 44] = [
    "a", "an", "the", "is", "are", "was", "were", "be", "been", "my", "your", "our", "his", "her", "i", "it",
    "its", "to", "and", "of", "for", "as", "at", "by", "with", "from", "this", "that", "these", "you", "we",
    "he", "she", "has", "have", "had", "will", "do", "does", "if", "or", "there", "than", "now",
];

const NEGATIONS: [&str; 4] = ["not", "no", "never", "don't"];

/// The decoys of one phrase, most telling first, without any that is in `phrases`.
pub fn derive(phrase: &str, phrases: &BTreeSet<String>) -> Vec<String> {
    let words: Vec<&str> = phrase.split(' ').collect();
    let mut found: Vec<String> = Vec::new();
    let undone = undone(&words);
    let undone = undone.iter().map(|decoy| decoy.iter().map(String::as_str).collect());
    let all = opposites(&words)
        .chain(undone)
        .chain(negations(&words))
        .chain(cut(&words))
        .chain(dropped(&words))
        .chain(swapped(&words))
        .chain(doubled(&words));
    for decoy in all {
        let text = decoy.join(" ");
        if !text.is_empty()
            && weighty(&decoy) != weighty(&words)
            && !phrases.contains(&text)
            && !found.contains(&text)
        {
            found.push(text);
        }
    }
    found.truncate(MAX_PER_PHRASE);
    found
}

fn weighty<'a>(words: &[&'a str]) -> Vec<&'a str> {
    words.iter().copied().filter(|word| !WEIGHTLESS.contains(word)).collect()
}

/// The pairs of the table.
pub fn opposite_pairs() -> impl Iterator<Item = (&'static str, &'static str)> {
    OPPOSITES.lines().filter(|line| !line.starts_with('#')).filter_map(|line| line.split_once('\t'))
}

/// Each word in turn replaced by each of its opposites, but for a second negation: nobody says "don't not".
fn opposites<'a>(words: &'a [&'a str]) -> impl Iterator<Item = Vec<&'a str>> + 'a {
    words.iter().enumerate().flat_map(move |(index, word)| {
        opposite_pairs()
            .filter_map(move |(a, b)| match *word {
                w if w == a => Some(b),
                w if w == b => Some(a),
                _ => None,
            })
            .filter(move |other| !negates(other) || !negated_but_at(words, index))
            .map(move |other| with(words, index, other))
    })
}

fn negates(word: &str) -> bool {
    NEGATIONS.contains(&word) || word.ends_with("n't")
}

fn negated_but_at(words: &[&str], index: usize) -> bool {
    words.iter().enumerate().any(|(at, word)| at != index && negates(word))
}

/// Each participle with 'un' before it, or without the one it has: 'muted' and 'unmuted'.
fn undone(words: &[&str]) -> Vec<Vec<String>> {
    let other = |word: &str| match word.strip_prefix("un") {
        Some(done) if done.len() >= 4 && done.ends_with("ed") => Some(done.to_string()),
        None if word.len() >= 4 && word.ends_with("ed") => Some(format!("un{word}")),
        _ => None,
    };
    let replaced = |index: usize, other: String| {
        let mut changed: Vec<String> = words.iter().map(|word| word.to_string()).collect();
        changed[index] = other;
        changed
    };
    words
        .iter()
        .enumerate()
        .filter_map(|(index, word)| other(word).map(|other| replaced(index, other)))
        .collect()
}

fn with<'a>(words: &[&'a str], index: usize, word: &'a str) -> Vec<&'a str> {
    let mut changed = words.to_vec();
    changed[index] = word;
    changed
}

/// Negations put in (before any word but the first, and 'no' in front) or left out.
fn negations<'a>(words: &'a [&'a str]) -> impl Iterator<Item = Vec<&'a str>> + 'a {
    let without = words.iter().enumerate().filter(|(_, word)| NEGATIONS.contains(word)).map(|(index, _)| {
        let mut less = words.to_vec();
        less.remove(index);
        less
    });
    let negated = words.iter().any(|word| NEGATIONS.contains(word));
    let inserted = (1..words.len()).rev().filter(move |_| !negated).map(|index| {
        let mut more = words.to_vec();
        more.insert(index, "not");
        more
    });
    let fronted = ["no", "not"].into_iter().filter(move |_| !negated).map(|word| {
        let mut more = vec![word];
        more.extend_from_slice(words);
        more
    });
    without.chain(inserted).chain(fronted)
}

/// The first and the last part of a phrase, down to one word.
fn cut<'a>(words: &'a [&'a str]) -> impl Iterator<Item = Vec<&'a str>> + 'a {
    let count = words.len();
    (1..count).rev().flat_map(move |keep| [words[..keep].to_vec(), words[count - keep..].to_vec()])
}

/// Each word left out.
fn dropped<'a>(words: &'a [&'a str]) -> impl Iterator<Item = Vec<&'a str>> + 'a {
    (0..words.len()).map(|index| {
        let mut less = words.to_vec();
        less.remove(index);
        less
    })
}

/// Two neighbours each in the other's place.
fn swapped<'a>(words: &'a [&'a str]) -> impl Iterator<Item = Vec<&'a str>> + 'a {
    (1..words.len()).map(|index| {
        let mut changed = words.to_vec();
        changed.swap(index - 1, index);
        changed
    })
}

/// Whether this decoy has the phrase's words stumbled over: one said twice, or two swapped.
pub fn is_stumble(decoy: &str, phrase: &str) -> bool {
    let words: Vec<&str> = phrase.split(' ').collect();
    let found = doubled(&words).chain(swapped(&words)).any(|stumbled| stumbled.join(" ") == decoy);
    found
}

/// Each word said twice: somebody who stumbles is asked again. Not twice is no stumble, and means nothing sure.
fn doubled<'a>(words: &'a [&'a str]) -> impl Iterator<Item = Vec<&'a str>> + 'a {
    (0..words.len()).filter(|index| !NEGATIONS.contains(&words[*index])).map(|index| {
        let mut more = words.to_vec();
        more.insert(index, words[index]);
        more
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(phrase: &str) -> Vec<String> {
        derive(phrase, &BTreeSet::new())
    }

    #[test]
    fn the_reverse_the_negated_and_the_half_phrase_are_decoys() {
        let decoys = of("inner gloves on");
        for wanted in [
            "inner gloves off",
            "outer gloves on",
            "inner gloves not on",
            "no inner gloves on",
            "inner gloves",
            "gloves on",
        ] {
            assert!(decoys.iter().any(|d| d == wanted), "{wanted:?} not in {decoys:?}");
        }
        assert!(!decoys.iter().any(|d| d == "inner gloves on"));
    }

    #[test]
    fn a_word_twice_and_two_words_swapped_are_decoys() {
        let decoys = of("gloves over sleeves");
        for wanted in ["over gloves sleeves", "gloves sleeves over", "gloves gloves over sleeves"] {
            assert!(decoys.iter().any(|d| d == wanted), "{wanted:?} not in {decoys:?}");
        }
        assert!(!of("stop stop").contains(&"stop stop".to_string()));
        assert!(is_stumble("gloves over over sleeves", "gloves over sleeves"));
        assert!(is_stumble("over gloves sleeves", "gloves over sleeves"));
        assert!(!is_stumble("gloves under sleeves", "gloves over sleeves"));
    }

    #[test]
    fn what_was_done_and_what_was_undone_are_decoys_of_each_other() {
        assert!(of("the strap is buckled").contains(&"the strap is unbuckled".to_string()));
        assert!(of("the strap is unbuckled").contains(&"the strap is buckled".to_string()));
        assert!(!of("under the red bed")
            .iter()
            .any(|decoy| decoy.contains("unred") || decoy.contains("unbed")));
    }

    #[test]
    fn a_negation_in_the_phrase_is_left_out_not_doubled() {
        let decoys = of("gown not torn");
        assert!(decoys.contains(&"gown torn".to_string()));
        assert!(!decoys.iter().any(|d| d.contains("not not")));
        let decoys = of("do not open");
        assert!(decoys.contains(&"do open".to_string()));
        assert!(!decoys.iter().any(|d| d.contains("don't")), "{decoys:?}");
        assert!(!of("gown is not torn").iter().any(|d| d.contains("isn't")));
        assert!(of("do open").contains(&"don't open".to_string()));
    }

    #[test]
    fn a_small_word_more_or_less_makes_no_decoy() {
        let decoys = of("i know what follows");
        assert!(!decoys.contains(&"know what follows".to_string()), "{decoys:?}");
        assert!(!of("inner gloves are on").contains(&"inner gloves on".to_string()));
    }

    #[test]
    fn another_phrase_is_never_a_decoy() {
        let phrases = BTreeSet::from(["inner gloves on".to_string(), "outer gloves on".to_string()]);
        assert!(!derive("inner gloves on", &phrases).contains(&"outer gloves on".to_string()));
    }

    #[test]
    fn one_stop_of_two_is_a_decoy_so_that_it_is_asked_about() {
        assert!(of("stop stop").contains(&"stop".to_string()));
    }

    #[test]
    fn the_number_of_decoys_is_bounded() {
        let long = "on off open closed over under tied good in up left inner clean clear dry start";
        assert_eq!(of(long).len(), MAX_PER_PHRASE);
    }

    #[test]
    fn the_table_of_opposites_has_no_pair_twice_and_no_blank() {
        let mut seen = BTreeSet::new();
        for (a, b) in opposite_pairs() {
            assert!(!a.is_empty() && !b.is_empty() && a != b, "{a:?} {b:?}");
            assert!(seen.insert(if a < b { (a, b) } else { (b, a) }), "{a} {b} twice");
        }
        assert!(seen.len() > 40);
    }
}
