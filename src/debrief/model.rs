//! What a debrief says: plain data, the same for the page, the tables and `--json`.
//!
//! Owns the form of the report and with it the JSON schema. Must not know where the data come from or how they are shown.
//! Times are seconds on the session clock, which is also the audio's.

use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

/// Raised when a field changes its meaning or goes away.
pub const FORMAT: u32 = 1;

/// A session's debrief.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Report {
    /// Version of this form.
    pub format: u32,
    /// The session folder's name.
    pub session: String,
    pub procedure: Option<ProcedureInfo>,
    /// `live`, `wav`, `rehearsal` or `practice`; empty when the journal does not say.
    pub mode: String,
    /// RFC 3339.
    pub started: Option<String>,
    /// Length of the session as far as it is recorded.
    pub seconds: f64,
    pub outcome: Outcome,
    /// Who was at which post, as short ids.
    pub people: BTreeMap<String, String>,
    pub engine: String,
    pub voice: String,
    /// Question id to the answer's value.
    pub answers: BTreeMap<String, String>,
    pub steps: Vec<Step>,
    /// Stretches of time spent at one place of the procedure, in order.
    pub visits: Vec<Visit>,
    pub utterances: Vec<Utterance>,
    /// Everything else worth seeing on the timeline.
    pub marks: Vec<Mark>,
    pub holds: Vec<Hold>,
    pub totals: Totals,
    pub cautions: Vec<String>,
    pub record: Record,
    /// What of this debrief can't be relied on, and why.
    pub doubts: Vec<String>,
    /// `null` when there is no sound that can be played.
    pub audio: Option<Audio>,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ProcedureInfo {
    pub id: String,
    pub title: String,
    pub version: String,
    pub language: String,
    pub unit: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Outcome {
    /// `completed`, `exited`, `stopped`, `held`, `input-ended`, `interrupted`, `failed`, `cut-off` for one that was closed later, or `unknown` for one that
    /// is cut off.
    pub word: String,
    pub sentence: String,
    /// By two answers or by decision.
    pub steps_done: usize,
    /// Of these: by decision.
    pub steps_decided: usize,
    /// Steps that the answers did not switch off.
    pub steps_due: usize,
}

#[derive(Debug, Clone, Default, PartialEq, Serialize, JsonSchema)]
pub struct Step {
    /// From 1, in the order of the procedure.
    pub number: usize,
    /// The contingency or exit it is of; `null` for the procedure's own.
    pub part: Option<String>,
    pub id: String,
    pub instruction: String,
    pub critical: bool,
    /// Who does it: `worker`, `both` or `observer`.
    pub by: String,
    pub standing: Standing,
    /// For a step that was skipped: which answer switched it off.
    pub skipped_by: Option<String>,
    /// Slot to the value that was said, for phrases with slots.
    pub values: BTreeMap<String, String>,
    pub began: Option<f64>,
    pub read_back: Option<f64>,
    /// `null` for a step that was confirmed by decision only.
    pub confirmed: Option<f64>,
    /// When the observer decided about it, after the tries.
    pub decided: Option<f64>,
    /// Why the observer decided.
    pub decided_for: Option<String>,
    pub seconds: Option<f64>,
    pub expected: Expected,
    pub asked_again: u32,
    pub refusals: u32,
    pub reminders: u32,
    pub holds: u32,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    Done,
    /// Confirmed by the observer's decision, not by two answers.
    Decided,
    Skipped,
    /// Begun and not confirmed.
    Open,
    #[default]
    NotReached,
}

/// What the procedure says about a step's time.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, JsonSchema)]
pub struct Expected {
    /// A read-back sooner than this after the instruction is refused, seconds.
    pub at_least_s: Option<f64>,
    /// How long the step usually takes, seconds.
    pub expected_s: Option<f64>,
    /// After so much silence the tool calls again, seconds.
    pub reminder_s: Option<f64>,
    /// Whether the time taken fits.
    pub verdict: TimeVerdict,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TimeVerdict {
    /// Within what the procedure expects.
    AsExpected,
    /// Somebody was called again at least once.
    Slow,
    /// It took longer than it usually takes.
    Longer,
    /// A read-back came before the minimum time, and did not count.
    TooSoonOnce,
    /// Not done, or nothing known.
    #[default]
    Unknown,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Visit {
    pub from: f64,
    pub to: f64,
    /// `step`, `question` or `other`.
    pub kind: String,
    /// Index in `steps`, for a step.
    pub step: Option<usize>,
    /// The step's or question's id, or the phase.
    pub place: String,
}

/// One utterance, of the tool or of a person.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Utterance {
    /// From 1, in order of time.
    pub number: usize,
    /// Line in the journal.
    pub line: usize,
    pub from: f64,
    pub to: f64,
    /// `tool`, or the post it was heard at.
    pub track: String,
    /// Who spoke, as captions name them.
    pub speaker: String,
    /// What the tool said, or the words of the phrase that fits best.
    pub text: String,
    /// Where in the procedure, as in `Visit::place`.
    pub place: String,
    /// For the tool: why it spoke.
    pub saying: Option<String>,
    /// For a person: everything about how it was judged.
    pub judged: Option<Judged>,
    /// The journal's line does not fit its digest.
    pub altered: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Judged {
    /// Who was awaited; `null` when nobody was, or when it is not known.
    pub awaited: Option<String>,
    /// The phrases that would have moved the session on; `null` when they are not known.
    pub expected: Option<Vec<String>>,
    /// `accepted`, `other`, `unsure`, `ignored`, or the name a newer version gave it.
    pub verdict: String,
    /// The verdict in plain words.
    pub verdict_words: String,
    pub result: Became,
    /// What the session made of it, in plain words.
    pub result_words: String,
    /// The evidence in plain words.
    pub evidence: Vec<String>,
    /// What it had to pass to be taken for the phrase, what was measured and what was needed then; empty where none are known.
    pub tests: Vec<String>,
    /// 0 to 1; a scale, not a frequency.
    pub confidence: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Became {
    Counted,
    AskedAgain,
    TooSoon,
    Refused,
    Held,
    NotCounted,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Mark {
    pub at: f64,
    /// The journal's own word: `refused`, `asked-again`, `held`, `too-soon`, ...
    pub kind: String,
    pub words: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Hold {
    pub from: f64,
    pub to: f64,
    pub why: String,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Totals {
    pub asked_again: usize,
    pub too_soon: usize,
    pub refusals: usize,
    pub reminders: usize,
    pub holds: usize,
    pub calls: usize,
    /// Of the observer, about steps; also such as were done again later.
    pub decisions: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Record {
    /// `sound`, `cut-off` or `altered`.
    pub state: String,
    pub sentence: String,
    pub findings: Vec<String>,
    pub lines: usize,
    /// The last line's SHA-256.
    pub digest: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Audio {
    /// What each channel holds, in order.
    pub tracks: Vec<String>,
    pub seconds: f64,
}

impl Report {
    /// The tracks that have a lane, the tool first.
    pub fn lanes(&self) -> Vec<String> {
        let mut lanes = vec!["tool".to_string()];
        let named = self.audio.iter().flat_map(|audio| audio.tracks.iter());
        for track in named.chain(self.utterances.iter().map(|one| &one.track)) {
            if !lanes.contains(track) {
                lanes.push(track.clone());
            }
        }
        lanes
    }
}

/// The schema of `Report` (JSON Schema 2020-12).
pub fn schema() -> serde_json::Value {
    schemars::schema_for!(Report).to_value()
}
