//! The built program, live: it speaks into a room without a sound card, two robots hear it there and answer into their
//! microphones, to the last step, in real time.

#[path = "live_room/disk.rs"]
mod disk;
#[path = "live_room/robots.rs"]
mod robots;
#[path = "live_room/room.rs"]
mod room;

use antiphon::procedure::{parse, Role};
use antiphon::record::verify::{verify, State};
use disk::{Disk, Left};
use robots::{monitor, Robots, Slip};
use room::Room;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Two rooms at a time would leave neither enough of the machine.
static ONE_ROOM: Mutex<()> = Mutex::new(());
const LIMIT: Duration = Duration::from_secs(240);

/// What one live session left behind.
struct Ran {
    code: Option<i32>,
    stdout: String,
    stderr: String,
    robots: Vec<String>,
    session: PathBuf,
}

fn procedure_file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/live_room/short-donning.toml")
}

fn run_live(room: &Room, voice: &str, slips: &[Slip]) -> Ran {
    run_live_on(room, voice, slips, &room.path().join("sessions"), |_| {})
}

/// The same with its record elsewhere; `meanwhile` is called some twenty times a second.
fn run_live_on(
    room: &Room,
    voice: &str,
    slips: &[Slip],
    sessions: &Path,
    mut meanwhile: impl FnMut(&Running),
) -> Ran {
    let (procedure, _) = parse::load(&procedure_file()).expect("the procedure is good");
    let robots = Robots::new(&procedure, slips, room);
    let stop = Arc::new(AtomicBool::new(false));
    let listening = monitor(room);
    let (flag, robots) = (stop.clone(), std::thread::spawn(move || robots.run(listening, stop)));
    let mut running = Running::start_on(room, voice, voice, sessions);
    let since = Instant::now();
    while running.runs() {
        if since.elapsed() > LIMIT {
            running.kill();
        }
        meanwhile(&running);
        std::thread::sleep(Duration::from_millis(50));
    }
    let ran = running.ended();
    flag.store(true, Ordering::Relaxed);
    Ran { robots: robots.join().expect("the robots end"), ..ran }
}

impl Ran {
    fn story(&self) -> String {
        format!("stdout:\n{}\nstderr:\n{}\nrobots:\n{}", self.stdout, self.stderr, self.robots.join("\n"))
    }

    fn summary(&self) -> Value {
        let text = std::fs::read_to_string(self.session.join("summary.json")).expect("a summary");
        serde_json::from_str(&text).expect("JSON")
    }

    /// Bodies of journal lines of a kind, with their times.
    fn journal(&self, kind: &str) -> Vec<(u64, Value)> {
        let text = std::fs::read_to_string(self.session.join("journal.jsonl")).expect("a journal");
        let lines = text.lines().map(|line| serde_json::from_str::<Value>(line).expect("JSON"));
        lines
            .filter(|l| l["kind"] == kind)
            .map(|l| (l["ms"].as_u64().expect("ms"), l["body"].clone()))
            .collect()
    }

    fn track(&self, channel: usize) -> Vec<i16> {
        let mut reader = hound::WavReader::open(self.session.join("audio.wav")).expect("a recording");
        let channels = usize::from(reader.spec().channels);
        assert_eq!((reader.spec().sample_rate, channels), (16_000, 3));
        reader.samples::<i16>().map(|s| s.expect("a sample")).skip(channel).step_by(channels).collect()
    }
}

/// To the end, with every step read back and confirmed, nothing dropped, and the record sound.
fn is_complete(ran: &Ran) {
    assert_eq!(ran.code, Some(0), "{}", ran.story());
    let summary = ran.summary();
    assert_eq!(summary["outcome"], "completed", "{}", ran.story());
    for step in summary["steps"].as_array().expect("steps") {
        let (read_back, confirmed) = (step["read_back_ms"].as_u64(), step["confirmed_ms"].as_u64());
        assert!(read_back.is_some() && read_back < confirmed, "{step}");
    }
    assert_eq!(verify(&ran.session).expect("a session").state, State::Sound);
    for (_, note) in ran.journal("note") {
        let text = note["note"].as_str().expect("text");
        assert!(!text.contains("dropped"), "{text}");
    }
}

/// The recording holds speech where the journal says a person was heard.
fn recording_matches_journal(ran: &Ran) {
    let tracks = [ran.track(0), ran.track(1)];
    let mut checked = 0;
    for (_, event) in ran.journal("in").iter().filter(|(_, event)| event["verdict"] == "accepted") {
        let track = &tracks[usize::from(event["post"] == "observer")];
        let at = |key: &str| event[key].as_u64().expect("a time") as usize * 16;
        let level = antiphon::audio::level::rms_dbfs(&track[at("start_ms")..at("end_ms").min(track.len())]);
        assert!(level > -40.0, "{event}: {level} dBFS");
        checked += 1;
    }
    assert!(checked >= 9, "{checked}");
}

/// Gaps from the end of a person's speech to the tool's next sound, ms, sorted.
fn gaps(ran: &Ran) -> Vec<u64> {
    let events = ran.journal("in");
    let mut gaps: Vec<u64> = events
        .windows(2)
        .filter(|pair| pair[0].1["verdict"] == "accepted" && pair[1].1["event"] == "speech-began")
        .map(|pair| pair[1].0.saturating_sub(pair[0].1["end_ms"].as_u64().expect("a time")))
        .collect();
    gaps.sort_unstable();
    gaps
}

#[test]
fn two_people_run_a_session_by_voice_with_the_system_voice_and_with_the_rendered_one() {
    let _one = ONE_ROOM.lock();
    let room = Room::open();
    let slips = [
        Slip {
            wanted: "sleeves cover glove cuffs",
            role: Role::Worker,
            instead: "hood reaches my shoulders",
        },
        Slip { wanted: "front shielded to calves", role: Role::Observer, instead: "hold everything" },
    ];
    let system = run_live(&room, "system", &slips);
    is_complete(&system);
    recording_matches_journal(&system);
    assert!(system.stderr.contains("voice: system voice"), "{}", system.story());
    let summary = system.summary();
    // The wrong read-back once; a stand-in's right one may be doubted once or twice more.
    let asks = summary["totals"]["asks_again"].as_u64().expect("a count");
    assert!((1..=3).contains(&asks), "{}", system.story());
    assert_eq!(summary["totals"]["holds"], 1, "{}", system.story());
    assert!(summary["steps"][0]["seconds"].as_f64().expect("seconds") >= 4.0);
    assert!(system.stdout.contains("Negative. I heard: hood reaches my shoulders."), "{}", system.story());

    let rendered = run_live(&room, "rendered", &[]);
    is_complete(&rendered);
    recording_matches_journal(&rendered);
    let tool = rendered.track(2);
    assert!(
        antiphon::audio::level::active_level_dbfs(&tool).level_dbfs > -40.0,
        "the tool's voice is recorded"
    );
    println!("gaps, ms: system {:?}, rendered {:?}", gaps(&system), gaps(&rendered));
}

/// How loud the tool was in a person's microphone beside the person, dB, and every phrase that counted was said while
/// the tool was silent but for the grace at its prompt's end.
fn counted_is_a_persons(ran: &Ran) -> f32 {
    let (tool, tracks) = (ran.track(2), [ran.track(0), ran.track(1)]);
    let spoke =
        |ms: usize| tool.get(ms * 16..ms * 16 + 160).is_some_and(|piece| piece.iter().any(|s| *s != 0));
    let (mut people, mut leaked) = (Vec::new(), Vec::new());
    for (_, event) in ran.journal("in").iter().filter(|(_, event)| event["verdict"] == "accepted") {
        let at = |key: &str| event[key].as_u64().expect("a time") as usize;
        let track = &tracks[usize::from(event["post"] == "observer")];
        let over = (at("start_ms")..at("end_ms")).step_by(10).filter(|ms| spoke(*ms)).count() * 10;
        assert!(over <= 300, "the tool spoke for {over} ms of {event}");
        people.extend_from_slice(&track[at("start_ms") * 16..at("end_ms") * 16]);
    }
    for ms in (0..tracks[0].len() / 16 - 10).step_by(10).filter(|ms| spoke(*ms)) {
        leaked.extend_from_slice(&tracks[0][ms * 16..ms * 16 + 160]);
    }
    let level = |sound: &[i16]| antiphon::audio::level::active_level_dbfs(sound).level_dbfs;
    level(&leaked) - level(&people)
}

/// A session in which both microphones hear the loudspeaker, at this level to a person, is completed by people alone.
fn is_completed_with_a_leak(db: i32) {
    let _one = ONE_ROOM.lock();
    let room = Room::open();
    room.leak(db);
    let ran = run_live(&room, "rendered", &[]);
    is_complete(&ran);
    assert_eq!(ran.summary()["totals"]["holds"], 0, "{}", ran.story());
    let leak = counted_is_a_persons(&ran);
    let asks = &ran.summary()["totals"]["asks_again"];
    println!("leak {leak:.1} dB (wanted {db}); asked again {asks}; gaps, ms: {:?}", gaps(&ran));
    assert!((leak - db as f32).abs() < 6.0, "{leak} dB");
}

#[test]
fn a_session_whose_voice_leaks_into_both_microphones_is_completed_by_what_people_say() {
    is_completed_with_a_leak(-10);
}

#[test]
#[ignore = "a minute and a half more: `make rooms`"]
fn a_session_whose_voice_leaks_faintly_is_completed_by_what_people_say() {
    is_completed_with_a_leak(-20);
}

#[test]
#[ignore = "a minute and a half more: `make rooms`"]
fn a_session_whose_voice_is_as_loud_as_the_people_is_completed_by_what_people_say() {
    is_completed_with_a_leak(0);
}

/// In about one room in eight of these the tool's voice is not taken out of the microphone at all (not known why; the sound
/// server's own delay is a guess), and a call within a prompt isn't heard: docs/reliability.md says so. Such a room is told by
/// what was heard, and another is opened; where the voice is taken out the call holds in time.
#[test]
fn a_stop_over_a_prompt_that_leaks_silences_it_within_half_a_second() {
    let _one = ONE_ROOM.lock();
    let hushed = (1..=3).find_map(|number| {
        let after = stop_over_a_leaking_prompt();
        println!("room {number}: hushed {after:?} ms after the end of the call");
        after
    });
    let after = hushed.expect("in one of three rooms the tool's voice is taken out");
    assert!(after <= 500, "{after} ms");
}

/// Time from the end of the call to the hush, ms; `None` in a room where the tool's voice was taken for a person's.
fn stop_over_a_leaking_prompt() -> Option<u64> {
    let room = Room::open();
    room.leak(-10);
    let stop = room.path().join("stop.wav");
    let made = Command::new("flite").args(["-voice", "rms", "-t", "stop stop", "-o"]).arg(&stop).status();
    assert!(made.expect("flite runs").success());
    let running = Running::start(&room, "rendered", "stop");
    running.wait_for(r#""event":"speech-began","utterance":2"#);
    std::thread::sleep(Duration::from_millis(1_200));
    let mut player = room.command("paplay");
    assert!(player.arg("--device=worker").arg(&stop).status().expect("paplay runs").success());
    let since = Instant::now();
    while !running.journal().contains(r#""note":"held""#) && since.elapsed() < Duration::from_secs(6) {
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_millis(500));
    running.interrupt();
    let ran = running.ended();
    let events = ran.journal("in");
    let began = events
        .iter()
        .find(|(_, event)| event["event"] == "speech-began" && event["utterance"] == 2)
        .expect("it was waited for")
        .0;
    let at = |event: &Value, name: &str| event[name].as_u64().unwrap_or(0);
    // Somebody seemed to speak a second before the call, and through it.
    let taken_for_a_person = events.iter().any(|(_, event)| {
        event["event"] == "heard"
            && at(event, "start_ms") < began + 200
            && at(event, "end_ms") > began + 1_200
    });
    if taken_for_a_person {
        return None;
    }
    let heard = events.iter().find(|(_, event)| event["text"] == "stop stop");
    let heard = &heard.unwrap_or_else(|| panic!("the call is not heard\n{}", ran.story())).1;
    println!("{heard}");
    let end = heard["end_ms"].as_u64().expect("a time");
    let hushed = ran.journal("out").into_iter().find(|(_, action)| action["action"] == "hush");
    let after = hushed.unwrap_or_else(|| panic!("not hushed\n{}", ran.story())).0.saturating_sub(end);

    let tool = ran.track(2);
    let silent = (end as usize..tool.len() / 16 - 60)
        .find(|ms| tool[ms * 16..(ms + 60) * 16].iter().all(|sample| *sample == 0));
    println!("the loudspeaker silent after {:?} ms", silent.map(|ms| ms - end as usize));
    assert_eq!(verify(&ran.session).expect("a session").state, State::Sound);
    Some(after)
}

/// Names of the microphones that the program's streams hang on, and each stream's number on the server.
fn places(room: &Room) -> Vec<(String, String)> {
    let sources = room.pactl(&["list", "short", "sources"]);
    let name_of = |number: &str| {
        let mut fields = sources.lines().map(|line| line.split('\t').collect::<Vec<_>>());
        fields.find(|fields| fields[0] == number).map_or("none".to_string(), |fields| fields[1].to_string())
    };
    let streams = room.pactl(&["list", "short", "source-outputs"]);
    let streams = streams.lines().map(|line| line.split('\t').collect::<Vec<_>>());
    // What belongs to no client is the remapped sources' own.
    let ours = streams.filter(|fields| fields[2] != "-");
    let mut places: Vec<_> = ours.map(|fields| (name_of(fields[1]), fields[0].to_string())).collect();
    places.sort();
    places
}

fn names(room: &Room) -> Vec<String> {
    places(room).into_iter().map(|(name, _)| name).collect()
}

/// A stream that the server moved to another microphone would hear the other person: one alone could do both parts. It can't
/// be moved, and where its microphone goes the post is lost until that very microphone is back.
#[test]
fn a_post_hears_its_own_microphone_or_none() {
    let _one = ONE_ROOM.lock();
    let room = Room::open();
    let running = Running::start(&room, "rendered", "pinned");
    running.wait_for(r#""event":"speech-began","utterance":2"#);
    let both = places(&room);
    assert_eq!(names(&room), ["observer_mic", "worker_mic"], "{both:?}");

    // What the desktop's sound settings would do.
    let move_it = ["move-source-output", &both[0].1, "worker_mic"];
    let moved = room.command("pactl").args(move_it).output().expect("pactl runs");
    assert!(!moved.status.success(), "the server moved it: {:?}", places(&room));
    room.pactl(&["set-default-source", "observer_mic"]);
    room.pactl(&["set-default-source", "worker_mic"]);
    assert_eq!(names(&room), ["observer_mic", "worker_mic"]);

    // The observer's microphone is pulled out and plugged in again.
    room.unplug("source_name=observer_mic");
    running.wait_for(r#""event":"post-lost""#);
    assert_eq!(names(&room), ["worker_mic"]);
    std::thread::sleep(Duration::from_secs(5));
    assert_eq!(names(&room), ["worker_mic"], "another microphone took its place");
    room.pactl(&[
        "load-module",
        "module-remap-source",
        "master=observer.monitor",
        "source_name=observer_mic",
    ]);
    running.wait_for(r#""event":"post-back""#);
    assert_eq!(names(&room), ["observer_mic", "worker_mic"]);
    std::thread::sleep(Duration::from_millis(500));

    running.interrupt();
    let ran = running.ended();
    assert!(ran.stdout.contains("on hold"), "{}", ran.story());
    assert_eq!(verify(&ran.session).expect("a session").state, State::Sound);
}

/// A microphone that has its own name and gives the other's sound lets one person be heard as two. Rooms are never silent:
/// that is enough to tell.
#[test]
fn a_post_that_gives_the_other_posts_sound_is_lost_until_it_has_its_own() {
    let _one = ONE_ROOM.lock();
    let mut room = Room::open();
    let running = Running::start(&room, "rendered", "double");
    running.wait_for(r#""event":"speech-began","utterance":2"#);
    room.fans();
    std::thread::sleep(Duration::from_secs(6));
    assert!(!running.journal().contains("post-lost"), "{}", running.journal());

    let plug = |room: &Room, master: &str| {
        room.unplug("source_name=observer_mic");
        std::thread::sleep(Duration::from_secs(1));
        let master = format!("master={master}.monitor");
        room.pactl(&["load-module", "module-remap-source", &master, "source_name=observer_mic"]);
    };
    let backs = || running.journal().matches(r#""event":"post-back""#).count();
    plug(&room, "worker");
    running.wait_for(r#""event":"post-back""#);
    let since = Instant::now();
    running.wait_for("it gives the same sound as the worker's");
    println!("noticed {} ms after it came back", since.elapsed().as_millis());
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!(backs(), 1);

    plug(&room, "observer");
    let since = Instant::now();
    while backs() < 2 {
        assert!(since.elapsed() < Duration::from_secs(20), "it is not back\n{}", running.journal());
        std::thread::sleep(Duration::from_millis(50));
    }
    println!("back {} ms after it had its own", since.elapsed().as_millis());
    running.interrupt();
    let ran = running.ended();
    assert!(ran.stdout.contains("the same sound"), "{}", ran.story());
    assert_eq!(verify(&ran.session).expect("a session").state, State::Sound);
}

/// A sound server that hangs keeps nobody waiting but whoever asks it: within 3 s the session is on hold, in the journal and on
/// the screen, and it can be interrupted.
#[test]
fn a_sound_server_that_hangs_holds_the_session_and_goes_on_later() {
    let _one = ONE_ROOM.lock();
    let room = Room::open();
    let mut running = Running::start(&room, "rendered", "hangs");
    running.wait_for(r#""event":"speech-began","utterance":2"#);

    room.freeze(true);
    let since = Instant::now();
    running.wait_for(r#""note":"held""#);
    let held = since.elapsed();
    println!("on hold {} ms after the sound server stopped", held.as_millis());
    assert!(held < Duration::from_secs(3), "{held:?}");
    std::thread::sleep(Duration::from_secs(5));
    room.freeze(false);
    running.wait_for(r#""event":"post-back""#);

    room.freeze(true);
    std::thread::sleep(Duration::from_secs(4));
    let since = Instant::now();
    running.interrupt();
    while running.runs() {
        assert!(since.elapsed() < Duration::from_secs(3), "it can't be interrupted");
        std::thread::sleep(Duration::from_millis(50));
    }
    room.freeze(false);
    let ran = running.ended();
    assert!(ran.stdout.contains("on hold"), "{}", ran.story());
    assert_eq!(verify(&ran.session).expect("a session").state, State::Sound);
}

/// A loudspeaker that is pulled out holds the session; back again, it says what could not be said.
#[test]
fn a_loudspeaker_that_comes_back_is_spoken_through_again() {
    let _one = ONE_ROOM.lock();
    let room = Room::open();
    let running = Running::start(&room, "rendered", "silent");
    running.wait_for(r#""event":"speech-began","utterance":2"#);
    room.unplug("sink_name=room");
    running.wait_for(r#""note":"held""#);
    std::thread::sleep(Duration::from_secs(3));
    room.pactl(&["load-module", "module-null-sink", "sink_name=room", "rate=48000"]);
    running.wait_for(r#""event":"voice-back""#);
    let said = running.journal().matches("speech-ended").count();
    let since = Instant::now();
    while running.journal().matches("speech-ended").count() == said {
        assert!(since.elapsed() < Duration::from_secs(20), "it says nothing");
        std::thread::sleep(Duration::from_millis(50));
    }
    running.interrupt();
    let ran = running.ended();
    assert!(ran.stdout.contains("the loudspeaker is back"), "{}", ran.story());
    assert_eq!(verify(&ran.session).expect("a session").state, State::Sound);
}

/// A muted microphone gives exact silence: within 5 s the session is on hold and says which one it is. A quiet room is no
/// muted microphone.
#[test]
fn a_muted_microphone_is_named_and_holds_the_session() {
    let _alone = ONE_ROOM.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
    let room = Room::open();
    let running = Running::start(&room, "rendered", "muted");
    running.wait_for(r#""event":"speech-began","utterance":2"#);
    std::thread::sleep(Duration::from_secs(6));
    assert!(!running.journal().contains("post-lost"), "{}", running.journal());

    room.pactl(&["set-source-mute", "observer_mic", "1"]);
    let since = Instant::now();
    running.wait_for(r#""event":"post-lost""#);
    println!("named {} ms after it was muted", since.elapsed().as_millis());
    assert!(since.elapsed() < Duration::from_secs(5), "{:?}", since.elapsed());
    room.pactl(&["set-source-mute", "observer_mic", "0"]);
    running.wait_for(r#""event":"post-back""#);

    running.interrupt();
    let ran = running.ended();
    assert!(ran.stdout.contains("observer (nothing but zeros"), "{}", ran.story());
    assert_eq!(verify(&ran.session).expect("a session").state, State::Sound);
}

/// The power goes at some twenty moments of a session. Of the sound at most 3 s are lost each time, the last answer that counted
/// is whole, and the record is one that was cut off and nothing worse.
#[test]
fn a_power_cut_loses_at_most_three_seconds_of_sound_and_no_answer_that_counted() {
    let _one = ONE_ROOM.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
    let Some(disk) = Disk::new() else { return };
    let room = Room::open();
    let mut cuts: Vec<(PathBuf, Duration)> = Vec::new();
    let (mut began, mut last) = (None, Instant::now());
    let ran = run_live_on(&room, "rendered", &[], &disk.path(), |running| {
        if began.is_none() && running.journal().contains("\"kind\":\"session\"") {
            (began, last) = (Some(Instant::now()), Instant::now());
        }
        // Not a round number: the cuts meet all moments of a step.
        let Some(began) = began.filter(|_| last.elapsed() > Duration::from_millis(4_300)) else { return };
        last = Instant::now();
        cuts.push((disk.cut(cuts.len()), began.elapsed()));
    });
    is_complete(&ran);
    let (mut worst, mut answers) = (0, 0);
    for (image, after) in &cuts {
        let left = Left::of(image);
        let session = left.path().join("rendered");
        let report = verify(&session).expect("a session");
        assert_ne!(report.state, State::Altered, "{:?}", report.findings);
        let sound_ms = (report.audio.map_or(0.0, |audio| audio.seconds) * 1000.0) as u64;
        let lost = (after.as_millis() as u64).saturating_sub(sound_ms);
        worst = worst.max(lost);
        assert!(lost <= 3_000, "{lost} ms lost when the power went after {after:?}");
        let journal = std::fs::read_to_string(session.join("journal.jsonl")).expect("a journal");
        let lines = journal.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
        let accepted: Vec<Value> = lines.filter(|line| line["body"]["verdict"] == "accepted").collect();
        answers += accepted.len();
        if let Some(end) = accepted.last().and_then(|line| line["body"]["end_ms"].as_u64()) {
            assert!(end <= sound_ms, "the answer that ends at {end} ms is not whole: {sound_ms} ms of sound");
        }
    }
    println!("{} power cuts, at most {worst} ms of sound lost, {answers} answers whole", cuts.len());
    assert!(cuts.len() >= 10 && answers >= 10, "{} {answers}", cuts.len());
}

/// The journal is deleted in mid-run: the session holds, and on the observer's word it goes on to its end with the whole record
/// in a new place.
#[test]
fn a_record_that_is_taken_away_goes_on_in_a_new_place() {
    let _one = ONE_ROOM.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
    let room = Room::open();
    let sessions = room.path().join("sessions");
    let mut taken = false;
    let ran = run_live_on(&room, "rendered", &[], &sessions, |running| {
        if !taken && running.journal().contains(r#""event":"speech-began","utterance":4"#) {
            std::fs::remove_file(running.session.join("journal.jsonl")).expect("it is there");
            taken = true;
        }
    });
    assert!(taken, "{}", ran.story());
    assert_eq!(ran.code, Some(9), "the first place is damaged: {}", ran.story());
    assert!(ran.stdout.contains("the record goes on in"), "{}", ran.story());
    let moved = Ran { session: sessions.join("rendered-moved"), code: Some(0), ..ran };
    is_complete(&moved);
    recording_matches_journal(&moved);
    let notes: Vec<Value> = moved.journal("out").into_iter().map(|(_, body)| body).collect();
    assert_eq!(notes.iter().filter(|body| body["note"] == "held").count(), 1, "{}", moved.story());
}

/// A live session.
struct Running {
    /// `None` once it has ended.
    child: Option<Child>,
    session: PathBuf,
}

impl Running {
    fn start(room: &Room, voice: &str, id: &str) -> Running {
        Running::start_on(room, voice, id, &room.path().join("sessions"))
    }

    fn start_on(room: &Room, voice: &str, id: &str, sessions: &Path) -> Running {
        let mut command = room.command(env!("CARGO_BIN_EXE_antiphon"));
        command.arg("run").arg(procedure_file());
        command.args(["--mic", "worker=worker_mic", "--mic", "observer=observer_mic", "--voice", voice]);
        command.args(["--plain", "--id", id, "--sessions"]).arg(sessions);
        let child =
            command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program starts");
        Running { child: Some(child), session: sessions.join(id) }
    }

    fn journal(&self) -> String {
        std::fs::read_to_string(self.session.join("journal.jsonl")).unwrap_or_default()
    }

    fn wait_for(&self, text: &str) {
        wait_for(&self.session.join("journal.jsonl"), text);
    }

    fn interrupt(&self) {
        let pid = self.child.as_ref().expect("it runs").id().to_string();
        assert!(Command::new("kill").args(["-INT", &pid]).status().expect("kill runs").success());
    }

    fn runs(&mut self) -> bool {
        self.child.as_mut().is_some_and(|child| child.try_wait().expect("a child").is_none())
    }

    fn kill(&mut self) {
        if let Some(child) = &mut self.child {
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    /// What it left behind, once it has ended.
    fn ended(mut self) -> Ran {
        let child = self.child.take().expect("it ends once");
        let output = child.wait_with_output().expect("its output");
        Ran {
            code: output.status.code(),
            stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
            stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
            robots: Vec::new(),
            session: self.session.clone(),
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // Left over by a test that failed, it would slow down all that come after.
        self.kill();
    }
}

/// Waits until a growing file has this text.
fn wait_for(file: &Path, text: &str) {
    let since = Instant::now();
    loop {
        let all = std::fs::read_to_string(file).unwrap_or_default();
        if all.contains(text) {
            return;
        }
        assert!(since.elapsed() < Duration::from_secs(60), "no {text} in {}:\n{all}", file.display());
        std::thread::sleep(Duration::from_millis(20));
    }
}
