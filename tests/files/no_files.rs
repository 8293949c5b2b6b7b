//! Named pipes, devices, sockets, folders and links in the place of files.

use crate::common::{run, text, write, SHORT};
use crate::{at_once, copy, session};
use antiphon::failure::ExitCode;
use rustix::fs::{mkfifoat, Mode, CWD};
use std::fs;
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixListener;
use std::path::Path;

/// Puts something in a file's place, and says what it is.
fn put(kind: &str, path: &Path) -> &'static str {
    let _ = fs::remove_file(path);
    match kind {
        "pipe" => {
            mkfifoat(CWD, path, Mode::RUSR | Mode::WUSR).unwrap();
            "a named pipe, not a file"
        }
        "socket" => {
            drop(UnixListener::bind(path).unwrap());
            "a socket, not a file"
        }
        "folder" => {
            fs::create_dir(path).unwrap();
            "a folder, not a file"
        }
        _ => {
            symlink("/dev/zero", path).unwrap();
            "a symbolic link, not a file"
        }
    }
}

const KINDS: [&str; 4] = ["pipe", "socket", "folder", "zeros"];

#[test]
fn what_stands_in_the_place_of_a_sessions_file_is_refused_at_once_by_every_command() {
    let room = tempfile::tempdir().unwrap();
    let whole = session(room.path(), "one");
    let key = room.path().join("unit.pem");
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    let page = room.path().join("page.html");
    for file in ["journal.jsonl", "audio.wav", "summary.json", "procedure.toml", "signature.json"] {
        for kind in KINDS {
            let folder = room.path().join(format!("{kind}-{file}"));
            copy(&whole, &folder);
            let what = put(kind, &folder.join(file));
            let commands: [&[&str]; 7] = [
                &["verify", text(&folder)],
                &["debrief", text(&folder)],
                &["debrief", text(&folder), "--out", text(&page)],
                &["debrief", text(&folder), "--json"],
                &["play", text(&folder)],
                &["sign", text(&folder), "--key", text(&key)],
                &["redact", text(&folder), "--who", "worker", "--yes"],
            ];
            for command in commands {
                let ran = at_once(command);
                ran.exits(ExitCode::BadFolder).says(&[file, what, "do: "]);
                assert_eq!(ran.err.lines().filter(|line| line.starts_with("antiphon: ")).count(), 1, "{ran}");
            }
            // It needs neither the summary nor the signature.
            if !["summary.json", "signature.json"].contains(&file) {
                let ran = at_once(&["relisten", text(&folder)]);
                assert!(ran.code != 0 && ran.err.contains(file), "{ran}");
            }
        }
    }
    assert!(!page.exists());
}

/// The user may have put it on a larger disk; but then nobody knows what else the name leads to.
#[test]
fn a_sessions_file_that_is_a_link_to_another_file_is_refused_too() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path(), "one");
    fs::rename(folder.join("audio.wav"), room.path().join("elsewhere.wav")).unwrap();
    symlink(room.path().join("elsewhere.wav"), folder.join("audio.wav")).unwrap();
    at_once(&["verify", text(&folder)]).exits(ExitCode::BadFolder).says(&["audio.wav: is a symbolic link"]);
    // The folder itself may be one.
    fs::remove_file(folder.join("audio.wav")).unwrap();
    fs::rename(room.path().join("elsewhere.wav"), folder.join("audio.wav")).unwrap();
    symlink(&folder, room.path().join("linked")).unwrap();
    at_once(&["verify", text(&room.path().join("linked"))]).exits(ExitCode::Done);
}

#[test]
fn a_summary_that_is_no_file_keeps_nobody_from_the_others() {
    let room = tempfile::tempdir().unwrap();
    let (good, bad) = (session(room.path(), "good"), session(room.path(), "bad"));
    put("pipe", &bad.join("summary.json"));
    let ran = at_once(&["trends", text(room.path()), "--json"]);
    ran.exits(ExitCode::Done).says(&["bad: not counted", "it is a named pipe, not a file"]);
    let ran = at_once(&["prune", text(room.path()), "--older-than", "0d", "--yes"]);
    ran.exits(ExitCode::Done).says(&["left alone, its summary can't be read", "a named pipe"]);
    assert!(bad.join("audio.wav").exists() && !good.join("audio.wav").exists());
}

#[test]
fn what_is_no_file_among_a_users_files_is_refused_at_once() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path(), "one");
    let at = |name: &str| room.path().join(name);
    let (procedure, phrases) =
        (write(room.path(), "p.toml", SHORT), write(room.path(), "w.txt", "yes we can go\n"));
    for (kind, what) in KINDS.into_iter().zip(["a named pipe", "a socket", "a folder", "a device"]) {
        let bad = at(kind);
        put(kind, &bad);
        let bad = text(&bad);
        let commands: [(&[&str], ExitCode); 11] = [
            (&["lint", bad], ExitCode::BadProcedure),
            (&["print", bad], ExitCode::BadProcedure),
            (&["rehearse", bad], ExitCode::BadProcedure),
            (&["run", bad], ExitCode::BadProcedure),
            (&["hear", "--phrases", bad, "x.wav"], ExitCode::BadProcedure),
            (
                &["rehearse", text(&procedure), "--script", bad, "--sessions", text(room.path())],
                ExitCode::BadProcedure,
            ),
            (&["trends", text(room.path()), "--training", bad], ExitCode::Usage),
            (&["sign", text(&folder), "--key", bad], ExitCode::Usage),
            (&["verify", text(&folder), "--public-key", bad], ExitCode::Usage),
            (&["hear", "--phrases", text(&phrases), bad], ExitCode::BadAudio),
            (
                &["run", text(&procedure), "--in", &format!("room={bad}"), "--sessions", text(room.path())],
                ExitCode::BadAudio,
            ),
        ];
        for (command, code) in commands {
            let ran = at_once(command);
            ran.exits(code);
            assert!(ran.err.contains(what) || ran.out.contains(what), "{command:?}: no {what:?} in\n{ran}");
        }
        at_once(&["new", bad, "--title", "T", "--yes"]).exits(ExitCode::BadFolder).says(&["a file already"]);
    }
    // A link to a file is as good as the file.
    symlink(&procedure, at("link.toml")).unwrap();
    at_once(&["print", text(&at("link.toml"))]).exits(ExitCode::Done);
}

/// One way in: whoever opens a file elsewhere forgets one of the checks.
#[test]
fn no_module_but_one_opens_a_file_for_reading() {
    fn sources(folder: &Path, all: &mut Vec<std::path::PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            match path.is_dir() {
                true if path.ends_with("src/files") => {}
                true => sources(&path, all),
                false => all.push(path),
            }
        }
    }
    let mut all = Vec::new();
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut all);
    all.retain(|path| path.extension().is_some_and(|end| end == "rs") && !path.ends_with("tests.rs"));
    assert!(all.len() > 100);
    for path in all {
        let text = fs::read_to_string(&path).unwrap();
        let program = text.split("#[cfg(test)]\nmod tests").next().unwrap();
        for call in ["File::open(", "fs::read(", "fs::read_to_string(", "WavReader::open("] {
            let count = program.lines().filter(|line| line.contains(call)).count();
            assert_eq!(count, 0, "{}: {call}", path.display());
        }
    }
}
