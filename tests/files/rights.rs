//! Files and folders that the user may not read: it is said so, and what to do, and nothing else.

use crate::common::{text, write, SHORT};
use crate::{copy, session};
use antiphon::failure::ExitCode;
use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

/// Runs the program as somebody who is no administrator; `None` where this user can't become one.
fn as_somebody(arguments: &[&str]) -> Option<(i32, String)> {
    let program = env!("CARGO_BIN_EXE_antiphon");
    let mut command = match rustix::process::geteuid().is_root() {
        false => Command::new(program),
        true => {
            let mut command = Command::new("setpriv");
            command.args(["--reuid=65534", "--regid=65534", "--clear-groups", "--", program]);
            command
        }
    };
    let output = command.args(arguments).env("HOME", "/nonexistent").output().ok()?;
    let said = [output.stdout, output.stderr].concat();
    Some((output.status.code()?, String::from_utf8(said).unwrap()))
}

fn can_be_somebody() -> bool {
    let can = as_somebody(&["--version"]).is_some_and(|(code, _)| code == 0);
    if !can {
        println!("skipped: nobody else can run the program here");
    }
    can
}

fn mode(path: &Path, mode: u32) {
    fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
}

/// Everything below may be read and written by all.
fn open_to_all(path: &Path) {
    crate::common::tool("chmod", &["-R", "a+rwX", text(path)]);
}

#[track_caller]
fn is_told(arguments: &[&str], code: ExitCode, of: &str) {
    let Some((found, said)) = as_somebody(arguments) else { panic!("it could be run before") };
    assert_eq!(found, code as i32, "{arguments:?}\n{said}");
    for part in [of, "ermission denied", "do: "] {
        assert!(said.contains(part), "{arguments:?}: no {part:?} in\n{said}");
    }
    for wrong in ["ALTERED", "CUT OFF", "no such", "missing", "damaged", "no summary", "can't be played"] {
        assert!(!said.contains(wrong), "{arguments:?}: {wrong:?} in\n{said}");
    }
}

#[test]
fn a_sessions_file_without_permission_is_told_as_that_by_every_command() {
    if !can_be_somebody() {
        return;
    }
    let room = tempfile::tempdir().unwrap();
    let whole = session(room.path(), "one");
    let key = room.path().join("unit.pem");
    crate::common::run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    crate::common::run(&["sign", text(&whole), "--key", text(&key)]).exits(ExitCode::Done);
    let page = room.path().join("page.html");
    for file in ["journal.jsonl", "audio.wav", "summary.json", "procedure.toml", "signature.json"] {
        let folder = room.path().join(format!("closed-{file}"));
        copy(&whole, &folder);
        open_to_all(room.path());
        mode(&folder.join(file), 0);
        is_told(&["verify", text(&folder)], ExitCode::BadFolder, file);
        is_told(&["debrief", text(&folder)], ExitCode::BadFolder, file);
        is_told(&["debrief", text(&folder), "--out", text(&page)], ExitCode::BadFolder, file);
        is_told(&["sign", text(&folder), "--key", text(&key)], ExitCode::BadFolder, file);
        is_told(&["redact", text(&folder), "--who", "worker", "--yes"], ExitCode::BadFolder, file);
    }
    // A folder that may not be looked into.
    let folder = room.path().join("closed");
    copy(&whole, &folder);
    open_to_all(room.path());
    mode(&folder, 0);
    for command in [
        &["verify", text(&folder)][..],
        &["debrief", text(&folder)],
        &["sign", text(&folder), "--key", text(&key)],
    ] {
        is_told(command, ExitCode::BadFolder, "closed");
    }
    // One that may only be read: the page goes elsewhere.
    let folder = room.path().join("archive");
    copy(&whole, &folder);
    open_to_all(room.path());
    crate::common::tool("chmod", &["-R", "a-w", text(&folder)]);
    is_told(&["debrief", text(&folder)], ExitCode::BadFolder, "not allowed to lock the session");
    let (code, said) = as_somebody(&["debrief", text(&folder), "--out", text(&page)]).unwrap();
    assert!(code == 0 && page.exists(), "{said}");
}

#[test]
fn a_users_file_without_permission_is_told_as_that() {
    if !can_be_somebody() {
        return;
    }
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path(), "one");
    let (closed, good) = (write(room.path(), "closed", SHORT), write(room.path(), "good.toml", SHORT));
    open_to_all(room.path());
    mode(&closed, 0);
    let (closed, sessions) = (text(&closed), text(room.path()));
    is_told(&["print", closed], ExitCode::BadProcedure, "closed");
    is_told(&["rehearse", closed], ExitCode::BadProcedure, "closed");
    is_told(&["hear", "--phrases", closed, "x.wav"], ExitCode::BadProcedure, "closed");
    is_told(&["trends", sessions, "--training", closed], ExitCode::Usage, "closed");
    is_told(&["verify", text(&folder), "--public-key", closed], ExitCode::Usage, "closed");
    let script = ["rehearse", text(&good), "--script", closed, "--sessions", sessions];
    is_told(&script, ExitCode::BadProcedure, "closed");
    // A place that may not be written.
    let locked = room.path().join("locked");
    fs::create_dir(&locked).unwrap();
    mode(&locked, 0o555);
    let at = |name: &str| locked.join(name).to_str().unwrap().to_owned();
    is_told(
        &["rehearse", text(&good), "--sessions", text(&locked)],
        ExitCode::BadFolder,
        "not allowed to make",
    );
    is_told(&["debrief", text(&folder), "--out", &at("page.html")], ExitCode::BadFolder, "locked/page");
    // Of a summary that can't be read the others are not kept.
    mode(&folder.join("summary.json"), 0);
    let (code, said) = as_somebody(&["prune", sessions, "--older-than", "0d", "--yes"]).unwrap();
    assert!(code == 0 && said.contains("its summary can't be read") && said.contains("denied"), "{said}");
    assert!(!said.contains("has no summary") && folder.join("audio.wav").exists(), "{said}");
}
