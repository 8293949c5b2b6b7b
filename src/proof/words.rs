//! What phrases and instructions say: bare answers, negations, several actions at once.
//!
//! Owns the lists of words. English only; must not know how anything sounds.

use super::{english, key_place, word_place, Finding, Level};
use crate::procedure::{Phrase, Place, Procedure, Use};

/// Answers that say no state of things: any of them fits any question (Degani and Wiener 1990, NASA CR-177549: answer with
/// the state that is seen).
const BARE: [&str; 27] = [
    "done",
    "check",
    "checked",
    "okay",
    "ok",
    "set",
    "yes",
    "yeah",
    "yep",
    "ready",
    "complete",
    "completed",
    "affirm",
    "affirmative",
    "roger",
    "good",
    "fine",
    "right",
    "correct",
    "confirmed",
    "confirm",
    "finished",
    "copy",
    "sure",
    "alright",
    "wilco",
    "understood",
];
/// Words that add nothing to a bare answer.
const EMPTY: [&str; 24] = [
    "all",
    "is",
    "are",
    "it",
    "its",
    "it's",
    "i",
    "am",
    "i'm",
    "that",
    "that's",
    "this",
    "the",
    "and",
    "now",
    "we",
    "have",
    "has",
    "been",
    "so",
    "very",
    "everything",
    "step",
    "well",
];
/// One weak syllable that turns a phrase round.
const WEAK_NEGATIONS: [&str; 3] = ["not", "no", "un-"];
/// More actions than this in one instruction are a warning. From memory: read-back errors rise with the length of a
/// message, and the advice was at most four pieces of information (Cardosi 1994, FAA).
const MOST_ACTIONS: usize = 3;
/// Verbs that begin an action of this trade.
const ACTIONS: [&str; 69] = [
    "adjust",
    "apply",
    "bend",
    "buckle",
    "button",
    "call",
    "change",
    "check",
    "clean",
    "clip",
    "close",
    "connect",
    "count",
    "cover",
    "cut",
    "dispose",
    "disinfect",
    "don",
    "doff",
    "drop",
    "dry",
    "fasten",
    "fold",
    "get",
    "give",
    "go",
    "grasp",
    "hang",
    "hold",
    "inspect",
    "lay",
    "leave",
    "lift",
    "look",
    "loosen",
    "move",
    "open",
    "peel",
    "pick",
    "place",
    "press",
    "pull",
    "push",
    "put",
    "reach",
    "read",
    "release",
    "remove",
    "roll",
    "rub",
    "sit",
    "spread",
    "stand",
    "step",
    "switch",
    "take",
    "tell",
    "test",
    "tie",
    "touch",
    "tuck",
    "turn",
    "unbuckle",
    "unclip",
    "untie",
    "unzip",
    "wait",
    "wash",
    "wipe",
];

pub(super) fn check(procedure: &Procedure, lines: &[&str]) -> Vec<Finding> {
    if !english(procedure) {
        return Vec::new();
    }
    let mut found = Vec::new();
    for phrase in &procedure.phrases {
        found.extend(bare(phrase));
        found.extend(negated(phrase, lines));
    }
    for step in &procedure.steps {
        found.extend(busy(&step.instruction, key_place(lines, step.at, "instruction")));
    }
    found
}

/// A phrase by which a session moves on.
fn moves_on(phrase: &Phrase) -> bool {
    matches!(phrase.used, Use::ReadBack { .. } | Use::Confirmation { .. } | Use::Answer { .. })
}

fn bare(phrase: &Phrase) -> Option<Finding> {
    let confirms = matches!(phrase.used, Use::Confirmation { .. });
    if !confirms && !matches!(phrase.used, Use::ReadBack { .. }) {
        return None;
    }
    let all = phrase.words().all(|word| BARE.contains(&word) || EMPTY.contains(&word));
    if !all || !phrase.words().any(|word| BARE.contains(&word)) {
        return None;
    }
    let level = if confirms { Level::Error } else { Level::Warning };
    let what = format!("\"{}\" says no state of things", phrase.text);
    Some(
        Finding::new(level, "bare-answer", phrase.at, what)
            .why(
                "it fits any step, so it is said without looking; an answer names the state that is seen \
                 (Degani and Wiener 1990, NASA CR-177549)",
            )
            .fix("say what is true now, for example: inner gloves are on"),
    )
}

fn negated(phrase: &Phrase, lines: &[&str]) -> Option<Finding> {
    if !moves_on(phrase) {
        return None;
    }
    let weak = |word: &&str| {
        WEAK_NEGATIONS.contains(word)
            || word.ends_with("n't")
            || (word.starts_with("un") && word.ends_with("ed") && word.len() > 6)
    };
    let word = phrase.words().find(weak)?;
    let rest: Vec<&str> = phrase.words().map(|other| if other == word { "..." } else { other }).collect();
    let what = format!("in \"{}\" everything hangs on \"{word}\"", phrase.text);
    Some(
        Finding::new(Level::Warning, "weak-negation", word_place(lines, phrase.at, word), what)
            .why(format!("one weak syllable; without it, it says the reverse: \"{}\"", rest.join(" ")))
            .fix("say what is true instead of what is not"),
    )
}

/// An instruction with several actions in it.
fn busy(instruction: &str, at: Place) -> Option<Finding> {
    let most = actions(instruction);
    if most.len() < 2 {
        return None;
    }
    let level = if most.len() > MOST_ACTIONS { Level::Warning } else { Level::Advice };
    let what = format!("one instruction, {} actions: {}", most.len(), most.join(", "));
    Some(
        Finding::new(level, "many-actions", at, what)
            .why("errors rise with the length of what is to be read back (Cardosi 1994; Prinzo 2006, FAA)")
            .fix("give each action a step of its own, unless they are one movement"),
    )
}

/// The verbs of the actions that one person is told, of the person with most. What follows a colon explains and is not
/// counted.
fn actions(instruction: &str) -> Vec<String> {
    let mut each = [Vec::new(), Vec::new()];
    let mut who = 0;
    for sentence in instruction.split(['.', ';', '!', '?']) {
        let told = sentence.split(':').next().unwrap_or_default().to_lowercase();
        let clauses = told.replace(" then ", ",").replace(" and ", ",");
        for clause in clauses.split(',') {
            let mut words = clause.split_whitespace().peekable();
            match words.peek() {
                Some(&"observer") => who = 1,
                Some(&"worker") => who = 0,
                _ => {}
            }
            let begins = |word: &&str| !["now", "slowly", "carefully", "first", "then", "and"].contains(word);
            if let Some(verb) = words.find(begins).filter(|word| ACTIONS.contains(word)) {
                each[who].push(verb.to_string());
            }
        }
    }
    let [worker, observer] = each;
    if observer.len() > worker.len() {
        observer
    } else {
        worker
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn actions_are_counted_a_person_and_explanations_are_not() {
        assert_eq!(actions("Put on the gown and tie it, then check the mirror."), ["put", "tie", "check"]);
        assert_eq!(actions("Buckle the belt. Observer, hold the unit."), ["buckle"]);
        assert_eq!(
            actions("Take off everything personal: watch, phone. Tie back long hair."),
            ["take", "tie"]
        );
        assert_eq!(actions("Settle your needs: drink, eat, use the toilet."), [""; 0]);
    }

    #[test]
    fn the_lists_are_in_order_or_at_least_without_doubles() {
        for list in [&BARE[..], &EMPTY[..], &ACTIONS[..]] {
            let set: std::collections::BTreeSet<_> = list.iter().collect();
            assert_eq!(set.len(), list.len());
        }
    }
}
