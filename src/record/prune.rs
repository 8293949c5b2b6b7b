//! Ending what is kept of old sessions: everything goes but the summary.
//!
//! Owns which sessions are old and what is deleted. Must not ask anybody; whoever calls it does.

use super::chain::sha256_file;
use super::folder::{sync_folder, write_private, SUMMARY};
use super::ledger::{entry_of, Entry, Kind, Ledger};
use super::sign::SIGNATURE;
use super::verify::MAX_SUMMARY;
use super::{strict, Lock, RecordError, Summary};
use crate::files::{self, Links};
use chrono::{DateTime, FixedOffset, TimeDelta};
use serde_json::json;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Says in a session's folder that the record was deleted on purpose.
pub const PRUNED: &str = "pruned.json";

/// A session that may go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Old {
    pub folder: PathBuf,
    /// What is deleted.
    pub files: Vec<PathBuf>,
    pub bytes: u64,
}

/// What a look through the folder of sessions found.
#[derive(Debug, Default)]
pub struct Found {
    pub old: Vec<Old>,
    /// Sessions without a summary that can be read: they are left alone.
    pub without_summary: Vec<PathBuf>,
    /// What keeps the summaries of others from being read: these are left alone too.
    pub unreadable: Vec<RecordError>,
}

/// Sessions in `root` that ended before `now` less `age`.
pub fn find(root: &Path, now: DateTime<FixedOffset>, age: TimeDelta) -> Result<Found, RecordError> {
    const DOING: &str = "look through the sessions";
    let io = |error: io::Error| RecordError::io(DOING, root, error);
    let mut found = Found::default();
    let mut folders: Vec<PathBuf> = Vec::new();
    for entry in fs::read_dir(root).map_err(io)? {
        let entry = entry.map_err(io)?;
        // A link may lead anywhere; only folders that are really here are touched.
        if entry.file_type().map_err(io)?.is_dir() {
            folders.push(entry.path());
        }
    }
    folders.sort();
    for folder in folders {
        let path = folder.join(SUMMARY);
        let summary = match files::read(&path, Links::Refuse, MAX_SUMMARY) {
            Ok(bytes) => strict::from_slice::<Summary>(&bytes).ok(),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => {
                found.unreadable.push(RecordError::io("read the summary", &path, error));
                continue;
            }
        };
        let Some(summary) = summary else {
            if folder.join(super::folder::JOURNAL).exists() {
                found.without_summary.push(folder);
            }
            continue;
        };
        if now.signed_duration_since(summary.account.ended) < age {
            continue;
        }
        let old = weigh(folder).map_err(io)?;
        if !old.files.is_empty() {
            found.old.push(old);
        }
    }
    Ok(found)
}

fn weigh(folder: PathBuf) -> io::Result<Old> {
    let mut old = Old { folder, files: Vec::new(), bytes: 0 };
    for entry in fs::read_dir(&old.folder)? {
        let entry = entry?;
        let name = entry.file_name();
        if [SUMMARY, SIGNATURE, PRUNED].iter().any(|kept| name == *kept) {
            continue;
        }
        old.bytes += size(&entry.path())?;
        old.files.push(entry.path());
    }
    old.files.sort();
    Ok(old)
}

fn size(path: &Path) -> io::Result<u64> {
    let meta = fs::symlink_metadata(path)?;
    if !meta.is_dir() {
        return Ok(meta.len());
    }
    fs::read_dir(path)?.map(|entry| size(&entry?.path())).sum()
}

/// Deletes a session's record but for its summary.
pub fn prune(old: &Old, now: DateTime<FixedOffset>) -> Result<(), RecordError> {
    const DOING: &str = "delete an old record";
    let _lock = Lock::of(&old.folder)?;
    let whole = !old.folder.join(PRUNED).exists();
    if let Some(mut ledger) = Ledger::of_session(&old.folder)?.filter(|_| whole) {
        let summary = old.folder.join(SUMMARY);
        let sha256 = sha256_file(&summary).map_err(|error| RecordError::io(DOING, &summary, error))?;
        let entry = Entry { summary_sha256: Some(sha256), ..entry_of(&old.folder) };
        ledger.enter(now, Kind::Pruned, &entry)?;
    }
    // First, so that what is left half-way is known for what it is.
    let note = json!({ "pruned": now.to_rfc3339() }).to_string() + "\n";
    let path = old.folder.join(PRUNED);
    write_private(&path, note.as_bytes()).map_err(|error| RecordError::io(DOING, &path, error))?;
    for path in &old.files {
        let gone = match fs::symlink_metadata(path).map(|meta| meta.is_dir()) {
            Ok(true) => fs::remove_dir_all(path),
            _ => fs::remove_file(path),
        };
        match gone {
            // What was left unfinished went when the lock was taken.
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(RecordError::io(DOING, path, error));
            }
            _ => {}
        }
    }
    sync_folder(&old.folder).map_err(|error| RecordError::io(DOING, &old.folder, error))
}
