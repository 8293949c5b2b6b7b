//! One writer at a time in a session's folder: a run, a redaction, a signature, a pruning, a debrief.
//!
//! Owns the lock, which lies on the procedure's file: it is the first in a folder, and nothing ever replaces it. The system
//! lets go of it when its holder ends, however that ends.

use super::folder::PROCEDURE;
use super::RecordError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::ErrorKind;
use std::path::Path;

/// Held as long as it lives.
#[derive(Debug)]
#[must_use = "the lock is let go of when it is dropped"]
pub struct Lock {
    _file: Option<File>,
}

impl Lock {
    /// Of the session in this folder. A folder without a procedure is no session that anybody could be writing.
    ///
    /// Errors: `Busy` while another command writes there, `NotAllowed`, `Io`.
    pub fn of(folder: &Path) -> Result<Lock, RecordError> {
        let path = folder.join(PROCEDURE);
        // Network file systems lock only what may be written.
        match OpenOptions::new().read(true).write(true).open(&path) {
            Ok(file) => Lock::on(file, folder),
            Err(error) if error.kind() == ErrorKind::NotFound => Ok(Lock { _file: None }),
            Err(error) => Err(RecordError::io("lock the session", &path, error)),
        }
    }

    /// On the procedure's file, open.
    pub(super) fn on(file: File, folder: &Path) -> Result<Lock, RecordError> {
        match file.try_lock() {
            Ok(()) => Ok(Lock { _file: Some(file) }),
            Err(TryLockError::WouldBlock) => Err(RecordError::Busy { path: folder.to_owned() }),
            Err(TryLockError::Error(error)) => Err(RecordError::io("lock the session", folder, error)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_has_one_writer_until_its_lock_is_let_go_of() {
        let folder = tempfile::tempdir().unwrap();
        assert!(Lock::of(folder.path()).is_ok(), "nothing to lock");
        std::fs::write(folder.path().join(PROCEDURE), "x").unwrap();
        let first = Lock::of(folder.path()).unwrap();
        let second = Lock::of(folder.path());
        assert!(matches!(second, Err(RecordError::Busy { .. })), "{second:?}");
        drop(first);
        assert!(Lock::of(folder.path()).is_ok());
    }
}
