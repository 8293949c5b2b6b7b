//! Session folders that can't be written, are full, or are there already.

use crate::common::{antiphon, ran, run, text, write, Ran, SHORT};
use crate::rehearsals::{plain, root};
use antiphon::failure::ExitCode;
use antiphon::record::verify::{verify, State};
use std::fs;
use std::path::Path;
use std::process::Command;

/// Rehearses with sessions kept here.
fn rehearse_into(sessions: &Path, more: &[&str]) -> Ran {
    let procedure = root().join("short.toml");
    let mut arguments = vec!["rehearse", text(&procedure), "--sessions", text(sessions), "--limit", "0"];
    arguments.extend_from_slice(more);
    run(&arguments)
}

#[test]
fn a_second_run_into_the_same_folder_is_refused_and_the_first_record_stays_as_it_was() {
    let first = plain();
    let journal = || fs::read(first.folder.join("journal.jsonl")).expect("the record can be read");
    let before = journal();
    let ran = rehearse_into(root(), &["--id", "plain"]);
    ran.exits(ExitCode::BadFolder).says(&["plain: the session folder exists already", "give another --id"]);
    assert_eq!(journal(), before);
    assert_eq!(verify(&first.folder).expect("it can be read").state, State::Sound);
}

#[test]
fn names_that_would_leave_the_folder_are_refused() {
    let room = tempfile::tempdir().expect("a temporary folder");
    for id in ["../up", "a/b", ".hidden", ""] {
        rehearse_into(room.path(), &[&format!("--id={id}")])
            .exits(ExitCode::BadFolder)
            .says(&["can't name a session"]);
    }
    assert_eq!(fs::read_dir(room.path()).expect("it can be read").count(), 0);
}

#[test]
fn a_file_where_the_sessions_folder_should_be_is_named() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "file", "not a folder");
    let ran = rehearse_into(&file.join("sessions"), &[]);
    ran.exits(ExitCode::BadFolder).says(&["file/sessions", "make the folder for sessions", "why:", "do:"]);
    assert_eq!(fs::read_to_string(file).expect("it can be read"), "not a folder");
}

#[test]
fn without_a_home_it_says_how_to_name_a_place() {
    let procedure = root().join("short.toml");
    let ran = ran(antiphon(&["rehearse", text(&procedure), "--limit", "0"]).env_remove("HOME"));
    ran.exits(ExitCode::BadFolder).says(&["no place to keep sessions", "--sessions"]);
}

#[test]
fn sessions_go_to_the_data_folder_of_the_desktop_standard_unless_told_otherwise() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let procedure = root().join("short.toml");
    let mut command = antiphon(&["rehearse", text(&procedure), "--limit", "0", "--id", "here"]);
    ran(command.env("XDG_DATA_HOME", room.path())).exits(ExitCode::NotCompleted);
    let folder = room.path().join("antiphon/sessions/here");
    assert_eq!(verify(&folder).expect("the session is there").state, State::Sound);
}

fn is_root() -> bool {
    let output = Command::new("id").arg("-u").output().expect("every Unix has id");
    output.stdout == b"0\n"
}

/// Runs a line of shell with `$ROOM` on a small file system of its own, which nobody else sees and which goes with it.
/// `None` where that is not allowed (not root, or no mounts), with the reason printed.
fn in_a_small_room(size: &str, line: &str) -> Option<Ran> {
    if !is_root() {
        println!("skipped: only root can mount the small file system this needs");
        return None;
    }
    let room = tempfile::tempdir().expect("a temporary folder");
    let mount = format!("mount -t tmpfs -o size={size} tmpfs \"$ROOM\"");
    let unshared = |line: &str| {
        let program = assert_cmd::cargo::cargo_bin("antiphon");
        let mut command = assert_cmd::Command::new("unshare");
        command.args(["--mount", "sh", "-c", line]).env("ROOM", room.path()).env("ANTIPHON", program);
        command.env("PROCEDURE", root().join("short.toml")).env("HOME", "/nonexistent").env("NO_COLOR", "1");
        command
    };
    let allowed = unshared(&mount).output().is_ok_and(|output| output.status.success());
    if !allowed {
        println!("skipped: this machine does not let root mount a file system in a namespace of its own");
        return None;
    }
    Some(ran(&mut unshared(&format!("{mount} || exit 99\n{line}"))))
}

#[test]
fn a_read_only_place_for_sessions_is_refused_before_anything_begins() {
    // Permissions don't bind root, a read-only file system does; everybody else gets a folder without permission.
    if !is_root() {
        use std::os::unix::fs::PermissionsExt;
        let room = tempfile::tempdir().expect("a temporary folder");
        fs::set_permissions(room.path(), fs::Permissions::from_mode(0o500)).expect("it is ours");
        let ran = rehearse_into(&room.path().join("sessions"), &[]);
        ran.exits(ExitCode::BadFolder).says(&["not allowed to make the folder for sessions", "--sessions"]);
        return;
    }
    let line = "mount -o remount,ro \"$ROOM\" || exit 98\n\
                exec \"$ANTIPHON\" rehearse \"$PROCEDURE\" --sessions \"$ROOM/sessions\"";
    let Some(ran) = in_a_small_room("1m", line) else { return };
    ran.exits(ExitCode::BadFolder)
        .says(&["not allowed to make the folder for sessions", "Read-only file system"]);
}

#[test]
fn a_disk_with_little_room_gets_no_sound_and_the_session_goes_on_to_its_end() {
    let line = "\"$ANTIPHON\" rehearse \"$PROCEDURE\" --plain --sessions \"$ROOM\" --id small; code=$?\n\
                \"$ANTIPHON\" verify \"$ROOM/small\"; echo \"$?\" >&2\n\
                grep -o 'the recording stopped early' \"$ROOM/small/summary.json\"; exit $code";
    let Some(ran) = in_a_small_room("600k", line) else { return };
    ran.exits(ExitCode::Done);
    assert!(ran.out.contains("no sound is recorded from now on: only 0 MB are left on the disk"), "{ran}");
    assert!(ran.out.contains("the recording stopped early"), "{ran}");
    let verified = ran.err.trim().lines().last().unwrap_or_default();
    assert_eq!(verified, (ExitCode::CutOff as i32).to_string(), "verify says\n{ran}");
}

#[test]
fn a_disk_that_fills_up_ends_the_session_with_a_reason_and_what_was_written_is_sound() {
    // The journal meets the full disk.
    let line = "\"$ANTIPHON\" rehearse \"$PROCEDURE\" --sessions \"$ROOM\" --id full; code=$?\n\
                \"$ANTIPHON\" verify \"$ROOM/full\" --json; echo \"$?\" >&2\n\
                exit $code";
    let Some(ran) = in_a_small_room("28k", line) else { return };
    ran.exits(ExitCode::BadFolder).says(&["no room to", "No space left on device", "free some space"]);
    let verified = ran.err.trim().lines().last().unwrap_or_default();
    assert_eq!(verified, (ExitCode::CutOff as i32).to_string(), "verify says\n{ran}");
}

#[test]
fn no_room_at_all_is_refused_before_anything_begins() {
    let line = "head -c 100000 /dev/zero > \"$ROOM/filler\" 2>/dev/null\n\
                exec \"$ANTIPHON\" rehearse \"$PROCEDURE\" --sessions \"$ROOM\" --id full";
    let Some(ran) = in_a_small_room("16k", line) else { return };
    ran.exits(ExitCode::BadFolder).says(&["no room to"]);
}

#[test]
fn short_is_what_the_shared_sessions_run() {
    assert_eq!(fs::read_to_string(root().join("short.toml")).expect("it was written"), SHORT);
}
