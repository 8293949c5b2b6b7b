//! `verify` on records that were left alone, altered or cut off.

use crate::common::{run, text, Ran};
use crate::rehearsals::plain;
use antiphon::failure::ExitCode;
use std::fs;
use std::path::{Path, PathBuf};

/// A copy of a sound record to do something to.
fn copy() -> (tempfile::TempDir, PathBuf) {
    let room = tempfile::tempdir().expect("a temporary folder");
    // A session's folder has its id for a name.
    let folder = room.path().join(plain().folder.file_name().expect("a folder has a name"));
    fs::create_dir(&folder).expect("a temporary folder can be written");
    for entry in fs::read_dir(&plain().folder).expect("the record can be read") {
        let path = entry.expect("the record can be read").path();
        fs::copy(&path, folder.join(path.file_name().expect("a file has a name"))).expect("there is room");
    }
    (room, folder)
}

fn verify(folder: &Path) -> Ran {
    run(&["verify", text(folder)])
}

#[test]
fn a_record_left_alone_is_sound_and_its_digest_is_the_one_the_session_ended_with() {
    let ran = verify(&plain().folder);
    ran.exits(ExitCode::Done);
    assert!(ran.out.contains("SOUND"), "{ran}");
    let digest = plain().summary["journal_sha256"].as_str().expect("the summary has the digest");
    assert!(ran.out.contains(digest), "{ran}");
    assert!(plain().ran.out.contains(&format!("digest: {digest}")), "{}", plain().ran);
    run(&["verify", text(&plain().folder), "--digest", digest]).exits(ExitCode::Done);
    run(&["verify", text(&plain().folder), "--digest", &"0".repeat(64)]).exits(ExitCode::Tampered);
}

#[test]
fn one_byte_edited_in_any_file_is_found_and_the_file_named() {
    for file in ["journal.jsonl", "audio.wav", "summary.json", "procedure.toml"] {
        let (_room, folder) = copy();
        let path = folder.join(file);
        let mut bytes = fs::read(&path).expect("the copy can be read");
        // Some letter or sample in the middle becomes its neighbour.
        let middle = (bytes.len() / 2..).find(|at| file == "audio.wav" || bytes[*at].is_ascii_alphanumeric());
        bytes[middle.expect("a record has letters")] ^= 1;
        fs::write(&path, bytes).expect("the copy can be written");
        let ran = verify(&folder);
        ran.exits(ExitCode::Tampered);
        assert!(ran.out.contains("ALTERED") && ran.out.contains(file), "{ran}");
    }
}

#[test]
fn a_line_taken_out_of_the_journal_is_found() {
    let (_room, folder) = copy();
    let path = folder.join("journal.jsonl");
    let journal = fs::read_to_string(&path).expect("the copy can be read");
    let kept: Vec<&str> =
        journal.split_inclusive('\n').enumerate().filter(|(n, _)| *n != 20).map(|(_, l)| l).collect();
    fs::write(&path, kept.concat()).expect("the copy can be written");
    verify(&folder).exits(ExitCode::Tampered);
}

#[test]
fn a_journal_that_breaks_off_as_in_a_crash_is_cut_off_but_otherwise_sound() {
    let (_room, folder) = copy();
    let path = folder.join("journal.jsonl");
    let journal = fs::read(&path).expect("the copy can be read");
    fs::write(&path, &journal[..journal.len() * 2 / 3]).expect("the copy can be written");
    // A crash leaves no summary: it is written last.
    fs::remove_file(folder.join("summary.json")).expect("the copy has a summary");
    let ran = verify(&folder);
    ran.exits(ExitCode::CutOff);
    assert!(ran.out.contains("CUT OFF"), "{ran}");
}

#[test]
fn a_journal_whose_end_was_removed_while_its_summary_stays_is_altered() {
    let (_room, folder) = copy();
    let path = folder.join("journal.jsonl");
    let journal = fs::read(&path).expect("the copy can be read");
    fs::write(&path, &journal[..journal.len() * 2 / 3]).expect("the copy can be written");
    verify(&folder).exits(ExitCode::Tampered);
}

#[test]
fn a_folder_that_is_no_session_is_told_apart_from_a_bad_record() {
    let room = tempfile::tempdir().expect("a temporary folder");
    verify(room.path()).exits(ExitCode::BadFolder).says(&["no session here", "journal.jsonl"]);
    verify(&room.path().join("none")).exits(ExitCode::BadFolder).says(&["no such folder"]);
}

#[test]
fn verifying_writes_nothing() {
    let (_room, folder) = copy();
    let listing = || {
        let mut files: Vec<(PathBuf, Vec<u8>)> = fs::read_dir(&folder)
            .expect("the copy can be read")
            .map(|entry| entry.expect("the copy can be read").path())
            .map(|path| (path.clone(), fs::read(path).expect("the copy can be read")))
            .collect();
        files.sort();
        files
    };
    let before = listing();
    verify(&folder).exits(ExitCode::Done);
    assert_eq!(listing(), before);
}
