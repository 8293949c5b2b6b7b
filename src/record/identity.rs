//! Which session a record is, and when: its folder's name, its first line, and what the last line says of both.
//!
//! Owns the comparison of the three. Without it an older session, whole and signed, could stand in a newer one's place.

use super::folder::{begins_with_time, JOURNAL, SUMMARY};
use super::journal::END;
use super::moved::{moves, session_of};
use super::read::Line;
use super::verify::{Finding, Weight};
use chrono::{DateTime, FixedOffset, TimeDelta};
use serde_json::Value;
use std::fs;
use std::path::Path;

/// A name made from the time is made just before the first line, s.
const SINCE_NAMED: i64 = 60;
/// The clock was set back when a line's time is this much before that of the line before it, ms.
const SET_BACK: i64 = 2_000;

/// What does not go together.
pub(super) fn check(dir: &Path, lines: &[Line]) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut find = |weight, file, line, what: String| findings.push(Finding { weight, file, line, what });
    let Some(first) = lines.first().filter(|line| line.kind == "session" && line.sound) else {
        return findings;
    };
    let began_as = first.body.get("session").and_then(Value::as_str);
    // Each move goes on from where the one before it went.
    let mut before = began_as.map(str::to_owned);
    for (line, moved) in moves(lines) {
        if before.as_ref().is_some_and(|before| *before != moved.from) {
            let what =
                format!("says that '{}' was moved, and not '{}'", moved.from, before.unwrap_or_default());
            find(Weight::Altered, JOURNAL, Some(line.line), what);
        }
        before = Some(moved.to);
    }
    let session = session_of(lines);
    let session = session.as_deref();
    if let Some(session) = session {
        let names = names(dir);
        if let Some(other) = names.iter().find(|name| *name != session) {
            let what = format!("is session '{session}', and not '{other}', which its folder is called");
            find(Weight::Altered, JOURNAL, Some(first.line), what);
        }
        if begins_with_time(session).is_some_and(|named| {
            first.at.signed_duration_since(named).abs() > TimeDelta::seconds(SINCE_NAMED)
        }) {
            let what = format!("began at {}, which its name '{session}' does not say", first.at.to_rfc3339());
            find(Weight::Note, JOURNAL, Some(first.line), what);
        }
    }
    if let Some(end) = lines.last().filter(|line| line.kind == END && line.sound) {
        let ended = end.body.get("session").and_then(Value::as_str);
        if let (Some(session), Some(ended)) = (session, ended) {
            if session != ended {
                let what = format!("is the end of session '{ended}', and not of '{session}'");
                find(Weight::Altered, JOURNAL, Some(end.line), what);
            }
        }
        let started = end.body.get("started").and_then(Value::as_str);
        let started: Option<DateTime<FixedOffset>> = started.and_then(|at| at.parse().ok());
        if started.is_some_and(|at| at.timestamp_millis() != first.at.timestamp_millis()) {
            let what = "states another start than the journal's first line has".to_string();
            find(Weight::Altered, SUMMARY, None, what);
        }
    }
    for (before, line) in lines.iter().zip(lines.iter().skip(1)) {
        // What a later command put in has its own time, and what follows has the session's again.
        let set = ["redaction", "clock", "closed_later"];
        let later =
            |line: &Line| set.iter().any(|key| line.body.get(key).is_some_and(|data| !data.is_null()));
        let back = before.at.signed_duration_since(line.at).num_milliseconds();
        if back > SET_BACK && before.sound && line.sound && !later(before) && !later(line) {
            let what = format!("the machine's clock was set back by {:.1} s", back as f64 / 1000.0);
            find(Weight::Note, JOURNAL, Some(line.line), what);
        }
    }
    findings
}

/// The folder's own name, and the name by which it was asked for where that is another session's: a link may be called
/// anything else.
fn names(dir: &Path) -> Vec<String> {
    let name = |path: &Path| path.file_name().map(|name| name.to_string_lossy().into_owned());
    let own = fs::canonicalize(dir).ok().and_then(|path| name(&path));
    let asked = name(dir).filter(|asked| begins_with_time(asked).is_some());
    own.into_iter().chain(asked).collect()
}

#[cfg(test)]
mod tests {
    use super::super::read::read_bytes;
    use super::super::{Journal, SessionFolder};
    use super::*;
    use serde_json::json;

    fn at(ms: i64) -> DateTime<FixedOffset> {
        let zero = DateTime::parse_from_rfc3339("2026-11-25T00:15:00.123+01:00").expect("a valid time");
        zero + TimeDelta::milliseconds(ms)
    }

    /// A session of this name whose lines were written at these times.
    fn found(name: &str, session: &str, started: &str, times: &[i64]) -> Vec<(Weight, String)> {
        let root = tempfile::tempdir().unwrap();
        let folder = SessionFolder::create(root.path(), name).unwrap();
        let mut journal = Journal::create(&folder).unwrap();
        journal.append(at(0), 0, "session", &json!({ "session": session })).unwrap();
        for time in times {
            journal.append(at(*time), 0, "note", &json!({ "note": "x" })).unwrap();
        }
        journal.close(at(9_000), 9_000, &json!({ "session": session, "started": started })).unwrap();
        let lines = read_bytes(&fs::read(folder.path().join(JOURNAL)).unwrap()).lines;
        check(folder.path(), &lines).into_iter().map(|finding| (finding.weight, finding.what)).collect()
    }

    const STARTED: &str = "2026-11-25T00:15:00.123456+01:00";

    #[test]
    fn a_record_that_is_where_and_when_it_says_has_no_finding() {
        assert_eq!(found("one", "one", STARTED, &[1_000, 0, 5_000]), []);
        let name = "20261124T231459Z-donning";
        assert_eq!(found(name, name, "2026-11-24T23:15:00.123Z", &[]), []);
    }

    #[test]
    fn another_name_another_start_and_a_clock_set_back_are_told() {
        let other = found("one", "two", STARTED, &[]);
        assert!(
            matches!(&other[..], [(Weight::Altered, what)] if what.contains("'two', and not 'one'")),
            "{other:?}"
        );
        let other = found("one", "one", "2026-11-25T00:15:00.124+01:00", &[]);
        assert!(
            matches!(&other[..], [(Weight::Altered, what)] if what.contains("another start")),
            "{other:?}"
        );
        let back = found("one", "one", STARTED, &[8_000, 1_000, 2_000]);
        assert!(
            matches!(&back[..], [(Weight::Note, what)] if what.contains("set back by 7.0 s")),
            "{back:?}"
        );
        let named = "20261124T221500Z-donning";
        let late = found(named, named, STARTED, &[]);
        assert!(matches!(&late[..], [(Weight::Note, what)] if what.contains("its name")), "{late:?}");
    }

    #[cfg(unix)]
    #[test]
    fn a_link_may_be_called_latest_but_not_like_another_session() {
        let root = tempfile::tempdir().unwrap();
        let session = root.path().join("20261124T231500Z-donning");
        fs::create_dir(&session).unwrap();
        let own = ["20261124T231500Z-donning".to_string()];
        for (link, more) in [("latest", None), ("20261125T070000Z-donning", Some("20261125T070000Z-donning"))]
        {
            let link = root.path().join(link);
            std::os::unix::fs::symlink(&session, &link).unwrap();
            let expected: Vec<String> = own.iter().cloned().chain(more.map(str::to_string)).collect();
            assert_eq!(names(&link), expected);
        }
        assert_eq!(names(&session.join(".")).first(), own.first());
    }
}
