//! Whole sessions with stand-in people, each run once and looked at by several tests.

use crate::common::{antiphon, ran, run, text, write, Ran, SHORT};
use antiphon::conduct::replay::replay;
use antiphon::failure::ExitCode;
use antiphon::procedure::parse::load;
use antiphon::procedure::Procedure;
use antiphon::record::read::{self, Line};
use antiphon::record::verify::{verify, State};
use serde_json::{json, Value};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// A session that was run, and its record.
pub struct Session {
    pub ran: Ran,
    pub folder: PathBuf,
    pub lines: Vec<Line>,
    pub summary: Value,
    pub procedure: Procedure,
}

/// Kept until the next run of these tests, for a look at what failed.
pub fn root() -> &'static Path {
    static ROOT: OnceLock<PathBuf> = OnceLock::new();
    ROOT.get_or_init(|| {
        let root = Path::new(env!("CARGO_TARGET_TMPDIR")).join("program");
        // Not there the first time; whatever else is wrong shows when it is made.
        let _ = std::fs::remove_dir_all(&root);
        std::fs::create_dir_all(&root).expect("cargo's folder for tests can be written");
        write(&root, "short.toml", SHORT);
        write(&root, "slips.toml", SLIPS);
        write(&root, "stop.toml", STOP);
        root
    })
}

/// Every slip but the stop, which ends a session.
const SLIPS: &str = r#"
[answers]
apron = "yes"

[[slip]]
step = "apron"
who = "observer"
kind = "wrong"
say = "every finger was treated"
[[slip]]
step = "rub"
who = "worker"
kind = "early"
[[slip]]
step = "rub"
who = "observer"
kind = "refusal"
[[slip]]
step = "gloves"
who = "worker"
kind = "wrong"
[[slip]]
step = "gloves"
who = "observer"
kind = "silence"
[[slip]]
step = "apron"
who = "worker"
kind = "go-back"
[[slip]]
step = "hood"
who = "worker"
kind = "chatter"
[[slip]]
step = "hood"
who = "worker"
kind = "say-again"
[[slip]]
step = "hood"
who = "observer"
kind = "hold"
"#;

const STOP: &str = "[[slip]]\nstep = \"gloves\"\nwho = \"worker\"\nkind = \"stop\"\n";

/// Runs a session named `id` with the short procedure.
pub fn session(id: &str, command: &str, more: &[&str], code: ExitCode) -> Session {
    let procedure = root().join("short.toml");
    let mut arguments = vec![command, text(&procedure), "--sessions", text(root()), "--id", id];
    arguments.extend_from_slice(more);
    let ran = ran(antiphon(&arguments).current_dir(root()));
    ran.exits(code);
    let folder = root().join(id);
    let reading = read::read(&folder.join("journal.jsonl")).expect("the journal can be read");
    assert_eq!(reading.problems, [], "{id}");
    let summary = std::fs::read_to_string(folder.join("summary.json")).expect("a session has a summary");
    let summary = serde_json::from_str(&summary).expect("the summary is JSON");
    let (procedure, _) = load(&folder.join("procedure.toml")).expect("the procedure was kept");
    Session { ran, folder, lines: reading.lines, summary, procedure }
}

macro_rules! shared {
    ($name:ident, $id:literal, $code:expr, $($arguments:tt)*) => {
        pub fn $name() -> &'static Session {
            static ONCE: OnceLock<Session> = OnceLock::new();
            ONCE.get_or_init(|| session($id, "rehearse", &[$($arguments)*], $code))
        }
    };
}

shared!(plain, "plain", ExitCode::Done, "--seed", "7", "--answer", "apron=no");
shared!(again, "again", ExitCode::Done, "--seed", "7", "--answer", "apron=no");
shared!(other, "other", ExitCode::Done, "--seed", "8", "--answer", "apron=no");
shared!(noisy, "noisy", ExitCode::Done, "--seed", "7", "--answer", "apron=yes", "--noise", "fan:15");
shared!(one_microphone, "room", ExitCode::Done, "--seed", "7", "--answer", "apron=no", "--one-microphone");
shared!(slips, "slips", ExitCode::Done, "--script", "slips.toml", "--json");
shared!(stopped, "stopped", ExitCode::NotCompleted, "--script", "stop.toml", "--answer", "apron=no");

/// A session from the tracks of `plain`, each person's channel into that person's microphone.
pub fn from_tracks() -> &'static Session {
    static ONCE: OnceLock<Session> = OnceLock::new();
    ONCE.get_or_init(|| {
        let audio = plain().folder.join("audio.wav");
        inputs("from-tracks", &audio, ExitCode::Done)
    })
}

/// The same from recordings that break off in the middle.
pub fn broken_off() -> &'static Session {
    static ONCE: OnceLock<Session> = OnceLock::new();
    ONCE.get_or_init(|| {
        let whole = plain().folder.join("audio.wav");
        let mut reader = hound::WavReader::open(&whole).expect("the tracks can be read");
        let half = root().join("half.wav");
        let mut writer = hound::WavWriter::create(&half, reader.spec()).expect("the folder can be written");
        let count = reader.duration() as usize / 2 * usize::from(reader.spec().channels);
        for sample in reader.samples::<i16>().take(count) {
            writer.write_sample(sample.expect("the tracks are whole")).expect("the folder can be written");
        }
        writer.finalize().expect("the folder can be written");
        inputs("broken-off", &half, ExitCode::NotCompleted)
    })
}

fn inputs(id: &str, audio: &Path, code: ExitCode) -> Session {
    let (worker, observer) =
        (format!("worker={}#1", audio.display()), format!("observer={}#2", audio.display()));
    session(id, "run", &["--in", &worker, "--in", &observer], code)
}

fn all() -> [&'static Session; 9] {
    [plain(), again(), other(), noisy(), one_microphone(), slips(), stopped(), from_tracks(), broken_off()]
}

// ---- the same and not the same ----

/// A journal without what can't be the same twice: names, wall times, digests, time spent computing.
fn timeless(lines: &[Line]) -> Vec<(u64, String, Value)> {
    lines.iter().map(|line| (line.ms, line.kind.clone(), strip(line.body.clone()))).collect()
}

fn strip(value: Value) -> Value {
    const CHANGING: [&str; 5] = ["session", "started", "ended", "compute_ms", "rehearsal"];
    match value {
        Value::Object(map) => map
            .into_iter()
            .filter(|(key, _)| !CHANGING.contains(&&**key))
            .map(|(k, v)| (k, strip(v)))
            .collect(),
        Value::Array(list) => list.into_iter().map(strip).collect(),
        other => other,
    }
}

#[test]
fn the_same_seed_gives_the_same_session_to_the_sample() {
    let (one, two) = (timeless(&plain().lines), timeless(&again().lines));
    for (first, second) in one.iter().zip(&two) {
        assert_eq!(first, second);
    }
    assert_eq!(one.len(), two.len());
    // Both closing lines carry the sound's digest, so the equality above covers every sample; it must be there.
    assert!(one.last().is_some_and(|(_, _, end)| end["audio_sha256"].is_string()));
}

#[test]
fn another_seed_gives_another_session() {
    assert_ne!(timeless(&plain().lines), timeless(&other().lines));
}

#[test]
fn a_session_in_the_noise_of_a_blower_is_completed() {
    let summary = &noisy().summary;
    assert_eq!(summary["outcome"], "completed");
    assert_eq!(summary["totals"]["steps_done"], 4);
    // The noise must have been there: with it speech is 15 dB or so over the room, without it 60 and more.
    let snr = heard(noisy()).filter_map(|body| body["evidence"]["snr_db"].as_f64()).fold(0.0, f64::max);
    assert!(snr < 30.0, "{snr} dB");
}

#[test]
fn one_microphone_for_both_is_enough() {
    let summary = &one_microphone().summary;
    assert_eq!((&summary["outcome"], &summary["posts"]), (&json!("completed"), &json!(["room"])));
}

#[test]
fn the_tracks_of_a_session_played_into_the_microphones_give_the_same_session() {
    let (first, second) = (plain(), from_tracks());
    assert_eq!(second.summary["outcome"], "completed");
    assert_eq!(first.summary["answers"], second.summary["answers"]);
    assert_eq!(counted(first), counted(second));
    assert_eq!(first.summary["steps"], second.summary["steps"]);
}

#[test]
fn recordings_that_break_off_end_the_session_and_its_record_is_whole() {
    let session = broken_off();
    assert_eq!(session.summary["outcome"], "input-ended");
    assert!(session.ran.out.contains("not done: hood"), "{}", session.ran);
    assert_eq!(verify(&session.folder).expect("it can be read").state, State::Sound);
}

// ---- slips ----

fn bodies<'s>(session: &'s Session, kind: &'static str) -> impl Iterator<Item = &'s Value> {
    session.lines.iter().filter(move |line| line.kind == kind).map(|line| &line.body)
}

fn heard(session: &Session) -> impl Iterator<Item = &Value> {
    bodies(session, "in").filter(|body| body["event"] == "heard")
}

fn notes<'s>(session: &'s Session, note: &'static str) -> impl Iterator<Item = &'s Value> {
    bodies(session, "out").filter(move |body| body["note"] == note)
}

fn says<'s>(session: &'s Session, saying: &'static str) -> impl Iterator<Item = &'s Value> {
    bodies(session, "out").filter(move |body| body["saying"] == saying)
}

fn counted(session: &Session) -> Vec<&Value> {
    notes(session, "counted").collect()
}

#[test]
fn a_session_with_every_slip_but_a_stop_is_completed_and_each_slip_left_its_trace() {
    let session = slips();
    assert_eq!(session.summary["outcome"], "completed");
    assert_eq!(session.summary["totals"]["steps_done"], 4);
    for (note, at_least) in [
        ("too-soon", 1),
        ("refused", 1),
        ("asked-again", 2),
        ("went-back", 1),
        ("held", 1),
        ("carried-on", 1),
    ] {
        assert!(notes(session, note).count() >= at_least, "{note}");
    }
    assert!(says(session, "reminder").count() >= 2, "after silence and after chatter");
    let negative = "Negative. I heard: every finger was treated.";
    assert!(
        says(session, "ask-again").any(|say| say["text"].as_str().is_some_and(|t| t.starts_with(negative)))
    );
    let obeyed: Vec<&str> = notes(session, "obeyed").filter_map(|note| note["call"].as_str()).collect();
    // The hold may have been heard as something like it, which holds as well.
    for call in ["go-back", "say-again", "carry-on"] {
        assert!(obeyed.contains(&call), "{call} not in {obeyed:?}");
    }
}

#[test]
fn a_stop_and_another_stop_end_the_session_and_say_so() {
    let session = stopped();
    assert_eq!(session.summary["outcome"], "stopped");
    assert_eq!(session.summary["totals"]["stops"], 2);
    let last = says(session, "closing").last().expect("something is said at the end");
    assert_eq!(last["text"], "The session is ended. Follow the local procedure.");
    assert!(session.ran.out.contains("A short one: stopped"), "{}", session.ran);
}

// ---- what the record says ----

#[test]
fn every_record_is_sound() {
    for session in all() {
        let report = verify(&session.folder).expect("it can be read");
        assert_eq!(report.state, State::Sound, "{:?}", report.findings);
    }
}

#[test]
fn every_journal_folded_again_gives_the_same_actions_and_what_the_summary_says() {
    for session in all() {
        let again = replay(&session.lines, &session.procedure).expect("every line can be understood");
        assert_eq!(again.differs, None, "{}", session.folder.display());
        assert_eq!(again.events, bodies(session, "in").count());
        let done = again.state.steps.iter().filter(|step| step.confirmed_ms.is_some()).count();
        assert_eq!(session.summary["totals"]["steps_done"], done);
    }
}

#[test]
fn the_numbers_of_every_summary_are_those_of_its_journal() {
    for session in all() {
        let totals = &session.summary["totals"];
        let name = session.folder.display();
        let count = |note| notes(session, note).count();
        let calls = |call: &str| notes(session, "obeyed").filter(|note| note["call"] == call).count();
        assert_eq!(totals["asks_again"], count("asked-again"), "{name}: asked again");
        assert_eq!(totals["refusals"], count("refused"), "{name}: refusals");
        assert_eq!(totals["reminders"], says(session, "reminder").count(), "{name}: reminders");
        assert_eq!(totals["holds"], count("held"), "{name}: holds");
        assert_eq!(totals["stops"], calls("stop"), "{name}: stops");
        assert_eq!(totals["go_backs"], count("went-back"), "{name}: go back");
        assert_eq!(totals["calls"], count("obeyed"), "{name}: calls");
        let last = session.lines.last().expect("a journal has an end");
        assert_eq!(totals["seconds"].as_f64(), Some(last.ms as f64 / 1000.0), "{name}: seconds");
        let end = bodies(session, "out").find(|body| body["action"] == "end").expect("it has ended");
        assert_eq!(end["outcome"], session.summary["outcome"], "{name}");
        assert_eq!(session.summary["journal_lines"], session.lines.len(), "{name}: lines");
        steps_agree(session);
    }
}

/// Each step of the summary against the journal, followed from instruction to instruction.
fn steps_agree(session: &Session) {
    let count = session.procedure.steps.len();
    let mut now: Option<usize> = None;
    let mut asked = vec![0_u64; count];
    let (mut refused, mut reminded, mut done) = (asked.clone(), asked.clone(), vec![None; count]);
    let mut heard_end = Value::Null;
    for line in &session.lines {
        let body = &line.body;
        if body["event"] == "heard" {
            heard_end = body["end_ms"].clone();
        }
        match (body["saying"].as_str(), body["note"].as_str()) {
            (Some("question"), _) => {
                now = None;
                done.fill(None);
            }
            (Some("instruction"), _) => {
                let text = body["text"].as_str().unwrap_or_default();
                now = session.procedure.steps.iter().position(|step| text.ends_with(&step.instruction));
                done[now.expect("an instruction is of a step")..].fill(None);
            }
            (Some("reminder"), _) => now.into_iter().for_each(|step| reminded[step] += 1),
            (_, Some("asked-again")) => now.into_iter().for_each(|step| asked[step] += 1),
            (_, Some("refused")) => now.into_iter().for_each(|step| refused[step] += 1),
            (_, Some("step-done")) => {
                done[now.expect("a step is done where one is")] = Some(heard_end.clone())
            }
            _ => {}
        }
    }
    for (index, step) in session.procedure.steps.iter().enumerate() {
        let account = &session.summary["steps"][index];
        let name = format!("{}: {}", session.folder.display(), step.id);
        assert_eq!(account["id"], step.id.as_str(), "{name}");
        assert_eq!(account["repeats"], asked[index], "{name}: asked again");
        assert_eq!(account["refusals"], refused[index], "{name}: refusals");
        assert_eq!(account["reminders"], reminded[index], "{name}: reminders");
        let confirmed = account.get("confirmed_ms").cloned().filter(|ms| !ms.is_null());
        assert_eq!(confirmed, done[index], "{name}: confirmed");
        let skipped = session.summary["answers"]["apron"] == "no" && step.id == "apron";
        // Of a session that ended early it can't be said yet.
        if session.summary["outcome"] == "completed" {
            assert_eq!(account["skipped_by"].is_object(), skipped, "{name}: skipped");
        }
    }
}

#[test]
fn json_gives_the_summary_alone_on_standard_output() {
    let lines = slips().ran.json_lines();
    assert_eq!(lines, [slips().summary.clone()]);
}

/// Each answer that did not count is told with what it had to pass, and a verdict is what its tests come to.
#[test]
fn why_tells_what_decided_each_answer() {
    let folder = text(&slips().folder);
    let told = run(&["why", folder]).exits(ExitCode::Done).out.clone();
    for part in ["expected  from the", "because", "needs", "asked again (try 1)", "refused: rub"] {
        assert!(told.contains(part), "no {part} in\n{told}");
    }
    let everything = run(&["why", folder, "--all", "--json"]);
    assert!(everything.out.contains("needs 0.65 (critical step)"), "{everything}");
    let everything: Value = serde_json::from_str(&everything.out).expect("JSON");
    assert_eq!(everything["utterances"].as_array().map(Vec::len), Some(heard(slips()).count()));
    let mut judged = 0;
    for body in all_sessions_heard() {
        let tests = body["evidence"]["tests"].as_array().map(Vec::as_slice).unwrap_or_default();
        let passed = |test: &Value| test["measured"].as_f64() >= test["needed"].as_f64();
        if !tests.is_empty() {
            let sure = ["accepted", "other"].contains(&body["verdict"].as_str().unwrap_or_default());
            assert_eq!(tests.iter().all(passed), sure, "{body}");
            judged += 1;
        }
    }
    assert!(judged > 20, "{judged}");
    let bars = &slips().lines[0].body["bars"];
    assert_eq!((bars["sure"].as_f64(), bars["sure_critical"].as_f64()), (Some(0.5), Some(0.65)), "{bars}");
    let nowhere = run(&["why", folder, "--step", "nowhere"]);
    assert!(nowhere.exits(ExitCode::Usage).err.contains("something was heard at: apron"), "{nowhere}");
}

fn all_sessions_heard() -> impl Iterator<Item = &'static Value> {
    all().into_iter().flat_map(heard)
}

#[test]
fn sound_is_kept_for_as_long_as_the_session_lasted_on_a_track_for_each_voice() {
    for session in all() {
        let reader =
            hound::WavReader::open(session.folder.join("audio.wav")).expect("the tracks can be read");
        let posts = session.summary["posts"].as_array().expect("posts are a list").len();
        assert_eq!(usize::from(reader.spec().channels), posts + 1, "each post and the tool");
        let seconds = f64::from(reader.duration()) / 16_000.0;
        let lasted = session.summary["totals"]["seconds"].as_f64().expect("a number");
        assert!((seconds - lasted).abs() < 0.05, "{seconds} s of sound of {lasted} s");
        assert_eq!(session.summary["audio"]["dropped_frames"], 0);
    }
}
