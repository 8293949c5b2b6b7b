//! Microphone blocks to sound at [`RATE`], off the sound system's thread.
//!
//! Owns the filling of gaps (frames that were dropped become silence, so that positions go on meaning time) and the
//! smoothing of times. Must not know what listens to the sound.

use super::mic::Block;
use super::resample::Resampler;
use super::{AudioError, RATE};
use std::time::{Duration, Instant};

/// Longest gap that is filled frame by frame, seconds; a longer one is a broken stream, not a gap.
const LONGEST_GAP_S: u64 = 10;

/// What one block became.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// Samples before this piece since the stream began.
    pub at: u64,
    /// When the first of these samples was captured: the blocks' own times, smoothed.
    pub captured: Instant,
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
    /// When the stream's first frame was captured, by all that is known so far.
    start: Option<Instant>,
}

/// Share of a block's own time in the smoothed one. On a busy machine the sound server's times were seen to jump by 70
/// ms; real clocks drift by less than 0.1 ms a second, which this follows.
const TRUST: f64 = 0.02;
/// A stream that is this far from its own clock has been paused.
const PAUSED: Duration = Duration::from_millis(300);

impl Converter {
    /// `rate`: the microphone's, Hz.
    pub fn new(rate: u32) -> Result<Converter, AudioError> {
        Ok(Converter { resampler: Resampler::new(rate)?, rate, expected: 0, at: 0, start: None })
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
        let start = self.smooth(block);
        let captured = start + length(at, RATE);
        let shift = length(self.resampler.shift() as u64, RATE);
        Piece { at, captured: captured.checked_sub(shift).unwrap_or(captured), samples, lost_frames: lost }
    }

    fn smooth(&mut self, block: &Block) -> Instant {
        let age = length(block.at, self.rate);
        // A clock younger than its own stream can't be; then the block's time is all there is.
        let before = block.captured.checked_sub(age).unwrap_or(block.captured);
        let start = match self.start {
            Some(start) if before > start && before - start < PAUSED => {
                start + (before - start).mul_f64(TRUST)
            }
            Some(start) if start >= before && start - before < PAUSED => {
                start - (start - before).mul_f64(TRUST)
            }
            _ => before,
        };
        self.start = Some(start);
        start
    }
}

/// How long so many frames last.
fn length(frames: u64, rate: u32) -> Duration {
    Duration::from_secs_f64(frames as f64 / f64::from(rate))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::Post;

    fn block(at: u64, len: u16, value: f32) -> Block {
        Block { post: Post::Room, seq: 0, at, captured: Instant::now(), len, samples: [value; 480] }
    }

    #[test]
    fn times_are_smoothed_but_follow_the_clock() {
        let mut converter = Converter::new(16_000).unwrap();
        let start = Instant::now();
        for number in 0..3000_u64 {
            // 100 ppm fast, and every third block seems 40 ms late.
            let real = start + Duration::from_secs_f64(number as f64 * 0.02 * 0.9999);
            let jitter = if number % 3 == 2 { 40 } else { 0 };
            let mut block = block(number * 320, 320, 0.0);
            block.captured = real + Duration::from_millis(jitter);
            let captured = converter.push(&block).captured;
            let off = captured.max(real) - captured.min(real);
            assert!(off < Duration::from_millis(20), "{off:?} off at block {number}");
        }
    }

    #[test]
    fn after_a_pause_times_are_right_at_once() {
        let mut converter = Converter::new(48_000).unwrap();
        let first = converter.push(&block(0, 480, 0.0)).captured;
        let mut later = block(480, 480, 0.0);
        later.captured += Duration::from_secs(5);
        let next = converter.push(&later).captured;
        assert!((next - first).abs_diff(Duration::from_secs(5)) < Duration::from_millis(20));
    }

    #[test]
    fn blocks_at_the_inner_rate_pass_unchanged() {
        let mut converter = Converter::new(16_000).unwrap();
        let piece = converter.push(&block(0, 3, 0.5));
        assert_eq!((piece.at, piece.samples, piece.lost_frames), (0, vec![16_384; 3], 0));
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
