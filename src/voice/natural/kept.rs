//! Speech that was made before, kept on disk: making it takes as long as saying it.
//!
//! Owns `$XDG_CACHE_HOME/antiphon/speech`: names, writing whole or not at all, and its size. Must not know voices. Nothing
//! here is an error: what can't be kept or read is made again.

use crate::audio::{wav, RATE};
use crate::files::write::{whole, PRIVATE};
use crate::files::{self, Links};
use crate::models::{self, Asset};
use crate::record::folder::make_private_dir;
use crate::voice::VoiceError;
use sha2::{Digest, Sha256};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::OnceLock;
use std::time::SystemTime;

/// To be raised when speech is made another way.
const FORMAT: u32 = 1;
/// Most that is kept, bytes: some 100 minutes of speech.
const LARGEST: u64 = 200_000_000;
/// Largest file of a voice, bytes; they have half a megabyte.
pub(super) const LARGEST_STYLE: u64 = 1 << 24;
/// The size is looked at before the first and then every so many files.
const LOOK_EVERY: usize = 32;

/// The name of one piece of speech: a digest of everything it depends on.
pub struct Key(String);

impl Key {
    /// `parts`: text, voice, pace; `style`: the voice's file.
    pub fn of(parts: &[&[u8]], style: &Path) -> Result<Key, VoiceError> {
        let mut digest = Sha256::new();
        digest.update(FORMAT.to_le_bytes());
        digest.update(weights()?);
        // One that can't be read fails with more words when it is spoken with.
        digest.update(Sha256::digest(files::read(style, Links::Follow, LARGEST_STYLE).unwrap_or_default()));
        for part in parts {
            digest.update((part.len() as u64).to_le_bytes());
            digest.update(part);
        }
        Ok(Key(digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect()))
    }
}

/// The digest of the network's weights, made once.
fn weights() -> Result<[u8; 32], VoiceError> {
    static WEIGHTS: OnceLock<Result<[u8; 32], VoiceError>> = OnceLock::new();
    let digest = || -> Result<[u8; 32], VoiceError> {
        let path = models::find(Asset::KokoroWeights)?;
        let unreadable = |error: std::io::Error| VoiceError::Unknown {
            voice: path.display().to_string(),
            fix: format!("it can't be read: {error}"),
        };
        let mut digest = Sha256::new();
        let mut file = files::open(&path, Links::Follow).map_err(unreadable)?;
        let mut piece = vec![0; 1 << 20];
        loop {
            match std::io::Read::read(&mut file, &mut piece).map_err(unreadable)? {
                0 => return Ok(digest.finalize().into()),
                count => digest.update(&piece[..count]),
            }
        }
    };
    WEIGHTS.get_or_init(digest).clone()
}

/// A folder of speech.
pub struct Store {
    folder: PathBuf,
    largest: u64,
}

impl Store {
    /// `$XDG_CACHE_HOME/antiphon/speech`, else `~/.cache/antiphon/speech`. A relative one is ignored, as the XDG Base
    /// Directory Specification asks.
    pub fn of_this_user() -> Option<Store> {
        let folder = |name: &str| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
        let cache = folder("XDG_CACHE_HOME").or_else(|| folder("HOME").map(|home| home.join(".cache")))?;
        Some(Store { folder: cache.join("antiphon/speech"), largest: LARGEST })
    }

    fn path(&self, key: &Key) -> PathBuf {
        self.folder.join(format!("{}.wav", key.0))
    }

    /// The speech of this name, if it is there and whole.
    pub fn get(&self, key: &Key) -> Option<Vec<i16>> {
        let path = self.path(key);
        let file = files::open(&path, Links::Follow).ok()?;
        let mut reader = hound::WavReader::new(std::io::BufReader::new(file)).ok()?;
        let spec = reader.spec();
        if (spec.channels, spec.sample_rate, spec.bits_per_sample) != (1, RATE, 16) {
            return None;
        }
        let samples =
            reader.samples::<i16>().collect::<Result<Vec<i16>, _>>().ok().filter(|all| !all.is_empty())?;
        // What was used lately is removed last. Where the time can't be set, the time of making it counts.
        let _ = File::options().write(true).open(&path).and_then(|file| file.set_modified(SystemTime::now()));
        Some(samples)
    }

    pub fn put(&self, key: &Key, samples: &[i16]) {
        static PUT: AtomicUsize = AtomicUsize::new(0);
        if PUT.fetch_add(1, Ordering::Relaxed).is_multiple_of(LOOK_EVERY) {
            self.make_room();
        }
        let keep = || -> Option<()> {
            make_private_dir(&self.folder).ok()?;
            let mut bytes = wav::head(1, 2 * samples.len() as u64);
            bytes.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
            whole(&self.path(key), &bytes, PRIVATE).ok()
        };
        // A full or read-only disk costs time, not speech.
        let _ = keep();
    }

    /// Removes the oldest down to nine tenths of the limit when there is more than the limit.
    fn make_room(&self) {
        let entries = fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let file = |entry: fs::DirEntry| {
            let about = entry.metadata().ok().filter(fs::Metadata::is_file)?;
            Some((about.modified().ok()?, about.len(), entry.path()))
        };
        let mut files: Vec<(SystemTime, u64, PathBuf)> = entries.filter_map(file).collect();
        let mut size: u64 = files.iter().map(|(_, length, _)| length).sum();
        if size <= self.largest {
            return;
        }
        files.sort();
        for (_, length, path) in files {
            if size <= self.largest / 10 * 9 {
                return;
            }
            // Another process may have removed it just now.
            let _ = fs::remove_file(path);
            size -= length;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn store(folder: &Path, largest: u64) -> Store {
        Store { folder: folder.join("speech"), largest }
    }

    fn key(name: &str) -> Key {
        Key(name.to_string())
    }

    #[test]
    fn what_was_put_is_got_and_nothing_else() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let store = store(room.path(), LARGEST);
        assert_eq!(store.get(&key("a")), None);
        store.put(&key("a"), &[1, -2, 3]);
        assert_eq!(store.get(&key("a")), Some(vec![1, -2, 3]));
        assert_eq!(store.get(&key("b")), None);
    }

    #[test]
    fn a_damaged_file_counts_as_missing_and_is_replaced() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let store = store(room.path(), LARGEST);
        let whole = vec![7; 1_000];
        store.put(&key("a"), &whole);
        let bytes = fs::read(store.path(&key("a"))).expect("it was written");
        for damaged in
            [&bytes[..bytes.len() - 5], &bytes[..20], b"", b"not sound at all, and longer than a header is"]
        {
            fs::write(store.path(&key("a")), damaged).expect("the folder is writable");
            assert_eq!(store.get(&key("a")), None, "{} bytes", damaged.len());
            store.put(&key("a"), &whole);
            assert_eq!(store.get(&key("a")), Some(whole.clone()));
        }
    }

    #[test]
    fn the_oldest_go_when_there_is_too_much() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let store = store(room.path(), 6_000);
        for (age, name) in ["a", "b", "c", "d"].iter().enumerate() {
            store.put(&key(name), &[1; 1_000]);
            let file = File::options().write(true).open(store.path(&key(name))).expect("it was written");
            let time = SystemTime::now() - std::time::Duration::from_secs(1_000 - age as u64);
            file.set_modified(time).expect("its time can be set");
        }
        store.make_room();
        let left = ["a", "b", "c", "d"].map(|name| store.get(&key(name)).is_some());
        assert_eq!(left, [false, false, true, true]);
    }

    #[test]
    fn a_folder_that_cannot_be_made_is_no_error() {
        let room = tempfile::tempdir().expect("a temporary folder");
        fs::write(room.path().join("speech"), b"a file").expect("the folder is writable");
        let store = store(room.path(), LARGEST);
        store.put(&key("a"), &[1]);
        assert_eq!(store.get(&key("a")), None);
    }
}
