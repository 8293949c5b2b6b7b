//! The way out: the observer's phrase, the reasons, and at which steps it is there.
//!
//! Owns its defaults and what makes it usable. Must not know what a session does with it.

use super::book::PhraseBook;
use super::error::Sink;
use super::raw::{RawDecision, RawProcedure, RawStep};
use super::values::{cap, shown, Ids};
use crate::procedure::{Decision, PhraseId, Reason, Role, Step, Use};

/// More are not kept in mind while they are read out.
pub const MAX_REASONS: usize = 8;

const PHRASE_EN: &str = "seen and accepted";
/// Counts as well, and is asked for where the first is not understood: some voices are never heard with one phrase, and this
/// one has no sound in common with it.
const OTHER_PHRASE_EN: &str = "my decision is to go on";
/// Id, label, phrase.
const REASONS_EN: [(&str, &str, &str); 3] = [
    ("voice", "voice misheard", "the voice was misheard"),
    ("noise", "too much noise", "too much noise"),
    (OTHER, "other reason", "some other reason"),
];
/// The reason that is always there.
const OTHER: &str = "other";

/// Sets for each step whether it may be decided about. The phrases come last, so that those of older records keep their
/// numbers.
pub(super) fn build(
    sink: &mut Sink,
    book: &mut PhraseBook,
    raw: &RawProcedure,
    raw_steps: &[&RawStep],
    steps: &mut [Step],
    english: bool,
) -> Option<Decision> {
    let given = raw.decision.as_ref();
    let usual = raw.rules.decision.unwrap_or(true);
    // What the file leaves open is off where there are no words for it; what it asks for has to have them.
    let asked = raw.rules.decision == Some(true) || raw_steps.iter().any(|step| step.decision == Some(true));
    if given.is_none() && !english {
        if asked {
            sink.report_file(
                "there is no phrase by which the observer decides",
                "only English has a built-in one",
                "add [decision] with its phrase and its reasons, or leave out decision = true",
            );
        }
        return None;
    }
    for (step, raw) in steps.iter_mut().zip(raw_steps) {
        step.decision = raw.decision.unwrap_or(usual && !step.critical);
    }
    if !steps.iter().any(|step| step.decision) {
        return None;
    }
    let mut phrases = phrases(sink, book, given, english);
    let reasons = reasons(sink, book, given, english);
    if english && given.is_none_or(|given| given.phrase.is_none()) {
        let label = "the observer's decision, in other words".into();
        phrases.extend(book.add_built_in(sink, OTHER_PHRASE_EN, Some(Role::Observer), Use::Decision, label));
    }
    Some(Decision { phrases, reasons })
}

fn phrases(
    sink: &mut Sink,
    book: &mut PhraseBook,
    given: Option<&RawDecision>,
    english: bool,
) -> Vec<PhraseId> {
    let (by, label) = (Some(Role::Observer), "the observer's decision");
    match given.map(|given| (given, given.phrase.as_ref())) {
        Some((_, Some(given))) => {
            given.iter().filter_map(|raw| book.add(sink, raw, by, Use::Decision, label.into())).collect()
        }
        Some((given, None)) if !english => {
            sink.report(
                given.span.clone(),
                "[decision] has no `phrase`".into(),
                "only English has a built-in one",
                "add a line: phrase = \"...\"".into(),
            );
            vec![]
        }
        _ => book.add_built_in(sink, PHRASE_EN, by, Use::Decision, label.into()).into_iter().collect(),
    }
}

fn reasons(
    sink: &mut Sink,
    book: &mut PhraseBook,
    given: Option<&RawDecision>,
    english: bool,
) -> Vec<Reason> {
    let own = given.map_or(&[][..], |given| &given.reasons);
    cap(sink, own, MAX_REASONS, "reasons", |reason| reason.span.clone());
    let mut ids = Ids::new("reason");
    let mut reasons: Vec<Reason> = vec![];
    for raw in own.iter().take(MAX_REASONS) {
        let id = ids.take(sink, raw.id.as_ref());
        let used = Use::Reason { reason: reasons.len() as u16 };
        let label = format!("reason `{id}` of a decision");
        let words = raw.phrase.as_ref();
        let phrase = words.and_then(|words| book.add(sink, words, Some(Role::Observer), used, label));
        let label = match &raw.label {
            Some(label) => shown(sink, Some(label), "label"),
            None => words.map(|words| words.get_ref().clone()).unwrap_or_default(),
        };
        reasons.push(Reason { id, label, phrase: phrase.unwrap_or(PhraseId(0)) });
    }
    if own.iter().any(|raw| raw.id.as_ref().is_some_and(|id| id.get_ref() == OTHER)) {
        return reasons;
    }
    if !english {
        let span = given.map_or(0..0, |given| given.span.clone());
        sink.report(
            span,
            "[decision] has no reason `other`".into(),
            "a decision must never hang on a reason that the list lacks, and only English has built-in ones",
            "add a [[decision.reason]] with id = \"other\" and a phrase".into(),
        );
        return reasons;
    }
    for (id, label, words) in REASONS_EN.iter().filter(|(id, ..)| own.is_empty() || *id == OTHER) {
        let used = Use::Reason { reason: reasons.len() as u16 };
        let named = format!("reason `{id}` of a decision");
        if let Some(phrase) = book.add_built_in(sink, words, Some(Role::Observer), used, named) {
            reasons.push(Reason { id: id.to_string(), label: label.to_string(), phrase });
        }
    }
    reasons
}
