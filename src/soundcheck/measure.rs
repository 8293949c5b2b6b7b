//! What one microphone's sound is like: the room without speech, speech, and the tool's own voice.
//!
//! Owns the numbers. Must not know which of them are a fault; `judge` does.

use crate::audio::level::{active_level_dbfs, rms_dbfs, SILENCE_DBFS};
use crate::audio::spectrum::{Hum, Spectrum};
use crate::audio::RATE;
use serde::Serialize;

/// The room is measured over its quietest stretch of this length, samples (1 s): a door or a cough within the quiet
/// then does not count as the room.
const STRETCH: usize = RATE as usize;
/// The stretch begins at every so many samples (100 ms).
const STRIDE: usize = RATE as usize / 10;
/// Samples at or beyond this are at the edge: 0.1 dB below full scale. Resampling after a clipping microphone leaves
/// its tops a little below full scale. Common practice, no source.
const EDGE: u16 = 32_440;
/// So many samples at the edge in a row are clipped. Fewer are the top of an ordinary loud wave. Common practice, no
/// source.
const RUN: usize = 3;

/// A microphone while nobody speaks.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Room {
    /// Level of the quietest second without its offset, dBFS RMS.
    pub noise_dbfs: f32,
    /// The same as an ear weighs it (A).
    pub noise_a_dbfs: f32,
    /// Constant offset, share of full scale, -1 to 1.
    pub offset: f32,
    /// Hum of the mains in it.
    pub hum: Option<Hum>,
    /// Every sample is the same: no real microphone in a real room gives that.
    pub digital_silence: bool,
}

/// `None` when there is less than 600 ms of it.
pub fn room(samples: &[i16]) -> Option<Room> {
    if samples.len() < STRETCH * 6 / 10 {
        return None;
    }
    let spectrum = Spectrum::of(samples)?;
    let length = STRETCH.min(samples.len());
    let stretches = (0..=samples.len() - length).step_by(STRIDE).map(|at| &samples[at..at + length]);
    let (noise_dbfs, quietest) =
        stretches.map(|part| (rms_dbfs(&centred(part)), part)).min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(Room {
        noise_dbfs,
        noise_a_dbfs: Spectrum::of(quietest)?.a_weighted_dbfs(),
        offset: offset(samples),
        hum: spectrum.hum(),
        digital_silence: is_constant(samples),
    })
}

/// Whether all samples are the same.
pub fn is_constant(samples: &[i16]) -> bool {
    samples.windows(2).all(|pair| pair[0] == pair[1])
}

/// Mean of the samples, share of full scale.
fn offset(samples: &[i16]) -> f32 {
    let sum: f64 = samples.iter().map(|s| f64::from(*s)).sum();
    (sum / samples.len().max(1) as f64 / 32_768.0) as f32
}

/// The samples without their offset.
fn centred(samples: &[i16]) -> Vec<i16> {
    let mean = (offset(samples) * 32_768.0).round() as i16;
    samples.iter().map(|s| s.saturating_sub(mean)).collect()
}

/// A person at a microphone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Speech {
    /// Active speech level (ITU-T P.56) less the room's power, dBFS.
    pub level_dbfs: f32,
    /// That over the room, dB; `None` when the room is not known.
    pub snr_db: Option<f32>,
    /// Samples that were cut off at full scale.
    pub clipped: usize,
    /// Their share of the speech, 0 to 1.
    pub clipped_share: f32,
}

/// `None` when there is no speech to measure.
pub fn speech(samples: &[i16], room: Option<&Room>) -> Option<Speech> {
    let active = active_level_dbfs(&centred(samples));
    if active.activity == 0.0 {
        return None;
    }
    let level_dbfs = room.map_or(active.level_dbfs, |room| less(active.level_dbfs, room.noise_dbfs));
    let clipped = clipped(samples);
    Some(Speech {
        level_dbfs,
        snr_db: room.map(|room| level_dbfs - room.noise_dbfs),
        clipped,
        clipped_share: clipped as f32 / samples.len() as f32,
    })
}

/// How many samples are in a run at full scale.
pub fn clipped(samples: &[i16]) -> usize {
    samples
        .chunk_by(|a, b| (a.unsigned_abs() >= EDGE) == (b.unsigned_abs() >= EDGE))
        .filter(|run| run.len() >= RUN && run[0].unsigned_abs() >= EDGE)
        .map(<[i16]>::len)
        .sum()
}

/// The tool's voice at a microphone: A-weighted level over the room, dB, as ISO 7731 compares a signal with its
/// surroundings. `None` when it is too short to tell.
pub fn prompt_over_room(samples: &[i16], room: &Room) -> Option<f32> {
    let level = Spectrum::of(samples)?.a_weighted_dbfs();
    Some((less(level, room.noise_a_dbfs) - room.noise_a_dbfs).max(0.0))
}

/// How much later than it was spoken the tool's voice is heard at a microphone, samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lag {
    pub begins: u64,
    /// Its echo included.
    pub ends: u64,
}

/// Frames in which the tool's voice is looked for, samples (20 ms), and how far over the room it must be, dB.
const FRAME: usize = RATE as usize / 50;
const STANDS_OUT_DB: f32 = 10.0;
/// An echo beyond this is somebody talking, samples (400 ms). Common practice, no source.
const LONGEST_ECHO: u64 = RATE as u64 * 4 / 10;

/// `samples`: from where the tool began to speak for `length` samples, to well after its end. No lag where nothing is
/// heard of it.
pub fn lag(samples: &[i16], length: u64, room: &Room) -> Lag {
    let loud = |frame: &&[i16]| rms_dbfs(&centred(frame)) > room.noise_dbfs + STANDS_OUT_DB;
    let frames: Vec<bool> = samples.chunks(FRAME).map(|frame| loud(&frame)).collect();
    let (Some(first), Some(last)) =
        (frames.iter().position(|loud| *loud), frames.iter().rposition(|loud| *loud))
    else {
        return Lag { begins: 0, ends: 0 };
    };
    let begins = (first * FRAME) as u64;
    let ends = (((last + 1) * FRAME) as u64).saturating_sub(length);
    Lag { begins: begins.min(length), ends: ends.min(begins + LONGEST_ECHO) }
}

/// A level of signal and noise together, less the noise's power, dB. Where the noise is as loud as both, what is left
/// is at most a tenth of it, and no more is claimed.
fn less(both_db: f32, noise_db: f32) -> f32 {
    let power = |db: f32| 10.0_f32.powf(db / 10.0);
    let left = (power(both_db) - power(noise_db)).max(0.1 * power(noise_db));
    (10.0 * left.log10()).max(SILENCE_DBFS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::noise::{NoiseKind, NoiseSource};
    use std::f64::consts::TAU;

    fn sine(hz: f64, peak: f64, seconds: f64) -> Vec<i16> {
        let count = (f64::from(RATE) * seconds) as usize;
        let at = |n: usize| peak * 32_767.0 * (TAU * hz * n as f64 / f64::from(RATE)).sin();
        (0..count).map(|n| at(n).round().clamp(-32_768.0, 32_767.0) as i16).collect()
    }

    fn pink(dbfs: f32, seconds: usize) -> Vec<i16> {
        let mut samples = vec![0; seconds * RATE as usize];
        NoiseSource::new(NoiseKind::Pink, 1, dbfs).next(&mut samples);
        samples
    }

    #[test]
    fn a_full_scale_sine_is_3_01_below_full_scale_as_room_and_as_speech() {
        let tone = sine(1000.0, 1.0, 10.0);
        assert!((room(&tone).unwrap().noise_dbfs + 3.01).abs() < 0.02);
        assert!((speech(&tone, None).unwrap().level_dbfs + 3.01).abs() < 0.05);
        assert_eq!(speech(&tone, None).unwrap().snr_db, None);
    }

    #[test]
    fn the_room_is_its_quietest_second() {
        let mut clip = sine(500.0, 0.1, 1.0);
        clip.extend(pink(-60.0, 2));
        clip.extend(sine(500.0, 0.1, 0.5));
        let room = room(&clip).unwrap();
        assert!((room.noise_dbfs + 60.0).abs() < 1.5, "{room:?}");
        assert!(!room.digital_silence);
        assert!(super::room(&clip[..9_000]).is_none());
    }

    #[test]
    fn an_offset_is_told_and_does_not_count_as_noise_or_speech() {
        let shifted = |clip: Vec<i16>| -> Vec<i16> { clip.iter().map(|s| s + 3_277).collect() };
        let room = room(&shifted(pink(-50.0, 2))).unwrap();
        assert!((room.offset - 0.1).abs() < 0.002, "{room:?}");
        assert!((room.noise_dbfs + 50.0).abs() < 1.5, "{room:?}");
        let tone = speech(&shifted(sine(500.0, 0.1, 2.0)), None).unwrap();
        assert!((tone.level_dbfs + 23.01).abs() < 0.1, "{tone:?}");
    }

    #[test]
    fn digital_silence_is_told_from_a_quiet_room_and_has_finite_levels() {
        for level in [0, -32_768, 77] {
            let dead = room(&[level; 32_000]).unwrap();
            assert!(dead.digital_silence);
            assert_eq!((dead.noise_dbfs, dead.noise_a_dbfs), (SILENCE_DBFS, SILENCE_DBFS));
            assert_eq!(speech(&[level; 32_000], Some(&dead)), None);
        }
        assert!(!room(&pink(-80.0, 2)).unwrap().digital_silence);
    }

    #[test]
    fn clipped_samples_are_counted_and_loud_ones_are_not() {
        // Twice full scale: the sine is beyond half its peak for two thirds of the time.
        let over = sine(200.0, 2.0, 1.0);
        let share = clipped(&over) as f64 / over.len() as f64;
        assert!((share - 0.667).abs() < 0.02, "{share}");
        assert_eq!(clipped(&sine(1000.0, 1.0, 1.0)), 0);
        assert_eq!(clipped(&[0, 32_767, 32_767, 0, -32_768, -32_768, -32_768, 5]), 3);
        assert_eq!(clipped(&[]), 0);
    }

    #[test]
    fn speech_over_the_room_is_reckoned_without_the_rooms_own_power() {
        let quiet = room(&pink(-40.0, 3)).unwrap();
        for over in [0.0, 5.0, 10.0, 20.0_f32] {
            let peak = f64::from(10.0_f32.powf((quiet.noise_dbfs + over + 3.01) / 20.0));
            let both: Vec<i16> =
                sine(500.0, peak, 3.0).iter().zip(pink(-40.0, 3)).map(|(a, b)| a + b).collect();
            let snr = speech(&both, Some(&quiet)).unwrap().snr_db.unwrap();
            assert!((snr - over).abs() < 1.0, "{over}: {snr}");
        }
    }

    #[test]
    fn a_prompt_is_measured_as_an_ear_weighs_it() {
        // A rumble at 40 Hz is 10 dB louder than the prompt, and hardly heard.
        let mix = |prompt: f64| -> Vec<i16> {
            sine(40.0, 0.1, 2.0).iter().zip(sine(1000.0, prompt, 2.0)).map(|(a, b)| a + b).collect()
        };
        let room = room(&mix(0.001)).unwrap();
        let over = prompt_over_room(&mix(0.0316), &room).unwrap();
        assert!((18.0..31.0).contains(&over), "{over}");
        assert_eq!(prompt_over_room(&sine(40.0, 0.05, 2.0), &room), Some(0.0));
        assert_eq!(prompt_over_room(&[0; 100], &room), None);
    }

    #[test]
    fn a_voice_that_comes_late_is_late_by_as_much_as_it_begins_late_and_echoes() {
        let quiet = room(&pink(-60.0, 3)).unwrap();
        let at = |start: usize, length: f64| -> Vec<i16> {
            let mut clip = pink(-60.0, 4);
            clip[start..].iter_mut().zip(sine(500.0, 0.1, length)).for_each(|(a, b)| *a += b);
            clip
        };
        let second = u64::from(RATE);
        let late = lag(&at(8_000, 1.1), second, &quiet);
        assert!(late.begins.abs_diff(8_000) <= 320 && late.ends.abs_diff(9_600) <= 320, "{late:?}");
        let now = lag(&at(0, 1.0), second, &quiet);
        assert!(now.begins <= 320 && now.ends <= 320, "{now:?}");
        let talk = lag(&at(0, 3.0), second, &quiet);
        assert_eq!(talk.ends, LONGEST_ECHO);
        assert_eq!(lag(&pink(-60.0, 4), second, &quiet), Lag { begins: 0, ends: 0 });
    }
}
