//! The built program, checking sound from recordings: rooms, microphones and people of every kind.

mod common;

use antiphon::audio::noise::{NoiseKind, NoiseSource};
use antiphon::audio::wav;
use antiphon::conduct::simulation::at_level;
use antiphon::failure::ExitCode;
use antiphon::voice::{RenderVoice, Renderer};
use common::{models_without, ran, run, run_with, text, write, Ran, SHORT};
use serde_json::Value;
use std::f64::consts::TAU;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// What the check asks for in `SHORT`: the first phrase, and the last that shares no word with it.
const WORKER: [&str; 2] = ["both hands rubbed dry", "hood reaches my shoulders"];
const OBSERVER: [&str; 2] = ["every finger was treated", "chin and neck enclosed"];
/// Nominal level of speech, dBFS (ITU-T P.56 work), and a quiet room 30 dB below it.
const PERSON: f32 = -26.0;
const QUIET_ROOM: f32 = -56.0;

/// A stand-in saying a phrase at a level, 16 kHz.
fn said(voice: &str, phrase: &str, dbfs: f32) -> Vec<i16> {
    static VOICES: Mutex<Vec<(String, Renderer)>> = Mutex::new(Vec::new());
    let mut voices = VOICES.lock().expect("no test panics while it renders");
    if !voices.iter().any(|(name, _)| name == voice) {
        let renderer = Renderer::new(RenderVoice::Flite(voice.into())).expect("flite: run models/setup.sh");
        voices.push((voice.to_string(), renderer));
    }
    let (_, renderer) = voices.iter_mut().find(|(name, _)| name == voice).expect("it was just put there");
    at_level(&renderer.render(phrase).expect("flite says an ordinary phrase"), dbfs)
}

/// Three and a half seconds of nothing, then the phrases with a second after each.
fn person(voice: &str, phrases: &[&str], dbfs: f32) -> Vec<i16> {
    let mut clip = vec![0; 56_000];
    for phrase in phrases {
        clip.extend(said(voice, phrase, dbfs));
        clip.extend(vec![0; 24_000]);
    }
    clip
}

fn in_noise(mut clip: Vec<i16>, kind: NoiseKind, dbfs: f32, seed: u64) -> Vec<i16> {
    let mut noise = vec![0; clip.len()];
    NoiseSource::new(kind, seed, dbfs).next(&mut noise);
    clip.iter_mut().zip(noise).for_each(|(sample, noise)| *sample = sample.saturating_add(noise));
    clip
}

/// A person in a quiet room.
fn good(voice: &str, phrases: &[&str]) -> Vec<i16> {
    in_noise(person(voice, phrases, PERSON), NoiseKind::Pink, QUIET_ROOM, phrases.len() as u64)
}

fn worker() -> Vec<i16> {
    good("rms", &WORKER)
}

fn observer() -> Vec<i16> {
    good("slt", &OBSERVER)
}

struct Checked {
    ran: Ran,
    json: Value,
    _folder: tempfile::TempDir,
}

/// Runs the check on one clip a person.
fn check(worker: &[i16], observer: &[i16]) -> Checked {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (procedure, worker, observer) = files(folder.path(), worker, observer);
    let ran = run(&[
        "soundcheck",
        text(&procedure),
        "--in",
        &format!("worker={}", text(&worker)),
        "--in",
        &format!("observer={}", text(&observer)),
        "--json",
    ]);
    let json = serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}\n{ran}"));
    Checked { ran, json, _folder: folder }
}

fn files(folder: &Path, worker: &[i16], observer: &[i16]) -> (PathBuf, PathBuf, PathBuf) {
    let (w, o) = (folder.join("w.wav"), folder.join("o.wav"));
    wav::write_mono(&w, worker).expect("a temporary folder can be written");
    wav::write_mono(&o, observer).expect("a temporary folder can be written");
    (write(folder, "short.toml", SHORT), w, o)
}

impl Checked {
    #[track_caller]
    fn is_ready(&self) -> &Checked {
        self.ran.exits(ExitCode::Done);
        assert_eq!(self.json["ready"], true, "{}", self.ran);
        self
    }

    #[track_caller]
    fn is_not_ready(&self) -> &Checked {
        self.ran.exits(ExitCode::NotCompleted);
        assert_eq!(self.json["ready"], false, "{}", self.ran);
        self
    }

    /// There is this finding, of this weight; its advice.
    #[track_caller]
    fn finds(&self, kind: &str, weight: &str, post: impl Into<Value>) -> String {
        let post = post.into();
        let findings = self.json["findings"].as_array().expect("a list");
        let found = findings.iter().find(|f| f["kind"] == kind && f["post"] == post);
        let found = found.unwrap_or_else(|| panic!("no {kind} at {post}\n{}", self.ran));
        assert_eq!(found["weight"], weight, "{found}");
        found["advice"].as_str().expect("text").to_string()
    }

    fn microphone(&self, index: usize) -> &Value {
        &self.json["microphones"][index]
    }

    /// How each phrase came out at last.
    fn outcomes(&self) -> Vec<String> {
        let last = |asked: &Value| -> String {
            let tries = asked["tries"].as_array().expect("a list");
            tries.last().map_or("not-asked", |tried| tried["outcome"].as_str().expect("text")).to_string()
        };
        self.json["phrases"].as_array().expect("a list").iter().map(last).collect()
    }
}

#[track_caller]
fn near(value: &Value, wanted: f64, within: f64) {
    let value = value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    assert!((value - wanted).abs() <= within, "{value}, not {wanted}");
}

#[test]
fn two_people_heard_well_in_a_quiet_room_are_ready() {
    let checked = check(&worker(), &observer());
    checked.is_ready();
    assert_eq!(checked.outcomes(), ["accepted"; 4]);
    assert_eq!(checked.json["findings"].as_array().map(Vec::len), Some(0), "{}", checked.ran);
    for index in 0..2 {
        let microphone = checked.microphone(index);
        near(&microphone["room"]["noise_dbfs"], f64::from(QUIET_ROOM), 1.5);
        near(&microphone["speech"]["level_dbfs"], f64::from(PERSON), 1.5);
        near(&microphone["speech"]["snr_db"], f64::from(PERSON - QUIET_ROOM), 2.0);
        assert_eq!(microphone["speech"]["clipped"], 0);
        assert_eq!(microphone["room"]["hum"], Value::Null);
        assert_eq!(microphone["prompt"]["heard"], "not-tried");
        assert_eq!(microphone["dead"], false);
    }
    let phrases: Vec<&str> =
        checked.json["phrases"].as_array().unwrap().iter().filter_map(|p| p["phrase"].as_str()).collect();
    assert_eq!(phrases, [WORKER, OBSERVER].concat());
}

#[test]
fn the_screen_shows_levels_and_how_surely_each_phrase_was_heard() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (procedure, worker, observer) = files(folder.path(), &worker(), &observer());
    let inputs = [format!("worker={}", text(&worker)), format!("observer={}", text(&observer))];
    let ran = run(&["soundcheck", text(&procedure), "--in", &inputs[0], "--in", &inputs[1]]);
    ran.exits(ExitCode::Done);
    for line in [
        "says    Worker, please say: both hands rubbed dry.",
        "room    worker: room noise -5",
        "heard   worker: accepted (0.",
        "heard   observer: accepted",
        "says    The sound check is done. Ready.",
        "dB over the room, 0 samples clipped",
        "\nReady.",
    ] {
        assert!(ran.out.contains(line), "no {line:?}\n{ran}");
    }
}

#[test]
fn one_shared_microphone_hears_both_people() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut both = worker();
    both.extend(&observer()[56_000..]);
    let (procedure, file, _) = files(folder.path(), &both, &[0]);
    let ran = run(&["soundcheck", text(&procedure), "--in", text(&file), "--json"]);
    ran.exits(ExitCode::Done);
    let json: Value = serde_json::from_str(&ran.out).expect("JSON");
    assert_eq!(json["microphones"][0]["post"], "room");
    assert_eq!(json["phrases"][3]["tries"][0]["outcome"], "accepted", "{ran}");
}

#[test]
fn a_noisy_room_is_not_ready_and_is_told_so() {
    let noisy = in_noise(person("rms", &WORKER, PERSON), NoiseKind::Pink, PERSON - 4.0, 3);
    let checked = check(&noisy, &observer());
    checked.is_not_ready();
    let advice = checked.finds("noise", "change", "worker");
    assert!(advice.contains("too noisy at the worker's microphone"), "{advice}");
    near(&checked.microphone(0)["room"]["noise_dbfs"], f64::from(PERSON - 4.0), 2.0);
    near(&checked.microphone(0)["speech"]["snr_db"], 4.0, 3.0);
    checked.ran.says(&["Not ready. It is too noisy at the worker's microphone."]);
}

#[test]
fn speech_that_clips_is_told_to_turn_the_microphone_down() {
    let loud: Vec<i16> = worker().iter().map(|s| s.saturating_mul(24)).collect();
    let checked = check(&loud, &observer());
    checked.is_not_ready();
    assert!(checked.finds("clipped", "change", "worker").contains("turn the microphone down"));
    assert!(checked.microphone(0)["speech"]["clipped"].as_u64().is_some_and(|count| count > 100));
}

#[test]
fn hum_is_named_by_its_frequency_and_counts_when_it_drowns_speech() {
    let hum = |clip: Vec<i16>, hz: f64, peak: f64| -> Vec<i16> {
        let tone = |n: usize| peak * 32_767.0 * (TAU * hz * n as f64 / 16_000.0).sin();
        clip.iter().enumerate().map(|(n, s)| s.saturating_add(tone(n).round() as i16)).collect()
    };
    // -29 dBFS and -43 dBFS: 3 and 17 dB below the speech.
    let checked = check(&hum(worker(), 50.0, 0.05), &hum(observer(), 60.0, 0.01));
    checked.is_not_ready();
    assert!(checked.finds("hum", "change", "worker").contains("hum at 50 hertz"));
    assert!(checked.finds("hum", "better", "observer").contains("hum at 60 hertz"));
    near(&checked.microphone(0)["room"]["hum"]["level_dbfs"], -29.0, 0.5);
    near(&checked.microphone(1)["room"]["hum"]["level_dbfs"], -43.0, 0.5);
}

#[test]
fn a_dead_microphone_is_told_once_and_nobody_is_asked_again_for_it() {
    for level in [0, 1234] {
        let checked = check(&vec![level; 160_000], &observer());
        checked.is_not_ready();
        assert!(checked.finds("dead", "change", "worker").contains("The worker's microphone is dead."));
        assert_eq!(checked.json["findings"].as_array().map(Vec::len), Some(1), "{}", checked.ran);
        assert_eq!(checked.outcomes(), ["nothing", "not-asked", "accepted", "accepted"]);
    }
}

#[test]
fn a_microphone_that_is_silent_until_somebody_speaks_has_a_noise_gate() {
    let checked = check(&person("rms", &WORKER, PERSON), &observer());
    checked.is_ready();
    assert!(checked.finds("gated", "better", "worker").contains("noise gate"));
    checked.ran.says(&["Ready. Better still: Switch off the noise gate of the worker's microphone"]);
}

#[test]
fn swapped_people_are_told_to_swap_their_microphones() {
    let checked = check(&observer(), &worker());
    checked.is_not_ready();
    let advice = checked.finds("swapped", "change", Value::Null);
    assert!(advice.contains("swap your microphones"), "{advice}");
    assert_eq!(checked.json["findings"].as_array().map(Vec::len), Some(1), "{}", checked.ran);
}

#[test]
fn silence_instead_of_phrases_is_not_ready() {
    let room = in_noise(vec![0; 800_000], NoiseKind::Pink, QUIET_ROOM, 5);
    let checked = check(&room, &observer());
    checked.is_not_ready();
    assert!(checked.finds("not-heard", "change", "worker").contains("I heard nothing"));
    assert_eq!(checked.json["phrases"][0]["tries"].as_array().map(Vec::len), Some(3), "{}", checked.ran);
    checked
        .ran
        .says(&["nothing was heard in ten seconds", "Worker, I am waiting for: both hands rubbed dry."]);
}

#[test]
fn a_wrong_phrase_is_asked_for_again_and_the_right_one_then_counts() {
    let phrases = ["apron strings are tied", WORKER[0], WORKER[1]];
    let checked = check(&good("rms", &phrases), &observer());
    checked.is_ready();
    let tries = checked.json["phrases"][0]["tries"].as_array().expect("a list").clone();
    assert_eq!(tries[0]["outcome"], "other", "{}", checked.ran);
    assert_eq!(tries[1]["outcome"], "accepted", "{}", checked.ran);
    checked.finds("repeated", "better", "worker");
    checked
        .ran
        .says(&["Negative. I heard: apron strings are tied. Worker, the phrase is: both hands rubbed dry."]);
}

#[test]
fn chatter_instead_of_the_phrase_is_asked_for_twice_again_and_not_ready() {
    let chatter = "the train to the coast leaves every morning at nine";
    let checked = check(&good("rms", &[chatter; 6]), &observer());
    checked.is_not_ready();
    assert_eq!(checked.outcomes()[..2], ["ignored", "ignored"], "{}", checked.ran);
    assert_eq!(checked.json["phrases"][0]["tries"].as_array().map(Vec::len), Some(3));
    assert!(checked.finds("not-sure", "change", "worker").contains("exactly the phrase I ask for"));
}

#[test]
fn a_far_microphone_is_told_by_how_much() {
    let far = in_noise(person("rms", &WORKER, -58.0), NoiseKind::Pink, -80.0, 1);
    let checked = check(&far, &observer());
    checked.is_not_ready();
    assert!(checked.finds("too-quiet", "change", "worker").contains("move the microphone closer"));
    checked.ran.says(&[]);
    let what = &checked.json["findings"][0]["what"];
    assert!(what.as_str().is_some_and(|what| what.contains("dB too quiet")), "{what}");
}

#[test]
fn an_offset_a_scream_and_a_microphone_that_dies_each_get_a_verdict() {
    let offset: Vec<i16> = worker().iter().map(|s| s.saturating_add(4_000)).collect();
    check(&offset, &observer()).is_not_ready().finds("offset", "change", "worker");

    let mut scream = in_noise(vec![0; 56_000], NoiseKind::Pink, QUIET_ROOM, 1);
    scream.extend((0..480_000).map(|n| {
        let vibrato = 900.0 + 60.0 * (TAU * 5.0 * f64::from(n) / 16_000.0).sin();
        (29_000.0 * (TAU * vibrato * f64::from(n) / 16_000.0).sin()) as i16
    }));
    check(&scream, &observer()).is_not_ready();

    let mut dies = worker();
    let second = 56_000 + said("rms", WORKER[0], PERSON).len() + 24_000 + 6_000;
    dies[second..].fill(0);
    let checked = check(&dies, &observer());
    checked.is_not_ready();
    assert_eq!(checked.outcomes()[0], "accepted", "{}", checked.ran);
    assert_ne!(checked.outcomes()[1], "accepted", "{}", checked.ran);
}

#[test]
fn recordings_too_short_for_anything_are_not_ready() {
    let checked = check(&[1, 2, 3], &observer());
    checked.is_not_ready().finds("no-quiet", "change", "worker");
}

#[test]
fn the_same_recordings_give_the_same_report() {
    let (one, other) = (check(&worker(), &observer()), check(&worker(), &observer()));
    assert_eq!(one.json, other.json);
}

#[test]
fn options_that_can_not_be_are_refused_as_in_a_run() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (procedure, file, _) = files(folder.path(), &worker(), &observer());
    let worker_only = format!("worker={}", text(&file));
    let ran = run(&["soundcheck", text(&procedure), "--in", &worker_only]);
    ran.exits(ExitCode::Usage).says(&["the observer's is missing", "--in observer="]);
    run(&["soundcheck", text(&procedure), "--in", "x.wav", "--mic", "y"])
        .exits(ExitCode::Usage)
        .says(&["cannot be used with"]);
    run(&["soundcheck", text(&procedure), "--in", "/nonexistent.wav"])
        .exits(ExitCode::BadAudio)
        .says(&["/nonexistent.wav"]);
    run(&["soundcheck", "/nonexistent.toml", "--in", text(&file)]).exits(ExitCode::BadProcedure);
}

/// Natural voices where there are some, otherwise two of flite's that are told apart.
fn voices() -> [&'static str; 3] {
    match antiphon::models::natural_voices() {
        Ok(_) => ["natural:am_michael", "natural:bf_emma", "natural:am_onyx"],
        Err(_) => ["flite:awb", "flite:slt", "flite:kal16"],
    }
}

/// The phrases of `SHORT` that a person who is enrolled is asked for.
const ENROLLED: [[&str; 4]; 2] = [
    ["both hands rubbed dry", "hood reaches my shoulders", "inner gloves are on", "apron strings are tied"],
    [
        "every finger was treated",
        "chin and neck enclosed",
        "i see wrists protected",
        "front shielded to calves",
    ],
];

struct Station {
    folder: tempfile::TempDir,
}

impl Station {
    fn run(&self, more: &[&str]) -> Ran {
        run_with(more, &[("XDG_DATA_HOME", self.folder.path()), ("ANTIPHON_EARS", Path::new("phones"))])
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn enrol(&self, more: &[&str]) -> Ran {
        let person = |voice: &str, phrases: &[&str]| {
            let mut renderer =
                Renderer::new(voice.parse::<RenderVoice>().expect("a voice")).expect("it is there");
            let mut clip = vec![0; 56_000];
            for phrase in phrases {
                clip.extend(at_level(&renderer.render(phrase).expect("it says an ordinary phrase"), PERSON));
                clip.extend(vec![0; 24_000]);
            }
            in_noise(clip, NoiseKind::Pink, QUIET_ROOM, 1)
        };
        let [worker, observer, _] = voices();
        let (procedure, w, o) =
            files(self.folder.path(), &person(worker, &ENROLLED[0]), &person(observer, &ENROLLED[1]));
        let (w, o) = (format!("worker={}", text(&w)), format!("observer={}", text(&o)));
        let told = [
            "soundcheck",
            text(&procedure),
            "--in",
            &w,
            "--in",
            &o,
            "--enrol",
            "worker=w7",
            "--enrol",
            "observer=o2",
        ];
        self.run(&[&told[..], more].concat())
    }

    /// A session in which these voices speak, and its journal.
    fn session(&self, id: &str, worker: &str, observer: &str, more: &[&str]) -> (Ran, String) {
        let procedure = self.path("short.toml");
        let told = [
            "rehearse",
            text(&procedure),
            "--plain",
            "--answer",
            "apron=yes",
            "--id",
            id,
            "--worker-voice",
            worker,
        ];
        let who = ["--observer-voice", observer, "--who", "worker=w7", "--who", "observer=o2"];
        let ran = self.run(&[&told[..], &who, more].concat());
        let journal = self.path("antiphon/sessions").join(id).join("journal.jsonl");
        let journal = std::fs::read_to_string(journal).unwrap_or_else(|error| panic!("{error}\n{ran}"));
        (ran, journal)
    }
}

#[test]
fn enrolled_voices_are_told_from_each_other_and_from_a_third_from_the_first_answer_on() {
    let station = Station { folder: tempfile::tempdir().unwrap() };
    let [worker, observer, third] = voices();
    let (_, journal) = {
        write(station.folder.path(), "short.toml", SHORT);
        station.session("before", worker, observer, &["--one-microphone"])
    };
    assert!(journal.contains("voices not enrolled: worker and observer"), "{journal}");

    // Nobody is at the terminal to agree: nothing is kept.
    let ran = station.enrol(&[]);
    ran.exits(ExitCode::Done).says(&["nobody is at the terminal to agree"]);
    assert!(ran.out.contains("not enrolled: w7 as worker"), "{ran}");
    station.run(&["forget"]).exits(ExitCode::Done).says(&[]);
    assert!(!station.path("antiphon/voices").exists());

    let ran = station.enrol(&["--agreed"]);
    ran.exits(ExitCode::Done);
    assert!(
        ran.out.contains("enrolled: w7 as worker (4 phrases)") && ran.out.contains("o2 as observer"),
        "{ran}"
    );
    for microphones in [&["--one-microphone"][..], &[]] {
        let name = |kind: &str| format!("{kind}-{}", microphones.len());
        let (ran, journal) = station.session(&name("two"), worker, observer, microphones);
        ran.exits(ExitCode::Done);
        assert!(
            journal.contains("both voices are enrolled") && !journal.contains("other-voice"),
            "{journal}"
        );

        let (ran, journal) = station.session(&name("alone"), worker, worker, microphones);
        for time in 1..=3 {
            let note = format!(r#""note":"other-voice","step":0,"time":{time},"like":"worker""#);
            assert!(journal.contains(&note), "no {note}\n{ran}");
        }
        assert!(ran.out.contains("sounds like the worker's voice"), "{ran}");

        let (ran, journal) = station.session(&name("third"), third, observer, microphones);
        assert!(
            journal.contains(r#""note":"other-voice""#) && !journal.contains(r#""like":"observer""#),
            "{ran}"
        );
    }

    // What is kept can be listed, and goes with a redaction or when it is to be forgotten.
    let listed = station.run(&["forget"]);
    assert!(listed.out.contains("w7") && listed.out.contains("4 phrases"), "{listed}");
    let session = station.path("antiphon/sessions/two-0");
    let redacted = station.run(&["redact", text(&session), "--who", "worker", "--yes"]);
    redacted.exits(ExitCode::Done);
    assert!(redacted.out.contains("kept voice was deleted too: w7"), "{redacted}");
    station.run(&["forget", "o2"]).exits(ExitCode::Done);
    station.run(&["forget", "o2"]).exits(ExitCode::Usage).says(&["no voice is kept of o2"]);
    assert!(station.run(&["forget"]).out.contains("No voice is kept."));
}

#[test]
fn who_can_not_be_enrolled_is_told_and_a_check_that_is_not_ready_enrols_nobody() {
    let station = Station { folder: tempfile::tempdir().unwrap() };
    let (procedure, w, o) = files(station.folder.path(), &worker(), &observer());
    let (w, o) = (format!("worker={}", text(&w)), format!("observer={}", text(&o)));
    let told = ["soundcheck", text(&procedure), "--in", &w, "--in", &o, "--agreed", "--enrol"];
    let enrol = |who: &[&str]| station.run(&[&told[..], who].concat());
    enrol(&["worker=../w7"]).exits(ExitCode::Usage).says(&["not a short id"]);
    // No session takes it either.
    enrol(&["worker=thirteen-long"]).exits(ExitCode::Usage).says(&["1 to 12 letters"]);
    enrol(&["worker=w7", "--enrol", "worker=w8"]).exits(ExitCode::Usage).says(&["named twice"]);
    enrol(&["worker=w7", "--enrol", "observer=w7"]).exits(ExitCode::Usage).says(&["named twice"]);
    enrol(&["room=w7"]).exits(ExitCode::Usage);
    // The recordings end before the phrases that an enrolment asks for.
    let ran = enrol(&["worker=w7"]);
    ran.exits(ExitCode::NotCompleted);
    assert!(
        ran.out.contains("not enrolled: w7 as worker: the sound check found something to change"),
        "{ran}"
    );
    assert!(!station.path("antiphon/voices").exists());
    let models = models_without("campplus.safetensors");
    let ran = run_with(&[&told[..], &["worker=w7"]].concat(), &[("ANTIPHON_MODELS", models.path())]);
    ran.exits(ExitCode::MissingModel).says(&["campplus", "setup.sh"]);
}

/// The procedure decides; the command line may only be stricter.
#[test]
fn a_procedure_says_whether_voices_are_compared() {
    let station = Station { folder: tempfile::tempdir().unwrap() };
    let [worker, _, _] = voices();
    let with = |rule: &str| {
        let source = SHORT.replacen("[rules]", &format!("[rules]\nvoices = {rule}"), 1);
        write(station.folder.path(), "short.toml", source)
    };
    with("\"off\"");
    let (_, journal) = station.session("off", worker, worker, &[]);
    assert!(!journal.contains("voices are compared") && !journal.contains("same-voice"), "{journal}");
    with("\"required\"");
    let procedure = station.path("short.toml");
    let off = ["rehearse", text(&procedure), "--same-voice", "off"];
    station.run(&off).exits(ExitCode::Usage).says(&["this procedure requires"]);
    let models = models_without("campplus.safetensors");
    let without = [("ANTIPHON_MODELS", models.path()), ("XDG_DATA_HOME", station.folder.path())];
    run_with(&["rehearse", text(&procedure)], &without).exits(ExitCode::MissingModel).says(&["campplus"]);
    with("\"requird\"");
    let linted = station.run(&["lint", text(&procedure)]);
    assert!(
        linted.out.contains("short.toml:") && linted.out.contains("did you mean `required`?"),
        "{linted}"
    );
}

#[test]
fn help_has_examples_and_says_how_it_ends() {
    let ran = run(&["soundcheck", "--help"]);
    ran.exits(ExitCode::Done);
    for part in ["Examples:", "--mic worker=headset", "--in worker=w.wav", "--json", "ends with 0"] {
        assert!(ran.out.contains(part), "no {part:?}\n{ran}");
    }
}

#[test]
fn without_a_sound_server_the_live_check_says_what_is_missing() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let procedure = write(folder.path(), "short.toml", SHORT);
    let mut command = common::antiphon(&["soundcheck", text(&procedure), "--voice", "rendered"]);
    let ran = ran(command.env("PULSE_SERVER", "unix:/nonexistent").env("XDG_RUNTIME_DIR", folder.path()));
    ran.exits(ExitCode::NoDevice).says(&["do:"]);
}
