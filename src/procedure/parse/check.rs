//! Turns the raw tables into a `Procedure`, refusing what a session could not run.
//!
//! Owns the whole: calls, the general refusal, rules, spoken words, decoys. Questions, steps, what is beside them and single
//! values have files of their own. Must not know TOML.

use super::book::{spoken, PhraseBook};
use super::error::Sink;
use super::fields::{nearest, Text};
use super::questions::questions;
use super::raw::{RawHead, RawProcedure, RawRules, RawStep};
use super::steps::steps;
use super::values::{cap, ident, is_english, language_tag, number, shown, whole};
use super::{decision, pronounce, side, slots};
use crate::procedure::{Call, Doer, PhraseId, Place, Procedure, Role, Rules, Use, VoiceRule};
use std::collections::HashMap;
use toml::Spanned;

pub const MAX_DECOYS: usize = 1_000;

/// What `voices` may be.
const VOICES: [&str; 3] = ["ask", "off", "required"];

const REFUSAL_EN: &str = "not right do it again";

fn call_en(call: Call) -> &'static str {
    match call {
        Call::Hold => "hold everything",
        Call::CarryOn => "carry on",
        Call::SayAgain => "say again",
        Call::GoBack => "go back",
        Call::Stop => "stop stop",
    }
}

/// The procedure; worth something only when the sink is still empty afterwards, since reported values are left out
/// or replaced by empty ones.
pub(super) fn build(sink: &mut Sink, raw: &RawProcedure) -> Procedure {
    let RawHead { id, title, version, language, unit, cautions, opening, closing } = &raw.head;
    let language = language_tag(sink, language.as_ref());
    // With the language itself in doubt its defaults are not asked for: that would be a second error for one.
    let english = language.as_deref().is_none_or(is_english);

    let mut book = PhraseBook::with_slots(slots::read(sink, &raw.slots, english));
    add_calls(sink, &mut book, &raw.calls, english);
    let all_steps = side::all_steps(raw);
    let shared = general_refusal(sink, &mut book, raw.refusal.as_deref(), &all_steps, english);
    let questions = questions(sink, &mut book, &raw.questions);
    let mut steps = steps(sink, &mut book, &all_steps, &questions, &shared);
    let (contingencies, exits) = side::build(sink, &mut book, raw, &steps);
    let decision = decision::build(sink, &mut book, raw, &all_steps, &mut steps, english);
    let decoys = decoys(sink, &book, &raw.decoys);
    let own_steps = raw.steps.len().min(steps.len());
    let (phrases, slots) = book.into_parts();

    Procedure {
        id: ident(sink, id.as_ref(), "the procedure's id"),
        title: shown(sink, title.as_ref(), "title"),
        version: shown(sink, version.as_ref(), "version"),
        language: language.unwrap_or_default(),
        unit: unit.as_ref().map(|unit| shown(sink, Some(unit), "unit")),
        cautions: cautions.iter().map(|caution| shown(sink, Some(caution), "cautions")).collect(),
        opening: opening.as_ref().map(|opening| shown(sink, Some(opening), "opening")),
        closing: shown(sink, closing.as_ref(), "closing"),
        rules: rules(sink, &raw.rules),
        questions,
        steps,
        own_steps,
        contingencies,
        exits,
        decision,
        slots,
        say: say(sink, &raw.say),
        phrases,
        pronunciations: pronounce::read(sink, &raw.pronounce),
        decoys,
    }
}

fn add_calls(sink: &mut Sink, book: &mut PhraseBook, calls: &[(Call, Option<Vec<Text>>)], english: bool) {
    for (call, given) in calls {
        let (used, label) = (Use::Call { call: *call }, format!("call `{}`", call.key()));
        match given {
            Some(phrases) => {
                for phrase in phrases {
                    book.add(sink, phrase, None, used, label.clone());
                }
            }
            None if english => {
                book.add_built_in(sink, call_en(*call), None, used, label);
            }
            None => sink.report_file(
                &format!("there is no phrase for the call `{}`", call.key()),
                "only English has built-in calls",
                &format!("add under [calls]: {} = \"...\"", call.key()),
            ),
        }
    }
}

/// The refusals shared by every step without its own.
fn general_refusal(
    sink: &mut Sink,
    book: &mut PhraseBook,
    given: Option<&[Text]>,
    steps: &[&RawStep],
    english: bool,
) -> Vec<PhraseId> {
    // Where the observer does a step, the worker has to be able to refuse it.
    let by_observer =
        |step: &&RawStep| step.by.as_ref().is_some_and(|by| by.get_ref() == Doer::Observer.name());
    let both = steps.iter().any(|step| step.refuse.is_none() && by_observer(step));
    let (by, label) = ((!both).then_some(Role::Observer), "general refusal");
    if let Some(given) = given {
        return given.iter().filter_map(|raw| book.add(sink, raw, by, Use::Refusal, label.into())).collect();
    }
    if steps.iter().all(|step| step.refuse.is_some()) {
        return vec![];
    }
    if english {
        return book.add_built_in(sink, REFUSAL_EN, by, Use::Refusal, label.into()).into_iter().collect();
    }
    sink.report_file(
        "there is no refusal",
        "only English has a built-in one",
        "add [refusal] and under it: phrases = [\"...\"]",
    );
    vec![]
}

/// Word and how it is spoken, the longest first, so that a word within another does not win.
fn say(sink: &mut Sink, raw: &[(Text, Vec<Text>)]) -> Vec<(String, String)> {
    let mut pairs: Vec<(String, String)> = vec![];
    for (written, spoken) in raw {
        let word = shown(sink, Some(written), "say");
        let [spoken] = spoken.as_slice() else {
            if let Some(second) = spoken.get(1) {
                let what = format!("`{}` has more than one way to be spoken", word.escape_debug());
                sink.report(second.span(), what, "the voice says one", "keep one".into());
            }
            continue;
        };
        if pairs.iter().any(|(other, _)| other.to_lowercase() == word.to_lowercase()) {
            let what = format!("the word `{}` is given twice", word.escape_debug());
            sink.report(written.span(), what, "capital letters make no difference", "delete one".into());
        }
        pairs.push((word, shown(sink, Some(spoken), "say")));
    }
    pairs.sort_by_key(|(word, _)| std::cmp::Reverse(word.chars().count()));
    pairs
}

fn decoys(sink: &mut Sink, book: &PhraseBook, raw: &[Text]) -> Vec<String> {
    cap(sink, raw, MAX_DECOYS, "decoys", Text::span);
    let mut decoys: Vec<String> = vec![];
    for raw in raw.iter().take(MAX_DECOYS) {
        let Some(text) = spoken(sink, raw) else { continue };
        if let Some(phrase) = book.any(&text) {
            let whence = match phrase.at {
                Place::BUILT_IN => "it is a built-in phrase".to_owned(),
                at => format!("line {} has the same words as a phrase", at.line),
            };
            let why = format!("{whence}, which then could never be accepted");
            sink.report(
                raw.span(),
                format!("the decoy \"{text}\" is a phrase"),
                &why,
                "delete one of the two".into(),
            );
        } else if decoys.contains(&text) {
            sink.report(
                raw.span(),
                format!("the decoy \"{text}\" stands here twice"),
                "once is enough, and a second one may hide a slip",
                "delete one".into(),
            );
        } else {
            decoys.push(text);
        }
    }
    decoys
}

fn rules(sink: &mut Sink, raw: &RawRules) -> Rules {
    let mut rules = Rules::default();
    let mut count = |key, raw: &Option<Spanned<f64>>, count: &mut u32| {
        if let Some(raw) = raw {
            *count = whole(sink, key, raw, 1.0..=10.0);
        }
    };
    count("tries", &raw.tries, &mut rules.tries);
    count("reminders", &raw.reminders, &mut rules.reminders);
    rules.decision = raw.decision.unwrap_or(rules.decision);
    if let Some(raw) = &raw.voices {
        rules.voices = voices(sink, raw);
    }
    if let Some(raw) = &raw.reminder_s {
        rules.reminder_s = number(sink, "reminder_s", raw, 3.0..=3600.0);
    }
    rules
}

/// What is done about voices; the default when what stands there was reported.
fn voices(sink: &mut Sink, raw: &Text) -> VoiceRule {
    match raw.get_ref().as_str() {
        "ask" => VoiceRule::Ask,
        "off" => VoiceRule::Off,
        "required" => VoiceRule::Required,
        other => {
            let what = format!("`voices` can't be \"{}\"", other.escape_debug());
            let fix = match nearest(other, &VOICES) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "write voices = \"ask\", voices = \"off\" or voices = \"required\"".into(),
            };
            sink.report(raw.span(), what, "it says whether people's voices are compared", fix);
            VoiceRule::default()
        }
    }
}

/// Phrases that would be good with a microphone for each person but not with one for both: the same words said by
/// worker and observer. (Calls are for both by design; the same words twice for one person never parse.)
pub(super) fn same_words_for_both(procedure: &Procedure) -> Vec<super::Problem> {
    let mut seen: HashMap<&str, &crate::procedure::Phrase> = HashMap::new();
    let mut problems = vec![];
    for phrase in &procedure.phrases {
        let (Some(by), Some(earlier)) = (phrase.by, seen.insert(&phrase.text, phrase)) else { continue };
        // The author's own line is shown where the other one is built in.
        let (shown, by, other) = match phrase.at {
            Place::BUILT_IN => (earlier, by.other(), phrase),
            _ => (phrase, by, earlier),
        };
        let line = match other.at {
            Place::BUILT_IN => "a built-in phrase".to_owned(),
            at => format!("line {}", at.line),
        };
        let what = format!("\"{}\" is a phrase of both people, and they share one microphone", phrase.text);
        let why = format!(
            "{line} has it for the {}, this line for the {}; one microphone can't tell who spoke",
            by.other().name(),
            by.name(),
        );
        let fix = "give each person other words, or a microphone of their own";
        problems.push(super::Problem::at(shown.at, what).why(why).fix(fix));
    }
    problems
}
