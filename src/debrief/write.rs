//! The debrief's files: the page, its sound, captions and tables, all readable by their owner only.
//!
//! Owns their names and places. Must not know what is in them.

use super::load::{load, Session};
use super::page::{self, Sound};
use super::sound::{self, MIXED};
use super::{captions, tables};
use crate::failure::{ExitCode, Failure};
use crate::record::folder::{create_private, make_private_dir, write_private};
use crate::record::Lock;
use base64::Engine;
use std::fmt::Write as _;
use std::io::{self, BufWriter, Cursor};
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
    let html = page::render(report, &shapes, &sounds)
        .map_err(|error| Failure::new(ExitCode::Internal, "can't make the page").why(error))?;
    put(&wanted.page, html.as_bytes())?;
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

fn put(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    write_private(path, bytes).map_err(|error| cannot(path, &error))
}

fn cannot(path: &Path, error: &io::Error) -> Failure {
    Failure::new(ExitCode::BadFolder, format!("{}: can't write the debrief", path.display()))
        .why(error)
        .fix("make the folder writable and free some space, or say where with --out FILE")
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
        sinks.push(BufWriter::with_capacity(
            1 << 16,
            create_private(&path).map_err(|error| cannot(&path, &error))?,
        ));
    }
    let shapes =
        sound::write(&session.audio_file(), extent, sinks).map_err(|error| unread(session, &error))?;
    let place = encoded(&folder.file_name().unwrap_or_default().to_string_lossy());
    let sounds = names.into_iter().map(|(name, file)| Sound { source: format!("{place}/{file}"), name });
    Ok((shapes, sounds.collect()))
}

fn embedded(session: &Session) -> Result<Made, Failure> {
    let Ok(extent) = &session.sound else { return Ok((Vec::new(), Vec::new())) };
    let names = names(session);
    let mut files: Vec<Cursor<Vec<u8>>> = names.iter().map(|_| Cursor::new(Vec::new())).collect();
    let sinks = files.iter_mut().collect();
    let shapes =
        sound::write(&session.audio_file(), extent, sinks).map_err(|error| unread(session, &error))?;
    let sounds = names.into_iter().zip(files).map(|((name, _), file)| {
        let mut source = String::from("data:audio/wav;base64,");
        base64::engine::general_purpose::STANDARD.encode_string(file.get_ref(), &mut source);
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
