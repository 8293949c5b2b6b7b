//! Sound to a log-mel spectrogram, as Whisper's network was trained on: 80 bands, 25 ms windows every 10 ms.
//!
//! Owns the filters and the frames. Must not know what the spectrogram is for.
//! Scale and filters: M. Slaney, Auditory Toolbox, 1998 (linear below 1 kHz, each filter of the same area).

use crate::audio::bands::{triangles, Bands};

/// Bands of the spectrogram.
pub const BANDS: usize = 80;
/// Samples between two frames: 10 ms at 16 kHz.
pub const HOP: usize = 160;
const WINDOW: usize = 400;
const RATE: f64 = 16_000.0;
/// Power below which it is silence, and how far below the loudest everything is cut off, in log10.
const LEAST: f32 = 1e-10;
const RANGE: f32 = 8.0;

pub struct LogMel {
    bands: Bands,
    window: Vec<f32>,
}

/// `BANDS` rows of `frames` values each, about -1 to 1.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Spectrogram {
    pub values: Vec<f32>,
    pub frames: usize,
}

impl Spectrogram {
    /// The same with silence after it, or cut off, so that it has so many frames.
    pub fn of_frames(&self, frames: usize) -> Spectrogram {
        let silence = self.values.iter().copied().fold(f32::INFINITY, f32::min).min(0.0);
        let kept = frames.min(self.frames);
        let mut values = vec![silence; BANDS * frames];
        for (row, from) in
            values.chunks_exact_mut(frames.max(1)).zip(self.values.chunks_exact(self.frames.max(1)))
        {
            row[..kept].copy_from_slice(&from[..kept]);
        }
        Spectrogram { values, frames }
    }
}

impl Default for LogMel {
    fn default() -> Self {
        let turn = |n: usize| std::f64::consts::TAU * n as f64 / WINDOW as f64;
        LogMel {
            bands: Bands::new(WINDOW, &filters(RATE, WINDOW, BANDS)),
            window: (0..WINDOW).map(|n| (0.5 - 0.5 * turn(n).cos()) as f32).collect(),
        }
    }
}

impl LogMel {
    /// Of mono sound at 16 kHz, in full-scale units: one frame for every `HOP` samples.
    pub fn of(&mut self, samples: &[f32]) -> Spectrogram {
        let frames = samples.len() / HOP;
        let mut values = vec![0.0f32; BANDS * frames];
        for at in 0..frames {
            let window = &self.window;
            let power = self.bands.of(|frame| around(samples, at * HOP, window, frame));
            for (band, power) in power.enumerate() {
                values[band * frames + at] = power.max(LEAST).log10();
            }
        }
        let loudest = values.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        values.iter_mut().for_each(|value| *value = (value.max(loudest - RANGE) + 4.0) / 4.0);
        Spectrogram { values, frames }
    }
}

/// The window around a sample; sound is mirrored at both ends.
fn around(samples: &[f32], middle: usize, window: &[f32], frame: &mut [f32]) {
    let last = samples.len() as isize - 1;
    for (n, value) in frame.iter_mut().enumerate() {
        let mut at = middle as isize + n as isize - (WINDOW / 2) as isize;
        if at < 0 {
            at = -at;
        }
        if at > last {
            at = 2 * last - at;
        }
        *value = window[n] * samples[at.clamp(0, last) as usize];
    }
}

/// Weights of each bin of a transform of `size` samples in each of so many bands, from 0 Hz to half the rate.
fn filters(rate: f64, size: usize, bands: usize) -> Vec<Vec<f64>> {
    // 200/3 Hz a mel up to 1 kHz, then 27 mels for each factor of 6.4.
    const LINEAR: f64 = 200.0 / 3.0;
    let step = 6.4f64.ln() / 27.0;
    let mel = |hertz: f64| match hertz < 1_000.0 {
        true => hertz / LINEAR,
        false => 15.0 + (hertz / 1_000.0).ln() / step,
    };
    let hertz = |mel: f64| match mel < 15.0 {
        true => mel * LINEAR,
        false => 1_000.0 * ((mel - 15.0) * step).exp(),
    };
    let top = mel(rate / 2.0);
    let edges: Vec<f64> = (0..bands + 2).map(|n| hertz(top * n as f64 / (bands + 1) as f64)).collect();
    let bins: Vec<f64> = (0..=size / 2).map(|bin| bin as f64 * rate / size as f64).collect();
    let mut rows = triangles(&edges, &bins);
    for (row, edge) in rows.iter_mut().zip(edges.windows(3)) {
        row.iter_mut().for_each(|weight| *weight = *weight * 2.0 / (edge[2] - edge[0]));
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The documentation of librosa's `filters.mel` prints these for 22,050 Hz, 2,048 samples and 128 bands: row 0 begins
    /// 0, 0.016; the other rows shown begin with 0.
    #[test]
    fn the_filters_are_those_that_librosa_s_documentation_prints() {
        let rows = filters(22_050.0, 2_048, 128);
        assert_eq!((rows.len(), rows[0].len()), (128, 1_025));
        let shown = |value: f64| (value * 1_000.0).round() / 1_000.0;
        assert_eq!((shown(rows[0][0]), shown(rows[0][1])), (0.0, 0.016));
        for row in &rows[1..] {
            assert_eq!(shown(row[0]), 0.0);
            assert_eq!(*row.last().unwrap(), 0.0);
        }
    }

    /// Slaney's filters have the same area each, so that white noise has the same level in every band; with bins so wide
    /// that some low bands have only one, on average.
    #[test]
    fn every_filter_has_the_area_one() {
        let rows = filters(16_000.0, 4_096, 80);
        for (band, row) in rows.iter().enumerate() {
            let area: f64 = row.iter().sum::<f64>() * 16_000.0 / 4_096.0;
            assert!((area - 1.0).abs() < 0.03, "band {band}: {area}");
        }
    }

    #[test]
    fn a_tone_is_loudest_in_its_band_and_silence_is_flat() {
        let tone: Vec<f32> =
            (0..16_000).map(|n| (std::f32::consts::TAU * 1_000.0 * n as f32 / 16_000.0).sin()).collect();
        let seen = LogMel::default().of(&tone);
        assert_eq!(seen.frames, 100);
        let at = |band: usize| seen.values[band * seen.frames + 50];
        let loudest = (0..BANDS).max_by(|a, b| at(*a).total_cmp(&at(*b))).unwrap();
        // 1 kHz is 15 of 45.2456 mels, and there are 81 steps: band 25.85 from 1.
        assert!((25..=26).contains(&loudest), "{loudest}");
        let nothing = LogMel::default().of(&[0.0; 1_600]);
        assert!(nothing.values.iter().all(|value| *value == nothing.values[0]));
    }

    #[test]
    fn sound_shorter_than_a_window_or_a_frame_is_no_error() {
        for samples in [0, 1, 159, 160, 199, 201] {
            assert_eq!(LogMel::default().of(&vec![0.1; samples]).frames, samples / HOP);
        }
    }

    #[test]
    fn padding_is_the_quietest_value_and_cutting_keeps_the_beginning() {
        let seen =
            Spectrogram { values: (0..BANDS * 2).map(|n| n as f32 / 100.0 - 0.5).collect(), frames: 2 };
        let longer = seen.of_frames(3);
        assert_eq!((longer.frames, &longer.values[..4]), (3, &[-0.5, -0.49, -0.5, -0.48][..]));
        assert_eq!(seen.of_frames(1).values[..2], [-0.5, -0.48]);
    }
}
