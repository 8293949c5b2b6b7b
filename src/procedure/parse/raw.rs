//! The file's tables as plain values with places, before anything is checked but shape.
//!
//! Owns the list of tables and keys; must not know what makes a value good. A value that was reported is `None`.

use super::error::Sink;
use super::fields::{texts_of, Fields, Text};
use crate::procedure::Call;
use std::ops::Range;
use toml::de::DeTable;
use toml::Spanned;

pub(super) struct RawProcedure {
    pub head: RawHead,
    pub rules: RawRules,
    /// `None` where the file gives no phrase for the call.
    pub calls: Vec<(Call, Option<Vec<Text>>)>,
    pub refusal: Option<Vec<Text>>,
    pub decision: Option<RawDecision>,
    /// Word and what stands for it.
    pub pronounce: Vec<(Text, Vec<Text>)>,
    pub decoys: Vec<Text>,
    /// Word and how it is spoken.
    pub say: Vec<(Text, Vec<Text>)>,
    pub slots: Vec<RawSlot>,
    pub questions: Vec<RawQuestion>,
    pub steps: Vec<RawStep>,
    pub contingencies: Vec<RawContingency>,
    pub exits: Vec<RawExit>,
}

#[derive(Default)]
pub(super) struct RawHead {
    pub id: Option<Text>,
    pub title: Option<Text>,
    pub version: Option<Text>,
    pub language: Option<Text>,
    pub unit: Option<Text>,
    pub cautions: Vec<Text>,
    pub opening: Option<Text>,
    pub closing: Option<Text>,
}

#[derive(Default)]
pub(super) struct RawRules {
    pub tries: Option<Spanned<f64>>,
    pub reminder_s: Option<Spanned<f64>>,
    pub reminders: Option<Spanned<f64>>,
    pub decision: Option<bool>,
    pub voices: Option<Text>,
}

pub(super) struct RawDecision {
    pub span: Range<usize>,
    pub phrase: Option<Vec<Text>>,
    pub reasons: Vec<RawReason>,
}

pub(super) struct RawReason {
    pub span: Range<usize>,
    pub id: Option<Text>,
    pub label: Option<Text>,
    pub phrase: Option<Text>,
}

pub(super) struct RawQuestion {
    pub span: Range<usize>,
    pub id: Option<Text>,
    pub ask: Option<Text>,
    pub by: Option<Text>,
    pub answers: Vec<RawAnswer>,
}

pub(super) struct RawAnswer {
    pub value: Option<Text>,
    pub phrase: Option<Text>,
}

pub(super) struct RawSlot {
    pub id: Text,
    pub words: Option<Vec<Text>>,
    pub digits: Option<Spanned<f64>>,
}

pub(super) struct RawContingency {
    pub span: Range<usize>,
    pub id: Option<Text>,
    pub title: Option<Text>,
    pub call: Vec<Text>,
    pub opening: Option<Text>,
    pub then: Option<Text>,
    pub restart_at: Option<Text>,
    pub exit: Option<Text>,
    pub steps: Vec<RawStep>,
}

pub(super) struct RawExit {
    pub span: Range<usize>,
    pub id: Option<Text>,
    pub title: Option<Text>,
    pub closing: Option<Text>,
    pub steps: Vec<RawStep>,
}

pub(super) struct RawStep {
    pub span: Range<usize>,
    pub id: Option<Text>,
    pub by: Option<Text>,
    pub hold_point: Option<Text>,
    pub release: Option<Vec<Text>>,
    pub expected_s: Option<Spanned<f64>>,
    pub instruction: Option<Text>,
    pub look: Option<Text>,
    pub read_back: Vec<Text>,
    pub confirm: Vec<Text>,
    pub refuse: Option<Vec<Text>>,
    pub at_least_s: Option<Spanned<f64>>,
    pub reminder_s: Option<Spanned<f64>>,
    /// Question id and the values allowed.
    pub when: Vec<(Text, Vec<Text>)>,
    pub critical: bool,
    pub decision: Option<bool>,
}

/// The keys of each table, as an author may write them. The schema has the same; a test compares.
pub const TABLES: &[&str] = &[
    "procedure",
    "rules",
    "calls",
    "refusal",
    "decision",
    "pronounce",
    "decoys",
    "say",
    "slot",
    "question",
    "step",
    "contingency",
    "exit",
];
const HEAD: &[&str] = &["id", "title", "version", "language", "unit", "cautions", "opening", "closing"];
const RULES: &[&str] = &["tries", "reminder_s", "reminders", "decision", "voices"];
const CALLS: &[&str] = &["hold", "carry-on", "say-again", "go-back", "stop"];
const PHRASES: &[&str] = &["phrases"];
const DECISION: &[&str] = &["phrase", "reason"];
const REASON: &[&str] = &["id", "label", "phrase"];
const QUESTION: &[&str] = &["id", "ask", "by", "answer"];
const ANSWER: &[&str] = &["value", "phrase"];
const STEP: &[&str] = &[
    "id",
    "by",
    "hold_point",
    "release",
    "instruction",
    "look",
    "read_back",
    "confirm",
    "refuse",
    "at_least_s",
    "expected_s",
    "reminder_s",
    "when",
    "critical",
    "decision",
];
const SLOT: &[&str] = &["words", "digits"];
const CONTINGENCY: &[&str] = &["id", "title", "call", "opening", "then", "restart_at", "exit", "step"];
const EXIT: &[&str] = &["id", "title", "closing", "step"];

/// Every table with its keys, for comparing with the schema.
pub const KEYS: &[(&str, &[&str])] = &[
    ("procedure", HEAD),
    ("rules", RULES),
    ("calls", CALLS),
    ("refusal", PHRASES),
    ("decision", DECISION),
    ("reason", REASON),
    ("decoys", PHRASES),
    ("slot", SLOT),
    ("question", QUESTION),
    ("answer", ANSWER),
    ("step", STEP),
    ("contingency", CONTINGENCY),
    ("exit", EXIT),
];

pub(super) fn read(sink: &mut Sink, root: &DeTable) -> RawProcedure {
    let file = Fields::new(sink, "the file", 0..0, root, TABLES);
    if !file.has("procedure") {
        sink.report_file(
            "there is no [procedure] table",
            "it says what the file is",
            "begin the file with [procedure] and its id, title, version, language, cautions and closing",
        );
    }
    if !file.has("step") {
        sink.report_file("there are no steps", "there would be nothing to do", "write at least one [[step]]");
    }
    RawProcedure {
        head: head(sink, &file),
        rules: rules(sink, &file),
        calls: calls(sink, &file),
        refusal: phrase_list(sink, &file, "refusal", "[refusal]"),
        decision: decision(sink, &file),
        pronounce: pairs(
            sink,
            &file,
            "pronounce",
            "[pronounce] and under it lines such as doff = \"D AO F\"",
        ),
        say: pairs(sink, &file, "say", "[say] and under it lines such as PAPR = \"powered hood\""),
        slots: slots(sink, &file),
        decoys: phrase_list(sink, &file, "decoys", "[decoys]").unwrap_or_default(),
        questions: file
            .each(sink, "question", "[[question]]", QUESTION)
            .iter()
            .map(|q| question(sink, q))
            .collect(),
        steps: steps(sink, &file, "[[step]]"),
        contingencies: file
            .each(sink, "contingency", "[[contingency]]", CONTINGENCY)
            .iter()
            .map(|one| contingency(sink, one))
            .collect(),
        exits: file.each(sink, "exit", "[[exit]]", EXIT).iter().map(|one| exit(sink, one)).collect(),
    }
}

fn head(sink: &mut Sink, file: &Fields) -> RawHead {
    let Some(head) = file.inner(sink, "procedure", "[procedure]", HEAD) else { return RawHead::default() };
    head.need(sink, "cautions", "[\"Training aid. Local protocol comes first.\"]");
    RawHead {
        id: head.needed_text(sink, "id"),
        title: head.needed_text(sink, "title"),
        version: head.needed_text(sink, "version"),
        language: head.needed_text(sink, "language"),
        unit: head.text(sink, "unit"),
        cautions: head.texts(sink, "cautions").unwrap_or_default(),
        opening: head.text(sink, "opening"),
        closing: head.needed_text(sink, "closing"),
    }
}

fn rules(sink: &mut Sink, file: &Fields) -> RawRules {
    let Some(rules) = file.inner(sink, "rules", "[rules]", RULES) else { return RawRules::default() };
    RawRules {
        tries: rules.number(sink, "tries"),
        reminder_s: rules.number(sink, "reminder_s"),
        reminders: rules.number(sink, "reminders"),
        decision: rules.flag(sink, "decision"),
        voices: rules.text(sink, "voices"),
    }
}

fn calls(sink: &mut Sink, file: &Fields) -> Vec<(Call, Option<Vec<Text>>)> {
    let table = file.inner(sink, "calls", "[calls]", CALLS);
    let phrases =
        |sink: &mut Sink, call: Call| table.as_ref().and_then(|table| table.texts(sink, call.key()));
    Call::ALL.into_iter().map(|call| (call, phrases(sink, call))).collect()
}

fn phrase_list(sink: &mut Sink, file: &Fields, key: &str, label: &'static str) -> Option<Vec<Text>> {
    let table = file.inner(sink, key, label, PHRASES)?;
    Some(table.needed_texts(sink, "phrases"))
}

fn decision(sink: &mut Sink, file: &Fields) -> Option<RawDecision> {
    let table = file.inner(sink, "decision", "[decision]", DECISION)?;
    let reason = |sink: &mut Sink, fields: &Fields| RawReason {
        span: fields.span(),
        id: fields.needed_text(sink, "id"),
        label: fields.text(sink, "label"),
        phrase: fields.needed_text(sink, "phrase"),
    };
    Some(RawDecision {
        span: table.span(),
        phrase: table.texts(sink, "phrase"),
        reasons: table
            .each(sink, "reason", "[[decision.reason]]", REASON)
            .iter()
            .map(|fields| reason(sink, fields))
            .collect(),
    })
}

fn pairs(sink: &mut Sink, fields: &Fields, key: &str, example: &str) -> Vec<(Text, Vec<Text>)> {
    let pairs = fields.pairs(sink, key, example);
    pairs
        .into_iter()
        .map(|(key, value)| {
            let texts = texts_of(sink, key.get_ref(), value);
            (key, texts)
        })
        .collect()
}

fn question(sink: &mut Sink, fields: &Fields) -> RawQuestion {
    RawQuestion {
        span: fields.span(),
        id: fields.needed_text(sink, "id"),
        ask: fields.needed_text(sink, "ask"),
        by: fields.needed_text(sink, "by"),
        answers: fields
            .each(sink, "answer", "[[question.answer]]", ANSWER)
            .iter()
            .map(|answer| RawAnswer {
                value: answer.needed_text(sink, "value"),
                phrase: answer.needed_text(sink, "phrase"),
            })
            .collect(),
    }
}

fn slots(sink: &mut Sink, file: &Fields) -> Vec<RawSlot> {
    file.tables(sink, "slot", "[slot.NAME]", SLOT)
        .into_iter()
        .map(|(id, fields)| RawSlot {
            id,
            words: fields.texts(sink, "words"),
            digits: fields.number(sink, "digits"),
        })
        .collect()
}

fn contingency(sink: &mut Sink, fields: &Fields) -> RawContingency {
    RawContingency {
        span: fields.span(),
        id: fields.needed_text(sink, "id"),
        title: fields.needed_text(sink, "title"),
        call: fields.needed_texts(sink, "call"),
        opening: fields.text(sink, "opening"),
        then: {
            fields.need(sink, "then", "\"return\", or \"restart\" with restart_at, or \"exit\" with exit");
            fields.text(sink, "then")
        },
        restart_at: fields.text(sink, "restart_at"),
        exit: fields.text(sink, "exit"),
        steps: steps(sink, fields, "[[contingency.step]]"),
    }
}

fn exit(sink: &mut Sink, fields: &Fields) -> RawExit {
    RawExit {
        span: fields.span(),
        id: fields.needed_text(sink, "id"),
        title: fields.needed_text(sink, "title"),
        closing: fields.needed_text(sink, "closing"),
        steps: steps(sink, fields, "[[exit.step]]"),
    }
}

fn steps(sink: &mut Sink, fields: &Fields, label: &'static str) -> Vec<RawStep> {
    fields.each(sink, "step", label, STEP).iter().map(|one| step(sink, one)).collect()
}

fn step(sink: &mut Sink, fields: &Fields) -> RawStep {
    RawStep {
        span: fields.span(),
        id: fields.needed_text(sink, "id"),
        by: fields.text(sink, "by"),
        hold_point: fields.text(sink, "hold_point"),
        release: fields.texts(sink, "release"),
        expected_s: fields.number(sink, "expected_s"),
        instruction: fields.needed_text(sink, "instruction"),
        look: fields.needed_text(sink, "look"),
        read_back: fields.needed_texts(sink, "read_back"),
        confirm: fields.needed_texts(sink, "confirm"),
        refuse: fields.texts(sink, "refuse"),
        at_least_s: fields.number(sink, "at_least_s"),
        reminder_s: fields.number(sink, "reminder_s"),
        when: pairs(sink, fields, "when", "when = { question-id = \"value\" }"),
        critical: fields.flag(sink, "critical").unwrap_or(false),
        decision: fields.flag(sink, "decision"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_keys_of_the_calls_table_are_the_calls() {
        assert_eq!(CALLS, Call::ALL.map(Call::key));
    }
}
