//! The ledger of a folder of sessions: a chain of entries, one for each time a session's digest came about or changed.
//!
//! Owns `ledger.jsonl`: who writes into it, one at a time, and what an entry says. A session that was deleted, swapped or
//! put in shows, since the chain says which there were (see [`check`]). Lines have the form of the journal's (see
//! [`super::chain`]); their `ms` is 0. Must not know what a session was about.

pub mod check;

use super::chain::{compose, split, Event, MAX_BODY, NOTHING_BEFORE};
use super::folder::{sync_folder, JOURNAL, SUMMARY};
use super::{chain, Lock, RecordError};
use crate::files::{self, Links};
use chrono::{DateTime, FixedOffset};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::fs::{self, File, TryLockError};
use std::io::{self, ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// The ledger's file in a folder of sessions.
pub const LEDGER: &str = "ledger.jsonl";
/// A signature over one of its digests.
pub const LEDGER_SIGNATURE: &str = "ledger.signature.json";

/// Whoever writes an entry takes milliseconds; somebody who has stopped in the middle is not waited for.
const PATIENCE: Duration = Duration::from_secs(2);
const DOING: &str = "write the ledger of sessions";

/// Why there is an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The ledger's first: no session.
    Begun,
    /// The session was there when the ledger began.
    Found,
    Started,
    Ended,
    Redacted,
    Closed,
    Pruned,
    Signed,
}

impl Kind {
    /// The word in the file.
    pub fn name(self) -> &'static str {
        match self {
            Kind::Begun => "begun",
            Kind::Found => "found",
            Kind::Started => "started",
            Kind::Ended => "ended",
            Kind::Redacted => "redacted",
            Kind::Closed => "closed",
            Kind::Pruned => "pruned",
            Kind::Signed => "signed",
        }
    }
}

/// What an entry says of a session.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    /// The session folder's name.
    pub session: String,
    /// Digest of the journal's first line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_sha256: Option<String>,
    /// Digest of its last line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_sha256: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outcome: Option<String>,
    /// Of `summary.json`, where that is all that is kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub summary_sha256: Option<String>,
    /// Short name of the key it was signed with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key: Option<String>,
    /// The session goes on here that was damaged in the folder of this name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub continues: Option<String>,
}

/// An open ledger, kept from every other writer as long as it lives.
#[derive(Debug)]
pub struct Ledger {
    file: File,
    path: PathBuf,
    /// Bytes of whole lines.
    len: u64,
    n: u64,
    head: String,
}

impl Ledger {
    /// The ledger in this folder; `None` when there is none. Errors: `Busy`, `NotAllowed`, `Io`.
    pub fn open(root: &Path) -> Result<Option<Ledger>, RecordError> {
        let path = root.join(LEDGER);
        let wrong = |error| RecordError::io(DOING, &path, error);
        let file = match files::open_to_lock(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(wrong(error)),
        };
        lock(&file, &path)?;
        let mut ledger = Ledger { file, path: path.clone(), len: 0, n: 0, head: String::new() };
        ledger.find_head().map_err(wrong)?;
        Ok(Some(ledger))
    }

    /// The same, and where there is none it begins, with an entry for each session that is there but for this one.
    pub fn open_or_begin(root: &Path, at: DateTime<FixedOffset>, but: &str) -> Result<Ledger, RecordError> {
        if let Some(ledger) = Ledger::open(root)? {
            return Ok(ledger);
        }
        begin(root, at, but)?;
        Ledger::open(root)?.ok_or_else(|| {
            RecordError::io(DOING, &root.join(LEDGER), io::Error::other("it was removed as it began"))
        })
    }

    /// The one that the session in `folder` is in, beside it.
    pub fn of_session(folder: &Path) -> Result<Option<Ledger>, RecordError> {
        let folder = fs::canonicalize(folder).map_err(|error| RecordError::io(DOING, folder, error))?;
        folder.parent().map_or(Ok(None), Ledger::open)
    }

    /// Adds an entry; it survives a power cut when this returns. Errors leave the entries before it as they are.
    pub fn enter(&mut self, at: DateTime<FixedOffset>, kind: Kind, entry: &Entry) -> Result<(), RecordError> {
        let event = Event { n: self.n + 1, at, ms: 0, kind: kind.name() };
        let (line, digest) = compose(&event, entry, &self.head)?;
        let written = self
            .file
            .seek(SeekFrom::Start(self.len))
            .and_then(|_| self.file.write_all(&line))
            .and_then(|()| self.file.sync_data());
        if let Err(error) = written {
            // What can't be taken back is no whole line, and the next entry takes its place.
            let _ = self.file.set_len(self.len);
            return Err(RecordError::io(DOING, &self.path, error));
        }
        (self.len, self.n, self.head) = (self.len + line.len() as u64, event.n, digest);
        Ok(())
    }

    /// Entries and the last one's digest.
    pub fn head(&self) -> (u64, &str) {
        (self.n, &self.head)
    }

    /// Finds the last whole line, and takes away what broke off after it.
    fn find_head(&mut self) -> io::Result<()> {
        let len = self.file.metadata()?.len();
        let (tail, begins) = tail(&mut self.file, len)?;
        let whole = tail.iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
        let broken = || io::Error::other("its last entry can't be read: see `antiphon verify --ledger`");
        let last = tail[..whole].strip_suffix(b"\n").ok_or_else(broken)?;
        let last = last.rsplit(|&byte| byte == b'\n').next().unwrap_or_default();
        let (covered, digest) = split(last).ok_or_else(broken)?;
        let line: Value = serde_json::from_slice(last).map_err(|_| broken())?;
        if chain::sha256_hex(covered) != digest {
            return Err(broken());
        }
        self.n = line.get("n").and_then(Value::as_u64).ok_or_else(broken)?;
        self.head = digest.to_owned();
        self.len = begins + whole as u64;
        if self.len < len {
            self.file.set_len(self.len)?;
        }
        Ok(())
    }
}

fn lock(file: &File, path: &Path) -> Result<(), RecordError> {
    let since = Instant::now();
    loop {
        match file.try_lock() {
            Ok(()) => return Ok(()),
            Err(TryLockError::WouldBlock) if since.elapsed() < PATIENCE => {
                std::thread::sleep(Duration::from_millis(10));
            }
            Err(TryLockError::WouldBlock) => return Err(RecordError::Busy { path: path.to_owned() }),
            Err(TryLockError::Error(error)) => return Err(RecordError::io(DOING, path, error)),
        }
    }
}

/// The end of a file, with its last whole line in it, and where that begins.
fn tail(file: &mut File, len: u64) -> io::Result<(Vec<u8>, u64)> {
    let mut size = 1 << 16;
    loop {
        let begins = len.saturating_sub(size);
        file.seek(SeekFrom::Start(begins))?;
        let mut bytes = Vec::new();
        file.take(size).read_to_end(&mut bytes)?;
        let lines = bytes.iter().filter(|&&byte| byte == b'\n').count();
        if begins == 0 || lines >= 2 || size > 2 * MAX_BODY as u64 {
            return Ok((bytes, begins));
        }
        size *= 4;
    }
}

/// Digests of a journal's first and last whole line, as the lines state them.
pub(super) fn ends_of(folder: &Path) -> io::Result<(Option<String>, Option<String>)> {
    let mut file = files::open(&folder.join(JOURNAL), Links::Refuse)?;
    let len = file.metadata()?.len();
    let mut start = Vec::new();
    (&mut file).take(2 * MAX_BODY as u64).read_to_end(&mut start)?;
    let stated = |line: &[u8]| split(line).map(|(_, digest)| digest.to_owned());
    let first = start.iter().position(|&byte| byte == b'\n').and_then(|at| stated(&start[..at]));
    let (end, _) = tail(&mut file, len)?;
    let whole = end.iter().rposition(|&byte| byte == b'\n').unwrap_or(0);
    let last = end[..whole].rsplit(|&byte| byte == b'\n').next().and_then(stated);
    Ok((first, last))
}

/// What an entry says of the session in this folder as it stands.
pub fn entry_of(folder: &Path) -> Entry {
    let session = fs::canonicalize(folder).unwrap_or_else(|_| folder.to_owned());
    let session = session.file_name().unwrap_or_default().to_string_lossy().into_owned();
    // One that can't be read is entered as that: what it was can't be shown.
    let (first_sha256, last_sha256) = ends_of(folder).unwrap_or_default();
    Entry { session, first_sha256, last_sha256, ..Entry::default() }
}

/// Names of the folders in `root` that have a session in them, in order.
fn sessions_in(root: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    for entry in fs::read_dir(root)? {
        let entry = entry?;
        let folder = entry.path();
        if folder.join(JOURNAL).exists() || folder.join(SUMMARY).exists() {
            names.push(entry.file_name().to_string_lossy().into_owned());
        }
    }
    names.sort();
    Ok(names)
}

/// Makes the ledger, whole or not at all; another process may be first.
fn begin(root: &Path, at: DateTime<FixedOffset>, but: &str) -> Result<(), RecordError> {
    let path = root.join(LEDGER);
    let wrong = |error| RecordError::io(DOING, &path, error);
    let mut bytes = Vec::new();
    let (mut n, mut head) = (0, NOTHING_BEFORE.to_owned());
    let mut add = |kind: Kind, body: &Value| -> Result<(), RecordError> {
        n += 1;
        let (line, digest) = compose(&Event { n, at, ms: 0, kind: kind.name() }, body, &head)?;
        bytes.extend_from_slice(&line);
        head = digest;
        Ok(())
    };
    let found: Vec<String> =
        sessions_in(root).map_err(wrong)?.into_iter().filter(|name| name != but).collect();
    add(Kind::Begun, &serde_json::json!({ "sessions": found.len() }))?;
    for name in found {
        let folder = root.join(name);
        let mut entry = entry_of(&folder);
        if entry.first_sha256.is_none() {
            entry.summary_sha256 = chain::sha256_file(&folder.join(SUMMARY)).ok();
        }
        if let Err(RecordError::Busy { .. }) = Lock::of(&folder) {
            entry.last_sha256 = None;
        }
        let body = serde_json::to_value(entry)
            .map_err(|error| RecordError::Event { kind: "found".into(), why: error.to_string() })?;
        add(Kind::Found, &body)?;
    }
    // A file of its own name: threads and processes may begin one at the same moment, and the first is the one.
    let mut part = tempfile::Builder::new().prefix(".ledger.").tempfile_in(root).map_err(wrong)?;
    part.write_all(&bytes).and_then(|()| part.as_file().sync_all()).map_err(wrong)?;
    match part.persist_noclobber(&path) {
        Err(error) if error.error.kind() == ErrorKind::AlreadyExists => {}
        Err(error) => return Err(wrong(error.error)),
        Ok(_) => {}
    }
    sync_folder(root).map_err(wrong)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::read::read;
    use std::fs::OpenOptions;

    fn at() -> DateTime<FixedOffset> {
        DateTime::parse_from_rfc3339("2026-11-24T23:15:00Z").expect("a valid time")
    }

    fn entry(session: &str) -> Entry {
        Entry { session: session.into(), ..Entry::default() }
    }

    #[test]
    fn entries_are_a_chain_that_goes_on_where_it_was_left_also_after_one_that_broke_off() {
        let root = tempfile::tempdir().unwrap();
        assert!(Ledger::open(root.path()).unwrap().is_none());
        let mut ledger = Ledger::open_or_begin(root.path(), at(), "one").unwrap();
        ledger.enter(at(), Kind::Started, &entry("one")).unwrap();
        drop(ledger);
        let path = root.path().join(LEDGER);
        OpenOptions::new().append(true).open(&path).unwrap().write_all(b"{\"n\":3,\"at\"").unwrap();
        let mut ledger = Ledger::open_or_begin(root.path(), at(), "two").unwrap();
        assert_eq!(ledger.head().0, 2);
        ledger.enter(at(), Kind::Ended, &entry("one")).unwrap();
        let reading = read(&path).unwrap();
        assert_eq!((reading.problems.len(), reading.lines.len()), (0, 3));
        assert_eq!(ledger.head(), (3, reading.lines[2].digest.as_str()));
        let kinds: Vec<&str> = reading.lines.iter().map(|line| line.kind.as_str()).collect();
        assert_eq!(kinds, ["begun", "started", "ended"]);
        assert_eq!(fs::read_dir(root.path()).unwrap().count(), 1);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        }
    }

    #[test]
    fn many_writers_at_once_leave_one_chain_with_every_entry() {
        let root = tempfile::tempdir().unwrap();
        std::thread::scope(|scope| {
            for n in 0..8 {
                let root = root.path();
                scope.spawn(move || {
                    for _ in 0..5 {
                        let mut ledger = Ledger::open_or_begin(root, at(), "").unwrap();
                        ledger.enter(at(), Kind::Started, &entry(&format!("s{n}"))).unwrap();
                    }
                });
            }
        });
        let reading = read(&root.path().join(LEDGER)).unwrap();
        assert_eq!((reading.problems.len(), reading.lines.len()), (0, 41));
    }

    #[test]
    fn what_is_no_ledger_is_not_written_to() {
        let root = tempfile::tempdir().unwrap();
        let path = root.path().join(LEDGER);
        for bytes in ["", "hello\n", "hello"] {
            fs::write(&path, bytes).unwrap();
            assert!(matches!(Ledger::open(root.path()), Err(RecordError::Io { .. })), "{bytes:?}");
            assert_eq!(fs::read_to_string(&path).unwrap(), bytes);
        }
        #[cfg(unix)]
        {
            fs::remove_file(&path).unwrap();
            std::os::unix::fs::symlink(root.path().join("elsewhere"), &path).unwrap();
            assert!(Ledger::open_or_begin(root.path(), at(), "").is_err());
            assert!(!root.path().join("elsewhere").exists());
        }
    }
}
