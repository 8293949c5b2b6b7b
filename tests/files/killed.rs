//! What is left when a command is killed or a limit ends it: nothing half made, and nothing that the next run doesn't clear.

use crate::common::{can_trace, killed_at, needed, ran, run, text, write, Ran, SHORT};
use crate::{copy, names, session, verifies};
use antiphon::failure::ExitCode;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

/// Runs the program where no file may grow beyond `blocks` of 1,024 bytes, but for those of the voice: what it says is a file
/// that can be longer than a journal.
fn limited(blocks: u32, arguments: &[&str]) -> Ran {
    let room = tempfile::tempdir().unwrap();
    let flite = needed("/usr/bin/flite", "flite");
    let lifted = format!("#!/bin/bash\nulimit -S -f unlimited\nexec {} \"$@\"\n", flite.display());
    fs::set_permissions(write(room.path(), "flite", lifted), fs::Permissions::from_mode(0o755)).unwrap();
    let mut command = assert_cmd::Command::new("bash");
    command.args(["-c", "ulimit -S -f \"$1\" && shift && exec \"$@\"", "bash", &blocks.to_string()]);
    command.arg(env!("CARGO_BIN_EXE_antiphon")).args(arguments);
    command.env("PATH", format!("{}:{}", text(room.path()), std::env::var("PATH").unwrap()));
    command.env("NO_COLOR", "1").env("HOME", "/nonexistent").env("ANTIPHON_EARS", "phones");
    ran(&mut command)
}

#[test]
fn a_limit_on_a_files_size_stops_the_sound_and_the_session_goes_on() {
    let room = tempfile::tempdir().unwrap();
    let procedure = write(room.path(), "short.toml", SHORT);
    let ran = limited(
        400,
        &["rehearse", text(&procedure), "--plain", "--sessions", text(room.path()), "--id", "one"],
    );
    ran.exits(ExitCode::Done);
    assert!(ran.out.contains("no sound is recorded from now on"), "{ran}");
    let folder = room.path().join("one");
    assert!(fs::read_to_string(folder.join("summary.json")).unwrap().contains("the recording stopped early"));
    run(&["verify", text(&folder)]).exits(ExitCode::CutOff);
    assert!(hound::WavReader::open(folder.join("audio.wav")).unwrap().duration() > 16_000);
}

#[test]
fn a_limit_that_the_journal_meets_ends_the_session_as_a_full_disk_does() {
    let room = tempfile::tempdir().unwrap();
    let procedure = write(room.path(), "short.toml", SHORT);
    let ran = limited(12, &["rehearse", text(&procedure), "--sessions", text(room.path()), "--id", "one"]);
    ran.exits(ExitCode::BadFolder).says(&["no room to write the journal", "File too large", "ulimit -f"]);
    run(&["verify", text(&room.path().join("one"))]).exits(ExitCode::CutOff);
}

#[test]
fn a_debrief_that_meets_a_limit_says_so_and_leaves_nothing() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path(), "one");
    let before = names(&folder);
    let out = room.path().join("out");
    fs::create_dir(&out).unwrap();
    let page = out.join("page.html");
    let commands: [&[&str]; 3] = [
        &["debrief", text(&folder), "--embed"],
        &["debrief", text(&folder), "--embed", "--out", text(&page)],
        &["redact", text(&folder), "--who", "worker", "--yes"],
    ];
    for command in commands {
        limited(20, command).exits(ExitCode::BadFolder).says(&["File too large", "ulimit -f"]);
        assert_eq!((names(&folder), names(&out)), (before.clone(), Vec::<String>::new()), "{command:?}");
        verifies(&folder);
    }
}

/// Kills the command at the nth of these calls, for every n that there is, each time on a new copy; `after` looks at what is
/// left. Returns how often it was killed.
fn killed_at_each(
    calls: &[&str],
    whole: &Path,
    command: &dyn Fn(&Path) -> Vec<String>,
    after: &dyn Fn(&Path),
) -> usize {
    let mut killed = 0;
    for call in calls {
        for nth in 1.. {
            // Under its own name: a session that stands under another is no longer what it was.
            let copies = whole.with_file_name("copies");
            let _ = fs::remove_dir_all(&copies);
            fs::create_dir(&copies).unwrap();
            let folder = copies.join(whole.file_name().unwrap());
            copy(whole, &folder);
            let arguments = command(&folder);
            let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
            let mut traced = killed_at(call, nth, &arguments);
            traced.env("HOME", "/nonexistent");
            if traced.output().unwrap().status.success() {
                break;
            }
            assert!(nth < 100, "{call}: it is never done");
            after(&folder);
            killed += 1;
        }
    }
    killed
}

const CALLS: [&str; 6] = ["linkat", "rename", "renameat2", "unlink", "fsync", "fdatasync"];
const RECORD: [&str; 4] = ["audio.wav", "journal.jsonl", "procedure.toml", "summary.json"];

fn nothing_unfinished(folder: &Path) {
    let left: Vec<String> = names(folder).into_iter().filter(|name| name.starts_with('.')).collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn a_debrief_killed_at_any_system_call_leaves_nothing_that_the_next_command_does_not_clear() {
    if !can_trace() {
        return;
    }
    let room = tempfile::tempdir().unwrap();
    let whole = session(room.path(), "one");
    let debrief = |folder: &Path| vec!["debrief".to_string(), text(folder).to_string(), "--csv".to_string()];
    let killed = killed_at_each(&CALLS, &whole, &debrief, &|folder| {
        verifies(folder);
        // What has its name is whole.
        if let Ok(page) = fs::read_to_string(folder.join("debrief.html")) {
            assert!(page.ends_with("</html>\n") || page.ends_with("</html>"), "half a page");
            assert_eq!(names(&folder.join("debrief-audio")).len(), 4);
        }
        run(&["debrief", text(folder)]).exits(ExitCode::Done);
        nothing_unfinished(folder);
        nothing_unfinished(&folder.join("debrief-audio"));
        run(&["redact", text(folder), "--who", "worker", "--yes"]).exits(ExitCode::Done);
        assert_eq!(names(folder), RECORD);
    });
    println!("killed {killed} times");
    assert!(killed >= 15, "{killed}");
}

#[test]
fn a_signature_and_a_pruning_killed_at_any_system_call_are_made_by_the_next_run() {
    if !can_trace() {
        return;
    }
    let room = tempfile::tempdir().unwrap();
    let whole = session(room.path(), "one");
    let key = room.path().join("unit.pem");
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    let sign = |folder: &Path| ["sign", text(folder), "--key", text(&key)].map(String::from).to_vec();
    let killed = killed_at_each(&CALLS, &whole, &sign, &|folder| {
        verifies(folder);
        run(&["sign", text(folder), "--key", text(&key)]).exits(ExitCode::Done);
        verifies(folder);
        nothing_unfinished(folder);
    });
    assert!(killed >= 3, "{killed}");
    // A folder of sessions with one in it.
    let sessions = room.path().join("all");
    fs::create_dir(&sessions).unwrap();
    fs::rename(&whole, sessions.join("one")).unwrap();
    let prune =
        |folder: &Path| ["prune", text(folder), "--older-than", "0d", "--yes"].map(String::from).to_vec();
    let killed = killed_at_each(&CALLS, &sessions, &prune, &|folder| {
        run(&["prune", text(folder), "--older-than", "0d", "--yes"]).exits(ExitCode::Done);
        assert_eq!(names(&folder.join("one")), ["pruned.json", "summary.json"]);
    });
    assert!(killed >= 6, "{killed}");
}

#[test]
fn a_new_procedure_is_there_whole_or_not_at_all() {
    if !can_trace() {
        return;
    }
    let room = tempfile::tempdir().unwrap();
    let whole = room.path().join("folder");
    fs::create_dir(&whole).unwrap();
    let new = |folder: &Path| {
        let file = folder.join("gown.toml");
        ["new", text(&file), "--title", "Gown", "--yes"].map(String::from).to_vec()
    };
    let killed = killed_at_each(&["linkat", "write", "fsync"], &whole, &new, &|folder| {
        let left = names(folder);
        assert!(left.is_empty() || left == ["gown.toml"], "{left:?}");
        if !left.is_empty() {
            run(&["lint", text(&folder.join("gown.toml"))]).exits(ExitCode::Done);
        }
    });
    assert!(killed >= 3, "{killed}");
}

/// A practice's score and a page elsewhere are not written while another command is at work.
#[test]
fn a_page_elsewhere_is_not_made_while_another_command_writes() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path(), "one");
    let page = room.path().join("page.html");
    let writing = antiphon::record::Lock::of(&folder).unwrap();
    run(&["debrief", text(&folder), "--out", text(&page)])
        .exits(ExitCode::BadFolder)
        .says(&["another command is at work on this session"]);
    assert!(!page.exists());
    drop(writing);
    let reading = antiphon::record::Lock::to_read(&folder).unwrap();
    run(&["debrief", text(&folder), "--out", text(&page)]).exits(ExitCode::Done);
    run(&["redact", text(&folder), "--who", "worker", "--yes"]).exits(ExitCode::BadFolder);
    drop(reading);
    run(&["redact", text(&folder), "--who", "worker", "--yes"]).exits(ExitCode::Done);
}
