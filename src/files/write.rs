//! Files written whole or not at all: until one is done it has no name, so that a command that is killed leaves nothing behind.
//!
//! Owns how a file gets its name. Where the file system can't make files without a name, or between the two calls by which a
//! file takes another's place, the name is `.NAME.unfinished`; [`clear`] removes what was left there. Must not know what any
//! file holds.

use rustix::fs::{AtFlags, Mode, OFlags, CWD};
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Seek, SeekFrom, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// Mode of what only its owner may read.
pub const PRIVATE: u32 = 0o600;
/// Mode of what is nobody's secret; the user's umask takes from it.
pub const OPEN: u32 = 0o666;

const UNFINISHED: &str = ".unfinished";

/// A file that is being written. Dropped before it is kept, it is gone.
#[derive(Debug)]
pub struct Unfinished {
    file: File,
    target: PathBuf,
    /// The name that it has already, where the file system can't make a file without one.
    named: Option<PathBuf>,
}

impl Unfinished {
    /// A new file that is to be `target`, which is not touched yet.
    pub fn new(target: &Path, mode: u32) -> io::Result<Unfinished> {
        let target = target.to_owned();
        if let Some(file) = without_name(folder_of(&target), mode)? {
            return Ok(Unfinished { file, target, named: None });
        }
        let named = temporary(&target)?;
        remove(&named)?;
        let file = OpenOptions::new().read(true).write(true).create_new(true).mode(mode).open(&named)?;
        Ok(Unfinished { file, target, named: Some(named) })
    }

    /// Makes it durable and puts it in its place, where another may be.
    pub fn keep(mut self) -> io::Result<()> {
        self.file.sync_all()?;
        let named = match self.named.take() {
            Some(named) => named,
            None => {
                let named = temporary(&self.target)?;
                remove(&named)?;
                self.link(&named)?;
                named
            }
        };
        if let Err(error) = fs::rename(&named, &self.target) {
            // What is left of it helps nobody; that it can't be removed adds nothing to the error told.
            let _ = fs::remove_file(&named);
            return Err(error);
        }
        sync_folder(folder_of(&self.target))
    }

    /// The same where nothing may be yet. Errors: `AlreadyExists`, with what is there untouched.
    pub fn keep_new(mut self) -> io::Result<()> {
        self.file.sync_all()?;
        match self.named.take() {
            None => self.link(&self.target)?,
            Some(named) => {
                let linked = fs::hard_link(&named, &self.target);
                let _ = fs::remove_file(&named);
                linked?;
            }
        }
        sync_folder(folder_of(&self.target))
    }

    fn link(&self, to: &Path) -> io::Result<()> {
        Ok(rustix::fs::linkat(CWD, descriptor(&self.file), CWD, to, AtFlags::SYMLINK_FOLLOW)?)
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        if let Some(named) = &self.named {
            let _ = fs::remove_file(named);
        }
    }
}

impl Write for Unfinished {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Seek for Unfinished {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}

/// Writes a file whole or not at all, in another's place if need be.
pub fn whole(path: &Path, bytes: &[u8], mode: u32) -> io::Result<()> {
    let mut file = Unfinished::new(path, mode)?;
    file.write_all(bytes)?;
    file.keep()
}

/// Removes what killed commands left in a folder. Only for whoever holds the folder's lock.
pub fn clear(folder: &Path) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if name.starts_with('.') && name.ends_with(UNFINISHED) && !entry.file_type()?.is_dir() {
            remove(&entry.path())?;
        }
    }
    Ok(())
}

/// Makes a folder's list of files survive a power cut.
pub fn sync_folder(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}

/// The folder in which this file is.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn temporary(target: &Path) -> io::Result<PathBuf> {
    let name = target.file_name().ok_or_else(|| io::Error::from(ErrorKind::InvalidInput))?;
    let mut hidden = OsString::from(".");
    hidden.push(name);
    hidden.push(UNFINISHED);
    Ok(target.with_file_name(hidden))
}

fn remove(path: &Path) -> io::Result<()> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

/// A file without a name; `None` where the system has none such.
fn without_name(folder: &Path, mode: u32) -> io::Result<Option<File>> {
    let flags = OFlags::TMPFILE | OFlags::RDWR | OFlags::CLOEXEC;
    match rustix::fs::open(folder, flags, Mode::from_raw_mode(mode)) {
        // A name is given through the system's table of open files.
        Ok(file) => Ok(Some(File::from(file)).filter(|file| descriptor(file).exists())),
        Err(error) => match io::Error::from(error) {
            error if matches!(error.kind(), ErrorKind::Unsupported | ErrorKind::IsADirectory) => Ok(None),
            // Old kernels and some network file systems take the flag for something else.
            error if error.raw_os_error() == Some(rustix::io::Errno::INVAL.raw_os_error()) => Ok(None),
            error => Err(error),
        },
    }
}

fn descriptor(file: &File) -> PathBuf {
    PathBuf::from(format!("/proc/self/fd/{}", file.as_raw_fd()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::{symlink, PermissionsExt};

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_file_takes_anothers_place_whole_or_leaves_nothing() {
        let room = tempfile::tempdir().unwrap();
        let path = room.path().join("a");
        whole(&path, b"one", PRIVATE).unwrap();
        let mut second = Unfinished::new(&path, PRIVATE).unwrap();
        second.write_all(b"half of").unwrap();
        drop(second);
        assert_eq!((fs::read(&path).unwrap(), names(room.path())), (b"one".to_vec(), vec!["a".to_string()]));
        whole(&path, b"two", PRIVATE).unwrap();
        assert_eq!((fs::read(&path).unwrap(), names(room.path())), (b"two".to_vec(), vec!["a".to_string()]));
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, PRIVATE);
    }

    #[test]
    fn what_is_there_is_not_replaced_by_a_new_one() {
        let room = tempfile::tempdir().unwrap();
        let path = room.path().join("a");
        let new = |text: &[u8]| {
            let mut file = Unfinished::new(&path, OPEN)?;
            file.write_all(text)?;
            file.keep_new()
        };
        new(b"one").unwrap();
        assert_eq!(new(b"two").unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!((fs::read(&path).unwrap(), names(room.path())), (b"one".to_vec(), vec!["a".to_string()]));
    }

    #[test]
    fn where_files_must_have_names_the_result_is_the_same() {
        let room = tempfile::tempdir().unwrap();
        let path = room.path().join("a");
        let named = |text: &[u8]| {
            let named = temporary(&path).unwrap();
            let mut file = File::create_new(&named).unwrap();
            file.write_all(text).unwrap();
            Unfinished { file, target: path.clone(), named: Some(named) }
        };
        named(b"one").keep_new().unwrap();
        assert!(named(b"two").keep_new().is_err());
        named(b"three").keep().unwrap();
        drop(named(b"four"));
        assert_eq!(
            (fs::read(&path).unwrap(), names(room.path())),
            (b"three".to_vec(), vec!["a".to_string()])
        );
    }

    #[test]
    fn what_was_left_is_cleared_and_nothing_else_and_links_are_not_followed() {
        let room = tempfile::tempdir().unwrap();
        for name in [".a.unfinished", "a.unfinished", ".a", "a"] {
            fs::write(room.path().join(name), "x").unwrap();
        }
        symlink(room.path().join("a"), room.path().join(".l.unfinished")).unwrap();
        clear(room.path()).unwrap();
        assert_eq!(names(room.path()), [".a", "a", "a.unfinished"]);
        // A file in a leftover's place takes it over.
        fs::write(room.path().join(".b.unfinished"), "left over").unwrap();
        whole(&room.path().join("b"), b"new", PRIVATE).unwrap();
        assert_eq!(names(room.path()), [".a", "a", "a.unfinished", "b"]);
    }
}
