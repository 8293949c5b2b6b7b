//! The folder of one session: made once, never reused, readable by its owner only.
//!
//! Owns where sessions are kept, what a session is called, and the names of the files in its folder. Must not know
//! what the files hold.

use super::chain::sha256_hex;
use super::{Lock, RecordError};
use crate::files::write::{self, PRIVATE};
use chrono::{DateTime, TimeZone, Utc};
use serde::Serialize;
use std::env;
use std::ffi::OsString;
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// Hash-chained events, one a line; see [`super::chain`].
pub const JOURNAL: &str = "journal.jsonl";
/// One channel a track; see [`super::tracks`].
pub const AUDIO: &str = "audio.wav";
/// The procedure's file, byte for byte as it was when the session began.
pub const PROCEDURE: &str = "procedure.toml";
/// What the session came to; see [`super::summary`].
pub const SUMMARY: &str = "summary.json";

/// How the trainee did in a practice; made from the journal, and can be made again.
pub const PRACTICE: &str = "practice.json";

/// Sessions that may begin in one second with one procedure before `begin` gives up; and places that one may go on in.
const SAME_SECOND: u32 = 99;

/// Longest name of a session.
const LONGEST_ID: usize = 128;

/// A session's own folder, newly made by this process.
#[derive(Debug)]
pub struct SessionFolder {
    path: PathBuf,
    id: String,
    /// Held from the first file on.
    lock: OnceLock<Lock>,
}

impl SessionFolder {
    /// Makes `sessions_root` if need be and, exclusively, the folder `id` in it (both mode 0700).
    ///
    /// Errors: `AlreadyThere` (nothing in it is touched), `BadId`, `NotAllowed`, `DiskFull`, `Io`.
    pub fn create(sessions_root: &Path, id: &str) -> Result<SessionFolder, RecordError> {
        if !is_safe_name(id) {
            return Err(RecordError::BadId { id: id.to_owned() });
        }
        private_dir()
            .recursive(true)
            .create(sessions_root)
            .map_err(|error| RecordError::io("make the folder for sessions", sessions_root, error))?;
        let path = sessions_root.join(id);
        private_dir().create(&path).map_err(|error| match error.kind() {
            ErrorKind::AlreadyExists => RecordError::AlreadyThere { path: path.clone() },
            _ => RecordError::io("make the session's folder", &path, error),
        })?;
        Ok(SessionFolder { path, id: id.to_owned(), lock: OnceLock::new() })
    }

    /// As `create`, named by [`session_id`]; a name already taken gets the first free one of `-2` to `-99`.
    pub fn begin<Tz: TimeZone>(
        sessions_root: &Path,
        now: &DateTime<Tz>,
        procedure_id: &str,
    ) -> Result<SessionFolder, RecordError> {
        let id = session_id(now, procedure_id);
        let mut made = SessionFolder::create(sessions_root, &id);
        for suffix in 2..=SAME_SECOND {
            if !matches!(made, Err(RecordError::AlreadyThere { .. })) {
                break;
            }
            made = SessionFolder::create(sessions_root, &format!("{id}-{suffix}"));
        }
        made
    }

    /// A folder in which the session that began as `id` goes on after its `nth` move, from 1: `ID-moved`, or with the first
    /// free number from `nth` to 99. A name that it had before is not taken again, also when that folder is gone. Errors as
    /// `create`.
    pub fn to_go_on_in(sessions_root: &Path, id: &str, nth: u32) -> Result<SessionFolder, RecordError> {
        let id = &id[..id.len().min(LONGEST_ID - "-moved-99".len())];
        let make = |number: u32| {
            let suffix = if number > 1 { format!("-{number}") } else { String::new() };
            SessionFolder::create(sessions_root, &format!("{id}-moved{suffix}"))
        };
        let mut made = make(nth);
        for number in nth + 1..=SAME_SECOND {
            if !matches!(made, Err(RecordError::AlreadyThere { .. })) {
                break;
            }
            made = make(number);
        }
        made
    }

    /// Removes the folder again, with what was put into it: it was not needed. What can't be removed is left.
    pub(crate) fn give_up(self) {
        let _ = std::fs::remove_dir_all(&self.path);
    }

    /// Where a session goes on whose own folder of sessions can't be written: `$XDG_STATE_HOME/antiphon/rescued`, or
    /// `~/.local/state/antiphon/rescued`. `None` when neither variable helps.
    pub fn rescue_root() -> Option<PathBuf> {
        state_folder().map(|state| state.join("rescued"))
    }

    /// `$XDG_DATA_HOME/antiphon/sessions`, or `~/.local/share/antiphon/sessions` where that isn't set. A relative
    /// XDG_DATA_HOME is ignored, as the XDG Base Directory Specification asks.
    ///
    /// Errors: `NoHome` when neither variable helps.
    pub fn default_root() -> Result<PathBuf, RecordError> {
        root_from(env::var_os("XDG_DATA_HOME"), env::var_os("HOME"))
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The folder's own name.
    pub fn id(&self) -> &str {
        &self.id
    }

    /// Keeps the procedure as it was, and from now on the folder from every other writer (see [`Lock`]). Returns its SHA-256, which the journal's first line must carry as
    /// `procedure_sha256`.
    pub fn keep_procedure(&self, toml: &str) -> Result<String, RecordError> {
        let (mut file, path) = self.create_file(PROCEDURE)?;
        file.write_all(toml.as_bytes())
            .and_then(|()| file.sync_all())
            .map_err(|error| RecordError::io("keep the procedure", &path, error))?;
        // The file is newly made: it can't be locked twice.
        let _ = self.lock.set(Lock::on(file, &self.path)?);
        Ok(sha256_hex(toml.as_bytes()))
    }

    /// Writes `summary.json` whole or not at all, durable.
    pub fn write_summary(&self, summary: &impl Serialize) -> Result<(), RecordError> {
        const DOING: &str = "write the summary";
        let path = self.path.join(SUMMARY);
        let mut text = serde_json::to_vec_pretty(summary)
            .map_err(|error| RecordError::Event { kind: SUMMARY.to_owned(), why: error.to_string() })?;
        text.push(b'\n');
        write_private(&path, &text).map_err(|error| RecordError::io(DOING, &path, error))
    }

    /// Makes the folder's list of files durable.
    pub(crate) fn sync(&self) -> Result<(), RecordError> {
        sync_folder(&self.path)
            .map_err(|error| RecordError::io("make the session's folder durable", &self.path, error))
    }

    /// Makes one of the session's files, mode 0600; it must not exist yet.
    pub(crate) fn create_file(&self, name: &str) -> Result<(File, PathBuf), RecordError> {
        let path = self.path.join(name);
        match private_file().create_new(true).open(&path) {
            Ok(file) => Ok((file, path)),
            Err(error) if error.kind() == ErrorKind::AlreadyExists => Err(RecordError::AlreadyThere { path }),
            Err(error) => Err(RecordError::io("make a file of the session", &path, error)),
        }
    }
}

/// A session's name: when it began, in UTC, and what it follows: `20261124T231500Z-isolation-donning`. Characters
/// that don't belong into a file name become `-`.
pub fn session_id<Tz: TimeZone>(now: &DateTime<Tz>, procedure_id: &str) -> String {
    let mut name = String::new();
    for letter in procedure_id.chars().take(64) {
        if letter.is_ascii_alphanumeric() || letter == '_' {
            name.push(letter.to_ascii_lowercase());
        } else if !name.ends_with('-') {
            name.push('-');
        }
    }
    let name = match name.trim_matches('-') {
        "" => "session",
        name => name,
    };
    format!("{}-{name}", now.with_timezone(&Utc).format("%Y%m%dT%H%M%SZ"))
}

/// When a session that was named by [`session_id`] began; `None` for any other name.
pub fn begins_with_time(id: &str) -> Option<DateTime<Utc>> {
    let (time, _) = id.split_once('-')?;
    let time = chrono::NaiveDateTime::parse_from_str(time.strip_suffix('Z')?, "%Y%m%dT%H%M%S").ok()?;
    Some(time.and_utc())
}

/// One path component everywhere, no hidden file, nothing that looks like an option.
fn is_safe_name(id: &str) -> bool {
    (1..=LONGEST_ID).contains(&id.len())
        && id.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte))
        && !id.starts_with(['.', '-'])
}

fn root_from(data_home: Option<OsString>, home: Option<OsString>) -> Result<PathBuf, RecordError> {
    let data_home = data_home.map(PathBuf::from).filter(|path| path.is_absolute());
    let home = home.map(PathBuf::from).filter(|path| path.is_absolute());
    data_home
        .or_else(|| home.map(|home| home.join(".local/share")))
        .map(|data| data.join("antiphon").join("sessions"))
        .ok_or(RecordError::NoHome)
}

/// Where the program keeps what outlives it and is no data of the user's, by the XDG Base Directory Specification.
pub(super) fn state_folder() -> Option<PathBuf> {
    state_from(env::var_os("XDG_STATE_HOME"), env::var_os("HOME"))
}

fn state_from(state_home: Option<OsString>, home: Option<OsString>) -> Option<PathBuf> {
    let absolute = |path: Option<OsString>| path.map(PathBuf::from).filter(|path| path.is_absolute());
    absolute(state_home)
        .or_else(|| absolute(home).map(|home| home.join(".local/state")))
        .map(|state| state.join("antiphon"))
}

/// Voices are personal data: nobody but the owner may look in.
fn private_dir() -> DirBuilder {
    let mut builder = DirBuilder::new();
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder
}

fn private_file() -> OpenOptions {
    let mut options = OpenOptions::new();
    // Read too: what was written is read back when the record has to go on elsewhere.
    options.read(true).write(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, PRIVATE);
    options
}

/// Makes a folder that only its owner can look into; one that is there is left as it is.
pub fn make_private_dir(path: &Path) -> io::Result<()> {
    private_dir().recursive(true).create(path)
}

/// Makes a folder's list of files survive a power cut.
pub fn sync_folder(path: &Path) -> io::Result<()> {
    write::sync_folder(path)
}

/// Writes a file whole or not at all, durable and readable by its owner only.
pub fn write_private(path: &Path, bytes: &[u8]) -> io::Result<()> {
    write::whole(path, bytes, PRIVATE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::failure::{ExitCode, Failure};
    use std::fs;

    #[test]
    fn a_second_run_into_the_same_folder_is_refused_and_touches_nothing() {
        let root = tempfile::tempdir().unwrap();
        let first = SessionFolder::create(root.path(), "one").unwrap();
        first.keep_procedure("id = 'a'\n").unwrap();
        let second = SessionFolder::create(root.path(), "one").unwrap_err();
        assert!(matches!(&second, RecordError::AlreadyThere { path } if path.ends_with("one")));
        assert_eq!(Failure::from(second).code, ExitCode::BadFolder);
        assert_eq!(fs::read_to_string(first.path().join(PROCEDURE)).unwrap(), "id = 'a'\n");
        assert_eq!(fs::read_dir(first.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_file_is_made_once_too() {
        let root = tempfile::tempdir().unwrap();
        let folder = SessionFolder::create(root.path(), "one").unwrap();
        folder.keep_procedure("first").unwrap();
        assert!(matches!(folder.keep_procedure("second"), Err(RecordError::AlreadyThere { .. })));
        assert_eq!(fs::read_to_string(folder.path().join(PROCEDURE)).unwrap(), "first");
    }

    #[cfg(unix)]
    #[test]
    fn folder_and_files_are_for_their_owner_only() {
        use std::os::unix::fs::PermissionsExt;
        let root = tempfile::tempdir().unwrap();
        let sessions = root.path().join("data").join("sessions");
        let folder = SessionFolder::create(&sessions, "one").unwrap();
        folder.keep_procedure("x").unwrap();
        folder.write_summary(&1).unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(&sessions), 0o700);
        assert_eq!(mode(folder.path()), 0o700);
        assert_eq!(mode(&folder.path().join(PROCEDURE)), 0o600);
        assert_eq!(mode(&folder.path().join(SUMMARY)), 0o600);
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_place_that_takes_no_folders_says_so() {
        // sysfs takes no new folders, from root neither.
        let error = SessionFolder::create(Path::new("/sys/antiphon-sessions"), "one").unwrap_err();
        assert!(matches!(error, RecordError::NotAllowed { .. }), "{error:?}");
        let failure = Failure::from(error);
        assert_eq!(failure.code, ExitCode::BadFolder);
        assert!(failure.what.contains("/sys/antiphon-sessions") && failure.fix.is_some());
    }

    #[test]
    fn a_root_that_is_a_file_is_no_second_run() {
        let root = tempfile::NamedTempFile::new().unwrap();
        assert!(matches!(SessionFolder::create(root.path(), "one"), Err(RecordError::Io { .. })));
    }

    #[test]
    fn names_that_would_leave_the_root_are_refused() {
        let root = tempfile::tempdir().unwrap();
        let long = "a".repeat(129);
        for id in ["", ".", "..", "../x", "a/b", "/etc", ".hidden", "-rf", "a b", "a\n", "ä", &long] {
            let refused = SessionFolder::create(root.path(), id);
            assert!(matches!(refused, Err(RecordError::BadId { .. })), "{id:?}");
        }
        assert_eq!(fs::read_dir(root.path()).unwrap().count(), 0);
    }

    #[test]
    fn an_id_is_the_time_in_utc_and_the_procedure() {
        let evening = DateTime::parse_from_rfc3339("2026-11-25T00:15:00.123+01:00").unwrap();
        assert_eq!(session_id(&evening, "isolation-donning"), "20261124T231500Z-isolation-donning");
        assert_eq!(session_id(&evening, "../Über all/"), "20261124T231500Z-ber-all");
        assert_eq!(session_id(&evening, "///"), "20261124T231500Z-session");
        assert!(is_safe_name(&session_id(&evening, &"x".repeat(500))));
    }

    #[test]
    fn sessions_that_begin_in_the_same_second_get_folders_of_their_own() {
        let root = tempfile::tempdir().unwrap();
        let now = DateTime::parse_from_rfc3339("2026-11-24T23:15:00Z").unwrap();
        let ids: Vec<String> = (0..3)
            .map(|_| SessionFolder::begin(root.path(), &now, "donning").unwrap().id().to_owned())
            .collect();
        assert_eq!(
            ids,
            ["20261124T231500Z-donning", "20261124T231500Z-donning-2", "20261124T231500Z-donning-3"]
        );
    }

    #[test]
    fn sessions_are_kept_where_xdg_says() {
        let root = |data: Option<&str>, home: Option<&str>| {
            root_from(data.map(OsString::from), home.map(OsString::from)).ok()
        };
        let at = |path: &str| Some(PathBuf::from(path));
        assert_eq!(root(Some("/d"), Some("/h")), at("/d/antiphon/sessions"));
        assert_eq!(root(None, Some("/h")), at("/h/.local/share/antiphon/sessions"));
        assert_eq!(root(Some("rel"), Some("/h")), at("/h/.local/share/antiphon/sessions"));
        assert_eq!(root(Some(""), Some("/h")), at("/h/.local/share/antiphon/sessions"));
        assert_eq!(root(None, None), None);
    }

    #[test]
    fn a_session_goes_on_beside_itself_under_a_free_name_that_is_never_too_long() {
        let root = tempfile::tempdir().unwrap();
        let name =
            |id: &str, nth: u32| SessionFolder::to_go_on_in(root.path(), id, nth).unwrap().id().to_owned();
        assert_eq!(
            [name("one", 1), name("one", 1), name("one", 4)],
            ["one-moved", "one-moved-2", "one-moved-4"]
        );
        let long = "a".repeat(LONGEST_ID);
        assert!(is_safe_name(&name(&long, 1)) && is_safe_name(&name(&long, 99)));
        let state = |state: Option<&str>, home: Option<&str>| {
            state_from(state.map(OsString::from), home.map(OsString::from))
        };
        assert_eq!(state(Some("/s"), Some("/h")), Some(PathBuf::from("/s/antiphon")));
        assert_eq!(state(Some("rel"), Some("/h")), Some(PathBuf::from("/h/.local/state/antiphon")));
        assert_eq!(state(None, None), None);
    }

    #[test]
    fn a_summary_is_written_whole_and_leaves_no_part_behind() {
        let root = tempfile::tempdir().unwrap();
        let folder = SessionFolder::create(root.path(), "one").unwrap();
        folder.write_summary(&serde_json::json!({"a": 1})).unwrap();
        assert_eq!(fs::read_to_string(folder.path().join(SUMMARY)).unwrap(), "{\n  \"a\": 1\n}\n");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
