//! How loud a clip is: RMS, peak, and active speech level.
//!
//! Owns the arithmetic of levels. Must not know what was said. All levels are dB relative to full scale (dBFS), where
//! a full-scale square wave is 0 and a full-scale sine is -3.01.

use super::RATE;

/// What stands for silence, dBFS: below one bit of noise, and finite so that it survives JSON.
pub const SILENCE_DBFS: f32 = -120.0;

/// Root mean square of the clip, dBFS; at least [`SILENCE_DBFS`].
pub fn rms_dbfs(samples: &[i16]) -> f32 {
    let power: f64 = samples.iter().map(|&s| f64::from(s) * f64::from(s)).sum();
    power_dbfs(power, samples.len() as f64)
}

/// Largest sample of the clip, dBFS; at least [`SILENCE_DBFS`].
pub fn peak_dbfs(samples: &[i16]) -> f32 {
    let peak = samples.iter().map(|s| s.unsigned_abs()).max().unwrap_or(0);
    power_dbfs(f64::from(peak).powi(2), 1.0)
}

fn power_dbfs(sum_of_squares: f64, count: f64) -> f32 {
    if sum_of_squares <= 0.0 || count <= 0.0 {
        return SILENCE_DBFS;
    }
    (10.0 * (sum_of_squares / count / 32_768.0_f64.powi(2)).log10()).max(f64::from(SILENCE_DBFS)) as f32
}

/// The factor that makes a sound louder by so many dB.
pub fn gain(db: f32) -> f32 {
    10f32.powf(db / 20.0)
}

/// Level of the speech in a clip, pauses left out, and how much of the clip it fills.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Active {
    /// dBFS; [`SILENCE_DBFS`] when nothing is active.
    pub level_dbfs: f32,
    /// Share of the clip that is active, 0 to 1.
    pub activity: f32,
}

/// Active speech level by ITU-T P.56, method B: time constant of the envelope 0.03 s, hangover 0.2 s, margin 15.9 dB.
pub fn active_level_dbfs(samples: &[i16]) -> Active {
    const TIME_CONSTANT_S: f64 = 0.03;
    const HANGOVER_S: f64 = 0.2;
    const MARGIN_DB: f64 = 15.9;
    // One threshold per bit of the sample, as the recommendation has it: 2^0 to 2^14 of 2^15.
    const THRESHOLDS: usize = 15;

    let decay = (-1.0 / (f64::from(RATE) * TIME_CONSTANT_S)).exp();
    let hangover = (f64::from(RATE) * HANGOVER_S).ceil() as u32;
    let (mut once, mut twice) = (0.0_f64, 0.0_f64);
    let mut active = [0_u64; THRESHOLDS];
    let mut since = [hangover; THRESHOLDS];
    let mut energy = 0.0_f64;
    for &sample in samples {
        let magnitude = f64::from(sample).abs();
        energy += magnitude * magnitude;
        once = decay * once + (1.0 - decay) * magnitude;
        twice = decay * twice + (1.0 - decay) * once;
        for bit in 0..THRESHOLDS {
            if twice >= f64::from(1_u32 << bit) {
                since[bit] = 0;
                active[bit] += 1;
            } else if since[bit] < hangover {
                since[bit] += 1;
                active[bit] += 1;
            }
        }
    }
    // Going up the thresholds, the active level rises slower than the threshold; where they are a margin apart is it.
    let mut below: Option<(f64, f64)> = None;
    for (bit, &count) in active.iter().enumerate() {
        if count == 0 {
            break;
        }
        let level = f64::from(power_dbfs(energy, count as f64));
        let distance = level - (20.0 * (f64::from(1_u32 << bit) / 32_768.0).log10()) - MARGIN_DB;
        if distance <= 0.0 {
            let found = match below {
                Some((level_below, distance_below)) => {
                    let share = distance_below / (distance_below - distance);
                    level_below + share * (level - level_below)
                }
                None => level,
            };
            return whole(energy, samples.len(), found);
        }
        below = Some((level, distance));
    }
    below.map_or(Active { level_dbfs: SILENCE_DBFS, activity: 0.0 }, |(level, _)| {
        whole(energy, samples.len(), level)
    })
}

fn whole(energy: f64, count: usize, level: f64) -> Active {
    let long_term = f64::from(power_dbfs(energy, count as f64));
    Active { level_dbfs: level as f32, activity: 10.0_f64.powf((long_term - level) / 10.0).min(1.0) as f32 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn sine(amplitude: f64, seconds: f64) -> Vec<i16> {
        let count = (f64::from(RATE) * seconds) as usize;
        (0..count)
            .map(|n| {
                (amplitude * 32_767.0 * (TAU * 1000.0 * n as f64 / f64::from(RATE)).sin()).round() as i16
            })
            .collect()
    }

    #[test]
    fn a_full_scale_sine_is_3_01_below_full_scale() {
        assert!((rms_dbfs(&sine(1.0, 1.0)) + 3.01).abs() < 0.005);
        assert!(peak_dbfs(&sine(1.0, 1.0)).abs() < 0.001);
        assert!((rms_dbfs(&sine(0.1, 1.0)) + 23.01).abs() < 0.005);
    }

    #[test]
    fn silence_and_nothing_have_a_finite_level() {
        for samples in [&[][..], &[0; 16_000][..]] {
            assert_eq!(rms_dbfs(samples), SILENCE_DBFS);
            assert_eq!(peak_dbfs(samples), SILENCE_DBFS);
            assert_eq!(active_level_dbfs(samples), Active { level_dbfs: SILENCE_DBFS, activity: 0.0 });
        }
        assert!((peak_dbfs(&[i16::MIN])).abs() < 0.001);
    }

    // ITU-T P.56 method B: for a steady tone the active level is the RMS level and the activity is 100 %.
    #[test]
    fn a_steady_tone_is_as_loud_as_its_rms_and_always_active() {
        for amplitude in [1.0, 0.3, 0.1, 0.03, 0.01] {
            let tone = sine(amplitude, 10.0);
            let active = active_level_dbfs(&tone);
            assert!((active.level_dbfs - rms_dbfs(&tone)).abs() < 0.05, "{amplitude}: {active:?}");
            assert!(active.activity > 0.99, "{amplitude}: {active:?}");
        }
    }

    // ITU-T P.56 method B: pauses do not lower the active level.
    #[test]
    fn half_a_clip_of_silence_halves_the_activity_and_leaves_the_level() {
        let mut clip = sine(0.1, 20.0);
        let tone = rms_dbfs(&clip);
        clip.extend(vec![0_i16; 20 * RATE as usize]);
        let active = active_level_dbfs(&clip);
        assert!((active.level_dbfs - tone).abs() < 0.15, "{active:?} against {tone}");
        assert!((active.activity - 0.5).abs() < 0.02, "{active:?}");
    }

    #[test]
    fn pauses_shorter_than_the_hangover_count_as_speech_and_longer_ones_do_not() {
        let beeps = |pause_s: f64| {
            let mut clip = Vec::new();
            for _ in 0..20 {
                clip.extend(sine(0.1, 0.5));
                clip.extend(vec![0_i16; (pause_s * f64::from(RATE)) as usize]);
            }
            active_level_dbfs(&clip).activity
        };
        assert!(beeps(0.15) > 0.98, "{}", beeps(0.15));
        let long = beeps(1.0);
        assert!(
            (0.45..0.55).contains(&long),
            "{long}: 0.5 s, hangover 0.2 s and the envelope's tail in 1.5 s"
        );
    }
}
