//! The built program, live, at its limits: a disk that fills up in mid-session, a microphone that dies in mid-phrase,
//! and ten minutes of two microphones.

#[path = "live_room/room.rs"]
mod room;

use antiphon::listen::engine::{phones::PhonesEngine, Candidate, Engine, Kind};
use antiphon::procedure::parse::{self, words};
use antiphon::procedure::PhraseId;
use antiphon::record::verify::{verify, State};
use antiphon::session::lines::lines;
use room::Room;
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

fn procedure() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/live_room/short-donning.toml")
}

/// Options of a live session with both microphones and the rendered voice.
const LIVE: [&str; 7] =
    ["--mic", "worker=worker_mic", "--mic", "observer=observer_mic", "--plain", "--voice", "rendered"];

/// Everything the room's loudspeaker played, at 16 kHz, until the recorder was stopped.
struct Recorder {
    parec: Child,
    samples: std::thread::JoinHandle<Vec<i16>>,
}

impl Recorder {
    fn start(room: &Room) -> Recorder {
        let mut command = room.command("parec");
        command.args(["--device=room.monitor", "--rate=16000", "--channels=1", "--format=s16le"]);
        let mut parec = command.stdout(Stdio::piped()).spawn().expect("parec starts");
        let mut sound = parec.stdout.take().expect("a pipe");
        let samples = std::thread::spawn(move || {
            let mut bytes = Vec::new();
            sound.read_to_end(&mut bytes).expect("a pipe can be read");
            bytes.chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]])).collect()
        });
        Recorder { parec, samples }
    }

    fn stop(mut self) -> Vec<i16> {
        std::thread::sleep(Duration::from_millis(300));
        self.parec.kill().expect("a child of ours");
        self.parec.wait().expect("a child of ours");
        self.samples.join().expect("the reader ends")
    }
}

/// The last thing said: what follows the last second of silence but the one at the end.
fn last_said(sound: &[i16]) -> &[i16] {
    let loud = |tick: &&[i16]| tick.iter().any(|sample| sample.unsigned_abs() > 60);
    let ticks: Vec<bool> = sound.chunks(320).map(|tick| loud(&tick)).collect();
    let end = ticks.iter().rposition(|loud| *loud).map_or(0, |at| at + 1);
    let mut begin = end;
    while begin > 0 && ticks[begin.saturating_sub(50)..begin].iter().any(|loud| *loud) {
        begin -= 1;
    }
    &sound[begin * 320..(end * 320).min(sound.len())]
}

/// Which of these sentences was said.
fn closest<'t>(sound: &[i16], sentences: &[&'t str]) -> &'t str {
    let mut engine = PhonesEngine::load().expect("models are set up");
    let plain = |text: &str| -> String {
        let text = words(text).expect("plain words");
        let known = |word: &&str| engine.check_word(word, &BTreeMap::new()).is_ok();
        text.split(' ').filter(known).collect::<Vec<_>>().join(" ")
    };
    let candidates: Vec<Candidate> = sentences
        .iter()
        .map(|text| Candidate { text: plain(text), kind: Kind::Counts(PhraseId(0)) })
        .collect();
    engine.listen_for(&candidates, &BTreeMap::new()).expect("known words");
    let scores = engine.hear(sound).expect("the engine hears");
    let best = (0..sentences.len()).max_by(|a, b| scores.ratio[*a].total_cmp(&scores.ratio[*b]));
    sentences[best.expect("there are sentences")]
}

#[test]
fn a_disk_that_fills_up_in_mid_session_is_said_aloud() {
    let allowed = Command::new("unshare").args(["--mount", "true"]).status();
    if !allowed.is_ok_and(|status| status.success()) {
        println!("skipped: only root can mount the small file system this needs");
        return;
    }
    let room = Room::open();
    let small = room.path().join("small");
    std::fs::create_dir(&small).expect("a folder");
    let recorder = Recorder::start(&room);
    // Sound is not recorded on a disk as small as this; something else takes all its room while the tool asks its first
    // question and calls for an answer, and the journal meets the full disk.
    let line = "mount -t tmpfs -o size=600k tmpfs \"$SMALL\" || exit 99\n\
                (sleep 4; head -c 1000000 /dev/zero > \"$SMALL/filler\") 2>/dev/null &\nexec \"$@\" --sessions \"$SMALL\"";
    let mut command = room.command("unshare");
    command.args(["--mount", "sh", "-c", line, "sh", env!("CARGO_BIN_EXE_antiphon"), "run"]);
    let output = command.arg(procedure()).args(LIVE).env("SMALL", &small).output().expect("it runs");
    let err = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(7), "{err}");
    assert!(err.contains("no room to") && err.contains("free some space"), "{err}");
    let sound = recorder.stop();
    let (about, _) = parse::load(&procedure()).expect("the procedure is good");
    let failed = lines("en").0.failed;
    let opening = about.opening.clone().expect("it has one");
    let sentences = [failed, &opening, &about.questions[0].ask, &about.closing];
    assert_eq!(closest(last_said(&sound), &sentences), failed);
}

/// Waits until a growing file has a text this often.
fn wait_for(file: &Path, text: &str, times: usize) {
    let since = Instant::now();
    while std::fs::read_to_string(file).unwrap_or_default().matches(text).count() < times {
        assert!(since.elapsed() < Duration::from_secs(60), "no {text} in {}", file.display());
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn a_microphone_that_dies_in_mid_phrase_holds_the_session_and_its_record_is_sound() {
    let room = Room::open();
    let sessions = room.path().join("sessions");
    let phrase = room.path().join("phrase.wav");
    let made = Command::new("flite")
        .args(["-voice", "slt", "-t", "splashes are likely", "-o"])
        .arg(&phrase)
        .status();
    assert!(made.expect("flite runs").success());
    let mut command = room.command(env!("CARGO_BIN_EXE_antiphon"));
    command.arg("run").arg(procedure()).args(LIVE).args(["--id", "dies", "--sessions"]).arg(&sessions);
    let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program starts");
    let journal = sessions.join("dies/journal.jsonl");
    wait_for(&journal, r#""event":"speech-ended""#, 2);
    let mut player =
        room.command("paplay").arg("--device=observer").arg(&phrase).spawn().expect("paplay starts");
    std::thread::sleep(Duration::from_millis(700));
    let modules = room.pactl(&["list", "short", "modules"]);
    let module = modules.lines().find(|line| line.contains("source_name=observer_mic")).expect("it is there");
    room.pactl(&["unload-module", module.split_whitespace().next().expect("a number")]);
    let _ = player.wait();
    wait_for(&journal, r#""event":"post-lost""#, 1);
    wait_for(&journal, r#""action":"say""#, 3);
    std::thread::sleep(Duration::from_secs(1));
    let interrupted = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(interrupted.expect("kill runs").success());
    let output = child.wait_with_output().expect("its output");
    let out = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(8), "{out}");
    assert!(out.contains("microphone lost: observer"), "{out}");
    let journal = std::fs::read_to_string(&journal).expect("a journal");
    assert!(journal.contains("I can no longer hear the observer. On hold."), "{journal}");
    assert!(!journal.contains(r#""note":"counted""#), "{journal}");
    assert_eq!(verify(&sessions.join("dies")).expect("a session").state, State::Sound);
}

/// Ten minutes of noise at both microphones, recorded and listened to: every frame arrives. `make soak` runs it.
#[test]
#[ignore = "takes ten minutes: make soak"]
fn two_microphones_drop_nothing_in_ten_minutes() {
    const SECONDS: u64 = 600;
    let room = Room::open();
    let sessions = room.path().join("sessions");
    let mut command = room.command(env!("CARGO_BIN_EXE_antiphon"));
    command.arg("run").arg(procedure()).args(LIVE).args(["--id", "soak", "--sessions"]).arg(&sessions);
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the program starts");
    let noise = room.path().join("noise.wav");
    // Speech-like bursts keep the listeners busy: two seconds of noise, one of silence.
    let effect = ["synth", "2", "pinknoise", "vol", "0.2", "pad", "0", "1", "repeat", "199"];
    let made = Command::new("sox").args(["-n", "-r", "16000", "-c", "1"]).arg(&noise).args(effect).status();
    assert!(made.expect("sox runs").success());
    let players: Vec<Child> = ["worker", "observer"]
        .map(|post| {
            let mut command = room.command("paplay");
            command.arg(format!("--device={post}")).arg(&noise).spawn().expect("paplay starts")
        })
        .into();
    std::thread::sleep(Duration::from_secs(SECONDS));
    let memory = std::fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap_or_default();
    let peak = memory.lines().find(|line| line.starts_with("VmHWM")).unwrap_or("VmHWM: unknown").to_string();
    let interrupted = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(interrupted.expect("kill runs").success());
    assert_eq!(child.wait().expect("a child of ours").code(), Some(8), "interrupted");
    for mut player in players {
        let _ = player.kill();
        let _ = player.wait();
    }
    let folder = sessions.join("soak");
    assert_eq!(verify(&folder).expect("a session").state, State::Sound);
    let journal = std::fs::read_to_string(folder.join("journal.jsonl")).expect("a journal");
    let lost: Vec<&str> = journal
        .lines()
        .filter(|line| line.contains(r#""kind":"note""#) && line.contains("dropped"))
        .collect();
    assert!(lost.is_empty(), "{lost:#?}");
    let reader = hound::WavReader::open(folder.join("audio.wav")).expect("a recording");
    let seconds = f64::from(reader.duration()) / f64::from(reader.spec().sample_rate);
    assert!((seconds - SECONDS as f64).abs() < 5.0, "{seconds} s were recorded");
    let heard = journal.lines().filter(|line| line.contains(r#""event":"heard""#)).count();
    println!("{seconds:.1} s of two microphones, {heard} utterances judged, nothing dropped; {peak}");
}
