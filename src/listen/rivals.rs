//! Rivals: what people say when they mean, or ought to mean, something else than a phrase. The second ear weighs a phrase
//! against them.
//!
//! Owns how they are made: one word changed, as people's slips change it. Must not know how they are weighed. Decoys are
//! rivals too; these go further, since a rival is dismissed for next to nothing.

use super::decoys;
use std::collections::BTreeSet;

/// Rivals a phrase may have at most, so that the cost of listening stays bounded.
pub const MAX_PER_PHRASE: usize = 160;

/// Words said in each other's place, a group a line: another form, another place, another value. Own list; that slips are
/// of these kinds is common practice, no source.
const GROUPS: &str = include_str!("rivals.tsv");

const NUMBERS: [&str; 13] = [
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
];

/// The rivals of one phrase, its decoys first. `known` tells the words of the language.
pub fn derive(phrase: &str, phrases: &BTreeSet<String>, known: &dyn Fn(&str) -> bool) -> Vec<String> {
    let mut found = decoys::derive(phrase, phrases);
    let words: Vec<&str> = phrase.split(' ').collect();
    for (at, word) in words.iter().enumerate() {
        for other in others(word, known) {
            let mut changed: Vec<&str> = words.clone();
            changed[at] = &other;
            let text = changed.join(" ");
            if text != phrase && !phrases.contains(&text) && !found.contains(&text) {
                found.push(text);
            }
        }
    }
    found.truncate(MAX_PER_PHRASE);
    found
}

/// What may stand in a word's place.
fn others(word: &str, known: &dyn Fn(&str) -> bool) -> Vec<String> {
    let mut found = grouped(word);
    found.extend(numbers(word));
    found.extend(forms(word).into_iter().filter(|form| form != word && known(form)));
    found
}

fn grouped(word: &str) -> Vec<String> {
    GROUPS
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| line.split('\t').collect::<Vec<_>>())
        .filter(|group| group.contains(&word))
        .flat_map(|group| {
            group.into_iter().filter(|other| *other != word).map(str::to_string).collect::<Vec<_>>()
        })
        .collect()
}

/// The numbers beside a number.
fn numbers(word: &str) -> Vec<String> {
    let Some(at) = NUMBERS.iter().position(|number| *number == word) else { return Vec::new() };
    let near = at.saturating_sub(2)..=(at + 2).min(NUMBERS.len() - 1);
    near.filter(|other| *other != at).map(|other| NUMBERS[other].to_string()).collect()
}

/// One and many, done and doing.
fn forms(word: &str) -> Vec<String> {
    let mut found = Vec::new();
    match word.strip_suffix('s').filter(|one| one.len() > 2) {
        Some(one) => found.push(one.to_string()),
        None => found.push(format!("{word}s")),
    }
    let stem = word.strip_suffix("ed").or_else(|| word.strip_suffix("ing")).unwrap_or(word);
    if stem.len() > 1 {
        let bare = stem.trim_end_matches('e');
        let soft = bare.strip_suffix('y').map(|rest| format!("{rest}ied"));
        found.extend([stem.to_string(), format!("{bare}e"), format!("{bare}ed"), format!("{bare}ing")]);
        found.extend(soft);
        if let Some(last) = bare.chars().last() {
            found.extend([format!("{bare}{last}ed"), format!("{bare}{last}ing")]);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(phrase: &str) -> Vec<String> {
        let known = |word: &str| {
            [
                "glove", "gloves", "hand", "drying", "dried", "tied", "tying", "tie", "closing", "close",
                "wrist",
            ]
            .contains(&word)
        };
        derive(phrase, &BTreeSet::new(), &known)
    }

    #[test]
    fn people_s_slips_are_rivals() {
        let has = |phrase: &str, slip: &str| {
            let rivals = of(phrase);
            assert!(
                rivals.iter().any(|rival| rival == slip),
                "{slip:?} is no rival of {phrase:?}: {rivals:?}"
            );
        };
        has("hands are dry", "hands aren't dry");
        has("hands are dry", "hands were dry");
        has("hands are dry", "hands are drying");
        has("hands are dry", "hand are dry");
        has("gown is closed", "gown isn't closed");
        has("gown is closed", "gown was closed");
        has("inner gloves are on", "inner gloves are off");
        has("inner gloves are on", "inner gloves are in");
        has("inner gloves are on", "outer gloves are on");
        has("left glove on", "right glove on");
        has("two straps tied", "three straps tied");
        has("battery is full", "battery is half");
        has("cuffs over sleeves", "cuffs under sleeves");
    }

    #[test]
    fn a_phrase_of_the_procedure_and_the_phrase_itself_are_never_rivals() {
        let phrases = BTreeSet::from(["inner gloves on".to_string(), "outer gloves on".to_string()]);
        let rivals = derive("inner gloves on", &phrases, &|_| true);
        assert!(rivals.iter().all(|rival| !phrases.contains(rival)));
    }

    #[test]
    fn their_number_is_bounded_and_none_stands_twice() {
        let rivals = derive(
            "both hands are dry and two inner gloves are on over one sleeve",
            &BTreeSet::new(),
            &|_| true,
        );
        assert!(rivals.len() <= MAX_PER_PHRASE);
        assert_eq!(rivals.iter().collect::<BTreeSet<_>>().len(), rivals.len());
    }

    #[test]
    fn no_group_names_a_word_twice_or_has_a_blank() {
        for line in GROUPS.lines().filter(|line| !line.starts_with('#')) {
            let words: Vec<&str> = line.split('\t').collect();
            assert!(
                words.len() > 1 && words.iter().all(|word| !word.is_empty() && word.trim() == *word),
                "{line}"
            );
            assert_eq!(words.iter().collect::<BTreeSet<_>>().len(), words.len(), "{line}");
        }
    }
}
