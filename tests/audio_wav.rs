//! Every fixture in `audio-fixtures/`: what is read, and what is refused with which words.

use antiphon::audio::{level, wav, AudioError};
use antiphon::failure::{ExitCode, Failure};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn fixture(name: &str) -> String {
    let path: PathBuf = [env!("CARGO_MANIFEST_DIR"), "audio-fixtures", name].iter().collect();
    path.to_str().expect("the project's path is text").to_string()
}

const VALUES: [i16; 5] = [0, 16_384, -16_384, 8_192, -32_768];

#[test]
fn every_encoding_gives_the_same_samples() {
    for name in [
        "int8.wav",
        "int16.wav",
        "int24.wav",
        "int32.wav",
        "float32.wav",
        "fmt-18.wav",
        "float-fact.wav",
        "extensible-24.wav",
        "extensible-float.wav",
        "odd-chunks.wav",
    ] {
        let clip = wav::read(&fixture(name)).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(clip.samples, VALUES, "{name}");
        assert!(clip.notes.is_empty(), "{name}: {:?}", clip.notes);
    }
}

#[test]
fn one_channel_of_several_is_chosen_by_its_number() {
    let file = fixture("two-channels.wav");
    assert_eq!(wav::read(&format!("{file}#1")).unwrap().samples, VALUES);
    assert_eq!(wav::read(&format!("{file}#2")).unwrap().samples, [0, -8_192, 8_192, -4_096, 16_384]);
    let error = wav::read(&file).unwrap_err();
    assert!(error.to_string().contains("2 channels"), "{error}");
    assert!(error.to_string().contains(&format!("{file}#1 to {file}#2")), "{error}");
    let error = wav::read(&format!("{file}#3")).unwrap_err();
    assert!(error.to_string().contains("no channel 3"), "{error}");
    assert_eq!(Failure::from(error).code, ExitCode::BadAudio);
    let mono = fixture("int16.wav");
    assert_eq!(wav::read(&format!("{mono}#1")).unwrap().samples, VALUES);
    assert!(wav::read(&format!("{mono}#2")).unwrap_err().to_string().contains("mono"));
}

#[test]
fn another_rate_is_resampled_and_the_clip_says_so() {
    let clip = wav::read(&fixture("rate-8000.wav")).unwrap();
    assert_eq!(clip.notes, ["resampled from 8000 Hz"]);
    assert_eq!(clip.samples.len(), 800);
    // A square wave of 0.5 has an RMS of 0.5, -6.02 dBFS; its harmonics beyond 4 kHz were never there.
    assert!((level::rms_dbfs(&clip.samples) + 6.02).abs() < 0.7, "{}", level::rms_dbfs(&clip.samples));
}

#[test]
fn what_is_too_loud_is_clipped_and_the_clip_says_so() {
    let clip = wav::read(&fixture("too-loud.wav")).unwrap();
    assert_eq!(clip.samples, [0, 32_767, -32_768]);
    assert!(clip.notes[0].contains("2 samples"), "{:?}", clip.notes);
}

#[test]
fn every_bad_file_is_refused_with_its_name_its_fault_and_a_way_out() {
    let faults = BTreeMap::from([
        ("bad-empty.wav", "empty"),
        ("bad-text.wav", "not a WAV file"),
        ("bad-riff-only.wav", "not a WAV file"),
        ("bad-no-data.wav", "no data chunk"),
        ("bad-no-fmt.wav", "fmt chunk is missing"),
        ("bad-no-samples.wav", "no samples"),
        ("bad-cut-off.wav", "10 of 1000 bytes"),
        ("bad-from-a-pipe.wav", "written to a pipe"),
        ("bad-half-frame.wav", "whole number of frames"),
        ("bad-mu-law.wav", "encoding 7"),
        ("bad-float64.wav", "64-bit floats"),
        ("bad-int12.wav", "12-bit"),
        ("bad-no-channels.wav", "header is wrong"),
        ("bad-rate-0.wav", "0 Hz"),
        ("bad-rate-500000.wav", "500000 Hz"),
        ("bad-short-fmt.wav", "fmt chunk is too short"),
        ("bad-not-a-number.wav", "not numbers"),
        ("bad-huge-chunk.wav", "no data chunk"),
    ]);
    let folder = fixture("");
    let mut seen = 0;
    for entry in std::fs::read_dir(&folder).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if !name.starts_with("bad-") {
            continue;
        }
        let fault = faults.get(name.as_str()).unwrap_or_else(|| panic!("{name} is in no table"));
        let error = wav::read(&fixture(&name)).expect_err(&name);
        let failure = Failure::from(error.clone());
        assert!(error.to_string().contains(&name), "{error}");
        assert!(error.to_string().contains(fault), "{name}: {error}");
        assert_eq!(failure.code, ExitCode::BadAudio, "{name}");
        assert!(failure.fix.is_some(), "{name}");
        seen += 1;
    }
    assert_eq!(seen, faults.len());
}

#[test]
fn files_that_are_not_there_or_are_folders_are_refused() {
    assert!(wav::read("no/such/file.wav").unwrap_err().to_string().contains("no/such/file.wav"));
    assert!(wav::read("no/such/file.wav#2").unwrap_err().to_string().starts_with("no/such/file.wav:"));
    assert!(wav::read(&fixture("")).unwrap_err().to_string().contains("folder"));
}

/// A fixture cut or changed anywhere is read or refused, never a panic.
#[test]
fn no_cut_and_no_changed_byte_brings_the_reader_down() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    for name in ["int16.wav", "extensible-24.wav", "odd-chunks.wav", "two-channels.wav", "float-fact.wav"] {
        let whole = std::fs::read(fixture(name)).unwrap();
        let mut variants: Vec<Vec<u8>> = (0..whole.len()).map(|end| whole[..end].to_vec()).collect();
        for at in 0..whole.len() {
            for value in [0, 1, 0x7f, 0x80, 0xff] {
                let mut changed = whole.clone();
                changed[at] = value;
                variants.push(changed);
            }
        }
        for bytes in variants {
            std::fs::write(&path, &bytes).unwrap();
            if let Err(error) = wav::read(path.to_str().unwrap()) {
                assert!(matches!(error, AudioError::File { .. } | AudioError::Channel { .. }), "{error}");
            }
        }
    }
}

#[test]
fn what_is_written_is_read_back() {
    let folder = tempfile::tempdir().unwrap();
    // A hash and a number in the file's own name are not a channel.
    let path = folder.path().join("take#1");
    let samples: Vec<i16> = (-500..500).map(|n| n * 65).collect();
    wav::write_mono(&path, &samples).unwrap();
    assert_eq!(wav::read(path.to_str().unwrap()).unwrap().samples, samples);
    let error = wav::write_mono(Path::new("/no/such/folder/x.wav"), &samples).unwrap_err();
    assert!(matches!(error, AudioError::Write { .. }), "{error}");
}
