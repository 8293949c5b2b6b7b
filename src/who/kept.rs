//! Voices that people agreed to have kept on this machine: one file a person, for nobody but the owner.
//!
//! Owns the files' form. What is in one is 192 numbers, not sound: nobody can be heard from it, but people can be told apart
//! by it, so it is personal data. Must not know sessions.

use super::{Voice, NUMBERS};
use crate::files::{self, Links};
use serde::{Deserialize, Serialize};
use std::fs;
use std::io::{self, ErrorKind};
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

/// Largest file that is read, bytes: 192 numbers take 3 kB.
const MOST: u64 = 1 << 16;
const FORM: u32 = 1;
/// The network that the numbers are of; those of another can't be compared.
const NETWORK: &str = "campplus-1";
/// Letters of a short id.
pub const LONGEST_ID: usize = 12;

/// A person's voice.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// As the session's `--who` gives it.
    pub person: String,
    /// When it was kept, RFC 3339.
    pub at: String,
    /// Utterances it was made of.
    pub utterances: usize,
    pub voice: Voice,
}

#[derive(Debug, thiserror::Error)]
pub enum KeptError {
    #[error("{}: {why}", path.display())]
    Io { path: PathBuf, why: io::Error },
    /// It is no kept voice, or that of another version.
    #[error("{}: {why}", path.display())]
    Bad { path: PathBuf, why: String },
}

impl KeptError {
    /// Whose file it is by its name, if it can be anybody's.
    pub fn person(&self) -> Option<String> {
        let (KeptError::Io { path, .. } | KeptError::Bad { path, .. }) = self;
        let name = path.file_stem()?.to_str()?;
        is_id(name).then(|| name.to_owned())
    }
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    antiphon_voice: u32,
    network: String,
    person: String,
    kept_at: String,
    utterances: usize,
    voice: Vec<f32>,
}

/// Whether it names a person without telling outsiders who that is: 1 to 12 letters, digits, '-', '_' or '.'.
pub fn is_short_id(person: &str) -> bool {
    let fits = (1..=LONGEST_ID).contains(&person.len());
    fits && person.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte))
}

/// Whether a voice can be kept under this id: a short one, whose file is not hidden.
pub fn is_id(person: &str) -> bool {
    is_short_id(person) && !person.starts_with('.')
}

fn path(folder: &Path, person: &str) -> PathBuf {
    folder.join(format!("{person}.json"))
}

/// Keeps it, in the place of an earlier one.
pub fn keep(folder: &Path, kept: &Kept) -> Result<PathBuf, KeptError> {
    let path = path(folder, &kept.person);
    let failed = |why: io::Error| KeptError::Io { path: path.clone(), why };
    fs::DirBuilder::new().recursive(true).mode(0o700).create(folder).map_err(failed)?;
    let file = File {
        antiphon_voice: FORM,
        network: NETWORK.into(),
        person: kept.person.clone(),
        kept_at: kept.at.clone(),
        utterances: kept.utterances,
        voice: kept.voice.numbers().to_vec(),
    };
    let text = serde_json::to_vec(&file).map_err(|error| failed(error.into()))?;
    files::write::whole(&path, &text, 0o600).map_err(failed)?;
    Ok(path)
}

/// A person's voice; `None` where none is kept, or none can be under such a name.
pub fn of(folder: &Path, person: &str) -> Result<Option<Kept>, KeptError> {
    if !is_id(person) {
        return Ok(None);
    }
    match read(&path(folder, person)) {
        Err(KeptError::Io { why, .. }) if why.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
        Ok(kept) if kept.person == person => Ok(Some(kept)),
        Ok(kept) => Err(bad(&path(folder, person), format!("it is the voice of {:?}", kept.person))),
    }
}

/// Everybody's, by person; files that are none are among the errors.
pub fn all(folder: &Path) -> Result<(Vec<Kept>, Vec<KeptError>), KeptError> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok((Vec::new(), Vec::new())),
        Err(why) => return Err(KeptError::Io { path: folder.to_path_buf(), why }),
    };
    let (mut kept, mut errors) = (Vec::new(), Vec::new());
    for entry in entries {
        let path = entry.map_err(|why| KeptError::Io { path: folder.to_path_buf(), why })?.path();
        if path.extension().is_some_and(|end| end == "json") {
            match read(&path) {
                Ok(one) => kept.push(one),
                Err(error) => errors.push(error),
            }
        }
    }
    kept.sort_by(|one, other| one.person.cmp(&other.person));
    Ok((kept, errors))
}

/// Deletes a person's voice. `false`: there was none. What is in the file does not matter.
pub fn forget(folder: &Path, person: &str) -> Result<bool, KeptError> {
    if !is_id(person) {
        return Ok(false);
    }
    let path = path(folder, person);
    match fs::remove_file(&path).and_then(|()| files::write::sync_folder(folder)) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(false),
        Err(why) => Err(KeptError::Io { path, why }),
    }
}

fn bad(path: &Path, why: impl Into<String>) -> KeptError {
    KeptError::Bad { path: path.to_path_buf(), why: why.into() }
}

fn read(path: &Path) -> Result<Kept, KeptError> {
    let bytes = files::read(path, Links::Refuse, MOST)
        .map_err(|why| KeptError::Io { path: path.to_path_buf(), why })?;
    let file: File = serde_json::from_slice(&bytes)
        .map_err(|error| bad(path, format!("it is not a kept voice: {error}")))?;
    if file.antiphon_voice != FORM || file.network != NETWORK {
        return Err(bad(path, "it was kept by another version, whose numbers can't be compared"));
    }
    let voice =
        Some(&file.voice).filter(|numbers| numbers.len() == NUMBERS).and_then(|numbers| Voice::of(numbers));
    let voice = voice.ok_or_else(|| bad(path, format!("its voice is not {NUMBERS} numbers")))?;
    if !is_id(&file.person) {
        return Err(bad(path, "it names nobody"));
    }
    Ok(Kept { person: file.person, at: file.kept_at, utterances: file.utterances, voice })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::scratch::Scratch;
    use std::os::unix::fs::PermissionsExt;

    fn somebody(person: &str) -> Kept {
        let numbers: Vec<f32> = (0..NUMBERS).map(|n| (n as f32 * 0.7).sin()).collect();
        let voice = Voice::of(&numbers).unwrap();
        Kept { person: person.into(), at: "2026-11-28T09:00:00+00:00".into(), utterances: 5, voice }
    }

    #[test]
    fn a_voice_is_kept_for_its_owner_alone_found_listed_and_forgotten() {
        let scratch = Scratch::new().unwrap();
        let folder = scratch.path().join("voices");
        assert!(of(&folder, "w7").unwrap().is_none() && all(&folder).unwrap().0.is_empty());
        let path = keep(&folder, &somebody("w7")).unwrap();
        keep(&folder, &somebody("o2")).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        let back = of(&folder, "w7").unwrap().unwrap();
        assert!((back.voice.cosine(&somebody("w7").voice) - 1.0).abs() < 1e-5 && back.utterances == 5);
        let people: Vec<String> = all(&folder).unwrap().0.into_iter().map(|kept| kept.person).collect();
        assert_eq!(people, ["o2", "w7"]);
        assert!(forget(&folder, "w7").unwrap() && !forget(&folder, "w7").unwrap());
        assert!(of(&folder, "w7").unwrap().is_none());
    }

    #[test]
    fn what_is_no_kept_voice_says_why_and_can_still_be_forgotten() {
        let scratch = Scratch::new().unwrap();
        let folder = scratch.path();
        let good = fs::read_to_string(keep(folder, &somebody("w7")).unwrap()).unwrap();
        let cases = [
            ("{", "not a kept voice"),
            ("[]", "not a kept voice"),
            (&good.replace("\"antiphon_voice\":1", "\"antiphon_voice\":2"), "another version"),
            (&good.replace("campplus-1", "other-1"), "another version"),
            (&good.replace("\"voice\":[", "\"voice\":[0.5,"), "not 192 numbers"),
            (&good.replace("\"person\":\"w7\"", "\"person\":\"../x\""), "names nobody"),
            (&good.replace("\"person\":\"w7\"", "\"person\":\"o2\""), "voice of \"o2\""),
        ];
        for (text, why) in cases {
            fs::write(path(folder, "w7"), text).unwrap();
            let error = of(folder, "w7").unwrap_err().to_string();
            assert!(error.contains(why) && error.contains("w7.json"), "{error}");
        }
        assert!(forget(folder, "w7").unwrap());
        for name in ["", "..", ".w7", "a/b", "a b", &"x".repeat(13)] {
            assert!(
                !is_id(name) && of(folder, name).unwrap().is_none() && !forget(folder, name).unwrap(),
                "{name}"
            );
        }
    }
}
