//! Where a session can go: what answers leave to do, and where contingencies and exits lead.
//!
//! Owns these rules. Must not know how anything sounds, nor what is told to whom.

use super::{key_place, Finding, Level};
use crate::procedure::{Contingency, Exit, Part, Place, Procedure, Step, Then};
use std::ops::Range;

/// Combinations of answers that are tried.
const MOST_ANSWERS: usize = 20_000;

pub(super) fn check(procedure: &Procedure, lines: &[&str]) -> Vec<Finding> {
    let mut found: Vec<Finding> = nothing_left(procedure).into_iter().collect();
    for contingency in &procedure.contingencies {
        found.extend(contingency_leads(procedure, contingency, lines));
    }
    for (index, exit) in procedure.exits.iter().enumerate() {
        found.extend(exit_leads(procedure, index, exit));
    }
    found.extend(no_contingency(procedure, lines));
    found
}

fn nothing_left(procedure: &Procedure) -> Option<Finding> {
    let answers = leaving_nothing(procedure, procedure.range(Part::Main))?;
    Some(
        Finding::new(
            Level::Warning,
            "nothing-left",
            Place::BUILT_IN,
            format!("with {answers} no step is left to do"),
        )
        .why("the session would end at once as completed")
        .fix("give these answers a step, or take the answer away"),
    )
}

fn contingency_leads(procedure: &Procedure, contingency: &Contingency, lines: &[&str]) -> Vec<Finding> {
    let id = &contingency.id;
    match contingency.then {
        Then::Exit { .. } => vec![],
        Then::Return => {
            let nothing = leaving_nothing(procedure, contingency.steps.clone()).map(|answers| {
                let what = format!("with {answers} contingency \"{id}\" has no step to do");
                Finding::new(Level::Warning, "nothing-left", contingency.at, what)
                    .why("it would return at once, and nothing would be done")
                    .fix("give these answers a step, or leave a condition out")
            });
            nothing.into_iter().collect()
        }
        Then::Restart { step } => {
            let again = usize::from(step)..procedure.own_steps;
            let at = key_place(lines, contingency.at, "restart_at");
            let open = match leaving_nothing(procedure, again.clone()) {
                Some(answers) => {
                    let what = format!("with {answers} no step is left where contingency \"{id}\" restarts");
                    Some(
                        Finding::new(Level::Warning, "nothing-left", at, what)
                            .why("the session could end as completed right after something happened")
                            .fix("restart at a step before one that is always done"),
                    )
                }
                None => skipped_restart(procedure, contingency, usize::from(step), at),
            };
            open.into_iter().chain(no_way_out(procedure, contingency, again, at)).collect()
        }
    }
}

/// The steps are done again from one that may be switched off.
fn skipped_restart(
    procedure: &Procedure,
    contingency: &Contingency,
    step: usize,
    at: Place,
) -> Option<Finding> {
    let step = &procedure.steps[step];
    let answers = leaving_out(procedure, step)?;
    let what = format!(
        "contingency \"{}\" restarts at step \"{}\", which is not done with {answers}",
        contingency.id, step.id
    );
    Some(
        Finding::new(Level::Advice, "skipped-restart", at, what)
            .why("the steps are then done again from a later one")
            .fix("restart at a step that is always done, or make sure that the later one is early enough"),
    )
}

/// The steps can be done again for ever: nobody has to agree to it, and no contingency leads out.
fn no_way_out(
    procedure: &Procedure,
    contingency: &Contingency,
    again: Range<usize>,
    at: Place,
) -> Option<Finding> {
    let mut leads_out = procedure.contingencies.iter().map(|one| one.then);
    let mut on_the_way = contingency.steps.clone().chain(again);
    if leads_out.any(|then| matches!(then, Then::Exit { .. }))
        || on_the_way.any(|step| procedure.steps[step].hold_point.is_some())
    {
        return None;
    }
    let what = format!("contingency \"{}\" restarts, and there is no way out", contingency.id);
    Some(
        Finding::new(Level::Warning, "no-way-out", at, what)
            .why("if it happens each time, the steps are done again for ever: no hold point is among them, and no contingency leads to an exit")
            .fix("write an [[exit]] and a contingency with then = \"exit\", or a hold point from the step on at which it restarts"),
    )
}

fn exit_leads(procedure: &Procedure, index: usize, exit: &Exit) -> Option<Finding> {
    let id = &exit.id;
    let leads_here =
        |one: &Contingency| matches!(one.then, Then::Exit { exit } if usize::from(exit) == index);
    if !procedure.contingencies.iter().any(leads_here) {
        return Some(
            Finding::new(
                Level::Warning,
                "unused-exit",
                exit.at,
                format!("no contingency leads to exit \"{id}\""),
            )
            .why("its steps are never done")
            .fix(format!("give a contingency: then = \"exit\" and exit = \"{id}\"; or delete the exit")),
        );
    }
    let answers = leaving_nothing(procedure, exit.steps.clone())?;
    let what = format!("with {answers} exit \"{id}\" has no step to do");
    Some(
        Finding::new(Level::Warning, "nothing-left", exit.at, what)
            .why("the session would end with its closing words, and nobody would be led out")
            .fix("give these answers a step, or leave a condition out"),
    )
}

fn no_contingency(procedure: &Procedure, lines: &[&str]) -> Option<Finding> {
    let critical = procedure.main_steps().iter().find(|step| step.critical)?;
    if !procedure.contingencies.is_empty() {
        return None;
    }
    let at = key_place(lines, critical.at, "critical");
    Some(
        Finding::new(
            Level::Advice,
            "no-contingency",
            at,
            "steps are critical, and no contingency is written",
        )
        .why("when something happens there, people can only stop: nothing says what to do then")
        .fix("write a [[contingency]] for what can happen, or name another procedure in the closing words"),
    )
}

/// Answers with which none of these steps is done, as they are shown; `None` when there are none, or too many to try.
fn leaving_nothing(procedure: &Procedure, steps: Range<usize>) -> Option<String> {
    let steps = procedure.steps.get(steps).filter(|steps| !steps.is_empty())?;
    if steps.iter().any(|step| step.when.is_empty()) {
        return None;
    }
    let mut asked: Vec<u16> =
        steps.iter().flat_map(|step| &step.when).map(|condition| condition.question).collect();
    asked.sort_unstable();
    asked.dedup();
    let sizes: Vec<usize> =
        asked.iter().map(|question| procedure.questions[usize::from(*question)].answers.len()).collect();
    let all = sizes
        .iter()
        .try_fold(1usize, |all, size| all.checked_mul(*size))
        .filter(|all| *all <= MOST_ANSWERS)?;
    // Each number stands for one answer to each question.
    let answers = |mut number: usize| -> Vec<u16> {
        let of = |size: &usize| {
            let answer = number % size;
            number /= size;
            answer as u16
        };
        sizes.iter().map(of).collect()
    };
    let done = |step: &Step, answers: &[u16]| {
        step.when.iter().all(|condition| {
            let at = asked.iter().position(|question| *question == condition.question);
            at.is_some_and(|at| condition.answers.contains(&answers[at]))
        })
    };
    let empty = (0..all).map(answers).find(|answers| !steps.iter().any(|step| done(step, answers)))?;
    let named = asked.iter().zip(&empty).map(|(question, answer)| named(procedure, *question, *answer));
    Some(named.collect::<Vec<_>>().join(", "))
}

/// The first answer with which a step is not done.
fn leaving_out(procedure: &Procedure, step: &Step) -> Option<String> {
    step.when.iter().find_map(|condition| {
        let all = procedure.questions[usize::from(condition.question)].answers.len();
        // Questions have at most MAX_ANSWERS.
        let other = (0..all as u16).find(|answer| !condition.answers.contains(answer))?;
        Some(named(procedure, condition.question, other))
    })
}

fn named(procedure: &Procedure, question: u16, answer: u16) -> String {
    let question = &procedure.questions[usize::from(question)];
    format!("{} = {}", question.id, question.answers[usize::from(answer)].value)
}
