//! The debrief of records in any state: cut off, altered, from a newer version, with less sound than journal. As much as
//! can honestly be shown, a clear message, and never a panic.

mod common;
mod debrief_support;

use antiphon::debrief::load::{load, Session};
use antiphon::debrief::{build, page};
use antiphon::failure::ExitCode;
use antiphon::procedure::parse::parse;
use antiphon::record::chain::sha256_hex;
use antiphon::record::read::read_bytes;
use antiphon::record::verify::{verify, State};
use common::{run, text, SHORT};
use debrief_support::{play, Slip};
use proptest::prelude::*;
use serde_json::{json, Value};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

const JOURNAL: &str = "journal.jsonl";

/// One whole session, made once.
fn original() -> &'static Path {
    static MADE: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    &MADE
        .get_or_init(|| {
            let room = tempfile::tempdir().unwrap();
            let slips = [Slip::Unsure(1), Slip::Refusal(1), Slip::Hold(3)];
            let folder = play(room.path(), "one", SHORT, &slips).folder;
            (room, folder)
        })
        .1
}

/// A copy to do something to.
fn copy() -> (tempfile::TempDir, PathBuf) {
    let room = tempfile::tempdir().unwrap();
    let folder = room.path().join("one");
    fs::create_dir(&folder).unwrap();
    for name in [JOURNAL, "audio.wav", "procedure.toml", "summary.json"] {
        fs::copy(original().join(name), folder.join(name)).unwrap();
    }
    (room, folder)
}

fn journal() -> Vec<u8> {
    fs::read(original().join(JOURNAL)).unwrap()
}

/// Reads it and makes the page, which must work whatever the record is like.
fn shown(folder: &Path) -> (Session, String) {
    let session = load(folder).unwrap();
    let html = page::render(&session.report, &[], &[]).unwrap();
    assert!(html.contains("</html>") && html.matches("<script").count() == 1);
    (session, html)
}

/// The journal's lines with other bodies, numbered and chained anew, so that only their content is wrong.
fn resealed(lines: &[Value]) -> Vec<u8> {
    let mut prev = "0".repeat(64);
    let mut bytes = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        let part = |key: &str| serde_json::to_string(&line[key]).unwrap();
        let covered = format!(
            r#"{{"n":{},"at":{},"ms":{},"kind":{},"body":{},"prev":"{prev}""#,
            index + 1,
            part("at"),
            part("ms"),
            part("kind"),
            part("body")
        );
        prev = sha256_hex(covered.as_bytes());
        bytes.extend_from_slice(format!("{covered},\"sha256\":\"{prev}\"}}\n").as_bytes());
    }
    bytes
}

fn lines() -> Vec<Value> {
    let text = String::from_utf8(journal()).unwrap();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn a_journal_cut_at_any_byte_is_shown_as_far_as_it_goes() {
    let whole = journal();
    let procedure = parse(SHORT, "x").unwrap();
    let verified = verify(original()).unwrap();
    let mut most = 0;
    for cut in (0..whole.len()).step_by(37).chain(whole.len() - 200..whole.len()) {
        let reading = read_bytes(&whole[..cut]);
        assert!(reading.problems.is_empty(), "a cut at {cut} is no alteration");
        let report = build(&build::Sources {
            reading: &reading,
            verified: &verified,
            procedure: Ok(&procedure),
            audio: Err("none".into()),
        });
        assert!(report.utterances.len() >= most, "less is shown of more, at {cut}");
        most = report.utterances.len();
        page::render(&report, &[], &[]).unwrap();
    }
    assert!(most > 10);
}

#[test]
fn a_record_that_is_cut_off_says_so_and_does_not_make_up_an_end() {
    let (_room, folder) = copy();
    let whole = journal();
    fs::write(folder.join(JOURNAL), &whole[..whole.len() / 2]).unwrap();
    fs::remove_file(folder.join("summary.json")).unwrap();
    let (session, html) = shown(&folder);
    assert_eq!(session.report.outcome.word, "unknown");
    assert!(html.contains("the record stops before its end"));
    let done = session.report.outcome.steps_done;
    assert!((1..4).contains(&done), "{done} steps are in the first half");
    let ran = run(&["debrief", text(&folder)]);
    ran.exits(ExitCode::Done).says(&["caution: The record stops early"]);
}

#[test]
fn edited_missing_and_swapped_lines_are_named_and_nothing_is_expected_after_them() {
    let whole = String::from_utf8(journal()).unwrap();
    let lines: Vec<&str> = whole.lines().collect();
    let at = lines
        .iter()
        .position(|line| line.contains("both hands rubbed dry") && line.contains("heard"))
        .unwrap();
    let mut edited = lines.clone();
    let other = edited[at].replace("accepted", "ignored");
    edited[at] = &other;
    let mut missing = lines.clone();
    missing.remove(at);
    let mut swapped = lines.clone();
    swapped.swap(at, at + 1);
    for (name, lines) in [("edited", edited), ("missing", missing), ("swapped", swapped)] {
        let (_room, folder) = copy();
        fs::write(folder.join(JOURNAL), lines.join("\n") + "\n").unwrap();
        let (session, html) = shown(&folder);
        assert_eq!(session.verified.state, State::Altered, "{name}");
        assert!(html.contains("do not rely on it"), "{name}");
        let line = format!("From line {} on the journal was altered", at + 1);
        assert!(html.contains(&line), "{name}: no {line:?}");
        let later = session.report.utterances.iter().rfind(|one| one.judged.is_some()).unwrap();
        assert_eq!(later.judged.as_ref().unwrap().expected, None, "{name}");
        assert_eq!(later.place, "", "{name}: where it was is not known either");
    }
}

#[test]
fn what_a_newer_version_writes_is_shown_by_name() {
    let mut lines = lines();
    let at = lines.iter().position(|line| line["body"]["note"] == "step-done").unwrap();
    lines[at]["body"] = json!({"action": "note", "note": "torn-sail", "step": 1, "depth": "to the keel"});
    let say = lines.iter().rposition(|line| line["body"]["action"] == "say").unwrap();
    lines[say]["body"]["saying"] = json!("sea-shanty");
    lines[say - 1]["kind"] = json!("weather");
    let event = lines.iter().rposition(|line| line["body"]["event"] == "speech-began").unwrap();
    lines[event]["body"]["event"] = json!("tide-turned");
    let (_room, folder) = copy();
    fs::write(folder.join(JOURNAL), resealed(&lines)).unwrap();
    let (session, html) = shown(&folder);
    for part in [
        "torn sail (depth to the keel, step 1)",
        "weather (this version does not know it)",
        "today&#39;s rules",
    ] {
        assert!(html.contains(part), "no {part:?}");
    }
    let marks: Vec<&str> = session.report.marks.iter().map(|mark| mark.kind.as_str()).collect();
    assert!(marks.contains(&"tide-turned"), "{marks:?}");
    assert!(session.report.utterances.iter().any(|one| one.saying.as_deref() == Some("sea-shanty")));
}

#[test]
fn numbers_that_name_nothing_are_not_looked_up() {
    for (key, value) in [
        ("phrase", json!(60_000)),
        ("at_ms", json!(u64::MAX)),
        ("start_ms", json!(u64::MAX)),
        ("post", json!("room")),
        ("end_ms", json!(u64::MAX)),
        ("closest", json!(65_535)),
    ] {
        let mut lines = lines();
        let at = lines.iter().position(|line| line["body"]["event"] == "heard").unwrap();
        lines[at]["body"][key] = value;
        if key == "closest" {
            lines[at]["body"]["verdict"] = json!("unsure");
            lines[at]["body"]["why"] = json!({"doubt": "two-phrases", "other": 9_999});
        }
        let (_room, folder) = copy();
        fs::write(folder.join(JOURNAL), resealed(&lines)).unwrap();
        shown(&folder);
    }
}

#[test]
fn sound_that_is_missing_short_or_no_sound_is_told_and_the_rest_is_shown() {
    let (_room, folder) = copy();
    let audio = folder.join("audio.wav");
    let whole = fs::read(&audio).unwrap();
    fs::write(&audio, &whole[..whole.len() / 2]).unwrap();
    let (session, html) = shown(&folder);
    let there = session.report.audio.as_ref().unwrap().seconds;
    assert!(there < session.report.seconds / 1.9, "{there}");
    assert!(html.contains(" disabled>"), "what can't be heard has no working button");
    run(&["debrief", text(&folder)]).exits(ExitCode::Done);
    for bytes in [Some(&b"RIFF no sound"[..]), None] {
        match bytes {
            Some(bytes) => fs::write(&audio, bytes).unwrap(),
            None => fs::remove_file(&audio).unwrap(),
        }
        let (session, html) = shown(&folder);
        assert!(session.report.audio.is_none() && html.contains("There is no sound to play"));
        run(&["debrief", text(&folder)]).exits(ExitCode::Done).says(&["no sound to play"]);
    }
}

#[test]
fn without_its_procedure_a_session_is_shown_by_its_own_account() {
    let (_room, folder) = copy();
    fs::write(folder.join("procedure.toml"), "[future]\nform = 9\n").unwrap();
    let (session, html) = shown(&folder);
    assert_eq!(session.report.steps.len(), 4);
    assert!(html.contains("Training aid.") && html.contains("can&#39;t read it"));
    assert!(!session.report.visits.is_empty(), "bands come from the account of the steps");
    fs::remove_file(folder.join("procedure.toml")).unwrap();
    shown(&folder);
}

#[test]
fn a_folder_without_a_session_is_an_error_and_nothing_is_written() {
    let room = tempfile::tempdir().unwrap();
    run(&["debrief", text(room.path())]).exits(ExitCode::BadFolder).says(&["no session here"]);
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 0);
    let (_room, folder) = copy();
    fs::remove_file(folder.join(JOURNAL)).unwrap();
    run(&["debrief", text(&folder)]).exits(ExitCode::Done).says(&["was altered"]);
}

#[test]
fn track_names_from_a_journal_are_no_paths() {
    let mut lines = lines();
    let last = lines.len() - 1;
    lines[last]["body"]["audio"]["tracks"] = json!(["../../../escaped", "worker", "/etc/tool"]);
    let (room, folder) = copy();
    fs::write(folder.join(JOURNAL), resealed(&lines)).unwrap();
    run(&["debrief", text(&folder)]).exits(ExitCode::Done);
    let mut made: Vec<String> = fs::read_dir(folder.join("debrief-audio"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    made.sort();
    assert_eq!(made, ["mixed.wav", "track-1.wav", "track-3.wav", "worker.wav"]);
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1);
}

/// A value put in some line's body, whatever stands there.
fn odd() -> impl Strategy<Value = Value> {
    prop_oneof![
        any::<u64>().prop_map(|n| json!(n)),
        any::<i32>().prop_map(|n| json!(n)),
        any::<f64>().prop_map(|n| json!(n)),
        any::<String>().prop_map(|text| json!(text)),
        Just(json!(null)),
        Just(json!([])),
        Just(json!({"phrase": 7, "step": 70_000})),
        prop::sample::select(vec![
            "heard",
            "say",
            "note",
            "refused",
            "held",
            "speech-began",
            "worker",
            "accepted"
        ])
        .prop_map(|word| json!(word)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// The reader on journals harmed in any way.
    #[test]
    fn bytes_changed_in_a_journal_never_make_it_panic(
        harms in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0usize..3), 1..6),
    ) {
        let mut bytes = journal();
        for (at, byte, how) in harms {
            if bytes.is_empty() { break; }
            let at = at.index(bytes.len());
            match how {
                0 => bytes[at] = byte,
                1 => { bytes.remove(at); }
                _ => bytes.insert(at, byte),
            }
        }
        let reading = read_bytes(&bytes);
        prop_assert!(reading.lines.len() <= bytes.len());
        build_page(&reading);
    }

    /// Content that fits its digests and makes no sense.
    #[test]
    fn lines_that_are_sealed_and_senseless_never_make_it_panic(
        harms in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), odd()), 1..8),
        order in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>()), 0..3),
    ) {
        let mut lines = lines();
        for (line, key, value) in harms {
            let count = lines.len();
            if let Value::Object(body) = &mut lines[line.index(count)]["body"] {
                let keys: Vec<String> = body.keys().cloned().collect();
                if !keys.is_empty() {
                    body.insert(keys[key.index(keys.len())].clone(), value);
                }
            }
        }
        for (one, other) in order {
            let count = lines.len();
            lines.swap(one.index(count), other.index(count));
        }
        build_page(&read_bytes(&resealed(&lines)));
    }
}

fn build_page(reading: &antiphon::record::read::Reading) {
    static KNOWN: OnceLock<(antiphon::procedure::Procedure, antiphon::record::verify::Report)> =
        OnceLock::new();
    let (procedure, verified) =
        KNOWN.get_or_init(|| (parse(SHORT, "x").unwrap(), verify(original()).unwrap()));
    let report =
        build(&build::Sources { reading, verified, procedure: Ok(procedure), audio: Err("none".into()) });
    page::render(&report, &[], &[]).unwrap();
    let _ = antiphon::debrief::captions::webvtt(&report);
}
