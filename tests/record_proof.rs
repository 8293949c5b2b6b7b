//! What a record proves when it was cut off, stands under another name, or says two things; and closing it later.

mod common;
mod debrief_support;

use antiphon::conduct::replay::replay;
use antiphon::failure::ExitCode;
use antiphon::procedure::parse::parse;
use antiphon::record::chain::CHECK_BY_HAND;
use antiphon::record::read::{read, Line};
use common::{can_trace, killed_at, run, text, tool, SHORT};
use debrief_support::play;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// One whole session, made once.
fn original() -> &'static Path {
    static MADE: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    &MADE
        .get_or_init(|| {
            let room = tempfile::tempdir().unwrap();
            let folder = play(room.path(), "one", SHORT, &[]).folder;
            (room, folder)
        })
        .1
}

/// A copy of it, under its name, to do something to.
fn copy() -> (tempfile::TempDir, PathBuf) {
    let room = tempfile::tempdir().unwrap();
    tool("cp", &["-r", text(original()), text(room.path())]);
    let folder = room.path().join("one");
    (room, folder)
}

fn lines(folder: &Path) -> Vec<Line> {
    read(&folder.join("journal.jsonl")).unwrap().lines
}

/// The same as a session that was killed: its journal ends a little after its second digest of the sound, in the middle of a
/// line.
fn cut() -> (tempfile::TempDir, PathBuf) {
    let (room, folder) = copy();
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    let all: Vec<&str> = journal.split_inclusive('\n').collect();
    let second = all.iter().enumerate().filter(|(_, line)| line.contains(r#""kind":"sound""#)).nth(1);
    let (second, _) = second.expect("the session has 20 s of sound");
    let kept = all[..second + 3].concat() + &all[second + 3][..30];
    fs::write(folder.join("journal.jsonl"), kept).unwrap();
    fs::remove_file(folder.join("summary.json")).unwrap();
    (room, folder)
}

fn verified(folder: &Path) -> Value {
    let ran = run(&["verify", text(folder), "--json"]);
    serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}\n{ran}"))
}

#[track_caller]
fn assert_found(folder: &Path, state: &str, what: &str) -> Value {
    let found = verified(folder);
    assert_eq!(found["state"], state, "{found:#}");
    assert!(found["findings"].to_string().contains(what), "no {what:?} in {found:#}");
    found
}

/// Bytes before the first sample, and of one sample of all tracks.
fn sound_of(folder: &Path) -> (Vec<u8>, usize, usize) {
    let bytes = fs::read(folder.join("audio.wav")).unwrap();
    let begins = bytes.windows(4).position(|four| four == b"data").unwrap() + 8;
    let tracks = hound::WavReader::open(folder.join("audio.wav")).unwrap().spec().channels;
    (bytes, begins, 2 * usize::from(tracks))
}

#[test]
fn every_ten_seconds_the_journal_has_the_sounds_digest_as_other_tools_take_it() {
    let (bytes, begins, frame) = sound_of(original());
    let stated: Vec<Line> = lines(original()).into_iter().filter(|line| line.kind == "sound").collect();
    let seconds = (bytes.len() - begins) / frame / 16_000;
    assert_eq!(stated.len(), seconds / 10, "{seconds} s");
    for (n, line) in stated.iter().enumerate() {
        assert_eq!(line.body["frames"], 160_000 * (n + 1));
        let of =
            format!("tail -c +{} audio.wav | head -c {} | sha256sum", begins + 1, 160_000 * (n + 1) * frame);
        let output = Command::new("sh").args(["-c", &of]).current_dir(original()).output().unwrap();
        assert_eq!(line.body["sha256"].as_str().unwrap().as_bytes(), &output.stdout[..64]);
    }
}

#[test]
fn what_proves_the_sound_changes_nothing_of_what_is_folded_from_the_journal() {
    let procedure = parse(SHORT, "short.toml").unwrap();
    let with = lines(original());
    let without: Vec<Line> = with.iter().filter(|line| line.kind != "sound").cloned().collect();
    assert!(without.len() + 2 <= with.len());
    assert_eq!(replay(&with, &procedure), replay(&without, &procedure));
    let session = antiphon::debrief::load::load(original()).unwrap();
    assert!(session.report.marks.iter().all(|mark| mark.kind != "sound"), "{:?}", session.report.marks);
}

#[test]
fn a_record_that_is_cut_off_proves_its_sound_up_to_the_last_digest() {
    let (_room, folder) = cut();
    let found = assert_found(&folder, "cut-off", "proved by the journal up to 20.0 s");
    assert_eq!(found["audio"]["proved_s"], 20.0);
    let ran = run(&["verify", text(&folder)]);
    assert!(ran.out.contains("proved up to 0:20"), "{ran}");
}

#[test]
fn other_sound_of_the_same_length_in_a_record_that_is_cut_off_is_altered() {
    let (_room, folder) = cut();
    let (bytes, begins, frame) = sound_of(&folder);
    // One bit of one sample; then all of it.
    for (from, to, told) in [
        (159_999, 160_000, "the sound between 0.0 s and 10.0 s is not what was recorded"),
        (160_000, 160_001, "the sound between 10.0 s and 20.0 s is not what was recorded"),
        (0, 320_000, "the sound between 0.0 s and 10.0 s is not what was recorded"),
    ] {
        let mut other = bytes.clone();
        other[begins + from * frame..begins + to * frame].iter_mut().for_each(|byte| *byte ^= 1);
        fs::write(folder.join("audio.wav"), other).unwrap();
        assert_found(&folder, "altered", told);
    }
    let mut later = bytes.clone();
    later[begins + 320_000 * frame] ^= 1;
    fs::write(folder.join("audio.wav"), later).unwrap();
    assert_found(&folder, "cut-off", "proved by the journal up to 20.0 s");
    fs::remove_file(folder.join("audio.wav")).unwrap();
    assert_found(&folder, "altered", "is missing, though the journal has its digests");
}

#[test]
fn what_a_power_cut_may_take_is_cut_off_and_more_than_that_is_altered() {
    let (_room, folder) = cut();
    let (bytes, begins, frame) = sound_of(&folder);
    let keep =
        |frames: usize| fs::write(folder.join("audio.wav"), &bytes[..begins + frames * frame]).unwrap();
    keep(320_000);
    assert_found(&folder, "cut-off", "up to 20.0 s of 20.0 s");
    keep(320_000 - 48_000);
    assert_found(&folder, "cut-off", "3.0 s of sound are gone that were on the disk");
    keep(320_000 - 48_001);
    assert_found(&folder, "altered", "of sound are gone that were on the disk");
    keep(160_000 - 1);
    let found = assert_found(&folder, "altered", "10.0 s of sound are gone");
    assert_eq!(found["audio"]["proved_s"], 0.0);
}

#[test]
fn a_person_taken_out_of_a_record_that_is_cut_off_leaves_digests_that_fit_the_sound_that_is_left() {
    let (_room, folder) = cut();
    run(&["redact", text(&folder), "--who", "worker", "--yes"]).exits(ExitCode::Done);
    let found = assert_found(&folder, "cut-off", "the worker was taken out");
    assert_eq!(found["audio"]["proved_s"], 20.0);
    let (mut bytes, begins, _) = sound_of(&folder);
    bytes[begins] ^= 1;
    fs::write(folder.join("audio.wav"), bytes).unwrap();
    assert_found(&folder, "altered", "is not what was recorded");
    // Where the sound was shorter than its digests nothing is vouched for that is not there.
    let (_room, folder) = cut();
    let (bytes, begins, frame) = sound_of(&folder);
    fs::write(folder.join("audio.wav"), &bytes[..begins + 300_000 * frame]).unwrap();
    run(&["redact", text(&folder), "--who", "worker", "--yes"]).exits(ExitCode::Done);
    let found = assert_found(&folder, "cut-off", "the worker was taken out");
    assert_eq!(found["audio"]["proved_s"], 10.0);
}

#[test]
fn an_older_session_signed_and_whole_is_refused_in_another_ones_place() {
    let room = tempfile::tempdir().unwrap();
    let older = play(room.path(), "20261125T080000Z-short", SHORT, &[]).folder;
    let newer = play(room.path(), "20261125T090000Z-short", SHORT, &[]).folder;
    let key = room.path().join("unit.pem");
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    run(&["sign", text(&older), "--key", text(&key)]).exits(ExitCode::Done);
    let public = format!("{}.pub", text(&key));
    fs::remove_dir_all(&newer).unwrap();
    fs::rename(&older, &newer).unwrap();
    let ran = run(&["verify", text(&newer), "--public-key", &public]);
    ran.exits(ExitCode::Tampered);
    let told = "is session '20261125T080000Z-short', and not '20261125T090000Z-short'";
    assert!(ran.out.contains(told), "{ran}");
    // So with a link in its place.
    fs::rename(&newer, &older).unwrap();
    std::os::unix::fs::symlink(&older, &newer).unwrap();
    assert_found(&newer, "altered", told);
    // Elsewhere, under its own name, it is what it was.
    let elsewhere = room.path().join("archive");
    fs::create_dir(&elsewhere).unwrap();
    tool("cp", &["-r", text(&older), text(&elsewhere)]);
    run(&["verify", text(&elsewhere.join("20261125T080000Z-short")), "--public-key", &public])
        .exits(ExitCode::Done);
}

#[test]
fn a_key_that_stands_twice_is_refused_in_every_file_of_a_record() {
    let (room, folder) = copy();
    let key = room.path().join("unit.pem");
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    run(&["sign", text(&folder), "--key", text(&key)]).exits(ExitCode::Done);
    fs::write(folder.join("practice.json"), "{\n  \"session\": {\"a\": 1}\n}\n").unwrap();
    assert_eq!(verified(&folder)["state"], "sound");
    for (file, key, twice) in [
        (
            "summary.json",
            "\"outcome\": \"completed\"",
            "\"outcome\": \"stopped\",\n  \"outcome\": \"completed\"",
        ),
        ("summary.json", "\"id\": ", "\"id\": \"other\", \"id\": "),
        ("signature.json", "\"algorithm\": ", "\"algorithm\": \"none\", \"algorithm\": "),
        ("practice.json", "\"a\": 1", "\"a\": 2, \"a\": 1"),
    ] {
        let path = folder.join(file);
        let before = fs::read_to_string(&path).unwrap();
        assert!(before.contains(key), "{key} in {before}");
        fs::write(&path, before.replacen(key, twice, 1)).unwrap();
        let found = verified(&folder);
        assert_eq!(found["state"], "altered", "{file}: {found:#}");
        let told = found["findings"].to_string();
        assert!(told.contains("stands twice") && told.contains(file), "{file}: {told}");
        fs::write(&path, before).unwrap();
    }
    // A line with a digest that fits it and a body that says two things.
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    let line = journal.lines().nth(3).unwrap();
    let (body, _) = line.split_once(r#","sha256":""#).unwrap();
    let body = body.replacen(r#""body":{"#, r#""body":{"x":1,"x":2,"#, 1);
    let digest = antiphon::record::chain::sha256_hex(body.as_bytes());
    let other = format!(r#"{body},"sha256":"{digest}"}}"#);
    fs::write(folder.join("journal.jsonl"), journal.replacen(line, &other, 1)).unwrap();
    assert_found(&folder, "altered", "the key 'x' stands twice");
}

#[test]
fn a_record_that_was_cut_off_is_closed_later_says_so_and_can_be_signed() {
    let (room, folder) = cut();
    let before = verified(&folder);
    let journal = fs::read(folder.join("journal.jsonl")).unwrap();
    let key = room.path().join("unit.pem");
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    run(&["sign", text(&folder), "--key", text(&key)]).exits(ExitCode::CutOff).says(&["antiphon close"]);
    // Nobody is there to be asked.
    run(&["close", text(&folder)]).exits(ExitCode::Usage).says(&["--yes"]);
    assert_eq!(fs::read(folder.join("journal.jsonl")).unwrap(), journal);
    run(&["close", text(&folder), "--yes"]).exits(ExitCode::Done);
    let found = assert_found(&folder, "sound", "closed later");
    assert_eq!(found["closed_later"]["journal_sha256_before"], before["digest"]);
    assert_eq!(found["closed_later"]["broken_bytes"], 30);
    assert_eq!((&found["first"], &found["last"]), (&before["first"], &before["last"]));
    assert_eq!(found["audio"]["proved_s"], 20.0, "the session's own lines prove no more");
    let ran = run(&["verify", text(&folder)]);
    ran.exits(ExitCode::Done);
    assert!(ran.out.contains("SOUND, closed later: it was cut off"), "{ran}");
    // What was recorded is as it was, and one line more.
    let after = fs::read(folder.join("journal.jsonl")).unwrap();
    assert!(after.starts_with(&journal[..journal.len() - 30]));
    assert_eq!(lines(&folder).len() as u64, before["lines"].as_u64().unwrap() + 1);
    let checked = Command::new("sh").args(["-c", CHECK_BY_HAND]).current_dir(&folder).output().unwrap();
    let last = format!("last {}\n", found["digest"].as_str().unwrap());
    assert_eq!(String::from_utf8_lossy(&checked.stdout), last);
    let summary: Value = serde_json::from_slice(&fs::read(folder.join("summary.json")).unwrap()).unwrap();
    assert_eq!((&summary["outcome"], &summary["session"]), (&"cut-off".into(), &"one".into()));
    assert!(summary["cautions"].to_string().contains("cut off at"), "{summary:#}");
    run(&["close", text(&folder), "--yes"]).exits(ExitCode::Usage).says(&["nothing to close"]);
    run(&["sign", text(&folder), "--key", text(&key)]).exits(ExitCode::Done);
    run(&["verify", text(&folder), "--public-key", &format!("{}.pub", text(&key))]).exits(ExitCode::Done);
    let ran = run(&["debrief", text(&folder)]);
    ran.exits(ExitCode::Done);
    let page = fs::read_to_string(folder.join("debrief.html")).unwrap();
    assert!(page.contains("Cut off before its end, and its record closed later"));
    // Its new end is as hard to edit as any.
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    fs::write(folder.join("journal.jsonl"), journal.replacen("\"cut-off\"", "\"completed\"", 1)).unwrap();
    assert_eq!(verified(&folder)["state"], "altered");
    run(&["redact", text(&folder), "--who", "worker", "--yes"]).exits(ExitCode::Tampered);
}

#[test]
fn a_closed_record_can_be_redacted_and_still_says_that_it_was_closed_later() {
    let (_room, folder) = cut();
    run(&["close", text(&folder), "--yes"]).exits(ExitCode::Done);
    run(&["redact", text(&folder), "--who", "observer", "--yes"]).exits(ExitCode::Done);
    let found = assert_found(&folder, "sound", "closed later");
    assert!(found["closed_later"].is_object());
}

#[test]
fn a_record_whose_summary_alone_is_missing_gets_it_back_as_it_was() {
    let (_room, folder) = copy();
    let (journal, summary) = (folder.join("journal.jsonl"), folder.join("summary.json"));
    let before = (fs::read(&journal).unwrap(), fs::read(&summary).unwrap());
    fs::remove_file(&summary).unwrap();
    assert_eq!(verified(&folder)["state"], "cut-off");
    run(&["close", text(&folder), "--yes"]).exits(ExitCode::Done);
    assert_eq!(verified(&folder)["state"], "sound");
    let value = |bytes: &[u8]| serde_json::from_slice::<Value>(bytes).unwrap();
    assert_eq!(fs::read(&journal).unwrap(), before.0);
    assert_eq!(value(&fs::read(&summary).unwrap()), value(&before.1));
}

#[test]
fn a_record_that_was_altered_or_is_being_written_or_is_empty_is_not_closed() {
    let (_room, folder) = cut();
    let writing = antiphon::record::Lock::of(&folder).unwrap();
    run(&["close", text(&folder), "--yes"]).exits(ExitCode::BadFolder).says(&["another command is at work"]);
    drop(writing);
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    let edited = journal.replacen("accepted", "rejected", 1);
    fs::write(folder.join("journal.jsonl"), &edited).unwrap();
    run(&["close", text(&folder), "--yes"]).exits(ExitCode::Tampered).says(&["was altered"]);
    assert_eq!(fs::read_to_string(folder.join("journal.jsonl")).unwrap(), edited);
    assert!(!folder.join("summary.json").exists());
    fs::write(folder.join("journal.jsonl"), "").unwrap();
    run(&["close", text(&folder), "--yes"]).exits(ExitCode::BadFolder).says(&["no line"]);
}

/// Killed at any of the calls by which it changes the folder, a closing has done nothing or can be finished.
#[test]
fn a_closing_killed_at_any_system_call_is_none_or_is_finished_by_the_next() {
    if !can_trace() {
        return;
    }
    let mut killed = 0;
    for call in ["rename", "renameat2", "fsync", "fdatasync", "fchmod", "unlink"] {
        for nth in 1.. {
            assert!(nth < 30, "{call}: it is never done");
            let (_room, folder) = cut();
            let mut command = killed_at(call, nth, &["close", text(&folder), "--yes"]);
            if command.output().unwrap().status.success() {
                break;
            }
            killed += 1;
            let found = verified(&folder);
            // Killed at its last call, it is done.
            if found["state"] != "sound" {
                assert_eq!(found["state"], "cut-off", "{call} {nth}: {found:#}");
                run(&["close", text(&folder), "--yes"]).exits(ExitCode::Done);
            }
            assert_found(&folder, "sound", "closed later");
            assert_eq!(fs::read_dir(&folder).unwrap().count(), 4, "{call} {nth}: something is left over");
        }
    }
    assert!(killed >= 6, "{killed}");
}
