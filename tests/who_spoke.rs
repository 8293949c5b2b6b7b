//! Whether two people spoke in a session, told afterwards, through the built program, on sessions that are rehearsed here.
//!
//! Synthetic voices are an easy case: one voice always sounds the same, and two were made to sound different. What people
//! come to is in docs/who-spoke.md.

mod common;

use antiphon::failure::ExitCode;
use antiphon::models::natural_voices;
use common::{models_without, run, run_with, text, write, SHORT};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// Two voices: natural ones, or where there are none the two of flite's that are farthest apart (rms and awb are neither
/// clearly one voice nor two to the network).
fn voices() -> [&'static str; 2] {
    match natural_voices() {
        Ok(_) => ["natural:am_michael", "natural:bf_emma"],
        Err(_) => ["flite:awb", "flite:slt"],
    }
}

struct Rehearsed {
    room: tempfile::TempDir,
}

impl Rehearsed {
    fn folder(&self, name: &str) -> PathBuf {
        self.room.path().join(name)
    }
}

/// Four sessions, made once: two people and one person in both parts, at one microphone and at two.
fn rehearsed() -> &'static Rehearsed {
    static MADE: OnceLock<Rehearsed> = OnceLock::new();
    MADE.get_or_init(|| {
        let room = tempfile::tempdir().unwrap();
        let procedure = write(room.path(), "short.toml", SHORT);
        let [worker, observer] = voices();
        for (name, observer, microphones) in [
            ("two-one", observer, &["--one-microphone"][..]),
            ("two-two", observer, &[]),
            ("alone-one", worker, &["--one-microphone"]),
            ("alone-two", worker, &[]),
        ] {
            let told = [
                "rehearse",
                text(&procedure),
                "--answer",
                "apron=yes",
                "--sessions",
                text(room.path()),
                "--id",
                name,
                "--worker-voice",
                worker,
                "--observer-voice",
                observer,
                "--same-voice",
                "off",
            ];
            run(&[&told[..], microphones].concat()).exits(ExitCode::Done);
        }
        Rehearsed { room }
    })
}

fn copy(of: &str) -> (tempfile::TempDir, PathBuf) {
    let room = tempfile::tempdir().unwrap();
    let folder = room.path().join(of);
    fs::create_dir(&folder).unwrap();
    for name in ["journal.jsonl", "audio.wav", "procedure.toml", "summary.json"] {
        fs::copy(rehearsed().folder(of).join(name), folder.join(name)).unwrap();
    }
    (room, folder)
}

/// The exit code and what was found.
fn found(folder: &Path) -> (i32, Value) {
    let ran = run(&["who-spoke", "--json", text(folder)]);
    (ran.code, serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}\n{ran}")))
}

#[test]
fn two_people_are_told_as_two_voices_at_one_microphone_and_at_two() {
    for name in ["two-one", "two-two"] {
        let (code, account) = found(&rehearsed().folder(name));
        assert_eq!(code, 0, "{account:#}");
        assert_eq!(account["summary"]["steps"], 4, "{account:#}");
        assert_eq!(account["summary"]["two_voices"], 4, "{account:#}");
    }
    let ran = run(&["who-spoke", text(&rehearsed().folder("two-one"))]);
    ran.exits(ExitCode::Done);
    for part in [
        "one shared microphone",
        "4 steps: 4 two voices",
        "proves nothing and accuses nobody",
        "Not measured",
    ] {
        assert!(ran.out.contains(part), "no {part:?} in\n{ran}");
    }
}

#[test]
fn one_person_in_both_parts_is_told_as_probably_one_with_exit_code_8() {
    for name in ["alone-one", "alone-two"] {
        let (code, account) = found(&rehearsed().folder(name));
        assert_eq!(code, ExitCode::NotCompleted as i32, "{account:#}");
        assert_eq!(account["summary"]["one_voice"], 4, "{account:#}");
    }
    let ran = run(&["who-spoke", text(&rehearsed().folder("alone-one"))]);
    ran.exits(ExitCode::NotCompleted);
    for part in [
        "probably one person spoke both parts in 4 of 4 steps",
        "* ",
        "sounds like the worker",
        "read-back +",
    ] {
        assert!(ran.out.contains(part), "no {part:?} in\n{ran}");
    }
}

#[test]
fn nothing_in_the_folder_is_changed() {
    let (_room, folder) = copy("alone-one");
    let list = || {
        let mut all: Vec<_> = fs::read_dir(&folder)
            .unwrap()
            .flatten()
            .map(|entry| (entry.file_name(), fs::read(entry.path()).unwrap()))
            .collect();
        all.sort();
        all
    };
    let before = list();
    found(&folder);
    assert!(before == list());
}

#[test]
fn a_person_who_was_taken_out_and_sound_that_ends_early_cant_be_told_and_are_no_suspicion() {
    let (_room, folder) = copy("alone-two");
    run(&["redact", text(&folder), "--who", "observer", "--yes"]).exits(ExitCode::Done);
    let (code, account) = found(&folder);
    assert_eq!((code, &account["summary"]["cant_tell"]), (0, &4.into()), "{account:#}");
    assert_eq!(account["steps"][0]["why"], "the confirmation: there is no sound");

    // As after a power cut: the journal goes on where the sound has ended.
    let (_room, folder) = copy("alone-one");
    let sound = fs::read(folder.join("audio.wav")).unwrap();
    fs::write(folder.join("audio.wav"), &sound[..sound.len() / 2]).unwrap();
    let (_, account) = found(&folder);
    let why: Vec<&str> =
        account["steps"].as_array().unwrap().iter().filter_map(|step| step["why"].as_str()).collect();
    assert!(!why.is_empty() && why.len() < 4, "{account:#}");
    assert!(why.iter().all(|why| *why == "the confirmation: the recorded sound ends before it"), "{why:?}");
}

#[test]
fn a_record_that_was_altered_or_has_no_sound_is_refused() {
    let (room, folder) = copy("two-one");
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    fs::write(folder.join("journal.jsonl"), journal.replacen("accepted", "rejected", 1)).unwrap();
    run(&["who-spoke", text(&folder)]).exits(ExitCode::BadFolder).says(&["sha256", "antiphon verify"]);
    fs::write(folder.join("journal.jsonl"), journal).unwrap();
    fs::remove_file(folder.join("audio.wav")).unwrap();
    run(&["who-spoke", text(&folder)]).exits(ExitCode::BadFolder).says(&["audio.wav"]);
    run(&["who-spoke", text(&room.path().join("none"))])
        .exits(ExitCode::BadFolder)
        .says(&["no journal.jsonl"]);
}

#[test]
fn without_the_network_or_with_another_the_way_to_get_it_is_told_and_sessions_need_none() {
    const WEIGHTS: &str = "campplus.safetensors";
    let models = models_without(WEIGHTS);
    let variables = [("ANTIPHON_MODELS", models.path())];
    let session = rehearsed().folder("two-one");
    let told = ["who-spoke", text(&session)];
    run_with(&told, &variables).exits(ExitCode::MissingModel).says(&[WEIGHTS, "models/setup.sh"]);
    let procedure = rehearsed().folder("short.toml");
    let rehearse = ["rehearse", text(&procedure), "--sessions", text(models.path()), "--id", "without"];
    run_with(&rehearse, &variables).exits(ExitCode::Done);
    write(models.path(), WEIGHTS, b"something else");
    run_with(&told, &variables).exits(ExitCode::MissingModel).says(&[
        WEIGHTS,
        "not the file that was measured",
        "models/setup.sh",
    ]);
}

/// While a session runs at one microphone: one voice in both parts is asked again, then held, at each step; two voices are not.
#[test]
fn one_voice_in_both_parts_is_asked_again_and_held_while_the_session_runs_and_two_voices_are_not() {
    let room = tempfile::tempdir().unwrap();
    let procedure = write(room.path(), "short.toml", SHORT);
    let [one, other] = voices();
    let rehearse = |id: &str, observer: &str| {
        run(&[
            "rehearse",
            text(&procedure),
            "--plain",
            "--one-microphone",
            "--answer",
            "apron=yes",
            "--sessions",
            text(room.path()),
            "--id",
            id,
            "--worker-voice",
            one,
            "--observer-voice",
            observer,
        ])
    };
    let journal = |id: &str| fs::read_to_string(room.path().join(id).join("journal.jsonl")).unwrap();
    let ran = rehearse("two", other);
    ran.exits(ExitCode::Done);
    assert!(ran.err.contains("voices are compared") || ran.out.contains("voices are compared"), "{ran}");
    assert!(!journal("two").contains("same-voice"), "{ran}");

    let ran = rehearse("alone", one);
    let alone = journal("alone");
    let times = |time: u32| alone.matches(&format!(r#""note":"same-voice","step":0,"time":{time}"#)).count();
    assert_eq!([times(1), times(2), times(3)], [1, 1, 1], "{ran}");
    assert!(alone.contains(r#""note":"held","why":"same-voice""#), "{alone}");
    assert!(alone.contains("That sounded like the worker.") && alone.contains("voices are compared"));
    assert!(ran.out.contains("sounds like the worker's voice"), "{ran}");
    run(&["verify", text(&room.path().join("alone"))]).exits(ExitCode::Done);
    run(&["debrief", text(&room.path().join("alone"))]).exits(ExitCode::Done);
    let page = fs::read_to_string(room.path().join("alone/debrief.html")).unwrap();
    assert!(
        page.contains("sounds like the worker&#39;s voice")
            || page.contains("sounds like the worker's voice")
    );

    // Without the network a session runs and says so, unless it is required.
    let models = models_without("campplus.safetensors");
    let without = |more: &[&str]| {
        let all = ["rehearse", text(&procedure), "--plain", "--one-microphone", "--answer", "apron=yes"];
        let all = [&all[..], &["--sessions", text(room.path())], more].concat();
        run_with(&all, &[("ANTIPHON_MODELS", models.path())])
    };
    let ran = without(&["--id", "without"]);
    ran.exits(ExitCode::Done);
    assert!(journal("without").contains("voices are not compared, and one person could do both parts"));
    without(&["--same-voice", "required"]).exits(ExitCode::MissingModel).says(&["campplus", "setup.sh"]);
}
