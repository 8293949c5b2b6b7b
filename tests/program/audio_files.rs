//! Sound files of every kind that comes along.

use crate::common::{run, spec, text, wav, write, Ran, SHORT};
use antiphon::failure::ExitCode;
use antiphon::voice::{RenderVoice, Renderer};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

const PHRASE: &str = "inner gloves are on";

/// A stand-in saying `PHRASE`, 16 kHz mono.
fn spoken() -> Arc<[i16]> {
    static SPOKEN: OnceLock<Arc<[i16]>> = OnceLock::new();
    let render = || {
        let mut voice = Renderer::new(RenderVoice::Flite("rms".into())).expect("flite: run models/setup.sh");
        voice.render(PHRASE).expect("flite says an ordinary phrase")
    };
    SPOKEN.get_or_init(render).clone()
}

struct Room {
    folder: tempfile::TempDir,
}

impl Room {
    fn new() -> Room {
        let room = Room { folder: tempfile::tempdir().expect("a temporary folder") };
        write(room.path(), "phrases.txt", "inner gloves are on\nouter gloves are on\nthe gown is closed\n");
        room
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    fn clip(&self, name: &str, spec: hound::WavSpec, as_value: impl Fn(i16, u16) -> i32) -> PathBuf {
        let path = self.path().join(name);
        wav(&path, spec, &spoken(), as_value);
        path
    }

    fn hear(&self, files: &[&str]) -> Ran {
        let list = self.path().join("phrases.txt");
        let mut arguments = vec!["hear", "--phrases", text(&list)];
        arguments.extend_from_slice(files);
        run(&arguments)
    }

    /// The file can't be used: says why and what to do, and gives an error line for it.
    #[track_caller]
    fn unusable(&self, file: &str, fragments: &[&str]) {
        let ran = self.hear(&[file]);
        ran.exits(ExitCode::BadAudio).says(fragments).says(&["do:"]);
        let line = &ran.json_lines()[0];
        assert_eq!((&line["verdict"], &line["phrase"]), (&Value::from("error"), &Value::Null));
    }
}

#[track_caller]
fn is_heard(ran: &Ran) {
    let line = &ran.exits(ExitCode::Done).json_lines()[0];
    assert_eq!(line["phrase"], PHRASE, "{ran}");
}

#[test]
fn sound_of_8_16_and_24_bits_is_heard_alike() {
    let room = Room::new();
    for bits in [8_u16, 16, 24] {
        // hound takes 8-bit samples as signed.
        let scaled = move |sample: i16, _| (i32::from(sample) << 8) >> (24 - bits);
        let file = room.clip("clip.wav", spec(16_000, bits, 1), scaled);
        is_heard(&room.hear(&[text(&file)]));
    }
}

#[test]
fn sound_at_44_1_khz_is_heard_with_a_note_that_it_was_resampled() {
    let room = Room::new();
    let samples = spoken();
    let stretched: Vec<i16> = (0..samples.len() * 441 / 160)
        .map(|index| {
            let at = index as f64 * 160.0 / 441.0;
            let (whole, part) = (at as usize, at.fract());
            let next = samples.get(whole + 1).copied().unwrap_or(0);
            (f64::from(samples[whole]) * (1.0 - part) + f64::from(next) * part) as i16
        })
        .collect();
    let file = room.path().join("cd.wav");
    wav(&file, spec(44_100, 16, 1), &stretched, |sample, _| i32::from(sample));
    let ran = room.hear(&[text(&file)]);
    is_heard(&ran);
    ran.says(&["note: ", "cd.wav", "resampled from 44100 Hz"]);
}

#[test]
fn stereo_needs_a_channel_and_the_error_says_how_to_name_it() {
    let room = Room::new();
    let second = |sample, channel| if channel == 1 { i32::from(sample) } else { 0 };
    let file = room.clip("both.wav", spec(16_000, 16, 2), second);
    let file = text(&file);
    room.unusable(file, &["both.wav", "it has 2 channels", &format!("{file}#1 to {file}#2")]);
    is_heard(&room.hear(&[&format!("{file}#2")]));
    let first = room.hear(&[&format!("{file}#1")]);
    assert_eq!(first.exits(ExitCode::Done).json_lines()[0]["verdict"], "ignored");
    room.unusable(&format!("{file}#3"), &["there is no channel 3"]);
}

#[test]
fn files_that_are_no_sound_are_refused_by_name_with_a_way_out() {
    let room = Room::new();
    let whole = std::fs::read(room.clip("whole.wav", spec(16_000, 16, 1), |v, _| i32::from(v)))
        .expect("just written");
    let empty = write(room.path(), "empty.wav", b"");
    room.unusable(text(&empty), &["empty.wav", "the file is empty"]);
    let silent = room.path().join("none.wav");
    wav(&silent, spec(16_000, 16, 1), &[], |v, _| i32::from(v));
    room.unusable(text(&silent), &["none.wav", "it has no samples"]);
    let cut = write(room.path(), "cut.wav", &whole[..whole.len() / 2]);
    room.unusable(text(&cut), &["cut.wav", "it is cut off"]);
    let head = write(room.path(), "head.wav", &whole[..20]);
    room.unusable(text(&head), &["head.wav", "it ends before any sound"]);
    let words = write(room.path(), "words.wav", "These are words, not sound.\n");
    room.unusable(text(&words), &["words.wav", "it is not a WAV file", "convert it"]);
    room.unusable("/nonexistent/none.wav", &["/nonexistent/none.wav", "can't be read", "check the path"]);
    room.unusable(text(room.path()), &["is a folder"]);
}

#[test]
fn one_bad_file_does_not_keep_the_others_from_being_heard() {
    let room = Room::new();
    let good = room.clip("good.wav", spec(16_000, 16, 1), |sample, _| i32::from(sample));
    let ran = room.hear(&[text(&good), "/nonexistent.wav", text(&good)]);
    let lines = ran.exits(ExitCode::BadAudio).json_lines();
    let verdicts: Vec<&Value> = lines.iter().map(|line| &line["verdict"]).collect();
    assert_eq!(verdicts, ["accepted", "error", "accepted"]);
}

#[test]
fn a_run_from_a_recording_that_can_not_be_used_begins_no_session() {
    let room = Room::new();
    let procedure = write(room.path(), "short.toml", SHORT);
    let mono = room.clip("mono.wav", spec(16_000, 16, 1), |sample, _| i32::from(sample));
    let stereo = room.clip("stereo.wav", spec(16_000, 16, 2), |sample, _| i32::from(sample));
    let sessions = room.path().join("sessions");
    let begin = |inputs: &[String]| {
        let mut arguments = vec!["run", text(&procedure), "--sessions", text(&sessions)];
        for input in inputs {
            arguments.extend_from_slice(&["--in", input]);
        }
        run(&arguments)
    };
    let (mono, stereo) = (text(&mono), text(&stereo));
    let one = |post: &str, file: &str| format!("{post}={file}");
    begin(&[one("worker", mono), one("observer", stereo)])
        .exits(ExitCode::BadAudio)
        .says(&["stereo.wav", "it has 2 channels"]);
    begin(&[one("worker", mono), one("observer", "/nonexistent.wav")])
        .exits(ExitCode::BadAudio)
        .says(&["/nonexistent.wav"]);
    begin(&[one("worker", mono)])
        .exits(ExitCode::Usage)
        .says(&["the observer's is missing", "--in observer="]);
    begin(&[one("worker", mono), one("worker", mono)])
        .exits(ExitCode::Usage)
        .says(&["the worker is named twice"]);
    begin(&[one("worker", mono), one("room", mono)]).exits(ExitCode::Usage).says(&["don't go together"]);
    assert!(!sessions.exists(), "a session was begun");
}
