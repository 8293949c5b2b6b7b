//! A session's folder as a whole: what stands up, what was cut off, what was altered.

mod record_support;

use antiphon::cli;
use antiphon::failure::{ExitCode, Failure};
use antiphon::record::verify::{verify, Report, State, Weight};
use antiphon::record::{RecordError, SessionFolder, Tracks};
use record_support::{at, open_journal, whole_session};
use serde_json::{json, Value};
use std::fs;
use std::path::{Path, PathBuf};

/// A fresh whole session, changed by `change`, verified.
fn after(change: impl FnOnce(&Path)) -> Report {
    let root = tempfile::tempdir().unwrap();
    let (dir, _) = whole_session(root.path());
    change(&dir);
    let report = verify(&dir).unwrap();
    let mut text = Vec::new();
    let code = cli::verify::run_to(&mut text, &dir, false, None, None).unwrap();
    assert!(String::from_utf8(text).unwrap().starts_with("record   "));
    let expected = match report.state {
        State::Sound => ExitCode::Done,
        State::CutOff => ExitCode::CutOff,
        State::Altered => ExitCode::Tampered,
    };
    assert_eq!(code, expected);
    report
}

#[track_caller]
fn assert_found(report: &Report, state: State, file: &str, what: &str) {
    assert_eq!(report.state, state, "{:#?}", report.findings);
    let found = report.findings.iter().any(|finding| finding.file == file && finding.what.contains(what));
    assert!(found, "'{what}' in {file}: {:#?}", report.findings);
}

fn edit(path: PathBuf, from: &str, to: &str) {
    let text = fs::read_to_string(&path).unwrap();
    assert!(text.contains(from), "{from} in {text}");
    fs::write(path, text.replacen(from, to, 1)).unwrap();
}

fn keep_lines(dir: &Path, count: usize) {
    let path = dir.join("journal.jsonl");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(path, text.split_inclusive('\n').take(count).collect::<String>()).unwrap();
}

#[test]
fn an_untouched_session_is_sound() {
    let report = after(|_| {});
    assert_eq!((report.state, report.findings.as_slice()), (State::Sound, &[][..]));
    assert_eq!(report.lines, 5);
    assert_eq!((report.first, report.last, report.last_ms), (Some(at(0)), Some(at(3000)), Some(3000)));
    let audio = report.audio.unwrap();
    assert_eq!((audio.tracks, audio.seconds, audio.as_written), (2, 3.0, Some(true)));
}

#[test]
fn files_that_the_debrief_adds_do_no_harm() {
    let report = after(|dir| fs::write(dir.join("debrief.html"), "<p>").unwrap());
    assert_eq!(report.state, State::Sound);
}

#[test]
fn an_edited_line_is_altered() {
    let report = after(|dir| edit(dir.join("journal.jsonl"), "Gown on", "Hood on"));
    assert_found(&report, State::Altered, "journal.jsonl", "does not fit its own sha256");
    assert_eq!(report.findings[0].line, Some(2));
}

#[test]
fn lines_removed_from_the_end_are_given_away_by_the_summary() {
    for left in 0..5 {
        let report = after(|dir| keep_lines(dir, left));
        assert_found(&report, State::Altered, "journal.jsonl", "closing line, which is gone");
    }
}

#[test]
fn a_journal_removed_whole_is_given_away_by_the_summary() {
    let report = after(|dir| fs::remove_file(dir.join("journal.jsonl")).unwrap());
    assert_found(&report, State::Altered, "journal.jsonl", "is missing");
}

#[test]
fn a_session_that_was_killed_is_cut_off_wherever_it_stood() {
    for left in 0..5 {
        let report = after(|dir| {
            keep_lines(dir, left);
            fs::remove_file(dir.join("summary.json")).unwrap();
        });
        let what = if left == 0 { "is empty" } else { "not the closing one" };
        assert_found(&report, State::CutOff, "journal.jsonl", what);
        assert!(report.findings.iter().all(|finding| finding.weight != Weight::Altered));
    }
}

#[test]
fn a_session_killed_before_its_summary_is_cut_off() {
    let report = after(|dir| fs::remove_file(dir.join("summary.json")).unwrap());
    assert_found(&report, State::CutOff, "summary.json", "is missing");
}

#[test]
fn every_word_of_the_summary_is_vouched_for() {
    for (from, to, key) in [
        ("\"stopped\"", "\"completed\"", "outcome"),
        ("\"stops\": 1", "\"stops\": 0", "totals"),
        ("\"apron\": \"no\"", "\"apron\": \"yes\"", "answers"),
        ("Training aid.", "", "cautions"),
        ("0.30000000000000004", "0.3", "steps"),
        ("\"engine\"", "\"motor\"", "motor"),
        ("\"engine\"", "\"motor\"", "engine"),
    ] {
        let report = after(|dir| edit(dir.join("summary.json"), from, to));
        assert_found(&report, State::Altered, "summary.json", &format!("'{key}'"));
    }
}

#[test]
fn a_summary_of_another_journal_is_altered() {
    let report = after(|dir| edit(dir.join("summary.json"), "\"journal_lines\": 5", "\"journal_lines\": 6"));
    assert_found(&report, State::Altered, "summary.json", "another number of journal lines");
    let report =
        after(|dir| edit(dir.join("summary.json"), "\"journal_sha256\": \"", "\"journal_sha256\": \"0"));
    assert_found(&report, State::Altered, "summary.json", "another last sha256");
    for text in ["", "{", "[]", "\u{0}"] {
        let report = after(|dir| fs::write(dir.join("summary.json"), text).unwrap());
        assert_found(&report, State::Altered, "summary.json", "can't be read");
    }
}

#[test]
fn what_a_short_closing_line_does_not_vouch_for_is_noted() {
    let root = tempfile::tempdir().unwrap();
    let folder = SessionFolder::create(root.path(), "one").unwrap();
    let closed = open_journal(&folder).close(at(3000), 3000, &json!({"outcome": "held"})).unwrap();
    let summary = |outcome: &str| {
        let (lines, sha256) = (closed.lines, &closed.sha256);
        json!({"outcome": outcome, "engine": "x", "journal_lines": lines, "journal_sha256": sha256})
    };
    folder.write_summary(&summary("held")).unwrap();
    let report = verify(folder.path()).unwrap();
    assert_found(&report, State::Sound, "summary.json", "does not vouch for engine");
    assert_found(&report, State::Sound, "audio.wav", "no sound was kept");
    folder.write_summary(&summary("completed")).unwrap();
    assert_found(&verify(folder.path()).unwrap(), State::Altered, "summary.json", "'outcome'");
}

#[test]
fn another_procedure_is_altered() {
    let report = after(|dir| edit(dir.join("procedure.toml"), "Donning", "Doffing"));
    assert_found(&report, State::Altered, "procedure.toml", "not the procedure that was followed");
    let report = after(|dir| fs::remove_file(dir.join("procedure.toml")).unwrap());
    assert_found(&report, State::Altered, "procedure.toml", "is missing");
}

#[test]
fn a_first_line_that_names_no_procedure_is_altered() {
    let root = tempfile::tempdir().unwrap();
    let folder = SessionFolder::create(root.path(), "one").unwrap();
    folder.keep_procedure("x").unwrap();
    let mut journal = antiphon::record::Journal::create(&folder).unwrap();
    journal.append(at(0), 0, "said", &json!({"procedure_sha256": "x"})).unwrap();
    let report = verify(folder.path()).unwrap();
    assert_found(&report, State::Altered, "journal.jsonl", "does not say which procedure");
}

#[test]
fn audio_that_was_changed_replaced_or_removed_is_altered() {
    let changed = after(|dir| {
        let mut bytes = fs::read(dir.join("audio.wav")).unwrap();
        bytes[5000] ^= 1;
        fs::write(dir.join("audio.wav"), bytes).unwrap();
    });
    assert_found(&changed, State::Altered, "audio.wav", "its sha256");
    assert_eq!(changed.audio.unwrap().as_written, Some(false));
    let removed = after(|dir| fs::remove_file(dir.join("audio.wav")).unwrap());
    assert_found(&removed, State::Altered, "audio.wav", "is missing");
    let emptied = after(|dir| fs::write(dir.join("audio.wav"), "").unwrap());
    assert_found(&emptied, State::Altered, "audio.wav", "can't be played");
}

/// A session of 3 s that was killed with this many samples of audio written.
fn killed_with(samples: u64) -> (tempfile::TempDir, PathBuf) {
    let root = tempfile::tempdir().unwrap();
    let folder = SessionFolder::create(root.path(), "one").unwrap();
    let mut journal = open_journal(&folder);
    journal.append(at(3000), 3000, "note", &()).unwrap();
    let mut tracks = Tracks::create(&folder, &["room"]).unwrap();
    tracks.advance(samples).unwrap();
    tracks.flush().unwrap();
    (root, folder.path().to_owned())
}

#[test]
fn audio_may_be_a_second_shorter_than_the_journal_and_no_more() {
    let (_root, dir) = killed_with(32_000);
    let report = verify(&dir).unwrap();
    assert!(!report.findings.iter().any(|finding| finding.file == "audio.wav"), "{:?}", report.findings);
    assert_eq!(report.audio.unwrap().as_written, None);
    let (_root, dir) = killed_with(31_984);
    assert_found(&verify(&dir).unwrap(), State::CutOff, "audio.wav", "audio shorter");
}

#[test]
fn audio_is_measured_by_what_is_there_and_not_by_its_header() {
    let (_root, dir) = killed_with(48_000);
    let file = fs::OpenOptions::new().write(true).open(dir.join("audio.wav")).unwrap();
    file.set_len(44 + 2 * 16_000).unwrap();
    let report = verify(&dir).unwrap();
    assert_found(&report, State::CutOff, "audio.wav", "audio shorter");
    assert_eq!(report.audio.unwrap().seconds, 1.0);
}

#[test]
fn a_record_written_anew_is_found_by_the_noted_digest() {
    let root = tempfile::tempdir().unwrap();
    let (dir, summary) = whole_session(root.path());
    let digest = summary.journal_sha256;
    let code = |noted: &str| {
        let mut text = Vec::new();
        let code = cli::verify::run_to(&mut text, &dir, true, Some(noted), None).unwrap();
        serde_json::from_slice::<Value>(&text).unwrap();
        code
    };
    assert_eq!(code(&digest), ExitCode::Done);
    assert_eq!(code(&format!(" {}\n", digest[..16].to_uppercase())), ExitCode::Done);
    let short = cli::verify::run_to(&mut Vec::new(), &dir, true, Some(&digest[..15]), None).unwrap_err();
    assert_eq!(short.code, ExitCode::Usage, "too short to prove anything: {short}");
    assert_eq!(code(&"0".repeat(64)), ExitCode::Tampered);
    assert_eq!(code(&format!("{digest}0")), ExitCode::Tampered);
}

#[test]
fn where_there_is_no_session_there_is_nothing_to_verify() {
    let root = tempfile::tempdir().unwrap();
    let none = root.path().join("none");
    let file = root.path().join("file");
    fs::write(&file, "").unwrap();
    for (path, why) in
        [(&none, "no such folder"), (&file, "not a folder"), (&root.path().to_owned(), "no journal")]
    {
        assert!(matches!(verify(path), Err(RecordError::NoSession { .. })), "{path:?}");
        let Failure { code, why: told, fix, .. } = cli::verify::run(path, false).unwrap_err();
        assert_eq!(code, ExitCode::BadFolder);
        assert!(told.unwrap().contains(why) && fix.is_some());
    }
}

#[test]
fn a_report_is_json_for_programs() {
    let report = after(|dir| edit(dir.join("journal.jsonl"), "Gown on", "Hood on"));
    let value: Value = serde_json::to_value(&report).unwrap();
    assert_eq!(value["state"], "altered");
    assert_eq!(value["lines"], 5);
    assert_eq!(value["findings"][0]["weight"], "altered");
    assert_eq!(value["findings"][0]["line"], 2);
    assert_eq!(value["audio"]["tracks"], 2);
}
