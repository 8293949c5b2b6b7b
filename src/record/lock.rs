//! One writer at a time in a session's folder: a run, a redaction, a signature, a pruning, a debrief.
//!
//! Owns the lock, which lies on the procedure's file: it is the first in a folder, and nothing ever replaces it. The system
//! lets go of it when its holder ends, however that ends.

use super::folder::PROCEDURE;
use super::RecordError;
use crate::files::{self, write, Links};
use std::fs::{File, TryLockError};
use std::io::{self, ErrorKind};
use std::path::Path;

/// Held as long as it lives.
#[derive(Debug)]
#[must_use = "the lock is let go of when it is dropped"]
pub struct Lock {
    _file: Option<File>,
}

impl Lock {
    /// Of the session in this folder. A folder without a procedure is no session that anybody could be writing. What a
    /// command that was killed left unfinished in it is removed.
    ///
    /// Errors: `Busy` while another command writes there, `NotAllowed`, `NotAFile`, `Io`.
    pub fn of(folder: &Path) -> Result<Lock, RecordError> {
        let path = folder.join(PROCEDURE);
        // Network file systems lock only what may be written.
        match files::open_to_lock(&path) {
            Ok(file) => {
                let lock = Lock::on(file, folder)?;
                write::clear(folder)
                    .map_err(|error| RecordError::io("remove what was left unfinished", folder, error))?;
                Ok(lock)
            }
            Err(error) if is_no_session(&error) => Ok(Lock { _file: None }),
            Err(error) => Err(RecordError::io("lock the session", &path, error)),
        }
    }

    /// The same for who writes elsewhere what is made of the session: nobody writes into its folder meanwhile, which may be
    /// one that can only be read. Others may read it too.
    pub fn to_read(folder: &Path) -> Result<Lock, RecordError> {
        let path = folder.join(PROCEDURE);
        let locked = match files::open(&path, Links::Refuse) {
            Ok(file) => file.try_lock_shared().map(|()| Lock { _file: Some(file) }),
            Err(error) if is_no_session(&error) => return Ok(Lock { _file: None }),
            Err(error) => return Err(RecordError::io("lock the session", &path, error)),
        };
        locked.map_err(|error| not_locked(error, folder))
    }

    /// On the procedure's file, open.
    pub(super) fn on(file: File, folder: &Path) -> Result<Lock, RecordError> {
        match file.try_lock() {
            Ok(()) => Ok(Lock { _file: Some(file) }),
            Err(error) => Err(not_locked(error, folder)),
        }
    }
}

fn is_no_session(error: &io::Error) -> bool {
    matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory)
}

fn not_locked(error: TryLockError, folder: &Path) -> RecordError {
    match error {
        TryLockError::WouldBlock => RecordError::Busy { path: folder.to_owned() },
        TryLockError::Error(error) => RecordError::io("lock the session", folder, error),
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
        assert!(matches!(Lock::to_read(folder.path()), Err(RecordError::Busy { .. })));
        drop(first);
        assert!(Lock::of(folder.path()).is_ok());
        let readers = [Lock::to_read(folder.path()).unwrap(), Lock::to_read(folder.path()).unwrap()];
        assert!(matches!(Lock::of(folder.path()), Err(RecordError::Busy { .. })));
        drop(readers);
    }

    #[test]
    fn what_a_killed_command_left_goes_when_the_next_one_has_the_lock() {
        let folder = tempfile::tempdir().unwrap();
        let left = folder.path().join(".debrief.html.unfinished");
        std::fs::write(folder.path().join(PROCEDURE), "x").unwrap();
        std::fs::write(&left, "half").unwrap();
        let reader = Lock::to_read(folder.path()).unwrap();
        assert!(Lock::of(folder.path()).is_err() && left.exists(), "its writer may be at work");
        drop(reader);
        let _lock = Lock::of(folder.path()).unwrap();
        assert!(!left.exists());
    }
}
