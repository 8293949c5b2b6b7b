//! A system that refuses: calls that fail, once, at any moment of a session.

use crate::common::{can_trace, text, write, SHORT};
use crate::{random, stands, times, Tally};
use antiphon::failure::ExitCode;
use rand::RngExt;
use std::fs;
use std::process::Command;

/// What is refused, and how.
const CALLS: [&str; 9] =
    ["write", "pwrite64", "writev", "fsync", "fdatasync", "openat", "mkdir", "ftruncate", "rename"];
const ERRORS: [&str; 4] = ["EIO", "ENOSPC", "EDQUOT", "EROFS"];

/// Only what concerns the sessions' folder and its files is refused: the rest is the system's own business.
#[test]
fn a_call_that_fails_ends_the_session_with_a_reason_or_is_outlived_and_the_record_is_sound_as_far_as_it_goes()
{
    if !can_trace() {
        return;
    }
    let room = tempfile::tempdir().unwrap();
    let procedure = write(room.path(), "short.toml", SHORT);
    let (mut random, mut tally) = (random("failing calls"), Tally::default());
    let count = times(3);
    for number in 0..count {
        let sessions = room.path().join(format!("n{number}"));
        fs::create_dir(&sessions).unwrap();
        let call = CALLS[random.random_range(0..CALLS.len())];
        let error = ERRORS[random.random_range(0..ERRORS.len())];
        // From this one on, once or for ever.
        let nth = random.random_range(1..20);
        let on = if random.random_range(0..2) == 0 { "" } else { "+" };
        let mut traced = Command::new("strace");
        traced.args(["-f", "-o", "/dev/null", "-e", &format!("trace={call}"), "-e"]);
        traced.arg(format!("inject={call}:error={error}:when={nth}{on}"));
        for part in
            ["s", "s/journal.jsonl", "s/audio.wav", "s/procedure.toml", "s/summary.json", "ledger.jsonl"]
        {
            traced.arg("-P").arg(sessions.join(part));
        }
        traced.arg(env!("CARGO_BIN_EXE_antiphon"));
        traced.args(["rehearse", text(&procedure), "--plain", "--sessions", text(&sessions), "--id", "s"]);
        traced.env("ANTIPHON_EARS", "phones").env("HOME", "/nonexistent").env_remove("XDG_DATA_HOME");
        let output = traced.output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        let what = format!("{call}:{error}:{nth}{on}");
        let code = output.status.code().unwrap_or_else(|| panic!("{what}: ended by a signal\n{told}"));
        assert!(!told.contains("panicked"), "{what}\n{told}");
        assert!(
            ExitCode::TABLE.iter().any(|(known, _)| *known as i32 == code),
            "{what}: exit {code}\n{told}"
        );
        assert!(code == 0 || told.contains("antiphon: "), "{what}: exit {code} without a reason\n{told}");
        let stood =
            if sessions.join("s").exists() { stands(&sessions.join("s")) } else { "without a folder" };
        // Who ended with 0 has a whole record, or was told that its sound ends early.
        let told = String::from_utf8_lossy(&output.stdout).into_owned() + &told;
        let without_sound = told.contains("no sound is recorded from now on");
        assert!(code != 0 || stood == "sound" || without_sound, "{what}: exit 0, {stood}\n{told}");
        tally.count(format!("{stood} (exit {code})"));
        fs::remove_dir_all(&sessions).unwrap();
    }
    println!("{count} sessions with a failing call: {tally}");
}
