//! What a session came to, told from its state: the account that ends its journal and is its summary.
//!
//! Pure. Must not know where the state comes from: a session that just ended, or a journal folded again.

use super::keeper::Opening;
use crate::procedure::{Part, Procedure, Then};
use crate::record::summary::{
    Account, AudioAccount, ClosedLater, ContingencyAccount, DecisionAccount, ExitAccount,
    Outcome as RecordedOutcome, ProcedureRef, SkippedBy, StepAccount, StepDecision, Totals,
};
use crate::session::{Outcome, Progress, Run, Standing, State};
use chrono::{DateTime, FixedOffset};
use std::collections::BTreeMap;

/// What an account says that the state does not know.
pub(super) struct Ending<'a> {
    pub session: &'a str,
    pub started: DateTime<FixedOffset>,
    pub ended: DateTime<FixedOffset>,
    pub end_ms: u64,
    pub outcome: RecordedOutcome,
    pub audio: Option<AudioAccount>,
    pub audio_sha256: Option<String>,
    pub cautions: Vec<String>,
    pub closed_later: Option<ClosedLater>,
}

pub(super) fn account(procedure: &Procedure, state: &State, opening: &Opening, ending: Ending) -> Account {
    Account {
        session: ending.session.to_string(),
        procedure: ProcedureRef {
            id: procedure.id.clone(),
            title: procedure.title.clone(),
            version: procedure.version.clone(),
            sha256: opening.procedure_sha256.clone(),
        },
        started: ending.started,
        ended: ending.ended,
        outcome: ending.outcome,
        engine: opening.engine.clone(),
        voice: opening.voice.clone(),
        posts: opening.posts.iter().map(|post| post.name().to_string()).collect(),
        people: opening.people.clone(),
        practice: opening.practice.clone(),
        answers: answers(procedure, state),
        decisions: decisions(procedure, state),
        totals: totals(procedure, state, ending.end_ms),
        audio: ending.audio,
        audio_sha256: ending.audio_sha256,
        steps: step_accounts(procedure, state, Part::Main),
        contingencies: contingencies(procedure, state),
        exit: exit(procedure, state),
        cautions: ending.cautions,
        closed_later: ending.closed_later,
    }
}

pub(super) fn recorded_outcome(state: &State, failed: bool) -> RecordedOutcome {
    match state.ended() {
        _ if failed => RecordedOutcome::Failed,
        Some(Outcome::Completed) => RecordedOutcome::Completed,
        Some(Outcome::Exited) => RecordedOutcome::Exited,
        Some(Outcome::Stopped) => RecordedOutcome::Stopped,
        Some(Outcome::InputEnded) => RecordedOutcome::InputEnded,
        Some(Outcome::Interrupted) => RecordedOutcome::Interrupted,
        None => RecordedOutcome::Held,
    }
}

pub(crate) fn step_accounts(procedure: &Procedure, state: &State, part: Part) -> Vec<StepAccount> {
    procedure.range(part).map(|index| step_account(procedure, state, index)).collect()
}

pub(crate) fn contingencies(procedure: &Procedure, state: &State) -> Vec<ContingencyAccount> {
    let account = |(number, run): (usize, &Run)| {
        let contingency = &procedure.contingencies[usize::from(run.contingency)];
        let again = state.runs[number + 1..].iter().any(|later| later.contingency == run.contingency);
        let part = Part::Contingency(run.contingency);
        ContingencyAccount {
            id: contingency.id.clone(),
            title: contingency.title.clone(),
            called_at: run.post.name().to_string(),
            called_ms: run.called_ms,
            ended_ms: run.ended_ms,
            ending: run.ending,
            steps: if again { Vec::new() } else { step_accounts(procedure, state, part) },
        }
    };
    state.runs.iter().enumerate().map(account).collect()
}

pub(crate) fn exit(procedure: &Procedure, state: &State) -> Option<ExitAccount> {
    let because_of = &procedure.contingencies[usize::from(state.leaving_by()?)];
    let Then::Exit { exit } = because_of.then else { return None };
    let about = &procedure.exits[usize::from(exit)];
    Some(ExitAccount {
        id: about.id.clone(),
        title: about.title.clone(),
        because_of: because_of.id.clone(),
        steps: step_accounts(procedure, state, Part::Exit(exit)),
    })
}

fn step_account(procedure: &Procedure, state: &State, index: usize) -> StepAccount {
    let step = &procedure.steps[index];
    let progress = &state.steps[index];
    StepAccount {
        id: step.id.clone(),
        instruction: step.instruction.clone(),
        critical: step.critical,
        by: step.by,
        expected_s: step.expected_s,
        at_least_s: step.at_least_s,
        released_ms: progress.released_ms,
        values: progress
            .read_back_as
            .map(|id| procedure.phrase(id).values().iter().cloned().collect())
            .unwrap_or_default(),
        skipped_by: (progress.standing == Standing::Skipped)
            .then(|| skipped_by(procedure, state, index))
            .flatten(),
        started_ms: progress.first_began_ms,
        read_back_ms: progress.read_back_ms,
        confirmed_ms: progress.confirmed_ms,
        decision: step_decision(procedure, progress),
        repeats: progress.asks_again,
        refusals: progress.refusals,
        reminders: progress.reminders,
        holds: progress.holds,
        seconds: progress
            .confirmed_ms
            .or(progress.decided.map(|decided| decided.at_ms))
            .zip(progress.first_began_ms)
            .map(|(done, began)| done.saturating_sub(began) as f64 / 1000.0),
    }
}

fn step_decision(procedure: &Procedure, progress: &Progress) -> Option<StepDecision> {
    let decided = progress.decided?;
    let reason = procedure.decision.as_ref()?.reasons.get(usize::from(decided.reason))?;
    Some(StepDecision { reason: reason.id.clone(), label: reason.label.clone(), decided_ms: decided.at_ms })
}

/// The decisions that stand, in the order of the steps.
fn decisions(procedure: &Procedure, state: &State) -> Vec<DecisionAccount> {
    let pairs = procedure.steps.iter().zip(&state.steps);
    pairs
        .filter_map(|(step, progress)| {
            let decision = step_decision(procedure, progress)?;
            Some(DecisionAccount { step: step.id.clone(), decision })
        })
        .collect()
}

/// The first condition that does not hold.
fn skipped_by(procedure: &Procedure, state: &State, index: usize) -> Option<SkippedBy> {
    procedure.steps[index].when.iter().find_map(|condition| {
        let answer = state.answers[usize::from(condition.question)]?;
        let question = &procedure.questions[usize::from(condition.question)];
        (!condition.answers.contains(&answer)).then(|| SkippedBy {
            question: question.id.clone(),
            answer: question.answers[usize::from(answer)].value.clone(),
        })
    })
}

fn answers(procedure: &Procedure, state: &State) -> BTreeMap<String, String> {
    let pairs = procedure.questions.iter().zip(&state.answers);
    pairs
        .filter_map(|(question, answer)| {
            answer.map(|answer| (question.id.clone(), question.answers[usize::from(answer)].value.clone()))
        })
        .collect()
}

fn totals(procedure: &Procedure, state: &State, end_ms: u64) -> Totals {
    let own = &state.steps[procedure.range(Part::Main)];
    let count = |wanted: fn(Standing) -> bool| own.iter().filter(|step| wanted(step.standing)).count() as u32;
    Totals {
        seconds: end_ms as f64 / 1000.0,
        steps_done: count(Standing::is_done),
        decisions: decisions(procedure, state).len() as u32,
        steps_skipped: count(|standing| standing == Standing::Skipped),
        asks_again: state.all_asks_again,
        refusals: state.steps.iter().map(|step| step.refusals).sum(),
        reminders: state.all_reminders,
        holds: state.holds,
        stops: state.stops,
        go_backs: state.go_backs,
        contingencies: state.runs.len() as u32,
        calls: state.calls_obeyed,
    }
}
