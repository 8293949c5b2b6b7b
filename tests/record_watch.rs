//! A record that is removed, moved, replaced or cut while its session runs: named at once, on hold, kept whole in a new place when
//! the observer carries on, and never ended as if nothing had been.

mod common;

use antiphon::failure::ExitCode;
use antiphon::record::moved::Moved;
use antiphon::record::read::{self, Line};
use antiphon::record::verify::{verify, Report, State, Weight};
use common::{run, text};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const LONG: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/procedures/isolation-donning.toml");
/// Three steps.
const SHORT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/live_room/short-donning.toml");

/// A rehearsal whose record is harmed in its middle.
struct Harmed {
    room: tempfile::TempDir,
    code: Option<i32>,
    out: String,
    err: String,
}

impl Harmed {
    fn sessions(&self) -> PathBuf {
        self.room.path().join("sessions")
    }

    fn session(&self, id: &str) -> PathBuf {
        self.sessions().join(id)
    }

    /// That it was told and held, and did not end as if nothing had been.
    #[track_caller]
    fn was_told(&self, why: &str, code: ExitCode) {
        let told = self.out.find(&format!("THE RECORD IS DAMAGED: {why}"));
        let told = told.unwrap_or_else(|| panic!("{why} in {}", self.out));
        let held = "The record of this session was damaged. On hold. Observer: carry on";
        assert!(self.out[told..].contains(held), "{}", self.out);
        assert_eq!(self.code, Some(code as i32), "{}\n{}", self.out, self.err);
    }

    /// That it went on in this folder, with every line from the first.
    #[track_caller]
    fn goes_on(&self, from: &str, to: &str) -> (Report, Vec<Line>, Moved) {
        let (old, new) = (self.session(from), self.session(to));
        assert!(self.out.contains(&format!("record: {}\ndigest: ", new.display())), "{}", self.out);
        let last: Vec<&str> = self.err.lines().rev().take(3).collect();
        let named = |path: &Path| last.iter().any(|line| line.contains(text(path)));
        assert!(named(&old) && named(&new), "both folders are named: {}", self.err);
        let report = verify(&new).unwrap();
        assert_eq!(report.state, State::Sound, "{:?}", report.findings);
        let lines = read::read(&new.join("journal.jsonl")).unwrap().lines;
        let moved = lines.iter().filter_map(Moved::of).find(|moved| moved.to == to).expect("it says so");
        assert_eq!(moved.from, from);
        assert!(lines.iter().enumerate().all(|(at, line)| line.n == at as u64 + 1), "every line is there");
        assert_eq!(lines[0].body["session"], "one");
        let caution = lines.last().unwrap().body["cautions"].to_string();
        assert!(caution.contains(&format!("to '{to}', because it was damaged")), "{caution}");
        (report, lines, moved)
    }
}

/// How much of the journal stands when something is done to it: in the middle of the second or third step.
const MIDDLE: u64 = 6_000;

fn begin(room: &Path, procedure: &str, limit: &str) -> Child {
    let child = Command::new(env!("CARGO_BIN_EXE_antiphon"))
        .args(["rehearse", procedure, "--plain", "--sessions", text(&room.join("sessions")), "--id", "one"])
        .args(["--limit", limit])
        .env("ANTIPHON_EARS", "phones")
        .env("XDG_STATE_HOME", room.join("state"))
        .env("NO_COLOR", "1")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn();
    child.unwrap()
}

/// Waits until a session's journal has so many bytes.
fn wait_for(folder: &Path, bytes: u64) {
    let since = Instant::now();
    while fs::metadata(folder.join("journal.jsonl")).map_or(0, |meta| meta.len()) < bytes {
        assert!(since.elapsed() < Duration::from_secs(300), "the session goes on");
        std::thread::sleep(Duration::from_millis(1));
    }
}

fn end(room: tempfile::TempDir, child: Child) -> Harmed {
    let output = child.wait_with_output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let (out, err) = (text(&output.stdout), text(&output.stderr));
    println!("{:?}\n{out}\n{err}", output.status.code());
    assert!(!err.contains("panicked"), "{err}");
    Harmed { room, code: output.status.code(), out, err }
}

/// Rehearses a short session to its end and does this to its folder in the middle.
fn harmed(harm: impl FnOnce(&Path)) -> Harmed {
    let room = tempfile::tempdir().unwrap();
    let child = begin(room.path(), SHORT, "60");
    let folder = room.path().join("sessions/one");
    wait_for(&folder, MIDDLE);
    harm(&folder);
    end(room, child)
}

fn cut(file: &Path, to: u64) {
    fs::OpenOptions::new().write(true).open(file).unwrap().set_len(to).unwrap();
}

fn is_complete(lines: &[Line]) {
    assert_eq!(lines.last().unwrap().body["outcome"], "completed");
    let counted = lines.iter().filter(|line| line.kind == "out" && line.body["note"] == "step-done").count();
    assert_eq!(counted, 3, "each step once: what was done before the damage is not lost");
}

#[test]
fn a_journal_that_is_unlinked_goes_on_whole_in_a_new_place_with_all_its_sound() {
    let harmed = harmed(|folder| fs::remove_file(folder.join("journal.jsonl")).unwrap());
    harmed.was_told("journal.jsonl was removed", ExitCode::Tampered);
    let (report, lines, moved) = harmed.goes_on("one", "one-moved");
    is_complete(&lines);
    assert_eq!((moved.why.as_str(), moved.sound_missing), ("journal.jsonl was removed", None));
    let told = report.findings.iter().find(|one| one.what.contains("was moved at")).expect("verify says so");
    assert_eq!(told.weight, Weight::Note);
    assert!(told.what.contains("all sound before that is here"), "{}", told.what);
    // The old folder stays as it was left, and the ledger knows both.
    assert!(harmed.session("one/audio.wav").exists() && !harmed.session("one/journal.jsonl").exists());
    let ledger = fs::read_to_string(harmed.sessions().join("ledger.jsonl")).unwrap();
    assert!(
        ledger.contains(r#""continues":"one""#) && ledger.contains(r#""outcome":"completed""#),
        "{ledger}"
    );
    let checked = run(&["verify", "--ledger", text(&harmed.sessions())]);
    checked.exits(ExitCode::Tampered);
    assert!(checked.out.contains("goes on in 'one-moved'"), "{checked}");
    assert!(
        !checked.out.lines().any(|line| line.contains("ALTERED") && line.contains("one-moved:")),
        "{checked}"
    );
}

#[test]
fn a_journal_that_is_cut_goes_on_with_the_lines_that_it_had() {
    let harmed = harmed(|folder| cut(&folder.join("journal.jsonl"), 0));
    harmed.was_told("journal.jsonl was changed", ExitCode::Tampered);
    let (_, lines, _) = harmed.goes_on("one", "one-moved");
    is_complete(&lines);
}

#[test]
fn sound_that_is_unlinked_or_replaced_is_read_back_whole() {
    let unlinked = harmed(|folder| fs::remove_file(folder.join("audio.wav")).unwrap());
    let replaced = harmed(|folder| {
        fs::copy(folder.join("audio.wav"), folder.join("other.wav")).unwrap();
        fs::rename(folder.join("other.wav"), folder.join("audio.wav")).unwrap();
    });
    for harmed in [unlinked, replaced] {
        harmed.was_told("audio.wav was removed", ExitCode::Tampered);
        let (_, lines, moved) = harmed.goes_on("one", "one-moved");
        is_complete(&lines);
        assert_eq!(moved.sound_missing, None);
        // Every digest of ten seconds of sound, those from before too, fits what is there.
        let proved = run(&["relisten", text(&harmed.session("one-moved"))]);
        proved.exits(ExitCode::Done).says(&["caution: ", "was moved at"]);
    }
}

#[test]
fn sound_that_is_cut_is_kept_as_far_as_it_is_proved_and_what_is_missing_is_told_everywhere() {
    let harmed = harmed(|folder| cut(&folder.join("audio.wav"), 44 + 6 * 16_000 * 15));
    harmed.was_told("audio.wav was changed", ExitCode::Tampered);
    let (report, lines, moved) = harmed.goes_on("one", "one-moved");
    is_complete(&lines);
    let missing = moved.sound_missing.expect("it was cut");
    assert_eq!(missing.from_frames, 160_000, "ten seconds are proved");
    assert!(missing.to_frames > missing.from_frames, "{missing:?}");
    let told = |what: &str| what.contains("the sound from 10.0 s to") && what.contains("is missing");
    assert!(report.findings.iter().any(|one| told(&one.what)), "{:?}", report.findings);
    let new = harmed.session("one-moved");
    let new = text(&new);
    let relistened = run(&["relisten", new]);
    // What follows right after the silence may be heard a little later than then.
    assert!(told(&relistened.err), "{relistened}");
    assert!(relistened.out.contains("was lost when the record was damaged"), "{relistened}");
    run(&["debrief", new]).exits(ExitCode::Done);
    let page = fs::read_to_string(harmed.session("one-moved/debrief.html")).unwrap();
    assert!(told(&page), "the debrief says so");
    let redacted = run(&["redact", new, "--who", "worker", "--yes"]);
    redacted.exits(ExitCode::Done).says(&["'one', from where this record was moved"]);
    assert_eq!(verify(&harmed.session("one-moved")).unwrap().state, State::Sound);
}

#[test]
fn a_folder_that_is_moved_or_removed_goes_on_beside_it() {
    for remove in [false, true] {
        let harmed = harmed(|folder| match remove {
            true => fs::remove_dir_all(folder).unwrap(),
            false => fs::rename(folder, folder.with_file_name("elsewhere")).unwrap(),
        });
        let why =
            if remove { "journal.jsonl was removed" } else { "journal.jsonl is no longer in its place" };
        harmed.was_told(why, ExitCode::Tampered);
        let (_, lines, moved) = harmed.goes_on("one", "one-moved");
        is_complete(&lines);
        assert_eq!(moved.sound_missing, None);
        assert!(!harmed.session("one").exists());
    }
}

#[test]
fn a_record_that_is_damaged_again_goes_on_again() {
    let room = tempfile::tempdir().unwrap();
    let child = begin(room.path(), SHORT, "60");
    let sessions = room.path().join("sessions");
    wait_for(&sessions.join("one"), MIDDLE);
    fs::remove_dir_all(sessions.join("one")).unwrap();
    wait_for(&sessions.join("one-moved"), 2 * MIDDLE);
    fs::remove_dir_all(sessions.join("one-moved")).unwrap();
    let harmed = end(room, child);
    harmed.was_told("journal.jsonl was removed", ExitCode::Tampered);
    let (report, lines, _) = harmed.goes_on("one-moved", "one-moved-2");
    is_complete(&lines);
    assert_eq!(report.findings.iter().filter(|one| one.what.contains("was moved at")).count(), 2);
    assert!(harmed.err.contains(text(&harmed.session("one"))), "the first folder too: {}", harmed.err);
}

/// A file stands where the folder of sessions was: nothing can be made in it, by root neither.
fn take_the_sessions_away(sessions: &Path) {
    fs::rename(sessions, sessions.with_file_name("taken")).unwrap();
    fs::write(sessions, "in the way").unwrap();
}

#[test]
fn where_the_folder_of_sessions_cannot_be_written_the_record_goes_on_among_the_rescued() {
    let harmed = harmed(|folder| take_the_sessions_away(folder.parent().unwrap()));
    harmed.was_told("journal.jsonl can't be looked at", ExitCode::Tampered);
    let rescued = harmed.room.path().join("state/antiphon/rescued");
    assert!(harmed.err.contains(text(&rescued.join("one-moved"))), "{}", harmed.err);
    let checked = run(&["verify", "--ledger", text(&rescued)]);
    checked.exits(ExitCode::Done);
    is_complete(&read::read(&rescued.join("one-moved/journal.jsonl")).unwrap().lines);
}

#[test]
fn a_record_that_can_be_kept_nowhere_stays_on_hold_with_the_reason() {
    let room = tempfile::tempdir().unwrap();
    // One minute is long enough to be held, and to try in vain.
    let child = begin(room.path(), LONG, "1");
    let sessions = room.path().join("sessions");
    wait_for(&sessions.join("one"), MIDDLE);
    fs::remove_dir_all(room.path().join("state")).unwrap();
    fs::write(room.path().join("state"), "in the way").unwrap();
    take_the_sessions_away(&sessions);
    let harmed = end(room, child);
    harmed.was_told("journal.jsonl can't be looked at", ExitCode::BadFolder);
    let stuck = harmed.out.find("THE RECORD CAN'T BE KEPT IN A NEW PLACE: ").expect("it is told");
    assert!(harmed.out[stuck..].contains("I cannot keep the record in a new place either. Still on hold."));
    assert!(!harmed.out[stuck..].contains("carrying on"), "{}", harmed.out);
    assert!(!harmed.out.contains("\nrecord: /") && !harmed.out.contains("digest: "), "{}", harmed.out);
}

#[test]
fn a_moved_record_that_is_cut_off_is_closed_as_what_it_is() {
    let room = tempfile::tempdir().unwrap();
    let mut child = begin(room.path(), SHORT, "60");
    let sessions = room.path().join("sessions");
    wait_for(&sessions.join("one"), MIDDLE);
    fs::remove_file(sessions.join("one/audio.wav")).unwrap();
    wait_for(&sessions.join("one-moved"), MIDDLE + 4_000);
    child.kill().unwrap();
    child.wait().unwrap();
    let moved = sessions.join("one-moved");
    run(&["close", text(&moved), "--yes"]).exits(ExitCode::Done);
    let report = verify(&moved).unwrap();
    assert_eq!(report.state, State::Sound, "{:?}", report.findings);
    let summary = fs::read_to_string(moved.join("summary.json")).unwrap();
    assert!(summary.contains("\"session\": \"one-moved\"") && summary.contains("was moved at"), "{summary}");
}

#[test]
fn a_record_edited_in_place_is_found_when_the_session_ends() {
    let harmed = harmed(|folder| {
        use std::os::unix::fs::FileExt;
        let journal = fs::OpenOptions::new().write(true).open(folder.join("journal.jsonl")).unwrap();
        journal.write_at(b"X", 700).unwrap();
    });
    assert_eq!(harmed.code, Some(ExitCode::Tampered as i32), "{}\n{}", harmed.out, harmed.err);
    assert!(harmed.err.contains("the record of this session is not what was recorded"), "{}", harmed.err);
}
