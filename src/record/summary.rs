//! What a session came to: `summary.json`.
//!
//! Owns the form of the summary. Must not know how its numbers come about; whoever ran the session fills it in.
//!
//! The journal's closing line has the `Account` as its body, and `summary.json` is the same account plus the
//! journal's length and last digest. So the journal vouches for the summary, and the summary for the journal's end.

use super::{Closed, Journal, RecordError, SessionFolder};
use chrono::{DateTime, FixedOffset};
use serde::{Deserialize, Serialize};
use serde_json::{json, Map, Value};
use std::collections::BTreeMap;

/// `summary.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    #[serde(flatten)]
    pub account: Account,
    /// Lines of the journal, the closing one included.
    pub journal_lines: u64,
    /// The `sha256` of the journal's closing line.
    pub journal_sha256: String,
}

/// How a session ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Every step done.
    Completed,
    /// A contingency led out, and every step of its exit was done.
    Exited,
    /// Someone called stop.
    Stopped,
    /// Left on hold.
    Held,
    /// The sound it listened to ran out.
    InputEnded,
    /// The program was told to quit.
    Interrupted,
    /// Something broke: a microphone, the voice, the disk.
    Failed,
    /// It was cut off (killed, no power), and closed later by `close`.
    CutOff,
}

impl Outcome {
    /// The word in the file, on the screen and in the log.
    pub fn name(self) -> &'static str {
        match self {
            Outcome::Completed => "completed",
            Outcome::Exited => "exited",
            Outcome::Stopped => "stopped",
            Outcome::Held => "held",
            Outcome::InputEnded => "input-ended",
            Outcome::Interrupted => "interrupted",
            Outcome::Failed => "failed",
            Outcome::CutOff => "cut-off",
        }
    }
}

/// Everything the summary says except what only the closed journal knows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Account {
    /// The session folder's name.
    pub session: String,
    pub procedure: ProcedureRef,
    /// RFC 3339, local time with its offset.
    pub started: DateTime<FixedOffset>,
    pub ended: DateTime<FixedOffset>,
    pub outcome: Outcome,
    /// What listened, with its version or model.
    pub engine: String,
    /// What spoke.
    pub voice: String,
    /// The posts that were listened to, such as `worker` and `observer`.
    pub posts: Vec<String>,
    /// Who was at which post, as short ids; empty when it was not said.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub people: BTreeMap<String, String>,
    /// A practice: one of the two was a stand-in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub practice: Option<crate::practice::Practice>,
    /// In the order of the procedure, skipped ones included; not those of contingencies and exits.
    pub steps: Vec<StepAccount>,
    /// Every contingency that was called, in the order of the calls.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contingencies: Vec<ContingencyAccount>,
    /// The exit by which the session was left, or was being left.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exit: Option<ExitAccount>,
    /// Question id -> the answer's value.
    pub answers: BTreeMap<String, String>,
    /// Steps that were confirmed by the observer's decision, not by two answers; also at the steps themselves.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub decisions: Vec<DecisionAccount>,
    pub totals: Totals,
    /// `None` when no sound was kept.
    pub audio: Option<AudioAccount>,
    /// SHA-256 of `audio.wav` as it was closed. At the top, where `verify` looks for it in the closing line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub audio_sha256: Option<String>,
    /// The procedure's cautions, and whatever limits this record (a dropped microphone, a full disk).
    pub cautions: Vec<String>,
    /// The session did not close its record itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed_later: Option<ClosedLater>,
}

/// A record that was cut off and closed by a later command.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClosedLater {
    /// RFC 3339, local time with its offset.
    pub at: DateTime<FixedOffset>,
    /// The command and its version.
    pub by: String,
    /// The last digest that the record had before.
    pub journal_sha256_before: String,
    /// Bytes of a line that broke off at the end of the journal, and were left out.
    pub broken_bytes: u64,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProcedureRef {
    pub id: String,
    pub title: String,
    pub version: String,
    /// SHA-256 of `procedure.toml`.
    pub sha256: String,
}

/// One contingency from its call to its end. When it was called more than once, its steps are those of the last time,
/// and stand at that one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ContingencyAccount {
    pub id: String,
    pub title: String,
    /// The post at which it was called.
    pub called_at: String,
    pub called_ms: u64,
    /// `None` while it was under way when the session ended.
    pub ended_ms: Option<u64>,
    /// `returned`, `restarted`, `exited`, `called-again` or `cancelled`.
    pub ending: Option<crate::session::Ending>,
    pub steps: Vec<StepAccount>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExitAccount {
    pub id: String,
    pub title: String,
    /// The contingency that led to it.
    pub because_of: String,
    pub steps: Vec<StepAccount>,
}

/// A step that the observer decided about, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DecisionAccount {
    /// Id of the step.
    pub step: String,
    #[serde(flatten)]
    pub decision: StepDecision,
}

/// The observer's decision about a step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepDecision {
    /// Id of the reason, and how it is shown.
    pub reason: String,
    pub label: String,
    pub decided_ms: u64,
}

/// One step. Times are on the session clock, ms; when a step was done more than once, the last time counts.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct StepAccount {
    pub id: String,
    pub instruction: String,
    pub critical: bool,
    /// Who does it.
    #[serde(default)]
    pub by: crate::procedure::Doer,
    /// Usual and least seconds, where the procedure gives them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_least_s: Option<f64>,
    /// When the hold point before it was released.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub released_ms: Option<u64>,
    /// Slot -> the value that was read back.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub values: BTreeMap<String, String>,
    /// The answer that switched it off.
    pub skipped_by: Option<SkippedBy>,
    pub started_ms: Option<u64>,
    pub read_back_ms: Option<u64>,
    pub confirmed_ms: Option<u64>,
    /// Confirmed by the observer's decision. What was not heard stays `None` above.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decision: Option<StepDecision>,
    /// How often the tool had to ask again.
    pub repeats: u32,
    pub refusals: u32,
    pub reminders: u32,
    pub holds: u32,
    /// From its start to its confirmation, or to the decision, seconds.
    pub seconds: Option<f64>,
}

impl StepAccount {
    /// When it was done: confirmed, or decided about.
    pub fn done_ms(&self) -> Option<u64> {
        self.confirmed_ms.or(self.decision.as_ref().map(|decision| decision.decided_ms))
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SkippedBy {
    pub question: String,
    pub answer: String,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Totals {
    pub seconds: f64,
    /// By two answers or by decision.
    pub steps_done: u32,
    /// Steps of any list confirmed by the observer's decision.
    #[serde(default)]
    pub decisions: u32,
    pub steps_skipped: u32,
    pub asks_again: u32,
    pub refusals: u32,
    pub reminders: u32,
    pub holds: u32,
    pub stops: u32,
    pub go_backs: u32,
    /// How often a contingency was called.
    #[serde(default)]
    pub contingencies: u32,
    /// Calls of every kind.
    pub calls: u32,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AudioAccount {
    /// What each channel of `audio.wav` holds, in order.
    pub tracks: Vec<String>,
    pub seconds: f64,
    /// Samples that came too late to be written, all tracks together.
    pub dropped_frames: u64,
}

/// Closes the journal with the account and writes the summary that fits it: the one order in which `verify` finds
/// each vouching for the other. `ms` is the session clock; the closing line's wall clock is `account.ended`.
pub fn finish(
    folder: &SessionFolder,
    journal: Journal,
    ms: u64,
    account: Account,
) -> Result<Summary, RecordError> {
    let Closed { lines, sha256 } = journal.close(account.ended, ms, &account)?;
    let summary = Summary { account, journal_lines: lines, journal_sha256: sha256 };
    folder.write_summary(&summary)?;
    Ok(summary)
}

/// An account for tests, with something in every field.
/// The bytes of the summary that goes with a closing line, from its body.
pub(super) fn of_account(account: &Value, lines: u64, digest: &str) -> Result<Vec<u8>, RecordError> {
    let mut summary: Map<String, Value> = account.as_object().cloned().unwrap_or_default();
    summary.insert("journal_lines".into(), json!(lines));
    summary.insert("journal_sha256".into(), json!(digest));
    let mut bytes = serde_json::to_vec_pretty(&summary).map_err(|error| RecordError::Event {
        kind: super::folder::SUMMARY.to_owned(),
        why: error.to_string(),
    })?;
    bytes.push(b'\n');
    Ok(bytes)
}

#[cfg(test)]
fn example() -> Account {
    let at = |text| DateTime::parse_from_rfc3339(text).expect("a valid time");
    Account {
        session: "20261124T231500Z-donning".to_owned(),
        procedure: ProcedureRef {
            id: "donning".to_owned(),
            title: "Donning".to_owned(),
            version: "1".to_owned(),
            sha256: super::chain::sha256_hex(b"id = 'donning'\n"),
        },
        started: at("2026-11-25T00:15:00.000+01:00"),
        ended: at("2026-11-25T00:15:03.250+01:00"),
        outcome: Outcome::InputEnded,
        engine: "phones".to_owned(),
        voice: "rendered".to_owned(),
        posts: vec!["worker".to_owned(), "observer".to_owned()],
        people: BTreeMap::from([("worker".to_owned(), "w7".to_owned())]),
        practice: Some(crate::practice::Practice {
            trainee: crate::procedure::Role::Worker,
            stand_in_voice: "flite:awb".to_owned(),
            slips: 0.15,
            seed: 7,
            source: crate::practice::Source::Microphone,
        }),
        steps: vec![StepAccount {
            id: "gown".to_owned(),
            instruction: "Gown on.".to_owned(),
            critical: true,
            started_ms: Some(100),
            seconds: Some(0.1 + 0.2),
            ..StepAccount::default()
        }],
        contingencies: vec![ContingencyAccount {
            id: "tear".to_owned(),
            title: "A tear".to_owned(),
            called_at: "worker".to_owned(),
            called_ms: 120,
            ended_ms: None,
            ending: None,
            steps: vec![StepAccount::default()],
        }],
        exit: None,
        answers: BTreeMap::from([("apron".to_owned(), "no".to_owned())]),
        decisions: vec![DecisionAccount {
            step: "gown".to_owned(),
            decision: StepDecision {
                reason: "noise".to_owned(),
                label: "too much noise".to_owned(),
                decided_ms: 400,
            },
        }],
        totals: Totals { seconds: 3.25, asks_again: 1, ..Totals::default() },
        audio: None,
        audio_sha256: None,
        cautions: vec!["Training aid.".to_owned()],
        closed_later: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_outcome_is_written_as_it_is_named() {
        use Outcome::*;
        for outcome in [Completed, Exited, Stopped, Held, InputEnded, Interrupted, Failed, CutOff] {
            assert_eq!(serde_json::to_value(outcome).unwrap(), outcome.name());
        }
    }

    #[test]
    fn a_summary_reads_back_as_it_was_written() {
        let summary = Summary { account: example(), journal_lines: 9, journal_sha256: "ab".repeat(32) };
        let text = serde_json::to_string(&summary).unwrap();
        assert_eq!(serde_json::from_str::<Summary>(&text).unwrap(), summary);
        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(value["outcome"], "input-ended");
        assert_eq!(value["started"], "2026-11-25T00:15:00+01:00");
        assert_eq!(value["journal_lines"], 9);
    }
}
