//! Recordings of a person for measurements: the telephone prompts of Debian's asterisk-core-sounds-en-g722 (one woman,
//! 16 kHz, CC-BY-SA-3.0), with their words from asterisk-core-sounds-en.
//!
//! Owns finding, decoding and choosing them. Must not know what they are played to.

use rand::seq::SliceRandom;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

pub const SOUNDS: &str = "/usr/share/asterisk/sounds/en";
const WORDS: &str = "/usr/share/doc/asterisk-core-sounds-en/core-sounds-en.txt.gz";
/// Files decoded by one run of ffmpeg.
const AT_ONCE: usize = 40;

/// One recording.
#[derive(Debug, Clone)]
pub struct Prompt {
    /// Path below the sounds folder, without ending.
    pub name: String,
    /// Its words in lower case, single spaces; `None` where it is no plain words (a tone, a digit, an address).
    pub words: Option<String>,
}

/// Every prompt with a recording, in order of name; the recordings of silence are left out.
pub fn all() -> Result<Vec<Prompt>, String> {
    let output = Command::new("gzip").args(["-dc", WORDS]).output().map_err(|e| format!("gzip: {e}"))?;
    if !output.status.success() {
        return Err(format!("{WORDS} can't be read; apt-get install asterisk-core-sounds-en"));
    }
    let text = String::from_utf8_lossy(&output.stdout);
    let mut prompts: Vec<Prompt> = text
        .lines()
        .filter(|line| !line.starts_with(';'))
        .filter_map(|line| line.split_once(':'))
        .map(|(name, text)| Prompt { name: name.trim().to_string(), words: plain_words(text) })
        .filter(|prompt| !prompt.name.starts_with("silence/") && recording("en", &prompt.name).is_file())
        .collect();
    prompts.sort_by(|a, b| a.name.cmp(&b.name));
    prompts.dedup_by(|a, b| a.name == b.name);
    if prompts.is_empty() {
        return Err(format!("no recordings in {SOUNDS}; apt-get install asterisk-core-sounds-en-g722"));
    }
    Ok(prompts)
}

/// Chooses `count` prompts of three to six words, all of which `known` knows, no two with the same words.
/// The same seed chooses the same ones.
pub fn choose(
    prompts: &[Prompt],
    count: usize,
    seed: u64,
    known: impl Fn(&str) -> bool,
) -> Result<Vec<Prompt>, String> {
    let mut seen = BTreeSet::new();
    let mut fit: Vec<Prompt> = prompts
        .iter()
        .filter(|prompt| {
            prompt.words.as_ref().is_some_and(|words| {
                (3..=6).contains(&words.split(' ').count())
                    && words.split(' ').all(&known)
                    && seen.insert(words.clone())
            })
        })
        .cloned()
        .collect();
    fit.shuffle(&mut ChaCha8Rng::seed_from_u64(seed));
    if fit.len() < count {
        return Err(format!("only {} prompts fit, {count} are needed", fit.len()));
    }
    fit.truncate(count);
    fit.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(fit)
}

/// Decodes prompts into a folder and returns the WAV files (16 kHz, 44 bytes of header), in order.
pub fn decode(prompts: &[Prompt], into: &Path) -> Result<Vec<PathBuf>, String> {
    let names: Vec<String> = prompts.iter().map(|prompt| prompt.name.clone()).collect();
    decode_from("en", &names, into)
}

/// The same for the recordings of any voice.
pub fn decode_from(package: &str, names: &[String], into: &Path) -> Result<Vec<PathBuf>, String> {
    let files: Vec<PathBuf> = names
        .iter()
        .map(|name| into.join(format!("{package}_{}", name.replace('/', "_"))).with_extension("wav"))
        .collect();
    for (names, files) in names.chunks(AT_ONCE).zip(files.chunks(AT_ONCE)) {
        let mut ffmpeg = Command::new("ffmpeg");
        ffmpeg.args(["-nostdin", "-v", "error", "-y"]);
        for name in names {
            ffmpeg.args(["-f", "g722", "-i"]).arg(recording(package, name));
        }
        for (index, file) in files.iter().enumerate() {
            // Bit-exact: no note about the encoder, which would make the header longer.
            ffmpeg.arg("-map").arg(format!("{index}:a")).args(["-ar", "16000", "-ac", "1"]);
            ffmpeg.args(["-fflags", "+bitexact", "-flags:a", "+bitexact", "-c:a", "pcm_s16le"]).arg(file);
        }
        let output = ffmpeg.output().map_err(|error| format!("ffmpeg: {error}; apt-get install ffmpeg"))?;
        if !output.status.success() {
            return Err(format!("ffmpeg: {}", String::from_utf8_lossy(&output.stderr)));
        }
    }
    Ok(files)
}

fn recording(package: &str, name: &str) -> PathBuf {
    Path::new(SOUNDS).with_file_name(package).join(format!("{name}.g722"))
}

/// The words of a transcript that is nothing but words and sentence marks.
fn plain_words(text: &str) -> Option<String> {
    let text = text.trim().to_lowercase();
    let odd = |c: char| !(c.is_ascii_lowercase() || " .,!?;-".contains(c));
    if text.is_empty() || text.contains(odd) {
        return None;
    }
    let words: Vec<&str> = text.split(|c: char| !c.is_ascii_lowercase()).filter(|w| !w.is_empty()).collect();
    (!words.is_empty()).then(|| words.join(" "))
}
