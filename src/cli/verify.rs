//! `antiphon verify`: shows how a record stands.
//!
//! Owns the wording of the report and its exit code; must not judge anything itself.

use crate::failure::{ExitCode, Failure};
use crate::record::sign::read_public_key;
use crate::record::verify::{verify, Finding, Report, State, Weight, SHORTEST_NOTE};
use crate::screen::text::clean;
use ed25519_dalek::VerifyingKey;
use std::io::{self, ErrorKind, Write};
use std::path::Path;

/// Checks the session in `dir` and prints the report to standard output, as text or as one JSON object.
///
/// Returns `Done`, `CutOff` or `Tampered`. Errors: `BadFolder` when there is no session or it can't be read.
pub fn run(dir: &Path, json: bool) -> Result<ExitCode, Failure> {
    run_against(dir, json, None)
}

/// As `run`, and compares the last digest with one noted when the session ended (at least its first 16 digits).
pub fn run_against(dir: &Path, json: bool, noted: Option<&str>) -> Result<ExitCode, Failure> {
    run_to(&mut io::stdout().lock(), dir, json, noted, None)
}

/// As `run_against`, and demands a signature made with the key in this file.
pub fn run_signed(
    dir: &Path,
    json: bool,
    noted: Option<&str>,
    key: Option<&Path>,
) -> Result<ExitCode, Failure> {
    let read = |path| read_public_key(path).map_err(|why| super::keeping::bad_key(path, why));
    let key = key.map(read).transpose()?;
    run_to(&mut io::stdout().lock(), dir, json, noted, key.as_ref())
}

/// As `run_against`, printing to `out`.
pub fn run_to(
    out: &mut impl Write,
    dir: &Path,
    json: bool,
    noted: Option<&str>,
    key: Option<&VerifyingKey>,
) -> Result<ExitCode, Failure> {
    if let Some(short) = noted.map(str::trim).filter(|noted| noted.len() < SHORTEST_NOTE) {
        return Err(Failure::new(
            ExitCode::Usage,
            format!("--digest {short:?} is too short to prove anything"),
        )
        .fix(format!("give at least the first {SHORTEST_NOTE} digits of the digest noted")));
    }
    let mut report = verify(dir)?;
    if let Some(noted) = noted {
        report.compare_with(noted);
    }
    if let Some(key) = key {
        report.require_signature(key)?;
    }
    let text = if json { as_json(&report)? } else { as_text(&report, noted.is_some() || key.is_some()) };
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        // Whoever reads the report has seen enough (`| head`); the exit code still tells.
        Err(error) if error.kind() == ErrorKind::BrokenPipe => {}
        Err(error) => {
            return Err(Failure::new(ExitCode::Internal, "can't print the report").why(error));
        }
        Ok(()) => {}
    }
    Ok(exit_code(report.state))
}

pub(super) fn exit_code(state: State) -> ExitCode {
    match state {
        State::Sound => ExitCode::Done,
        State::CutOff => ExitCode::CutOff,
        State::Altered => ExitCode::Tampered,
    }
}

fn as_json(report: &Report) -> Result<String, Failure> {
    serde_json::to_string_pretty(report)
        .map(|text| text + "\n")
        .map_err(|error| Failure::new(ExitCode::Internal, "can't print the report").why(error))
}

const CLOSED_LATER: &str =
    "SOUND, closed later: it was cut off, and has not been changed since it was closed";

fn as_text(report: &Report, compared: bool) -> String {
    let mut rows: Vec<(&str, String)> = Vec::new();
    rows.push(("record", report.folder.display().to_string()));
    let state = match report.state {
        State::Sound => "SOUND: whole, and as it was written",
        State::CutOff => "CUT OFF: it stops early; what there is is as it was written",
        State::Altered => "ALTERED: something was changed after it was written",
    };
    let later = report.closed_later.as_ref().filter(|_| report.state == State::Sound);
    rows.push(("state", later.map_or(state, |_| CLOSED_LATER).to_owned()));
    let lasted = report.last_ms.map(|ms| format!(", {}", clock(ms / 1000))).unwrap_or_default();
    rows.push(("journal", format!("{} line{}{lasted}", report.lines, plural(report.lines))));
    if let (Some(first), Some(last)) = (report.first, report.last) {
        rows.push(("from", first.to_rfc3339()));
        rows.push(("to", last.to_rfc3339()));
    }
    if let Some(audio) = &report.audio {
        let tracks = usize::from(audio.tracks);
        let written = match audio.as_written {
            Some(true) => ", as it was written".to_owned(),
            Some(false) => ", not as it was written".to_owned(),
            None => format!(", proved up to {}", clock(audio.proved_s as u64)),
        };
        // Whole seconds of a file that a 32-bit header measures.
        let seconds = audio.seconds as u64;
        rows.push(("audio", format!("{tracks} track{}, {}{written}", plural(tracks), clock(seconds))));
    }
    if let Some(digest) = &report.digest {
        rows.push(("digest", digest.clone()));
    }
    let mut text: String = rows.iter().map(|(name, value)| format!("{name:<8} {value}\n")).collect();
    if !report.findings.is_empty() {
        text.push_str("\nfindings\n");
        text.extend(report.findings.iter().map(finding));
    }
    if report.state == State::Sound && !compared {
        text.push_str(
            "\nOnly the digest, noted elsewhere when the session ended, or a signature shows that the whole record was not \
             written anew.\n",
        );
    }
    text
}

fn finding(finding: &Finding) -> String {
    let place = match finding.line {
        Some(line) => format!("{}:{line}", finding.file),
        None => finding.file.to_owned(),
    };
    finding_line(finding.weight, &place, &finding.what)
}

/// A finding as it is shown. What it quotes may come from an altered file, which must not steer the terminal.
pub(super) fn finding_line(weight: Weight, place: &str, what: &str) -> String {
    let weight = match weight {
        Weight::Note => "note",
        Weight::CutOff => "cut off",
        Weight::Altered => "ALTERED",
    };
    format!("  {weight:<8} {}: {}\n", clean(place), clean(what))
}

fn plural(count: usize) -> &'static str {
    if count == 1 {
        ""
    } else {
        "s"
    }
}

/// `1:02:03` or `2:03`.
fn clock(seconds: u64) -> String {
    let (h, m, s) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    if h > 0 {
        format!("{h}:{m:02}:{s:02}")
    } else {
        format!("{m}:{s:02}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::verify::Audio;
    use chrono::DateTime;

    fn report(state: State, findings: Vec<Finding>) -> Report {
        let at = |text| DateTime::parse_from_rfc3339(text).ok();
        Report {
            folder: "sessions/one".into(),
            state,
            findings,
            lines: 212,
            first: at("2026-11-25T00:15:00+01:00"),
            last: at("2026-11-25T00:50:12+01:00"),
            last_ms: Some(2_112_900),
            first_digest: Some("cd".repeat(32)),
            digest: Some("ab".repeat(32)),
            audio: Some(Audio { tracks: 2, seconds: 3_723.4, as_written: Some(true), proved_s: 3_723.4 }),
            closed_later: None,
        }
    }

    #[test]
    fn a_sound_report_gives_the_digest_and_what_it_is_worth() {
        let text = as_text(&report(State::Sound, Vec::new()), false);
        for part in ["SOUND", "212 lines, 35:12", "2 tracks, 1:02:03, as it was written", &"ab".repeat(32)] {
            assert!(text.contains(part), "{part} in {text}");
        }
        assert!(text.contains("noted elsewhere"));
        assert!(!as_text(&report(State::Sound, Vec::new()), true).contains("noted elsewhere"));
    }

    #[test]
    fn a_finding_says_where_it_is_and_cannot_steer_the_terminal() {
        let what = "'\u{1b}[2Jx' is missing".to_owned();
        let finding = Finding { weight: Weight::Altered, file: "journal.jsonl", line: Some(17), what };
        let text = as_text(&report(State::Altered, vec![finding]), false);
        assert!(text.contains("ALTERED  journal.jsonl:17: '\u{fffd}[2Jx' is missing\n"), "{text}");
        assert!(!text.contains('\u{1b}'));
    }

    #[test]
    fn every_state_has_its_exit_code() {
        assert_eq!(exit_code(State::Sound), ExitCode::Done);
        assert_eq!(exit_code(State::CutOff), ExitCode::CutOff);
        assert_eq!(exit_code(State::Altered), ExitCode::Tampered);
    }
}
