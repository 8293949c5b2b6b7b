//! Procedures, phrase lists and scripts that are wrong.

use crate::common::{antiphon, edited, ran, run, text, write, SHORT};
use antiphon::failure::ExitCode;
use std::path::Path;

/// Rehearses a procedure that must be refused, and checks that no session was begun.
#[track_caller]
fn refused(source: &str, more: &[&str], fragments: &[&str]) {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "bad.toml", source);
    let sessions = room.path().join("sessions");
    let mut arguments = vec!["rehearse", text(&file), "--sessions", text(&sessions)];
    arguments.extend_from_slice(more);
    let ran = run(&arguments);
    ran.exits(ExitCode::BadProcedure).says(fragments);
    assert_eq!(ran.err.matches("antiphon: ").count(), 1, "one message\n{ran}");
    assert_eq!(ran.out, "", "nothing on standard output");
    assert!(!sessions.exists(), "a session was begun");
}

/// As `refused`, for one replacement, whose line must be named.
#[track_caller]
fn refused_edit(from: &str, to: &str, column: usize, fragments: &[&str]) {
    let (source, line) = edited(from, to);
    let place = format!("bad.toml:{line}:{column}: ");
    let mut all = vec![place.as_str()];
    all.extend_from_slice(fragments);
    refused(&source, &[], &all);
}

#[test]
fn a_misspelt_key_is_named_with_its_line_and_the_right_one() {
    refused_edit(
        "look = \"both hands",
        "lok = \"both hands",
        1,
        &["[[step]] has no key `lok`", "did you mean `look`?"],
    );
}

#[test]
fn a_value_of_the_wrong_type_is_named_with_what_it_should_be() {
    refused_edit(
        "at_least_s = 8",
        "at_least_s = \"8\"",
        14,
        &["`at_least_s` must be a number", "write it without quotes"],
    );
}

#[test]
fn an_id_used_twice_names_both_lines() {
    let (_, first) = edited("id = \"gloves\"", "");
    let earlier = format!("line {first} has it already");
    refused_edit("id = \"hood\"", "id = \"gloves\"", 6, &["the step id `gloves` is used twice", &earlier]);
}

#[test]
fn a_condition_on_a_question_that_is_not_asked_is_refused() {
    refused_edit(
        "when = { apron",
        "when = { aprn",
        10,
        &["there is no question `aprn`", "did you mean `apron`?"],
    );
}

#[test]
fn an_empty_phrase_is_refused() {
    refused_edit("confirm = \"chin and neck enclosed\"", "confirm = \" ... \"", 11, &["the phrase is empty"]);
}

#[test]
fn the_same_words_twice_for_one_person_are_refused() {
    refused_edit(
        "read_back = \"hood reaches my shoulders\"",
        "read_back = \"Inner gloves are ON!\"",
        13,
        &["inner gloves are on", "read-back of step `gloves`"],
    );
}

#[test]
fn a_file_that_is_not_toml_is_refused_with_its_line() {
    refused_edit("id = \"hood\"", "id = hood", 6, &[]);
}

#[test]
fn every_problem_is_told_at_once() {
    let source = SHORT.replace("look = ", "lok = ");
    refused(&source, &[], &["8 problems", "[[step]] has no key `lok`", "[[step]] has no `look`"]);
}

#[test]
fn a_procedure_that_is_not_there_is_named() {
    let ran = run(&["rehearse", "/nonexistent/none.toml"]);
    ran.exits(ExitCode::BadProcedure).says(&["/nonexistent/none.toml", "can't be read", "No such file"]);
}

#[test]
fn the_same_words_for_both_people_are_refused_on_a_shared_microphone_and_only_there() {
    let (source, line) =
        edited("confirm = \"chin and neck enclosed\"", "confirm = \"hood reaches my shoulders\"");
    let place = format!("bad.toml:{line}:");
    refused(&source, &["--one-microphone"], &[&place, "is a phrase of both people", "share one microphone"]);

    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "fine.toml", &source);
    let arguments = ["rehearse", text(&file), "--sessions", text(room.path()), "--limit", "0"];
    run(&arguments).exits(ExitCode::NotCompleted);
}

#[test]
fn a_word_the_engine_does_not_know_is_named_with_its_place_and_how_to_add_it_and_then_it_works() {
    let (source, line) = edited("read_back = \"hood reaches", "read_back = \"zibble reaches");
    let place = format!("bad.toml:{line}:");
    refused(
        &source,
        &[],
        &[&place, "\"zibble\"", "\"zibble reaches my shoulders\"", "[pronounce]", "zibble = \"", "ARPAbet"],
    );

    let room = tempfile::tempdir().expect("a temporary folder");
    let source = source.replacen("[rules]", "[pronounce]\nzibble = \"Z IH B AH L\"\n\n[rules]", 1);
    let file = write(room.path(), "fine.toml", &source);
    let answer = ["--answer", "apron=no", "--id", "it"];
    let mut arguments = vec!["rehearse", text(&file), "--sessions", text(room.path())];
    arguments.extend_from_slice(&answer);
    run(&arguments).exits(ExitCode::Done);
}

#[test]
fn a_wrong_sound_in_a_pronunciation_is_refused_where_it_stands() {
    let (source, line) = edited("[rules]", "[pronounce]\nzibble = \"Z IH QX AH L\"\n\n[rules]");
    let place = format!("bad.toml:{}:", line + 1);
    refused(&source, &[], &[&place, "QX"]);
}

#[test]
fn a_script_with_a_step_the_procedure_does_not_have_is_refused_with_its_line() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let script =
        "[answers]\napron = \"no\"\n\n[[slip]]\nstep = \"gloves\"\nwho = \"worker\"\nkind = \"wrong\"\n\n\
                  [[slip]]\nstep = \"glvoes\"\nwho = \"worker\"\nkind = \"wrong\"\n";
    scripted(room.path(), script, &["slips.toml:9:1: ", "no step or question \"glvoes\""]);
}

#[test]
fn a_script_with_an_answer_the_question_does_not_have_is_refused_and_the_answers_are_listed() {
    let room = tempfile::tempdir().expect("a temporary folder");
    scripted(
        room.path(),
        "[answers]\napron = \"perhaps\"\n",
        &["slips.toml:2:", "\"perhaps\"", "it asks: apron = yes or no"],
    );
}

#[test]
fn a_script_with_an_unknown_kind_of_slip_or_key_is_refused_with_its_line() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let slip = "[[slip]]\nstep = \"rub\"\nwho = \"worker\"\nkind = \"sneeze\"\n";
    scripted(room.path(), slip, &["slips.toml:4:8: ", "sneeze", "chatter"]);
    scripted(room.path(), "[answer]\napron = \"no\"\n", &["slips.toml:1:2: ", "answer"]);
}

#[test]
fn a_script_in_which_the_worker_refuses_is_refused() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let slip = "[[slip]]\nstep = \"rub\"\nwho = \"worker\"\nkind = \"refusal\"\n";
    scripted(room.path(), slip, &["slips.toml:1:1: ", "only the observer refuses"]);
}

#[track_caller]
fn scripted(room: &Path, script: &str, fragments: &[&str]) {
    let procedure = write(room, "fine.toml", SHORT);
    let script = write(room, "slips.toml", script);
    let sessions = room.join("sessions");
    let ran = run(&["rehearse", text(&procedure), "--script", text(&script), "--sessions", text(&sessions)]);
    ran.exits(ExitCode::BadProcedure).says(fragments);
    assert!(!sessions.exists(), "a session was begun");
}

#[test]
fn a_phrase_list_with_mistakes_names_every_one_with_its_line() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let list = "# phrases\ngown is on\n\nwait 20 seconds\ngown is on\n";
    let list = write(room.path(), "phrases.txt", list);
    let ran = run(&["hear", "--phrases", text(&list), "/nonexistent.wav"]);
    ran.exits(ExitCode::BadProcedure).says(&[
        "phrases.txt:4:1: \"wait 20 seconds\" is no phrase",
        "write the number as words",
        "phrases.txt:5:1: the phrase \"gown is on\" is listed twice",
    ]);
}

#[test]
fn an_empty_phrase_list_is_refused() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let list = write(room.path(), "phrases.txt", "# nothing yet\n");
    let ran = run(&["hear", "--phrases", text(&list), "/nonexistent.wav"]);
    ran.exits(ExitCode::BadProcedure).says(&["phrases.txt: no phrases in it", "one phrase a line"]);
}

#[test]
fn a_word_of_a_phrase_list_the_engine_does_not_know_is_named_and_can_be_given_there() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let silence = room.path().join("silence.wav");
    crate::common::wav(&silence, crate::common::spec(16_000, 16, 1), &[0; 16_000], |v, _| i32::from(v));
    let list = write(room.path(), "phrases.txt", "gown is on\nzibble is on\n");
    let ran = run(&["hear", "--phrases", text(&list), text(&silence)]);
    ran.exits(ExitCode::BadProcedure).says(&["phrases.txt:2:1: ", "\"zibble\"", "\"zibble is on\""]);

    let list = write(room.path(), "phrases.txt", "gown is on\nzibble is on\nzibble = Z IH B AH L\n");
    let heard = ran_in(room.path(), &["hear", "--phrases", text(&list), text(&silence)]);
    assert_eq!(heard.exits(ExitCode::Done).json_lines()[0]["verdict"], "ignored");
}

fn ran_in(folder: &Path, arguments: &[&str]) -> crate::common::Ran {
    ran(antiphon(arguments).current_dir(folder))
}
