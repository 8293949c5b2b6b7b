//! The audio file: where samples go, what other programs read, and what is left when the program is killed.

mod record_support;

use antiphon::audio::RATE;
use antiphon::record::tracks::WINDOW;
use antiphon::record::verify::{verify, State};
use antiphon::record::{Late, RecordError, SessionFolder, Tracks};
use proptest::prelude::*;
use record_support::{at, child, child_dir, open_journal};
use serde_json::json;
use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Command;

fn tracks(names: &[&str]) -> (tempfile::TempDir, Tracks) {
    let root = tempfile::tempdir().unwrap();
    let folder = SessionFolder::create(root.path(), "one").unwrap();
    let tracks = Tracks::create(&folder, names).unwrap();
    (root, tracks)
}

/// The file's channels, as the WAV library reads them.
fn channels(path: &Path) -> Vec<Vec<i16>> {
    let mut reader = hound::WavReader::open(path).unwrap();
    let count = usize::from(reader.spec().channels);
    let mut channels = vec![Vec::new(); count];
    for (index, sample) in reader.samples::<i16>().enumerate() {
        channels[index % count].push(sample.unwrap());
    }
    channels
}

/// Two tracks of this long, s, in the file, no two samples in a row alike.
fn filled(seconds: u64) -> (tempfile::TempDir, Tracks) {
    let (root, mut tracks) = tracks(&["worker", "tool"]);
    let samples: Vec<i16> = (0..seconds * u64::from(RATE)).map(|n| (n * 7_919 % 20_011) as i16).collect();
    for track in 0..2 {
        for (at, second) in samples.chunks(RATE as usize).enumerate() {
            let late = tracks.write(track, at as u64 * u64::from(RATE), second).unwrap();
            assert_eq!(late, Late::default());
        }
    }
    tracks.advance(seconds * u64::from(RATE)).unwrap();
    (root, tracks)
}

#[test]
fn sound_that_was_unlinked_goes_on_whole_in_a_new_place() {
    let (root, mut tracks) = filled(25);
    tracks.flush().unwrap();
    let bytes = fs::read(tracks.path()).unwrap();
    fs::remove_file(tracks.path()).unwrap();
    let next = SessionFolder::to_go_on_in(root.path(), "one", 1).unwrap();
    // What waits in memory goes with it.
    assert_eq!(tracks.write(0, 25 * u64::from(RATE), &[5; 16_000]).unwrap(), Late::default());
    let (mut moved, missing) = tracks.copy_to(&next).unwrap();
    assert_eq!(missing, None);
    assert!(fs::read(moved.path()).unwrap() == bytes, "byte for byte");
    let ends: Vec<u64> = std::iter::from_fn(|| moved.piece(u64::MAX)).map(|piece| piece.frames).collect();
    assert_eq!(ends, [160_000, 320_000], "those that nobody has asked for yet");
    moved.advance(30 * u64::from(RATE)).unwrap();
    assert!(moved.piece(u64::MAX).is_some());
    let path = moved.path().to_owned();
    let finished = moved.finish().unwrap();
    assert_eq!(finished.samples, 30 * u64::from(RATE));
    assert_eq!(channels(&path)[0][400_000..416_000], [5; 16_000]);
}

#[test]
fn sound_that_was_cut_goes_on_as_far_as_it_is_proved_and_silence_takes_the_place_of_the_rest() {
    let (root, mut tracks) = filled(25);
    let rate = u64::from(RATE);
    fs::OpenOptions::new().write(true).open(tracks.path()).unwrap().set_len(44 + 4 * 12 * rate).unwrap();
    // What is written after it makes the file as long again as it should be.
    tracks.advance(26 * rate).unwrap();
    assert!(tracks.harm().unwrap().contains("was changed"), "{:?}", tracks.harm());
    let next = SessionFolder::to_go_on_in(root.path(), "one", 1).unwrap();
    let (mut moved, missing) = tracks.copy_to(&next).unwrap();
    let missing = missing.unwrap();
    assert_eq!((missing.from_frames, missing.to_frames), (10 * rate, 26 * rate));
    assert_eq!(moved.harm(), None);
    assert_eq!(moved.write(1, 26 * rate, &[7; 16_000]).unwrap(), Late::default());
    moved.advance(30 * rate).unwrap();
    let pieces: Vec<_> = std::iter::from_fn(|| moved.piece(u64::MAX)).collect();
    assert_eq!(pieces.iter().map(|piece| piece.frames).collect::<Vec<_>>(), [10 * rate, 30 * rate]);
    let path = moved.path().to_owned();
    moved.finish().unwrap();
    let bytes = fs::read(&path).unwrap();
    for piece in pieces {
        let sound = &bytes[44..44 + 4 * piece.frames as usize];
        assert_eq!(antiphon::record::chain::sha256_hex(sound), piece.sha256);
    }
    let sound = channels(&path);
    assert!(sound[0][..160_000].iter().any(|sample| *sample != 0));
    assert!(sound[0][160_000..416_000].iter().all(|sample| *sample == 0));
    assert_eq!(sound[1][416_000..432_000], [7; 16_000]);
}

fn soxi(option: &str, path: &Path) -> String {
    let output = Command::new("soxi").arg(option).arg(path).output().expect("sox is installed");
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

#[test]
fn sox_reads_back_rate_channels_precision_and_length() {
    for names in [&["room"][..], &["tool", "room"], &["tool", "worker", "observer"]] {
        let (_root, mut tracks) = tracks(names);
        let path = tracks.path().to_owned();
        let _ = tracks.write(names.len() - 1, 16_000, &[5; 8_000]).unwrap();
        let finished = tracks.finish().unwrap();
        assert_eq!(finished.samples, 24_000);
        assert_eq!(soxi("-r", &path), "16000");
        assert_eq!(soxi("-c", &path), names.len().to_string());
        assert_eq!(soxi("-b", &path), "16");
        assert_eq!(soxi("-e", &path), "Signed Integer PCM");
        assert_eq!(soxi("-s", &path), "24000");
        let digest = Command::new("sha256sum").arg(&path).output().unwrap().stdout;
        assert_eq!(finished.sha256.as_bytes(), &digest[..64]);
    }
}

#[test]
fn samples_stand_where_they_belong_and_gaps_are_silent() {
    let (_root, mut tracks) = tracks(&["tool", "worker", "observer"]);
    let path = tracks.path().to_owned();
    assert_eq!(tracks.write(2, 5, &[31, 32]).unwrap(), Late::default());
    assert_eq!(tracks.write(0, 2, &[11, 12, 13]).unwrap(), Late::default());
    tracks.advance(4).unwrap();
    assert_eq!(tracks.write(1, 6, &[21]).unwrap(), Late::default());
    assert_eq!(tracks.finish().unwrap().samples, 7);
    let expected = [vec![0, 0, 11, 12, 13, 0, 0], vec![0, 0, 0, 0, 0, 0, 21], vec![0, 0, 0, 0, 0, 31, 32]];
    assert_eq!(channels(&path), expected);
}

#[test]
fn overlapping_writes_are_added_and_clip() {
    let (_root, mut tracks) = tracks(&["room"]);
    let path = tracks.path().to_owned();
    let _ = tracks.write(0, 0, &[100, 30_000, -30_000, 7]).unwrap();
    let _ = tracks.write(0, 0, &[1, 10_000, -10_000]).unwrap();
    tracks.finish().unwrap();
    assert_eq!(channels(&path), [vec![101, 32_767, -32_768, 7]]);
}

#[test]
fn late_samples_are_dropped_and_counted() {
    let (_root, mut tracks) = tracks(&["tool", "room"]);
    let path = tracks.path().to_owned();
    tracks.advance(4).unwrap();
    assert_eq!(tracks.write(0, 2, &[1, 2, 3, 4]).unwrap(), Late { dropped: 2, moved_on: 0 });
    assert_eq!(tracks.write(1, 0, &[9, 9]).unwrap(), Late { dropped: 2, moved_on: 0 });
    assert_eq!(tracks.dropped(), 4);
    let finished = tracks.finish().unwrap();
    assert_eq!((finished.samples, finished.dropped, finished.failed), (6, 4, false));
    assert_eq!(channels(&path), [vec![0, 0, 0, 0, 3, 4], vec![0; 6]]);
}

#[test]
fn a_write_far_ahead_moves_the_file_on_so_that_memory_stays_bounded() {
    let (_root, mut tracks) = tracks(&["tool", "room"]);
    let _ = tracks.write(1, 0, &[7; 10]).unwrap();
    let late = tracks.write(0, 2 * WINDOW, &[1; 10]).unwrap();
    assert_eq!(late, Late { dropped: 0, moved_on: WINDOW + 10 });
    assert_eq!(tracks.written(), WINDOW + 10);
    // One long write is no different from many short ones: none of its own samples are lost.
    let long = vec![3; 3 * WINDOW as usize];
    let late = tracks.write(1, WINDOW + 10, &long).unwrap();
    assert_eq!((late.dropped, late.moved_on), (0, 2 * WINDOW));
    let path = tracks.path().to_owned();
    assert_eq!(tracks.finish().unwrap().samples, 4 * WINDOW + 10);
    let channels = channels(&path);
    assert_eq!(channels[1][..10], [7; 10]);
    assert_eq!(channels[0][2 * WINDOW as usize..][..11], [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0]);
    assert!(channels[1][WINDOW as usize + 10..].iter().all(|&sample| sample == 3));
}

#[test]
fn more_than_a_wav_file_can_hold_is_refused_and_what_came_before_stays() {
    let (_root, mut tracks) = tracks(&["tool", "worker", "observer"]);
    let path = tracks.path().to_owned();
    let _ = tracks.write(0, 0, &[5; 100]).unwrap();
    // 4 GB at 96 kB a second is 12 h 25 min; the count has 36 of the header's 44 bytes in it.
    let most = (u64::from(u32::MAX) - 36) / 6;
    for error in [
        tracks.write(0, most, &[1]).unwrap_err(),
        tracks.write(0, u64::MAX, &[1, 2]).unwrap_err(),
        tracks.advance(most + 1).unwrap_err(),
    ] {
        assert!(matches!(error, RecordError::AudioTooLong { seconds: 44_739, .. }), "{error:?}");
    }
    let why = antiphon::failure::Failure::from(tracks.advance(u64::MAX).unwrap_err()).why.unwrap();
    assert_eq!(why, "4 GB, which is 12 h 25 min");
    assert_eq!(tracks.finish().unwrap().samples, 100);
    assert_eq!(channels(&path)[0], [5; 100]);
}

#[test]
fn tracks_that_were_not_named_are_refused() {
    let (root, mut tracks) = tracks(&["room"]);
    assert!(matches!(tracks.write(1, 0, &[1]), Err(RecordError::NoSuchTrack { track: 1, tracks: 1 })));
    let folder = SessionFolder::create(root.path(), "two").unwrap();
    assert!(matches!(Tracks::create(&folder, &[]), Err(RecordError::NoSuchTrack { .. })));
    assert!(matches!(Tracks::create(&folder, &["x"; 9]), Err(RecordError::NoSuchTrack { .. })));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn the_header_is_good_after_every_second_of_sound() {
    let (_root, mut tracks) = tracks(&["tool", "room"]);
    let path = tracks.path().to_owned();
    assert_eq!(soxi("-s", &path), "0", "playable from the start");
    for step in 1..=250 {
        tracks.advance(step * 320).unwrap();
        let there = u64::from(hound::WavReader::open(&path).unwrap().duration());
        assert!(there + u64::from(RATE) > step * 320, "{there} of {}", step * 320);
    }
    tracks.advance(250 * 320 + 100).unwrap();
    tracks.sync().unwrap();
    assert_eq!(soxi("-s", &path), "80100");
}

/// A sample that shows its place, so that a shift of any length would show.
fn mark(at: u64) -> i16 {
    (at % 30_011) as i16
}

#[test]
fn after_kill_9_the_file_plays_and_the_journal_has_all_that_was_said_to_be_in_it() {
    let root = tempfile::tempdir().unwrap();
    let mut child = child("writes_until_it_is_killed", root.path(), None).spawn().unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let written: u64 = lines
        .map_while(Result::ok)
        .filter_map(|line| line.strip_prefix("written ")?.parse().ok())
        .find(|&written| written > 5 * u64::from(RATE))
        .expect("the child writes until it is killed");
    child.kill().unwrap();
    assert!(!child.wait().unwrap().success());

    let dir = root.path().join("one");
    let audio = dir.join("audio.wav");
    let samples: u64 = soxi("-s", &audio).parse().unwrap();
    assert!(samples + u64::from(RATE) >= written, "{samples} of {written}");
    let channels = channels(&audio);
    assert_eq!(channels[0].len() as u64, samples);
    assert!(channels[1].iter().zip(0..).all(|(&sample, at)| sample == mark(at)));
    let report = verify(&dir).unwrap();
    assert_eq!(report.state, State::CutOff, "{:?}", report.findings);
    assert!(report.lines as u64 >= written / 1600, "{} lines, {written} samples", report.lines);
}

#[test]
#[ignore = "after_kill_9_the_file_plays_and_the_journal_has_all_that_was_said_to_be_in_it starts it"]
fn writes_until_it_is_killed() {
    let folder = SessionFolder::create(&child_dir(), "one").unwrap();
    let mut journal = open_journal(&folder);
    let mut tracks = Tracks::create(&folder, &["tool", "room"]).unwrap();
    for step in 0..u64::MAX {
        let from = step * 1600;
        let piece: Vec<i16> = (from..from + 1600).map(mark).collect();
        let _ = tracks.write(1, from, &piece).unwrap();
        tracks.advance(from + 1600).unwrap();
        let ms = 2100 + step * 100;
        journal.append(at(ms), ms, "note", &json!({"step": step})).unwrap();
        println!("written {}", tracks.written());
        // Should the parent be gone, nobody else would stop this.
        assert!(step < 30_000);
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
}

#[test]
fn a_disk_full_of_audio_stops_the_audio_and_not_the_journal() {
    let root = tempfile::tempdir().unwrap();
    let output = child("fills_the_disk_with_sound", root.path(), Some(200)).output().unwrap();
    assert!(output.status.success(), "{output:?}");
    let dir = root.path().join("one");
    let samples: u64 = soxi("-s", &dir.join("audio.wav")).parse().unwrap();
    assert!(samples >= u64::from(RATE), "{samples}");
    let channels = channels(&dir.join("audio.wav"));
    assert!(channels[1].len() as u64 == samples && channels[1].iter().zip(0..).all(|(&s, at)| s == mark(at)));
    let report = verify(&dir).unwrap();
    assert_eq!(report.state, State::CutOff, "{:?}", report.findings);
    assert_eq!(report.audio.unwrap().as_written, Some(true));
    assert_eq!(report.findings.len(), 1, "{:?}", report.findings);
    assert!(report.findings[0].what.contains("audio shorter"));
}

#[test]
#[ignore = "a_disk_full_of_audio_stops_the_audio_and_not_the_journal starts it"]
fn fills_the_disk_with_sound() {
    let folder = SessionFolder::create(&child_dir(), "one").unwrap();
    let mut journal = open_journal(&folder);
    let mut tracks = Tracks::create(&folder, &["tool", "room"]).unwrap();
    let mut errors = Vec::new();
    for step in 0..200 {
        let from = step * 1600;
        let piece: Vec<i16> = (from..from + 1600).map(mark).collect();
        let placed = tracks.write(1, from, &piece).map(|_| ());
        errors.extend(placed.and_then(|()| tracks.advance(from + 1600)).err());
        let ms = 2100 + step * 100;
        journal.append(at(ms), ms, "note", &json!({"errors": errors.len()})).unwrap();
    }
    assert!(matches!(errors[0], RecordError::DiskFull { .. }), "{:?}", errors[0]);
    assert!(errors[1..].iter().all(|error| matches!(error, RecordError::Stopped { .. })));
    let finished = tracks.finish().unwrap();
    assert!(finished.failed);
    let mut account = record_support::account(Some(finished.sha256));
    account.ended = at(23_000);
    antiphon::record::summary::finish(&folder, journal, 23_000, account).unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    /// Against a model that keeps every sample in a map.
    #[test]
    fn any_order_of_writes_gives_what_the_model_gives(
        steps in proptest::collection::vec(
            (0usize..3, 0u64..200, proptest::collection::vec(any::<i16>(), 0..60), any::<bool>()), 1..30),
    ) {
        let (_root, mut tracks) = tracks(&["a", "b", "c"]);
        let path = tracks.path().to_owned();
        let mut model: BTreeMap<(u64, usize), i16> = BTreeMap::new();
        let (mut edge, mut length, mut dropped) = (0, 0, 0);
        for (track, at, samples, advance) in steps {
            let mut missed = 0;
            for (place, &sample) in (at..).zip(&samples) {
                if place < edge {
                    missed += 1;
                    continue;
                }
                let there = model.entry((place, track)).or_default();
                *there = there.saturating_add(sample);
                length = length.max(place + 1);
            }
            prop_assert_eq!(tracks.write(track, at, &samples).unwrap().dropped, missed);
            dropped += missed;
            if advance {
                tracks.advance(at).unwrap();
                edge = edge.max(at);
                length = length.max(at);
            }
        }
        let finished = tracks.finish().unwrap();
        prop_assert_eq!((finished.samples, finished.dropped), (length, dropped));
        for (track, channel) in channels(&path).iter().enumerate() {
            let expected: Vec<i16> =
                (0..length).map(|place| model.get(&(place, track)).copied().unwrap_or(0)).collect();
            prop_assert_eq!(channel, &expected);
        }
    }
}
