//! A procedure as data: what is asked, what is done, which words count, and where in the file each came from.
//!
//! Owns the types every other module agrees on (`Procedure`, `Phrase`, `PhraseId`, `Role`). Pure data: must not know
//! how phrases are heard, spoken or shown. `parse` reads the TOML and checks it; a `Procedure` that exists is valid.

pub mod draft;
pub mod parse;

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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
    /// Whose phrase it is; `None` for calls, which either may say.
    pub by: Option<Role>,
    pub used: Use,
    pub at: Place,
}

impl Phrase {
    pub fn words(&self) -> impl Iterator<Item = &str> {
        self.text.split(' ')
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
}

impl Default for Rules {
    /// The reminder of 10 s follows the aeronautical practice of waiting at least 10 s before calling again
    /// (ICAO Annex 10 vol. II, from memory); the two counts are common practice, no source.
    fn default() -> Self {
        Rules { tries: 3, reminder_s: 10.0, reminders: 3 }
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

/// One thing the worker does.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    pub id: String,
    /// What the tool tells the worker to do.
    pub instruction: String,
    /// What the tool tells the observer to look at, once the worker has read back.
    pub look: String,
    /// The worker's phrases, any of which counts; the first is the one prompted for. Never empty.
    pub read_back: Vec<PhraseId>,
    /// The observer's phrases that it was seen done right. Never empty.
    pub confirm: Vec<PhraseId>,
    /// The observer's phrases that it was not right. Never empty.
    pub refuse: Vec<PhraseId>,
    /// A read-back that begins sooner than this many seconds after the instruction ended is refused.
    pub at_least_s: Option<f64>,
    /// Overrides `Rules::reminder_s` while the worker is at work on this step.
    pub reminder_s: Option<f64>,
    /// All conditions must hold; empty means always.
    pub when: Vec<Condition>,
    /// Errors here hurt people most; shown on the screen and kept in the summary.
    pub critical: bool,
    pub at: Place,
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
    pub steps: Vec<Step>,
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
}
