//! A session's sound in programs that know nothing of this one.

use crate::common::{antiphon, needed, text, tool};
use crate::session;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Frames that each reader finds: Python's `wave` (3.11 takes the plain form of WAV only), sox and ffprobe.
fn frames(file: &Path, tracks: u16) -> Vec<u64> {
    needed("/usr/bin/sox", "sox");
    needed("/usr/bin/ffprobe", "ffmpeg");
    let python = "import sys, wave\nw = wave.open(sys.argv[1])\nassert w.getframerate() == 16000 and w.getsampwidth() == 2\n\
                  n = w.getnframes()\nassert len(w.readframes(n)) == 2 * n * w.getnchannels()\nprint(w.getnchannels(), n)";
    let run = |program: &str, arguments: &[&str]| {
        let output = Command::new(program).args(arguments).arg(file).output().expect("the program is there");
        assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
        let said = String::from_utf8(output.stdout).unwrap();
        said.split_whitespace().map(|word| word.parse().unwrap()).collect::<Vec<u64>>()
    };
    let by_python = run("python3", &["-c", python]);
    assert_eq!(by_python[0], u64::from(tracks));
    let by_ffprobe = run(
        "ffprobe",
        &["-v", "error", "-show_entries", "stream=duration_ts", "-of", "default=noprint_wrappers=1:nokey=1"],
    );
    vec![by_python[1], run("sox", &["--i", "-s"])[0], by_ffprobe[0]]
}

/// Bytes 20 and 21 of a WAV file: 1 is plain PCM.
fn form(file: &Path) -> u8 {
    fs::read(file).unwrap()[20]
}

#[test]
fn plain_readers_read_the_sound_of_a_session_whole_redacted_and_as_it_was_when_killed() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path(), "one");
    let file = folder.join("audio.wav");
    let all = hound::WavReader::open(&file).unwrap().duration();
    assert_eq!((frames(&file, 3), form(&file)), (vec![u64::from(all); 3], 1));
    crate::common::run(&["redact", text(&folder), "--who", "worker", "--yes"]);
    assert_eq!((frames(&file, 3), form(&file)), (vec![u64::from(all); 3], 1));
    // Killed in the middle: the header tells of what was there half a second before.
    let procedure = crate::common::write(room.path(), "short.toml", crate::common::SHORT);
    let mut command = Command::new(env!("CARGO_BIN_EXE_antiphon"));
    command.args(["rehearse", text(&procedure), "--sessions", text(room.path()), "--id", "killed"]);
    command.env("ANTIPHON_EARS", "phones").env("HOME", "/nonexistent");
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let file = room.path().join("killed/audio.wav");
    let begun = Instant::now();
    while fs::metadata(&file).map_or(0, |about| about.len()) < 600_000 {
        assert!(begun.elapsed() < Duration::from_secs(120), "it writes no sound");
        std::thread::sleep(Duration::from_millis(5));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let there = (fs::metadata(&file).unwrap().len() - 44) / 6;
    let found = frames(&file, 3);
    assert!(
        found.iter().all(|frames| *frames + 8_000 + 320 >= there && *frames <= there),
        "{found:?} of {there}"
    );
}

/// As versions up to 0.1 wrote it: the extensible form, which tells where three loudspeakers stand.
#[test]
fn a_record_with_the_earlier_form_of_header_reads_as_before() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path(), "one");
    let file = folder.join("audio.wav");
    let samples: Vec<i16> =
        hound::WavReader::open(&file).unwrap().into_samples().collect::<Result<_, _>>().unwrap();
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    // Without its end nothing states the sound's digest.
    let cut: Vec<&str> = journal.lines().collect();
    fs::write(folder.join("journal.jsonl"), cut[..cut.len() - 1].join("\n") + "\n").unwrap();
    fs::remove_file(folder.join("summary.json")).unwrap();
    let verify = || antiphon(&["verify", text(&folder), "--json"]).output().unwrap().stdout;
    let before = String::from_utf8(verify()).unwrap();
    let spec = crate::common::spec(16_000, 16, 3);
    let mut writer = hound::WavWriter::create(&file, spec).unwrap();
    samples.iter().for_each(|sample| writer.write_sample(*sample).unwrap());
    writer.finalize().unwrap();
    assert_eq!(form(&file), 0xfe, "the extensible form");
    assert_eq!(String::from_utf8(verify()).unwrap(), before);
    tool(env!("CARGO_BIN_EXE_antiphon"), &["debrief", text(&folder)]);
    tool(env!("CARGO_BIN_EXE_antiphon"), &["redact", text(&folder), "--who", "worker", "--yes"]);
    let silent: Vec<i16> =
        hound::WavReader::open(&file).unwrap().into_samples().collect::<Result<_, _>>().unwrap();
    let rest = |all: &[i16]| all.chunks(3).map(|frame| (frame[1], frame[2])).collect::<Vec<_>>();
    assert!(silent.iter().step_by(3).all(|sample| *sample == 0) && rest(&silent) == rest(&samples));
}
