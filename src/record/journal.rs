//! Writing the journal: one event after another, each through to the system at once, none ever rewritten.
//!
//! Owns the open file and the head of the chain; must not know what an event means. The format is in
//! [`super::chain`].

use super::chain::{compose, Event, NOTHING_BEFORE};
use super::folder::JOURNAL;
use super::watch::{harm, Length};
use super::{RecordError, SessionFolder};
use chrono::{DateTime, FixedOffset};
use serde::Serialize;
use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// The kind of the closing line, which only `close` writes.
pub const END: &str = "end";

/// The kind of the lines that have the sound's digest so far (see [`super::tracks::Piece`]).
pub const SOUND: &str = "sound";

const WRITING: &str = "write the journal";

/// An open journal. Dropping it without `close` leaves a record that reads as cut off.
#[derive(Debug)]
pub struct Journal {
    file: File,
    path: PathBuf,
    /// Bytes of whole lines in the file.
    len: u64,
    /// Lines written.
    lines: u64,
    last_ms: u64,
    digest: String,
    /// Half a line stands at the end and could not be taken back.
    stopped: bool,
}

/// What the summary must say of a journal that was closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Closed {
    /// Lines, the closing one included.
    pub lines: u64,
    /// The closing line's digest, 64 hex digits.
    pub sha256: String,
}

impl Journal {
    /// Makes `journal.jsonl`, empty. Errors: `AlreadyThere`, `NotAllowed`, `DiskFull`, `Io`.
    pub fn create(folder: &SessionFolder) -> Result<Journal, RecordError> {
        let (file, path) = folder.create_file(JOURNAL)?;
        folder.sync()?;
        Ok(Journal::over(file, path))
    }

    fn over(file: File, path: PathBuf) -> Journal {
        let digest = NOTHING_BEFORE.to_owned();
        Journal { file, path, len: 0, lines: 0, last_ms: 0, digest, stopped: false }
    }

    /// Adds one event and hands it to the system (`sync` makes it survive a power cut). `ms` is the session clock.
    /// Returns the line's number, from 1.
    ///
    /// Errors: `Event` (no such line can be written) and `TimeBackwards` write nothing; `DiskFull`, `NotAllowed` and
    /// `Io` leave the earlier lines intact, and a later try may succeed; `Stopped` when half a line could not be
    /// taken back.
    pub fn append(
        &mut self,
        at: DateTime<FixedOffset>,
        ms: u64,
        kind: &str,
        body: &(impl Serialize + ?Sized),
    ) -> Result<u64, RecordError> {
        if kind == END {
            let why = "only the closing line has this kind".to_owned();
            return Err(RecordError::Event { kind: kind.to_owned(), why });
        }
        self.write(at, ms, kind, body)
    }

    /// Makes everything appended so far survive a power cut (fsync).
    pub fn sync(&mut self) -> Result<(), RecordError> {
        self.file.sync_data().map_err(|error| RecordError::io(WRITING, &self.path, error))
    }

    /// Lines written and the last one's digest (64 zeros when there is none).
    pub fn head(&self) -> (u64, &str) {
        (self.lines, &self.digest)
    }

    /// The session clock at the last line, ms: no later line may say less.
    pub fn last_ms(&self) -> u64 {
        self.last_ms
    }

    /// What happened to the file from outside, in words; `None` when it is where and what it should be.
    pub fn harm(&self) -> Option<String> {
        harm(&self.file, &self.path, Length::Exactly(self.len))
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes the closing line and syncs. Its body should be the session's [`super::Account`]: then the journal
    /// vouches for the summary. `audio_sha256` in it makes it vouch for the audio.
    pub fn close(
        mut self,
        at: DateTime<FixedOffset>,
        ms: u64,
        body: &(impl Serialize + ?Sized),
    ) -> Result<Closed, RecordError> {
        self.write(at, ms, END, body)?;
        self.sync()?;
        Ok(Closed { lines: self.lines, sha256: self.digest })
    }

    fn write(
        &mut self,
        at: DateTime<FixedOffset>,
        ms: u64,
        kind: &str,
        body: &(impl Serialize + ?Sized),
    ) -> Result<u64, RecordError> {
        if self.stopped {
            return Err(RecordError::Stopped { path: self.path.clone() });
        }
        if ms < self.last_ms {
            return Err(RecordError::TimeBackwards { ms, last: self.last_ms });
        }
        let n = self.lines + 1;
        let (line, digest) = compose(&Event { n, at, ms, kind }, body, &self.digest)?;
        if let Err(error) = self.file.write_all(&line) {
            self.take_back();
            return Err(RecordError::io(WRITING, &self.path, error));
        }
        self.len += line.len() as u64;
        self.lines = n;
        self.last_ms = ms;
        self.digest = digest;
        Ok(n)
    }

    /// Removes what a failed write left of its line, so that a later event doesn't run into it.
    fn take_back(&mut self) {
        let taken = self.file.set_len(self.len).and_then(|()| self.file.seek(SeekFrom::Start(self.len)));
        self.stopped = taken.is_err();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::read::{self, Tail};
    use std::fs;

    fn at() -> DateTime<FixedOffset> {
        DateTime::parse_from_rfc3339("2026-11-24T23:15:00Z").expect("a valid time")
    }

    fn folder() -> (tempfile::TempDir, SessionFolder) {
        let root = tempfile::tempdir().unwrap();
        let folder = SessionFolder::create(root.path(), "one").unwrap();
        (root, folder)
    }

    #[test]
    fn an_event_is_in_the_file_as_soon_as_append_returns() {
        let (_root, folder) = folder();
        let mut journal = Journal::create(&folder).unwrap();
        assert_eq!(journal.head(), (0, NOTHING_BEFORE));
        assert_eq!(journal.append(at(), 0, "session", &()).unwrap(), 1);
        assert_eq!(journal.append(at(), 7, "said", &"Begin.").unwrap(), 2);
        let reading = read::read(journal.path()).unwrap();
        assert_eq!(reading.lines.len(), 2);
        assert_eq!(reading.lines[1].body, "Begin.");
        assert_eq!(journal.head(), (2, reading.lines[1].digest.as_str()));
        assert!(matches!(reading.tail, Tail::CutOff { .. }));
    }

    #[test]
    fn close_writes_the_end_and_says_what_the_summary_must() {
        let (_root, folder) = folder();
        let mut journal = Journal::create(&folder).unwrap();
        journal.append(at(), 0, "session", &()).unwrap();
        let closed = journal.close(at(), 9, &1).unwrap();
        let reading = read::read(&folder.path().join(JOURNAL)).unwrap();
        assert_eq!((reading.tail, reading.problems.len()), (Tail::Whole, 0));
        assert_eq!(closed, Closed { lines: 2, sha256: reading.lines[1].digest.clone() });
    }

    #[test]
    fn a_second_journal_in_the_same_folder_is_refused() {
        let (_root, folder) = folder();
        let _first = Journal::create(&folder).unwrap();
        assert!(matches!(Journal::create(&folder), Err(RecordError::AlreadyThere { .. })));
    }

    #[test]
    fn refused_events_leave_no_trace() {
        let (_root, folder) = folder();
        let mut journal = Journal::create(&folder).unwrap();
        journal.append(at(), 5, "session", &()).unwrap();
        let before = fs::read(journal.path()).unwrap();
        assert!(matches!(
            journal.append(at(), 4, "late", &()),
            Err(RecordError::TimeBackwards { ms: 4, last: 5 })
        ));
        assert!(matches!(journal.append(at(), 6, END, &()), Err(RecordError::Event { .. })));
        assert!(matches!(
            journal.append(at(), 6, "long", &"x".repeat(2_000_000)),
            Err(RecordError::Event { .. })
        ));
        assert_eq!(fs::read(journal.path()).unwrap(), before);
        assert_eq!(journal.append(at(), 5, "next", &()).unwrap(), 2);
        assert!(read::read(journal.path()).unwrap().problems.is_empty());
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_is_reported_and_nothing_follows_what_cannot_be_taken_back() {
        let path = Path::new("/dev/full");
        let file = fs::OpenOptions::new().write(true).open(path).unwrap();
        let mut journal = Journal::over(file, path.to_owned());
        let full = journal.append(at(), 0, "session", &()).unwrap_err();
        assert!(matches!(full, RecordError::DiskFull { .. }), "{full:?}");
        // A device has no length to set back, so the journal must not go on.
        assert!(matches!(journal.append(at(), 0, "session", &()), Err(RecordError::Stopped { .. })));
        assert_eq!(journal.head(), (0, NOTHING_BEFORE));
    }
}
