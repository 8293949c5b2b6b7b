//! What can go wrong with a record, split by what the caller does next.
//!
//! Owns `RecordError` and how it reads as a `Failure`; must not know what any file holds.

use crate::failure::{ExitCode, Failure};
use crate::files::Refused;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// A second run into the same folder; nothing in it was touched.
    #[error("{}: the session folder exists already", path.display())]
    AlreadyThere { path: PathBuf },
    /// Not usable as the name of one folder.
    #[error("'{}' can't name a session folder", id.escape_debug())]
    BadId { id: String },
    /// Neither XDG_DATA_HOME nor HOME says where sessions are kept.
    #[error("no place to keep sessions")]
    NoHome,
    /// Asked to read or verify something that is no session's folder.
    #[error("{}: no session here", path.display())]
    NoSession { path: PathBuf, why: String },
    /// Another command writes in the session's folder; nothing was touched.
    #[error("{}: another command is at work on this session", path.display())]
    Busy { path: PathBuf },
    /// Read-only file system, or no permission.
    #[error("{}: not allowed to {doing}", path.display())]
    NotAllowed { doing: &'static str, path: PathBuf, source: io::Error },
    /// No space left, the quota is used up, or the file may not grow further.
    #[error("{}: no room to {doing}", path.display())]
    DiskFull { doing: &'static str, path: PathBuf, source: io::Error },
    /// Any other failure of the file system.
    #[error("{}: can't {doing}", path.display())]
    Io { doing: &'static str, path: PathBuf, source: io::Error },
    /// This event can't be put on one line; nothing was written.
    #[error("an event of kind '{}' can't be written", kind.escape_debug())]
    Event { kind: String, why: String },
    /// An event older than the one before it; nothing was written.
    #[error("an event at {ms} ms came after one at {last} ms")]
    TimeBackwards { ms: u64, last: u64 },
    /// An earlier write stopped half-way and could not be taken back, so nothing may follow it.
    #[error("{}: stopped at an earlier failed write", path.display())]
    Stopped { path: PathBuf },
    /// Something else stands in the place of one of the session's files: it was not opened.
    #[error("{}: is {what}, not a file", path.display())]
    NotAFile { path: PathBuf, what: &'static str },
    /// Larger than any real record; not read.
    #[error("{}: too large to be a session's file", path.display())]
    TooLarge { path: PathBuf, bytes: u64, limit: u64 },
    /// A track that `Tracks::create` did not name.
    #[error("there is no audio track {track} (there are {tracks})")]
    NoSuchTrack { track: usize, tracks: usize },
    /// The audio would outgrow the 4 GB that a WAV header can count.
    #[error("{}: the audio track is as long as a WAV file can be", path.display())]
    AudioTooLong { path: PathBuf, seconds: u64 },
}

impl RecordError {
    /// Sorts a failure of the file system by what can be done about it. `doing` completes 'not allowed to ...'.
    pub(crate) fn io(doing: &'static str, path: &Path, source: io::Error) -> Self {
        let path = path.to_owned();
        match Refused::of(&source) {
            Some(Refused::NotAFile(what)) => return RecordError::NotAFile { path, what },
            Some(Refused::TooLarge { bytes, most }) => {
                return RecordError::TooLarge { path, bytes, limit: most }
            }
            None => {}
        }
        match source.kind() {
            ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge => {
                RecordError::DiskFull { doing, path, source }
            }
            ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
                RecordError::NotAllowed { doing, path, source }
            }
            _ => RecordError::Io { doing, path, source },
        }
    }
}

impl From<RecordError> for Failure {
    fn from(error: RecordError) -> Failure {
        use RecordError::*;
        let what = error.to_string();
        let folder = Failure::new(ExitCode::BadFolder, what.clone());
        let inside = Failure::new(ExitCode::Internal, what.clone());
        match error {
            AlreadyThere { .. } => folder
                .why("a record is written once and never added to by a second run")
                .fix("give another --id, or leave it out and the time names the folder"),
            BadId { .. } => folder
                .why(
                    "a name is 1 to 128 letters, digits, '-', '_' or '.', and does not begin with '.' or '-'",
                )
                .fix("give a name such as 20261124T231500Z-donning"),
            NoHome => folder
                .why("neither XDG_DATA_HOME nor HOME is set")
                .fix("set one of them, or say where with --sessions"),
            NoSession { why, .. } => folder.why(why).fix("give the folder that holds journal.jsonl"),
            Busy { .. } => folder
                .why("a run, a redaction, a signature, a pruning or a debrief holds its lock")
                .fix("wait until it has ended, then try again"),
            NotAllowed { source, .. } if source.kind() == ErrorKind::ReadOnlyFilesystem => {
                folder.why(source).fix("keep sessions on another disk with --sessions")
            }
            NotAllowed { source, .. } => folder.why(source).fix(
                "give yourself the right to it (`ls -ld` shows who has it), or keep sessions elsewhere with --sessions",
            ),
            DiskFull { source, .. } if source.kind() == ErrorKind::FileTooLarge => {
                folder.why(source).fix("raise the limit on a file's size (`ulimit -f` shows it)")
            }
            DiskFull { source, .. } => {
                folder.why(source).fix("free some space, or keep sessions elsewhere with --sessions")
            }
            Io { source, .. }
                if matches!(source.kind(), ErrorKind::NotADirectory | ErrorKind::AlreadyExists) =>
            {
                folder.why(source).fix("a file is in the way: keep sessions elsewhere with --sessions")
            }
            Io { source, .. } => folder.why(source).fix("check the disk, then try again"),
            Event { why, .. } => inside.why(why),
            TimeBackwards { .. } => inside.why("events are written in the order of the session's clock"),
            Stopped { .. } => folder
                .why("a write failed half-way and its beginning could not be taken back")
                .fix("what came before is intact; start a new session"),
            NotAFile { .. } => folder
                .why("a session's files are ordinary files: this was put in the place of one")
                .fix("see what it is and who put it there; the file may be in a backup"),
            TooLarge { bytes, limit, .. } => folder.why(format!("{bytes} bytes; at most {limit} are read")),
            NoSuchTrack { .. } => inside,
            AudioTooLong { seconds, .. } => Failure::new(ExitCode::BadAudio, what)
                .why(format!("4 GB, which is {} h {:02} min", seconds / 3600, seconds / 60 % 60))
                .fix("start a new session; the journal goes on without sound"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sorted(kind: ErrorKind) -> RecordError {
        RecordError::io("write", Path::new("x/journal.jsonl"), io::Error::from(kind))
    }

    #[test]
    fn a_full_disk_a_read_only_folder_and_the_rest_are_told_apart() {
        assert!(matches!(sorted(ErrorKind::StorageFull), RecordError::DiskFull { .. }));
        assert!(matches!(sorted(ErrorKind::QuotaExceeded), RecordError::DiskFull { .. }));
        assert!(matches!(sorted(ErrorKind::FileTooLarge), RecordError::DiskFull { .. }));
        assert!(matches!(sorted(ErrorKind::ReadOnlyFilesystem), RecordError::NotAllowed { .. }));
        assert!(matches!(sorted(ErrorKind::PermissionDenied), RecordError::NotAllowed { .. }));
        assert!(matches!(sorted(ErrorKind::Interrupted), RecordError::Io { .. }));
    }

    #[test]
    fn what_is_no_file_and_what_is_too_large_are_told_by_name() {
        let error = |refused: Refused| RecordError::io("read", Path::new("x/journal.jsonl"), refused.into());
        let pipe = Failure::from(error(Refused::NotAFile("a named pipe")));
        assert_eq!(pipe.code, ExitCode::BadFolder);
        assert_eq!(pipe.what, "x/journal.jsonl: is a named pipe, not a file");
        let large = error(Refused::TooLarge { bytes: 9, most: 8 });
        assert!(matches!(large, RecordError::TooLarge { bytes: 9, limit: 8, .. }));
    }

    #[test]
    fn a_full_disk_says_what_where_why_and_what_to_do() {
        let failure = Failure::from(sorted(ErrorKind::StorageFull));
        assert_eq!(failure.code, ExitCode::BadFolder);
        assert!(failure.what.contains("x/journal.jsonl") && failure.what.contains("no room to write"));
        assert!(failure.why.is_some() && failure.fix.is_some());
    }
}
