//! How far the journal vouches for the sound: its digest in pieces, and the whole file's.
//!
//! Owns reading `audio.wav` for its digests, whatever its header promises. Must not judge what a difference means.

use super::chain::hex;
use super::journal::SOUND;
use super::moved::Moved;
use super::read::Line;
use crate::audio::RATE;
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::collections::VecDeque;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

/// The sound up to here, as the journal says it was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Stated {
    /// The line in the journal, from 1.
    pub line: usize,
    /// Samples of each track.
    pub frames: u64,
    /// `None` where that sound is not there: it was missing when the record was made anew, or moved.
    pub sha256: Option<String>,
}

/// The pieces that a journal states, in its order; `Err` with the line that states none properly. Lines that do not fit
/// their own digest say nothing.
pub(super) fn stated(lines: &[Line]) -> Result<Vec<Stated>, usize> {
    let mut all: Vec<Stated> = Vec::new();
    for line in lines {
        if let Some(missing) = Moved::of(line).and_then(|moved| moved.sound_missing) {
            let gone = all.iter_mut().filter(|piece| piece.frames > missing.from_frames);
            gone.for_each(|piece| piece.sha256 = None);
        }
        if line.kind != SOUND || !line.sound {
            continue;
        }
        let frames = line.body.get("frames").and_then(Value::as_u64).ok_or(line.line)?;
        let sha256 = match line.body.get("sha256") {
            Some(Value::String(sha256)) => Some(sha256.clone()),
            Some(Value::Null) => None,
            _ => return Err(line.line),
        };
        if all.last().is_some_and(|before| before.frames >= frames) {
            return Err(line.line);
        }
        all.push(Stated { line: line.line, frames, sha256 });
    }
    Ok(all)
}

/// What a WAV file's header says, and what is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Shape {
    pub tracks: u16,
    /// Bytes before the first sample.
    pub begins: u64,
    /// Samples of each track that the header promises.
    pub promised: u64,
    /// Samples of each track that are in the file, whole ones.
    pub there: u64,
}

impl Shape {
    /// Seconds that can be played.
    pub fn seconds(&self) -> f64 {
        self.promised.min(self.there) as f64 / f64::from(RATE)
    }
}

/// Errors: in words, when it can't be played.
pub(super) fn shape(file: &File) -> Result<Shape, String> {
    let len = file.metadata().map_err(|error| error.to_string())?.len();
    let reader = hound::WavReader::new(file).map_err(|error| error.to_string())?;
    let spec = reader.spec();
    if spec.sample_rate != RATE || spec.bits_per_sample != 16 || spec.channels == 0 {
        return Err(format!("not 16-bit sound at {RATE} Hz"));
    }
    let promised = u64::from(reader.duration());
    let begins = reader.into_inner().stream_position().map_err(|error| error.to_string())?;
    let there = len.saturating_sub(begins) / (2 * u64::from(spec.channels));
    Ok(Shape { tracks: spec.channels, begins, promised, there })
}

/// The digests of a file's sound up to each of these ends (samples of each track, rising). Those that lie beyond the end
/// of the sound are left out.
pub(super) fn digests(file: &mut File, shape: Shape, ends: &[u64]) -> io::Result<Vec<String>> {
    file.seek(SeekFrom::Start(shape.begins))?;
    let mut at = Pieces::new(ends, shape.tracks);
    let most = ends.iter().copied().take_while(|end| *end <= shape.there).max().unwrap_or(0);
    let mut left = most * 2 * u64::from(shape.tracks);
    let mut piece = vec![0; 1 << 16];
    while left > 0 {
        let take = piece.len().min(usize::try_from(left).unwrap_or(usize::MAX));
        file.read_exact(&mut piece[..take])?;
        at.push(&piece[..take]);
        left -= take as u64;
    }
    Ok(at.digests)
}

/// Digests of a stream of bytes at given ends.
pub(super) struct Pieces {
    digest: Sha256,
    /// Bytes so far.
    at: u64,
    /// Ends to come, bytes.
    ends: VecDeque<u64>,
    pub digests: Vec<String>,
}

impl Pieces {
    /// `ends` in samples of each track, rising.
    pub fn new(ends: &[u64], tracks: u16) -> Pieces {
        let bytes = |end: &u64| end.saturating_mul(2 * u64::from(tracks));
        Pieces { digest: Sha256::new(), at: 0, ends: ends.iter().map(bytes).collect(), digests: Vec::new() }
    }

    pub fn push(&mut self, mut bytes: &[u8]) {
        while let Some(end) = self.ends.front() {
            let until = usize::try_from(end - self.at).unwrap_or(usize::MAX);
            if until > bytes.len() {
                break;
            }
            let (before, after) = bytes.split_at(until);
            self.digest.update(before);
            self.at = *end;
            self.digests.push(hex(&self.digest.clone().finalize()));
            self.ends.pop_front();
            bytes = after;
        }
        self.digest.update(bytes);
        self.at += bytes.len() as u64;
    }
}

#[cfg(test)]
mod tests {
    use super::super::chain::sha256_hex;
    use super::*;

    #[test]
    fn digests_are_those_of_all_bytes_up_to_each_end_however_the_bytes_come() {
        let bytes: Vec<u8> = (0..=255).collect();
        for size in [1, 3, 64, 256] {
            let mut pieces = Pieces::new(&[0, 5, 32, 1000], 2);
            bytes.chunks(size).for_each(|chunk| pieces.push(chunk));
            let wanted = [&bytes[..0], &bytes[..20], &bytes[..128]].map(sha256_hex);
            assert_eq!(pieces.digests, wanted, "{size}");
        }
    }
}
