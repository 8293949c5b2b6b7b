//! `new` in a terminal: the questions, and answers that can't be used. The terminal is that of `script` (util-linux).

use crate::common::{models_without, run, text};
use antiphon::failure::ExitCode;
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};

/// Answers each question once it is there, and gives what was shown. There are no natural voices, which would ask once
/// more about a phrase that one of them is not heard with.
fn asked(folder: &Path, file: &str, answers: &[(&str, &str)]) -> String {
    let models = models_without("kokoro-voices");
    let mut child = Command::new("script")
        .args(["-qefc", &format!("{} new {file}", env!("CARGO_BIN_EXE_antiphon")), "/dev/null"])
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .env("ANTIPHON_MODELS", models.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("script is a part of every Debian");
    let mut keys = child.stdin.take().expect("it was piped");
    let mut screen = child.stdout.take().expect("it was piped");
    let (mut shown, mut from) = (Vec::new(), 0);
    for (question, answer) in answers {
        loop {
            let seen = String::from_utf8_lossy(&shown[from..]).into_owned();
            if seen.contains(question) {
                break;
            }
            let mut piece = [0; 4096];
            let count = screen.read(&mut piece).expect("the screen can be read");
            assert!(
                count > 0,
                "it ended before {question:?} was asked:\n{}",
                String::from_utf8_lossy(&shown)
            );
            shown.extend_from_slice(&piece[..count]);
        }
        from = shown.len();
        keys.write_all(format!("{answer}\r").as_bytes()).expect("it still asks");
    }
    screen.read_to_end(&mut shown).expect("the screen can be read");
    drop(keys);
    assert!(child.wait().expect("it ends").success(), "{}", String::from_utf8_lossy(&shown));
    String::from_utf8_lossy(&shown).into_owned()
}

#[test]
fn an_answer_that_can_t_be_used_is_asked_again_at_once_and_costs_no_other() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let shown = asked(
        room.path(),
        "gown.toml",
        &[
            ("What is it called?", "Gown"),
            ("Short name for files", "my gown"),
            ("the procedure's id can't be `my gown`", "gown"),
            ("Where is it done?", ""),
            ("Step 1: what is the worker told?", "Put on the gown."),
            ("the worker then says", "done"),
            ("too short to be heard surely", "carry on"),
            ("is used twice: it is also the call `carry-on`", "gown reaches my knees"),
            ("where does the observer look?", "it is closed at the back"),
            ("the observer then says", "gown reaches 2 knees"),
            ("the phrase has digits: `2`", "back is closed up"),
            ("Step 2: what is the worker told?", "Put on the gloves."),
            ("the worker then says", "gown reaches my knees"),
            ("is used twice: it is also the read-back of step `step-1`", "inner gloves are on"),
            ("where does the observer look?", "both wrists are covered"),
            ("the observer then says", "i see wrists protected"),
            ("Step 3: what is the worker told?", ""),
        ],
    );
    assert!(shown.contains("written: gown.toml") && shown.contains("next: "), "{shown}");
    assert_eq!(shown.matches("note: phrases are not tried with voices").count(), 1, "{shown}");
    let file = room.path().join("gown.toml");
    run(&["lint", text(&file), "--fail-on", "error"]).exits(ExitCode::Done);
    let (procedure, _) = antiphon::procedure::parse::load(&file).unwrap();
    let texts: Vec<&str> = procedure.phrases.iter().map(|phrase| phrase.text.as_str()).collect();
    for words in
        ["gown reaches my knees", "back is closed up", "inner gloves are on", "i see wrists protected"]
    {
        assert!(texts.contains(&words), "{words} is not in {texts:?}");
    }
}
