//! The way out in a procedure's file: where it is there, its phrases and reasons, and what is wrong with one.

mod procedure_base;

use antiphon::procedure::parse::{parse, shared_microphone_problems, MAX_REASONS};
use antiphon::procedure::{Place, Procedure, Role, Use};
use procedure_base::{edit, says, BASE, EVERYTHING};

fn good(source: &str) -> Procedure {
    parse(source, "demo.toml").unwrap_or_else(|errors| panic!("{errors}"))
}

fn texts(procedure: &Procedure) -> (Vec<&str>, Vec<(&str, &str, &str)>) {
    let decision = procedure.decision.as_ref().expect("there is a way out");
    let text = |id| procedure.phrase(id).text.as_str();
    let reasons = decision.reasons.iter();
    (
        decision.phrases.iter().map(|id| text(*id)).collect(),
        reasons.map(|one| (one.id.as_str(), one.label.as_str(), text(one.phrase))).collect(),
    )
}

fn allowed(procedure: &Procedure) -> Vec<bool> {
    procedure.steps.iter().map(|step| step.decision).collect()
}

/// With the words that another language needs.
fn korean(more: &str) -> String {
    let source = edit("language = \"en\"", "language = \"ko\"");
    format!(
        "{source}\n[calls]\nhold = \"잠깐 멈춰 주세요\"\ncarry-on = \"계속 진행해 주세요\"\nsay-again = \"다시 말해 주세요\"\n\
         go-back = \"앞 단계로 돌아가요\"\nstop = \"모두 중지 중지\"\n[refusal]\nphrases = \"아직 아닙니다 다시 하세요\"\n{more}"
    )
}

#[test]
fn english_has_a_phrase_and_reasons_of_its_own_and_they_are_the_observers() {
    let procedure = good(BASE);
    let (phrases, reasons) = texts(&procedure);
    assert_eq!(phrases, ["seen and accepted", "my decision is to go on"]);
    assert_eq!(
        reasons,
        [
            ("voice", "voice misheard", "the voice was misheard"),
            ("noise", "too much noise", "too much noise"),
            ("other", "other reason", "some other reason"),
        ]
    );
    let own = |used: Use| matches!(used, Use::Decision | Use::Reason { .. });
    let own: Vec<_> = procedure.phrases.iter().filter(|phrase| own(phrase.used)).collect();
    assert!(own.iter().all(|phrase| phrase.by == Some(Role::Observer) && phrase.at == Place::BUILT_IN));
    assert_eq!(allowed(&procedure), [true, true]);
}

#[test]
fn the_phrases_come_last_so_that_older_records_keep_their_numbers() {
    let rules =
        |decision: bool| edit("[[question]]", &format!("[rules]\ndecision = {decision}\n[[question]]"));
    let (with, without) = (good(&rules(true)), good(&rules(false)));
    assert_eq!(with.phrases[..without.phrases.len()], without.phrases[..]);
    assert_eq!(with.phrases.len(), without.phrases.len() + 5);
    assert_eq!((without.decision, allowed(&with)), (None, vec![true, true]));
}

#[test]
fn a_step_decides_for_itself_and_a_critical_one_has_no_way_out_unless_it_says_so() {
    for (rules, line, first) in [
        ("", "critical = true", false),
        ("decision = true", "critical = true", false),
        ("", "critical = true\ndecision = true", true),
        ("", "decision = false", false),
        ("decision = false", "decision = true", true),
    ] {
        let source = edit("at_least_s = 20", line).replacen(
            "[[question]]",
            &format!("[rules]\n{rules}\n[[question]]"),
            1,
        );
        assert_eq!(allowed(&good(&source)), [first, rules != "decision = false"], "{rules} {line}");
    }
}

#[test]
fn the_file_gives_phrases_and_reasons_and_other_is_always_there() {
    let procedure = good(EVERYTHING);
    let (said, why) = texts(&procedure);
    assert_eq!(said, ["i saw it done", "seen and accepted"]);
    assert_eq!(
        why,
        [
            ("hood", "hood muffles the voice", "the hood muffles it"),
            ("other", "other reason", "some other reason"),
        ]
    );
    let own = "[decision]\n[[decision.reason]]\nid = \"other\"\nphrase = \"whatever it was\"\n[[question]]";
    let procedure = good(&edit("[[question]]", own));
    assert_eq!(texts(&procedure).1, [("other", "whatever it was", "whatever it was")]);
}

#[test]
fn another_language_has_no_way_out_without_phrases_of_its_own() {
    let procedure = good(&korean(""));
    assert_eq!((procedure.decision.as_ref(), allowed(&procedure)), (None, vec![false, false]));
    let more = "[decision]\nphrase = \"보았고 받아들입니다\"\n[[decision.reason]]\nid = \"other\"\nphrase = \"다른 이유입니다\"\n";
    let procedure = good(&korean(more));
    assert_eq!(texts(&procedure).0, ["보았고 받아들입니다"]);
    assert_eq!(allowed(&procedure), [true, true]);
}

#[test]
fn a_way_out_that_is_asked_for_in_another_language_needs_phrases() {
    let problems = |more: &str| parse(&korean(more), "demo.toml").unwrap_err().to_string();
    assert_eq!(
        problems("[rules]\ndecision = true\n"),
        "demo.toml: there is no phrase by which the observer decides\n  why: only English has a built-in one\n  \
         do:  add [decision] with its phrase and its reasons, or leave out decision = true"
    );
    let found = problems("[decision]\n[[decision.reason]]\nid = \"noise\"\nphrase = \"너무 시끄럽습니다\"\n");
    assert!(found.contains("[decision] has no `phrase`"), "{found}");
    assert!(found.contains("[decision] has no reason `other`"), "{found}");
}

#[test]
fn a_reason_used_twice_and_more_than_anybody_keeps_in_mind_are_refused() {
    let reason = |n: usize| {
        let word = ["amber", "birch", "cedar", "daisy", "ember", "fern", "grove", "hazel", "ivory"][n];
        format!("[[decision.reason]]\nid = \"{word}\"\nphrase = \"because of {word}\"\n")
    };
    let with = |count: usize| {
        let reasons: String = (0..count).map(reason).collect();
        edit("[[question]]", &format!("[decision]\n{reasons}[[question]]"))
    };
    assert_eq!(texts(&good(&with(MAX_REASONS))).1.len(), MAX_REASONS + 1);
    let errors = parse(&with(MAX_REASONS + 1), "demo.toml").unwrap_err();
    assert_eq!(errors.problems[0].what, "there are 9 reasons; at most 8 are allowed");
    let twice = with(1).replacen("[[question]]", &format!("{}[[question]]", reason(0)), 1);
    let errors = parse(&twice, "demo.toml").unwrap_err().to_string();
    assert!(errors.contains("the reason id `amber` is used twice"), "{errors}");
}

#[test]
fn a_phrase_of_the_file_that_is_built_in_here_is_named_with_its_line() {
    says(
        &edit("i see both wrists", "too much noise"),
        "demo.toml:25:11: the phrase \"too much noise\" is used twice\n  \
         25 | confirm = \"too much noise\"\n\x20    |           ^^^^^^^^^^^^^^^^\n  \
         why: it is also the reason `noise` of a decision (built in); what is heard must mean one thing\n  \
         do:  choose words that sound different for one of the two",
    );
}

#[test]
fn at_one_microphone_the_workers_words_are_not_the_decision() {
    let procedure = good(&edit("inner gloves on", "seen and accepted"));
    let problems = shared_microphone_problems(&procedure);
    assert_eq!(problems.len(), 1);
    assert_eq!(problems[0].at.map(|at| at.line), Some(24));
    let why = problems[0].why.as_deref().unwrap_or_default();
    assert!(why.starts_with("a built-in phrase has it for the observer, this line for the worker"), "{why}");
}
