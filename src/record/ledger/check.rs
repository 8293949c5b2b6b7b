//! Checking a folder of sessions against its ledger: are all there that there were, and are they what they were?
//!
//! Owns the judgement. Must not know how it is shown. Never writes.

use super::{sessions_in, Entry, LEDGER};
use crate::record::chain::sha256_file;
use crate::record::folder::{JOURNAL, SUMMARY};
use crate::record::prune::PRUNED;
use crate::record::read::{self, Line, Tail};
use crate::record::verify::{self, verify, State, Weight};
use crate::record::{sign, Lock, RecordError};
use chrono::{DateTime, FixedOffset};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    pub weight: Weight,
    /// Of which session; `None` for the ledger itself.
    pub session: Option<String>,
    /// The entry, from 1.
    pub line: Option<usize>,
    pub what: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Report {
    pub folder: PathBuf,
    pub state: State,
    /// Heaviest first.
    pub findings: Vec<Finding>,
    pub entries: usize,
    /// Sessions that are in it.
    pub sessions: usize,
    pub first: Option<DateTime<FixedOffset>>,
    pub last: Option<DateTime<FixedOffset>>,
    /// The last entry's digest: note it elsewhere, and no session before it can go unnoticed.
    pub head: Option<String>,
    /// Every entry's digest.
    #[serde(skip)]
    digests: Vec<String>,
}

impl Report {
    fn find(&mut self, weight: Weight, session: Option<&str>, line: Option<usize>, what: impl Into<String>) {
        self.findings.push(Finding { weight, session: session.map(str::to_owned), line, what: what.into() });
    }

    /// Whether the ledger holds a head as somebody noted it: a digest or its beginning. Anything else is a finding.
    pub fn compare_with(&mut self, noted: &str) {
        let noted = noted.trim().to_ascii_lowercase();
        let proves = noted.len() >= verify::SHORTEST_NOTE;
        match self.digests.iter().position(|digest| proves && digest.starts_with(&noted)) {
            Some(at) => {
                let what = format!(
                    "is the head that was noted: {} entries came after it",
                    self.digests.len() - at - 1
                );
                self.find(Weight::Note, None, Some(at + 1), what);
            }
            None => {
                let what =
                    format!("has no entry with the digest noted, {noted}: it is another ledger, or was cut");
                self.find(Weight::Altered, None, None, what);
            }
        }
        self.settle();
    }

    /// Accepts only a ledger that was signed with this key, up to some entry.
    pub fn require_signature(&mut self, key: Option<&ed25519_dalek::VerifyingKey>) {
        match sign::check_ledger(&self.folder, &self.digests, key) {
            None => {}
            Some(Ok((line, what))) => self.find(Weight::Note, None, Some(line), what),
            Some(Err(what)) => self.find(Weight::Altered, None, None, what),
        }
        self.settle();
    }

    fn settle(&mut self) {
        self.findings.sort_by_key(|finding| std::cmp::Reverse(finding.weight));
        self.state = State::by(self.findings.first().map(|finding| finding.weight));
    }
}

/// What the entries of one session come to.
#[derive(Debug, Default)]
struct Known {
    /// Its last entry.
    line: usize,
    at: Option<DateTime<FixedOffset>>,
    first: Option<String>,
    last: Option<String>,
    /// Only its summary is left: the digest of that.
    summary: Option<String>,
    key: Option<String>,
    /// The session that went on here, and the one in which this one went on.
    continues: Option<String>,
    goes_on_in: Option<String>,
}

/// Checks every session in `root`. Errors: `NoSession` when there is no ledger, `NotAllowed`, `TooLarge`, `Io`.
pub fn check(root: &Path) -> Result<Report, RecordError> {
    let path = root.join(LEDGER);
    let reading = match read::read(&path) {
        Err(RecordError::Io { source, .. }) if source.kind() == ErrorKind::NotFound => {
            let why =
                format!("there is no {LEDGER} in it; it begins with the next session that is recorded there");
            return Err(RecordError::NoSession { path: root.to_owned(), why });
        }
        reading => reading?,
    };
    let mut report = Report {
        folder: root.to_owned(),
        state: State::Sound,
        findings: Vec::new(),
        entries: reading.lines.len(),
        sessions: 0,
        first: reading.lines.first().map(|line| line.at),
        last: reading.lines.last().map(|line| line.at),
        head: reading.lines.last().map(|line| line.digest.clone()),
        digests: reading.lines.iter().map(|line| line.digest.clone()).collect(),
    };
    for problem in &reading.problems {
        report.find(Weight::Altered, None, Some(problem.line), &problem.what);
    }
    match &reading.tail {
        Tail::CutOff { line: 0, what } => report.find(Weight::Altered, None, None, what),
        Tail::CutOff { what, line } if what.contains("breaks off") || what.contains("no line end") => {
            report.find(Weight::Note, None, Some(*line), "an entry broke off as it was written");
        }
        Tail::CutOff { .. } => {}
        Tail::Whole => report.find(Weight::Altered, None, Some(reading.lines.len()), "is no ledger's entry"),
    }
    if reading.lines.first().is_some_and(|line| line.kind != "begun") {
        report.find(Weight::Altered, None, Some(1), "is no ledger's first entry");
    }
    let mut known = fold(&reading.lines, &mut report);
    let moves: Vec<(String, String)> = known
        .iter()
        .filter_map(|(session, known)| Some((known.continues.clone()?, session.clone())))
        .collect();
    for (from, to) in moves {
        if let Some(damaged) = known.get_mut(&from) {
            damaged.goes_on_in = Some(to);
        }
    }
    report.sessions = known.len();
    for (session, known) in &known {
        session_stands(root, session, known, &mut report)?;
    }
    let there =
        sessions_in(root).map_err(|error| RecordError::io("look through the sessions", root, error))?;
    for session in there.iter().filter(|session| !known.contains_key(*session)) {
        let (weight, what) = unlisted(&root.join(session));
        report.find(weight, Some(session), None, what);
    }
    report.settle();
    Ok(report)
}

fn fold(lines: &[Line], report: &mut Report) -> BTreeMap<String, Known> {
    let mut all: BTreeMap<String, Known> = BTreeMap::new();
    for line in lines.iter().filter(|line| line.kind != "begun") {
        let Ok(entry) = serde_json::from_value::<Entry>(line.body.clone()) else {
            report.find(Weight::Altered, None, Some(line.line), "names no session");
            continue;
        };
        let session = entry.session;
        if line.kind == "started" {
            // It may have been found by a ledger that another session began at the same moment.
            let same = |known: &Known| known.first == entry.first_sha256 && known.last.is_none();
            if all.get(&session).is_some_and(|known| !same(known)) {
                let what = "a session of this name was entered before: that one is gone";
                report.find(Weight::Altered, Some(&session), Some(line.line), what);
            }
            all.remove(&session);
        }
        let known = all.entry(session.clone()).or_default();
        (known.line, known.at) = (line.line, Some(line.at));
        match line.kind.as_str() {
            "started" => {
                known.first = entry.first_sha256;
                known.continues = entry.continues;
            }
            "found" | "ended" | "redacted" | "closed" => {
                known.first = entry.first_sha256.or(known.first.take());
                known.last = entry.last_sha256;
                known.summary = entry.summary_sha256;
                // A signature ends with a redaction.
                known.key = None;
            }
            "pruned" => known.summary = entry.summary_sha256,
            "signed" => known.key = entry.key,
            other => {
                let what = format!("is of a kind that this version does not know: {}", other.escape_debug());
                report.find(Weight::Note, Some(&session), Some(line.line), what);
            }
        }
    }
    all
}

fn session_stands(root: &Path, session: &str, known: &Known, report: &mut Report) -> Result<(), RecordError> {
    let folder = root.join(session);
    let date = known.at.map(|at| at.format("%Y-%m-%d").to_string()).unwrap_or_default();
    let mut find = |weight, what: String| report.find(weight, Some(session), Some(known.line), what);
    if let Some(to) = &known.goes_on_in {
        find(Weight::Note, format!("was damaged while it ran, and goes on in '{to}'"));
    }
    match fs::symlink_metadata(&folder) {
        Ok(meta) if meta.is_dir() => {}
        Ok(_) => {
            find(Weight::Altered, "is no folder: something else stands in its place".into());
            return Ok(());
        }
        Err(_) => {
            find(Weight::Altered, format!("is gone: it was last entered on {date}"));
            return Ok(());
        }
    }
    if let Some(summary) = &known.summary {
        if sha256_file(&folder.join(SUMMARY)).ok().as_ref() != Some(summary) {
            find(Weight::Altered, "its summary, which was to be kept, is another or gone".into());
        }
        if !folder.join(JOURNAL).exists() {
            return Ok(());
        }
        if folder.join(PRUNED).exists() {
            find(Weight::Note, "its deletion was cut off: `antiphon prune` finishes it".into());
            return Ok(());
        }
    }
    if matches!(Lock::of(&folder), Err(RecordError::Busy { .. })) {
        find(Weight::Note, "is being written: it is not checked".into());
        return Ok(());
    }
    let verified = match verify(&folder) {
        Ok(verified) => verified,
        Err(RecordError::NoSession { why, .. }) => {
            find(Weight::Altered, format!("is no session any more: {why}"));
            return Ok(());
        }
        Err(error) => return Err(error),
    };
    if verified.state == State::Altered {
        let what = verified.findings.first().map(|finding| format!("{}: {}", finding.file, finding.what));
        find(Weight::Altered, format!("was altered: {}", what.unwrap_or_default()));
    }
    if known.first.is_some() && verified.first_digest != known.first {
        find(Weight::Altered, "is another session than the one that was entered".into());
    } else {
        match &known.last {
            Some(last) if verified.digest.as_ref() == Some(last) => {}
            Some(last) => {
                find(Weight::Altered, format!("does not end with the digest that was entered, {last}"))
            }
            None if verified.state == State::CutOff => {
                find(Weight::CutOff, "was cut off: it has a start here and no end".into());
            }
            None if verified.state == State::Sound => {
                find(Weight::CutOff, "has an end that was not entered here".into());
            }
            None => {}
        }
    }
    if let Some(key) = &known.key {
        if sign::key_of(&folder).as_ref() != Some(key) {
            find(Weight::Altered, format!("was signed with key {key}, and no longer is"));
        }
    }
    Ok(())
}

/// A session that the ledger does not name.
fn unlisted(folder: &Path) -> (Weight, String) {
    let linked = fs::symlink_metadata(folder).is_ok_and(|meta| meta.is_symlink());
    let starting = matches!(Lock::of(folder), Err(RecordError::Busy { .. }));
    let one_line = verify(folder).is_ok_and(|report| report.state == State::CutOff && report.lines <= 1);
    match () {
        () if linked => (Weight::Altered, "is a link, and in no entry".into()),
        () if starting => (
            Weight::Note,
            "is being written, and is not in the ledger: not yet, or there was no room for its entry".into(),
        ),
        () if one_line => (Weight::CutOff, "was cut off as it began, before it was entered".into()),
        () => (Weight::Altered, "is in no entry: it was put here, or the ledger could not be written".into()),
    }
}
