//! A procedure as data: what is asked, what is done, which words count, and where in the file each came from.
//!
//! Owns the types every other module agrees on (`Procedure`, `Phrase`, `PhraseId`, `Role`). Pure data: must not know
//! how phrases are heard, spoken or shown. `parse` reads the TOML and checks it; a `Procedure` that exists is valid.

pub mod draft;
pub mod parse;
pub mod schema;
mod spoken;
mod within;

pub use within::SpokenWords;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::ops::Range;

/// Who a phrase belongs to: the person who puts the equipment on or takes it off, or the one who watches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    Worker,
    Observer,
}

impl Role {
    pub fn name(self) -> &'static str {
        match self {
            Role::Worker => "worker",
            Role::Observer => "observer",
        }
    }
    pub fn other(self) -> Role {
        match self {
            Role::Worker => Role::Observer,
            Role::Observer => Role::Worker,
        }
    }
    /// The person's own microphone.
    pub fn post(self) -> Post {
        match self {
            Role::Worker => Post::Worker,
            Role::Observer => Post::Observer,
        }
    }
}

/// Where a voice comes from: one person's microphone, or one microphone both share.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Post {
    Worker,
    Observer,
    Room,
}

impl Post {
    pub fn name(self) -> &'static str {
        match self {
            Post::Worker => "worker",
            Post::Observer => "observer",
            Post::Room => "room",
        }
    }
    /// Whether a person of this role may be heard at this post.
    pub fn hears(self, role: Role) -> bool {
        matches!(
            (self, role),
            (Post::Room, _) | (Post::Worker, Role::Worker) | (Post::Observer, Role::Observer)
        )
    }
}

/// A place in the procedure's file, both counted from 1. `Place::BUILT_IN` marks a phrase that the program supplies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Place {
    pub line: usize,
    pub column: usize,
}

impl Place {
    pub const BUILT_IN: Place = Place { line: 0, column: 0 };
}

/// Index of a phrase in `Procedure::phrases`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct PhraseId(pub u16);

/// What a phrase does when it is heard at the right moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Use {
    ReadBack {
        step: u16,
    },
    Confirmation {
        step: u16,
    },
    /// A refusal; the same words may serve every step.
    Refusal,
    Answer {
        question: u16,
        answer: u16,
    },
    Call {
        call: Call,
    },
    /// Calls a contingency; index in `Procedure::contingencies`.
    Contingency {
        contingency: u16,
    },
    /// The observer's word that lets the session go on from the hold point before a step.
    Release {
        step: u16,
    },
    /// The observer's word that a step was seen done, although the answers about it could not be heard.
    Decision,
    /// Why the observer decided; index in `Decision::reasons`.
    Reason {
        reason: u16,
    },
}

/// A phrase valid at any moment, from either person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Call {
    Hold,
    CarryOn,
    SayAgain,
    GoBack,
    Stop,
}

impl Call {
    pub const ALL: [Call; 5] = [Call::Hold, Call::CarryOn, Call::SayAgain, Call::GoBack, Call::Stop];
    /// The key in the procedure's `[calls]` table, also the word on the screen.
    pub fn key(self) -> &'static str {
        match self {
            Call::Hold => "hold",
            Call::CarryOn => "carry-on",
            Call::SayAgain => "say-again",
            Call::GoBack => "go-back",
            Call::Stop => "stop",
        }
    }
}

/// One fixed phrase: its words in lower case, single spaces, no punctuation (`parse::words` makes them so).
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Phrase {
    pub text: String,
    /// Whose phrase it is; `None` for calls, which either may say, and for a refusal that both have.
    pub by: Option<Role>,
    pub used: Use,
    pub at: Place,
    /// Made from a phrase with slots.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub filled: Option<Filled>,
}

/// What a phrase with slots was filled with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Filled {
    /// The phrase as it was written, slots as `{id}`.
    pub pattern: String,
    /// Slot and value, in the order of the phrase.
    pub values: Vec<(String, String)>,
}

impl Phrase {
    pub fn words(&self) -> impl Iterator<Item = &str> {
        self.text.split(' ')
    }

    /// Slots and values; empty for a phrase without slots.
    pub fn values(&self) -> &[(String, String)] {
        self.filled.as_ref().map_or(&[], |filled| &filled.values)
    }

    /// Whether no slot has one value here and another one there.
    pub fn agrees_with(&self, other: &Phrase) -> bool {
        let clash = |(slot, value): &(String, String)| {
            other.values().iter().any(|(theirs, said)| theirs == slot && said != value)
        };
        !self.values().iter().any(clash)
    }
}

/// How patient the session is. Defaults: see `Rules::default`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Rules {
    /// Wrong or unsure answers to one prompt before the session holds for the observer to decide.
    pub tries: u32,
    /// Seconds of silence after a prompt before it is called again.
    pub reminder_s: f64,
    /// Reminders without an answer before the session holds.
    pub reminders: u32,
    /// Whether the observer may decide about a step after the tries, where the step does not say otherwise.
    pub decision: bool,
    /// Whether people's voices are compared while a session runs.
    pub voices: VoiceRule,
}

/// What follows where an answer seems to be in another person's voice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum VoiceRule {
    /// It is asked for again, and the second time the session holds; without the network of voices it runs without.
    #[default]
    Ask,
    /// Nothing: voices are not compared.
    Off,
    /// As ask; without the network no session begins.
    Required,
}

impl Default for Rules {
    /// The reminder of 10 s follows the aeronautical practice of waiting at least 10 s before calling again
    /// (ICAO Annex 10 vol. II, from memory); the two counts are common practice, no source.
    fn default() -> Self {
        Rules { tries: 3, reminder_s: 10.0, reminders: 3, decision: true, voices: VoiceRule::Ask }
    }
}

/// A question asked before the first step; its answer switches steps on or off.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Question {
    pub id: String,
    /// What the tool says.
    pub ask: String,
    /// Who answers.
    pub by: Role,
    pub answers: Vec<Answer>,
    pub at: Place,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Answer {
    /// The value named by a step's `when`.
    pub value: String,
    pub phrase: PhraseId,
}

/// A step is done only when the question's answer is one of the values.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Condition {
    /// Index in `Procedure::questions`.
    pub question: u16,
    /// Indices of the question's answers.
    pub answers: Vec<u16>,
}

/// Who does a step. It always takes two voices: who does it reads back, and the other one confirms.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Doer {
    #[default]
    Worker,
    /// The worker with the observer's help: read back and confirmed as a step of the worker's.
    Both,
    /// The observer acts and reads back; the worker, who feels or hears it, confirms.
    Observer,
}

impl Doer {
    pub const ALL: [Doer; 3] = [Doer::Worker, Doer::Both, Doer::Observer];
    /// The word in the procedure's file.
    pub fn name(self) -> &'static str {
        match self {
            Doer::Worker => "worker",
            Doer::Both => "both",
            Doer::Observer => "observer",
        }
    }
    pub fn reads_back(self) -> Role {
        match self {
            Doer::Worker | Doer::Both => Role::Worker,
            Doer::Observer => Role::Observer,
        }
    }
    pub fn confirms(self) -> Role {
        self.reads_back().other()
    }
}

/// A place at which the session waits until the observer releases it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HoldPoint {
    /// What the tool says about the wait.
    pub text: String,
    /// The observer's phrases that release it. Never empty.
    pub release: Vec<PhraseId>,
}

/// One thing that is done.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    pub id: String,
    pub by: Doer,
    /// Waited for before the instruction.
    pub hold_point: Option<HoldPoint>,
    /// What the tool tells whoever does it.
    pub instruction: String,
    /// What the tool tells the other one to look at, once it was read back.
    pub look: String,
    /// Phrases of whoever does it, any of which counts; the first is the one prompted for. Never empty.
    pub read_back: Vec<PhraseId>,
    /// Phrases of the other one that it was seen done right. Never empty.
    pub confirm: Vec<PhraseId>,
    /// Phrases of the other one that it was not right. Never empty.
    pub refuse: Vec<PhraseId>,
    /// A read-back that begins sooner than this many seconds after the instruction ended is refused.
    pub at_least_s: Option<f64>,
    /// How long it usually takes from the instruction to the confirmation. Shown and compared, never waited for.
    pub expected_s: Option<f64>,
    /// Overrides `Rules::reminder_s` while somebody is at work on this step.
    pub reminder_s: Option<f64>,
    /// All conditions must hold; empty means always.
    pub when: Vec<Condition>,
    /// Errors here hurt people most; shown on the screen and kept in the summary.
    pub critical: bool,
    /// Whether the observer may decide about it after the tries. Only where `Procedure::decision` has the phrases.
    pub decision: bool,
    pub at: Place,
}

/// The way out of a step whose answers are not heard: what the observer says, and the reasons to choose from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Decision {
    /// Never empty; the first is the one prompted for.
    pub phrases: Vec<PhraseId>,
    /// In the order in which they are offered; `other` is among them.
    pub reasons: Vec<Reason>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reason {
    pub id: String,
    /// How it is shown and recorded.
    pub label: String,
    pub phrase: PhraseId,
}

/// What follows when a contingency's own steps are done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Then {
    /// Back to what was interrupted, from its instruction.
    Return,
    /// The procedure's own steps are open again from this one on.
    Restart { step: u16 },
    /// The steps of this exit, and then the session ends. Index in `Procedure::exits`.
    Exit { exit: u16 },
}

/// A side procedure that either person may call at any moment.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Contingency {
    pub id: String,
    pub title: String,
    /// The phrases by which it is called. Never empty.
    pub call: Vec<PhraseId>,
    /// Spoken as soon as it is called.
    pub opening: Option<String>,
    /// Its own steps, in `Procedure::steps`.
    pub steps: Range<usize>,
    pub then: Then,
    pub at: Place,
}

/// A list of steps that leads out and ends the session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Exit {
    pub id: String,
    pub title: String,
    /// Spoken after its last step.
    pub closing: String,
    /// In `Procedure::steps`; never empty.
    pub steps: Range<usize>,
    pub at: Place,
}

/// A list of steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// The procedure's own.
    Main,
    Contingency(u16),
    Exit(u16),
}

/// What may stand in place of `{id}` in a phrase.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Slot {
    pub id: String,
    pub kind: SlotKind,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SlotKind {
    Words(Vec<String>),
    /// So many digits, said one by one.
    Digits(usize),
}

/// A whole procedure, checked.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Procedure {
    pub id: String,
    pub title: String,
    pub version: String,
    /// BCP 47 tag, for example `en` or `ko`.
    pub language: String,
    /// The unit it is played in (invented in every shipped procedure).
    pub unit: Option<String>,
    /// Shown before the first step and kept with the record.
    pub cautions: Vec<String>,
    /// Spoken before the first question or step.
    pub opening: Option<String>,
    /// Spoken after the last step.
    pub closing: String,
    pub rules: Rules,
    pub questions: Vec<Question>,
    /// Every step: first the procedure's own, then those of the contingencies, then those of the exits.
    pub steps: Vec<Step>,
    /// How many of `steps` are the procedure's own.
    pub own_steps: usize,
    pub contingencies: Vec<Contingency>,
    pub exits: Vec<Exit>,
    /// `None` when no step allows it, or the language has no words for it and the file gives none.
    pub decision: Option<Decision>,
    pub slots: Vec<Slot>,
    /// Words that are spoken otherwise than they are written, the longest first.
    pub say: Vec<(String, String)>,
    /// Every phrase that can count, calls included. `PhraseId` indexes it.
    pub phrases: Vec<Phrase>,
    /// Pronunciations given by the author: word -> ARPAbet sequences, without stress digits.
    pub pronunciations: BTreeMap<String, Vec<Vec<String>>>,
    /// Phrases that must not be taken for any phrase, beyond those derived.
    pub decoys: Vec<String>,
}

impl Procedure {
    pub fn phrase(&self, id: PhraseId) -> &Phrase {
        &self.phrases[usize::from(id.0)]
    }
    pub fn phrase_ids(&self) -> impl Iterator<Item = PhraseId> + '_ {
        (0..self.phrases.len()).map(|index| PhraseId(index as u16))
    }
    /// The procedure's own steps, without those of contingencies and exits.
    pub fn main_steps(&self) -> &[Step] {
        &self.steps[..self.own_steps]
    }
    /// Where in `steps` the steps of a part are.
    pub fn range(&self, part: Part) -> Range<usize> {
        match part {
            Part::Main => 0..self.own_steps,
            Part::Contingency(index) => self.contingencies[usize::from(index)].steps.clone(),
            Part::Exit(index) => self.exits[usize::from(index)].steps.clone(),
        }
    }
    /// The part that a step is in.
    pub fn part_of(&self, step: usize) -> Part {
        let within = |steps: &Range<usize>| steps.contains(&step);
        let contingency = self.contingencies.iter().position(|one| within(&one.steps));
        let exit = || self.exits.iter().position(|one| within(&one.steps));
        // Both lists are far shorter than u16::MAX.
        match contingency {
            Some(index) => Part::Contingency(index as u16),
            None => exit().map_or(Part::Main, |index| Part::Exit(index as u16)),
        }
    }
    /// A text as it is spoken: words of the `say` table replaced.
    pub fn spoken(&self, text: &str) -> String {
        spoken::replace(text, &self.say)
    }
}
