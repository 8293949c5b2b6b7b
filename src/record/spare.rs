//! A second copy of the journal while its session runs: a file without a name, away from the session's folder, that goes with
//! the program.
//!
//! Owns that file. Whoever cuts the journal takes its lines away from the program too; from here they can be read back. Must not
//! know what a line means.

use super::folder;
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;

#[derive(Debug)]
pub(super) struct Spare {
    file: File,
}

impl Spare {
    /// In the folder for the program's state, or where that can't be, in the one for temporary files.
    pub fn new() -> io::Result<Spare> {
        let in_state = || -> io::Result<File> {
            let state = folder::state_folder().ok_or(io::ErrorKind::NotFound)?;
            folder::make_private_dir(&state)?;
            tempfile::tempfile_in(state)
        };
        let file = in_state().or_else(|_| tempfile::tempfile())?;
        Ok(Spare { file })
    }

    /// Puts a line at this position; whatever stood there before goes.
    pub fn write(&self, line: &[u8], at: u64) -> io::Result<()> {
        self.file.write_all_at(line, at)
    }

    pub fn file(&self) -> &File {
        &self.file
    }

    /// The same file, for the journal that goes on in another place.
    pub fn again(&self) -> io::Result<Spare> {
        Ok(Spare { file: self.file.try_clone()? })
    }
}
