//! Folders for a moment: private, removed when they are no longer needed, and by the next run where a command was killed.
//!
//! Owns their names and the lock by which one that is still in use is known. Must not know what is kept in them.

use super::open_to_lock;
use std::fs::{self, File};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::sync::Once;
use tempfile::TempDir;

const PREFIX: &str = "antiphon-";
/// The file in it that whoever uses it keeps locked.
const IN_USE: &str = ".in-use";

/// A folder that is there as long as this is.
#[derive(Debug)]
pub struct Scratch {
    folder: TempDir,
    _lock: File,
}

impl Scratch {
    /// In the system's folder for temporary files.
    pub fn new() -> io::Result<Scratch> {
        Scratch::within(&std::env::temp_dir())
    }

    /// In memory where the system has a place for that, else as `new`.
    pub fn in_memory() -> io::Result<Scratch> {
        Scratch::within(Path::new("/dev/shm")).or_else(|_| Scratch::new())
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    fn within(place: &Path) -> io::Result<Scratch> {
        static CLEARED: Once = Once::new();
        CLEARED.call_once(|| [&std::env::temp_dir(), Path::new("/dev/shm")].into_iter().for_each(clear));
        let folder = tempfile::Builder::new().prefix(PREFIX).tempdir_in(place)?;
        // It gets its name when it is locked: one that can be locked is nobody's any more.
        let (coming, there) = (folder.path().join(".coming"), folder.path().join(IN_USE));
        let lock = File::create_new(&coming)?;
        lock.try_lock().map_err(io::Error::from)?;
        fs::rename(&coming, &there)?;
        Ok(Scratch { folder, _lock: lock })
    }
}

/// Removes what killed commands of this user left. What can't be removed or known is left alone.
fn clear(place: &Path) {
    let me = rustix::process::geteuid().as_raw();
    for entry in fs::read_dir(place).into_iter().flatten().flatten() {
        let path = entry.path();
        let ours = entry.file_name().to_string_lossy().starts_with(PREFIX)
            && fs::symlink_metadata(&path).is_ok_and(|about| about.is_dir() && about.uid() == me);
        if ours && is_abandoned(&path) {
            let _ = fs::remove_dir_all(&path);
        }
    }
}

fn is_abandoned(folder: &Path) -> bool {
    open_to_lock(&folder.join(IN_USE)).is_ok_and(|file| file.try_lock().is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_goes_with_its_owner_and_what_was_left_goes_with_the_next() {
        let room = tempfile::tempdir().unwrap();
        let used = Scratch::within(room.path()).unwrap();
        fs::write(used.path().join("a"), "x").unwrap();
        // As a killed command leaves it: its lock is gone with it.
        let left = room.path().join("antiphon-left");
        fs::create_dir(&left).unwrap();
        fs::write(left.join(IN_USE), "").unwrap();
        let others = [room.path().join("antiphon-other"), room.path().join("other")];
        others.iter().for_each(|path| fs::create_dir(path).unwrap());
        fs::write(others[1].join(IN_USE), "").unwrap();
        clear(room.path());
        assert!(!left.exists() && used.path().join("a").exists());
        assert!(others.iter().all(|path| path.exists()), "nobody knows whose these are");
        let path = used.path().to_owned();
        drop(used);
        assert!(!path.exists());
    }
}
