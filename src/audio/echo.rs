//! Takes the tool's own voice out of a microphone, knowing what the loudspeaker plays.
//!
//! Owns the echo canceller (a port of WebRTC's AEC3) and when it is listened through: while the loudspeaker plays and
//! until the room is silent again. At any other time the sound passes as it is, since the engine hears raw sound best.

use super::{AudioError, PER_MS};
use aec3::nodes::audio::AudioFormat;
use aec3::pipelines::linear::{self, LinearPipeline};
use std::collections::VecDeque;
use std::sync::Arc;

/// Samples of one frame of the canceller: 10 ms.
pub const FRAME: usize = 10 * PER_MS as usize;
/// The room is taken to ring this long after the loudspeaker's last sound, ms.
const RINGS_MS: u64 = 250;
/// From this long after the loudspeaker's last sound the canceller rests, ms: it learns nothing from silence, and filters
/// that ring out into ever smaller numbers took more of a rehearsal's processor time than listening did.
const RESTS_MS: u64 = 500;

/// One microphone beside one loudspeaker.
pub struct EchoCanceller {
    pipeline: LinearPipeline,
    /// Samples since the loudspeaker played anything.
    silent: u64,
}

impl EchoCanceller {
    pub fn new() -> Result<EchoCanceller, AudioError> {
        let format = AudioFormat::ten_ms(super::RATE, 1);
        let pipeline = linear::builder(format, format)
            .enable_high_pass_filter(false)
            .enable_noise_suppression(false)
            .enable_gain_controller2(false)
            .enable_post_filter(false)
            .export_linear_output(true)
            .build()
            .map_err(failed)?;
        Ok(EchoCanceller { pipeline, silent: u64::MAX / 2 })
    }

    /// Takes what `microphone` has of `loudspeaker` out of it, and fills `voice` with the same stretch after a harsher
    /// cleaning: in it there is speech only where a person speaks, but words suffer. All are [`FRAME`] samples. The
    /// loudspeaker's must not be later than the microphone's, and may be 200 ms earlier.
    pub fn frame(
        &mut self,
        loudspeaker: &[i16],
        microphone: &mut [i16],
        voice: &mut [i16],
    ) -> Result<(), AudioError> {
        self.silent = match loudspeaker.iter().any(|sample| *sample != 0) {
            true => 0,
            false => self.silent.saturating_add(FRAME as u64),
        };
        if self.silent > RESTS_MS * PER_MS {
            voice.copy_from_slice(microphone);
            return Ok(());
        }
        let mut harsh = vec![0.0; FRAME];
        self.pipeline.handle_render_frame(&floats(loudspeaker)).map_err(failed)?;
        self.pipeline.process_capture_frame(&floats(microphone), &mut harsh).map_err(failed)?;
        let linear = self.pipeline.try_pull_linear_output().map_err(failed)?;
        match linear {
            Some(linear) if self.silent <= RINGS_MS * PER_MS => {
                from_floats(linear.payload().samples(), microphone);
                from_floats(&harsh, voice);
            }
            _ => voice.copy_from_slice(microphone),
        }
        Ok(())
    }
}

fn floats(samples: &[i16]) -> Vec<f32> {
    samples.iter().map(|sample| f32::from(*sample) / 32_768.0).collect()
}

fn from_floats(values: &[f32], samples: &mut [i16]) {
    for (sample, value) in samples.iter_mut().zip(values) {
        *sample = (value * 32_768.0).clamp(-32_768.0, 32_767.0) as i16;
    }
}

fn failed(error: impl std::fmt::Display) -> AudioError {
    AudioError::Echo { why: error.to_string() }
}

/// What the loudspeaker plays and will play, on the session clock.
#[derive(Default)]
pub struct Loudspeaker {
    /// Position of the first sample, and the clip; in the order they were begun.
    clips: VecDeque<(u64, Arc<[i16]>)>,
}

impl Loudspeaker {
    /// Plays this clip from a position on.
    pub fn plays(&mut self, at: u64, clip: Arc<[i16]>) {
        self.clips.push_back((at, clip));
    }

    /// Falls silent at a position.
    pub fn falls_silent(&mut self, at: u64) {
        for (begin, clip) in &mut self.clips {
            let kept = usize::try_from(at.saturating_sub(*begin)).unwrap_or(usize::MAX);
            if kept < clip.len() {
                *clip = clip[..kept].into();
            }
        }
    }

    /// What it plays from a position on, silence where it plays nothing. Clips that were over by then are forgotten, so
    /// positions must not go back.
    pub fn take(&mut self, from: u64, out: &mut [i16]) {
        out.fill(0);
        self.clips.retain(|(at, clip)| at + clip.len() as u64 > from);
        for (at, clip) in &self.clips {
            let skip = usize::try_from(from.saturating_sub(*at)).unwrap_or(usize::MAX).min(clip.len());
            let begin = usize::try_from(at.saturating_sub(from)).unwrap_or(usize::MAX).min(out.len());
            out[begin..].iter_mut().zip(&clip[skip..]).for_each(|(out, sample)| *out = *sample);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::leak::Leak;
    use crate::audio::level::rms_dbfs;
    use crate::audio::noise::{NoiseKind, NoiseSource};

    /// Noise in syllables: 160 ms on, 80 ms off.
    fn babble(seed: u64, samples: usize) -> Vec<i16> {
        let mut sound = vec![0i16; samples];
        NoiseSource::new(NoiseKind::Pink, seed, -26.0).next(&mut sound);
        sound
            .iter_mut()
            .enumerate()
            .filter(|(at, _)| at / 1_280 % 3 == 2)
            .for_each(|(_, sample)| *sample = 0);
        sound
    }

    /// The last second of what is left of a loudspeaker's voice that arrives this much later.
    fn left(later_ms: usize, person: &[i16]) -> (Vec<i16>, Vec<i16>) {
        let played = babble(1, 16_000 * 6);
        let mut heard = vec![0i16; played.len()];
        Leak::new(-6.0, 3.43, 2).add(&played, &mut heard);
        heard.rotate_right(later_ms * 16);
        heard[..later_ms * 16].fill(0);
        let from = heard.len() - person.len();
        heard[from..].iter_mut().zip(person).for_each(|(all, one)| *all = all.saturating_add(*one));
        let mut canceller = EchoCanceller::new().expect("it starts");
        let mut voice = vec![0i16; heard.len()];
        for ((played, heard), voice) in
            played.chunks(FRAME).zip(heard.chunks_mut(FRAME)).zip(voice.chunks_mut(FRAME))
        {
            canceller.frame(played, heard, voice).expect("it clears");
        }
        (heard.split_off(from), voice.split_off(from))
    }

    #[test]
    fn the_loudspeakers_voice_is_taken_out_whatever_the_delay() {
        for later_ms in [0, 50, 150] {
            let (heard, voice) = left(later_ms, &[0; 16_000]);
            // It arrives at -32 dBFS.
            let (heard, voice) = (rms_dbfs(&heard), rms_dbfs(&voice));
            assert!(heard < -42.0 && voice < -50.0, "{later_ms} ms later: {heard} and {voice} dBFS are left");
        }
    }

    #[test]
    fn a_person_over_it_is_left() {
        let person = babble(9, 16_000);
        let (heard, voice) = left(20, &person);
        assert!((rms_dbfs(&heard) - rms_dbfs(&person)).abs() < 1.5, "{} dBFS", rms_dbfs(&heard));
        assert!(rms_dbfs(&voice) > rms_dbfs(&person) - 12.0, "{} dBFS", rms_dbfs(&voice));
    }

    #[test]
    fn while_the_loudspeaker_is_silent_the_microphone_passes_unchanged() {
        let mut canceller = EchoCanceller::new().expect("it starts");
        let sound = babble(3, 16_000);
        let (mut heard, mut voice) = (sound.clone(), vec![0i16; sound.len()]);
        for (heard, voice) in heard.chunks_mut(FRAME).zip(voice.chunks_mut(FRAME)) {
            canceller.frame(&[0; FRAME], heard, voice).expect("it clears");
        }
        assert!(heard == sound && voice == sound);
    }

    #[test]
    fn the_loudspeaker_plays_clips_in_their_places_until_it_is_silenced() {
        let mut loudspeaker = Loudspeaker::default();
        loudspeaker.plays(10, vec![1; 10].into());
        loudspeaker.plays(30, vec![2; 100].into());
        let mut out = [9i16; 25];
        loudspeaker.take(5, &mut out);
        assert_eq!(out, [[0; 5].as_slice(), &[1; 10], &[0; 10]].concat()[..]);
        loudspeaker.falls_silent(40);
        loudspeaker.take(30, &mut out);
        assert_eq!(out, [[2; 10].as_slice(), &[0; 15]].concat()[..]);
        loudspeaker.take(1_000, &mut out);
        assert!(out == [0; 25] && loudspeaker.clips.is_empty());
    }
}
