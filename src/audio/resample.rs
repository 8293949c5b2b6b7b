//! Any sample rate to [`RATE`], and back for loudspeakers: whole clips, and streams without gaps at block borders.
//!
//! Owns the choice of filter. Must not know where the samples come from. The work is rubato's FFT resampler: linear
//! phase, band limit about 7 kHz at 20 ms blocks, everything that would alias more than 60 dB down (tested below).

use super::{to_i16, AudioError, RATE};
use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Fft, FixedSync, Resampler as _};

/// Sample rates that are taken, Hz. Below, there is too little speech left to hear; above, a header is nonsense.
pub const RATES: std::ops::RangeInclusive<u32> = 4_000..=384_000;

/// Whole clip from one rate to the other, both in Hz; the output lines up with the input and is as long in time.
pub fn clip(samples: &[f32], from: u32, to: u32) -> Result<Vec<f32>, AudioError> {
    if from == to || samples.is_empty() {
        return Ok(samples.to_vec());
    }
    let mut fft = resampler(from, to, 1024)?;
    let input = InterleavedSlice::new(samples, 1, samples.len())
        .expect("a mono slice holds exactly as many frames as samples");
    let output = fft.process_all(&input, samples.len(), None).map_err(|why| inner(from, to, why))?;
    Ok(output.take_data())
}

fn resampler(from: u32, to: u32, block: usize) -> Result<Fft<f32>, AudioError> {
    for rate in [from, to] {
        if !RATES.contains(&rate) {
            return Err(inner(from, to, format!("{rate} Hz is outside 4 to 384 kHz")));
        }
    }
    Fft::new(from as usize, to as usize, block, 1, FixedSync::Both).map_err(|why| inner(from, to, why))
}

fn inner(from: u32, to: u32, why: impl std::fmt::Display) -> AudioError {
    AudioError::Device {
        device: format!("resampler from {from} Hz to {to} Hz"),
        why: why.to_string(),
        fix: "use 16, 44.1 or 48 kHz".into(),
    }
}

/// A stream from any rate to [`RATE`]. What comes out is later than what went in by at most [`Resampler::delay_ms`].
pub struct Resampler {
    /// `None` when there is nothing to do.
    fft: Option<Fft<f32>>,
    waiting: Vec<f32>,
    out: Vec<f32>,
    from: u32,
}

impl Resampler {
    /// `from` in Hz. Fails for rates outside [`RATES`].
    pub fn new(from: u32) -> Result<Resampler, AudioError> {
        if from == RATE {
            return Ok(Resampler { fft: None, waiting: Vec::new(), out: Vec::new(), from });
        }
        let fft = resampler(from, RATE, from as usize / 50)?;
        let out = vec![0.0; fft.output_frames_max()];
        let waiting = Vec::with_capacity(4 * fft.input_frames_max());
        Ok(Resampler { fft: Some(fft), waiting, out, from })
    }

    /// Longest time a sample spends inside, ms: one block, and the filter's own delay.
    pub fn delay_ms(&self) -> f32 {
        self.fft.as_ref().map_or(0.0, |fft| {
            1000.0 * fft.input_frames_max() as f32 / self.from as f32
                + 1000.0 * fft.output_delay() as f32 / RATE as f32
        })
    }

    /// How far the output's positions lie behind the input's, samples at [`RATE`]: the filter's own delay.
    pub fn shift(&self) -> usize {
        self.fft.as_ref().map_or(0, |fft| fft.output_delay())
    }

    /// Takes any number of samples (-1 to 1) and returns those that are ready, 0 or more.
    pub fn push(&mut self, samples: &[f32]) -> Vec<i16> {
        let Some(fft) = &mut self.fft else {
            return samples.iter().copied().map(to_i16).collect();
        };
        self.waiting.extend_from_slice(samples);
        let mut ready = Vec::new();
        let mut used = 0;
        while self.waiting.len() - used >= fft.input_frames_next() {
            let frames = fft.input_frames_next();
            let room = self.out.len();
            let input = InterleavedSlice::new(&self.waiting[used..used + frames], 1, frames)
                .expect("the slice was cut to this many frames");
            let mut output = InterleavedSlice::new_mut(&mut self.out, 1, room)
                .expect("a mono slice holds exactly as many frames as samples");
            let (read, written) = fft
                .process_into_buffer(&input, &mut output, None)
                .expect("both buffers are as large as the resampler asked for");
            used += read;
            ready.extend(self.out[..written].iter().copied().map(to_i16));
        }
        self.waiting.drain(..used);
        ready
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn sine(hz: f64, rate: u32, seconds: f64) -> Vec<f32> {
        let count = (f64::from(rate) * seconds) as usize;
        (0..count).map(|n| (0.5 * (TAU * hz * n as f64 / f64::from(rate)).sin()) as f32).collect()
    }

    /// Amplitude of one frequency by correlation over whole seconds, relative to full scale.
    fn amplitude(samples: &[f32], hz: f64) -> f64 {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, sample) in samples.iter().enumerate() {
            let angle = TAU * hz * n as f64 / f64::from(RATE);
            re += f64::from(*sample) * angle.cos();
            im += f64::from(*sample) * angle.sin();
        }
        2.0 * (re * re + im * im).sqrt() / samples.len() as f64
    }

    fn stream(samples: &[f32], from: u32, block: usize) -> Vec<f32> {
        let mut resampler = Resampler::new(from).unwrap();
        samples.chunks(block).flat_map(|part| resampler.push(part)).map(crate::audio::to_f32).collect()
    }

    fn decibels(ratio: f64) -> f64 {
        20.0 * ratio.log10()
    }

    #[test]
    fn a_1_khz_sine_keeps_its_pitch_and_level_whatever_the_blocks() {
        for from in [44_100, 48_000, 22_050, 8_000, 96_000] {
            for block in [1, 37, 441, 480, 1024] {
                let out = stream(&sine(1000.0, from, 2.2), from, block);
                let steady = &out[1600..1600 + 16_000];
                let level = decibels(amplitude(steady, 1000.0) / 0.5);
                assert!(level.abs() < 0.1, "{from} Hz, blocks of {block}: {level:.3} dB");
                // What is not the sine, gaps and steps at block borders among it, is more than 60 dB down.
                let power: f64 = steady.iter().map(|s| f64::from(s * s)).sum::<f64>() / steady.len() as f64;
                let rest = (power - amplitude(steady, 1000.0).powi(2) / 2.0).max(1e-12);
                let rest_db = 10.0 * (rest / power).log10();
                assert!(rest_db < -60.0, "{from} Hz, blocks of {block}: the rest is {rest_db:.1} dB");
            }
        }
    }

    #[test]
    fn nothing_above_the_band_comes_back_as_an_alias() {
        for from in [44_100_u32, 48_000] {
            for hz in [8_200.0, 8_500.0, 9_000.0, 10_000.0, 12_000.0, 15_000.0, 17_000.0, 20_000.0] {
                let out = stream(&sine(hz, from, 2.2), from, 441);
                let steady = &out[1600..1600 + 16_000];
                let power: f64 = steady.iter().map(|s| f64::from(s * s)).sum::<f64>() / steady.len() as f64;
                let level = 10.0 * (power.max(1e-12) / 0.125).log10();
                assert!(level < -60.0, "{hz} Hz at {from} Hz leaves {level:.1} dB");
            }
        }
    }

    #[test]
    fn a_stream_loses_no_samples_beyond_its_delay() {
        for from in [44_100, 48_000] {
            let resampler = Resampler::new(from).unwrap();
            let out = stream(&sine(300.0, from, 3.0), from, 480);
            let missing_ms = (48_000.0 - out.len() as f32) / 16.0;
            assert!(missing_ms <= resampler.delay_ms(), "{missing_ms} ms of {} ms", resampler.delay_ms());
            assert!(resampler.delay_ms() <= 45.0, "{} ms", resampler.delay_ms());
        }
    }

    #[test]
    fn a_stream_is_late_by_its_shift() {
        for from in [16_000_u32, 44_100, 48_000] {
            let mut samples = vec![0.0_f32; from as usize];
            samples[from as usize / 2] = 1.0;
            let out = stream(&samples, from, 480);
            let peak = out.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap().0;
            assert!(peak.abs_diff(8_000 + Resampler::new(from).unwrap().shift()) <= 1, "{from} Hz: {peak}");
        }
    }

    #[test]
    fn speech_up_to_7_khz_passes() {
        for from in [44_100, 48_000] {
            let out = stream(&sine(7000.0, from, 2.2), from, 480);
            let level = decibels(amplitude(&out[1600..17_600], 7000.0) / 0.5);
            assert!(level > -1.0, "{from} Hz: {level:.2} dB");
        }
    }

    #[test]
    fn a_clip_lines_up_with_what_it_came_from() {
        for from in [8_000_u32, 11_025, 22_050, 44_100, 48_000, 47_999] {
            let mut samples = vec![0.0_f32; from as usize];
            samples[from as usize / 2] = 1.0;
            let out = clip(&samples, from, RATE).unwrap();
            assert!(out.len().abs_diff(16_000) <= 1, "{from} Hz: {} samples", out.len());
            let peak = out.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap().0;
            assert!(peak.abs_diff(8_000) <= 1, "{from} Hz: the click is at {peak}");
        }
    }

    #[test]
    fn nonsense_rates_are_refused() {
        assert!(Resampler::new(0).is_err());
        assert!(Resampler::new(u32::MAX).is_err());
        assert!(clip(&[0.0], 1, RATE).is_err());
    }
}
