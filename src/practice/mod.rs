//! Practice alone: one person with the tool, which plays the other one, errs on purpose, and tells afterwards how the
//! trainee did.
//!
//! `plan` decides which errors the stand-in makes and where, `score` reads a practice back from its journal, `reaction`
//! what the trainee did about each error, `words` puts it in plain words. All pure. Must not judge competence: there is
//! no pass mark, a trainer judges.

pub mod plan;
mod reaction;
pub mod score;
#[cfg(test)]
mod tests;
pub mod words;

pub use score::{score, Score};

use crate::conduct::actors::SlipKind;
use crate::procedure::Role;
use serde::{Deserialize, Serialize};

/// What makes a session a practice; in the journal's first line and in the summary.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Practice {
    /// Who practises. The other one is the stand-in.
    pub trainee: Role,
    /// The stand-in's voice.
    pub stand_in_voice: String,
    /// Share of steps at which the stand-in errs on purpose; 0 is never.
    pub slips: f64,
    pub seed: u64,
    pub source: Source,
}

/// Where the trainee's words came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// In real time.
    Microphone,
    Recording,
    /// The trainee was a stand-in too: a demonstration.
    StandIn,
}

impl Practice {
    /// Whom the tool plays.
    pub fn stand_in(&self) -> Role {
        self.trainee.other()
    }

    /// For the screen, the summary and the debrief.
    pub fn caution(&self) -> String {
        let (trainee, stand_in) = (self.trainee.name(), self.stand_in().name());
        if self.source == Source::StandIn {
            return "A demonstration of a practice: both voices are stand-ins; nobody practised.".to_string();
        }
        format!(
            "A practice: the {stand_in} is a stand-in, played by the tool. It says nothing of a session of two people; \
             only the {trainee} was a person."
        )
    }
}

/// An error that the stand-in makes on purpose, as the journal has it beside the note in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SlipNote {
    pub kind: SlipKind,
    /// Id of the step.
    pub step: String,
    /// Id of the contingency that is called.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contingency: Option<String>,
    /// What is said; nothing when the stand-in keeps silent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<String>,
}
