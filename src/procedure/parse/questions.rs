//! Questions and their answers, and the conditions that steps have on them.
//!
//! Owns what makes a question answerable. Must not know TOML, nor what a step does.

use super::book::PhraseBook;
use super::error::Sink;
use super::fields::Text;
use super::raw::RawQuestion;
use super::values::{cap, shown, suggestion, Ids};
use crate::procedure::{Answer, Condition, PhraseId, Question, Role, Use};

pub const MAX_QUESTIONS: usize = 50;
pub const MAX_ANSWERS: usize = 20;

pub(super) fn questions(sink: &mut Sink, book: &mut PhraseBook, raw: &[RawQuestion]) -> Vec<Question> {
    cap(sink, raw, MAX_QUESTIONS, "questions", |question| question.span.clone());
    let mut ids = Ids::new("question");
    let within = raw.iter().take(MAX_QUESTIONS);
    within.enumerate().map(|(index, raw)| question(sink, book, &mut ids, index as u16, raw)).collect()
}

fn question(
    sink: &mut Sink,
    book: &mut PhraseBook,
    ids: &mut Ids,
    index: u16,
    raw: &RawQuestion,
) -> Question {
    let id = ids.take(sink, raw.id.as_ref());
    let by = role(sink, raw.by.as_ref());
    if raw.answers.len() < 2 {
        sink.report(
            raw.span.clone(),
            format!("question `{id}` has fewer than two answers"),
            "with one answer there is nothing to ask",
            "add a [[question.answer]] with value and phrase for each".into(),
        );
    }
    cap(sink, &raw.answers, MAX_ANSWERS, "answers", |_| raw.span.clone());
    let mut values = Ids::new("answer");
    let mut answers = vec![];
    for (place, answer) in raw.answers.iter().take(MAX_ANSWERS).enumerate() {
        let value = values.take(sink, answer.value.as_ref());
        let used = Use::Answer { question: index, answer: place as u16 };
        let label = format!("answer `{value}` to question `{id}`");
        let phrase = answer.phrase.as_ref().and_then(|raw| book.add(sink, raw, Some(by), used, label));
        answers.push(Answer { value, phrase: phrase.unwrap_or(PhraseId(0)) });
    }
    Question { id, ask: shown(sink, raw.ask.as_ref(), "ask"), by, answers, at: sink.place(raw.span.start) }
}

pub(super) fn condition(
    sink: &mut Sink,
    id: &Text,
    values: &[Text],
    questions: &[Question],
) -> Option<Condition> {
    let Some(question) = questions.iter().position(|question| question.id == *id.get_ref()) else {
        let ids: Vec<&str> = questions.iter().map(|question| question.id.as_str()).collect();
        sink.report(
            id.span(),
            format!("there is no question `{}`", id.get_ref().escape_debug()),
            "the condition could never be decided",
            suggestion(id.get_ref(), &ids, "questions"),
        );
        return None;
    };
    let known: Vec<&str> = questions[question].answers.iter().map(|answer| answer.value.as_str()).collect();
    let mut answers: Vec<u16> = vec![];
    for value in values {
        match known.iter().position(|known| known == value.get_ref()) {
            // Positions are below MAX_ANSWERS.
            Some(at) if answers.contains(&(at as u16)) => sink.report(
                value.span(),
                format!("the value `{}` stands here twice", value.get_ref()),
                "once is enough, and a second one may hide a slip",
                "delete one".into(),
            ),
            Some(at) => answers.push(at as u16),
            None => sink.report(
                value.span(),
                format!("question `{}` has no answer `{}`", id.get_ref(), value.get_ref().escape_debug()),
                "the condition could never hold",
                suggestion(value.get_ref(), &known, "answers"),
            ),
        }
    }
    // Questions are at most MAX_QUESTIONS.
    Some(Condition { question: question as u16, answers })
}

fn role(sink: &mut Sink, raw: Option<&Text>) -> Role {
    let found =
        |raw: &Text| [Role::Worker, Role::Observer].into_iter().find(|role| role.name() == raw.get_ref());
    let Some(raw) = raw else { return Role::Observer };
    found(raw).unwrap_or_else(|| {
        let what = format!("`by` must be worker or observer; here it is `{}`", raw.get_ref().escape_debug());
        sink.report(
            raw.span(),
            what,
            "only these two take part",
            "write by = \"worker\" or by = \"observer\"".into(),
        );
        Role::Observer
    })
}
