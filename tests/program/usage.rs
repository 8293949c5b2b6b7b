//! The command line itself, missing models, and an interruption.

use crate::common::{antiphon, needed, ran, run, text, write, SHORT};
use crate::rehearsals::root;
use antiphon::failure::ExitCode;
use antiphon::record::read::{self, Tail};
use antiphon::record::verify::{verify, State};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

#[test]
fn a_wrong_command_line_exits_with_2_and_says_what_is_wrong() {
    for (arguments, fragment) in [
        (&["rehearse", "x.toml", "--sed", "7"][..], "unexpected argument '--sed'"),
        (&["rehears"], "unrecognized subcommand 'rehears'"),
        (&[], "Usage:"),
        (&["rehearse"], "<PROCEDURE>"),
        (&["rehearse", "x.toml", "--seed", "seven"], "invalid value 'seven'"),
        (&["rehearse", "x.toml", "--noise", "rain:5"], "kinds: white, pink, fan"),
        (&["rehearse", "x.toml", "--noise", "fan"], "write KIND:SNR"),
        (&["rehearse", "x.toml", "--voice", "flite:../x"], "can't be the name of a voice"),
        (&["rehearse", "x.toml", "--answer", "apron"], "write ID=VALUE"),
        (&["run", "x.toml", "--in", "a.wav", "--mic", "b"], "cannot be used with"),
        (&["hear", "x.wav"], "--phrases"),
    ] {
        run(arguments).exits(ExitCode::Usage).says(&[fragment]);
    }
}

#[test]
fn an_answer_the_procedure_does_not_know_is_refused() {
    let procedure = root().join("short.toml");
    let ran = run(&["rehearse", text(&procedure), "--answer", "apron=perhaps", "--limit", "0"]);
    ran.exits(ExitCode::Usage).says(&["--answer apron=perhaps: no such question or answer"]);
}

#[test]
fn a_voice_that_is_not_there_is_named_with_those_that_are() {
    let procedure = root().join("short.toml");
    let ran = run(&["rehearse", text(&procedure), "--voice", "flite:nobody", "--limit", "0"]);
    ran.exits(ExitCode::NoDevice).says(&["flite:nobody is not a voice", "slt"]);
}

#[test]
fn help_names_every_exit_code_and_exits_with_0() {
    let ran = run(&["--help"]);
    ran.exits(ExitCode::Done);
    for (code, words) in ExitCode::TABLE {
        assert!(ran.out.contains(&format!("{:>2}  {words}", *code as i32)), "{words}");
    }
    for command in ["run", "rehearse", "hear", "devices", "verify", "completions"] {
        run(&[command, "--help"]).exits(ExitCode::Done);
    }
}

#[test]
fn missing_models_say_where_they_were_looked_for_and_how_to_get_them() {
    let procedure = root().join("short.toml");
    let list = write(root(), "one.txt", "gown is on\n");
    for arguments in [
        &["rehearse", text(&procedure), "--limit", "0"][..],
        &["run", text(&procedure), "--in", "none.wav"],
        &["hear", "--phrases", text(&list), "none.wav"],
    ] {
        let ran = ran(antiphon(arguments).env("ANTIPHON_MODELS", "/nonexistent"));
        ran.exits(ExitCode::MissingModel).says(&["/nonexistent", "models/setup.sh"]);
    }
    let arguments =
        ["hear", "--phrases", text(&list), "--engine", "vosk", "--model", "/nonexistent", "none.wav"];
    run(&arguments).exits(ExitCode::MissingModel).says(&["/nonexistent", "--model"]);
}

#[test]
fn started_from_another_folder_and_without_cargo_it_finds_its_models() {
    let room = tempfile::tempdir().expect("a temporary folder");
    write(room.path(), "short.toml", SHORT);
    let arguments = ["rehearse", "short.toml", "--limit", "0", "--sessions", "kept", "--id", "it"];
    let mut command = antiphon(&arguments);
    let ran = ran(command.current_dir(room.path()).env_remove("CARGO_MANIFEST_DIR"));
    ran.exits(ExitCode::NotCompleted);
    assert_eq!(verify(&room.path().join("kept/it")).expect("the session is there").state, State::Sound);
}

#[test]
fn a_session_out_of_time_ends_and_its_record_is_whole() {
    let procedure = root().join("short.toml");
    let ran =
        run(&["rehearse", text(&procedure), "--sessions", text(root()), "--id", "limit", "--limit", "0"]);
    ran.exits(ExitCode::NotCompleted);
    assert!(ran.out.contains("A short one: input-ended"), "{ran}");
    assert_eq!(verify(&root().join("limit")).expect("it can be read").state, State::Sound);
}

#[test]
fn an_interrupted_session_closes_its_record_and_exits_as_not_completed() {
    needed("/bin/kill", "procps");
    let long = concat!(env!("CARGO_MANIFEST_DIR"), "/procedures/isolation-donning.toml");
    let mut child = Command::new(assert_cmd::cargo::cargo_bin("antiphon"))
        .args(["rehearse", long, "--sessions", text(root()), "--id", "interrupted"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let folder = root().join("interrupted");
    let began = Instant::now();
    let lines = || read::read(&folder.join("journal.jsonl")).map_or(0, |reading| reading.lines.len());
    while lines() < 20 {
        assert!(began.elapsed() < Duration::from_secs(100), "no session after {:?}", began.elapsed());
        std::thread::sleep(Duration::from_millis(20));
    }
    let killed = Command::new("/bin/kill").args(["-INT", &child.id().to_string()]).status();
    assert!(killed.is_ok_and(|status| status.success()));
    let status = child.wait().expect("the program ends");
    assert_eq!(status.code(), Some(ExitCode::NotCompleted as i32));
    assert_eq!(read::read(&folder.join("journal.jsonl")).expect("it can be read").tail, Tail::Whole);
    let summary = std::fs::read_to_string(folder.join("summary.json")).expect("there is a summary");
    assert!(summary.contains("\"outcome\": \"interrupted\""), "{summary}");
    assert_eq!(verify(&folder).expect("it can be read").state, State::Sound);
}
