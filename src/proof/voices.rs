//! What was counted when natural voices said the phrases: findings, a phrase each.
//!
//! Owns from where on a phrase is not heard well enough. Must not know voices or listening: it is handed counts.

use super::{Finding, Level};
use crate::procedure::{PhraseId, Procedure};
use serde::Serialize;
use std::collections::BTreeMap;

/// Share of the voices that a phrase must be heard by.
const ENOUGH: f64 = 0.95;

/// How one phrase was heard.
#[derive(Debug, Clone, Serialize)]
pub struct Count {
    #[serde(skip)]
    pub phrase: PhraseId,
    pub text: String,
    pub by: Option<&'static str>,
    /// Voices that said it.
    pub voices: usize,
    /// Of these: it was accepted as this phrase.
    pub heard: usize,
    /// The others.
    pub others: Vec<Other>,
}

/// A voice that was not heard right.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Other {
    pub voice: String,
    /// For people: `taken for "gown is off"`.
    pub heard: String,
}

/// A warning for each phrase that too many voices were not heard with.
pub fn check(procedure: &Procedure, counts: &[Count], noise: Option<&str>) -> Vec<Finding> {
    let bad = counts.iter().filter(|count| (count.heard as f64) < ENOUGH * count.voices as f64);
    bad.map(|count| finding(procedure, count, noise)).collect()
}

fn finding(procedure: &Procedure, count: &Count, noise: Option<&str>) -> Finding {
    let noise = noise.map(|noise| format!(" in noise ({noise})")).unwrap_or_default();
    let what = format!("\"{}\" was heard from {} of {} voices{noise}", count.text, count.heard, count.voices);
    let mut ways: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for other in &count.others {
        ways.entry(&other.heard).or_default().push(&other.voice);
    }
    let mut ways: Vec<(&str, Vec<&str>)> = ways.into_iter().collect();
    ways.sort_by_key(|(_, voices)| std::cmp::Reverse(voices.len()));
    let ways: Vec<String> =
        ways.iter().map(|(heard, voices)| format!("{heard} ({})", voices.join(", "))).collect();
    Finding::new(Level::Warning, "voices", procedure.phrase(count.phrase).at, what)
        .why(format!("the others: {}", ways.join("; ")))
        .fix("try other words: three to five, none of them weak, and lint it with --voices again")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::parse::parse;

    #[test]
    fn a_phrase_that_fewer_than_95_percent_of_the_voices_are_heard_with_is_a_warning_at_its_line() {
        let source = include_str!("../../procedures/isolation-donning.toml");
        let procedure = parse(source, "p.toml").expect("it is shipped");
        let phrase = procedure.steps[0].read_back[0];
        let count = |voices: usize, heard: usize| Count {
            phrase,
            text: procedure.phrase(phrase).text.clone(),
            by: None,
            voices,
            heard,
            others: (heard..voices)
                .map(|number| Other { voice: format!("v{number}"), heard: "not noticed".into() })
                .collect(),
        };
        assert_eq!(check(&procedure, &[count(12, 12), count(20, 19), count(0, 0)], None), []);
        let found = check(&procedure, &[count(12, 10)], Some("fan:10"));
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].at, Some(procedure.phrase(phrase).at));
        assert!(found[0].what.ends_with("from 10 of 12 voices in noise (fan:10)"), "{}", found[0].what);
        assert_eq!(found[0].why, "the others: not noticed (v10, v11)");
    }
}
