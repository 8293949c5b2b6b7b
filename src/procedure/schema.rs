//! The format of a procedure file as types, from which its JSON Schema is made: for editors that complete and check
//! while somebody types.
//!
//! Owns what the schema says of each key. Must not decide anything: `parse` reads files, and gives better reasons; a
//! test holds the two together.

use super::VoiceRule;
use schemars::{schema_for, JsonSchema};
use serde::Deserialize;
use std::collections::BTreeMap;

/// The schema as JSON text, with a line break at its end.
pub fn json() -> String {
    let mut schema = schema_for!(ProcedureFile);
    schema.insert("title".to_owned(), "Antiphon procedure".into());
    format!("{:#}\n", schema.as_value())
}

/// A procedure for two people, run by voice.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProcedureFile {
    pub procedure: Head,
    /// How patient the session is.
    pub rules: Option<RulesTable>,
    /// Phrases valid from both people at any moment. English has built-in ones; other languages must give all five.
    pub calls: Option<Calls>,
    /// The "not right" of whoever confirms, for every step without its own.
    pub refusal: Option<Phrases>,
    /// How the observer decides about a step after the tries, and why. English has built-in phrases.
    pub decision: Option<DecisionTable>,
    /// Words no dictionary has, or said otherwise in your unit: ARPAbet, one or several.
    pub pronounce: Option<BTreeMap<String, Texts>>,
    /// Words that must not be taken for any phrase, beyond those the program derives.
    pub decoys: Option<Phrases>,
    /// Words that the tool speaks otherwise than they are written.
    pub say: Option<BTreeMap<String, String>>,
    /// Closed lists that may stand in read_back and confirm as {name}.
    pub slot: Option<BTreeMap<String, SlotTable>>,
    /// Asked before the first step.
    #[schemars(length(min = 1, max = 50))]
    pub question: Option<Vec<QuestionTable>>,
    /// What is done, in this order.
    #[schemars(length(min = 1, max = 500))]
    pub step: Vec<StepTable>,
    /// Side procedures that either person may call at any moment.
    #[schemars(length(min = 1, max = 12))]
    pub contingency: Option<Vec<ContingencyTable>>,
    /// Lists of steps that lead out and end the session.
    #[schemars(length(min = 1, max = 12))]
    pub exit: Option<Vec<ExitTable>>,
}

/// What the file is.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Names the record.
    pub id: Id,
    #[schemars(length(min = 1, max = 1000))]
    pub title: String,
    /// Your own, in quotes.
    #[schemars(length(min = 1, max = 1000))]
    pub version: String,
    /// BCP 47 tag, for example en or ko.
    #[schemars(length(min = 2))]
    pub language: String,
    /// Where it is used.
    #[schemars(length(min = 1, max = 1000))]
    pub unit: Option<String>,
    /// Shown before the first step and kept with the record.
    pub cautions: Texts,
    /// Spoken first.
    #[schemars(length(min = 1, max = 1000))]
    pub opening: Option<String>,
    /// Spoken last.
    #[schemars(length(min = 1, max = 1000))]
    pub closing: String,
}

/// How patient the session is.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RulesTable {
    /// Wrong or unsure answers before the session holds.
    #[schemars(range(min = 1, max = 10))]
    pub tries: Option<u32>,
    /// Seconds of silence before the prompt is called again.
    #[schemars(range(min = 3, max = 3600))]
    pub reminder_s: Option<f64>,
    /// Calls without an answer before the session holds.
    #[schemars(range(min = 1, max = 10))]
    pub reminders: Option<u32>,
    /// Whether the observer may decide about a step after the tries; true when it is left out.
    pub decision: Option<bool>,
    /// Whether voices are compared while a session runs; ask when it is left out.
    pub voices: Option<VoiceRule>,
}

/// The observer's decision about a step after the tries.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DecisionTable {
    /// Says that the step was seen done right.
    pub phrase: Option<Texts>,
    /// Asked for after the phrase; one with the id other is always there.
    #[schemars(length(min = 1, max = 8))]
    pub reason: Option<Vec<ReasonTable>>,
}

/// Why the observer decided.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReasonTable {
    pub id: Id,
    /// How it is shown and recorded; the phrase when it is left out.
    #[schemars(length(min = 1, max = 1000))]
    pub label: Option<String>,
    #[schemars(length(min = 1))]
    pub phrase: String,
}

/// Phrases valid from both people at any moment.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Calls {
    /// On hold at once.
    pub hold: Option<Texts>,
    /// The observer ends a hold.
    pub carry_on: Option<Texts>,
    /// The last prompt again.
    pub say_again: Option<Texts>,
    /// The step before.
    pub go_back: Option<Texts>,
    /// On hold at once; a second time ends the session.
    pub stop: Option<Texts>,
}

/// A list of phrases.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Phrases {
    pub phrases: Texts,
}

/// What may stand in a slot: words, or so many digits said one by one.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SlotTable {
    #[schemars(length(min = 2, max = 60))]
    pub words: Option<Vec<String>>,
    #[schemars(range(min = 1, max = 2))]
    pub digits: Option<u32>,
}

/// A question whose answer switches steps on or off.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct QuestionTable {
    pub id: Id,
    /// What the tool says; offer every answer word for word.
    #[schemars(length(min = 1, max = 1000))]
    pub ask: String,
    /// Who answers.
    pub by: Person,
    #[schemars(length(min = 2, max = 20))]
    pub answer: Vec<AnswerTable>,
}

/// One answer.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AnswerTable {
    /// The value named by a step's `when`.
    pub value: Id,
    #[schemars(length(min = 1))]
    pub phrase: String,
}

/// One thing that is done.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StepTable {
    pub id: Id,
    /// Who does it and reads it back; the other one confirms.
    pub by: Option<DoerName>,
    /// Before the instruction the session waits here until the observer releases it.
    #[schemars(length(min = 1, max = 1000))]
    pub hold_point: Option<String>,
    /// The observer's phrases that release the hold point.
    pub release: Option<Texts>,
    /// Told to whoever does it.
    #[schemars(length(min = 1, max = 1000))]
    pub instruction: String,
    /// Told to the other one after the read-back.
    #[schemars(length(min = 1, max = 1000))]
    pub look: String,
    /// Says what is true now. May have slots.
    pub read_back: Texts,
    /// Seen and right. May have slots.
    pub confirm: Texts,
    /// Seen and not right; instead of the general refusal.
    pub refuse: Option<Texts>,
    /// A read-back that begins sooner after the instruction is refused.
    #[schemars(range(min = 0, max = 3600))]
    pub at_least_s: Option<f64>,
    /// How long it usually takes; shown and compared, never waited for.
    #[schemars(range(min = 1, max = 3600))]
    pub expected_s: Option<f64>,
    /// Patience for this step.
    #[schemars(range(min = 3, max = 3600))]
    pub reminder_s: Option<f64>,
    /// Question and the answers with which the step is done; all must hold.
    pub when: Option<BTreeMap<String, Texts>>,
    /// Errors here hurt people most.
    pub critical: Option<bool>,
    /// Whether the observer may decide about it after the tries; as in the rules, but not for a critical step, when it is left out.
    pub decision: Option<bool>,
}

/// A side procedure that either person may call at any moment.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ContingencyTable {
    pub id: Id,
    #[schemars(length(min = 1, max = 1000))]
    pub title: String,
    /// The phrases by which it is called; few, and unlike all others.
    pub call: Texts,
    /// Spoken as soon as it is called.
    #[schemars(length(min = 1, max = 1000))]
    pub opening: Option<String>,
    /// What follows its own steps.
    pub then: ThenName,
    /// With restart: the step of the procedure from which everything is done again.
    pub restart_at: Option<Id>,
    /// With exit: the exit that is taken.
    pub exit: Option<Id>,
    #[schemars(length(min = 1))]
    pub step: Option<Vec<StepTable>>,
}

/// A list of steps that leads out and ends the session.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExitTable {
    pub id: Id,
    #[schemars(length(min = 1, max = 1000))]
    pub title: String,
    /// Spoken after its last step.
    #[schemars(length(min = 1, max = 1000))]
    pub closing: String,
    #[schemars(length(min = 1))]
    pub step: Vec<StepTable>,
}

/// 1 to 64 letters, digits and dashes, a letter or digit first.
#[derive(Debug, Deserialize, JsonSchema)]
pub struct Id(#[schemars(regex(pattern = r"^[A-Za-z0-9][A-Za-z0-9-]{0,63}$"))] pub String);

/// One text or several.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Texts {
    One(#[schemars(length(min = 1))] String),
    Several(#[schemars(length(min = 1))] Vec<String>),
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Person {
    Worker,
    Observer,
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum DoerName {
    Worker,
    Both,
    Observer,
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ThenName {
    Return,
    Restart,
    Exit,
}
