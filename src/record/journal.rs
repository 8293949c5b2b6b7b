//! Writing the journal: one event after another, each through to the system at once, none ever rewritten.
//!
//! Owns the open file and the head of the chain; must not know what an event means. The format is in
//! [`super::chain`].

use super::chain::{compose, Event, NOTHING_BEFORE};
use super::folder::JOURNAL;
use super::spare::Spare;
use super::watch::{cut, harm, Length};
use super::{RecordError, SessionFolder};
use chrono::{DateTime, FixedOffset};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::fs::{self, File};
use std::io::{self, Seek, SeekFrom, Write};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// The kind of the closing line, which only `close` writes.
pub const END: &str = "end";

/// The kind of the lines that have the sound's digest so far (see [`super::tracks::Piece`]).
pub const SOUND: &str = "sound";

/// The kind of the line that says that the record went on in a new place (see [`super::moved`]).
pub const MOVED: &str = "moved";

/// What a journal is called until it is settled in a new place; the next command that writes there clears it.
const UNSETTLED: &str = ".journal.jsonl.unfinished";

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
    /// Of the first line, once there is one.
    first: Option<String>,
    digest: String,
    /// Of every byte of every line.
    bytes: Sha256,
    /// The same bytes once more.
    spare: Option<Spare>,
    /// Why there is no second copy any more; told once.
    spare_lost: Option<io::Error>,
    /// What was seen before a line was written that would have hidden it.
    harmed: Option<String>,
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
        Journal {
            file,
            path,
            len: 0,
            lines: 0,
            last_ms: 0,
            first: None,
            digest: NOTHING_BEFORE.to_owned(),
            bytes: Sha256::new(),
            spare: None,
            spare_lost: None,
            harmed: None,
            stopped: false,
        }
    }

    /// From now on every line is kept a second time, where nobody finds it who cuts the journal; see `record::spare`. To be called
    /// before the first line. When it can't be, `spare_lost` tells.
    pub fn keep_spare(&mut self) {
        match Spare::new() {
            Ok(spare) => self.spare = Some(spare),
            Err(error) => self.spare_lost = Some(error),
        }
    }

    /// Why there is no second copy, or no longer one; once.
    pub fn spare_lost(&mut self) -> Option<io::Error> {
        self.spare_lost.take()
    }

    /// The same journal in a new place: every line so far, byte for byte, on the disk, and ready for the next. It has its name
    /// once it is settled. This one stays as it is.
    ///
    /// Errors: as `create`; `Io` when the lines can't be read back any more. What was written is left to whoever made the
    /// folder.
    pub fn copy_to(&self, folder: &SessionFolder) -> Result<Journal, RecordError> {
        let (mut file, path) = folder.create_file(UNSETTLED)?;
        let wrong = |error| RecordError::io("keep the journal in a new place", &path, error);
        let gone = || {
            io::Error::other(
                "the lines so far can't be read back: they were cut, and there is no second copy",
            )
        };
        let sources = self.spare.iter().map(Spare::file).chain([&self.file]);
        let mut whole = Err(gone());
        for source in sources {
            whole = self.copy(source, &file);
            if whole.is_ok() {
                break;
            }
        }
        whole.and_then(|()| file.sync_all()).map_err(wrong)?;
        file.seek(SeekFrom::Start(self.len)).map_err(wrong)?;
        Ok(Journal {
            file,
            path: path.clone(),
            spare: self.spare.as_ref().map(Spare::again).transpose().map_err(wrong)?,
            first: self.first.clone(),
            digest: self.digest.clone(),
            bytes: self.bytes.clone(),
            spare_lost: None,
            harmed: None,
            stopped: false,
            ..*self
        })
    }

    /// Puts it on the disk and gives it its name, in the folder that it was copied to. Until then the folder is no session's, so
    /// that one that is cut off half-way is not taken for an altered one.
    pub fn settle(&mut self, folder: &SessionFolder) -> Result<(), RecordError> {
        self.sync()?;
        let path = folder.path().join(JOURNAL);
        fs::rename(&self.path, &path).map_err(|error| RecordError::io(WRITING, &path, error))?;
        self.path = path;
        folder.sync()
    }

    /// Errors: of reading and writing, and when these are not the lines that were written.
    fn copy(&self, from: &File, to: &File) -> io::Result<()> {
        let (mut piece, mut at, mut digest) = (vec![0; 1 << 16], 0, Sha256::new());
        while at < self.len {
            let take = piece.len().min(usize::try_from(self.len - at).unwrap_or(usize::MAX));
            from.read_exact_at(&mut piece[..take], at)?;
            to.write_all_at(&piece[..take], at)?;
            digest.update(&piece[..take]);
            at += take as u64;
        }
        match digest.finalize() == self.bytes.clone().finalize() {
            true => Ok(()),
            false => Err(io::Error::other("the lines so far are not those that were written")),
        }
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

    /// The first line's digest.
    pub fn first(&self) -> Option<&str> {
        self.first.as_deref()
    }

    /// The session clock at the last line, ms: no later line may say less.
    pub fn last_ms(&self) -> u64 {
        self.last_ms
    }

    /// What happened to the file from outside, in words; `None` when it is where and what it should be.
    pub fn harm(&self) -> Option<String> {
        self.harmed.clone().or_else(|| harm(&self.file, &self.path, Length::Exactly(self.len)))
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
        if self.harmed.is_none() {
            self.harmed = cut(&self.file, &self.path, Length::Exactly(self.len));
        }
        if let Err(error) = self.file.write_all(&line) {
            self.take_back();
            return Err(RecordError::io(WRITING, &self.path, error));
        }
        if let Some(Err(error)) = self.spare.as_ref().map(|spare| spare.write(&line, self.len)) {
            (self.spare, self.spare_lost) = (None, Some(error));
        }
        self.bytes.update(&line);
        self.len += line.len() as u64;
        self.lines = n;
        self.last_ms = ms;
        self.first.get_or_insert_with(|| digest.clone());
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

    /// A journal of three lines, with a second copy or without one, and the folder in which it is to go on.
    fn three_lines(spare: bool) -> (tempfile::TempDir, Journal, Vec<u8>, SessionFolder) {
        let (root, folder) = folder();
        let mut journal = Journal::create(&folder).unwrap();
        if spare {
            journal.keep_spare();
        }
        for ms in 0..3 {
            journal.append(at(), ms, "note", &"x".repeat(40_000)).unwrap();
        }
        let bytes = fs::read(journal.path()).unwrap();
        let next = SessionFolder::to_go_on_in(root.path(), "one", 1).unwrap();
        (root, journal, bytes, next)
    }

    #[test]
    fn a_journal_that_was_unlinked_or_cut_goes_on_in_a_new_place_as_one_chain() {
        for (spare, cut) in [(true, false), (true, true), (false, false)] {
            let (_root, journal, bytes, next) = three_lines(spare);
            match cut {
                true => fs::write(journal.path(), b"short").unwrap(),
                false => fs::remove_file(journal.path()).unwrap(),
            }
            let mut moved = journal.copy_to(&next).unwrap();
            assert_eq!(fs::read(moved.path()).unwrap(), bytes);
            assert_eq!((moved.head(), moved.first()), (journal.head(), journal.first()));
            assert_eq!(moved.append(at(), 3, MOVED, &1).unwrap(), 4);
            assert!(!next.path().join(JOURNAL).exists());
            moved.settle(&next).unwrap();
            moved.close(at(), 4, &1).unwrap();
            let reading = read::read(&next.path().join(JOURNAL)).unwrap();
            assert_eq!((reading.tail, reading.problems.len(), reading.lines.len()), (Tail::Whole, 0, 5));
        }
    }

    #[test]
    fn lines_that_are_nowhere_any_more_are_not_made_up() {
        for other in ["", "other bytes, and as many of them as there were "] {
            let (_root, journal, bytes, next) = three_lines(false);
            let other: Vec<u8> =
                other.bytes().cycle().take(bytes.len() * usize::from(!other.is_empty())).collect();
            fs::write(journal.path(), other).unwrap();
            assert!(matches!(journal.copy_to(&next), Err(RecordError::Io { .. })));
        }
    }

    #[test]
    fn a_line_after_a_cut_does_not_hide_it() {
        let (_root, mut journal, bytes, _) = three_lines(false);
        fs::OpenOptions::new().write(true).open(journal.path()).unwrap().set_len(100).unwrap();
        journal.append(at(), 3, "note", &1).unwrap();
        assert!(fs::metadata(journal.path()).unwrap().len() > bytes.len() as u64);
        assert!(journal.harm().unwrap().contains("it has 100 bytes"), "{:?}", journal.harm());
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
