//! The structure of a procedure: steps that are never done, questions that decide nothing, missing cautions and times.
//! (Where a session can go is in `ways`, calls within what is spoken in `calls`.)
//!
//! Owns these rules. Must not know how anything sounds.

use super::{english, key_place, Finding, Level};
use crate::procedure::parse::shared_microphone_problems;
use crate::procedure::{Place, Procedure, Step};

/// A hand rub takes 20 to 30 s in all (WHO guidelines on hand hygiene in health care, 2009).
const RUB_S: f64 = 20.0;

pub(super) fn check(procedure: &Procedure, lines: &[&str]) -> Vec<Finding> {
    let mut found: Vec<Finding> =
        procedure.steps.iter().filter_map(|step| when(procedure, step, lines)).collect();
    found.extend(questions(procedure));
    if english(procedure) {
        found.extend(cautions(procedure, lines));
    }
    found.extend(both_people(procedure));
    if english(procedure) {
        found.extend(procedure.steps.iter().filter_map(|step| rub(step, lines)));
    }
    if procedure.rules.decision && procedure.decision.is_none() && !english(procedure) {
        let what = "the observer can't decide about a step after the tries";
        let finding = Finding::new(Level::Advice, "no-decision", Place::BUILT_IN, what);
        let why = "a person whose voice is not understood can only be waited for; only English has built-in phrases";
        found.push(
            finding
                .why(why)
                .fix("add [decision] with its phrase and reasons, or decision = false under [rules]"),
        );
    }
    if !procedure.steps.iter().any(|step| step.critical) {
        let finding = Finding::new(Level::Advice, "no-critical", Place::BUILT_IN, "no step is critical");
        let why = "critical steps are listened to more strictly and marked in the record";
        found.push(finding.why(why).fix("add critical = true to the steps where errors hurt people most"));
    }
    found
}

/// Answers that a step's conditions leave of each question it names.
fn when(procedure: &Procedure, step: &Step, lines: &[&str]) -> Option<Finding> {
    let at = key_place(lines, step.at, "when");
    for (index, condition) in step.when.iter().enumerate() {
        let question = procedure.questions.get(usize::from(condition.question))?;
        let same = |other: &&crate::procedure::Condition| other.question == condition.question;
        let left = condition
            .answers
            .iter()
            .filter(|answer| step.when.iter().filter(same).all(|other| other.answers.contains(answer)));
        if left.count() == 0 {
            let what = format!("step \"{}\" can never be done", step.id);
            let why = format!("no answer to question \"{}\" fits all of its conditions", question.id);
            return Some(
                Finding::new(Level::Error, "never-done", at, what)
                    .why(why)
                    .fix("correct `when`, or delete the step"),
            );
        }
        let earlier = step.when[..index].iter().any(|other| other.question == condition.question);
        if !earlier && condition.answers.len() == question.answers.len() {
            let what = format!("the condition on \"{}\" always holds", question.id);
            return Some(
                Finding::new(Level::Warning, "dead-condition", at, what)
                    .why("it names every answer, so it decides nothing")
                    .fix("leave it out, or name fewer answers"),
            );
        }
    }
    None
}

fn questions(procedure: &Procedure) -> Vec<Finding> {
    let asked = |index: usize| {
        let mut conditions = procedure.steps.iter().flat_map(|step| &step.when);
        conditions.any(|condition| usize::from(condition.question) == index)
    };
    let idle = procedure.questions.iter().enumerate().filter(|(index, _)| !asked(*index));
    idle.map(|(_, question)| {
        let what = format!("question \"{}\" decides nothing", question.id);
        Finding::new(Level::Warning, "idle-question", question.at, what)
            .why("no step has a condition on it")
            .fix("give a step: when = { ... }, or delete the question")
    })
    .collect()
}

/// What every procedure must tell people before they rely on it.
fn cautions(procedure: &Procedure, lines: &[&str]) -> Vec<Finding> {
    let head = lines.iter().position(|line| line.trim() == "[procedure]").map_or(1, |line| line + 1);
    let at = key_place(lines, Place { line: head, column: 1 }, "cautions");
    let all = procedure.cautions.join(" ").to_lowercase();
    let mut found = Vec::new();
    let mut need = |words: &[&str], what: &str, fix: &str| {
        if !words.iter().any(|word| all.contains(word)) {
            let why = "people may rely on the procedure as if it were the rule of their unit";
            found.push(Finding::new(Level::Warning, "no-caution", at, what).why(why).fix(fix));
        }
    };
    need(
        &["protocol"],
        "no caution says that the local protocol comes first",
        "add: \"Training aid. Local protocol, the equipment makers' instructions and licensed practice come first.\"",
    );
    need(
        &["observer"],
        "no caution says that the tool never replaces the observer",
        "add: \"This tool supports a trained observer and never replaces one.\"",
    );
    found
}

fn both_people(procedure: &Procedure) -> Vec<Finding> {
    let problems = shared_microphone_problems(procedure).into_iter();
    problems
        .map(|problem| Finding {
            level: Level::Warning,
            rule: "both-people",
            at: problem.at,
            what: problem.what,
            why: problem.why.unwrap_or_default(),
            fix: problem.fix.unwrap_or_default(),
            also: None,
            pair: None,
        })
        .collect()
}

fn rub(step: &Step, lines: &[&str]) -> Option<Finding> {
    let text = step.instruction.to_lowercase();
    if !text.contains("hand rub") && !text.contains("rub your hands") {
        return None;
    }
    let (at, what) = match step.at_least_s {
        Some(seconds) if seconds >= RUB_S => return None,
        Some(seconds) => {
            (key_place(lines, step.at, "at_least_s"), format!("a hand rub of {seconds} s is too short"))
        }
        None => (
            key_place(lines, step.at, "instruction"),
            format!("step \"{}\" is a hand rub without a minimum time", step.id),
        ),
    };
    Some(
        Finding::new(Level::Warning, "rub-time", at, what)
            .why("it takes 20 to 30 s in all and ends when the hands are dry (WHO guidelines on hand hygiene, 2009)")
            .fix("write at_least_s = 20"),
    )
}
