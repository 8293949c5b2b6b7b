//! Calls whose words are spoken for another reason: by the tool in its prompts, by people within other phrases.
//!
//! Owns this rule. Must not know how anything sounds: only the same words count here.

use super::{key_place, Finding, Level};
use crate::procedure::{Phrase, Place, Procedure, SpokenWords, Use};

/// A text that the tool speaks.
struct Spoken<'a> {
    at: Place,
    /// For people: `the instruction of step "gown"`.
    name: String,
    text: &'a str,
    /// The contingency that it belongs to: its own call is of no use meanwhile.
    own: Option<Use>,
}

pub(super) fn check(procedure: &Procedure, lines: &[&str]) -> Vec<Finding> {
    let is_call = |phrase: &&Phrase| matches!(phrase.used, Use::Call { .. } | Use::Contingency { .. });
    let calls: Vec<&Phrase> = procedure.phrases.iter().filter(is_call).collect();
    let mut found = Vec::new();
    for spoken in texts(procedure, lines) {
        let ways = [SpokenWords::of(spoken.text), SpokenWords::of(&procedure.spoken(spoken.text))];
        let within =
            |call: &&&Phrase| spoken.own != Some(call.used) && ways.iter().any(|words| words.hold(call));
        found.extend(calls.iter().filter(within).map(|call| in_text(&spoken, call)));
    }
    let mut seen: Vec<(Place, &str)> = Vec::new();
    for phrase in &procedure.phrases {
        let words = SpokenWords::of(&phrase.text);
        for call in calls.iter().filter(|call| call.used != phrase.used && words.hold(call)) {
            // One phrase with slots stands for many.
            if !seen.contains(&(phrase.at, &call.text)) {
                seen.push((phrase.at, &call.text));
                found.push(in_phrase(phrase, call));
            }
        }
    }
    found
}

fn in_text(spoken: &Spoken, call: &Phrase) -> Finding {
    let what = format!("the call \"{}\" is in {}", call.text, spoken.name);
    let finding = Finding::new(Level::Warning, "call-within", spoken.at, what)
        .why("while the tool says these words itself, the call is not heard")
        .fix("say it in other words");
    also(finding, call)
}

fn in_phrase(phrase: &Phrase, call: &Phrase) -> Finding {
    let what = format!("the call \"{}\" is in the phrase \"{}\"", call.text, phrase.text);
    let finding = Finding::new(Level::Warning, "call-within", phrase.at, what)
        .why("who says the phrase says the call too, and while the tool prompts for it the call is not heard")
        .fix("give one of the two other words");
    also(finding, call)
}

fn also(mut finding: Finding, call: &Phrase) -> Finding {
    finding.also = (call.at != Place::BUILT_IN).then(|| (call.at, "the call".to_string()));
    finding
}

/// Everything that the author lets the tool say while a session goes on. Not the procedure's opening: nothing is done yet,
/// and it is where people are told what they can call.
fn texts<'a>(procedure: &'a Procedure, lines: &[&str]) -> Vec<Spoken<'a>> {
    let mut all: Vec<Spoken> = Vec::new();
    let mut add = |table: Place, key: &str, whose: &str, text: &'a str, own: Option<Use>| {
        let at = key_place(lines, table, key);
        let key = match key {
            "hold_point" => "hold point",
            "ask" => "text",
            other => other,
        };
        all.push(Spoken { at, name: format!("the {key} of {whose}"), text, own });
    };
    for question in &procedure.questions {
        add(question.at, "ask", &format!("question \"{}\"", question.id), &question.ask, None);
    }
    for step in &procedure.steps {
        let whose = format!("step \"{}\"", step.id);
        add(step.at, "instruction", &whose, &step.instruction, None);
        add(step.at, "look", &whose, &step.look, None);
        if let Some(hold_point) = &step.hold_point {
            add(step.at, "hold_point", &whose, &hold_point.text, None);
        }
    }
    for (index, contingency) in procedure.contingencies.iter().enumerate() {
        let whose = format!("contingency \"{}\"", contingency.id);
        // There are at most MAX_CONTINGENCIES.
        let own = Some(Use::Contingency { contingency: index as u16 });
        match &contingency.opening {
            Some(opening) => add(contingency.at, "opening", &whose, opening, own),
            // Without one its title is spoken.
            None => add(contingency.at, "title", &whose, &contingency.title, own),
        }
    }
    all
}
