//! A disk of its own whose power can be cut: a copy of its image, taken at any moment, is what would be left.

use std::path::{Path, PathBuf};
use std::process::Command;

pub struct Disk {
    folder: tempfile::TempDir,
}

/// What a cut left, mounted.
pub struct Left {
    at: PathBuf,
}

fn did(program: &str, arguments: &[&str]) -> bool {
    Command::new(program).args(arguments).output().is_ok_and(|output| output.status.success())
}

fn text(path: &Path) -> &str {
    path.to_str().expect("temporary paths are UTF-8")
}

/// In memory, where there is room for the copies: written to the real disk, they would slow down whatever runs next.
fn in_memory() -> Option<tempfile::TempDir> {
    let room = Command::new("df").args(["--output=avail", "/dev/shm"]).output().ok()?;
    let kilobytes: u64 = String::from_utf8_lossy(&room.stdout).lines().nth(1)?.trim().parse().ok()?;
    (kilobytes > 2_000_000).then(|| tempfile::tempdir_in("/dev/shm").ok()).flatten()
}

impl Disk {
    /// 96 MB, ext4 as a machine has it. `None` where mounting is not allowed, with the reason printed.
    pub fn new() -> Option<Disk> {
        let folder = in_memory().unwrap_or_else(|| tempfile::tempdir().expect("a temporary folder"));
        let disk = Disk { folder };
        let (image, at) = (disk.image(), disk.path());
        std::fs::create_dir(&at).expect("it is ours");
        let made = did("truncate", &["-s", "96M", text(&image)]) && did("mkfs.ext4", &["-q", text(&image)]);
        if made && did("mount", &["-o", "loop", text(&image), text(&at)]) {
            return Some(disk);
        }
        println!("skipped: this machine does not let us make and mount a disk image (root and loop devices)");
        None
    }

    fn image(&self) -> PathBuf {
        self.folder.path().join("disk.img")
    }

    pub fn path(&self) -> PathBuf {
        self.folder.path().join("disk")
    }

    /// The power goes now. Returns the image of what is left.
    pub fn cut(&self, number: usize) -> PathBuf {
        let copy = self.folder.path().join(format!("cut-{number}.img"));
        assert!(did("cp", &["--sparse=always", text(&self.image()), text(&copy)]), "a copy of the image");
        copy
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        did("umount", &["-l", text(&self.path())]);
        did("sync", &[]);
    }
}

impl Left {
    /// The machine starts again: the file system puts itself in order and is mounted.
    pub fn of(image: &Path) -> Left {
        let at = image.with_extension("");
        std::fs::create_dir(&at).expect("it is ours");
        assert!(
            did("mount", &["-o", "loop", text(image), text(&at)]),
            "{} can't be mounted",
            image.display()
        );
        Left { at }
    }

    pub fn path(&self) -> &Path {
        &self.at
    }
}

impl Drop for Left {
    fn drop(&mut self) {
        did("umount", &["-l", text(&self.at)]);
    }
}
