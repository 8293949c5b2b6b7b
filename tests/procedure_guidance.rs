//! The shipped procedure against public-health guidance, and against what we ask of good phrases.
//!
//! Documents: CDC 2015 and WHO 2016, WHO 2009 as named in docs/guidance.md.

use antiphon::procedure::parse::{load, shared_microphone_problems};
use antiphon::procedure::{Procedure, Use};
use std::path::Path;

/// Earlier step, later step, and the document that orders them so.
const ORDER: &[(&str, &str, &str)] = &[
    (
        "observer-present",
        "personal-needs",
        "CDC 2015: the observer is engaged first and reminds of personal needs",
    ),
    ("personal-needs", "scrubs-and-shoes", "CDC 2015: personal needs before any equipment"),
    ("scrubs-and-shoes", "inspect-clothing", "CDC 2015: change into scrubs before the donning begins"),
    ("nothing-personal", "inspect-clothing", "CDC 2015: personal items off before the donning begins"),
    ("inspect-clothing", "hand-rub", "CDC 2015: inspection before the first piece is put on"),
    ("test-respirator", "hand-rub", "CDC 2015: battery and airflow tested before donning"),
    ("read-through", "hand-rub", "CDC 2015: observer reviews the sequence before donning begins"),
    ("hand-rub", "boot-covers", "CDC 2015: hand hygiene before the first piece"),
    ("hand-rub", "inner-gloves", "WHO 2009 and CDC 2015: hand hygiene before gloves"),
    ("boot-covers", "inner-gloves", "CDC 2015: boot covers, then inner gloves"),
    ("inner-gloves", "gown", "CDC 2015: gown over the cuffs of the inner gloves"),
    ("gown", "gown-ties", "by nature"),
    ("gown", "respirator-belt", "CDC 2015: the unit is worn outside the gown"),
    ("gown", "outer-gloves", "CDC 2015: outer gloves over the sleeves"),
    ("inner-gloves", "outer-gloves", "CDC 2015 and WHO 2016: two pairs"),
    ("respirator-belt", "outer-gloves", "CDC 2015: belt, then outer gloves"),
    ("outer-gloves", "hood", "CDC 2015: outer gloves, then hood"),
    ("hood", "apron", "CDC 2015: apron over the hood"),
    ("apron", "hose", "CDC 2015: the hose is connected once the apron is on"),
    ("hood", "hose", "CDC 2015: the hose is connected to the hood"),
    ("hose", "blower", "CDC 2015: connect, then switch on"),
    ("blower", "skin-check", "CDC 2015: last look for skin and hair when the air is on"),
    ("skin-check", "final-check", "CDC 2015: the whole ensemble is verified last"),
];

fn shipped() -> Procedure {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("procedures/isolation-donning.toml");
    load(&path).unwrap_or_else(|errors| panic!("{errors}")).0
}

/// Rows of the table after a heading, as cells.
fn rows(markdown: &str, heading: &str) -> Vec<Vec<String>> {
    let after = markdown.split(heading).nth(1).expect("the heading is there");
    let table =
        after.lines().skip_while(|line| !line.starts_with('|')).take_while(|line| line.starts_with('|'));
    let cells = |line: &str| line.trim_matches('|').split('|').map(|cell| cell.trim().to_owned()).collect();
    table.skip(2).map(cells).collect()
}

fn guidance() -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/guidance.md")).unwrap()
}

#[test]
fn steps_come_in_the_order_that_public_health_guidance_gives() {
    let procedure = shipped();
    let place = |id: &str| {
        let found = procedure.steps.iter().position(|step| step.id == id);
        found.unwrap_or_else(|| panic!("there is no step {id}"))
    };
    for (earlier, later, source) in ORDER {
        assert!(place(earlier) < place(later), "{earlier} must come before {later} ({source})");
    }
}

#[test]
fn the_order_table_speaks_about_every_step() {
    for step in shipped().steps {
        let named = ORDER.iter().any(|(earlier, later, _)| *earlier == step.id || *later == step.id);
        assert!(named, "{} stands in no pair", step.id);
    }
}

#[test]
fn the_guidance_page_has_every_step_in_order_with_a_known_document() {
    let page = guidance();
    let documents: Vec<String> = rows(&page, "Documents").into_iter().map(|mut row| row.remove(0)).collect();
    assert!(documents.contains(&"CDC 2015".to_owned()));
    let table = rows(&page, "## Step by step");
    let ids: Vec<&str> = table.iter().map(|row| row[0].as_str()).collect();
    let procedure = shipped();
    assert_eq!(ids, procedure.steps.iter().map(|step| step.id.as_str()).collect::<Vec<_>>());
    for row in &table {
        assert!(row[2].split(", ").all(|name| documents.iter().any(|document| document == name)), "{row:?}");
    }
}

#[test]
fn hand_rub_lasts_at_least_twenty_seconds_and_ends_with_dry_hands() {
    // WHO 2009: 20 to 30 s in all, until dry.
    let procedure = shipped();
    let rub = procedure.steps.iter().find(|step| step.id == "hand-rub").expect("a hand-rub step");
    assert_eq!(rub.at_least_s, Some(20.0));
    assert!(rub.read_back.iter().all(|id| procedure.phrase(*id).words().any(|word| word == "dry")));
}

#[test]
fn the_apron_is_the_only_step_that_depends_on_an_answer() {
    // CDC 2015: an apron when the patient vomits or has diarrhea.
    let procedure = shipped();
    let conditional: Vec<_> = procedure.steps.iter().filter(|step| !step.when.is_empty()).collect();
    assert_eq!(conditional.iter().map(|step| step.id.as_str()).collect::<Vec<_>>(), ["apron"]);
    let condition = &conditional[0].when[0];
    let question = &procedure.questions[usize::from(condition.question)];
    let values: Vec<&str> = condition
        .answers
        .iter()
        .map(|answer| question.answers[usize::from(*answer)].value.as_str())
        .collect();
    assert_eq!((question.id.as_str(), values), ("apron", vec!["yes"]));
}

#[test]
fn every_answer_is_offered_word_for_word_in_its_question() {
    // Nobody can answer in words that were not offered.
    let procedure = shipped();
    for question in &procedure.questions {
        for answer in &question.answers {
            let phrase = &procedure.phrase(answer.phrase).text;
            assert!(question.ask.contains(phrase.as_str()), "{phrase} is not offered in {}", question.id);
        }
    }
}

#[test]
fn the_shipped_phrases_have_three_to_five_words_and_serve_a_shared_microphone() {
    let procedure = shipped();
    for phrase in procedure.phrases.iter().filter(|phrase| !matches!(phrase.used, Use::Call { .. })) {
        assert!((3..=5).contains(&phrase.words().count()), "{}", phrase.text);
    }
    assert_eq!(shared_microphone_problems(&procedure), []);
}

#[test]
fn no_shipped_phrase_is_a_bare_done_or_a_difference_of_one_word() {
    // Degani & Wiener 1990, 1993: answer with the state seen, not with 'checked' or 'set'.
    let procedure = shipped();
    for (index, phrase) in procedure.phrases.iter().enumerate() {
        let words: Vec<&str> = phrase.words().collect();
        let bare = ["done", "check", "checked", "okay", "ok", "set", "complete", "ready", "yes", "roger"];
        assert!(!words.iter().any(|word| bare.contains(word)), "{}", phrase.text);
        for other in &procedure.phrases[..index] {
            let shared = words.iter().filter(|word| other.words().any(|theirs| theirs == **word)).count();
            let most = words.len().max(other.words().count());
            assert!(shared + 1 < most, "'{}' and '{}' differ by one word", phrase.text, other.text);
        }
    }
}

#[test]
fn the_shipped_procedure_says_what_it_is_not() {
    let procedure = shipped();
    let cautions = procedure.cautions.join(" ");
    for part in
        ["Training aid", "local protocol", "makers' instructions", "licensed practice", "never replaces"]
    {
        assert!(cautions.contains(part), "{part}");
    }
    assert!(procedure.unit.expect("a unit").ends_with("(invented)"));
    assert!((15..=20).contains(&procedure.steps.len()));
}
