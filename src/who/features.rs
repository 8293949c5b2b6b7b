//! Sound to what the network of voices looks at: the log power in 80 bands, 25 ms every 10 ms, as it was taught.
//!
//! Owns frames and filters, those of Kaldi's filter bank (its documentation; Povey's window). Must not know the network.

use crate::audio::bands::{triangles, Bands};
use crate::audio::RATE;

/// Rows of what comes out.
pub(super) const BANDS: usize = 80;
/// Samples of a frame, 25 ms, and between the beginnings of two, 10 ms.
const FRAME: usize = 400;
const HOP: usize = 160;
/// Samples of the transform: a frame and zeros.
const TRANSFORM: usize = 512;
/// Where the bands begin, Hz; they end at half the rate.
const LOWEST: f64 = 20.0;
/// Each sample less so much of the one before it.
const EMPHASIS: f32 = 0.97;
/// Power below which it is silence.
const LEAST: f32 = f32::EPSILON;

pub(super) struct Features {
    bands: Bands,
    window: Vec<f32>,
}

impl Default for Features {
    fn default() -> Self {
        let mel = |hertz: f64| 1_127.0 * (1.0 + hertz / 700.0).ln();
        let (low, high) = (mel(LOWEST), mel(f64::from(RATE) / 2.0));
        let edges: Vec<f64> =
            (0..BANDS + 2).map(|n| low + n as f64 * (high - low) / (BANDS + 1) as f64).collect();
        let bins: Vec<f64> =
            (0..=TRANSFORM / 2).map(|bin| mel(bin as f64 * f64::from(RATE) / TRANSFORM as f64)).collect();
        let turn = |n: usize| std::f64::consts::TAU * n as f64 / (FRAME - 1) as f64;
        Features {
            bands: Bands::new(TRANSFORM, &triangles(&edges, &bins)),
            window: (0..FRAME).map(|n| (0.5 - 0.5 * turn(n).cos()).powf(0.85) as f32).collect(),
        }
    }
}

impl Features {
    /// `BANDS` rows, one value for each whole frame, each row less its mean.
    pub(super) fn of(&mut self, sound: &[f32]) -> Vec<f32> {
        let mut rows = self.logs(sound);
        let frames = rows.len() / BANDS;
        for row in rows.chunks_exact_mut(frames.max(1)) {
            let mean = row.iter().map(|value| f64::from(*value)).sum::<f64>() / frames as f64;
            row.iter_mut().for_each(|value| *value -= mean as f32);
        }
        rows
    }

    /// The same before the mean is taken off.
    pub(super) fn logs(&mut self, sound: &[f32]) -> Vec<f32> {
        let frames = if sound.len() < FRAME { 0 } else { 1 + (sound.len() - FRAME) / HOP };
        let mut rows = vec![0.0; BANDS * frames];
        for at in 0..frames {
            let piece = &sound[at * HOP..at * HOP + FRAME];
            let window = &self.window;
            let power = self.bands.of(|frame| shape(piece, window, frame));
            for (band, power) in power.enumerate() {
                rows[band * frames + at] = power.max(LEAST).ln();
            }
        }
        rows
    }
}

/// A frame without its mean, the treble raised, under the window.
fn shape(piece: &[f32], window: &[f32], frame: &mut [f32]) {
    let mean = (piece.iter().map(|value| f64::from(*value)).sum::<f64>() / FRAME as f64) as f32;
    let mut before = piece[0] - mean;
    for ((value, sample), weight) in frame.iter_mut().zip(piece).zip(window) {
        let sample = sample - mean;
        *value = (sample - EMPHASIS * before) * weight;
        before = sample;
    }
    frame[FRAME..].fill(0.0);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sound_shorter_than_a_frame_has_none_and_the_last_begun_one_is_left_out() {
        let frames = |samples: usize| Features::default().of(&vec![0.1; samples]).len() / BANDS;
        assert_eq!([0, 1, 399, 400, 559, 560].map(frames), [0, 0, 0, 1, 1, 2]);
    }

    #[test]
    fn a_tone_is_loudest_in_its_band_and_every_row_has_the_mean_nothing() {
        let tone: Vec<f32> =
            (0..8_000).map(|n| (std::f32::consts::TAU * 1_000.0 * n as f32 / 16_000.0).sin() * 0.1).collect();
        let mut features = Features::default();
        let logs = features.logs(&tone);
        let frames = logs.len() / BANDS;
        let loudest =
            (0..BANDS).max_by(|a, b| logs[a * frames + 9].total_cmp(&logs[b * frames + 9])).unwrap();
        // 1 kHz is 999.99 mel; from 31.75 to 2840.04 there are 81 steps of 34.67: 27.93 of them, band 26.93 from 0.
        assert_eq!(loudest, 27);
        for row in features.of(&tone).chunks_exact(frames) {
            assert!(row.iter().sum::<f32>().abs() < 1e-2, "{row:?}");
        }
    }
}
