//! Stopped in the middle: killed, or the power gone.

use crate::common::{run, text, write, SHORT};
use crate::disk::{Disk, Left};
use crate::{random, stands, times, Tally};
use antiphon::failure::ExitCode;
use rand::RngExt;
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A rehearsal of a short procedure.
fn rehearsal(procedure: &Path, sessions: &Path, id: &str) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_antiphon"));
    command.args(["rehearse", text(procedure), "--plain", "--sessions", text(sessions), "--id", id]);
    command.env("ANTIPHON_EARS", "phones").env("HOME", "/nonexistent").env_remove("XDG_DATA_HOME");
    command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the program starts")
}

/// How long one takes from its start to its end.
fn takes(procedure: &Path, sessions: &Path) -> Duration {
    let began = Instant::now();
    assert!(rehearsal(procedure, sessions, "whole").wait().expect("a child").success());
    began.elapsed()
}

/// What was in the journal before the kill is in it afterwards, and the record is sound as far as it goes. Closed, it is whole.
#[test]
fn whatever_moment_a_session_is_killed_at_its_record_is_sound_as_far_as_it_goes() {
    let room = tempfile::tempdir().unwrap();
    let procedure = write(room.path(), "short.toml", SHORT);
    let sessions = room.path().join("sessions");
    let whole = takes(&procedure, &sessions);
    let (mut random, mut tally) = (random("kills"), Tally::default());
    let count = times(8);
    for number in 0..count {
        let folder = sessions.join(format!("s{number}"));
        let mut child = rehearsal(&procedure, &sessions, &format!("s{number}"));
        std::thread::sleep(whole.mul_f64(random.random_range(0.0..1.05)));
        let before = fs::read(folder.join("journal.jsonl")).unwrap_or_default();
        child.kill().unwrap();
        child.wait().unwrap();
        let after = fs::read(folder.join("journal.jsonl")).unwrap_or_default();
        assert!(after.starts_with(&before), "s{number}: lines are gone");
        let stood = stands(&folder);
        tally.count(stood);
        if stood == "cut off" {
            run(&["close", text(&folder), "--yes"]).exits(ExitCode::Done);
            assert_eq!(stands(&folder), "sound", "s{number}: closed");
        }
        let _ = fs::remove_file(folder.join("audio.wav"));
    }
    println!("{count} kills over {:.1} s of session: {tally}", whole.as_secs_f32());
    assert!(tally.of("cut off") * 2 > count, "{tally}");
}

/// Copies of a disk's image at any moment are what would be left of it.
#[test]
fn whatever_moment_the_power_goes_at_the_record_is_sound_as_far_as_it_goes() {
    let Some(disk) = Disk::new() else { return };
    let room = tempfile::tempdir().unwrap();
    let procedure = write(room.path(), "short.toml", SHORT);
    let whole = takes(&procedure, room.path());
    let (mut random, mut tally) = (random("power cuts"), Tally::default());
    let count = times(4);
    for number in 0..count {
        let id = format!("s{number}");
        let mut child = rehearsal(&procedure, &disk.path(), &id);
        std::thread::sleep(whole.mul_f64(random.random_range(0.1..1.1)));
        let image = disk.cut(number);
        child.kill().unwrap();
        child.wait().unwrap();
        let left = Left::of(&image);
        let folder = left.path().join(&id);
        tally.count(if folder.exists() { stands(&folder) } else { "without a folder yet" });
        drop(left);
        fs::remove_file(image).unwrap();
        let _ = fs::remove_dir_all(disk.path().join(&id));
    }
    println!("{count} power cuts: {tally}");
    assert!(tally.of("cut off") + tally.of("sound") > 0, "{tally}");
}
