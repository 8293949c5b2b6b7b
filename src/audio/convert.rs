//! Microphone blocks to sound at [`RATE`](super::RATE), off the sound system's thread.
//!
//! Owns the filling of gaps: frames that were dropped become silence, so that positions go on meaning time. Must not
//! know what listens to the sound.

use super::mic::Block;
use super::resample::Resampler;
use super::AudioError;

/// Longest gap that is filled frame by frame, seconds; a longer one is a broken stream, not a gap.
const LONGEST_GAP_S: u64 = 10;

/// What one block became.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// Samples before this piece since the stream began.
    pub at: u64,
    pub samples: Vec<i16>,
    /// Frames missing before the block, at the microphone's rate; silence stands for them.
    pub lost_frames: u64,
}

/// One microphone's converter.
pub struct Converter {
    resampler: Resampler,
    rate: u32,
    expected: u64,
    at: u64,
}

impl Converter {
    /// `rate`: the microphone's, Hz.
    pub fn new(rate: u32) -> Result<Converter, AudioError> {
        Ok(Converter { resampler: Resampler::new(rate)?, rate, expected: 0, at: 0 })
    }

    /// The microphone's rate, Hz.
    pub fn rate(&self) -> u32 {
        self.rate
    }

    /// How much later sound comes out than it went in, ms at most.
    pub fn delay_ms(&self) -> f32 {
        self.resampler.delay_ms()
    }

    /// Takes the next block of this microphone.
    pub fn push(&mut self, block: &Block) -> Piece {
        let lost = block.at.saturating_sub(self.expected);
        let mut samples = Vec::new();
        let mut fill = lost.min(LONGEST_GAP_S * u64::from(self.rate));
        while fill > 0 {
            let part = fill.min(480);
            samples.extend(self.resampler.push(&[0.0; 480][..part as usize]));
            fill -= part;
        }
        let len = usize::from(block.len).min(block.samples.len());
        samples.extend(self.resampler.push(&block.samples[..len]));
        self.expected = block.at + len as u64;
        let at = self.at;
        self.at += samples.len() as u64;
        Piece { at, samples, lost_frames: lost }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::Post;
    use std::time::Instant;

    fn block(at: u64, len: u16, value: f32) -> Block {
        Block { post: Post::Room, seq: 0, at, captured: Instant::now(), len, samples: [value; 480] }
    }

    #[test]
    fn blocks_at_the_inner_rate_pass_unchanged() {
        let mut converter = Converter::new(16_000).unwrap();
        let piece = converter.push(&block(0, 3, 0.5));
        assert_eq!(piece, Piece { at: 0, samples: vec![16_384; 3], lost_frames: 0 });
        assert_eq!(converter.push(&block(3, 2, 0.5)).at, 3);
    }

    #[test]
    fn a_gap_becomes_silence_of_the_same_length() {
        let mut converter = Converter::new(16_000).unwrap();
        converter.push(&block(0, 480, 0.5));
        let piece = converter.push(&block(1480, 1, 0.5));
        assert_eq!(piece.lost_frames, 1000);
        assert_eq!(piece.samples.len(), 1001);
        assert!(piece.samples[..1000].iter().all(|&s| s == 0));
        assert_eq!(piece.samples[1000], 16_384);
    }

    #[test]
    fn a_minute_at_48_khz_is_a_minute_even_with_gaps() {
        let mut converter = Converter::new(48_000).unwrap();
        let mut total = 0;
        for number in 0..6000_u64 {
            if number % 10 != 3 {
                total += converter.push(&block(number * 480, 480, 0.1)).samples.len();
            }
        }
        let missing_ms = (960_000.0 - total as f32) / 16.0;
        assert!((0.0..=converter.delay_ms()).contains(&missing_ms), "{missing_ms}");
    }

    #[test]
    fn a_nonsense_position_does_not_fill_the_memory() {
        let mut converter = Converter::new(16_000).unwrap();
        let piece = converter.push(&block(u64::MAX / 2, 1, 0.5));
        assert!(piece.samples.len() <= 160_001);
    }
}
