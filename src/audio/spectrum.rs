//! Which frequencies a clip's power lies at: its power spectrum, tones in it, and its level as an ear weighs it.
//!
//! Owns the arithmetic. Must not know what is a fault: it gives levels and shares. The transform is realfft's.

use super::level::SILENCE_DBFS;
use super::RATE;
use realfft::RealFftPlanner;
use std::f64::consts::TAU;

/// Samples of one transform: 512 ms, so that 50 and 60 Hz are five bins apart.
const LENGTH: usize = 8192;
const BIN_HZ: f64 = RATE as f64 / LENGTH as f64;
/// A tone is spread over its bin and so many on either side (the main lobe of a Hann window).
const LOBE: usize = 2;
/// The noise beside a tone is looked for in the bins from the lobe's edge to this far from the tone.
const BESIDE: usize = 8;
/// A tone stands out when its lobe has this many times the power of the noise beside it: 6 dB. Common practice, no
/// source; noise alone seldom passes it even in the two transforms of the shortest clip.
const STANDS_OUT: f64 = 4.0;
/// Multiples of the mains frequency that are looked at: rectifiers and transformers give the even ones, ground loops
/// all of them. Common practice, no source.
const HARMONICS: u32 = 6;

/// Mean power of a clip per bin; the bins add up to its mean square (full scale is 1), its offset left out.
pub struct Spectrum {
    power: Vec<f64>,
}

/// A tone of the mains with its harmonics.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Hum {
    /// 50 or 60.
    pub mains_hz: u32,
    /// Level of all its harmonics, dBFS RMS.
    pub level_dbfs: f32,
    /// Their share of the clip's whole power, 0 to 1.
    pub share: f32,
}

impl Spectrum {
    /// Welch's method: half-overlapping Hann windows. `None` for a clip shorter than one window (512 ms).
    pub fn of(samples: &[i16]) -> Option<Spectrum> {
        if samples.len() < LENGTH {
            return None;
        }
        let mean = samples.iter().map(|s| f64::from(*s)).sum::<f64>() / samples.len() as f64;
        let window: Vec<f64> =
            (0..LENGTH).map(|n| 0.5 - 0.5 * (TAU * n as f64 / LENGTH as f64).cos()).collect();
        let window_power: f64 = window.iter().map(|w| w * w).sum();
        let transform = RealFftPlanner::<f64>::new().plan_fft_forward(LENGTH);
        let (mut input, mut output) = (transform.make_input_vec(), transform.make_output_vec());
        let mut power = vec![0.0; output.len()];
        let mut count = 0.0;
        for start in (0..=samples.len() - LENGTH).step_by(LENGTH / 2) {
            for (n, value) in input.iter_mut().enumerate() {
                *value = (f64::from(samples[start + n]) - mean) / 32_768.0 * window[n];
            }
            transform
                .process(&mut input, &mut output)
                .expect("the transform's own buffers have the lengths it wants");
            for (bin, (sum, value)) in power.iter_mut().zip(&output).enumerate() {
                let both_sides = if bin == 0 || bin == LENGTH / 2 { 1.0 } else { 2.0 };
                *sum += both_sides * value.norm_sqr() / (LENGTH as f64 * window_power);
            }
            count += 1.0;
        }
        power.iter_mut().for_each(|sum| *sum /= count);
        Some(Spectrum { power })
    }

    fn total(&self) -> f64 {
        self.power.iter().sum()
    }

    /// Level as the ear weighs it: A-weighted RMS, dBFS.
    pub fn a_weighted_dbfs(&self) -> f32 {
        let weighted = self.power.iter().enumerate().map(|(bin, power)| {
            let gain = a_weight(bin as f64 * BIN_HZ);
            power * gain * gain
        });
        dbfs(weighted.sum())
    }

    /// Hum of the mains, if one stands out: of 50 and 60 Hz the stronger.
    pub fn hum(&self) -> Option<Hum> {
        let total = self.total();
        let of = |mains_hz: u32| {
            let tones: Vec<f64> =
                (1..=HARMONICS).map(|multiple| self.tone(f64::from(mains_hz * multiple))).collect();
            // Without the first or the second it is some other machine's tone.
            let power = if tones[0] + tones[1] > 0.0 { tones.iter().sum() } else { 0.0 };
            (mains_hz, power)
        };
        let (mains_hz, power) = [of(50), of(60)].into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        (power > 0.0).then(|| Hum {
            mains_hz,
            level_dbfs: dbfs(power),
            share: (power / total).clamp(0.0, 1.0) as f32,
        })
    }

    /// Power of a tone over the noise beside it; 0 where none stands out.
    fn tone(&self, hz: f64) -> f64 {
        let centre = (hz / BIN_HZ).round() as usize;
        let lobe: f64 = self.power[centre - LOBE..=centre + LOBE].iter().sum();
        let mut beside: Vec<f64> = (LOBE + 2..=BESIDE)
            .flat_map(|off| [self.power[centre - off], self.power[centre + off]])
            .collect();
        beside.sort_by(f64::total_cmp);
        let noise = beside[beside.len() / 2] * (2 * LOBE + 1) as f64;
        if lobe > STANDS_OUT * noise {
            lobe - noise
        } else {
            0.0
        }
    }
}

fn dbfs(power: f64) -> f32 {
    if power > 0.0 {
        (10.0 * power.log10()).max(f64::from(SILENCE_DBFS)) as f32
    } else {
        SILENCE_DBFS
    }
}

/// Gain of the A-weighting at a frequency (IEC 61672-1, annex on design goals): 1 at 1 kHz.
fn a_weight(hz: f64) -> f64 {
    let square = hz * hz;
    let (p1, p2, p3, p4) =
        (20.598_997_f64.powi(2), 107.652_65_f64.powi(2), 737.862_23_f64.powi(2), 12_194.217_f64.powi(2));
    let gain =
        p4 * square * square / ((square + p1) * (square + p4) * ((square + p2) * (square + p3)).sqrt());
    // The standard's own constant, which makes it 0 dB at 1 kHz.
    gain * 10.0_f64.powf(2.0 / 20.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::level::rms_dbfs;
    use crate::audio::noise::{NoiseKind, NoiseSource};

    fn tones(parts: &[(f64, f64)], seconds: usize) -> Vec<i16> {
        let sample = |n: usize| -> f64 {
            parts
                .iter()
                .map(|(hz, peak)| peak * 32_767.0 * (TAU * hz * n as f64 / f64::from(RATE)).sin())
                .sum()
        };
        (0..seconds * RATE as usize).map(|n| sample(n).round() as i16).collect()
    }

    fn noise(kind: NoiseKind, seed: u64, dbfs: f32, seconds: usize) -> Vec<i16> {
        let mut samples = vec![0; seconds * RATE as usize];
        NoiseSource::new(kind, seed, dbfs).next(&mut samples);
        samples
    }

    fn mixed(one: &[i16], other: &[i16]) -> Vec<i16> {
        one.iter().zip(other).map(|(a, b)| a.saturating_add(*b)).collect()
    }

    #[test]
    fn the_bins_add_up_to_the_level() {
        let sine = tones(&[(1000.0, 1.0)], 1);
        let spectrum = Spectrum::of(&sine).unwrap();
        assert!((dbfs(spectrum.total()) + 3.01).abs() < 0.02, "{}", dbfs(spectrum.total()));
        let pink = noise(NoiseKind::Pink, 1, -40.0, 3);
        let of_pink = dbfs(Spectrum::of(&pink).unwrap().total());
        assert!((of_pink - rms_dbfs(&pink)).abs() < 0.7, "{of_pink}");
        assert!(Spectrum::of(&sine[..LENGTH - 1]).is_none());
    }

    // IEC 61672-1, the table of nominal weights.
    #[test]
    fn the_ear_weighs_as_the_standard_says() {
        for (hz, wanted) in [
            (31.5, -39.4),
            (63.0, -26.2),
            (125.0, -16.1),
            (250.0, -8.6),
            (500.0, -3.2),
            (1000.0, 0.0),
            (2000.0, 1.2),
            (4000.0, 1.0),
            (8000.0, -1.1),
            (16_000.0, -6.6),
        ] {
            // The table is of exact third octaves, named by rounded frequencies.
            let gain = 20.0 * a_weight(hz).log10();
            assert!((gain - wanted).abs() < 0.25, "{hz} Hz: {gain:.2}, not {wanted}");
        }
        let low = Spectrum::of(&tones(&[(125.0, 1.0)], 1)).unwrap().a_weighted_dbfs();
        assert!((low + 3.01 + 16.1).abs() < 0.3, "{low}");
    }

    #[test]
    fn hum_has_its_mains_frequency_level_and_share() {
        for mains in [50.0, 60.0] {
            // -40 dBFS and -46 dBFS peak: RMS 3 dB lower each, 6.04 dB and 1 dB together.
            let hum = tones(&[(mains, 0.01), (2.0 * mains, 0.005)], 3);
            let clip = mixed(&hum, &noise(NoiseKind::White, 2, -52.0, 3));
            let found = Spectrum::of(&clip).unwrap().hum().unwrap();
            assert_eq!(f64::from(found.mains_hz), mains);
            assert!((found.level_dbfs - rms_dbfs(&hum)).abs() < 0.3, "{found:?}, {}", rms_dbfs(&hum));
            // 42.04 dB below full scale against 52: ten to one.
            assert!((found.share - 0.908).abs() < 0.02, "{found:?}");
        }
    }

    #[test]
    fn rooms_without_hum_have_none() {
        for kind in NoiseKind::ALL {
            for seed in 0..20 {
                let hum = Spectrum::of(&noise(kind, seed, -45.0, 3)).unwrap().hum();
                assert!(hum.is_none_or(|hum| hum.share < 0.1), "{kind:?} seed {seed}: {hum:?}");
            }
        }
    }

    #[test]
    fn silence_and_a_mere_offset_have_no_hum_and_a_finite_level() {
        for clip in [vec![0; 16_000], vec![9_000; 16_000]] {
            let spectrum = Spectrum::of(&clip).unwrap();
            assert_eq!(spectrum.hum(), None);
            assert_eq!(spectrum.a_weighted_dbfs(), SILENCE_DBFS);
        }
    }
}
