//! What the template reads: texts ready to be shown, nothing to be reckoned any more.

use askama::Template;

#[derive(Template)]
#[template(path = "debrief.html")]
pub(super) struct Page<'a> {
    pub policy: String,
    pub style: &'a str,
    pub places: String,
    pub script: &'a str,
    pub title: String,
    pub outcome: String,
    pub outcome_class: &'a str,
    pub outcome_sign: &'a str,
    pub when: String,
    pub figures: Vec<Figure>,
    pub cautions: Vec<String>,
    pub record_sentence: &'a str,
    pub record_bad: bool,
    pub doubts: Vec<String>,
    pub total: String,
    pub length: String,
    pub ticks: Vec<Tick>,
    pub bands: Vec<Piece>,
    pub holds: Vec<Piece>,
    pub marks: Vec<Piece>,
    pub lanes: Vec<Lane>,
    pub sounds: Vec<SoundView<'a>>,
    pub steps: Vec<StepRow>,
    pub hold_rows: Vec<String>,
    pub mark_rows: Vec<String>,
    pub groups: Vec<Group>,
    pub facts: Vec<Fact>,
    pub findings: Vec<String>,
    pub version: &'a str,
}

pub(super) struct Figure {
    pub value: String,
    pub name: &'static str,
}

pub(super) struct Fact {
    pub name: &'static str,
    pub value: String,
}

pub(super) struct Tick {
    pub id: String,
    pub label: String,
}

/// Something on the timeline.
#[derive(Default)]
pub(super) struct Piece {
    pub id: String,
    /// The utterance's number, where it is one.
    pub number: usize,
    pub from: String,
    pub to: String,
    pub class: &'static str,
    pub label: String,
    pub words: String,
    pub critical: bool,
}

pub(super) struct Lane {
    pub class: &'static str,
    pub title: String,
    pub summary: String,
    /// Outline of the waveform; empty when there is none.
    pub path: String,
    pub points: usize,
    pub pieces: Vec<Piece>,
}

pub(super) struct SoundView<'a> {
    pub name: String,
    pub title: String,
    pub source: &'a super::Source,
}

pub(super) struct StepRow {
    pub number: usize,
    pub id: String,
    /// Title of the contingency or exit; empty for the procedure's own.
    pub part: String,
    pub instruction: String,
    pub critical: bool,
    pub standing: &'static str,
    pub class: &'static str,
    pub remark: String,
    pub began: String,
    pub took: String,
    pub expected: String,
    pub asked_again: u32,
    pub refusals: u32,
    pub reminders: u32,
    pub holds: u32,
    pub can_play: bool,
    pub from: String,
    pub to: String,
}

pub(super) struct Group {
    pub title: String,
    pub said: Vec<Said>,
}

pub(super) struct Said {
    pub number: usize,
    pub class: &'static str,
    pub from: String,
    pub to: String,
    pub at: String,
    pub speaker: String,
    pub text: String,
    pub tag: String,
    pub tag_class: &'static str,
    pub altered: bool,
    pub can_play: bool,
    pub judged: bool,
    pub expected: String,
    pub verdict: String,
    pub result: String,
    pub evidence: String,
}
