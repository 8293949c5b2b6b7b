//! A session's folder as a debrief: reads everything there is, in whatever state it is.
//!
//! Owns which file is read for what. Must not write anything.

use super::build::{build, Sources};
use super::model::{Audio, Report};
use super::sound::{self, Extent};
use crate::files::{self, Links};
use crate::procedure::{parse, Procedure};
use crate::record::folder::{AUDIO, JOURNAL, PROCEDURE};
use crate::record::moved::moves;
use crate::record::read::{self, Reading, Tail};
use crate::record::verify::{self, verify};
use crate::record::RecordError;
use serde_json::Value;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// A session read back.
pub struct Session {
    pub folder: PathBuf,
    pub verified: verify::Report,
    /// The procedure as it was, or why it can't be read.
    pub procedure: Result<Procedure, String>,
    /// The sound that can be played, or why there is none.
    pub sound: Result<Extent, String>,
    pub report: Report,
    /// What the record's own moves ask to be told before it is played.
    pub cautions: Vec<String>,
}

impl Session {
    pub fn audio_file(&self) -> PathBuf {
        self.folder.join(AUDIO)
    }
}

/// Reads the session in `folder`. Errors: as `verify`; what is wrong with the record itself is in the report.
pub fn load(folder: &Path) -> Result<Session, RecordError> {
    let verified = verify(folder)?;
    let reading = match read::read(&folder.join(JOURNAL)) {
        Ok(reading) => reading,
        Err(RecordError::Io { source, .. }) if source.kind() == ErrorKind::NotFound => Reading {
            lines: Vec::new(),
            problems: Vec::new(),
            tail: Tail::CutOff { line: 0, what: "the journal is missing".into() },
        },
        Err(error) => return Err(error),
    };
    let procedure = procedure(&folder.join(PROCEDURE));
    let sound = sound::measure(&folder.join(AUDIO));
    let audio = sound.as_ref().map(|extent| Audio {
        tracks: track_names(&reading, usize::from(extent.tracks)),
        seconds: extent.seconds(),
    });
    let report = build(&Sources {
        reading: &reading,
        verified: &verified,
        procedure: procedure.as_ref().map_err(Clone::clone),
        audio: audio.map_err(Clone::clone),
    });
    let cautions = moves(&reading.lines).map(|(line, moved)| moved.caution(line.ms)).collect();
    Ok(Session { folder: folder.to_path_buf(), verified, procedure, sound, report, cautions })
}

fn procedure(path: &Path) -> Result<Procedure, String> {
    let source = files::read_text(path, Links::Refuse, parse::MAX_BYTES)
        .map_err(|error| format!("{PROCEDURE}: {error}"))?;
    parse::parse(&source, PROCEDURE).map_err(|errors| {
        let first = errors.problems.first().map(ToString::to_string).unwrap_or_default();
        format!("this version can't read it ({})", first.lines().next().unwrap_or_default())
    })
}

/// The tracks' names as the closing line has them, or else as the session began, or else by number.
fn track_names(reading: &Reading, count: usize) -> Vec<String> {
    let strings = |value: Option<&Value>| -> Vec<String> {
        let values = value.and_then(Value::as_array).into_iter().flatten();
        values.filter_map(|name| Some(name.as_str()?.to_string())).collect()
    };
    let closing = strings(reading.lines.last().and_then(|line| line.body.pointer("/audio/tracks")));
    let mut opening = strings(reading.lines.first().and_then(|line| line.body.get("posts")));
    opening.push("tool".into());
    let known = [closing, opening].into_iter().find(|names| names.len() == count);
    known.unwrap_or_else(|| (1..=count).map(|n| format!("track {n}")).collect())
}
