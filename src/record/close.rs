//! Closing a record that was cut off: a last line that says so, and a summary.
//!
//! Owns which records may be closed and the order of writing: the journal first, then the summary, each whole or not at
//! all. Cut off between the two, the record is one whose summary is missing, and the next closing writes it. Must not know
//! what a session comes to; whoever calls it does.

use super::chain::{compose, sha256_file, Event};
use super::folder::{sync_folder, write_private, AUDIO, JOURNAL, SUMMARY};
use super::journal::END;
use super::ledger::{entry_of, Kind, Ledger};
use super::read::{self, Line, Tail};
use super::summary::of_account;
use super::verify::{verify, State};
use super::{vouched, Account, Lock, RecordError};
use crate::files::{self, Links};
use chrono::{DateTime, FixedOffset};
use std::io;
use std::path::{Path, PathBuf};

#[derive(Debug)]
pub enum Refused {
    Record(RecordError),
    /// The record was altered.
    Altered,
    /// The record has its end and its summary.
    Whole,
    /// Not even its first line is there.
    Empty,
}

impl From<RecordError> for Refused {
    fn from(error: RecordError) -> Refused {
        Refused::Record(error)
    }
}

const DOING: &str = "close the record";

/// A record that was cut off, and is kept from every other writer.
#[derive(Debug)]
pub struct CutOff {
    folder: PathBuf,
    /// Its whole lines.
    pub lines: Vec<Line>,
    /// Their bytes.
    kept: Vec<u8>,
    /// Bytes at the journal's end that are no whole line.
    pub broken_bytes: u64,
    /// There is something at the end that has to go.
    rewrite: bool,
    ledger: Option<Ledger>,
    _lock: Lock,
}

/// The sound of such a record as it is now.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// Tracks and seconds; `None` when it can't be played.
    pub extent: Option<(u16, f64)>,
    pub sha256: String,
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Closed {
    /// The last digest.
    pub digest: String,
    /// Only the summary was missing.
    pub had_end: bool,
}

fn is_there(path: &Path) -> Result<bool, RecordError> {
    files::is_there(path).map_err(|error| RecordError::io(DOING, path, error))
}

impl CutOff {
    pub fn open(folder: &Path) -> Result<CutOff, Refused> {
        let lock = Lock::of(folder)?;
        // A ledger that can't be written would say for ever that this record has an end of its own.
        let ledger = Ledger::of_session(folder)?;
        if verify(folder)?.state == State::Altered {
            return Err(Refused::Altered);
        }
        let path = folder.join(JOURNAL);
        let mut kept = files::read(&path, Links::Refuse, read::MAX_JOURNAL)
            .map_err(|error| RecordError::io(DOING, &path, error))?;
        let reading = read::read_bytes(&kept);
        if reading.lines.is_empty() {
            return Err(Refused::Empty);
        }
        if reading.tail == Tail::Whole && is_there(&folder.join(SUMMARY))? {
            return Err(Refused::Whole);
        }
        let whole = kept.iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
        let ends = kept.iter().filter(|&&byte| byte == b'\n').count();
        // The last line may lack only its line end.
        let lacks_its_end = reading.lines.len() > ends;
        let end = match lacks_its_end {
            true => kept.iter().rposition(|&byte| byte != 0).map_or(0, |at| at + 1),
            false => whole,
        };
        let broken_bytes = (kept.len() - end) as u64;
        let rewrite = lacks_its_end || broken_bytes > 0;
        // Not copied: a journal may be large.
        kept.truncate(end);
        kept.extend(lacks_its_end.then_some(b'\n'));
        Ok(CutOff {
            folder: folder.to_owned(),
            lines: reading.lines,
            kept,
            broken_bytes,
            rewrite,
            ledger,
            _lock: lock,
        })
    }

    /// Whether the closing line is there.
    pub fn has_end(&self) -> bool {
        self.lines.last().is_some_and(|line| line.kind == END)
    }

    /// The last line's digest.
    pub fn digest(&self) -> &str {
        self.lines.last().map_or("", |line| &line.digest)
    }

    /// `None` when there is none.
    pub fn sound(&self) -> Result<Option<Sound>, RecordError> {
        let path = self.folder.join(AUDIO);
        if !is_there(&path)? {
            return Ok(None);
        }
        let io = |error| RecordError::io(DOING, &path, error);
        let sha256 = sha256_file(&path).map_err(io)?;
        let extent = vouched::shape(&files::open(&path, Links::Refuse).map_err(io)?)
            .ok()
            .map(|shape| (shape.tracks, shape.seconds()));
        Ok(Some(Sound { extent, sha256 }))
    }

    /// Writes what is missing: the closing line with this account, unless it is there, and the summary.
    pub fn close(
        mut self,
        at: DateTime<FixedOffset>,
        account: Option<&Account>,
    ) -> Result<Closed, RecordError> {
        let unsaid = |why: String| RecordError::Event { kind: END.to_owned(), why };
        let last = self.lines.last().ok_or_else(|| unsaid("there is no line before it".into()))?;
        let mut journal = std::mem::take(&mut self.kept);
        let (n, digest, body) = match (last.kind == END, account) {
            (true, _) => (last.n, last.digest.clone(), last.body.clone()),
            (false, None) => return Err(unsaid("nothing is known of the session".into())),
            (false, Some(account)) => {
                let body = serde_json::to_value(account).map_err(|error| unsaid(error.to_string()))?;
                let event = Event { n: last.n + 1, at, ms: last.ms, kind: END };
                let (line, digest) = compose(&event, account, &last.digest)?;
                journal.extend_from_slice(&line);
                (event.n, digest, body)
            }
        };
        let had_end = last.kind == END;
        let summary = of_account(&body, n, &digest)?;
        let io = |error: io::Error| RecordError::io(DOING, &self.folder, error);
        if !had_end || self.rewrite {
            write_private(&self.folder.join(JOURNAL), &journal).map_err(io)?;
            sync_folder(&self.folder).map_err(io)?;
        }
        // Before the summary: without that, the next closing enters it.
        if let Some(ledger) = &mut self.ledger {
            ledger.enter(at, Kind::Closed, &entry_of(&self.folder))?;
        }
        write_private(&self.folder.join(SUMMARY), &summary).map_err(io)?;
        sync_folder(&self.folder).map_err(io)?;
        Ok(Closed { digest, had_end })
    }
}
