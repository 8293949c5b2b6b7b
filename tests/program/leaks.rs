//! The tool's own voice in both microphones, as loud as the people or fainter: sessions with stand-in people who also
//! call over a prompt.

use crate::common::write;
use crate::rehearsals::{root, session, Session};
use antiphon::audio::level::rms_dbfs;
use antiphon::failure::ExitCode;
use antiphon::record::verify::{verify, State};
use serde_json::Value;

const LEVELS: [&str; 3] = ["-20", "-10", "0"];

fn leaking(id: &str, level: &str, more: &[&str], code: ExitCode) -> Session {
    let id = format!("{id}{level}");
    let mut arguments = vec!["--leak", level, "--answer", "apron=yes"];
    arguments.extend_from_slice(more);
    session(&id, "rehearse", &arguments, code)
}

/// One track of the recording: worker, observer, tool.
fn track(session: &Session, channel: usize) -> Vec<i16> {
    let mut reader =
        hound::WavReader::open(session.folder.join("audio.wav")).expect("the tracks can be read");
    let channels = usize::from(reader.spec().channels);
    let samples = reader.samples::<i16>().map(|sample| sample.expect("the tracks are whole"));
    samples.skip(channel).step_by(channels).collect()
}

fn ms(body: &Value, key: &str) -> usize {
    body[key].as_u64().expect("a time in ms") as usize
}

/// Every phrase that counted was said by a person: stand-ins answer after the tool, so it is silent meanwhile but for
/// the grace at the prompt's end, and the microphone is not.
fn a_person_said_what_counted(session: &Session) {
    let (worker, observer, tool) = (track(session, 0), track(session, 1), track(session, 2));
    let (mut heard, mut counted) = (Value::Null, 0);
    for line in &session.lines {
        if line.body["event"] == "heard" {
            heard = line.body.clone();
        }
        if line.body["note"] != "counted" {
            continue;
        }
        let span = ms(&heard, "start_ms") * 16..ms(&heard, "end_ms") * 16;
        let microphone = if heard["post"] == "worker" { &worker } else { &observer };
        let alone = |at: &usize| tool[*at..*at + 160].iter().all(|sample| *sample == 0);
        let silent: Vec<usize> = span.clone().step_by(160).filter(alone).collect();
        let voice: Vec<i16> = silent.iter().flat_map(|at| microphone[*at..*at + 160].to_vec()).collect();
        let spoken_over = (span.len().div_ceil(160) - silent.len()) * 10;
        assert!(spoken_over <= 260, "{heard}: the tool spoke for {spoken_over} ms of it");
        assert!(silent.len() >= 50 && rms_dbfs(&voice) > -35.0, "{heard}: {} dBFS", rms_dbfs(&voice));
        counted += 1;
    }
    assert!(counted >= 9, "{counted}");
    for step in session.summary["steps"].as_array().expect("a list") {
        assert!(step["read_back_ms"].as_u64() < step["confirmed_ms"].as_u64(), "{step}");
    }
}

#[test]
fn with_the_tools_voice_in_both_microphones_only_what_people_said_moves_the_session_on() {
    for level in LEVELS {
        for seed in ["3", "7"] {
            let session = leaking(&format!("leak-{seed}"), level, &["--seed", seed], ExitCode::Done);
            assert_eq!(session.summary["outcome"], "completed");
            assert_eq!(session.summary["totals"]["steps_done"], 4);
            // One stand-in's voice says one phrase so that it takes several tries, also without any leak.
            assert_eq!(holds_but_for_tries(&session), 0, "leak {level} dB, seed {seed}");
            assert_eq!(verify(&session.folder).expect("it can be read").state, State::Sound);
            a_person_said_what_counted(&session);
            let described =
                session.lines[0].body["rehearsal"].as_str().expect("a rehearsal says what shapes it");
            assert!(described.contains(&format!("leak {level} dB")), "{described}");
        }
    }
}

fn holds_but_for_tries(session: &Session) -> usize {
    let held =
        |line: &&antiphon::record::read::Line| line.body["note"] == "held" && line.body["why"] != "tries";
    session.lines.iter().filter(held).count()
}

const STOP: &str =
    "[[slip]]\nstep = \"gloves\"\nwho = \"observer\"\nkind = \"stop\"\nwhile_speaking = true\n";
const HOLD: &str =
    "[[slip]]\nstep = \"gloves\"\nwho = \"observer\"\nkind = \"hold\"\nwhile_speaking = true\n";

/// How long after the end of a call over a prompt the tool fell silent, ms.
fn hushed_after(session: &Session) -> usize {
    let hush =
        session.lines.iter().position(|line| line.body["action"] == "hush").expect("the tool is hushed");
    let heard = session.lines[..hush].iter().rev().find(|line| line.body["event"] == "heard");
    let heard = heard.expect("the call was heard");
    let end = ms(&heard.body, "end_ms");
    // The end as it was heard is the end of the stand-in's words, give or take: they take about a second.
    assert!((500..=1_300).contains(&(end - ms(&heard.body, "start_ms"))), "{}", heard.body);
    let tool = track(session, 2);
    assert!(tool[(end - 200) * 16..end * 16].iter().any(|s| *s != 0), "the call was made over a prompt");
    session.lines[hush].ms as usize - end
}

#[test]
fn a_call_over_a_prompt_hushes_it_within_half_a_second() {
    write(root(), "stop-over.toml", STOP);
    write(root(), "hold-over.toml", HOLD);
    for level in LEVELS {
        let stopped = leaking("stop-over", level, &["--script", "stop-over.toml"], ExitCode::NotCompleted);
        assert_eq!(stopped.summary["outcome"], "stopped");
        let held = leaking("hold-over", level, &["--script", "hold-over.toml"], ExitCode::Done);
        assert_eq!((&held.summary["outcome"], holds_but_for_tries(&held)), (&"completed".into(), 1));
        for session in [&stopped, &held] {
            let after = hushed_after(session);
            println!("leak {level} dB: hushed {after} ms after the end of the call");
            assert!(after <= 500, "leak {level} dB: {after} ms");
        }
    }
}

/// A short question is over before the call is: nothing of the call may be cut off with the question.
#[test]
fn a_call_that_begins_over_a_prompt_and_outlasts_it_is_heard() {
    write(root(), "outlasting.toml", HOLD.replace("gloves", "apron"));
    for level in LEVELS {
        let session = leaking("outlasting", level, &["--script", "outlasting.toml"], ExitCode::Done);
        assert_eq!(holds_but_for_tries(&session), 1, "leak {level} dB");
    }
}

#[test]
fn only_a_call_can_be_made_over_a_prompt() {
    let slip = HOLD.replace("hold", "silence");
    write(root(), "silence-over.toml", slip);
    let procedure = root().join("short.toml");
    let procedure = crate::common::text(&procedure);
    let mut command = crate::common::antiphon(&["rehearse", procedure, "--script", "silence-over.toml"]);
    let ran = crate::common::ran(command.current_dir(root()));
    ran.exits(ExitCode::BadProcedure)
        .says(&["silence-over.toml:1", "only a call is made while the tool speaks"]);
}
