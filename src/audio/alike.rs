//! Whether two microphones give one and the same sound.
//!
//! Owns the measure: the highest correlation of two pieces of sound over a small delay, and how far their levels are apart,
//! in the band of speech. Two devices in one room hear the same people, but each has its own noise, distance and echoes. Two
//! streams of one device differ only by a delay. Must not know whose microphones they are or what follows.

use super::{PER_MS, RATE};
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Samples that are compared at once: 1.024 s.
pub const WINDOW: usize = 16_384;
/// One stream may come this much later than the other, samples: 100 ms.
const MOST_DELAY: usize = 100 * PER_MS as usize;
/// What is compared of a window; the filter's ends and the delay have room on either side.
const CORE: std::ops::Range<usize> = 4_096..12_288;
/// The band, Hz: above hum and rumble, which all microphones of a room have in common, and low enough for a delay by a part
/// of a sample to be made good.
const BAND_HZ: std::ops::Range<f32> = 300.0..2_000.0;
/// Below this there is nothing to compare, mean square of the band (full scale is 1): -75 dBFS.
const LEAST_POWER: f32 = 3.2e-8;
/// From this correlation on, and within this many dB, two sounds are one: what differs is less than a fiftieth of the power.
const SAME: f32 = 0.98;
const SAME_DB: f32 = 1.0;

/// How two pieces of sound compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likeness {
    /// Normalised, at the best delay: 1 for the same sound.
    pub correlation: f32,
    /// By how much the first is louder, dB.
    pub louder_db: f32,
}

impl Likeness {
    /// Whether it is one sound, of one device.
    pub fn is_one(self) -> bool {
        self.correlation >= SAME && self.louder_db.abs() <= SAME_DB
    }
}

/// Compares windows; the transforms are planned once.
pub struct Comparer {
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
}

impl Default for Comparer {
    fn default() -> Comparer {
        let mut planner = RealFftPlanner::new();
        Comparer { forward: planner.plan_fft_forward(WINDOW), back: planner.plan_fft_inverse(WINDOW) }
    }
}

impl Comparer {
    /// Compares two windows of the same time, [`WINDOW`] samples each at [`RATE`]. `None` where either is silent or of another
    /// length.
    pub fn compare(&self, first: &[i16], second: &[i16]) -> Option<Likeness> {
        if first.len() != WINDOW || second.len() != WINDOW {
            return None;
        }
        let (first, second) = (self.band(first), self.band(second));
        let core = &first[CORE];
        let power = mean_square(core);
        let at = |delay: usize| &second[CORE.start + delay - MOST_DELAY..CORE.end + delay - MOST_DELAY];
        let second_power = mean_square(&second[CORE]);
        if power < LEAST_POWER || second_power < LEAST_POWER {
            return None;
        }
        let correlation = |delay: usize| {
            let other = at(delay);
            let product: f32 = core.iter().zip(other).map(|(a, b)| a * b).sum();
            product / (core.len() as f32 * (power * mean_square(other)).sqrt()).max(f32::MIN_POSITIVE)
        };
        // The band ends at a quarter of half the rate: every second delay, by every second sample, finds the peak.
        let rough = |delay: usize| -> f32 {
            core.iter().step_by(2).zip(at(delay).iter().step_by(2)).map(|(a, b)| a * b).sum()
        };
        let best = (1..2 * MOST_DELAY).step_by(2).max_by(|a, b| rough(*a).total_cmp(&rough(*b)))?;
        let near = best.saturating_sub(2).max(1)..=(best + 2).min(2 * MOST_DELAY - 1);
        let best = near.max_by(|a, b| correlation(*a).total_cmp(&correlation(*b)))?;
        let louder_db = 10.0 * (power / mean_square(at(best))).log10();
        let correlation = between([best - 1, best, best + 1].map(correlation));
        Some(Likeness { correlation, louder_db })
    }

    /// What of a window lies in the band; full scale is 1.
    fn band(&self, samples: &[i16]) -> Vec<f32> {
        let Comparer { forward, back } = self;
        let mut sound: Vec<f32> = samples.iter().map(|sample| f32::from(*sample) / 32_768.0).collect();
        let mut spectrum = forward.make_output_vec();
        forward
            .process(&mut sound, &mut spectrum)
            .expect("the transform's own buffers have the lengths it wants");
        let scale = 1.0 / WINDOW as f32;
        for (bin, value) in spectrum.iter_mut().enumerate() {
            let inside = BAND_HZ.contains(&(bin as f32 * RATE as f32 / WINDOW as f32));
            *value *= if inside { scale } else { 0.0 };
        }
        back.process(&mut spectrum, &mut sound)
            .expect("the transform's own buffers have the lengths it wants");
        sound
    }
}

/// The top of a parabola through three points, the middle one highest: a delay need not be a whole number of samples.
fn between([before, top, after]: [f32; 3]) -> f32 {
    let bend = before - 2.0 * top + after;
    match bend < 0.0 {
        true => (top - (before - after).powi(2) / (8.0 * bend)).min(1.0),
        false => top,
    }
}

fn mean_square(samples: &[f32]) -> f32 {
    samples.iter().map(|sample| sample * sample).sum::<f32>() / samples.len() as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::leak::Leak;
    use crate::audio::noise::{NoiseKind, NoiseSource};
    use crate::audio::{resample, to_i16};

    fn compare(first: &[i16], second: &[i16]) -> Option<Likeness> {
        Comparer::default().compare(first, second)
    }

    /// Noise with the band of speech, and where `burst` says louder: somebody speaks.
    fn somebody(seed: u64, length: usize) -> Vec<i16> {
        let mut samples = vec![0; length];
        NoiseSource::new(NoiseKind::Pink, seed, -26.0).next(&mut samples);
        // Syllables, four in a second.
        let gain = |n: usize| 0.5 - 0.5 * (n as f32 / RATE as f32 * 4.0 * std::f32::consts::TAU).cos();
        samples.iter().enumerate().map(|(n, s)| (f32::from(*s) * gain(n)) as i16).collect()
    }

    fn with_noise(samples: &[i16], seed: u64, dbfs: f32) -> Vec<i16> {
        let mut noise = vec![0; samples.len()];
        NoiseSource::new(NoiseKind::Fan, seed, dbfs).next(&mut noise);
        samples.iter().zip(noise).map(|(a, b)| a.saturating_add(b)).collect()
    }

    #[test]
    fn two_streams_of_one_device_are_one_sound_at_any_delay_that_they_have() {
        let at_48: Vec<f32> = {
            let speech: Vec<f32> = somebody(1, 3 * WINDOW).iter().map(|s| f32::from(*s) / 32_768.0).collect();
            resample::clip(&speech, RATE, 48_000).unwrap()
        };
        let stream = |skip: usize| -> Vec<i16> {
            resample::clip(&at_48[skip..], 48_000, RATE).unwrap().into_iter().map(to_i16).collect()
        };
        let first = stream(0);
        // In thirds of a sample: nothing, less than one, 20.3 and 93.3 ms.
        for skip in [0, 1, 2, 976, 4_480] {
            let second = stream(skip);
            for (one, other) in [(&first, &second), (&second, &first)] {
                let likeness = compare(&one[9_000..][..WINDOW], &other[9_000..][..WINDOW]).unwrap();
                assert!(likeness.is_one(), "{skip}: {likeness:?}");
                assert!(likeness.correlation > 0.995, "{skip}: {likeness:?}");
            }
        }
    }

    #[test]
    fn two_microphones_in_one_room_are_two_whoever_speaks() {
        for seed in 0..6 {
            // Somebody at arm's length of one, across the room from the other; each has noise of its own.
            let said = somebody(seed, 2 * WINDOW);
            let mut there = vec![0; said.len()];
            Leak::new(-2.0, 2.0, seed).add(&said, &mut there);
            let near = with_noise(&said, 10 + seed, -60.0);
            let far = with_noise(&there, 20 + seed, -60.0);
            let likeness = compare(&near[WINDOW..], &far[WINDOW..]).unwrap();
            assert!(!likeness.is_one() && likeness.correlation < 0.95, "{seed}: {likeness:?}");
            // Nobody speaks.
            let (one, other) = (vec![0; WINDOW], vec![0; WINDOW]);
            let likeness = compare(&with_noise(&one, seed, -60.0), &with_noise(&other, 30 + seed, -60.0));
            assert!(likeness.unwrap().correlation < 0.5, "{seed}: {likeness:?}");
        }
    }

    #[test]
    fn the_same_sound_fainter_is_somebody_heard_in_both_and_silence_is_nothing() {
        let said = somebody(1, WINDOW);
        let fainter: Vec<i16> = said.iter().map(|s| s / 8).collect();
        let likeness = compare(&said, &fainter).unwrap();
        assert!(!likeness.is_one() && (likeness.louder_db - 18.06).abs() < 0.1, "{likeness:?}");
        assert_eq!(compare(&said, &[0; WINDOW]), None);
        assert_eq!(compare(&said, &said[1..]), None);
    }
}
