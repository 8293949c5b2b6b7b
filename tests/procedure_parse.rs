//! What a good procedure becomes, what is allowed up to which limit, and how several problems read together.

mod procedure_base;

use antiphon::failure::{ExitCode, Failure};
use antiphon::procedure::parse::{
    load, parse, shared_microphone_problems, KEYS, MAX_ANSWERS, MAX_BYTES, MAX_CALLS, MAX_CONTINGENCIES,
    MAX_DECOYS, MAX_EXITS, MAX_PHRASE, MAX_PHRASES, MAX_QUESTIONS, MAX_REASONS, MAX_STEPS, MAX_WAYS,
};
use antiphon::procedure::{Call, Part, Place, Role, Rules, Then, Use};
use procedure_base::{edit, BASE, EVERYTHING};
use std::path::Path;

#[test]
fn the_base_of_these_tests_is_a_good_procedure() {
    parse(BASE, "demo.toml").unwrap();
}

#[test]
fn a_good_procedure_keeps_every_value_and_the_place_it_came_from() {
    let procedure = parse(BASE, "demo.toml").unwrap();
    assert_eq!((procedure.steps.len(), procedure.questions.len()), (2, 1));
    let gloves = &procedure.steps[0];
    assert_eq!((gloves.id.as_str(), gloves.at_least_s, gloves.reminder_s), ("gloves", Some(20.0), None));
    assert_eq!(gloves.at, Place { line: 20, column: 1 });
    let read_back = procedure.phrase(gloves.read_back[0]);
    assert_eq!((read_back.text.as_str(), read_back.by), ("inner gloves on", Some(Role::Worker)));
    assert_eq!((read_back.used, read_back.at), (Use::ReadBack { step: 0 }, Place { line: 24, column: 13 }));
    let confirmation = procedure.phrase(procedure.steps[1].confirm[0]);
    assert_eq!((confirmation.used, confirmation.by), (Use::Confirmation { step: 1 }, Some(Role::Observer)));
    let condition = &procedure.steps[1].when[0];
    assert_eq!((condition.question, condition.answers.as_slice()), (0, &[0][..]));
    let no = procedure.phrase(procedure.questions[0].answers[1].phrase);
    assert_eq!((no.text.as_str(), no.used), ("leave the apron", Use::Answer { question: 0, answer: 1 }));
}

#[test]
fn english_has_five_calls_and_one_refusal_of_its_own_shared_by_every_step() {
    let procedure = parse(BASE, "demo.toml").unwrap();
    let calls: Vec<_> = procedure.phrases.iter().filter(|phrase| phrase.by.is_none()).collect();
    assert_eq!(
        calls.iter().map(|phrase| (phrase.text.as_str(), phrase.used)).collect::<Vec<_>>(),
        [
            ("hold everything", Use::Call { call: Call::Hold }),
            ("carry on", Use::Call { call: Call::CarryOn }),
            ("say again", Use::Call { call: Call::SayAgain }),
            ("go back", Use::Call { call: Call::GoBack }),
            ("stop stop", Use::Call { call: Call::Stop }),
        ]
    );
    assert!(calls.iter().all(|phrase| phrase.at == Place::BUILT_IN));
    assert_eq!(procedure.steps[0].refuse, procedure.steps[1].refuse);
    assert_eq!(procedure.phrase(procedure.steps[0].refuse[0]).text, "not right do it again");
    assert_eq!(procedure.phrases.iter().filter(|phrase| phrase.used == Use::Refusal).count(), 1);
}

#[test]
fn calls_and_refusals_of_the_file_replace_the_built_in_ones() {
    let source = edit(
        "[[question]]",
        "[calls]\nhold = [\"wait there\", \"hold it\"]\n[refusal]\nphrases = [\"no that is wrong\"]\n[[question]]",
    );
    let procedure = parse(&source, "demo.toml").unwrap();
    let texts: Vec<&str> = procedure.phrases.iter().map(|phrase| phrase.text.as_str()).collect();
    assert_eq!(texts[..3], ["wait there", "hold it", "carry on"]);
    assert!(!texts.contains(&"hold everything") && !texts.contains(&"not right do it again"));
    assert_eq!(procedure.phrase(procedure.steps[1].refuse[0]).text, "no that is wrong");
}

#[test]
fn a_step_may_list_the_general_refusal_beside_its_own() {
    let source = edit("at_least_s = 20", "refuse = [\"not right do it again\", \"a wrist is bare\"]");
    let procedure = parse(&source, "demo.toml").unwrap();
    let [general, own] = procedure.steps[0].refuse[..] else { panic!("two refusals") };
    assert_eq!(procedure.steps[1].refuse, [general]);
    assert_eq!(procedure.phrase(own).text, "a wrist is bare");
}

#[test]
fn the_general_refusal_twice_in_one_step_is_refused() {
    let source = edit("at_least_s = 20", "refuse = [\"not right do it again\", \"not right do it again\"]");
    let errors = parse(&source, "demo.toml").unwrap_err();
    assert_eq!(errors.problems.len(), 1);
    assert_eq!(
        errors.problems[0].headline(),
        "demo.toml:26:36: the phrase \"not right do it again\" is used twice"
    );
}

#[test]
fn english_with_a_region_still_has_the_built_in_phrases() {
    parse(&edit("\"en\"", "\"en-GB\""), "demo.toml").unwrap();
}

#[test]
fn another_language_must_give_all_five_calls_and_a_refusal() {
    let errors = parse(&edit("\"en\"", "\"ko\""), "demo.toml").unwrap_err();
    let missing: Vec<&str> = errors.problems.iter().map(|problem| problem.what.as_str()).collect();
    assert_eq!(
        missing,
        [
            "there is no phrase for the call `hold`",
            "there is no phrase for the call `carry-on`",
            "there is no phrase for the call `say-again`",
            "there is no phrase for the call `go-back`",
            "there is no phrase for the call `stop`",
            "there is no refusal",
        ]
    );
    assert!(errors.to_string().starts_with(
        "demo.toml: there is no phrase for the call `hold`\n  why: only English has built-in calls\n  \
         do:  add under [calls]: hold = \"...\"\n\n"
    ));
}

#[test]
fn all_problems_are_told_at_once_in_the_order_of_the_file() {
    let source =
        edit("version = \"1\"", "version = 1").replace("gown over cuffs", "on").replace("= 20", "= -1");
    let errors = parse(&source, "demo.toml").unwrap_err();
    let lines: Vec<usize> =
        errors.problems.iter().filter_map(|problem| problem.at).map(|at| at.line).collect();
    assert_eq!(lines, [4, 26, 32]);
    assert!(errors.to_string().ends_with("\n\n3 problems"));
}

#[test]
fn of_very_many_problems_the_first_hundred_are_shown() {
    let source =
        format!("{BASE}{}", "x".repeat(3) + &(0..250).map(|n| format!("\nq{n} = 1")).collect::<String>());
    let source = source.replace("xxx\n", "");
    let errors = parse(&source, "demo.toml").unwrap_err();
    assert_eq!((errors.problems.len(), errors.more), (100, 150));
    assert!(errors.to_string().ends_with("\n\n250 problems, the first 100 shown"));
}

#[test]
fn five_hundred_steps_are_allowed_and_one_more_is_not() {
    let letter = |n: usize| char::from(b'a' + n as u8);
    let step = |n: usize| {
        let word: String = [n / 676, n / 26 % 26, n % 26].map(letter).iter().collect();
        format!(
            "[[step]]\nid = \"s{n}\"\ninstruction = \"a\"\nlook = \"b\"\n\
             read_back = \"worn {word}\"\nconfirm = \"seen {word}\"\n"
        )
    };
    let head = &BASE[..BASE.find("[[question]]").expect("BASE has a question")];
    let source = |count: usize| head.to_owned() + &(0..count).map(step).collect::<String>();
    assert_eq!(parse(&source(500), "demo.toml").unwrap().steps.len(), 500);
    let errors = parse(&source(501), "demo.toml").unwrap_err();
    assert_eq!(
        errors.to_string(),
        "demo.toml:3009:1: there are 501 steps; at most 500 are allowed\n  3009 | [[step]]\n       | ^^^^^^^^\n  \
         why: nobody can keep track of more\n  do:  leave some out or split the procedure"
    );
}

#[test]
fn more_phrases_than_can_be_numbered_are_refused_once() {
    let list: Vec<String> = (0..4_100)
        .map(|n: usize| {
            let letters = [n / 676, n / 26 % 26, n % 26].map(|n| char::from(b'a' + n as u8));
            format!("\"worn {}\"", letters.iter().collect::<String>())
        })
        .collect();
    let errors =
        parse(&edit("\"inner gloves on\"", &format!("[{}]", list.join(", "))), "demo.toml").unwrap_err();
    let whats: Vec<&str> = errors.problems.iter().map(|problem| problem.what.as_str()).collect();
    assert_eq!(whats, ["too many phrases"]);
}

#[test]
fn words_used_by_both_people_are_good_with_two_microphones_and_a_problem_with_one() {
    let source = edit("\"gown is closed\"", "\"inner gloves on\"");
    let procedure = parse(&source, "demo.toml").unwrap();
    let same = procedure.phrases.iter().filter(|phrase| phrase.text == "inner gloves on");
    assert_eq!(same.map(|phrase| phrase.by).collect::<Vec<_>>(), [Some(Role::Worker), Some(Role::Observer)]);
    let problems = shared_microphone_problems(&procedure);
    assert_eq!(problems.len(), 1);
    assert_eq!(
        problems[0].clone().in_source("demo.toml", &source).to_string(),
        "demo.toml:33:11: \"inner gloves on\" is a phrase of both people, and they share one microphone\n  \
         33 | confirm = \"inner gloves on\"\n     |           ^^^^^^^^^^^^^^^^^\n  \
         why: line 24 has it for the worker, this line for the observer; one microphone can't tell who spoke\n  \
         do:  give each person other words, or a microphone of their own"
    );
}

#[test]
fn a_procedure_with_different_words_for_each_may_share_a_microphone() {
    assert_eq!(shared_microphone_problems(&parse(BASE, "demo.toml").unwrap()), []);
}

#[test]
fn the_caret_stands_under_wide_letters_and_after_tabs() {
    let source = edit("when = { apron = \"yes\" }", "when\t= { apron = [\"장갑\", \"yes\", \"아니\"] }");
    let errors = parse(&source, "demo.toml").unwrap_err();
    let last = errors.problems.last().expect("two problems").to_string();
    let lines: Vec<&str> = last.lines().collect();
    assert_eq!(lines[1], "  34 | when = { apron = [\"장갑\", \"yes\", \"아니\"] }");
    // 33 columns before it but 31 characters: each Hangul syllable is two columns wide.
    assert_eq!(lines[2], format!("     | {}^^^^^^", " ".repeat(33)));
}

#[test]
fn nothing_in_a_broken_file_can_steer_the_terminal() {
    let message = parse("id = \"\u{1b}[2J\u{202e}", "demo.toml").unwrap_err().to_string();
    assert!(!message.contains('\u{1b}') && !message.contains('\u{202e}'), "{message:?}");
}

#[test]
fn pronunciations_lose_their_stress_digits_and_may_be_several() {
    let source = edit("[[question]]", "[pronounce]\nDoff = [\"d ao1 f\", \"D AA F\"]\n[[question]]");
    let procedure = parse(&source, "demo.toml").unwrap();
    assert_eq!(procedure.pronunciations["doff"], [["D", "AO", "F"], ["D", "AA", "F"]]);
}

#[test]
fn a_failure_has_the_place_first_and_the_exit_code_of_a_bad_procedure() {
    let failure = Failure::from(parse(&edit("= 20", "= -1"), "demo.toml").unwrap_err());
    assert_eq!(failure.code, ExitCode::BadProcedure);
    assert!(failure.what.starts_with("demo.toml:26:14: "));
    assert_eq!(failure.fix.as_deref(), Some("write a number from 0 to 3600"));
    let two = edit("= 20", "= -1").replace("version = \"1\"", "version = 1");
    let failure = Failure::from(parse(&two, "demo.toml").unwrap_err());
    assert!(failure.what.starts_with("demo.toml:4:11: ") && failure.what.ends_with("2 problems"));
}

/// What `load` says about a file with these bytes, the path replaced by FILE.
fn load_says(bytes: &[u8]) -> String {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    let message = load(file.path()).unwrap_err().to_string();
    message.replace(&file.path().display().to_string(), "FILE")
}

#[test]
fn a_good_file_gives_the_procedure_and_its_text() {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), BASE).unwrap();
    let (procedure, source) = load(file.path()).unwrap();
    assert_eq!((procedure.id.as_str(), source.as_str()), ("demo", BASE));
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let message = load(Path::new("no/such.toml")).unwrap_err().to_string();
    assert_eq!(
        message,
        "no/such.toml: the procedure can't be read\n  why: No such file or directory (os error 2)\n  \
         do:  check the path; shipped procedures are in the folder procedures"
    );
}

#[test]
fn a_folder_is_not_a_procedure() {
    let message = load(Path::new("src")).unwrap_err().to_string();
    assert_eq!(
        message,
        "src: this is a folder, not a procedure\n  why: a procedure is one file\n  do:  name a .toml file in it"
    );
}

#[test]
fn a_file_that_is_not_utf_8_is_refused_with_the_line() {
    assert_eq!(
        load_says(b"[procedure]\ntitle = \"caf\xe9\"\n"),
        "FILE: the file is not UTF-8 text (line 2)\n  why: TOML is always UTF-8\n  do:  save it again as UTF-8"
    );
}

#[test]
fn a_file_of_more_than_a_megabyte_is_refused() {
    assert_eq!(
        load_says(&vec![b'#'; 1_000_001]),
        "FILE: the file is larger than 1 MB\n  why: no procedure is that long\n  \
         do:  check that this is a procedure"
    );
    assert!(load_says(&vec![b'#'; 10_000_000]).contains("the file is larger than 1 MB"));
    assert!(load_says(&vec![b'#'; 1_000_000]).contains("there are no steps"));
}

fn page() -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/procedures.md")).unwrap()
}

/// The examples of the format page, in their order.
fn blocks(page: &str) -> Vec<&str> {
    page.split("```toml\n").skip(1).map(|block| block.split("```").next().expect("split gives one")).collect()
}

#[test]
fn the_example_of_the_format_page_is_good_after_every_block() {
    let page = page();
    let blocks = blocks(&page);
    assert_eq!(blocks.len(), 8);
    for count in 1..=blocks.len() {
        let source = blocks[..count].concat();
        parse(&source, "docs/procedures.md").unwrap_or_else(|errors| panic!("{count} blocks: {errors}"));
    }
}

#[test]
fn the_example_of_the_format_page_grows_to_everything() {
    let page = page();
    let source = blocks(&page).concat();
    let procedure = parse(&source, "docs/procedures.md").unwrap_or_else(|errors| panic!("{errors}"));
    assert_eq!((procedure.main_steps().len(), procedure.questions.len()), (7, 1));
    assert_eq!((procedure.contingencies.len(), procedure.exits.len()), (3, 1));
    // Every key of every table is shown or named.
    for (table, keys) in KEYS {
        for key in *keys {
            let shown = page.contains(&format!("{key} = ")) || page.contains(&format!("`{key}`"));
            let listed = page.contains(&format!("[[contingency.{key}]]"))
                || page.contains(&format!("[[question.{key}]]"))
                || page.contains(&format!("[[decision.{key}]]"));
            assert!(shown || listed, "{key} of {table}");
        }
    }
    assert_eq!(procedure.rules, Rules::default());
    for call in Call::ALL {
        let first = |phrases: &[antiphon::procedure::Phrase]| {
            phrases.iter().find(|phrase| phrase.used == Use::Call { call }).map(|phrase| phrase.text.clone())
        };
        let built_in = parse(BASE, "demo.toml").unwrap();
        assert_eq!(first(&procedure.phrases), first(&built_in.phrases), "{}", call.key());
    }
    let limits = format!(
        "{MAX_STEPS} steps, {MAX_QUESTIONS} questions with {MAX_ANSWERS} answers each, {MAX_PHRASES} phrases, \
         {MAX_DECOYS} decoys, {MAX_CONTINGENCIES} contingencies with {MAX_CALLS} phrases each, {MAX_EXITS} exits, \
         {MAX_REASONS} reasons, {MAX_WAYS} phrases from one with slots, 1000 characters a text, {MAX_PHRASE} a phrase, {} MB a file",
        MAX_BYTES / 1_000_000
    );
    let words: Vec<&str> = page.split_whitespace().collect();
    assert!(words.join(" ").contains(&limits), "{limits}");
}

#[test]
fn a_slot_makes_one_phrase_for_each_way_to_fill_it_and_keeps_its_values() {
    let procedure = parse(EVERYTHING, "all.toml").unwrap_or_else(|errors| panic!("{errors}"));
    let gloves = &procedure.steps[0];
    let texts: Vec<&str> = gloves.read_back.iter().map(|id| procedure.phrase(*id).text.as_str()).collect();
    assert_eq!(texts, ["gloves on size small", "gloves on size medium", "gloves on size large"]);
    assert_eq!(gloves.confirm.len(), 3 + 100);
    let last = procedure.phrase(*gloves.confirm.last().expect("there are some"));
    assert_eq!(last.text, "box number nine nine");
    assert_eq!(last.values(), [("tag".to_owned(), "99".to_owned())]);
}

#[test]
fn steps_of_contingencies_and_exits_stand_after_the_procedures_own() {
    let procedure = parse(EVERYTHING, "all.toml").unwrap_or_else(|errors| panic!("{errors}"));
    let ids: Vec<&str> = procedure.steps.iter().map(|step| step.id.as_str()).collect();
    assert_eq!(ids, ["gloves", "hose", "new-glove", "rub-glove", "walk"]);
    assert_eq!(procedure.main_steps().len(), 2);
    assert_eq!(procedure.range(Part::Contingency(0)), 2..4);
    assert_eq!(procedure.range(Part::Contingency(1)), 4..4);
    assert_eq!(procedure.part_of(4), Part::Exit(0));
    let then: Vec<Then> = procedure.contingencies.iter().map(|one| one.then).collect();
    assert_eq!(then, [Then::Return, Then::Restart { step: 0 }, Then::Exit { exit: 0 }]);
    let hose = &procedure.steps[1];
    assert_eq!(procedure.phrase(hose.read_back[0]).by, Some(Role::Observer));
    assert_eq!(procedure.phrase(hose.confirm[0]).by, Some(Role::Worker));
    // Both can refuse, since each has something to confirm.
    assert_eq!(procedure.phrase(hose.refuse[0]).by, None);
}

#[test]
fn right_to_left_letters_are_read_as_they_stand_and_letters_with_marks_in_one_piece() {
    let source = edit("both wrists covered", "שני פרקי הידיים מכוסים e\u{301}");
    let procedure = parse(&source, "demo.toml").unwrap();
    assert_eq!(procedure.steps[0].look, "שני פרקי הידיים מכוסים \u{e9}");
    let phrase = edit("inner gloves on", "כפפות פנימיות cafe\u{301}");
    let procedure = parse(&phrase, "demo.toml").unwrap();
    assert_eq!(procedure.phrase(procedure.steps[0].read_back[0]).text, "כפפות פנימיות caf\u{e9}");
}
