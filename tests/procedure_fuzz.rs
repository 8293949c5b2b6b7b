//! Whatever is in a file, reading it ends in a procedure or in problems, never in a panic.

mod procedure_base;

use antiphon::procedure::parse::{parse, MAX_PHRASES};
use antiphon::procedure::{Procedure, Then};
use procedure_base::EVERYTHING;
use proptest::prelude::*;

const SHIPPED: &str = include_str!("../procedures/isolation-donning.toml");

/// What every module relies on in a procedure that exists.
fn assert_sound(procedure: &Procedure) {
    assert!(!procedure.main_steps().is_empty() && !procedure.cautions.is_empty());
    for contingency in &procedure.contingencies {
        assert!(!contingency.call.is_empty() && contingency.steps.end <= procedure.steps.len());
        match contingency.then {
            Then::Return => assert!(!contingency.steps.is_empty()),
            Then::Restart { step } => assert!(usize::from(step) < procedure.own_steps),
            Then::Exit { exit } => assert!(!procedure.exits[usize::from(exit)].steps.is_empty()),
        }
    }
    for (index, step) in procedure.steps.iter().enumerate() {
        assert!(procedure.range(procedure.part_of(index)).contains(&index), "step {}", step.id);
        assert!(step.hold_point.as_ref().is_none_or(|point| !point.release.is_empty()));
        let mine =
            |id: &antiphon::procedure::PhraseId| procedure.phrase(*id).by == Some(step.by.reads_back());
        assert!(step.read_back.iter().all(mine), "step {}", step.id);
    }
    assert!(procedure.phrases.len() <= MAX_PHRASES);
    let phrase = |id: &antiphon::procedure::PhraseId| usize::from(id.0) < procedure.phrases.len();
    for step in &procedure.steps {
        for list in [&step.read_back, &step.confirm, &step.refuse] {
            assert!(!list.is_empty() && list.iter().all(phrase), "step {}", step.id);
        }
        for condition in &step.when {
            let question = &procedure.questions[usize::from(condition.question)];
            let fits = |answer: &u16| usize::from(*answer) < question.answers.len();
            assert!(!condition.answers.is_empty() && condition.answers.iter().all(fits));
        }
    }
    for question in &procedure.questions {
        assert!(question.answers.len() >= 2 && question.answers.iter().all(|answer| phrase(&answer.phrase)));
    }
}

fn read(source: &str) {
    match parse(source, "fuzz.toml") {
        Ok(procedure) => assert_sound(&procedure),
        Err(errors) => {
            assert!(!errors.problems.is_empty());
            let lines = source.split('\n').count();
            for at in errors.problems.iter().filter_map(|problem| problem.at) {
                assert!((1..=lines).contains(&at.line) && at.column >= 1);
            }
            assert!(!errors.to_string().contains('\u{1b}'));
        }
    }
}

/// A byte changed, or a stretch cut out; bytes that are no UTF-8 become replacement characters, as an editor shows.
#[derive(Debug, Clone)]
enum Harm {
    Flip(prop::sample::Index, u8),
    Cut(prop::sample::Index, usize),
    Double(prop::sample::Index, usize),
}

fn harm() -> impl Strategy<Value = Harm> {
    prop_oneof![
        (any::<prop::sample::Index>(), any::<u8>()).prop_map(|(at, byte)| Harm::Flip(at, byte)),
        (any::<prop::sample::Index>(), 1usize..60).prop_map(|(at, length)| Harm::Cut(at, length)),
        (any::<prop::sample::Index>(), 1usize..400).prop_map(|(at, length)| Harm::Double(at, length)),
    ]
}

fn harmed(source: &str, harms: &[Harm]) -> String {
    let mut bytes = source.as_bytes().to_vec();
    for harm in harms {
        let end = |from: usize, length: usize| (from + length).min(bytes.len());
        match harm {
            Harm::Flip(at, byte) => {
                let at = at.index(bytes.len());
                bytes[at] = *byte;
            }
            Harm::Cut(at, length) if bytes.len() > 1 => {
                let from = at.index(bytes.len());
                let to = end(from, *length).min(from + bytes.len() - 1);
                bytes.drain(from..to);
            }
            Harm::Cut(..) => {}
            Harm::Double(at, length) => {
                let from = at.index(bytes.len());
                let again = bytes[from..end(from, *length)].to_vec();
                bytes.splice(from..from, again);
            }
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

/// A line as an author might write it, right or wrong.
fn line() -> impl Strategy<Value = String> {
    let key = prop::sample::select(vec![
        "id",
        "title",
        "version",
        "language",
        "cautions",
        "closing",
        "ask",
        "by",
        "value",
        "phrase",
        "look",
        "instruction",
        "read_back",
        "confirm",
        "refuse",
        "at_least_s",
        "when",
        "critical",
        "tries",
        "phrases",
        "stop",
        "hold_point",
        "release",
        "expected_s",
        "call",
        "then",
        "restart_at",
        "exit",
        "words",
        "digits",
        "opening",
    ]);
    let value = prop::sample::select(vec![
        "\"en\"",
        "\"\"",
        "\"all is well\"",
        "[\"one two three\", \"one two three\"]",
        "[]",
        "{}",
        "{ a = \"b\" }",
        "-1",
        "1e999",
        "0x7fffffffffffffffff",
        "nan",
        "true",
        "1979-05-27",
        "\"\\u0000\"",
        "[[[]]]",
        "\"worker\"",
        "\"restart\"",
        "\"exit\"",
        "\"all {a} is {b} well\"",
        "\"{a\"",
        "2",
    ]);
    let header = prop::sample::select(vec![
        "[procedure]",
        "[rules]",
        "[calls]",
        "[refusal]",
        "[pronounce]",
        "[decoys]",
        "[[question]]",
        "[[question.answer]]",
        "[[step]]",
        "[step]",
        "[question.answer]",
        "[slot.a]",
        "[slot]",
        "[say]",
        "[[contingency]]",
        "[[contingency.step]]",
        "[[exit]]",
        "[[exit.step]]",
    ]);
    prop_oneof![2 => (key, value).prop_map(|(key, value)| format!("{key} = {value}\n")),
                1 => header.prop_map(|header| format!("{header}\n"))]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(10_000))]

    #[test]
    fn any_text_at_all_is_read_without_a_panic(source in any::<String>()) {
        read(&source);
    }

    #[test]
    fn lines_of_the_format_in_any_order_are_read_without_a_panic(lines in prop::collection::vec(line(), 0..40)) {
        read(&lines.concat());
    }

    #[test]
    fn the_shipped_procedure_harmed_is_read_without_a_panic(harms in prop::collection::vec(harm(), 1..8)) {
        read(&harmed(SHIPPED, &harms));
    }

    #[test]
    fn a_procedure_with_every_key_harmed_is_read_without_a_panic(harms in prop::collection::vec(harm(), 1..8)) {
        read(&harmed(EVERYTHING, &harms));
    }
}

#[test]
fn the_shipped_procedure_unharmed_is_good() {
    assert_sound(&parse(SHIPPED, "isolation-donning.toml").unwrap());
    assert_eq!(harmed(SHIPPED, &[]), SHIPPED);
}

#[test]
fn a_megabyte_of_one_hostile_line_is_read_in_seconds() {
    let started = std::time::Instant::now();
    read(&format!("procedure = {{ {} }}", "a=1,".repeat(250_000)));
    read(&format!("step = [{}]", "1,".repeat(500_000)));
    let names: String = (0..100_000).map(|n| format!("q{n}=1,")).collect();
    read(&format!("procedure = {{ {names} }}"));
    read(&"[".repeat(1_000_000));
    read(&"a.".repeat(500_000));
    assert!(started.elapsed().as_secs() < 60, "{:?}", started.elapsed());
}
