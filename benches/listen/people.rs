//! Recordings of many people on their own microphones, where they are there: orders for a coffee machine, and one short
//! phrase. From two public repositories under Apache-2.0, Picovoice/speech-to-intent-benchmark and
//! Picovoice/wake-word-benchmark, in a folder with a manifest (file, text, values).
//!
//! Owns where they are looked for, which half each is in, and how a right sentence becomes a near-miss: by what is valid.

use super::corpus::{half_of, read, Clip, Corpus, Half, Kind};
use super::near::Change;
use rand::seq::{IndexedRandom, SliceRandom};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

/// The folder, named by this variable or beside the project.
const VARIABLE: &str = "ANTIPHON_PEOPLE";
const BESIDE: &str = "../shared/people";
pub const VOICE: &str = "many people";
/// Longest recording, s.
const LONGEST_S: f64 = 7.0;

/// Values of which one is said for another.
const VALUES: [&[&str]; 6] = [
    &["dark", "light", "medium"],
    &["single", "double", "triple"],
    &["small", "medium", "large"],
    &["eight", "twelve", "sixteen", "twenty"],
    &["whole", "skim", "soy", "almond"],
    &["iced", "hot"],
];

struct Recording {
    text: String,
    audio: Arc<[i16]>,
    mine: bool,
}

/// The folder, where it is.
pub fn folder() -> Option<PathBuf> {
    let given = std::env::var_os(VARIABLE).map(PathBuf::from);
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join(BESIDE);
    given.into_iter().chain([beside]).find(|folder| folder.join("manifest.tsv").is_file())
}

/// Adds this half's recordings, each as what it says and, where a value in it has others, as a near-miss.
pub fn add(
    corpus: &mut Corpus,
    half: Half,
    known: &dyn Fn(&str) -> bool,
    into: &Path,
    random: &mut ChaCha8Rng,
) -> Result<(), String> {
    let Some(folder) = folder() else { return Ok(()) };
    let recordings = recordings(&folder, half, known, into)?;
    let mut texts: Vec<String> = recordings.iter().map(|one| one.text.clone()).collect();
    texts.sort();
    texts.dedup();
    texts.shuffle(random);
    let places = corpus.group(&texts);
    let mut near: Vec<(String, &Recording)> = Vec::new();
    for one in recordings.iter().filter(|one| one.mine) {
        let (group, place) = places[&one.text];
        let (kind, words, audio) = (Kind::Person, one.text.clone(), Arc::clone(&one.audio));
        corpus.clips.push(Clip { kind, voice: VOICE.into(), words, phrase: Some(place), group, audio });
        near.extend(changed(&one.text, random).map(|other| (other, one)));
    }
    let said: BTreeSet<String> = texts.into_iter().collect();
    near.retain(|(other, _)| !said.contains(other));
    let valid: BTreeSet<String> = near.iter().map(|(other, _)| other.clone()).collect();
    let places = corpus.group(&valid.into_iter().collect::<Vec<_>>());
    for (other, one) in near {
        let (group, place) = places[&other];
        let (kind, words, audio) = (Kind::Near(Change::Value), one.text.clone(), Arc::clone(&one.audio));
        corpus.clips.push(Clip { kind, voice: VOICE.into(), words, phrase: Some(place), group, audio });
    }
    Ok(())
}

/// A text with one of its values changed.
fn changed(text: &str, random: &mut ChaCha8Rng) -> Option<String> {
    let words: Vec<&str> = text.split(' ').collect();
    let mut all = Vec::new();
    for (at, word) in words.iter().enumerate() {
        for group in VALUES.iter().filter(|group| group.contains(word)) {
            for other in group.iter().filter(|other| *other != word) {
                let mut changed = words.clone();
                changed[at] = other;
                all.push(changed.join(" "));
            }
        }
    }
    all.choose(random).cloned()
}

/// Those of a half: by what is said; of the phrase that all of one folder say, every other one.
fn recordings(
    folder: &Path,
    half: Half,
    known: &dyn Fn(&str) -> bool,
    into: &Path,
) -> Result<Vec<Recording>, String> {
    let path = folder.join("manifest.tsv");
    let manifest = std::fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
    let mut found = Vec::new();
    for (number, line) in manifest.lines().skip(1).enumerate() {
        let mut fields = line.split('\t');
        let (Some(file), Some(text)) = (fields.next(), fields.next()) else { continue };
        let short = file.starts_with("short/");
        let mine = if short { (number % 2 == 0) == (half == Half::Tuning) } else { half_of(text) == half };
        if !mine || !text.split(' ').all(known) {
            continue;
        }
        let to = into.join(file.replace('/', "-")).with_extension("wav");
        let mut ffmpeg = Command::new("ffmpeg");
        ffmpeg.args(["-nostdin", "-v", "error", "-y", "-i"]).arg(folder.join(file)).arg(&to);
        let output = ffmpeg.output().map_err(|error| format!("ffmpeg: {error}; apt-get install ffmpeg"))?;
        if !output.status.success() {
            return Err(format!("ffmpeg: {}", String::from_utf8_lossy(&output.stderr)));
        }
        let audio = read(&to)?;
        if audio.len() as f64 <= LONGEST_S * 16_000.0 {
            found.push(Recording { text: text.to_string(), audio, mine });
        }
    }
    Ok(found)
}
