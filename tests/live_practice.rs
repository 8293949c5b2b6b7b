//! A practice in real time, in a room without a sound card: a robot trainee follows the program's journal and answers
//! into its microphone, which also hears the loudspeaker, the stand-in's voice included.

#[path = "live_room/room.rs"]
mod room;

use antiphon::procedure::{parse, Procedure, Role};
use antiphon::record::read::{read, Line};
use antiphon::record::verify::{verify, State as Record};
use antiphon::session::{step, Event, Phase, State, What};
use room::Room;
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const LIMIT: Duration = Duration::from_secs(300);

/// Reads the journal as it grows, and says what is right whenever the worker is awaited.
struct Trainee<'a> {
    room: &'a Room,
    procedure: &'a Procedure,
    state: State,
    /// Lines of the journal that were read.
    read: usize,
}

impl Trainee<'_> {
    fn follow(&mut self, journal: &Path) {
        // Not there yet, or in the middle of a line.
        let Ok(text) = std::fs::read_to_string(journal) else { return };
        let whole = text.rfind('\n').map_or("", |end| &text[..end]);
        let lines: Vec<&str> = whole.lines().skip(self.read).collect();
        self.read += lines.len();
        let mut prompted = false;
        for line in lines {
            let line: Value = serde_json::from_str(line).expect("JSON");
            if line["kind"] == "in" {
                let event: Event = serde_json::from_value(line["body"].clone()).expect("an event");
                prompted |= matches!(event.what, What::SpeechEnded { whole: true, .. });
                self.state = step(self.state.clone(), event, self.procedure).0;
            }
        }
        let awaited = self.state.awaited(self.procedure) == Some(Role::Worker);
        if prompted && awaited && self.state.speaking.is_none() {
            self.answer();
        }
    }

    fn answer(&self) {
        let wait = match self.state.phase {
            Phase::ReadBack { step } => self.procedure.steps[usize::from(step)].at_least_s.unwrap_or(0.0),
            _ => 0.0,
        };
        std::thread::sleep(Duration::from_millis(500) + Duration::from_secs_f64(wait));
        let phrase = &self.procedure.phrase(self.state.expected(self.procedure)[0]).text;
        let file = self.room.path().join(format!("{}.wav", phrase.replace(' ', "-")));
        let made = Command::new("flite").args(["-voice", "rms", "-t", phrase, "-o"]).arg(&file).status();
        assert!(made.expect("flite runs").success());
        let played = self.room.command("paplay").arg("--device=worker").arg(&file).status();
        assert!(played.expect("paplay runs").success());
    }
}

/// One channel of the recording.
fn track(session: &Path, channel: usize) -> Vec<i16> {
    let mut reader = hound::WavReader::open(session.join("audio.wav")).expect("a recording");
    let channels = usize::from(reader.spec().channels);
    assert_eq!((reader.spec().sample_rate, channels), (16_000, 3));
    reader.samples::<i16>().map(|s| s.expect("a sample")).skip(channel).step_by(channels).collect()
}

#[test]
#[ignore = "needs a sound server of its own, and two minutes"]
fn a_worker_practises_live_beside_a_loudspeaker_that_plays_the_stand_in_observer() {
    let room = Room::open();
    room.leak(-10);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/live_room/short-donning.toml");
    let (procedure, _) = parse::load(&path).expect("the procedure is good");
    let sessions = room.path().join("sessions");
    let mut command = room.command(env!("CARGO_BIN_EXE_antiphon"));
    command.arg("practice").arg(&path).args(["--as", "worker", "--mic", "worker_mic", "--voice", "rendered"]);
    command.args(["--seed", "3", "--plain", "--id", "live"]).arg("--sessions").arg(&sessions);
    let mut child =
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program starts");
    let session = sessions.join("live");
    let posts = [antiphon::procedure::Post::Worker, antiphon::procedure::Post::Observer];
    let state = State::new(&procedure, &posts, antiphon::session::DEFAULT_GRACE_MS);
    let mut trainee = Trainee { room: &room, procedure: &procedure, state, read: 0 };
    let since = Instant::now();
    while child.try_wait().expect("a child").is_none() {
        trainee.follow(&session.join("journal.jsonl"));
        if since.elapsed() > LIMIT {
            let _ = child.kill();
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let output = child.wait_with_output().expect("its output");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let story = format!("{}\n{}", text(&output.stdout), text(&output.stderr));
    println!("{story}");
    assert_eq!(output.status.code(), Some(0), "{story}");
    assert_eq!(verify(&session).expect("a session").state, Record::Sound);

    let score = std::fs::read_to_string(session.join("practice.json")).expect("a score");
    let score: Value = serde_json::from_str(&score).expect("JSON");
    assert_eq!(score["outcome"], "completed", "{story}");
    let kinds: Vec<&str> = score["reactions"]
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(|one| one["kind"].as_str())
        .collect();
    assert_eq!(kinds.len(), 3, "{kinds:?}");
    assert_eq!(score["totals"]["reactions_wrong"], 0, "{story}");

    let lines: Vec<Line> = read(&session.join("journal.jsonl")).expect("a journal").lines;
    let accepted = |post: &str| -> Vec<(usize, usize)> {
        let of = lines.iter().filter(|line| line.body["post"] == post && line.body["verdict"] == "accepted");
        let at = |line: &Line, key: &str| line.body[key].as_u64().expect("a time") as usize * 16;
        of.map(|line| (at(line, "start_ms"), at(line, "end_ms"))).collect()
    };
    let (worker, observer) = (track(&session, 0), track(&session, 1));
    assert!(accepted("worker").len() >= 3 && accepted("observer").len() >= 4, "{story}");
    let level = |sound: &[i16]| antiphon::audio::level::rms_dbfs(sound);
    for (from, to) in accepted("observer") {
        assert!(level(&observer[from..to.min(observer.len())]) > -40.0, "its words are its post's track");
        assert!(level(&worker[from..to.min(worker.len())]) > -60.0, "the loudspeaker leaks");
    }
    for (from, to) in accepted("worker") {
        let loud = |at: &usize| observer[*at..(*at + 160).min(observer.len())].iter().any(|s| *s != 0);
        let both = (from..to).step_by(160).filter(loud).count() * 160;
        assert!(both * 4 < to - from, "the stand-in's words counted as the trainee's\n{story}");
    }
}
