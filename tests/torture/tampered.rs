//! Records changed by somebody, and files of nonsense.

use crate::common::{antiphon, ran, text, SHORT};
use crate::debrief_support::play;
use crate::{random, times, Tally};
use antiphon::failure::ExitCode;
use antiphon::record::verify::{verify, State};
use rand::{Rng, RngExt};
use rand_chacha::ChaCha8Rng;
use std::fs;
use std::path::{Path, PathBuf};

const FILES: [&str; 4] = ["journal.jsonl", "summary.json", "procedure.toml", "audio.wav"];

/// One change, and what it is called.
fn change(bytes: &mut Vec<u8>, random: &mut ChaCha8Rng) -> &'static str {
    let at = random.random_range(0..bytes.len());
    let some =
        |random: &mut ChaCha8Rng, from: usize, len: usize| (from + random.random_range(1..200)).min(len);
    match random.random_range(0..8) {
        0 => {
            bytes[at] ^= 1 << random.random_range(0..8);
            "bits turned"
        }
        1 => {
            let to = some(random, at, bytes.len());
            bytes.drain(at..to);
            "pieces taken out"
        }
        2 => {
            let added: Vec<u8> =
                (0..random.random_range(1..50)).map(|_| random.random_range(b'0'..b'z')).collect();
            bytes.splice(at..at, added);
            "pieces put in"
        }
        3 => {
            bytes.truncate(at);
            "cut"
        }
        4 => {
            let to = some(random, at, bytes.len());
            bytes[at..to].fill(0);
            "zeroed"
        }
        5 => {
            let to = some(random, at, bytes.len());
            let piece = bytes[at..to].to_vec();
            bytes.splice(to..to, piece);
            "pieces doubled"
        }
        6 => with_lines(bytes, |lines| {
            let (one, other) = (random.random_range(0..lines.len()), random.random_range(0..lines.len()));
            lines.swap(one, other);
            "lines swapped"
        }),
        _ => with_lines(bytes, |lines| {
            lines.remove(random.random_range(0..lines.len()));
            "lines taken out"
        }),
    }
}

fn with_lines(bytes: &mut Vec<u8>, what: impl FnOnce(&mut Vec<Vec<u8>>) -> &'static str) -> &'static str {
    let mut lines: Vec<Vec<u8>> = bytes.split_inclusive(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
    let done = what(&mut lines);
    *bytes = lines.concat();
    done
}

/// Whether a reader of the file reads what it read before: of a summary only what it says counts, not its layout.
fn says_the_same(file: &str, before: &[u8], after: &[u8]) -> bool {
    let read = |bytes: &[u8]| serde_json::from_slice::<serde_json::Value>(bytes).ok();
    before == after || (file == "summary.json" && read(after).is_some_and(|it| Some(it) == read(before)))
}

fn whole(root: &Path) -> (PathBuf, Vec<Vec<u8>>) {
    let folder = play(root, "one", SHORT, &[]).folder;
    assert_eq!(verify(&folder).unwrap().state, State::Sound);
    let bytes = FILES.map(|file| fs::read(folder.join(file)).unwrap());
    (folder, bytes.to_vec())
}

/// One change to one file of a whole record is found: by `verify`, as altered or cut off, or the file can't be read at all.
#[test]
fn every_change_to_a_record_is_found() {
    let room = tempfile::tempdir().unwrap();
    let (folder, whole) = whole(room.path());
    let (mut random, mut tally) = (random("tamperings"), Tally::default());
    let count = times(150);
    let mut made = 0;
    while made < count {
        // The sound is most of the bytes, and takes most of the time.
        let file = [0, 0, 0, 1, 1, 2, 3][random.random_range(0..7)];
        let mut bytes = whole[file].clone();
        let how = change(&mut bytes, &mut random);
        if says_the_same(FILES[file], &whole[file], &bytes) {
            continue;
        }
        made += 1;
        fs::write(folder.join(FILES[file]), &bytes).unwrap();
        let state = verify(&folder).map(|report| report.state);
        assert!(!matches!(state, Ok(State::Sound)), "{}: {how}, unnoticed (change {made})", FILES[file]);
        tally.count(format!("{how} in {}", FILES[file]));
        fs::write(folder.join(FILES[file]), &whole[file]).unwrap();
    }
    assert_eq!(verify(&folder).unwrap().state, State::Sound, "it is as it was");
    println!("{count} tamperings, all found: {tally}");
}

/// Whatever stands in a record, each command ends by itself with a code of the table and without a panic.
#[test]
fn files_of_nonsense_are_read_without_a_panic() {
    let room = tempfile::tempdir().unwrap();
    let (folder, whole) = whole(room.path());
    let (mut random, mut tally) = (random("nonsense"), Tally::default());
    let page = room.path().join("page.html");
    let commands: [&[&str]; 7] = [
        &["verify", text(&folder)],
        &["debrief", text(&folder), "--out", text(&page)],
        &["debrief", text(&folder), "--json"],
        &["relisten", text(&folder)],
        &["who-spoke", text(&folder)],
        &["trends", text(room.path())],
        &["close", text(&folder), "--yes"],
    ];
    let count = times(20);
    for number in 0..count {
        for (file, bytes) in FILES.iter().zip(&whole) {
            let mut bytes = bytes.clone();
            match random.random_range(0..4) {
                0 => {}
                1 => bytes = (0..random.random_range(0..5_000)).map(|_| random.next_u32() as u8).collect(),
                _ => {
                    for _ in 0..random.random_range(1..6) {
                        if !bytes.is_empty() {
                            change(&mut bytes, &mut random);
                        }
                    }
                }
            }
            fs::write(folder.join(file), &bytes).unwrap();
        }
        let command = commands[number % commands.len()];
        let ran = ran(&mut antiphon(command));
        assert!(ExitCode::TABLE.iter().any(|(code, _)| *code as i32 == ran.code), "{command:?}\n{ran}");
        tally.count(format!("exit {}", ran.code));
    }
    println!("{count} commands on files of nonsense: {tally}");
}
