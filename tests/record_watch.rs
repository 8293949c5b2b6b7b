//! A record that is removed, moved, replaced or cut while its session runs: named at once, on hold, and never ended as fine.

mod common;

use antiphon::failure::ExitCode;
use common::text;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const PROCEDURE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/procedures/isolation-donning.toml");

struct Ended {
    code: Option<i32>,
    out: String,
    err: String,
}

/// Rehearses a long session and does this to its folder in the middle.
fn harmed(harm: impl FnOnce(&Path)) -> (tempfile::TempDir, Ended) {
    let room = tempfile::tempdir().unwrap();
    let sessions = room.path().join("sessions");
    let child = Command::new(env!("CARGO_BIN_EXE_antiphon"))
        .args([
            "rehearse",
            PROCEDURE,
            "--plain",
            "--sessions",
            text(&sessions),
            "--id",
            "one",
            "--limit",
            "2",
        ])
        .env("ANTIPHON_EARS", "phones")
        .env("NO_COLOR", "1")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let journal = sessions.join("one/journal.jsonl");
    let since = Instant::now();
    while fs::metadata(&journal).map_or(0, |meta| meta.len()) < 6_000 {
        assert!(since.elapsed() < Duration::from_secs(300), "the session goes on");
        std::thread::sleep(Duration::from_millis(1));
    }
    harm(&sessions.join("one"));
    let output = child.wait_with_output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let ended = Ended { code: output.status.code(), out: text(&output.stdout), err: text(&output.stderr) };
    println!("{:?}\n{}\n{}", ended.code, ended.out, ended.err);
    (room, ended)
}

#[track_caller]
fn assert_told(ended: &Ended, why: &str, code: ExitCode) {
    assert!(ended.out.contains(&format!("THE RECORD IS DAMAGED: {why}")), "{}", ended.out);
    let told = ended.out.find("THE RECORD IS DAMAGED").unwrap();
    assert!(ended.out[told..].contains("The record of this session was damaged. On hold."), "{}", ended.out);
    assert!(
        !ended.out.contains("\nrecord: /") && !ended.out.contains("digest: "),
        "named as fine: {}",
        ended.out
    );
    assert_eq!(ended.code, Some(code as i32), "{}\n{}", ended.out, ended.err);
}

#[test]
fn a_journal_that_is_unlinked_holds_the_session_and_it_does_not_end_as_fine() {
    let (_room, ended) = harmed(|folder| fs::remove_file(folder.join("journal.jsonl")).unwrap());
    assert_told(&ended, "journal.jsonl was removed", ExitCode::Tampered);
    assert!(ended.err.contains("the record of this session is not what was recorded"), "{}", ended.err);
    assert!(ended.err.contains("journal.jsonl was removed"), "{}", ended.err);
}

#[test]
fn a_journal_that_is_cut_holds_the_session_and_it_does_not_end_as_fine() {
    let (_room, ended) = harmed(|folder| {
        fs::OpenOptions::new().write(true).open(folder.join("journal.jsonl")).unwrap().set_len(0).unwrap();
    });
    assert_told(&ended, "journal.jsonl was changed", ExitCode::Tampered);
}

#[test]
fn sound_that_is_unlinked_or_replaced_holds_the_session_and_it_does_not_end_as_fine() {
    let (_room, ended) = harmed(|folder| fs::remove_file(folder.join("audio.wav")).unwrap());
    assert_told(&ended, "audio.wav was removed", ExitCode::Tampered);
    let (_room, ended) = harmed(|folder| {
        fs::copy(folder.join("audio.wav"), folder.join("other.wav")).unwrap();
        fs::rename(folder.join("other.wav"), folder.join("audio.wav")).unwrap();
    });
    assert_told(&ended, "audio.wav was removed", ExitCode::Tampered);
}

#[test]
fn a_folder_that_is_moved_or_removed_holds_the_session_and_it_does_not_end_as_fine() {
    for remove in [false, true] {
        let (_room, ended) = harmed(|folder| match remove {
            true => fs::remove_dir_all(folder).unwrap(),
            false => fs::rename(folder, folder.with_file_name("moved")).unwrap(),
        });
        let why =
            if remove { "journal.jsonl was removed" } else { "journal.jsonl is no longer in its place" };
        assert_told(&ended, why, ExitCode::BadFolder);
    }
}

#[test]
fn a_record_edited_in_place_is_found_when_the_session_ends() {
    let (_room, ended) = harmed(|folder| {
        use std::os::unix::fs::FileExt;
        let journal = fs::OpenOptions::new().write(true).open(folder.join("journal.jsonl")).unwrap();
        journal.write_at(b"X", 700).unwrap();
    });
    assert_eq!(ended.code, Some(ExitCode::Tampered as i32), "{}\n{}", ended.out, ended.err);
    assert!(ended.err.contains("the record of this session is not what was recorded"), "{}", ended.err);
}
