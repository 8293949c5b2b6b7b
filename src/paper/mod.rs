//! A procedure on paper, for when power or the program fails: the same steps, phrases and cautions, with boxes to fill in.
//!
//! Owns the page (HTML with print styles). Pure: it is handed the procedure, its text's digest and its name. Must not know
//! how a page becomes paper.

use crate::procedure::{Call, Part, PhraseId, Procedure, Role, Step, Then, Use};
use askama::Template;

/// Sheet sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Paper {
    A4,
    Letter,
}

impl Paper {
    /// As CSS names it.
    fn css(self) -> &'static str {
        match self {
            Paper::A4 => "A4",
            Paper::Letter => "letter",
        }
    }
}

struct Said {
    call: &'static str,
    phrases: Vec<String>,
}

struct Asked {
    ask: String,
    by: &'static str,
    answers: Vec<String>,
}

struct Done {
    number: usize,
    critical: bool,
    /// In words: `only if the answer was "skip the apron today"`.
    when: Vec<String>,
    instruction: String,
    look: String,
    /// Who says the read-back, and who the confirmation.
    does: &'static str,
    sees: &'static str,
    read_back: Vec<String>,
    confirm: Vec<String>,
    refuse: Vec<String>,
    /// The observer may decide about it.
    decision: bool,
    at_least: Option<String>,
    /// Waited for before the instruction: what is said, and the observer's phrases that release it.
    hold_point: Option<(String, Vec<String>)>,
}

/// A list of steps under one heading: the procedure's own, a contingency's or an exit's.
struct Section {
    heading: String,
    /// How it is called, what is said first.
    about: Vec<String>,
    steps: Vec<Done>,
    /// What follows.
    then: Option<String>,
}

#[derive(Template)]
#[template(path = "paper.html")]
struct Page<'a> {
    procedure: &'a Procedure,
    paper: &'static str,
    file: &'a str,
    sha256: &'a str,
    /// For the foot of each sheet.
    digest: &'a str,
    calls: Vec<Said>,
    questions: Vec<Asked>,
    /// How the observer decides about a step, and the reasons to choose from; `None` where no step allows it.
    decision: Option<(String, String)>,
    sections: Vec<Section>,
}

/// The page. `sha256` is of the procedure's file, `file` its name.
pub fn page(procedure: &Procedure, file: &str, sha256: &str, paper: Paper) -> Result<String, askama::Error> {
    let calls = Call::ALL.iter().map(|call| Said {
        call: call.key(),
        phrases: procedure
            .phrases
            .iter()
            .filter(|phrase| phrase.used == Use::Call { call: *call })
            .map(|phrase| phrase.text.clone())
            .collect(),
    });
    let questions = procedure.questions.iter().map(|question| Asked {
        ask: question.ask.clone(),
        by: question.by.name(),
        answers: question.answers.iter().map(|answer| procedure.phrase(answer.phrase).text.clone()).collect(),
    });
    let page = Page {
        procedure,
        paper: paper.css(),
        file,
        sha256,
        digest: sha256.get(..16).unwrap_or(sha256),
        calls: calls.collect(),
        questions: questions.collect(),
        decision: procedure.decision.as_ref().map(|decision| {
            let reasons: Vec<PhraseId> = decision.reasons.iter().map(|reason| reason.phrase).collect();
            (quoted(&texts(procedure, &decision.phrases)), quoted(&texts(procedure, &reasons)))
        }),
        sections: sections(procedure),
    };
    page.render()
}

fn sections(procedure: &Procedure) -> Vec<Section> {
    let own = Section {
        heading: "Steps".to_string(),
        about: Vec::new(),
        steps: steps(procedure, Part::Main),
        then: None,
    };
    let contingencies = procedure.contingencies.iter().zip(0..).map(|(contingency, index)| {
        let called = quoted(&texts(procedure, &contingency.call));
        let then = match contingency.then {
            Then::Return => "Then back to what was interrupted, from its instruction.".to_string(),
            Then::Restart { step } => {
                format!("Then on from step {} again.", usize::from(step) + 1)
            }
            Then::Exit { exit } => {
                format!("Then the way out: {}.", procedure.exits[usize::from(exit)].title)
            }
        };
        Section {
            heading: format!("At any moment: {}", contingency.title),
            about: [format!("Called by either of you: {called}.")]
                .into_iter()
                .chain(contingency.opening.clone())
                .collect(),
            steps: steps(procedure, Part::Contingency(index)),
            then: Some(then),
        }
    });
    let exits = procedure.exits.iter().zip(0..).map(|(exit, index)| Section {
        heading: format!("Way out: {}", exit.title),
        about: Vec::new(),
        steps: steps(procedure, Part::Exit(index)),
        then: Some(exit.closing.clone()),
    });
    [own].into_iter().chain(contingencies).chain(exits).collect()
}

fn steps(procedure: &Procedure, part: Part) -> Vec<Done> {
    let done = |(index, step): (usize, &Step)| Done {
        number: index + 1,
        critical: step.critical,
        when: when(procedure, step),
        instruction: step.instruction.clone(),
        look: step.look.clone(),
        does: says(procedure, &step.read_back, step.by.reads_back()),
        sees: says(procedure, &step.confirm, step.by.confirms()),
        read_back: texts(procedure, &step.read_back),
        confirm: texts(procedure, &step.confirm),
        refuse: texts(procedure, &step.refuse),
        decision: step.decision,
        at_least: step.at_least_s.filter(|seconds| *seconds > 0.0).map(|seconds| format!("{seconds}")),
        hold_point: step.hold_point.as_ref().map(|hold| (hold.text.clone(), texts(procedure, &hold.release))),
    };
    procedure.steps[procedure.range(part)].iter().enumerate().map(done).collect()
}

/// Phrases as they are written in the file: those that differ only in a slot stand once, with the slot's values.
fn texts(procedure: &Procedure, ids: &[PhraseId]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for id in ids {
        let phrase = procedure.phrase(*id);
        let text = match &phrase.filled {
            None => phrase.text.clone(),
            Some(filled) => {
                let values = |slot: &str| {
                    let mut values: Vec<&str> = Vec::new();
                    let same = ids.iter().map(|id| procedure.phrase(*id)).filter(|other| {
                        other.filled.as_ref().is_some_and(|other| other.pattern == filled.pattern)
                    });
                    for (name, value) in same.flat_map(|other| other.values()) {
                        if name == slot && !values.contains(&value.as_str()) {
                            values.push(value);
                        }
                    }
                    format!("({})", values.join(" / "))
                };
                filled.values.iter().fold(filled.pattern.clone(), |text, (slot, _)| {
                    text.replace(&format!("{{{slot}}}"), &values(slot))
                })
            }
        };
        if !all.contains(&text) {
            all.push(text);
        }
    }
    all
}

fn quoted(phrases: &[String]) -> String {
    phrases.iter().map(|phrase| format!("\u{201c}{phrase}\u{201d}")).collect::<Vec<_>>().join(" or ")
}

/// Whose phrases these are.
fn says(procedure: &Procedure, phrases: &[PhraseId], usually: Role) -> &'static str {
    phrases.first().and_then(|id| procedure.phrase(*id).by).unwrap_or(usually).name()
}

/// Each condition in words, by the phrases that were answered.
fn when(procedure: &Procedure, step: &Step) -> Vec<String> {
    let words = |condition: &crate::procedure::Condition| {
        let question = procedure.questions.get(usize::from(condition.question))?;
        let answers =
            condition.answers.iter().filter_map(|answer| question.answers.get(usize::from(*answer)));
        let phrases: Vec<String> = answers
            .map(|answer| format!("\u{201c}{}\u{201d}", procedure.phrase(answer.phrase).text))
            .collect();
        let who = match question.by {
            Role::Worker => "the worker",
            Role::Observer => "the observer",
        };
        Some(format!("Only if {who} answered {}", phrases.join(" or ")))
    };
    step.when.iter().filter_map(words).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::parse::parse;

    const SHIPPED: &str = include_str!("../../procedures/isolation-donning.toml");

    #[test]
    fn the_page_has_every_step_phrase_caution_and_the_digest() {
        let procedure = parse(SHIPPED, "p.toml").unwrap();
        let digest = "ab".repeat(32);
        for (paper, css) in [(Paper::A4, "size: A4"), (Paper::Letter, "size: letter")] {
            let page = page(&procedure, "p.toml", &digest, paper).unwrap();
            assert!(page.contains(css) && page.contains(&digest) && page.contains("version 1"));
            // What the template engine makes of an apostrophe.
            let text = page.replace("&#39;", "'");
            for phrase in procedure.phrases.iter().filter(|phrase| phrase.filled.is_none()) {
                assert!(text.contains(&phrase.text), "{}", phrase.text);
            }
            for words in procedure.cautions.iter().chain(procedure.steps.iter().map(|step| &step.instruction))
            {
                assert!(text.contains(words.as_str()), "{words}");
            }
            assert_eq!(page.matches("class=\"step").count(), procedure.steps.len());
            assert!(text.contains("Only if the observer answered \u{201c}worker needs an apron\u{201d}"));
        }
    }

    #[test]
    fn what_a_file_says_can_t_become_markup() {
        let source = SHIPPED.replacen("Test the respirator", "<script>alert(1)</script> Test", 1);
        let page = page(&parse(&source, "p.toml").unwrap(), "<p>.toml", "00", Paper::A4).unwrap();
        assert!(!page.contains("<script") && !page.contains("<p>.toml"));
        assert!(page.contains("&#60;script&#62;"));
    }
}
