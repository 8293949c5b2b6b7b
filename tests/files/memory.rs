//! How much memory commands take, whatever they are given.

use crate::common::{antiphon, text};
use crate::{copy, session};
use antiphon::failure::ExitCode;
use antiphon::record::chain::sha256_hex;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

/// What no command may take, kB (of 1,000 bytes).
const MOST: u64 = 300_000;

/// The most memory that a command had at once, kB, and its exit code. One that ends before it was looked at runs again.
fn peak(arguments: &[&str]) -> (u64, i32) {
    (0..100).map(|_| looked_at(arguments)).find(|(most, _)| *most > 0).expect("it can be looked at")
}

/// Its high-water mark in /proc, looked at every 2 ms.
fn looked_at(arguments: &[&str]) -> (u64, i32) {
    let program = antiphon(arguments);
    let mut command = std::process::Command::new(program.get_program());
    command.args(program.get_args()).env("HOME", "/nonexistent").env("ANTIPHON_EARS", "phones");
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let status = format!("/proc/{}/status", child.id());
    let (begun, mut most) = (Instant::now(), 0);
    loop {
        let text = fs::read_to_string(&status).unwrap_or_default();
        let mark = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = mark.and_then(|mark| mark.trim().trim_end_matches(" kB").parse::<u64>().ok());
        most = most.max(kib.unwrap_or(0) * 1_024 / 1_000);
        if let Some(status) = child.try_wait().unwrap() {
            return (most, status.code().expect("it ended by itself"));
        }
        assert!(begun.elapsed() < Duration::from_secs(300), "{arguments:?} takes for ever");
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// A journal that fits its chain: the first line of another, then these kinds and bodies.
fn sealed<'a>(journal: &Path, lines: impl Iterator<Item = (&'a str, &'a str)>) {
    let text = fs::read_to_string(journal).unwrap();
    let first = text.lines().next().unwrap();
    let mut prev = first[first.len() - 66..first.len() - 2].to_string();
    let mut out = BufWriter::new(File::create(journal).unwrap());
    writeln!(out, "{first}").unwrap();
    for (n, (kind, body)) in lines.enumerate() {
        let at = "2026-11-25T09:00:00Z";
        let line =
            format!(r#"{{"n":{},"at":"{at}","ms":0,"kind":"{kind}","body":{body},"prev":"{prev}""#, n + 2);
        prev = sha256_hex(line.as_bytes());
        writeln!(out, "{line},\"sha256\":\"{prev}\"}}").unwrap();
    }
    out.into_inner().unwrap();
}

#[test]
fn no_command_takes_more_than_300_mb_whatever_stands_in_a_record() {
    let room = tempfile::tempdir().unwrap();
    let whole = session(room.path(), "whole");
    fs::remove_file(whole.join("summary.json")).unwrap();
    let note = format!(r#"{{"note":"{}"}}"#, "&".repeat(900));
    let say = format!(r#"{{"action":"say","utterance":1,"saying":"x","text":"{}"}}"#, "<".repeat(300));
    let maps = format!("[{}0]", r#"{"":0},"#.repeat(60_000));
    let long = format!("\"{}\"", "x".repeat(1_000_000));
    let removed = format!(r#"{{"note":"","redaction":{{"post":"{}"}}}}"#, "p".repeat(900));
    // Each kind of line just often enough to be read, and far more often.
    let hostile: [(&str, &str, &str, usize); 7] = [
        ("notes", "note", &note, 60_000),
        ("says", "out", &say, 60_000),
        ("unknown", "unknown", "1", 250_000),
        ("maps", "note", &maps, 3),
        ("long", "note", &long, 100),
        ("removed", "note", &removed, 60_000),
        ("too-many", "note", &note, 200_000),
    ];
    let page = room.path().join("page.html");
    let mut most = 0;
    for (name, kind, body, count) in hostile {
        let copies = room.path().join(name);
        fs::create_dir(&copies).unwrap();
        let folder = copies.join("whole");
        copy(&whole, &folder);
        sealed(&folder.join("journal.jsonl"), std::iter::repeat_n((kind, body), count));
        let (folder, page) = (text(&folder), text(&page));
        for command in [
            &["verify", folder][..],
            &["debrief", folder, "--out", page],
            &["debrief", folder, "--json"],
            &["relisten", folder],
            &["close", folder, "--yes"],
        ] {
            let (taken, code) = peak(command);
            println!("{name:>10} {:>8}: {} MB, exit {code}", command[0], taken / 1_000);
            assert!(taken < MOST, "{name}, {command:?}: {taken} kB");
            most = most.max(taken);
        }
        fs::remove_dir_all(copies).unwrap();
    }
    println!("at most {} MB", most / 1_000);
}

#[test]
fn files_far_too_large_are_refused_and_not_read() {
    let room = tempfile::tempdir().unwrap();
    let whole = session(room.path(), "whole");
    for file in ["journal.jsonl", "summary.json", "procedure.toml", "signature.json"] {
        let folder = room.path().join(file);
        copy(&whole, &folder);
        // It takes no room on the disk.
        File::create(folder.join(file)).unwrap().set_len(2_000_000_000).unwrap();
        let (taken, code) = peak(&["verify", text(&folder)]);
        assert_eq!(code, ExitCode::BadFolder as i32, "{file}");
        assert!(taken < 60_000, "{file}: {taken} kB");
    }
    let large = room.path().join("large");
    File::create(&large).unwrap().set_len(2_000_000_000).unwrap();
    for command in
        [&["lint", text(&large)][..], &["print", text(&large)], &["trends", text(room.path()), "--json"]]
    {
        let (taken, _) = peak(command);
        assert!(taken < 100_000, "{command:?}: {taken} kB");
    }
}

/// Half an hour of three tracks: 173 MB of sound, 308 MB of page. It takes the memory of a minute.
#[test]
fn a_page_with_its_sound_inside_is_written_as_it_is_made() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path(), "one");
    let file = File::options().read(true).write(true).open(folder.join("audio.wav")).unwrap();
    let samples = 1_800 * 16_000_u64;
    use std::os::unix::fs::FileExt;
    file.set_len(44 + 6 * samples).unwrap();
    file.write_all_at(&antiphon::audio::wav::head(3, 6 * samples), 0).unwrap();
    drop(file);
    let page = room.path().join("page.html");
    let (taken, code) = peak(&["debrief", text(&folder), "--embed", "--out", text(&page)]);
    println!("{} MB for a page of {} MB", taken / 1_000, fs::metadata(&page).unwrap().len() / 1_000_000);
    assert_eq!(code, 0);
    assert!(fs::metadata(&page).unwrap().len() > 300_000_000);
    assert!(taken < 60_000, "{taken} kB");
    let (taken, code) = peak(&["debrief", text(&folder)]);
    assert!(code == 0 && taken < 60_000, "{taken} kB");
}
