//! The parts of a debrief that don't depend on the order of events: what is said of a step, of the record, of the
//! procedure, and which events are understood. Pure.

use super::{text, Sources, LONGEST_MS};
use crate::debrief::model::*;
use crate::debrief::words;
use crate::procedure::Procedure;
use crate::record::moved::session_of;
use crate::record::read::Line;
use crate::record::verify;
use crate::session::{Event, Phase, State, What};
use serde_json::Value;

/// The event of a line, when this version understands it and it names nothing that is not there.
pub(crate) fn understood(line: &Line, state: &State, procedure: &Procedure) -> Option<Event> {
    let event = serde_json::from_value::<Event>(line.body.clone()).ok()?;
    let fits = event.at_ms <= LONGEST_MS && words::fits(procedure, &line.body) && posts_fit(state, &event);
    fits.then_some(event)
}

/// Whether the event is about microphones that the session has.
fn posts_fit(state: &State, event: &Event) -> bool {
    match &event.what {
        What::Heard(heard) => state.posts.contains(&heard.post) && heard.end_ms <= LONGEST_MS,
        What::PostLost { post, .. } | What::PostBack { post } => state.posts.contains(post),
        _ => true,
    }
}

pub(super) fn place_of(state: &State, procedure: &Procedure) -> (&'static str, Option<usize>, String) {
    if let Some(index) = state.current_step().map(usize::from) {
        let id = procedure.steps.get(index).map(|step| step.id.clone()).unwrap_or_default();
        return ("step", Some(index), id);
    }
    match &state.phase {
        Phase::Asking { question } => {
            let question = procedure.questions.get(usize::from(*question));
            ("question", None, question.map(|question| question.id.clone()).unwrap_or_default())
        }
        // By the name that the journal would give it, also a phase that is added later.
        other => {
            let phase = serde_json::to_value(other).ok();
            let name = phase.as_ref().map(|phase| text(phase, "phase").to_string()).unwrap_or_default();
            ("other", None, name)
        }
    }
}

/// Bands for a journal that could not be folded: from the account of its steps.
pub(super) fn visits_from(steps: &[Step]) -> Vec<Visit> {
    let known = steps.iter().enumerate().filter_map(|(index, step)| {
        let (from, to) = step.began.zip(step.confirmed.or(step.decided))?;
        (to > from).then(|| Visit {
            from,
            to,
            kind: "step".into(),
            step: Some(index),
            place: step.id.clone(),
        })
    });
    known.collect()
}

pub(super) fn about(procedure: &Procedure) -> ProcedureInfo {
    ProcedureInfo {
        id: procedure.id.clone(),
        title: procedure.title.clone(),
        version: procedure.version.clone(),
        language: procedure.language.clone(),
        unit: procedure.unit.clone(),
    }
}

pub(super) fn folder_name(sources: &Sources) -> String {
    session_of(&sources.reading.lines).filter(|stated| !stated.is_empty()).unwrap_or_else(|| {
        let name = sources.verified.folder.file_name().unwrap_or_default();
        name.to_string_lossy().into_owned()
    })
}

pub(super) fn record(sources: &Sources) -> Record {
    let verified = sources.verified;
    let (state, sentence) = match verified.state {
        verify::State::Sound => ("sound", "The record is whole, and as it was written."),
        verify::State::CutOff => ("cut-off", "The record stops early; what there is is as it was written."),
        verify::State::Altered => {
            ("altered", "The record was altered after it was written: do not rely on it.")
        }
    };
    let findings = verified.findings.iter().map(|finding| {
        let place = match finding.line {
            Some(line) => format!("{}:{line}", finding.file),
            None => finding.file.to_string(),
        };
        format!("{place}: {}", finding.what)
    });
    Record {
        state: state.into(),
        sentence: sentence.into(),
        findings: findings.collect(),
        lines: verified.lines,
        digest: verified.digest.clone(),
    }
}

pub(super) fn doubts(sources: &Sources) -> Vec<String> {
    let mut doubts = Vec::new();
    if let Err(why) = &sources.procedure {
        doubts.push(format!("The procedure can't be shown, nor which phrases were expected: {why}."));
    }
    if let Err(why) = &sources.audio {
        doubts.push(format!("There is no sound to play: {why}."));
    }
    if let Some(first) = sources.reading.problems.first() {
        doubts.push(format!(
            "From line {} on the journal was altered: what is shown from there on may be wrong, and which phrases were \
             expected is not known.",
            first.line
        ));
    }
    doubts
}

/// Bytes of all text in a value.
pub(super) fn length_of_text(value: &Value) -> usize {
    match value {
        Value::String(text) => text.len(),
        Value::Array(values) => values.iter().map(length_of_text).sum(),
        Value::Object(entries) => entries.iter().map(|(key, value)| key.len() + length_of_text(value)).sum(),
        _ => 0,
    }
}
