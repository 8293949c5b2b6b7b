//! Recorded sessions through today's listening, through the built program; and `play` without a sound device.

mod common;

use antiphon::failure::ExitCode;
use common::{antiphon, ran, run, text, write, SHORT};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// A rehearsal with slips, made once.
fn original() -> &'static Path {
    static MADE: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    &MADE
        .get_or_init(|| {
            let room = tempfile::tempdir().unwrap();
            let procedure = write(room.path(), "short.toml", SHORT);
            let slips = "[answers]\napron = \"no\"\n[[slip]]\nstep = \"gloves\"\nwho = \"worker\"\nkind = \"wrong\"\n\
                         say = \"hood reaches my shoulders\"\n[[slip]]\nstep = \"hood\"\nwho = \"worker\"\nkind = \"chatter\"\n";
            let script = write(room.path(), "slips.toml", slips);
            let ran = run(&[
                "rehearse", text(&procedure), "--script", text(&script), "--sessions", text(room.path()), "--id", "one",
                "--who", "worker=w7", "--who", "observer=o2", "--debrief",
            ]);
            ran.exits(ExitCode::Done);
            let page = ran.out.lines().last().and_then(|line| line.strip_prefix("debrief: ")).expect("the page's name");
            assert!(Path::new(page).is_file(), "{ran}");
            let folder = room.path().join("one");
            (room, folder)
        })
        .1
}

fn copy() -> (tempfile::TempDir, PathBuf) {
    let room = tempfile::tempdir().unwrap();
    let folder = room.path().join("one");
    fs::create_dir(&folder).unwrap();
    for name in ["journal.jsonl", "audio.wav", "procedure.toml", "summary.json"] {
        fs::copy(original().join(name), folder.join(name)).unwrap();
    }
    (room, folder)
}

fn json(arguments: &[&str]) -> (i32, Value) {
    let ran = run(&[&["relisten", "--json"], arguments].concat());
    (ran.code, serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}\n{ran}")))
}

#[test]
fn a_rehearsal_heard_again_by_the_same_program_is_taken_for_the_same_and_bad_records_are_left_out() {
    let (room, altered) = copy();
    let journal = fs::read_to_string(altered.join("journal.jsonl")).unwrap();
    fs::write(altered.join("journal.jsonl"), journal.replacen("accepted", "rejected", 1)).unwrap();
    let none = room.path().join("none");
    let (code, outcome) = json(&["--all", text(&altered), text(original()), text(&none)]);
    assert_eq!(code, 0, "{outcome}");
    assert_eq!(outcome["left_out"].as_array().unwrap().len(), 2, "{outcome}");
    assert_eq!((&outcome["sessions"], &outcome["differ"]), (&1.into(), &0.into()));
    let tracks = outcome["tracks"].as_array().unwrap();
    assert_eq!(tracks.len(), 2);
    for pair in tracks.iter().flat_map(|track| track["pairs"].as_array().unwrap()) {
        assert_eq!(pair["then"], pair["now"], "{pair}");
    }
    assert!(outcome["utterances"].as_u64().unwrap() >= 8);
    // The ids given are in the record.
    let summary = fs::read_to_string(original().join("summary.json")).unwrap();
    assert!(summary.contains("\"worker\": \"w7\""));
}

#[test]
fn sound_that_is_gone_is_a_difference_for_each_phrase_and_exit_code_8() {
    let (_room, folder) = copy();
    let path = folder.join("audio.wav");
    let reader = hound::WavReader::open(&path).unwrap();
    let spec = reader.spec();
    let samples: Vec<i16> = reader.into_samples().map(Result::unwrap).collect();
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for (n, sample) in samples.into_iter().enumerate() {
        writer.write_sample(if n % 3 == 0 { 0 } else { sample }).unwrap();
    }
    writer.finalize().unwrap();
    let (code, outcome) = json(&[text(&folder)]);
    assert_eq!(code, ExitCode::NotCompleted as i32);
    let pairs = |post: usize| outcome["tracks"][post]["pairs"].as_array().unwrap();
    assert!(pairs(0).iter().all(|pair| pair["now"].is_null()), "{outcome}");
    assert!(pairs(1).iter().all(|pair| pair["now"] == pair["then"]), "{outcome}");
}

#[test]
fn todays_procedure_may_stand_for_the_one_of_then() {
    let room = tempfile::tempdir().unwrap();
    let changed = SHORT.replace("chin and neck enclosed", "nothing shows at all");
    let changed = write(room.path(), "changed.toml", changed);
    let (code, outcome) = json(&["--procedure", text(&changed), text(original())]);
    assert_eq!(code, ExitCode::NotCompleted as i32);
    let differing: Vec<&Value> = outcome["tracks"][1]["pairs"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|pair| pair["then"]["phrase"] == "chin and neck enclosed")
        .collect();
    assert!(
        !differing.is_empty() && differing.iter().all(|pair| pair["now"]["verdict"] != "accepted"),
        "{outcome}"
    );
}

#[test]
fn a_record_that_was_altered_or_has_no_sound_is_refused() {
    let (room, folder) = copy();
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    fs::write(folder.join("journal.jsonl"), journal.replacen("accepted", "rejected", 1)).unwrap();
    run(&["relisten", text(&folder)]).exits(ExitCode::BadFolder).says(&["sha256", "antiphon verify"]);
    let none = room.path().join("none");
    run(&["relisten", text(&none)]).exits(ExitCode::BadFolder).says(&["no journal.jsonl"]);
    fs::write(folder.join("journal.jsonl"), journal).unwrap();
    fs::remove_file(folder.join("audio.wav")).unwrap();
    run(&["relisten", text(&folder)]).exits(ExitCode::BadFolder).says(&["audio.wav"]);
}

#[test]
fn play_says_what_is_wrong_before_it_opens_a_loudspeaker_and_when_there_is_none() {
    let folder = text(original());
    run(&["play", folder, "--step", "sail"])
        .exits(ExitCode::Usage)
        .says(&["not done in this session", "gloves"]);
    run(&["play", folder, "--track", "cook"]).exits(ExitCode::Usage).says(&["worker, observer, tool"]);
    run(&["play", folder, "--from", "59:00"]).exits(ExitCode::Usage).says(&["after the end"]);
    // No sound server, and nothing of ALSA's that leads anywhere.
    let empty = tempfile::tempdir().unwrap();
    let conf = write(empty.path(), "asound.conf", "");
    let mut command = antiphon(&["play", folder, "--step", "gloves"]);
    command.env("PULSE_SERVER", "unix:/nonexistent").env("XDG_RUNTIME_DIR", empty.path());
    command.env("ALSA_CONFIG_PATH", conf);
    ran(&mut command).exits(ExitCode::NoDevice).says(&["antiphon debrief"]);
}
