//! Checking a session's folder: is it as it was written?
//!
//! Owns the judgement over all files of a session and how they vouch for each other: the journal's first line for
//! `procedure.toml`, its closing line for `audio.wav` and `summary.json`, and the summary for the journal's end. Must
//! not know the session's rules or how a finding is shown. Never writes.

use super::chain::{sha256_file, sha256_hex};
use super::folder::{AUDIO, JOURNAL, PRACTICE, PROCEDURE, SUMMARY};
use super::journal::MOVED;
use super::moved::Moved;
use super::prune::PRUNED;
use super::read::{self, Line, Reading, Tail};
use super::redact::PLAN;
use super::summary::ClosedLater;
use super::{identity, sign, strict, vouched};
use super::{Account, RecordError};
use crate::audio::RATE;
use crate::files::{self, Links};
use chrono::{DateTime, FixedOffset};
use serde::Serialize;
use serde_json::{Map, Value};
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// The audio may be this much shorter than the journal before it counts as cut off, ms: the header is made good once
/// a second.
const AUDIO_SLACK_MS: u64 = 1000;

/// A failing disk may lose this much of sound that it said it had, samples: what a power cut takes at most.
const LOST_AT_MOST: u64 = 3 * RATE as u64;

/// Largest `summary.json` read, bytes; the journal's closing line, which has the same in it, may have half of it.
pub const MAX_SUMMARY: u64 = 1 << 21;

/// Largest `procedure.toml` read, bytes.
const MAX_PROCEDURE: u64 = 1 << 24;

/// Letters of a post's name that are shown.
const LONGEST_POST: usize = 40;

/// Shortest beginning of a digest that `compare_with` takes, hex digits: 64 bits can't be met by trying.
pub const SHORTEST_NOTE: usize = 16;

/// How a record stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Whole and as it was written.
    Sound,
    /// It stops early, and what there is is as it was written.
    CutOff,
    /// Something was changed, removed or added after it was written.
    Altered,
}

impl State {
    /// By the heaviest finding.
    pub fn by(heaviest: Option<Weight>) -> State {
        match heaviest {
            None | Some(Weight::Note) => State::Sound,
            Some(Weight::CutOff) => State::CutOff,
            Some(Weight::Altered) => State::Altered,
        }
    }
}

/// What one finding means for the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// Worth knowing.
    Note,
    CutOff,
    Altered,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    pub weight: Weight,
    pub file: &'static str,
    /// From 1, where the file has lines.
    pub line: Option<usize>,
    pub what: String,
}

/// The sound that goes with a record.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Audio {
    pub tracks: u16,
    pub seconds: f64,
    /// Whether it fits the digest in the journal's closing line; `None` when there is none to compare with.
    pub as_written: Option<bool>,
    /// Up to where the journal's own lines prove it, seconds: the end, where `as_written`; otherwise the last of the
    /// digests taken every ten seconds that fits.
    pub proved_s: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    pub folder: PathBuf,
    pub state: State,
    /// Heaviest first.
    pub findings: Vec<Finding>,
    /// Lines of the journal that could be read.
    pub lines: usize,
    pub first: Option<DateTime<FixedOffset>>,
    pub last: Option<DateTime<FixedOffset>>,
    /// The session clock at the last line, ms.
    pub last_ms: Option<u64>,
    /// The first line's `sha256`.
    pub first_digest: Option<String>,
    /// The last line's `sha256`: note it elsewhere, and nobody can rewrite the record unnoticed.
    pub digest: Option<String>,
    pub audio: Option<Audio>,
    /// Set when the record had been cut off and was closed by a later command.
    pub closed_later: Option<ClosedLater>,
}

impl Report {
    /// Compares the record with its last digest as somebody noted it when the session ended: the digest or its
    /// beginning, at least 16 hex digits, in either case. Anything else is a finding.
    pub fn compare_with(&mut self, noted: &str) {
        let noted = noted.trim().to_ascii_lowercase();
        let what = match &self.digest {
            _ if noted.len() < SHORTEST_NOTE => {
                format!(
                    "the digest to compare with is shorter than {SHORTEST_NOTE} digits and proves nothing"
                )
            }
            Some(digest) if digest.starts_with(&noted) => return,
            Some(digest) => format!("ends with digest {digest}, not with the one noted, {noted}"),
            None => "has no digest to compare with the one noted".to_owned(),
        };
        self.findings.push(Finding { weight: Weight::Altered, file: JOURNAL, line: None, what });
        self.settle();
    }

    /// Accepts only a record that was signed with this key.
    pub fn require_signature(&mut self, key: &ed25519_dalek::VerifyingKey) -> Result<(), RecordError> {
        self.findings.retain(|finding| finding.file != sign::SIGNATURE);
        self.findings.extend(sign::check(&self.folder, self.digest.as_deref(), Some(key))?);
        self.settle();
        Ok(())
    }

    fn settle(&mut self) {
        self.findings.sort_by_key(|finding| std::cmp::Reverse(finding.weight));
        self.state = State::by(self.findings.first().map(|finding| finding.weight));
    }
}

/// Checks the session in `dir`. Errors: `NoSession` when there is none, `NotAllowed`, `TooLarge`, `Io`; whatever is
/// wrong with the record itself is a finding.
pub fn verify(dir: &Path) -> Result<Report, RecordError> {
    let no_session = |why: &str| RecordError::NoSession { path: dir.to_owned(), why: why.to_owned() };
    match fs::metadata(dir) {
        Ok(about) if about.is_dir() => {}
        Ok(_) => return Err(no_session("not a folder")),
        Err(error) if error.kind() == ErrorKind::NotFound => return Err(no_session("no such folder")),
        Err(error) => return Err(RecordError::io("look into the session's folder", dir, error)),
    }
    let mut check = Check { dir, findings: Vec::new() };
    let summary = check.text(SUMMARY, MAX_SUMMARY)?;
    let reading = match read::read(&dir.join(JOURNAL)) {
        Ok(reading) => reading,
        Err(RecordError::Io { source, .. }) if source.kind() == ErrorKind::NotFound => {
            if summary.is_none() {
                return Err(no_session("there is no journal.jsonl in it"));
            }
            if check.is_there(PRUNED)? {
                return Err(no_session(
                    "the record was deleted on purpose (prune); its summary.json is kept",
                ));
            }
            check.find(Weight::Altered, JOURNAL, None, "is missing, though there is a summary of it");
            Reading { lines: Vec::new(), problems: Vec::new(), tail: Tail::Whole }
        }
        Err(error) => return Err(error),
    };
    if check.is_there(PLAN)? {
        let what = "its redaction was cut off half-way: `antiphon redact` finishes it first";
        check.find(Weight::Altered, JOURNAL, None, what);
    }
    check.journal(&reading);
    check.procedure(&reading)?;
    check.summary(&reading, summary.as_deref());
    check.practice()?;
    check.findings.extend(identity::check(dir, &reading.lines));
    let closed_later = closed_later(&reading);
    let audio = check.audio(&reading, closed_later.is_some())?;
    if let Some(closed) = &closed_later {
        check.closed_later(closed, audio.as_ref());
    }
    let last = reading.lines.last();
    // What a later command wrote is not when the session was.
    let of_session = reading.lines.len().saturating_sub(usize::from(closed_later.is_some()));
    check.findings.extend(sign::check(dir, last.map(|line| line.digest.as_str()), None)?);
    let mut report = Report {
        folder: dir.to_owned(),
        state: State::Sound,
        findings: check.findings,
        lines: reading.lines.len(),
        first: reading.lines.first().map(|line| line.at),
        last: reading.lines[..of_session].last().map(|line| line.at),
        last_ms: last.map(|line| line.ms),
        first_digest: reading.lines.first().map(|line| line.digest.clone()),
        digest: last.map(|line| line.digest.clone()),
        audio,
        closed_later,
    };
    report.settle();
    Ok(report)
}

fn closed_later(reading: &Reading) -> Option<ClosedLater> {
    serde_json::from_value(reading.end()?.body.get("closed_later")?.clone()).ok()
}

const READING: &str = "read a file of the session";

struct Check<'a> {
    dir: &'a Path,
    findings: Vec<Finding>,
}

impl Check<'_> {
    fn find(&mut self, weight: Weight, file: &'static str, line: Option<usize>, what: impl Into<String>) {
        self.findings.push(Finding { weight, file, line, what: what.into() });
    }

    /// A file's bytes; `None` when it isn't there.
    fn text(&self, name: &str, most: u64) -> Result<Option<Vec<u8>>, RecordError> {
        let path = self.dir.join(name);
        match files::read(&path, Links::Refuse, most) {
            Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
            read => read.map(Some).map_err(|error| RecordError::io(READING, &path, error)),
        }
    }

    fn is_there(&self, name: &str) -> Result<bool, RecordError> {
        let path = self.dir.join(name);
        files::is_there(&path).map_err(|error| RecordError::io(READING, &path, error))
    }

    fn journal(&mut self, reading: &Reading) {
        for problem in &reading.problems {
            self.find(Weight::Altered, JOURNAL, Some(problem.line), &problem.what);
        }
        for line in reading.lines.iter().filter(|line| line.kind == "note") {
            if let Some(post) = line.body.pointer("/redaction/post").and_then(Value::as_str) {
                // A post has a short name; a whole line of it can't come from a redaction.
                let post: String = post.chars().take(LONGEST_POST).collect();
                let what = format!(
                    "the record was made anew: the {post} was taken out of it on {}",
                    line.at.date_naive()
                );
                self.find(Weight::Note, JOURNAL, Some(line.line), what);
            }
        }
        for line in reading.lines.iter().filter(|line| line.kind == MOVED && line.sound) {
            match Moved::of(line) {
                Some(moved) => self.find(Weight::Note, JOURNAL, Some(line.line), moved.caution(line.ms)),
                None => self.find(Weight::Altered, JOURNAL, Some(line.line), "does not say what was moved"),
            }
        }
        for line in reading.lines.iter().filter(|line| line.sound) {
            if line.body.pointer("/clock/moved_ms").is_some_and(Value::is_i64) {
                let what = line.body.get("note").and_then(Value::as_str).unwrap_or("the clock was set");
                self.find(Weight::Note, JOURNAL, Some(line.line), what);
            }
        }
        if let Tail::CutOff { line, what } = &reading.tail {
            self.find(Weight::CutOff, JOURNAL, Some(*line).filter(|&line| line > 0), what);
        }
    }

    fn procedure(&mut self, reading: &Reading) -> Result<(), RecordError> {
        let toml = self.text(PROCEDURE, MAX_PROCEDURE)?;
        let Some(first) = reading.lines.first() else { return Ok(()) };
        let stated = first.body.get("procedure_sha256").and_then(Value::as_str);
        match (stated.filter(|_| first.kind == "session" && first.line == 1), toml) {
            (None, _) => {
                let what = "is no session's first line: it does not say which procedure was followed";
                self.find(Weight::Altered, JOURNAL, Some(first.line), what);
            }
            (Some(_), None) => self.find(Weight::Altered, PROCEDURE, None, "is missing"),
            (Some(stated), Some(toml)) if sha256_hex(&toml) != stated => {
                let what = "is not the procedure that was followed: its sha256 is not the one in the journal";
                self.find(Weight::Altered, PROCEDURE, None, what);
            }
            _ => {}
        }
        Ok(())
    }

    fn summary(&mut self, reading: &Reading, text: Option<&[u8]>) {
        let Some(text) = text else {
            if reading.tail == Tail::Whole {
                self.find(Weight::CutOff, SUMMARY, None, "is missing, though the journal has its end");
            }
            return;
        };
        let mut summary = match strict::from_slice::<Map<String, Value>>(text) {
            Ok(summary) => summary,
            Err(why) => {
                let what = format!("can't be read as a summary: {why}");
                return self.find(Weight::Altered, SUMMARY, None, what);
            }
        };
        let lines = summary.remove("journal_lines");
        let digest = summary.remove("journal_sha256");
        let Some(end) = reading.end() else {
            // The summary is written after the journal's end, so the end was there.
            let what = "the summary was written after the closing line, which is gone";
            return self.find(Weight::Altered, JOURNAL, None, what);
        };
        if lines.and_then(|lines| lines.as_u64()) != Some(reading.lines.len() as u64) {
            self.find(
                Weight::Altered,
                SUMMARY,
                None,
                "states another number of journal lines than there are",
            );
        }
        if digest.as_ref().and_then(Value::as_str) != Some(&end.digest) {
            self.find(Weight::Altered, SUMMARY, None, "states another last sha256 than the journal has");
        }
        self.account(end, &summary);
    }

    /// Compares the summary with what the closing line says of the session.
    fn account(&mut self, end: &Line, summary: &Map<String, Value>) {
        let empty = Map::new();
        let stated = end.body.as_object().unwrap_or(&empty);
        // A full account vouches for every word; any other body for what it has in common with the summary.
        let full = serde_json::from_value::<Account>(end.body.clone()).is_ok();
        let mut unvouched = Vec::new();
        for (key, value) in summary {
            match stated.get(key) {
                Some(same) if same == value => {}
                None if !full => unvouched.push(key.as_str()),
                _ => self.find(
                    Weight::Altered,
                    SUMMARY,
                    None,
                    format!("'{key}' is not what the journal's closing line says"),
                ),
            }
        }
        for key in stated.keys().filter(|key| full && !summary.contains_key(*key)) {
            self.find(Weight::Altered, SUMMARY, None, format!("'{key}' is missing"));
        }
        if !unvouched.is_empty() {
            let what = format!("the journal does not vouch for {}", unvouched.join(", "));
            self.find(Weight::Note, SUMMARY, None, what);
        }
    }

    /// A score can be made again, and nothing vouches for it; but it must not say two things.
    fn practice(&mut self) -> Result<(), RecordError> {
        if let Some(Err(why)) =
            self.text(PRACTICE, MAX_SUMMARY)?.map(|text| strict::from_slice::<Value>(&text))
        {
            self.find(Weight::Altered, PRACTICE, None, format!("can't be read as a score: {why}"));
        }
        Ok(())
    }

    fn closed_later(&mut self, closed: &ClosedLater, audio: Option<&Audio>) {
        let mut what = format!(
            "the record was cut off, and closed later: on {}, by {}",
            closed.at.date_naive(),
            closed.by
        );
        if let Some(audio) = audio {
            what.push_str(&format!(
                "; its sound is proved by the session itself up to {:.1} s",
                audio.proved_s
            ));
        }
        self.find(Weight::Note, JOURNAL, None, what);
    }

    fn audio(&mut self, reading: &Reading, closed_later: bool) -> Result<Option<Audio>, RecordError> {
        let path = self.dir.join(AUDIO);
        let stated = reading.end().and_then(|end| end.body.get("audio_sha256")).and_then(Value::as_str);
        let pieces = vouched::stated(&reading.lines).unwrap_or_else(|line| {
            self.find(Weight::Altered, JOURNAL, Some(line), "is no digest of the sound so far");
            Vec::new()
        });
        if !self.is_there(AUDIO)? {
            match stated {
                Some(_) => self.find(Weight::Altered, AUDIO, None, "is missing"),
                None if !pieces.is_empty() => {
                    self.find(Weight::Altered, AUDIO, None, "is missing, though the journal has its digests")
                }
                None => self.find(Weight::Note, AUDIO, None, "no sound was kept"),
            }
            return Ok(None);
        }
        let reading_it = |error| RecordError::io("read the audio", &path, error);
        let as_written = match stated {
            None => None,
            Some(stated) => Some(sha256_file(&path).map_err(reading_it)? == stated),
        };
        if as_written == Some(false) {
            self.find(
                Weight::Altered,
                AUDIO,
                None,
                "its sha256 is not the one in the journal's closing line",
            );
        }
        let mut sound = files::open(&path, Links::Refuse).map_err(reading_it)?;
        let shape = match vouched::shape(&sound) {
            Ok(shape) => shape,
            Err(why) => {
                // A session that got so far had a header on the disk.
                let weight = if pieces.is_empty() { Weight::CutOff } else { Weight::Altered };
                self.find(weight, AUDIO, None, format!("can't be played: {why}"));
                return Ok(None);
            }
        };
        let ends: Vec<u64> = pieces.iter().map(|piece| piece.frames).collect();
        let digests = vouched::digests(&mut sound, shape, &ends).map_err(reading_it)?;
        let proved = self.pieces(&pieces, &digests, shape);
        let ms = shape.promised.min(shape.there).saturating_mul(1000) / u64::from(RATE);
        if let Some(last_ms) = reading.lines.iter().rfind(|line| line.sound).map(|line| line.ms) {
            if ms.saturating_add(AUDIO_SLACK_MS) < last_ms {
                let what = format!(
                    "audio shorter: it ends at {:.1} s, the journal at {:.1} s",
                    ms as f64 / 1000.0,
                    last_ms as f64 / 1000.0
                );
                // Whoever closed it later said how much there was.
                let weight = if closed_later { Weight::Note } else { Weight::CutOff };
                self.find(weight, AUDIO, None, what);
            }
        }
        let seconds = ms as f64 / 1000.0;
        let proved_s = match as_written {
            Some(true) if !closed_later => seconds,
            _ => proved as f64 / f64::from(RATE),
        };
        if as_written.is_none() && !pieces.is_empty() {
            let what = format!("proved by the journal up to {proved_s:.1} s of {seconds:.1} s");
            self.find(Weight::Note, AUDIO, None, what);
        }
        Ok(Some(Audio { tracks: shape.tracks, seconds, as_written, proved_s }))
    }

    /// Compares the sound with what the journal says it was at each piece's end. Returns up to where it fits, samples.
    fn pieces(&mut self, pieces: &[vouched::Stated], digests: &[String], shape: vouched::Shape) -> u64 {
        let seconds = |frames: u64| frames as f64 / f64::from(RATE);
        let mut fits = 0;
        for (piece, digest) in pieces.iter().zip(digests) {
            match &piece.sha256 {
                None => {}
                Some(stated) if stated == digest => fits = piece.frames,
                Some(_) => {
                    let what = format!(
                        "the sound between {:.1} s and {:.1} s is not what was recorded: the digest in line {} of the \
                         journal is another",
                        seconds(fits),
                        seconds(piece.frames),
                        piece.line
                    );
                    self.find(Weight::Altered, AUDIO, None, what);
                    return fits;
                }
            }
        }
        // The journal states a piece only when that is on the disk: a power cut takes what came after it.
        let missing = pieces[digests.len()..].iter().rfind(|piece| piece.sha256.is_some());
        if let Some(piece) = missing {
            let gone = piece.frames - shape.there;
            let weight = if gone > LOST_AT_MOST { Weight::Altered } else { Weight::CutOff };
            let what = format!(
                "{:.1} s of sound are gone that were on the disk: line {} of the journal has their digest",
                seconds(gone),
                piece.line
            );
            self.find(weight, AUDIO, None, what);
        }
        fits
    }
}
