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
use crate::files::write::{Unfinished, PRIVATE};
use crate::files::{self, Links};
use chrono::{DateTime, FixedOffset};
use std::io::{self, BufWriter, Read, Write};
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
    /// Bytes of them in the journal, and whether the last one lacks its line end.
    kept: u64,
    lacks_its_end: bool,
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

/// What a journal is made of, bytes.
#[derive(Debug, Default, PartialEq, Eq)]
struct Bytes {
    all: u64,
    /// Up to the last line end, that included.
    whole: u64,
    /// Up to the last byte that isn't zero.
    text: u64,
    /// Line ends.
    lines: usize,
}

impl Bytes {
    fn of(mut file: impl Read) -> io::Result<Bytes> {
        let mut bytes = Bytes::default();
        let mut piece = vec![0; 1 << 16];
        loop {
            let count = match file.read(&mut piece) {
                Ok(0) => return Ok(bytes),
                Ok(count) => count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(error),
            };
            let piece = &piece[..count];
            let after = |at: Option<usize>, before: u64| at.map_or(before, |at| bytes.all + at as u64 + 1);
            let whole = after(piece.iter().rposition(|&byte| byte == b'\n'), bytes.whole);
            let text = after(piece.iter().rposition(|&byte| byte != 0), bytes.text);
            (bytes.whole, bytes.text) = (whole, text);
            bytes.lines += piece.iter().filter(|&&byte| byte == b'\n').count();
            bytes.all += count as u64;
        }
    }
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
        let io = |error| RecordError::io(DOING, &path, error);
        let reading = read::read(&path)?;
        if reading.lines.is_empty() {
            return Err(Refused::Empty);
        }
        if reading.tail == Tail::Whole && is_there(&folder.join(SUMMARY))? {
            return Err(Refused::Whole);
        }
        let bytes = Bytes::of(files::open(&path, Links::Refuse).map_err(io)?).map_err(io)?;
        // The last line may lack only its line end.
        let lacks_its_end = reading.lines.len() > bytes.lines;
        let kept = if lacks_its_end { bytes.text } else { bytes.whole };
        let broken_bytes = bytes.all - kept;
        let rewrite = lacks_its_end || broken_bytes > 0;
        Ok(CutOff {
            folder: folder.to_owned(),
            lines: reading.lines,
            kept,
            lacks_its_end,
            broken_bytes,
            rewrite,
            ledger,
            _lock: lock,
        })
    }

    /// The journal as it is kept, with this line after it. It is copied, not held: it may be large.
    fn write_journal(&self, line: &[u8]) -> io::Result<()> {
        let path = self.folder.join(JOURNAL);
        let mut new = BufWriter::new(Unfinished::new(&path, PRIVATE)?);
        io::copy(&mut files::open(&path, Links::Refuse)?.take(self.kept), &mut new)?;
        if self.lacks_its_end {
            new.write_all(b"\n")?;
        }
        new.write_all(line)?;
        new.into_inner().map_err(io::IntoInnerError::into_error)?.keep()
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
        let (n, digest, body, line) = match (last.kind == END, account) {
            (true, _) => (last.n, last.digest.clone(), last.body.clone(), Vec::new()),
            (false, None) => return Err(unsaid("nothing is known of the session".into())),
            (false, Some(account)) => {
                let body = serde_json::to_value(account).map_err(|error| unsaid(error.to_string()))?;
                let event = Event { n: last.n + 1, at, ms: last.ms, kind: END };
                let (line, digest) = compose(&event, account, &last.digest)?;
                (event.n, digest, body, line)
            }
        };
        let had_end = last.kind == END;
        let summary = of_account(&body, n, &digest)?;
        let io = |error: io::Error| RecordError::io(DOING, &self.folder, error);
        if !had_end || self.rewrite {
            self.write_journal(&line).map_err(io)?;
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_journal_is_made_of_is_told_however_its_bytes_come() {
        for (text, all, whole, lines, last) in [
            ("", 0, 0, 0, 0),
            ("one\ntwo\n", 8, 8, 2, 8),
            ("one\ntw", 6, 4, 1, 6),
            ("one\ntwo\0\0\0", 10, 4, 1, 7),
            ("\0\0", 2, 0, 0, 0),
        ] {
            let wanted = Bytes { all, whole, text: last, lines };
            assert_eq!(Bytes::of(text.as_bytes()).unwrap(), wanted, "{text:?}");
            // A byte at a time, as a slow disk might.
            let slow = text
                .as_bytes()
                .chunks(1)
                .fold(Box::new(io::empty()) as Box<dyn Read>, |before, byte| Box::new(before.chain(byte)));
            assert_eq!(Bytes::of(slow).unwrap(), wanted, "{text:?}");
        }
    }
}
