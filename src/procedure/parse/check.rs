//! Turns the raw tables into a `Procedure`, refusing what a session could not run.
//!
//! Owns ids, texts, numbers, references and the built-in phrases; must not know TOML.

use super::book::{spoken, PhraseBook};
use super::error::Sink;
use super::fields::{nearest, Text};
use super::raw::{RawHead, RawProcedure, RawQuestion, RawRules, RawStep};
use super::{pronounce, side, slots, words};
use crate::procedure::{
    Answer, Call, Condition, Doer, HoldPoint, PhraseId, Place, Procedure, Question, Role, Rules, Step, Use,
};
use std::collections::{BTreeMap, HashMap};
use std::ops::{Range, RangeInclusive};
use toml::Spanned;

pub const MAX_STEPS: usize = 500;
pub const MAX_QUESTIONS: usize = 50;
pub const MAX_ANSWERS: usize = 20;
pub const MAX_DECOYS: usize = 1_000;
/// Characters of an id, which also names folders.
const MAX_ID: usize = 64;
/// Characters of one text. Nobody keeps a longer one in mind, and it would be spoken for over a minute.
const MAX_TEXT: usize = 1_000;

/// Texts a procedure may do without.
const OPTIONAL: [&str; 2] = ["unit", "opening"];

const REFUSAL_EN: &str = "not right do it again";

fn call_en(call: Call) -> &'static str {
    match call {
        Call::Hold => "hold everything",
        Call::CarryOn => "carry on",
        Call::SayAgain => "say again",
        Call::GoBack => "go back",
        Call::Stop => "stop stop",
    }
}

/// The procedure; worth something only when the sink is still empty afterwards, since reported values are left out
/// or replaced by empty ones.
pub(super) fn build(sink: &mut Sink, raw: &RawProcedure) -> Procedure {
    let RawHead { id, title, version, language, unit, cautions, opening, closing } = &raw.head;
    let language = language_tag(sink, language.as_ref());
    // With the language itself in doubt its defaults are not asked for: that would be a second error for one.
    let english = language.as_deref().is_none_or(is_english);

    let mut book = PhraseBook::with_slots(slots::read(sink, &raw.slots, english));
    add_calls(sink, &mut book, &raw.calls, english);
    let all_steps = side::all_steps(raw);
    let shared = general_refusal(sink, &mut book, raw.refusal.as_deref(), &all_steps, english);
    let questions = questions(sink, &mut book, &raw.questions);
    let steps = steps(sink, &mut book, &all_steps, &questions, &shared);
    let (contingencies, exits) = side::build(sink, &mut book, raw, &steps);
    let decoys = decoys(sink, &book, &raw.decoys);
    let own_steps = raw.steps.len().min(steps.len());
    let (phrases, slots) = book.into_parts();

    Procedure {
        id: ident(sink, id.as_ref(), "the procedure's id"),
        title: shown(sink, title.as_ref(), "title"),
        version: shown(sink, version.as_ref(), "version"),
        language: language.unwrap_or_default(),
        unit: unit.as_ref().map(|unit| shown(sink, Some(unit), "unit")),
        cautions: cautions.iter().map(|caution| shown(sink, Some(caution), "cautions")).collect(),
        opening: opening.as_ref().map(|opening| shown(sink, Some(opening), "opening")),
        closing: shown(sink, closing.as_ref(), "closing"),
        rules: rules(sink, &raw.rules),
        questions,
        steps,
        own_steps,
        contingencies,
        exits,
        slots,
        say: say(sink, &raw.say),
        phrases,
        pronunciations: pronounce::read(sink, &raw.pronounce),
        decoys,
    }
}

fn add_calls(sink: &mut Sink, book: &mut PhraseBook, calls: &[(Call, Option<Vec<Text>>)], english: bool) {
    for (call, given) in calls {
        let (used, label) = (Use::Call { call: *call }, format!("call `{}`", call.key()));
        match given {
            Some(phrases) => {
                for phrase in phrases {
                    book.add(sink, phrase, None, used, label.clone());
                }
            }
            None if english => {
                book.add_built_in(sink, call_en(*call), None, used, label);
            }
            None => sink.report_file(
                &format!("there is no phrase for the call `{}`", call.key()),
                "only English has built-in calls",
                &format!("add under [calls]: {} = \"...\"", call.key()),
            ),
        }
    }
}

/// The refusals shared by every step without its own.
fn general_refusal(
    sink: &mut Sink,
    book: &mut PhraseBook,
    given: Option<&[Text]>,
    steps: &[&RawStep],
    english: bool,
) -> Vec<PhraseId> {
    // Where the observer does a step, the worker has to be able to refuse it.
    let by_observer =
        |step: &&RawStep| step.by.as_ref().is_some_and(|by| by.get_ref() == Doer::Observer.name());
    let both = steps.iter().any(|step| step.refuse.is_none() && by_observer(step));
    let (by, label) = ((!both).then_some(Role::Observer), "general refusal");
    if let Some(given) = given {
        return given.iter().filter_map(|raw| book.add(sink, raw, by, Use::Refusal, label.into())).collect();
    }
    if steps.iter().all(|step| step.refuse.is_some()) {
        return vec![];
    }
    if english {
        return book.add_built_in(sink, REFUSAL_EN, by, Use::Refusal, label.into()).into_iter().collect();
    }
    sink.report_file(
        "there is no refusal",
        "only English has a built-in one",
        "add [refusal] and under it: phrases = [\"...\"]",
    );
    vec![]
}

fn questions(sink: &mut Sink, book: &mut PhraseBook, raw: &[RawQuestion]) -> Vec<Question> {
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

fn steps(
    sink: &mut Sink,
    book: &mut PhraseBook,
    raw: &[&RawStep],
    questions: &[Question],
    shared: &[PhraseId],
) -> Vec<Step> {
    cap(sink, raw, MAX_STEPS, "steps", |step| step.span.clone());
    let mut ids = Ids::new("step");
    let mut steps = vec![];
    for (index, raw) in raw.iter().take(MAX_STEPS).enumerate() {
        let (id, index) = (ids.take(sink, raw.id.as_ref()), index as u16);
        let by = doer(sink, raw.by.as_ref());
        let mut add = |sink: &mut Sink, list: &[Text], by, used, what: &str| -> Vec<PhraseId> {
            let label = format!("{what} of step `{id}`");
            list.iter().flat_map(|raw| book.add_filled(sink, raw, Some(by), used, label.clone())).collect()
        };
        let read_back =
            add(sink, &raw.read_back, by.reads_back(), Use::ReadBack { step: index }, "read-back");
        let confirm =
            add(sink, &raw.confirm, by.confirms(), Use::Confirmation { step: index }, "confirmation");
        let refuse = match &raw.refuse {
            None => shared.to_vec(),
            Some(own) => refusals(sink, book, own, shared, &id, by.confirms()),
        };
        let at_least_s = raw.at_least_s.as_ref().map(|s| number(sink, "at_least_s", s, 0.0..=3600.0));
        let expected_s = expected(sink, raw.expected_s.as_ref(), at_least_s);
        steps.push(Step {
            by,
            hold_point: hold_point(sink, book, raw, index, &id),
            expected_s,
            instruction: shown(sink, raw.instruction.as_ref(), "instruction"),
            look: shown(sink, raw.look.as_ref(), "look"),
            read_back,
            confirm,
            refuse,
            at_least_s,
            reminder_s: raw.reminder_s.as_ref().map(|s| number(sink, "reminder_s", s, 3.0..=3600.0)),
            when: raw.when.iter().filter_map(|(id, values)| condition(sink, id, values, questions)).collect(),
            critical: raw.critical,
            at: sink.place(raw.span.start),
            id,
        });
    }
    steps
}

/// The two texts of a hold point, of which neither makes sense alone.
fn hold_point(
    sink: &mut Sink,
    book: &mut PhraseBook,
    raw: &RawStep,
    step: u16,
    id: &str,
) -> Option<HoldPoint> {
    let (text, release) = match (&raw.hold_point, &raw.release) {
        (Some(text), Some(release)) => (text, release),
        (Some(text), None) => {
            let fix = "add a line: release = \"...\"".into();
            sink.report(
                text.span(),
                format!("the hold point of step `{id}` has no release"),
                "the session would wait there for ever",
                fix,
            );
            return None;
        }
        (None, Some(release)) => {
            let span = release.first().map_or(raw.span.clone(), Text::span);
            let what = format!("step `{id}` has a release but no hold point");
            sink.report(
                span,
                what,
                "there would be nothing to release",
                "add a line: hold_point = \"...\"".into(),
            );
            return None;
        }
        (None, None) => return None,
    };
    let (by, used) = (Some(Role::Observer), Use::Release { step });
    let label = format!("release of step `{id}`");
    let release = release.iter().filter_map(|raw| book.add(sink, raw, by, used, label.clone())).collect();
    Some(HoldPoint { text: shown(sink, Some(text), "hold_point"), release })
}

/// Usual seconds; fewer than the least ones can't be.
fn expected(sink: &mut Sink, raw: Option<&Spanned<f64>>, at_least_s: Option<f64>) -> Option<f64> {
    let raw = raw?;
    let seconds = number(sink, "expected_s", raw, 1.0..=3600.0);
    if let Some(least) = at_least_s.filter(|least| *least > seconds) {
        sink.report(
            raw.span(),
            format!("`expected_s` is {seconds}, but `at_least_s` is {least}"),
            "no step can usually be done sooner than it may be",
            "write a larger expected_s, or a smaller at_least_s".into(),
        );
    }
    Some(seconds)
}

/// A step's own refusals, among which the general ones may stand too.
fn refusals(
    sink: &mut Sink,
    book: &mut PhraseBook,
    own: &[Text],
    shared: &[PhraseId],
    id: &str,
    by: Role,
) -> Vec<PhraseId> {
    let mut refuse: Vec<PhraseId> = vec![];
    for raw in own {
        let general = book.refusal(raw).filter(|known| shared.contains(known) && !refuse.contains(known));
        let label = || format!("refusal of step `{id}`");
        refuse.extend(general.or_else(|| book.add(sink, raw, Some(by), Use::Refusal, label())));
    }
    refuse
}

fn condition(sink: &mut Sink, id: &Text, values: &[Text], questions: &[Question]) -> Option<Condition> {
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

pub(super) fn suggestion(word: &str, known: &[&str], what: &str) -> String {
    match nearest(word, known) {
        Some(near) => format!("did you mean `{near}`?"),
        None if known.is_empty() => format!("the file has no {what}"),
        None => format!("the {what} are: {}", known.join(", ")),
    }
}

/// Word and how it is spoken, the longest first, so that a word within another does not win.
fn say(sink: &mut Sink, raw: &[(Text, Vec<Text>)]) -> Vec<(String, String)> {
    let mut pairs: Vec<(String, String)> = vec![];
    for (written, spoken) in raw {
        let word = shown(sink, Some(written), "say");
        let [spoken] = spoken.as_slice() else {
            if let Some(second) = spoken.get(1) {
                let what = format!("`{}` has more than one way to be spoken", word.escape_debug());
                sink.report(second.span(), what, "the voice says one", "keep one".into());
            }
            continue;
        };
        if pairs.iter().any(|(other, _)| other.to_lowercase() == word.to_lowercase()) {
            let what = format!("the word `{}` is given twice", word.escape_debug());
            sink.report(written.span(), what, "capital letters make no difference", "delete one".into());
        }
        pairs.push((word, shown(sink, Some(spoken), "say")));
    }
    pairs.sort_by_key(|(word, _)| std::cmp::Reverse(word.chars().count()));
    pairs
}

fn decoys(sink: &mut Sink, book: &PhraseBook, raw: &[Text]) -> Vec<String> {
    cap(sink, raw, MAX_DECOYS, "decoys", Text::span);
    let mut decoys: Vec<String> = vec![];
    for raw in raw.iter().take(MAX_DECOYS) {
        let Some(text) = spoken(sink, raw) else { continue };
        if let Some(phrase) = book.any(&text) {
            let whence = match phrase.at {
                Place::BUILT_IN => "it is a built-in phrase".to_owned(),
                at => format!("line {} has the same words as a phrase", at.line),
            };
            let why = format!("{whence}, which then could never be accepted");
            sink.report(
                raw.span(),
                format!("the decoy \"{text}\" is a phrase"),
                &why,
                "delete one of the two".into(),
            );
        } else if decoys.contains(&text) {
            sink.report(
                raw.span(),
                format!("the decoy \"{text}\" stands here twice"),
                "once is enough, and a second one may hide a slip",
                "delete one".into(),
            );
        } else {
            decoys.push(text);
        }
    }
    decoys
}

fn rules(sink: &mut Sink, raw: &RawRules) -> Rules {
    let mut rules = Rules::default();
    let mut count = |key, raw: &Option<Spanned<f64>>, count: &mut u32| {
        if let Some(raw) = raw {
            *count = whole(sink, key, raw, 1.0..=10.0);
        }
    };
    count("tries", &raw.tries, &mut rules.tries);
    count("reminders", &raw.reminders, &mut rules.reminders);
    if let Some(raw) = &raw.reminder_s {
        rules.reminder_s = number(sink, "reminder_s", raw, 3.0..=3600.0);
    }
    rules
}

/// A count, or the lower end of the range when it was reported.
pub(super) fn whole(sink: &mut Sink, key: &str, raw: &Spanned<f64>, range: RangeInclusive<f64>) -> u32 {
    let value = number(sink, key, raw, range);
    if value.fract() != 0.0 {
        let what = format!("`{key}` must be a whole number; here it is {value}");
        sink.report(raw.span(), what, "it is a count", format!("write {key} = {}", value.round()));
    }
    value as u32
}

/// The number, or the lower end of the range when it was reported.
fn number(sink: &mut Sink, key: &str, raw: &Spanned<f64>, range: RangeInclusive<f64>) -> f64 {
    let value = *raw.get_ref();
    if range.contains(&value) {
        return value;
    }
    let (low, high) = (range.start(), range.end());
    let what = format!("`{key}` must be from {low} to {high}; here it is {value}");
    let unit = if key.ends_with("_s") { "it is in seconds" } else { "it is a count" };
    sink.report(raw.span(), what, unit, format!("write a number from {low} to {high}"));
    *low
}

/// A text for ears and eyes, or an empty one when it was reported.
pub(super) fn shown(sink: &mut Sink, raw: Option<&Text>, key: &str) -> String {
    let Some(raw) = raw else { return String::new() };
    let text = match words::text(raw.get_ref()) {
        Ok(text) => text,
        Err(name) => {
            sink.report(
                raw.span(),
                format!("`{key}` has a control character: {name}"),
                "it is invisible and can change how screens show the text",
                "delete it".into(),
            );
            return String::new();
        }
    };
    let length = text.chars().count();
    if text.is_empty() {
        let or = if OPTIONAL.contains(&key) { ", or leave out the line" } else { "" };
        let what = format!("`{key}` is empty");
        sink.report(raw.span(), what, "people hear or read it", format!("write it{or}"));
    } else if length > MAX_TEXT {
        let why = format!("at most {MAX_TEXT} characters can be taken in at once");
        sink.report(
            raw.span(),
            format!("`{key}` has {length} characters"),
            &why,
            "shorten or split it".into(),
        );
    }
    text
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

fn doer(sink: &mut Sink, raw: Option<&Text>) -> Doer {
    let Some(raw) = raw else { return Doer::default() };
    let found = Doer::ALL.into_iter().find(|doer| doer.name() == raw.get_ref());
    found.unwrap_or_else(|| {
        let given = raw.get_ref().escape_debug();
        sink.report(
            raw.span(),
            format!("`by` must be worker, both or observer; here it is `{given}`"),
            "who does a step reads it back, and the other one confirms",
            "write by = \"worker\", by = \"both\" or by = \"observer\"".into(),
        );
        Doer::default()
    })
}

/// `None` when it is missing or was reported.
fn language_tag(sink: &mut Sink, raw: Option<&Text>) -> Option<String> {
    let raw = raw?;
    if oxilangtag::LanguageTag::parse(raw.get_ref().as_str()).is_ok() {
        return Some(raw.get_ref().clone());
    }
    sink.report(
        raw.span(),
        format!("`{}` is not a language tag", raw.get_ref().escape_debug()),
        "voices and listening are chosen by it (BCP 47)",
        "write for example language = \"en\" or language = \"ko\"".into(),
    );
    None
}

fn is_english(tag: &str) -> bool {
    tag.split('-').next().is_some_and(|primary| primary.eq_ignore_ascii_case("en"))
}

/// An id, or an empty text when it was reported.
pub(super) fn ident(sink: &mut Sink, raw: Option<&Text>, what: &str) -> String {
    let Some(raw) = raw else { return String::new() };
    let id = raw.get_ref();
    let fits = id.starts_with(|c: char| c.is_ascii_alphanumeric())
        && id.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
        && id.len() <= MAX_ID;
    if fits {
        return id.clone();
    }
    sink.report(
        raw.span(),
        format!("{what} can't be `{}`", id.escape_debug()),
        "it names files and places in the record",
        format!("use 1 to {MAX_ID} letters, digits and dashes, a letter or digit first"),
    );
    String::new()
}

pub(super) fn cap<T>(
    sink: &mut Sink,
    list: &[T],
    most: usize,
    what: &str,
    span: impl Fn(&T) -> Range<usize>,
) {
    if let Some(first_over) = list.get(most) {
        let text = format!("there are {} {what}; at most {most} are allowed", list.len());
        sink.report(
            span(first_over),
            text,
            "nobody can keep track of more",
            "leave some out or split the procedure".into(),
        );
    }
}

/// Ids of one kind seen so far, each with its line.
pub(super) struct Ids {
    kind: &'static str,
    seen: BTreeMap<String, usize>,
}

impl Ids {
    pub(super) fn new(kind: &'static str) -> Self {
        Ids { kind, seen: BTreeMap::new() }
    }
    pub(super) fn take(&mut self, sink: &mut Sink, raw: Option<&Text>) -> String {
        let name = if self.kind == "answer" { "value" } else { "id" };
        let id = ident(sink, raw, &format!("the {}'s {name}", self.kind));
        let Some(raw) = raw.filter(|_| !id.is_empty()) else { return id };
        let line = sink.place(raw.span().start).line;
        match self.seen.get(&id) {
            Some(earlier) => sink.report(
                raw.span(),
                format!("the {} {name} `{id}` is used twice", self.kind),
                &format!("line {earlier} has it already"),
                format!("give one of the two another {name}"),
            ),
            None => {
                self.seen.insert(id.clone(), line);
            }
        }
        id
    }
}

/// Phrases that would be good with a microphone for each person but not with one for both: the same words said by
/// worker and observer. (Calls are for both by design; the same words twice for one person never parse.)
pub(super) fn same_words_for_both(procedure: &Procedure) -> Vec<super::Problem> {
    let mut seen: HashMap<&str, &crate::procedure::Phrase> = HashMap::new();
    let mut problems = vec![];
    for phrase in &procedure.phrases {
        let (Some(by), Some(earlier)) = (phrase.by, seen.insert(&phrase.text, phrase)) else { continue };
        let what = format!("\"{}\" is a phrase of both people, and they share one microphone", phrase.text);
        let why = format!(
            "line {} has it for the {}, this line for the {}; one microphone can't tell who spoke",
            earlier.at.line,
            by.other().name(),
            by.name(),
        );
        let fix = "give each person other words, or a microphone of their own";
        problems.push(super::Problem::at(phrase.at, what).why(why).fix(fix));
    }
    problems
}
