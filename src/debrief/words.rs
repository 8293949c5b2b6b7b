//! A verdict, its evidence and what became of it in plain words.
//!
//! Must not decide anything. Numbers of phrases and steps come from a journal that may be altered, so each is looked up
//! with care; a word that this version does not know is shown as it is.

use super::model::{Became, Judged};
use crate::listen::heard::{Doubt, Evidence, Heard, Ignored, Verdict};
use crate::procedure::{PhraseId, Procedure};
use crate::screen::{why, words};
use crate::session::Note;
use serde_json::Value;

/// Whether every number in this body that names something of the procedure names something that is there.
pub fn fits(procedure: &Procedure, body: &Value) -> bool {
    let Value::Object(fields) = body else { return true };
    let question = fields.get("question").and_then(Value::as_u64);
    fields.iter().all(|(key, value)| {
        let below = |count: usize| value.as_u64().is_none_or(|number| number < count as u64);
        match key.as_str() {
            "phrase" | "closest" | "other" => below(procedure.phrases.len()),
            "step" => below(procedure.steps.len()),
            "question" => below(procedure.questions.len()),
            "contingency" => below(procedure.contingencies.len()),
            "exit" => below(procedure.exits.len()),
            "reason" => below(procedure.decision.as_ref().map_or(0, |decision| decision.reasons.len())),
            "answer" => question
                .and_then(|question| procedure.questions.get(usize::try_from(question).ok()?))
                .is_none_or(|question| below(question.answers.len())),
            _ => fits(procedure, value),
        }
    })
}

pub fn phrase(procedure: Option<&Procedure>, id: PhraseId) -> String {
    let known = procedure.and_then(|procedure| procedure.phrases.get(usize::from(id.0)));
    known.map_or_else(|| format!("phrase {}", id.0), |phrase| phrase.text.clone())
}

/// The verdict's name in the journal.
pub fn verdict_name(verdict: &Verdict) -> &'static str {
    match verdict {
        Verdict::Accepted { .. } => "accepted",
        Verdict::Other { .. } => "other",
        Verdict::Unsure { .. } => "unsure",
        Verdict::Ignored { .. } => "ignored",
    }
}

pub fn verdict(procedure: Option<&Procedure>, verdict: &Verdict) -> String {
    match verdict {
        Verdict::Accepted { .. } => "Heard for sure, and due now.".into(),
        Verdict::Other { .. } => "Heard for sure: a phrase of this procedure that was not due.".into(),
        Verdict::Unsure { why, .. } => match why {
            Doubt::Faint => "Not sure: it sounds like this phrase, but too faintly.".into(),
            Doubt::Decoy { text } => format!("Not sure: it may as well have been \u{201c}{text}\u{201d}."),
            Doubt::Ears { first, second } => format!(
                "Not sure: one ear heard \u{201c}{first}\u{201d}, the other \u{201c}{second}\u{201d}."
            ),
            Doubt::TwoPhrases { other } => {
                format!("Not sure: it may as well have been \u{201c}{}\u{201d}.", phrase(procedure, *other))
            }
        },
        Verdict::Ignored { why } => match why {
            Ignored::NoPhrase => "No phrase: other speech, or a noise.".into(),
            Ignored::TooShort => "No phrase: too short a sound.".into(),
            Ignored::TooLong => "No phrase: too long a sound.".into(),
        },
    }
}

/// The words that were heard as this utterance.
pub fn heard(procedure: Option<&Procedure>, heard: &Heard) -> String {
    match &heard.verdict {
        Verdict::Accepted { phrase: id } | Verdict::Other { phrase: id } => phrase(procedure, *id),
        Verdict::Unsure { closest, .. } => phrase(procedure, *closest),
        Verdict::Ignored { .. } => "(no phrase)".into(),
    }
}

/// The evidence, one sentence each.
pub fn evidence(heard: &Heard) -> Vec<String> {
    let Evidence { words, score, margin, alike, alike_words, confidence, level_dbfs, snr_db, .. } =
        &heard.evidence;
    let mut sentences = Vec::new();
    if matches!(heard.verdict, Verdict::Ignored { .. }) {
        if !words.is_empty() {
            sentences.push(format!("The nearest known words, far off: \u{201c}{words}\u{201d}."));
        }
    } else {
        sentences.push(match why::sentence(&heard.evidence) {
            Some(why) => capital(&format!("{why}.")),
            // Today's bars would say nothing about that day.
            None => {
                format!("Confidence {:.0} of 100; what was needed was not kept then.", confidence * 100.0)
            }
        });
        let fit = match score {
            s if *s > -0.4 => "closely",
            s if *s > -1.0 => "fairly well",
            _ => "loosely",
        };
        sentences.push(format!("The sounds fit the phrase {fit} (score {score:.2}, 0 is perfect)."));
        let ahead = match margin {
            m if *m > 4.0 => "clearly ahead of",
            m if *m > 0.0 => "a little ahead of",
            _ => "behind",
        };
        sentences.push(format!("It is {ahead} the nearest wrong words (margin {margin:.1})."));
        if !alike_words.is_empty() && *alike < 0.0 {
            sentences.push(format!("Similar words fit better: \u{201c}{alike_words}\u{201d}."));
        }
        if heard.evidence.corrected {
            sentences.push("The speaker corrected themselves; what came after counts.".into());
        }
        if heard.evidence.twice {
            sentences
                .push("It was not clear at once and was heard twice; the numbers are means of both.".into());
        }
    }
    let room = match snr_db {
        snr if *snr >= 20.0 => "little noise",
        snr if *snr >= 10.0 => "some noise",
        _ => "loud noise",
    };
    sentences.push(format!("Speech at {level_dbfs:.0} dBFS, {snr_db:.0} dB over the room ({room})."));
    sentences
}

/// What was expected of whom when somebody spoke.
pub fn expected(judged: &Judged) -> String {
    let phrases = match &judged.expected {
        None => return "not known".into(),
        Some(phrases) if phrases.is_empty() => return "nothing from anybody".into(),
        Some(phrases) => phrases,
    };
    let quoted: Vec<String> = phrases.iter().map(|phrase| format!("\u{201c}{phrase}\u{201d}")).collect();
    match &judged.awaited {
        Some(who) => format!("from the {who}: {}", quoted.join(" or ")),
        None => format!("not yet, the tool was speaking; then: {}", quoted.join(" or ")),
    }
}

pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A note of the session in plain words; `None` where the words would say nothing.
pub fn note(procedure: Option<&Procedure>, body: &Value) -> Option<String> {
    if let Some(procedure) = procedure.filter(|procedure| fits(procedure, body)) {
        if let Ok(note) = serde_json::from_value::<Note>(body.clone()) {
            return words::note_words(procedure, &note);
        }
    }
    let name = body.get("note").and_then(Value::as_str).unwrap_or("note");
    let details: Vec<String> = body
        .as_object()
        .into_iter()
        .flatten()
        .filter(|(key, _)| !matches!(key.as_str(), "note" | "action"))
        .map(|(key, value)| match value {
            Value::String(text) => format!("{key} {text}"),
            other => format!("{key} {other}"),
        })
        .collect();
    let name = name.replace('-', " ");
    Some(if details.is_empty() { name } else { format!("{name} ({})", details.join(", ")) })
}

/// What became of an utterance, from the notes that followed it.
pub fn became(notes: &[&str]) -> Became {
    let has = |names: &[&str]| notes.iter().any(|note| names.contains(note));
    match () {
        () if has(&["refused"]) => Became::Refused,
        () if has(&["too-soon"]) => Became::TooSoon,
        () if has(&["asked-again"]) => Became::AskedAgain,
        () if has(&[
            "counted",
            "obeyed",
            "answered",
            "step-done",
            "decided",
            "released",
            "contingency-began",
        ]) =>
        {
            Became::Counted
        }
        () if has(&["held"]) => Became::Held,
        () => Became::NotCounted,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::heard::{Measure, Test};
    use crate::procedure::parse::parse;
    use serde_json::json;

    fn shipped() -> Procedure {
        parse(include_str!("../../procedures/isolation-donning.toml"), "x.toml").unwrap()
    }

    #[test]
    fn numbers_that_name_nothing_are_seen_at_any_depth() {
        let procedure = shipped();
        assert!(fits(&procedure, &json!({"phrase": 0, "evidence": {"phrase": 3}})));
        assert!(!fits(&procedure, &json!({"phrase": 60_000})));
        assert!(!fits(&procedure, &json!({"evidence": {"phrase": 60_000}})));
        assert!(!fits(&procedure, &json!({"note": "answered", "question": 0, "answer": 99})));
        assert!(!fits(&procedure, &json!({"note": "step-done", "step": 999})));
    }

    #[test]
    fn a_note_of_a_newer_version_is_shown_by_name() {
        let body = json!({"action": "note", "note": "torn-sail", "step": 2, "why": "wind"});
        let words = note(Some(&shipped()), &body).unwrap();
        assert!(words.starts_with("torn sail") && words.contains("step 2") && words.contains("why wind"));
    }

    #[test]
    fn a_note_about_a_step_that_is_not_there_is_shown_and_not_looked_up() {
        let body = json!({"action": "note", "note": "step-done", "step": 999});
        assert_eq!(note(Some(&shipped()), &body).unwrap(), "step done (step 999)");
    }

    #[test]
    fn what_decided_is_told_by_the_bar_of_its_day_and_nothing_is_made_up_where_that_was_not_kept() {
        let of = |tests: Vec<Test>, twice: bool| {
            let phrase = crate::procedure::PhraseId(0);
            let evidence = Evidence { confidence: 0.61, tests, twice, ..Evidence::default() };
            let (post, verdict) = (crate::procedure::Post::Worker, Verdict::Accepted { phrase });
            super::evidence(&Heard { post, start_ms: 0, end_ms: 900, verdict, evidence }).join(" ")
        };
        // No bar of today's.
        let told = of(vec![Test::of(Measure::Probability, 0.61, 0.59)], true);
        assert!(told.starts_with("The probability was 0.61, and 0.59 is needed"), "{told}");
        assert!(told.contains("heard twice"), "{told}");
        let old = of(Vec::new(), false);
        assert!(old.contains("Confidence 61 of 100; what was needed was not kept then."), "{old}");
        assert!(!old.contains("heard twice"), "{old}");
    }
}
