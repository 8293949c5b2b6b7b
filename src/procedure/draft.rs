//! The text of a new procedure: head, remarks, steps.
//!
//! Owns what a new file says. Must not know who was asked, or where the file goes.

use askama::Template;

/// One step in the author's words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DraftStep {
    pub instruction: String,
    pub read_back: String,
    pub look: String,
    pub confirm: String,
}

/// What the author was asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Draft {
    pub id: String,
    pub title: String,
    pub unit: Option<String>,
    /// None: two examples stand there instead.
    pub steps: Vec<DraftStep>,
}

/// A step as it stands in the file; texts are quoted TOML.
struct Line {
    id: String,
    instruction: String,
    look: String,
    read_back: String,
    confirm: String,
    at_least_s: Option<u32>,
    critical: bool,
}

#[derive(Template)]
#[template(path = "new.toml", escape = "none")]
struct File {
    title_plain: String,
    id: String,
    title: String,
    unit: Option<String>,
    steps: Vec<Line>,
}

impl Draft {
    /// The file. Every text is quoted as TOML wants it, so whatever was typed stays a text.
    pub fn text(&self) -> Result<String, askama::Error> {
        let examples = examples();
        let steps = if self.steps.is_empty() { &examples } else { &self.steps };
        let line = |(index, step): (usize, &DraftStep)| {
            let rub = step.instruction.to_lowercase().contains("rub your hands");
            Line {
                id: quoted(&format!("step-{}", index + 1)),
                instruction: quoted(&step.instruction),
                look: quoted(&step.look),
                read_back: quoted(&step.read_back),
                confirm: quoted(&step.confirm),
                // WHO guidelines on hand hygiene in health care, 2009: a rub takes 20 to 30 s in all.
                at_least_s: rub.then_some(20),
                critical: rub,
            }
        };
        let file = File {
            // A remark ends with its line.
            title_plain: self
                .title
                .split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
                .replace(char::is_control, " "),
            id: quoted(&self.id),
            title: quoted(&self.title),
            unit: self.unit.as_deref().map(quoted),
            steps: steps.iter().enumerate().map(line).collect(),
        };
        file.render()
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_string()).to_string()
}

fn examples() -> Vec<DraftStep> {
    let step = |instruction: &str, read_back: &str, look: &str, confirm: &str| DraftStep {
        instruction: instruction.into(),
        read_back: read_back.into(),
        look: look.into(),
        confirm: confirm.into(),
    };
    vec![
        step(
            "Rub your hands with alcohol hand rub, covering every surface, until they are dry.",
            "hands are clean and dry",
            "palms, backs, between the fingers, thumbs and fingertips were all rubbed, and both hands are dry",
            "every surface was rubbed",
        ),
        step(
            "Put on the inner gloves.",
            "inner gloves are on",
            "both wrists are covered and the gloves are intact",
            "both wrists are covered",
        ),
    ]
}

/// An id made of a title: small letters, digits, dashes.
pub fn id_of(title: &str) -> String {
    let plain: String =
        title.to_lowercase().chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    let words: Vec<&str> = plain.split('-').filter(|word| !word.is_empty()).take(6).collect();
    let id: String = words.join("-").chars().take(60).collect();
    let id = id.trim_end_matches('-');
    if id.is_empty() {
        "procedure".to_string()
    } else {
        id.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::parse::parse;
    use proptest::prelude::*;

    #[test]
    fn a_draft_without_steps_has_two_examples_and_can_be_read() {
        let draft = Draft { id: "gown".into(), title: "Gown".into(), unit: None, steps: vec![] };
        let procedure = parse(&draft.text().unwrap(), "new.toml").unwrap_or_else(|errors| panic!("{errors}"));
        assert_eq!((procedure.steps.len(), procedure.steps[0].at_least_s), (2, Some(20.0)));
    }

    proptest! {
        #[test]
        fn whatever_is_typed_stays_a_text(title in "\\PC{1,40}", unit in proptest::option::of("[^\\x00]{1,40}")) {
            let draft = Draft { id: id_of(&title), title: title.clone(), unit: unit.clone(), steps: vec![] };
            let value: toml::Table = draft.text().unwrap().parse().unwrap();
            prop_assert_eq!(value["procedure"]["title"].as_str(), Some(title.as_str()));
            prop_assert_eq!(value["procedure"].get("unit").and_then(|unit| unit.as_str()), unit.as_deref());
            prop_assert_eq!(value["step"].as_array().map(Vec::len), Some(2));
        }
    }
}
