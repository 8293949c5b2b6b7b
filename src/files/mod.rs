//! Files that the program reads: opened only where they are ordinary files, and read no further than such a file goes.
//!
//! Owns the one way to open a file for reading. Whatever stands in a file's place (a named pipe, a device, a socket, a
//! folder) is refused at once: opening it never waits, and nothing is read without end. `write` writes files whole or not at
//! all, `scratch` keeps folders for a moment. Must not know what any file holds.

pub mod scratch;
pub mod write;

use rustix::fs::{Mode, OFlags};
use std::fs::{self, File, FileType, Metadata};
use std::io::{self, ErrorKind, Read};
use std::os::unix::fs::FileTypeExt;
use std::path::Path;

/// Largest text that a user writes (a list of phrases, a script, rules), bytes.
pub const MAX_TEXT: u64 = 1 << 24;

/// Largest part of a model or network that is read into memory at once, bytes.
pub const MAX_MODEL: u64 = 1 << 28;

/// Whether a symbolic link in a file's place will do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Links {
    /// The user named the file, and may have named a link to it.
    Follow,
    /// A file of the program's own: it made no links.
    Refuse,
}

/// What is no ordinary file, or too large for one of its kind. Wrapped in an `io::Error`; [`Refused::of`] finds it there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// What it is, with its article.
    #[error("it is {0}, not a file")]
    NotAFile(&'static str),
    #[error("{bytes} bytes are too many, at most {most} are read")]
    TooLarge { bytes: u64, most: u64 },
}

impl Refused {
    /// The refusal within an error of the functions here.
    pub fn of(error: &io::Error) -> Option<Refused> {
        error.get_ref()?.downcast_ref::<Refused>().copied()
    }
}

impl From<Refused> for io::Error {
    fn from(refused: Refused) -> io::Error {
        io::Error::new(ErrorKind::InvalidInput, refused)
    }
}

/// Opens an ordinary file for reading. Errors: those of the system, and [`Refused::NotAFile`].
pub fn open(path: &Path, links: Links) -> io::Result<File> {
    open_as(path, links, OFlags::RDONLY)
}

/// The same for reading and writing; a lock on a network file system asks for that.
pub fn open_to_lock(path: &Path) -> io::Result<File> {
    open_as(path, Links::Refuse, OFlags::RDWR)
}

/// An ordinary file's bytes. Errors: as [`open`], and [`Refused::TooLarge`] for more than `most`.
pub fn read(path: &Path, links: Links, most: u64) -> io::Result<Vec<u8>> {
    let file = open(path, links)?;
    let length = file.metadata()?.len();
    if length > most {
        return Err(Refused::TooLarge { bytes: length, most }.into());
    }
    let mut bytes = Vec::new();
    // Not as long as the system says but as long as it is: some of its own files have no length, and others grow.
    file.take(most.saturating_add(1)).read_to_end(&mut bytes)?;
    match bytes.len() as u64 {
        length if length > most => Err(Refused::TooLarge { bytes: length, most }.into()),
        _ => Ok(bytes),
    }
}

/// The same for text in UTF-8; other bytes are `InvalidData`.
pub fn read_text(path: &Path, links: Links, most: u64) -> io::Result<String> {
    String::from_utf8(read(path, links, most)?).map_err(|error| {
        let before = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        let line = before.iter().filter(|byte| **byte == b'\n').count() + 1;
        io::Error::new(ErrorKind::InvalidData, format!("it is not UTF-8 text (line {line})"))
    })
}

/// What an error of these functions asks the user to do.
pub fn remedy(error: &io::Error) -> &'static str {
    match (Refused::of(error), error.kind()) {
        (Some(Refused::NotAFile(_)), _) => "name a file that can be read to its end",
        (Some(Refused::TooLarge { .. }), _) => "check that this is the file that was meant",
        (None, ErrorKind::NotFound) => "check the path",
        (None, ErrorKind::PermissionDenied) => "make it readable for you: `ls -l` shows who may read it",
        (None, ErrorKind::InvalidData) => "save it again as UTF-8",
        _ => "check the file and the disk it is on",
    }
}

/// Whether there is something of this name, also if it is a link to nothing. Errors: when that can't be known, as where a
/// folder above may not be looked into.
pub fn is_there(path: &Path) -> io::Result<bool> {
    match fs::symlink_metadata(path) {
        Ok(_) => Ok(true),
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => Ok(false),
        Err(error) => Err(error),
    }
}

fn open_as(path: &Path, links: Links, access: OFlags) -> io::Result<File> {
    // Looked at first, since opening some devices already does something; and again when open, since it may have changed.
    let about = match links {
        Links::Follow => fs::metadata(path)?,
        Links::Refuse => fs::symlink_metadata(path)?,
    };
    ordinary(&about)?;
    let mut flags = access | OFlags::NONBLOCK | OFlags::NOCTTY | OFlags::CLOEXEC;
    if links == Links::Refuse {
        flags |= OFlags::NOFOLLOW;
    }
    let file = File::from(rustix::fs::open(path, flags, Mode::empty())?);
    ordinary(&file.metadata()?)?;
    Ok(file)
}

fn ordinary(about: &Metadata) -> Result<(), Refused> {
    match about.is_file() {
        true => Ok(()),
        false => Err(Refused::NotAFile(kind(about.file_type()))),
    }
}

fn kind(of: FileType) -> &'static str {
    match of {
        of if of.is_dir() => "a folder",
        of if of.is_symlink() => "a symbolic link",
        of if of.is_fifo() => "a named pipe",
        of if of.is_socket() => "a socket",
        of if of.is_char_device() || of.is_block_device() => "a device",
        _ => "something else",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;
    use std::os::unix::net::UnixListener;

    fn refused<T: std::fmt::Debug>(result: io::Result<T>) -> Option<Refused> {
        Refused::of(&result.expect_err("it is refused"))
    }

    #[test]
    fn whatever_is_no_file_is_refused_by_its_name_without_waiting() {
        let room = tempfile::tempdir().unwrap();
        let at = |name: &str| room.path().join(name);
        rustix::fs::mkfifoat(rustix::fs::CWD, at("pipe"), Mode::RUSR | Mode::WUSR).unwrap();
        let _socket = UnixListener::bind(at("socket")).unwrap();
        symlink("/dev/zero", at("zeros")).unwrap();
        for links in [Links::Follow, Links::Refuse] {
            for (path, what) in [
                (at("pipe"), "a named pipe"),
                (at("socket"), "a socket"),
                (room.path().to_owned(), "a folder"),
                ("/dev/zero".into(), "a device"),
                ("/dev/full".into(), "a device"),
            ] {
                assert_eq!(refused(read(&path, links, 9)), Some(Refused::NotAFile(what)), "{path:?}");
            }
        }
        assert_eq!(refused(open(&at("zeros"), Links::Follow)), Some(Refused::NotAFile("a device")));
        assert_eq!(refused(open(&at("zeros"), Links::Refuse)), Some(Refused::NotAFile("a symbolic link")));
        assert_eq!(refused(open_to_lock(&at("pipe"))), Some(Refused::NotAFile("a named pipe")));
    }

    #[test]
    fn a_link_to_a_file_will_do_where_the_user_named_it_and_not_in_a_record() {
        let room = tempfile::tempdir().unwrap();
        let (file, link) = (room.path().join("a"), room.path().join("b"));
        fs::write(&file, "text").unwrap();
        symlink(&file, &link).unwrap();
        assert_eq!(read_text(&link, Links::Follow, 4).unwrap(), "text");
        assert_eq!(refused(read(&link, Links::Refuse, 4)), Some(Refused::NotAFile("a symbolic link")));
        assert!(is_there(&link).unwrap() && !is_there(&room.path().join("c")).unwrap());
    }

    #[test]
    fn a_file_is_read_no_further_than_its_kind_goes() {
        let file = tempfile::NamedTempFile::new().unwrap();
        file.as_file().set_len(2_000_000_000).unwrap();
        let most = 1_000;
        let found = refused(read(file.path(), Links::Follow, most));
        assert_eq!(found, Some(Refused::TooLarge { bytes: 2_000_000_000, most }));
        // It says that it has no bytes, and has some.
        assert!(matches!(
            refused(read(Path::new("/proc/self/maps"), Links::Follow, 10)),
            Some(Refused::TooLarge { .. })
        ));
        fs::write(file.path(), b"one\ntwo \xff").unwrap();
        let error = read_text(file.path(), Links::Follow, most).unwrap_err();
        assert!(error.to_string().contains("line 2"), "{error}");
    }
}
