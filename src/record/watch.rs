//! Whether an open file is still the one that its name leads to, and as long as what was written.
//!
//! Owns the look at one file. A record that was unlinked, replaced or cut while it is written looks fine from inside: every
//! write succeeds. Must not know what the file holds.

use std::fs::{self, File};
use std::path::Path;

/// How long the file has to be, bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Length {
    Exactly(u64),
    AtLeast(u64),
}

/// What happened to it, in words; `None` when it is as it should be.
pub(super) fn harm(file: &File, path: &Path, length: Length) -> Option<String> {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let open = match file.metadata() {
        Ok(open) => open,
        Err(error) => return Some(format!("{name} can't be looked at: {error}")),
    };
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        let there = fs::symlink_metadata(path);
        match there {
            _ if open.nlink() == 0 => return Some(format!("{name} was removed")),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return Some(format!("{name} is no longer in its place: it or its folder was moved"))
            }
            Err(error) => return Some(format!("{name} can't be looked at: {error}")),
            Ok(there) if (there.dev(), there.ino()) != (open.dev(), open.ino()) => {
                return Some(format!("{name} was replaced by another file"))
            }
            Ok(_) => {}
        }
    }
    #[cfg(not(unix))]
    if let Err(error) = fs::metadata(path) {
        return Some(format!("{name} can't be looked at: {error}"));
    }
    wrong_length(&name, open.len(), length)
}

/// The same for the length alone, before it is written to: what is written beyond the end of a file that was cut makes it as
/// long again as it should be.
pub(super) fn cut(file: &File, path: &Path, length: Length) -> Option<String> {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    // One that can't be looked at is told by `harm`, which looks at more.
    wrong_length(&name, file.metadata().ok()?.len(), length)
}

fn wrong_length(name: &str, there: u64, length: Length) -> Option<String> {
    let (good, due) = match length {
        Length::Exactly(due) => (there == due, due),
        Length::AtLeast(due) => (there >= due, due),
    };
    (!good).then(|| format!("{name} was changed: it has {there} bytes, and {due} were written"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn a_file_that_is_removed_moved_replaced_or_cut_is_told_from_one_that_is_as_it_was_written() {
        let room = tempfile::tempdir().unwrap();
        let path = room.path().join("file");
        let fresh = || {
            let _ = fs::remove_file(&path);
            let mut file = File::create(&path).unwrap();
            file.write_all(b"12345").unwrap();
            file
        };
        let told = |file: &File| harm(file, &path, Length::Exactly(5)).unwrap_or_default();
        let file = fresh();
        assert_eq!((told(&file).as_str(), harm(&file, &path, Length::AtLeast(3))), ("", None));
        fs::remove_file(&path).unwrap();
        assert_eq!(told(&file), "file was removed");
        let file = fresh();
        fs::rename(&path, room.path().join("other")).unwrap();
        assert!(told(&file).contains("was moved"));
        fs::write(&path, b"12345").unwrap();
        assert!(told(&file).contains("replaced by another"));
        let file = fresh();
        File::options().write(true).open(&path).unwrap().set_len(4).unwrap();
        assert_eq!(told(&file), "file was changed: it has 4 bytes, and 5 were written");
        assert!(harm(&file, &path, Length::AtLeast(5)).is_some());
        assert!(cut(&file, &path, Length::AtLeast(5)).is_some());
        assert_eq!(cut(&file, &path, Length::Exactly(4)), None);
    }
}
