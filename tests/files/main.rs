//! The files a command meets: what is no file is refused at once, nothing takes more memory than there is, what a limit or a
//! kill ends leaves nothing behind, and who may not read is told so.

#[path = "../common/mod.rs"]
mod common;
#[path = "../debrief_support/mod.rs"]
mod debrief_support;

mod browser;
mod killed;
mod memory;
mod no_files;
mod readers;
mod rights;

use antiphon::failure::ExitCode;
use common::{antiphon, ran, text, Ran, SHORT};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A whole session of the tests, in a folder of its own.
fn session(root: &Path, id: &str) -> PathBuf {
    debrief_support::play(root, id, SHORT, &[]).folder
}

/// Runs a command that must not wait for anything.
#[track_caller]
fn at_once(arguments: &[&str]) -> Ran {
    let ran = ran(antiphon(arguments).timeout(Duration::from_secs(60)));
    assert_ne!(ran.code, -1, "{arguments:?} had to be ended\n{ran}");
    ran
}

/// The names in a folder, in order.
fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut names: Vec<String> =
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// A copy of a session.
fn copy(of: &Path, to: &Path) {
    common::tool("cp", &["-r", text(of), text(to)]);
}

fn verifies(folder: &Path) {
    common::run(&["verify", text(folder)]).exits(ExitCode::Done);
}
