//! An utterance made ready for the network of voices: silence at its ends cut off, its level made equal; or why it is no
//! use. Pure.
//!
//! Owns what is speech in it. Must not know the network.

use crate::audio::PER_MS;

/// A frame of a level: 10 ms.
const FRAME: usize = 10 * PER_MS as usize;
/// Frames kept before the first and after the last that is not silence.
const KEPT: usize = 5;
/// What is fainter than the loud frames by more than this is silence, dB.
const SILENCE_DB: f64 = 30.0;
/// What is fainter by more than this is not counted as speech, dB.
const SPEECH_DB: f64 = 20.0;
/// The loud frames are those from here on, as a share of all.
const LOUD: f64 = 0.95;
/// Loud frames fainter than this are no speech, dBFS: a quiet room, or a track that was made silence.
const FAINTEST_DBFS: f64 = -70.0;
/// RMS to which the frames that are not silence are brought, full scale being 1: the network was measured with it.
const LEVEL: f64 = 0.05;
/// Speech of less than this has no verdict, ms. Measured was speech from 0.8 s on, and it was worst there.
pub const LEAST_MS: u64 = 600;
/// No phrase takes longer, ms: as long as the segmenter lets an utterance be, and its margins.
pub const LONGEST_MS: u64 = 11_000;
/// A larger share of samples at full scale than this is clipped: sound of which a half percent was clipped had, in the
/// median, a cosine of 0.97 with itself unclipped, at worst 0.88.
const CLIPPED: f64 = 0.01;

/// Why nothing can be told of an utterance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CantTell {
    #[error("there is no sound")]
    NoSound,
    #[error("too short, {speech_ms} ms of speech where {LEAST_MS} are needed")]
    TooShort { speech_ms: u64 },
    #[error("too long for a phrase, over {} s", LONGEST_MS / 1000)]
    TooLong,
    #[error("the microphone clipped")]
    Clipped,
    /// The network gave no numbers.
    #[error("the network came to nothing")]
    NoNumbers,
}

/// The speech of an utterance, in full-scale units.
pub(super) fn prepared(utterance: &[i16]) -> Result<Vec<f32>, CantTell> {
    if utterance.len() as u64 > LONGEST_MS * PER_MS {
        return Err(CantTell::TooLong);
    }
    let levels = levels(utterance);
    let loud = percentile(&levels, LOUD).filter(|loud| *loud >= FAINTEST_DBFS).ok_or(CantTell::NoSound)?;
    let full = utterance.iter().filter(|sample| sample.unsigned_abs() >= 32_767).count();
    if full as f64 > CLIPPED * utterance.len() as f64 {
        return Err(CantTell::Clipped);
    }
    let speech = levels.iter().filter(|level| **level > loud - SPEECH_DB).count();
    let speech_ms = (speech * FRAME) as u64 / PER_MS;
    if speech_ms < LEAST_MS {
        return Err(CantTell::TooShort { speech_ms });
    }
    let audible = |level: &f64| *level > loud - SILENCE_DB;
    // There is one: speech is audible.
    let first = levels.iter().position(audible).unwrap_or(0);
    let last = levels.iter().rposition(audible).unwrap_or(0);
    let end = ((last + 1 + KEPT) * FRAME).min(utterance.len());
    let kept = &utterance[first.saturating_sub(KEPT) * FRAME..end];
    let gain = LEVEL / loudness(kept);
    Ok(kept.iter().map(|sample| (f64::from(*sample) / 32_768.0 * gain) as f32).collect())
}

/// Mean power of each whole frame; full scale is 1.
fn powers(sound: &[i16]) -> Vec<f64> {
    let power = |frame: &[i16]| {
        frame.iter().map(|sample| (f64::from(*sample) / 32_768.0).powi(2)).sum::<f64>() / FRAME as f64
    };
    sound.chunks_exact(FRAME).map(power).collect()
}

/// Level of each frame, dBFS, as the mean of itself and its neighbours.
fn levels(sound: &[i16]) -> Vec<f64> {
    let single: Vec<f64> = powers(sound).iter().map(|power| 10.0 * (power + 1e-12).log10()).collect();
    let around = |at: usize| &single[at.saturating_sub(1)..(at + 2).min(single.len())];
    (0..single.len()).map(|at| around(at).iter().sum::<f64>() / around(at).len() as f64).collect()
}

/// RMS of the frames within 30 dB of the loudest. Sound that got so far has some.
fn loudness(sound: &[i16]) -> f64 {
    let powers = powers(sound);
    let least = powers.iter().copied().fold(0.0, f64::max) * 1e-3;
    let loud: Vec<f64> = powers.into_iter().filter(|power| *power > least).collect();
    (loud.iter().sum::<f64>() / loud.len() as f64).sqrt()
}

/// Between the two nearest, as far as the share lies between them; `None` of nothing.
fn percentile(values: &[f64], share: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = share * sorted.len().checked_sub(1)? as f64;
    let (below, above) = (sorted[at.floor() as usize], sorted[at.ceil() as usize]);
    Some(below + (above - below) * at.fract())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many ms of a hum that is loud for 10 ms and half as loud for the next, by its amplitude.
    fn hum(ms: usize, amplitude: f64) -> Vec<i16> {
        let at = |n: usize| {
            let half = if (n / FRAME).is_multiple_of(2) { 1.0 } else { 0.5 };
            (half * amplitude * (n as f64 * 0.3).sin()).round() as i16
        };
        (0..ms * PER_MS as usize).map(at).collect()
    }

    fn silence(ms: usize) -> Vec<i16> {
        vec![0; ms * PER_MS as usize]
    }

    #[test]
    fn silence_at_both_ends_is_cut_to_fifty_ms_and_the_level_is_made_equal() {
        for amplitude in [300.0, 20_000.0] {
            let sound = prepared(&[silence(700), hum(1_000, amplitude), silence(400)].concat()).unwrap();
            // The mean of three frames, in dB, takes the outermost for silence where that is as deep as here.
            let ms = sound.len() as u64 / PER_MS;
            assert!((1_080..=1_100).contains(&ms), "{ms} ms");
            assert!(sound[..640].iter().all(|value| *value == 0.0));
            let power = sound.iter().map(|value| f64::from(*value).powi(2)).sum::<f64>() / 16_000.0;
            assert!((power.sqrt() - LEVEL).abs() < 0.003, "{amplitude}: {}", power.sqrt());
        }
    }

    #[test]
    fn what_is_no_use_says_why_and_nothing_panics() {
        assert_eq!(prepared(&[]), Err(CantTell::NoSound));
        assert_eq!(prepared(&[1; 100]), Err(CantTell::NoSound));
        assert_eq!(prepared(&silence(2_000)), Err(CantTell::NoSound));
        assert_eq!(prepared(&[1, -1].repeat(16_000)), Err(CantTell::NoSound));
        let short = prepared(&[silence(500), hum(400, 3_000.0), silence(500)].concat());
        assert!(matches!(short, Err(CantTell::TooShort { speech_ms: 370..=400 })), "{short:?}");
        assert_eq!(prepared(&hum(30_000, 3_000.0)), Err(CantTell::TooLong));
        assert_eq!(prepared(&[i16::MIN, i16::MAX].repeat(16_000)), Err(CantTell::Clipped));
        let clipped: Vec<i16> = hum(1_000, 32_000.0).iter().map(|sample| sample.saturating_mul(3)).collect();
        assert_eq!(prepared(&clipped), Err(CantTell::Clipped));
    }

    #[test]
    fn a_percentile_lies_between_the_nearest() {
        assert_eq!(percentile(&[3.0, 1.0, 2.0], 0.75), Some(2.5));
        assert_eq!(percentile(&[7.0], LOUD), Some(7.0));
        assert_eq!(percentile(&[], LOUD), None);
    }
}
