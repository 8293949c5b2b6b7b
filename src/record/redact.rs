//! Taking one person out of a record: their microphone's track becomes silence, their name goes, and the chain is made anew
//! with a line that says so.
//!
//! Owns what a redaction changes and the order in which files are replaced: all new files are written first, then a plan is
//! put into the folder, and from then on the redaction is made, however often it is cut off: the next one finishes it first.
//! The phrases heard stay: they are the
//! procedure's words. Must not be given a record that was altered: it would come out looking whole.

use super::chain::{compose, Event, NOTHING_BEFORE};
use super::folder::{sync_folder, write_private, AUDIO, JOURNAL, PRACTICE, SUMMARY};
use super::journal::{END, SOUND};
use super::ledger::{entry_of, Kind, Ledger};
use super::moved::moves;
use super::read::{self, Line};
use super::sign::SIGNATURE;
use super::summary::of_account;
use super::verify::{verify, State};
use super::vouched::{self, Pieces};
use super::{Lock, RecordError};
use crate::audio::{wav, RATE};
use crate::files::write::{Unfinished, PRIVATE};
use crate::files::{self, Links};
use chrono::{DateTime, FixedOffset, SecondsFormat};
use hound::WavReader;
use serde_json::{json, Value};
use std::collections::BTreeMap;
use std::fs;
use std::io::{self, BufReader, BufWriter, Seek, Write};
use std::path::{Path, PathBuf};

/// What stands where a name was.
pub const REMOVED: &str = "removed";

/// What was done.
#[derive(Debug, Clone, PartialEq)]
pub struct Redacted {
    /// Seconds of sound that are silence now.
    pub seconds: f64,
    /// The name or id that was removed, if there was one.
    pub name: Option<String>,
    /// Files made from the record before, which had the person in them too.
    pub deleted: Vec<PathBuf>,
    /// The new last digest.
    pub digest: String,
    /// Folders that the record was in before it was damaged and moved: they have the person in them still.
    pub left_behind: Vec<String>,
    /// An earlier redaction had been cut off and was finished first: of this post.
    pub finished: Option<String>,
}

#[derive(Debug)]
pub enum Refused {
    Record(RecordError),
    /// The record was altered.
    Altered,
    /// There is no such post, but these.
    NoSuchPost(Vec<String>),
}

impl From<RecordError> for Refused {
    fn from(error: RecordError) -> Refused {
        Refused::Record(error)
    }
}

const DOING: &str = "redact the record";

/// Says that a redaction was decided and is not done: its new files are there, and take the places of the old ones.
pub(super) const PLAN: &str = ".redaction";
const MAX_PLAN: u64 = 1 << 16;
/// New files, and whose places they take.
const PARTS: [(&str, &str); 3] =
    [(".audio.wav.part", AUDIO), (".journal.jsonl.part", JOURNAL), (".summary.json.part", SUMMARY)];

/// Takes the person at `post` out of the session in `folder`: wholly or not at all, also when it is cut off.
pub fn redact(folder: &Path, post: &str, at: DateTime<FixedOffset>) -> Result<Redacted, Refused> {
    let _lock = Lock::of(folder)?;
    // A ledger that can't be written would say for ever that this record was altered: better nothing is done.
    let mut ledger = Ledger::of_session(folder)?;
    let finished = finish_interrupted(folder, ledger.as_mut(), at)?;
    let verified = verify(folder)?;
    if verified.state == State::Altered {
        return Err(Refused::Altered);
    }
    let reading = read::read(&folder.join(JOURNAL))?;
    let posts = posts(&reading.lines);
    if !posts.iter().any(|known| known == post) {
        return Err(Refused::NoSuchPost(posts));
    }
    let io = |path: &Path, error: io::Error| RecordError::io(DOING, path, error);
    let audio = folder.join(AUDIO);
    let [new_audio, new_journal, new_summary] = PARTS.map(|(part, _)| folder.join(part));
    // Verified: every line that says what the sound was does so properly.
    let pieces = vouched::stated(&reading.lines).unwrap_or_default();
    let ends: Vec<u64> = pieces.iter().map(|piece| piece.frames).collect();
    let (seconds, digests) = match posts.iter().position(|known| known == post) {
        Some(channel) if files::is_there(&audio).map_err(|error| io(&audio, error))? => {
            silence(&audio, &new_audio, channel, &ends).map_err(|error| io(&audio, error))?
        }
        _ => (0.0, Vec::new()),
    };
    let silenced = new_audio.exists();
    let audio_sha256 = match silenced {
        true => Some(super::chain::sha256_file(&new_audio).map_err(|error| io(&new_audio, error))?),
        false => None,
    };
    let sound = silenced.then(|| ends.into_iter().zip(digests).collect());
    let change = Change { post, at, audio_sha256, sound, old_digest: verified.digest.as_deref() };
    let new = Unfinished::new(&new_journal, PRIVATE).map_err(|error| io(&new_journal, error))?;
    let mut new = BufWriter::new(new);
    let sealed = change
        .journal(&reading.lines, &mut |line| new.write_all(line).map_err(|error| io(&new_journal, error)))?;
    let written = new.into_inner().map_err(io::IntoInnerError::into_error).and_then(Unfinished::keep);
    written.map_err(|error| io(&new_journal, error))?;
    if let Some(bytes) = sealed.summary {
        write_private(&new_summary, &bytes).map_err(|error| io(&new_summary, error))?;
    }
    let decided = json!({ "post": post }).to_string();
    let deleted = write_private(&folder.join(PLAN), decided.as_bytes())
        .map_err(|error| io(folder, error))
        .and_then(|()| carry_out(folder, ledger.as_mut(), at))?;
    let left_behind = moves(&reading.lines).map(|(_, moved)| moved.from).collect();
    Ok(Redacted { seconds, name: sealed.name, deleted, digest: sealed.digest, left_behind, finished })
}

/// Finishes a redaction that was decided and cut off; what is left of one that was not decided is deleted. Returns the post.
fn finish_interrupted(
    folder: &Path,
    ledger: Option<&mut Ledger>,
    at: DateTime<FixedOffset>,
) -> Result<Option<String>, RecordError> {
    let io = |error: io::Error| RecordError::io(DOING, folder, error);
    match files::read(&folder.join(PLAN), Links::Refuse, MAX_PLAN) {
        Ok(plan) => {
            carry_out(folder, ledger, at)?;
            let plan: Value = serde_json::from_slice(&plan).unwrap_or_default();
            Ok(Some(plan["post"].as_str().unwrap_or("post").to_string()))
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            for (part, _) in PARTS {
                match fs::remove_file(folder.join(part)) {
                    Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(io(error)),
                    _ => {}
                }
            }
            Ok(None)
        }
        Err(error) => Err(io(error)),
    }
}

/// What a plan decided: whichever new files are there take their places, and the ledger has the new digests before the
/// plan is gone.
fn carry_out(
    folder: &Path,
    ledger: Option<&mut Ledger>,
    at: DateTime<FixedOffset>,
) -> Result<Vec<PathBuf>, RecordError> {
    let io = |error: io::Error| RecordError::io(DOING, folder, error);
    for (part, file) in PARTS {
        match fs::rename(folder.join(part), folder.join(file)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(io(error)),
            _ => {}
        }
    }
    sync_folder(folder).map_err(io)?;
    let deleted = delete_derived(folder).map_err(io)?;
    if let Some(ledger) = ledger {
        ledger.enter(at, Kind::Redacted, &entry_of(folder))?;
    }
    fs::remove_file(folder.join(PLAN)).map_err(io)?;
    sync_folder(folder).map_err(io)?;
    Ok(deleted)
}

fn posts(lines: &[Line]) -> Vec<String> {
    let posts = lines.first().and_then(|line| line.body.get("posts")).and_then(Value::as_array);
    posts.into_iter().flatten().filter_map(|post| Some(post.as_str()?.to_string())).collect()
}

/// Copies the sound with one channel silent. Returns its length and its digests up to each of these ends.
fn silence(from: &Path, to: &Path, channel: usize, ends: &[u64]) -> io::Result<(f64, Vec<String>)> {
    let wrong = |error: hound::Error| match error {
        hound::Error::IoError(error) => error,
        other => io::Error::other(other.to_string()),
    };
    let reader = WavReader::new(BufReader::new(files::open(from, Links::Refuse)?)).map_err(wrong)?;
    let tracks = reader.spec().channels;
    let channels = usize::from(tracks);
    let mut new = BufWriter::new(Unfinished::new(to, PRIVATE)?);
    new.write_all(&wav::head(tracks, 0))?;
    let mut pieces = Pieces::new(ends, tracks);
    let mut count = 0usize;
    // A file that was cut off ends in the middle: what is there is kept.
    for sample in reader.into_samples::<i16>().map_while(Result::ok) {
        let sample = if count % channels == channel { 0 } else { sample };
        let sample = sample.to_le_bytes();
        new.write_all(&sample)?;
        pieces.push(&sample);
        count += 1;
    }
    while !count.is_multiple_of(channels) {
        new.write_all(&[0; 2])?;
        pieces.push(&[0; 2]);
        count += 1;
    }
    new.rewind()?;
    new.write_all(&wav::head(tracks, 2 * count as u64))?;
    new.into_inner().map_err(io::IntoInnerError::into_error)?.keep()?;
    Ok(((count / channels) as f64 / f64::from(RATE), pieces.digests))
}

/// What is changed in the journal.
struct Change<'a> {
    post: &'a str,
    at: DateTime<FixedOffset>,
    audio_sha256: Option<String>,
    /// Digests of the new sound by the samples up to them; `None` when the sound stays as it is.
    sound: Option<BTreeMap<u64, String>>,
    old_digest: Option<&'a str>,
}

/// Takes each line as it is made.
type ToFile<'w> = &'w mut dyn FnMut(&[u8]) -> Result<(), RecordError>;

struct Sealed {
    /// `None` when the journal has no end.
    summary: Option<Vec<u8>>,
    digest: String,
    name: Option<String>,
}

impl Change<'_> {
    /// The journal made anew: every line as it was but for the name, then the note, then the end.
    fn journal(&self, lines: &[Line], write: ToFile) -> Result<Sealed, RecordError> {
        let mut sealed = Sealed { summary: None, digest: NOTHING_BEFORE.to_string(), name: None };
        let mut n = 0;
        let mut noted = false;
        let last_ms = lines.last().map_or(0, |line| line.ms);
        for line in lines {
            let mut body = line.body.clone();
            if let Some(name) = self.unname(&mut body) {
                sealed.name.get_or_insert(name);
            }
            if line.kind == SOUND {
                self.vouch(&mut body);
            }
            if line.kind == END {
                self.note(&mut sealed, &mut n, line.ms, write)?;
                noted = true;
                self.end(&mut body);
            }
            append(&mut sealed, &mut n, line.at, line.ms, &line.kind, &body, write)?;
            if line.kind == END {
                sealed.summary = Some(of_account(&body, n, &sealed.digest)?);
            }
        }
        if !noted {
            self.note(&mut sealed, &mut n, last_ms, write)?;
        }
        Ok(sealed)
    }

    /// Takes the name out, and gives it back.
    fn unname(&self, body: &mut Value) -> Option<String> {
        let name = body.get_mut("people")?.get_mut(self.post)?;
        let before = std::mem::replace(name, json!(REMOVED));
        Some(before.as_str().unwrap_or_default().to_owned())
    }

    /// What was not there any more can't be vouched for.
    fn vouch(&self, body: &mut Value) {
        let Some(sound) = &self.sound else { return };
        let frames = body.get("frames").and_then(Value::as_u64).unwrap_or(u64::MAX);
        if let Some(body) = body.as_object_mut() {
            body.insert("sha256".into(), json!(sound.get(&frames)));
        }
    }

    fn note(&self, sealed: &mut Sealed, n: &mut u64, ms: u64, write: ToFile) -> Result<(), RecordError> {
        let body = json!({
            "note": format!("the {}'s sound was silenced and their name removed", self.post),
            "redaction": {
                "post": self.post,
                "at": self.at.to_rfc3339_opts(SecondsFormat::Secs, true),
                "journal_sha256_before": self.old_digest,
            },
        });
        append(sealed, n, self.at, ms, "note", &body, write)
    }

    fn end(&self, body: &mut Value) {
        let Some(body) = body.as_object_mut() else { return };
        if let (Some(sha256), true) = (&self.audio_sha256, body.contains_key("audio_sha256")) {
            body.insert("audio_sha256".into(), json!(sha256));
        }
        if let Some(cautions) = body.get_mut("cautions").and_then(Value::as_array_mut) {
            let date = self.at.format("%Y-%m-%d");
            cautions.push(json!(format!(
                "The {}'s sound was silenced on {date}; the record was made anew.",
                self.post
            )));
        }
    }
}

fn append(
    sealed: &mut Sealed,
    n: &mut u64,
    at: DateTime<FixedOffset>,
    ms: u64,
    kind: &str,
    body: &Value,
    write: ToFile,
) -> Result<(), RecordError> {
    *n += 1;
    let (line, digest) = compose(&Event { n: *n, at, ms, kind }, body, &sealed.digest)?;
    write(&line)?;
    sealed.digest = digest;
    Ok(())
}

/// Deletes what was made from the record: debriefs have the sound in them, a score tells of
/// the person, and a signature no longer fits.
fn delete_derived(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut deleted = Vec::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        // With a dot before it: what an earlier version left unfinished.
        let shown = name.strip_prefix('.').unwrap_or(&name);
        if !shown.starts_with("debrief") && ![SIGNATURE, PRACTICE].iter().any(|one| shown.starts_with(one)) {
            continue;
        }
        if fs::symlink_metadata(&path)?.is_dir() {
            fs::remove_dir_all(&path)?;
        } else {
            fs::remove_file(&path)?;
        }
        deleted.push(path);
    }
    deleted.sort();
    Ok(deleted)
}
