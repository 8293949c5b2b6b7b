//! The sound of a session: `audio.wav`, one channel a track, all on the session's clock.
//!
//! Owns where a sample goes in the file and that the file can be played at any moment, also after the program was
//! killed. Must not know whose voice a track is or what was said.
//!
//! Samples are placed by absolute position, so tracks that come in fits and starts stay together; gaps are silence.
//! They wait in memory until `advance` says that nothing earlier will come, at most [`WINDOW`] samples of each track.

use super::chain::{hex, sha256_file};
use super::folder::AUDIO;
use super::moved::Missing;
use super::watch::{cut, harm, Length};
use super::{RecordError, SessionFolder};
use crate::audio::{wav, RATE};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::VecDeque;
use std::fs::File;
use std::io;
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// Samples of one track that wait in memory at most: a minute. A write beyond that moves the file on.
pub const WINDOW: u64 = 60 * RATE as u64;

/// The header is made good whenever this many samples were added: half a second.
const HEADER_EVERY: u64 = RATE as u64 / 2;

/// The sound's digest so far is taken whenever this many samples (of each track) were added: ten seconds.
pub const PIECE: u64 = 10 * RATE as u64;

/// Channels `create` accepts; more is a mistake, not a session.
const MAX_TRACKS: usize = 8;

const WRITING: &str = "write the audio track";
const COPYING: &str = "keep the sound in a new place";

/// The open audio file.
pub struct Tracks {
    file: File,
    path: PathBuf,
    names: Vec<String>,
    /// Samples from `written` on, one queue a track, each as long as it needs to be.
    pending: Vec<VecDeque<i16>>,
    /// Samples (of each track) in the file.
    written: u64,
    /// `written` when the header was last made good.
    header_at: u64,
    dropped: u64,
    /// A write failed; the file stays as it was then.
    failed: bool,
    /// Of every sample in the file.
    digest: Sha256,
    /// Digests that nobody has asked for yet.
    pieces: VecDeque<Piece>,
    /// Samples of each track up to every piece's end and the digest there: what can be read back is known by them. An hour
    /// takes 14 KB.
    ends: Vec<(u64, [u8; 32])>,
    /// What was seen before a write that would have hidden it.
    harmed: Option<String>,
}

/// What the file's sound was at one of its pieces' ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Piece {
    /// Samples of each track up to here.
    pub frames: u64,
    /// SHA-256 of all samples up to here as they stand in the file: 16 bits, little-endian, track by track.
    pub sha256: String,
}

/// What of a write could not be placed as asked.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
#[must_use = "late samples are lost; say so"]
pub struct Late {
    /// Samples that belong before what is in the file already; they are lost.
    pub dropped: u64,
    /// Samples by which the file had to be moved on because the write was more than `WINDOW` ahead of it.
    pub moved_on: u64,
}

/// What became of the audio.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finished {
    /// Samples of each track.
    pub samples: u64,
    /// Late samples, all tracks together.
    pub dropped: u64,
    /// SHA-256 of the closed file, 64 hex digits; goes into the journal's closing line as `audio_sha256`.
    pub sha256: String,
    /// Whether writing stopped early (told as an error when it happened).
    pub failed: bool,
}

impl Tracks {
    /// Makes `audio.wav` with one channel for each name, playable from the start. Errors: `AlreadyThere`,
    /// `NoSuchTrack` (none, or more than 8), `NotAllowed`, `DiskFull`, `Io`.
    pub fn create(folder: &SessionFolder, names: &[&str]) -> Result<Tracks, RecordError> {
        if names.is_empty() || names.len() > MAX_TRACKS {
            return Err(RecordError::NoSuchTrack { track: names.len(), tracks: MAX_TRACKS });
        }
        let (file, path) = folder.create_file(AUDIO)?;
        file.write_all_at(&wav::head(names.len() as u16, 0), 0) // at most MAX_TRACKS
            .map_err(|error| RecordError::io(WRITING, &path, error))?;
        folder.sync()?;
        Ok(Tracks {
            file,
            path,
            names: names.iter().map(|&name| name.to_owned()).collect(),
            pending: vec![VecDeque::new(); names.len()],
            written: 0,
            header_at: 0,
            dropped: 0,
            failed: false,
            digest: Sha256::new(),
            pieces: VecDeque::new(),
            ends: Vec::new(),
            harmed: None,
        })
    }

    /// The same tracks in a new place: the sound so far as it was written, on the disk, and ready for more. What can't be
    /// read back as it was written, or comes after that, is silence there. These tracks stay as they are.
    ///
    /// Errors: as `create`. What was written is left to whoever made the folder.
    pub fn copy_to(&self, folder: &SessionFolder) -> Result<(Tracks, Option<Missing>), RecordError> {
        let (file, path) = folder.create_file(AUDIO)?;
        let mut new = Tracks {
            file,
            path,
            names: self.names.clone(),
            pending: self.pending.clone(),
            written: self.written,
            header_at: 0,
            dropped: self.dropped,
            failed: self.failed,
            digest: Sha256::new(),
            pieces: self.pieces.clone(),
            ends: self.ends.clone(),
            harmed: None,
        };
        let there = new.take_over(self).map_err(|error| RecordError::io(COPYING, &new.path, error))?;
        new.ends.retain(|(end, _)| *end <= there);
        new.pieces.retain(|piece| piece.frames <= there);
        let missing = Missing { from_frames: there, to_frames: new.written };
        Ok((new, Some(missing).filter(|missing| missing.from_frames < missing.to_frames)))
    }

    /// Copies the sound of `old` as far as it is what was written, and silence for the rest. Returns how far, samples.
    fn take_over(&mut self, old: &Tracks) -> io::Result<u64> {
        let mut digest = Sha256::new();
        let (mut there, mut there_digest) = (0, Sha256::new());
        let last = (old.written, old.digest.clone().finalize().into());
        for (end, wanted) in old.ends.iter().copied().chain([last]) {
            if !self.copy(old, there..end, &mut digest)? {
                break;
            }
            let so_far: [u8; 32] = digest.clone().finalize().into();
            if so_far != wanted {
                break;
            }
            (there, there_digest) = (end, digest.clone());
        }
        self.digest = there_digest;
        // What lies beyond the end of a file when it is made longer reads as zeros.
        self.file.set_len(wav::HEAD + there * self.bytes_a_sample())?;
        self.file.set_len(wav::HEAD + self.data_length())?;
        let mut silent = (old.written - there) * self.bytes_a_sample();
        let silence = [0; 1 << 14];
        while silent > 0 {
            let take = silent.min(silence.len() as u64);
            self.digest.update(&silence[..take as usize]); // at most its length
            silent -= take;
        }
        self.make_header_good()?;
        self.file.sync_all()?;
        Ok(there)
    }

    /// Copies these samples. `false`: they can't be read.
    fn copy(&self, old: &Tracks, samples: Range<u64>, digest: &mut Sha256) -> io::Result<bool> {
        let byte = |sample: u64| wav::HEAD + sample * self.bytes_a_sample();
        let (mut at, end) = (byte(samples.start), byte(samples.end));
        let mut piece = vec![0; 1 << 16];
        while at < end {
            let take = piece.len().min(usize::try_from(end - at).unwrap_or(usize::MAX));
            if old.file.read_exact_at(&mut piece[..take], at).is_err() {
                return Ok(false);
            }
            self.file.write_all_at(&piece[..take], at)?;
            digest.update(&piece[..take]);
            at += take as u64;
        }
        Ok(true)
    }

    /// The tracks' names, in the order of the channels.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Samples of each track in the file.
    pub fn written(&self) -> u64 {
        self.written
    }

    /// Where a track's samples end, in the file or on their way to it.
    pub fn received(&self, track: usize) -> u64 {
        self.written + self.pending.get(track).map_or(0, |pending| pending.len() as u64)
    }

    /// What happened to the file from outside, in words; `None` when it is where and what it should be.
    pub fn harm(&self) -> Option<String> {
        self.harmed.clone().or_else(|| harm(&self.file, &self.path, self.due()))
    }

    /// The header may be older than the sound after it.
    fn due(&self) -> Length {
        Length::AtLeast(wav::HEAD + self.data_length())
    }

    /// The same file, for a thread that syncs it, and its name for messages.
    pub(super) fn another_handle(&self) -> Result<(File, PathBuf), RecordError> {
        let file = self.file.try_clone().map_err(|error| RecordError::io(WRITING, &self.path, error))?;
        Ok((file, self.path.clone()))
    }

    /// Nothing is written from now on; what is in the file stays and can be played.
    pub fn stop(&mut self) {
        if !self.failed {
            self.give_up();
        }
    }

    /// The next piece's end that lies at or before this many samples, once.
    pub fn piece(&mut self, up_to: u64) -> Option<Piece> {
        self.pieces.front().filter(|piece| piece.frames <= up_to)?;
        self.pieces.pop_front()
    }

    /// Whether there is one.
    pub fn has_piece(&self) -> bool {
        !self.pieces.is_empty()
    }

    /// Samples that came too late so far, all tracks together.
    pub fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Places samples on a track from position `at_sample` of the session's clock on. Where the track has samples
    /// already they are added, and clip at full scale.
    ///
    /// Errors: `NoSuchTrack`, `AudioTooLong` (nothing of this write is kept, everything before it is); when the file
    /// had to be moved on and could not be, `DiskFull` or `Io`, after which every call but `finish` is `Stopped`.
    pub fn write(&mut self, track: usize, at_sample: u64, samples: &[i16]) -> Result<Late, RecordError> {
        if track >= self.names.len() {
            return Err(RecordError::NoSuchTrack { track, tracks: self.names.len() });
        }
        self.check(at_sample.saturating_add(samples.len() as u64))?;
        let mut late = Late::default();
        let mut at = at_sample;
        // In pieces far shorter than the window, so that moving on for a piece's end never passes its beginning.
        for piece in samples.chunks(RATE as usize) {
            let end = at + piece.len() as u64;
            if end > self.written + WINDOW {
                late.moved_on += end - WINDOW - self.written;
                self.advance(end - WINDOW)?;
            }
            let missed = self.written.saturating_sub(at).min(piece.len() as u64);
            late.dropped += missed;
            self.dropped += missed;
            // At most WINDOW and piece.len(), so both fit any usize.
            let from = (at + missed).saturating_sub(self.written) as usize;
            self.mix(track, from, &piece[missed as usize..]);
            at = end;
        }
        Ok(late)
    }

    fn mix(&mut self, track: usize, from: usize, samples: &[i16]) {
        if samples.is_empty() {
            return;
        }
        let pending = &mut self.pending[track];
        let to = from + samples.len();
        if pending.len() < to {
            pending.resize(to, 0);
        }
        for (there, &sample) in pending.range_mut(from..to).zip(samples) {
            *there = there.saturating_add(sample);
        }
    }

    /// Writes everything before position `to_sample` to the file; what comes for it later is late. Errors as `write`.
    pub fn advance(&mut self, to_sample: u64) -> Result<(), RecordError> {
        self.check(to_sample)?;
        if self.written < to_sample && self.harmed.is_none() {
            self.harmed = cut(&self.file, &self.path, self.due());
        }
        while self.written < to_sample {
            let piece = PIECE - self.written % PIECE;
            let count = (to_sample - self.written).min(HEADER_EVERY).min(piece);
            let block = self.write_block(count as usize); // at most HEADER_EVERY
            let header_due = self.written - self.header_at >= HEADER_EVERY;
            let done = block.and_then(|()| if header_due { self.make_header_good() } else { Ok(()) });
            if let Err(error) = done {
                self.give_up();
                return Err(RecordError::io(WRITING, &self.path, error));
            }
        }
        Ok(())
    }

    fn write_block(&mut self, count: usize) -> io::Result<()> {
        let mut block = Vec::with_capacity(2 * count * self.pending.len());
        for at in 0..count {
            for track in &self.pending {
                block.extend_from_slice(&track.get(at).copied().unwrap_or(0).to_le_bytes());
            }
        }
        self.file.write_all_at(&block, wav::HEAD + self.data_length())?;
        self.digest.update(&block);
        for track in &mut self.pending {
            track.drain(..count.min(track.len()));
        }
        self.written += count as u64;
        if self.written.is_multiple_of(PIECE) {
            let sha256: [u8; 32] = self.digest.clone().finalize().into();
            self.ends.push((self.written, sha256));
            self.pieces.push_back(Piece { frames: self.written, sha256: hex(&sha256) });
        }
        Ok(())
    }

    fn make_header_good(&mut self) -> io::Result<()> {
        let channels = self.names.len() as u16; // at most MAX_TRACKS
        self.file.write_all_at(&wav::head(channels, self.data_length()), 0)?;
        self.header_at = self.written;
        Ok(())
    }

    /// Leaves a file that plays to where writing stopped. Its failures add nothing to the one being told.
    fn give_up(&mut self) {
        self.failed = true;
        self.pending.iter_mut().for_each(VecDeque::clear);
        let _ = self.make_header_good();
        let _ = self.file.set_len(wav::HEAD + self.data_length());
    }

    /// Makes the header good now; by itself this happens twice a second of sound. Errors as `write`.
    pub fn flush(&mut self) -> Result<(), RecordError> {
        self.check(0)?;
        self.make_header_good().map_err(|error| RecordError::io(WRITING, &self.path, error))
    }

    /// As `flush`, and makes what is in the file survive a power cut (fsync).
    pub fn sync(&mut self) -> Result<(), RecordError> {
        self.flush()?;
        self.file.sync_data().map_err(|error| RecordError::io(WRITING, &self.path, error))
    }

    /// Writes what is pending, closes the file for good and takes its digest. After a failed write it closes what
    /// there is.
    pub fn finish(mut self) -> Result<Finished, RecordError> {
        if !self.failed {
            let longest = self.pending.iter().map(VecDeque::len).max().unwrap_or(0);
            self.advance(self.written + longest as u64)?;
        }
        self.make_header_good().map_err(|error| RecordError::io(WRITING, &self.path, error))?;
        let Tracks { file, path, written: samples, dropped, failed, .. } = self;
        file.sync_all().map_err(|error| RecordError::io(WRITING, &path, error))?;
        let sha256 = sha256_file(&path).map_err(|error| RecordError::io("read the audio", &path, error))?;
        Ok(Finished { samples, dropped, sha256, failed })
    }

    /// Bytes of sound in the file.
    fn data_length(&self) -> u64 {
        self.written * self.bytes_a_sample()
    }

    fn bytes_a_sample(&self) -> u64 {
        2 * self.names.len() as u64
    }

    /// Whether the file may still grow to `to_sample`.
    fn check(&self, to_sample: u64) -> Result<(), RecordError> {
        if self.failed {
            return Err(RecordError::Stopped { path: self.path.clone() });
        }
        // RIFF counts the file's bytes after the first eight in 32 bits.
        let most = (u64::from(u32::MAX) + 8 - wav::HEAD) / self.bytes_a_sample();
        if to_sample > most {
            let seconds = most / u64::from(RATE);
            return Err(RecordError::AudioTooLong { path: self.path.clone(), seconds });
        }
        Ok(())
    }
}
