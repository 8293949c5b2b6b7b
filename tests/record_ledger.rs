//! The ledger of all sessions in a folder: what it says, and what it finds.

mod common;

use antiphon::failure::ExitCode;
use antiphon::record::chain::CHECK_BY_HAND;
use common::{antiphon, can_trace, killed_at, ran, run, text, tool, write, Ran, SHORT};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// A folder of sessions in which three were rehearsed, made once.
fn original() -> &'static Path {
    static MADE: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    &MADE
        .get_or_init(|| {
            let room = tempfile::tempdir().unwrap();
            let sessions = room.path().join("sessions");
            for id in ["one", "two", "three"] {
                rehearse(&sessions, id).exits(ExitCode::NotCompleted);
            }
            (room, sessions)
        })
        .1
}

/// A session that ends as soon as it has begun, its input being over.
fn rehearse(sessions: &Path, id: &str) -> Ran {
    let room = tempfile::tempdir().unwrap();
    let procedure = write(room.path(), "short.toml", SHORT);
    run(&[
        "rehearse",
        text(&procedure),
        "--sessions",
        text(sessions),
        "--limit",
        "0",
        "--id",
        id,
        "--who",
        "worker=w7",
    ])
}

fn copy() -> (tempfile::TempDir, PathBuf) {
    let room = tempfile::tempdir().unwrap();
    tool("cp", &["-r", text(original()), text(room.path())]);
    let sessions = room.path().join("sessions");
    (room, sessions)
}

fn kinds(sessions: &Path) -> Vec<String> {
    let ledger = fs::read_to_string(sessions.join("ledger.jsonl")).unwrap();
    let line = |line: &str| serde_json::from_str::<Value>(line).unwrap();
    let words = ledger.lines().map(line).map(|line| {
        format!("{} {}", line["kind"].as_str().unwrap(), line["body"]["session"].as_str().unwrap_or("-"))
    });
    words.collect()
}

#[track_caller]
fn assert_found(sessions: &Path, code: ExitCode, what: &str) -> Value {
    let ran = run(&["verify", "--ledger", text(sessions), "--json"]);
    ran.exits(code);
    let shown = run(&["verify", "--ledger", text(sessions)]);
    shown.exits(code);
    assert!(shown.out.contains(what), "no {what:?} in\n{shown}");
    serde_json::from_str(&ran.out).unwrap()
}

/// What a ledger's lines are made into.
type Change = fn(Vec<&str>) -> String;

fn edit(path: &Path, change: impl FnOnce(Vec<&str>) -> String) {
    let before = fs::read_to_string(path).unwrap();
    let after = change(before.split_inclusive('\n').collect());
    assert_ne!(before, after);
    fs::write(path, after).unwrap();
}

#[test]
fn each_session_is_entered_at_its_start_and_at_its_end_and_the_chain_is_that_of_the_journal() {
    let sessions = original();
    let expected =
        ["begun -", "started one", "ended one", "started two", "ended two", "started three", "ended three"];
    assert_eq!(kinds(sessions), expected);
    let ledger = fs::read_to_string(sessions.join("ledger.jsonl")).unwrap();
    let last: Value = serde_json::from_str(ledger.lines().last().unwrap()).unwrap();
    let summary: Value =
        serde_json::from_slice(&fs::read(sessions.join("three/summary.json")).unwrap()).unwrap();
    assert_eq!(last["body"]["last_sha256"], summary["journal_sha256"]);
    assert_eq!(last["body"]["outcome"], summary["outcome"]);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::metadata(sessions.join("ledger.jsonl")).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }
    let found = assert_found(sessions, ExitCode::Done, "SOUND");
    assert_eq!((&found["entries"], &found["sessions"]), (&7.into(), &3.into()));
    // Without this program, by the published commands.
    let room = tempfile::tempdir().unwrap();
    fs::copy(sessions.join("ledger.jsonl"), room.path().join("journal.jsonl")).unwrap();
    let checked = Command::new("sh").args(["-c", CHECK_BY_HAND]).current_dir(room.path()).output().unwrap();
    let told = String::from_utf8_lossy(&checked.stdout).into_owned();
    assert!(told.ends_with(&format!("last {}\n", last["sha256"].as_str().unwrap())), "{told}");
}

#[test]
fn a_session_that_was_deleted_swapped_altered_or_put_in_is_named() {
    let (_room, sessions) = copy();
    fs::remove_dir_all(sessions.join("two")).unwrap();
    assert_found(&sessions, ExitCode::Tampered, "two (entry 5): is gone");
    let (_room, sessions) = copy();
    fs::rename(sessions.join("two"), sessions.join("x")).unwrap();
    fs::rename(sessions.join("one"), sessions.join("two")).unwrap();
    fs::rename(sessions.join("x"), sessions.join("one")).unwrap();
    assert_found(
        &sessions,
        ExitCode::Tampered,
        "one (entry 3): is another session than the one that was entered",
    );
    let (_room, sessions) = copy();
    edit(&sessions.join("two/summary.json"), |lines| lines.concat().replacen("input-ended", "completed", 1));
    assert_found(&sessions, ExitCode::Tampered, "two (entry 5): was altered");
    // Whole, under its own name, and recorded elsewhere.
    let (room, sessions) = copy();
    rehearse(&room.path().join("elsewhere"), "four");
    fs::rename(room.path().join("elsewhere/four"), sessions.join("four")).unwrap();
    assert_found(&sessions, ExitCode::Tampered, "four: is in no entry");
    // The same in the place of another.
    rehearse(&room.path().join("elsewhere2"), "three");
    fs::remove_dir_all(sessions.join("three")).unwrap();
    fs::remove_dir_all(sessions.join("four")).unwrap();
    fs::rename(room.path().join("elsewhere2/three"), sessions.join("three")).unwrap();
    assert_found(&sessions, ExitCode::Tampered, "three (entry 7): is another session");
    // Its end cut off, as if it had been killed.
    let (_room, sessions) = copy();
    fs::remove_file(sessions.join("one/summary.json")).unwrap();
    edit(&sessions.join("one/journal.jsonl"), |lines| lines[..lines.len() - 1].concat());
    run(&["verify", text(&sessions.join("one"))]).exits(ExitCode::CutOff);
    assert_found(&sessions, ExitCode::Tampered, "does not end with the digest that was entered");
    // Deleted, and another made under its name.
    let (_room, sessions) = copy();
    fs::remove_dir_all(sessions.join("one")).unwrap();
    rehearse(&sessions, "one").exits(ExitCode::NotCompleted);
    assert_found(
        &sessions,
        ExitCode::Tampered,
        "a session of this name was entered before: that one is gone",
    );
}

#[test]
fn a_ledger_that_was_edited_or_cut_or_begun_anew_is_found_and_a_noted_head_shows_it() {
    let head = |sessions: &Path| {
        let ran = run(&["ledger", text(sessions), "--json"]);
        ran.exits(ExitCode::Done);
        serde_json::from_str::<Value>(&ran.out).unwrap()["head"].as_str().unwrap().to_string()
    };
    let (_room, sessions) = copy();
    let noted = head(&sessions);
    let shown = run(&["ledger", text(&sessions)]);
    assert!(shown.out.contains(&noted) && shown.out.contains('\u{2588}'), "{shown}");
    let plain = run(&["ledger", text(&sessions), "--no-qr"]);
    assert!(plain.out.contains(&noted) && !plain.out.contains('\u{2588}'), "{plain}");
    let holds =
        |sessions: &Path, noted: &str| run(&["verify", "--ledger", text(sessions), "--digest", noted]);
    holds(&sessions, &noted.to_uppercase()).exits(ExitCode::Done);
    holds(&sessions, "1234").exits(ExitCode::Usage);
    // Sessions go on; the head that was noted is still in it.
    rehearse(&sessions, "four").exits(ExitCode::NotCompleted);
    let ran = holds(&sessions, &noted);
    ran.exits(ExitCode::Done);
    assert!(ran.out.contains("is the head that was noted: 2 entries came after it"), "{ran}");
    let ledger = sessions.join("ledger.jsonl");
    let whole = fs::read_to_string(&ledger).unwrap();
    let problems: [(&str, Change); 4] = [
        ("does not fit its own sha256", |lines| lines.concat().replacen("\"two\"", "\"too\"", 1)),
        ("is number 4 where 3 was due", |mut lines| {
            lines.remove(2);
            lines.concat()
        }),
        ("does not follow the line before it", |mut lines| {
            lines.swap(3, 4);
            lines.concat()
        }),
        ("the journal is empty", |_| String::new()),
    ];
    for (what, change) in problems {
        edit(&ledger, change);
        assert_found(&sessions, ExitCode::Tampered, what);
        fs::write(&ledger, &whole).unwrap();
    }
    // Cut at its end, with the session of those entries gone too: only the head tells.
    edit(&ledger, |lines| lines[..5].concat());
    fs::remove_dir_all(sessions.join("three")).unwrap();
    fs::remove_dir_all(sessions.join("four")).unwrap();
    assert_found(&sessions, ExitCode::Done, "SOUND");
    let ran = holds(&sessions, &noted);
    ran.exits(ExitCode::Tampered);
    assert!(ran.out.contains("has no entry with the digest noted"), "{ran}");
    // Gone, and begun anew by the next session.
    fs::remove_file(&ledger).unwrap();
    run(&["verify", "--ledger", text(&sessions)])
        .exits(ExitCode::BadFolder)
        .says(&["there is no ledger.jsonl"]);
    holds(&sessions, &noted).exits(ExitCode::Tampered);
    rehearse(&sessions, "five").exits(ExitCode::NotCompleted);
    assert_eq!(kinds(&sessions), ["begun -", "found one", "found two", "started five", "ended five"]);
    assert_found(&sessions, ExitCode::Done, "SOUND");
    holds(&sessions, &noted).exits(ExitCode::Tampered);
}

#[test]
fn a_session_that_was_killed_has_a_start_and_no_end_and_is_named_as_cut_off() {
    let (_room, sessions) = copy();
    let ledger = sessions.join("ledger.jsonl");
    edit(&ledger, |lines| lines[..6].concat());
    fs::remove_file(sessions.join("three/summary.json")).unwrap();
    edit(&sessions.join("three/journal.jsonl"), |lines| lines[..lines.len() - 1].concat());
    assert_found(&sessions, ExitCode::CutOff, "three (entry 6): was cut off: it has a start here and no end");
    // The next session goes on in the ledger, also when the power went in the middle of an entry.
    let mut bytes = fs::read(&ledger).unwrap();
    bytes.extend_from_slice(b"{\"n\":7,\"at\":\"2026");
    fs::write(&ledger, bytes).unwrap();
    rehearse(&sessions, "four").exits(ExitCode::NotCompleted);
    assert_found(&sessions, ExitCode::CutOff, "three (entry 6)");
    // Closed later, it has its end.
    run(&["close", text(&sessions.join("three")), "--yes"]).exits(ExitCode::Done);
    assert_eq!(kinds(&sessions).last().map(String::as_str), Some("closed three"));
    assert_found(&sessions, ExitCode::Done, "SOUND");
}

#[test]
fn what_is_redacted_signed_and_pruned_is_entered_and_stays_sound() {
    let (room, sessions) = copy();
    let key = room.path().join("unit.pem");
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    let at = |id: &str| text(&sessions.join(id)).to_string();
    run(&["redact", &at("one"), "--who", "worker", "--yes"]).exits(ExitCode::Done);
    run(&["sign", &at("two"), "--key", text(&key)]).exits(ExitCode::Done);
    assert_eq!(kinds(&sessions)[7..], ["redacted one", "signed two"]);
    assert_found(&sessions, ExitCode::Done, "SOUND");
    // A signature taken away shows.
    fs::rename(sessions.join("two/signature.json"), room.path().join("kept")).unwrap();
    assert_found(&sessions, ExitCode::Tampered, "was signed with key");
    fs::rename(room.path().join("kept"), sessions.join("two/signature.json")).unwrap();
    run(&["prune", text(&sessions), "--older-than", "0d", "--yes"]).exits(ExitCode::Done);
    assert_eq!(kinds(&sessions)[9..], ["pruned one", "pruned three", "pruned two"]);
    assert_found(&sessions, ExitCode::Done, "SOUND");
    edit(&sessions.join("three/summary.json"), |lines| {
        lines.concat().replacen("input-ended", "completed", 1)
    });
    assert_found(
        &sessions,
        ExitCode::Tampered,
        "three (entry 11): its summary, which was to be kept, is another",
    );
    // The record as it was before the redaction, put back.
    let (_other, before) = copy();
    tool("cp", &["-r", text(&before.join("one")), text(&room.path().join("before"))]);
    let (_room, sessions) = copy();
    run(&["redact", text(&sessions.join("one")), "--who", "worker", "--yes"]).exits(ExitCode::Done);
    fs::remove_dir_all(sessions.join("one")).unwrap();
    fs::rename(room.path().join("before"), sessions.join("one")).unwrap();
    run(&["verify", text(&sessions.join("one"))]).exits(ExitCode::Done);
    assert_found(&sessions, ExitCode::Tampered, "is another session than the one that was entered");
}

#[test]
fn the_ledger_is_signed_with_the_same_keys_up_to_an_entry() {
    let (room, sessions) = copy();
    let (key, other) = (room.path().join("unit.pem"), room.path().join("other.pem"));
    let verify = |key: &Path| {
        run(&["verify", "--ledger", text(&sessions), "--public-key", &format!("{}.pub", text(key))])
    };
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    run(&["sign", "--new-key", text(&other)]).exits(ExitCode::Done);
    verify(&key).exits(ExitCode::Tampered);
    run(&["sign", "--ledger", text(&sessions), "--key", text(&key)]).exits(ExitCode::Done);
    verify(&key).exits(ExitCode::Done);
    verify(&other).exits(ExitCode::Tampered);
    rehearse(&sessions, "four").exits(ExitCode::NotCompleted);
    let ran = verify(&key);
    ran.exits(ExitCode::Done);
    assert!(ran.out.contains("2 entries came after it"), "{ran}");
    // Cut to before what was signed.
    edit(&sessions.join("ledger.jsonl"), |lines| lines[..5].concat());
    fs::remove_dir_all(sessions.join("three")).unwrap();
    fs::remove_dir_all(sessions.join("four")).unwrap();
    verify(&key).exits(ExitCode::Tampered);
    assert_found(&sessions, ExitCode::Tampered, "no entry's");
    run(&["sign", "--ledger", text(&sessions), "--key", text(&key)]).exits(ExitCode::Done);
    verify(&key).exits(ExitCode::Done);
}

#[test]
fn a_folder_of_sessions_from_before_has_no_ledger_and_it_begins_with_the_next() {
    let (_room, sessions) = copy();
    fs::remove_file(sessions.join("ledger.jsonl")).unwrap();
    for command in [&["verify", "--ledger", text(&sessions)][..], &["ledger", text(&sessions)]] {
        run(command)
            .exits(ExitCode::BadFolder)
            .says(&["begins with the next session that is recorded there"]);
    }
    // What changes a session makes none.
    run(&["redact", text(&sessions.join("one")), "--who", "worker", "--yes"]).exits(ExitCode::Done);
    assert!(!sessions.join("ledger.jsonl").exists());
    rehearse(&sessions, "four").exits(ExitCode::NotCompleted);
    assert_eq!(kinds(&sessions)[..4], ["begun -", "found one", "found three", "found two"]);
    assert_found(&sessions, ExitCode::Done, "SOUND");
    fs::remove_dir_all(sessions.join("two")).unwrap();
    assert_found(&sessions, ExitCode::Tampered, "two (entry 4): is gone");
}

#[test]
fn a_ledger_that_cant_be_written_is_told_and_the_session_goes_on() {
    let room = tempfile::tempdir().unwrap();
    let sessions = room.path().join("sessions");
    // A folder in its place can't be written by anybody.
    fs::create_dir_all(sessions.join("ledger.jsonl")).unwrap();
    let ran = rehearse(&sessions, "one");
    ran.exits(ExitCode::NotCompleted);
    assert!(ran.out.contains("the ledger of sessions has no entry of this one"), "{ran}");
    let journal = fs::read_to_string(sessions.join("one/journal.jsonl")).unwrap();
    assert!(journal.contains("the ledger of sessions has no entry of this one"));
    run(&["verify", text(&sessions.join("one"))]).exits(ExitCode::Done);
    // Whoever would change a record that is in it does nothing.
    let (_room, sessions) = copy();
    fs::rename(sessions.join("ledger.jsonl"), sessions.join("kept")).unwrap();
    fs::create_dir(sessions.join("ledger.jsonl")).unwrap();
    let before = fs::read(sessions.join("one/journal.jsonl")).unwrap();
    run(&["redact", text(&sessions.join("one")), "--who", "worker", "--yes"]).exits(ExitCode::BadFolder);
    assert_eq!(fs::read(sessions.join("one/journal.jsonl")).unwrap(), before);
}

#[test]
fn sessions_at_the_same_time_are_all_in_one_chain_and_trials_in_none() {
    let room = tempfile::tempdir().unwrap();
    let procedure = write(room.path(), "short.toml", SHORT);
    let sessions = room.path().join("sessions");
    let started: Vec<_> = (0..3)
        .map(|n| {
            Command::new(env!("CARGO_BIN_EXE_antiphon"))
                .args(["rehearse", text(&procedure), "--limit", "0", "--sessions", text(&sessions)])
                .args(["--id", &format!("s{n}")])
                .env("ANTIPHON_EARS", "phones")
                .output_later()
        })
        .collect();
    for child in started {
        assert!(child.wait_with_output().unwrap().status.code() == Some(ExitCode::NotCompleted as i32));
    }
    let found = assert_found(&sessions, ExitCode::Done, "SOUND");
    assert_eq!(found["sessions"], 3);
    let arguments =
        ["rehearse", text(&procedure), "--trials", "2", "--limit", "0", "--sessions", text(&sessions)];
    let _ = ran(&mut antiphon(&arguments));
    assert_found(&sessions, ExitCode::Done, "SOUND");
    assert_eq!(
        kinds(&sessions).len(),
        kinds(&sessions).iter().filter(|kind| !kind.contains("trial")).count()
    );
}

trait Later {
    fn output_later(&mut self) -> std::process::Child;
}

impl Later for Command {
    fn output_later(&mut self) -> std::process::Child {
        use std::process::Stdio;
        self.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
    }
}

/// Killed at any of its calls, a redaction leaves a ledger that fits once it is finished.
#[test]
fn a_redaction_killed_at_any_call_leaves_a_ledger_that_fits_once_it_is_finished() {
    if !can_trace() {
        return;
    }
    let mut killed = 0;
    for call in ["rename", "unlink", "fsync", "fdatasync"] {
        for nth in 1.. {
            assert!(nth < 40, "{call}: it is never done");
            let (_room, sessions) = copy();
            let one = sessions.join("one");
            let mut command = killed_at(call, nth, &["redact", text(&one), "--who", "worker", "--yes"]);
            if command.output().unwrap().status.success() {
                break;
            }
            killed += 1;
            run(&["redact", text(&one), "--who", "worker", "--yes"]).exits(ExitCode::Done);
            run(&["verify", "--ledger", text(&sessions)]).exits(ExitCode::Done);
        }
    }
    assert!(killed >= 8, "{killed}");
}
