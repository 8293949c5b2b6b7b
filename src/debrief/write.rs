//! The debrief's files: the page, its sound, captions and tables, all readable by their owner only.
//!
//! Owns their names and places. Must not know what is in them.

use super::load::{load, Session};
use super::page::{self, Sound, Source};
use super::sound::{self, Inside, MIXED};
use super::{captions, tables};
use crate::failure::{ExitCode, Failure};
use crate::files::write::{Unfinished, PRIVATE};
use crate::record::folder::{make_private_dir, write_private};
use crate::record::Lock;
use std::fmt::Write as _;
use std::io::{self, BufWriter, IntoInnerError};
use std::path::{Path, PathBuf};

/// The page's name in the session's folder.
pub const PAGE: &str = "debrief.html";

/// What was asked for.
pub struct Wanted {
    pub page: PathBuf,
    /// The sound inside the page instead of beside it.
    pub embed: bool,
    pub csv: bool,
}

/// Writes everything. Returns the files and folders made, the page first.
pub fn write(session: &Session, wanted: &Wanted) -> Result<Vec<PathBuf>, Failure> {
    let report = &session.report;
    let mut made = vec![wanted.page.clone()];
    let (shapes, sounds) = match &session.sound {
        Ok(_) if wanted.embed => embedded(session)?,
        Ok(_) => {
            let folder = beside(&wanted.page, "-audio");
            let made_sound = in_files(session, &folder)?;
            made.push(folder);
            made_sound
        }
        Err(_) => (Vec::new(), Vec::new()),
    };
    put_page(session, &wanted.page, &shapes, &sounds)?;
    let vtt = beside(&wanted.page, ".vtt");
    put(&vtt, captions::webvtt(report).as_bytes())?;
    made.push(vtt);
    if wanted.csv {
        let bad = |error: csv::Error| Failure::new(ExitCode::Internal, "can't make a table").why(error);
        for (name, table) in
            [("-steps.csv", tables::steps(report)), ("-utterances.csv", tables::utterances(report))]
        {
            let path = beside(&wanted.page, name);
            put(&path, table.map_err(bad)?.as_bytes())?;
            made.push(path);
        }
    }
    Ok(made)
}

/// Writes the debrief of the session in this folder into it. Returns the page.
pub fn in_folder(folder: &Path) -> Result<PathBuf, Failure> {
    let page = folder.join(PAGE);
    let _lock = Lock::of(folder)?;
    write(&load(folder)?, &Wanted { page: page.clone(), embed: false, csv: false })?;
    Ok(page)
}

/// The page's path with another ending.
fn beside(page: &Path, ending: &str) -> PathBuf {
    let mut name = page.file_stem().unwrap_or_default().to_os_string();
    name.push(ending);
    page.with_file_name(name)
}

/// The page goes to the disk as it is made: with its sound inside it may be larger than the memory.
fn put_page(
    session: &Session,
    path: &Path,
    shapes: &[sound::Shape],
    sounds: &[Sound],
) -> Result<(), Failure> {
    let write = || -> io::Result<()> {
        let mut to = BufWriter::with_capacity(1 << 16, Unfinished::new(path, PRIVATE)?);
        page::write(&session.report, shapes, sounds, &mut to)?;
        to.into_inner().map_err(IntoInnerError::into_error)?.keep()
    };
    write().map_err(|error| {
        let sounds = sounds.iter().filter_map(|sound| match &sound.source {
            Source::Inside(sound) => sound.take_error(),
            Source::File(_) => None,
        });
        // What the disk refused has its own kind; a template can only say that something failed.
        match sounds.last().filter(|_| error.kind() == io::ErrorKind::Other) {
            Some(unreadable) => unread(session, &unreadable),
            None => cannot(path, &error),
        }
    })
}

fn put(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    write_private(path, bytes).map_err(|error| cannot(path, &error))
}

fn cannot(path: &Path, error: &io::Error) -> Failure {
    let fix = match error.kind() {
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            "make its folder writable for you (`ls -ld` shows who may write), or say where with --out FILE"
        }
        io::ErrorKind::FileTooLarge => "raise the limit on a file's size (`ulimit -f` shows it)",
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "free some space, or say where with --out FILE"
        }
        _ => "check the path and the disk, or say where with --out FILE",
    };
    Failure::new(ExitCode::BadFolder, format!("{}: can't write the debrief", path.display()))
        .why(error)
        .fix(fix)
}

fn unread(session: &Session, error: &io::Error) -> Failure {
    Failure::new(ExitCode::BadAudio, format!("{}: can't be read", session.audio_file().display())).why(error)
}

/// Names of the sounds: the mix, then the tracks. A track's name comes from the journal, and may be anything.
fn names(session: &Session) -> Vec<(String, String)> {
    let tracks = session.report.audio.iter().flat_map(|audio| audio.tracks.iter()).enumerate();
    let file = |(n, name): (usize, &String)| match name.as_str() {
        "tool" | "worker" | "observer" | "room" => (name.clone(), format!("{name}.wav")),
        _ => (name.clone(), format!("track-{}.wav", n + 1)),
    };
    std::iter::once((MIXED.to_string(), format!("{MIXED}.wav"))).chain(tracks.map(file)).collect()
}

type Made = (Vec<sound::Shape>, Vec<Sound>);

fn in_files(session: &Session, folder: &Path) -> Result<Made, Failure> {
    let Ok(extent) = &session.sound else { return Ok((Vec::new(), Vec::new())) };
    make_private_dir(folder).map_err(|error| cannot(folder, &error))?;
    let names = names(session);
    let mut sinks = Vec::new();
    for (_, file) in &names {
        let path = folder.join(file);
        let file = Unfinished::new(&path, PRIVATE).map_err(|error| cannot(&path, &error))?;
        sinks.push(BufWriter::with_capacity(1 << 16, file));
    }
    let shapes = sound::write(&session.audio_file(), extent, sinks.iter_mut().collect()).map_err(
        |error| match error {
            sound::Failed::Reading(error) => unread(session, &error),
            sound::Failed::Writing(error) => cannot(folder, &error),
        },
    )?;
    for sink in sinks {
        let kept = sink.into_inner().map_err(IntoInnerError::into_error).and_then(Unfinished::keep);
        kept.map_err(|error| cannot(folder, &error))?;
    }
    let place = encoded(&folder.file_name().unwrap_or_default().to_string_lossy());
    let sounds =
        names.into_iter().map(|(name, file)| Sound { source: Source::File(format!("{place}/{file}")), name });
    Ok((shapes, sounds.collect()))
}

fn embedded(session: &Session) -> Result<Made, Failure> {
    let Ok(extent) = &session.sound else { return Ok((Vec::new(), Vec::new())) };
    let path = session.audio_file();
    // Once for the drawing; each sound is read again when its place in the page is written.
    let shapes = sound::shapes(&path, extent).map_err(|error| unread(session, &error))?;
    let tracks = std::iter::once(None).chain((0..usize::from(extent.tracks)).map(Some));
    let sounds = names(session).into_iter().zip(tracks).map(|((name, _), track)| {
        let source = Source::Inside(Inside::new(&path, extent, track));
        Sound { name, source }
    });
    Ok((shapes, sounds.collect()))
}

/// A file's name as part of a relative address (RFC 3986).
fn encoded(name: &str) -> String {
    let mut text = String::new();
    for byte in name.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' => {
                text.push(char::from(byte))
            }
            _ => {
                let _ = write!(text, "%{byte:02X}");
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_beside_a_page_share_its_name() {
        assert_eq!(beside(Path::new("a/b.html"), ".vtt"), Path::new("a/b.vtt"));
        assert_eq!(beside(Path::new("b"), "-audio"), Path::new("b-audio"));
    }

    #[test]
    fn a_name_in_an_address_is_encoded() {
        assert_eq!(encoded("my page#1-audio"), "my%20page%231-audio");
    }
}
