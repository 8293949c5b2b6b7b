//! What happens to speech on its way to the microphone: noise at a level below it, other people, a room, a mask.
//!
//! Owns the mixing. Must not know who speaks or listens. Levels are by active speech level (ITU-T P.56).

use antiphon::audio::level::{active_level_dbfs, gain};
use antiphon::audio::noise::{NoiseKind, NoiseSource};
use antiphon::audio::PER_MS;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use realfft::RealFftPlanner;
use std::sync::Arc;

/// Room before and after the speech, samples: the listener learns the room, and the utterance ends by itself.
pub const BEFORE: usize = 1_200 * PER_MS as usize;
pub const AFTER: usize = 1_300 * PER_MS as usize;
/// Speech is brought to this active level, dBFS, the nominal one of ITU-T P.56 work.
const SPEECH_DBFS: f32 = -26.0;
/// The quietest room: noise of a recording, below any microphone's, dBFS.
const FLOOR_DBFS: f32 = -75.0;

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Noise {
    None,
    Of(NoiseKind, f32),
    /// Six people at once, and their level below the speech, dB.
    Babble(f32),
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Condition {
    pub name: &'static str,
    pub noise: Noise,
    /// A room with a reverberation time of 0.5 s, the sound 3 dB below the direct one.
    pub room: bool,
    /// Through a respirator: highs lost.
    pub muffled: bool,
}

const fn plain(name: &'static str, noise: Noise) -> Condition {
    Condition { name, noise, room: false, muffled: false }
}

const fn fan(db: f32) -> Noise {
    Noise::Of(NoiseKind::Fan, db)
}

pub const ALL: [Condition; 12] = [
    plain("clean", Noise::None),
    plain("pink 20 dB", Noise::Of(NoiseKind::Pink, 20.0)),
    plain("pink 10 dB", Noise::Of(NoiseKind::Pink, 10.0)),
    plain("pink 5 dB", Noise::Of(NoiseKind::Pink, 5.0)),
    plain("white 10 dB", Noise::Of(NoiseKind::White, 10.0)),
    plain("blower 15 dB", fan(15.0)),
    plain("blower 10 dB", fan(10.0)),
    plain("blower 5 dB", fan(5.0)),
    plain("babble 15 dB", Noise::Babble(15.0)),
    plain("babble 10 dB", Noise::Babble(10.0)),
    Condition { name: "room, blower 15 dB", noise: fan(15.0), room: true, muffled: false },
    Condition { name: "muffled, blower 15 dB", noise: fan(15.0), room: false, muffled: true },
];

/// Conditions that the weights are fitted under; the page reports all.
const TUNING: [&str; 5] = ["clean", "pink 10 dB", "blower 5 dB", "babble 15 dB", "room, blower 15 dB"];

impl Condition {
    pub fn tunes(&self) -> bool {
        TUNING.contains(&self.name)
    }

    /// What the microphone hears: room, the speech from sample `BEFORE` on, room again.
    pub fn heard(&self, speech: &[i16], babble: &[Arc<[i16]>], seed: u64) -> Vec<i16> {
        let mut sound: Vec<f32> = speech.iter().map(|sample| f32::from(*sample)).collect();
        if self.muffled {
            muffle(&mut sound);
        }
        if self.room {
            sound = reverberate(&sound, seed);
        }
        let level = active_level_dbfs(&rounded(&sound));
        let louder = if level.activity > 0.0 { gain(SPEECH_DBFS - level.level_dbfs) } else { 1.0 };
        let length = BEFORE + sound.len() + AFTER;
        let mut mixed = vec![0.0f32; length];
        sound.iter().zip(&mut mixed[BEFORE..]).for_each(|(sample, out)| *out = sample * louder);
        let mut noise = vec![0i16; length];
        let level = match self.noise {
            Noise::Of(_, snr) | Noise::Babble(snr) => SPEECH_DBFS - snr,
            Noise::None => FLOOR_DBFS,
        };
        match self.noise {
            Noise::Babble(_) => noise = people(babble, length, level, seed),
            Noise::Of(kind, _) => NoiseSource::new(kind, seed, level).next(&mut noise),
            Noise::None => NoiseSource::new(NoiseKind::Pink, seed, level).next(&mut noise),
        }
        mixed.iter_mut().zip(noise).for_each(|(out, noise)| *out += f32::from(noise));
        rounded(&mixed)
    }
}

fn rounded(sound: &[f32]) -> Vec<i16> {
    sound.iter().map(|sample| sample.round().clamp(-32_768.0, 32_767.0) as i16).collect()
}

/// Two first-order low-passes at 2 kHz, 12 dB an octave above (common practice, no source: respirators differ).
fn muffle(sound: &mut [f32]) {
    let decay = (-std::f32::consts::TAU * 2_000.0 / 16_000.0).exp();
    for _ in 0..2 {
        let mut state = 0.0;
        for sample in sound.iter_mut() {
            state = *sample + (state - *sample) * decay;
            *sample = state;
        }
    }
}

/// A room by Polack's statistical model: noise under an exponential decay, 60 dB in half a second, after the direct
/// sound and 3 dB below it in energy.
fn reverberate(sound: &[f32], seed: u64) -> Vec<f32> {
    const RT60_S: f32 = 0.5;
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let taps = (RT60_S * 16_000.0) as usize;
    let mut answer: Vec<f32> = (0..taps)
        .map(|n| random.random_range(-1.0f32..1.0) * 10.0f32.powf(-3.0 * n as f32 / taps as f32))
        .collect();
    answer[..40].fill(0.0);
    let energy: f32 = answer.iter().map(|tap| tap * tap).sum();
    let gain = (0.5 / energy).sqrt();
    answer.iter_mut().for_each(|tap| *tap *= gain);
    answer[0] = 1.0;
    convolve(sound, &answer)
}

fn convolve(sound: &[f32], answer: &[f32]) -> Vec<f32> {
    let length = (sound.len() + answer.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, back) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
    let spectrum = |signal: &[f32]| {
        let mut padded = signal.to_vec();
        padded.resize(length, 0.0);
        let mut out = forward.make_output_vec();
        forward.process(&mut padded, &mut out).expect("the lengths are the plan's own");
        out
    };
    let mut product: Vec<_> = spectrum(sound).iter().zip(spectrum(answer)).map(|(a, b)| a * b).collect();
    let mut out = back.make_output_vec();
    // The inverse wants real ends; rounding leaves specks.
    for end in [0, product.len() - 1] {
        product[end].im = 0.0;
    }
    back.process(&mut product, &mut out).expect("the lengths are the plan's own");
    out.truncate(sound.len() + answer.len());
    out.iter_mut().for_each(|sample| *sample /= length as f32);
    out
}

/// Six people speak at once, each from recording to recording, at this RMS together, dBFS.
fn people(babble: &[Arc<[i16]>], length: usize, dbfs: f32, seed: u64) -> Vec<i16> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut sum = vec![0.0f32; length];
    for _ in 0..6 {
        let mut at = 0;
        let mut skip = random.random_range(0..16_000);
        while at < length && !babble.is_empty() {
            let clip = &babble[random.random_range(0..babble.len())];
            for sample in clip.iter().skip(skip).take(length - at) {
                sum[at] += f32::from(*sample);
                at += 1;
            }
            skip = 0;
        }
    }
    let rms = (sum.iter().map(|s| s * s).sum::<f32>() / length as f32).sqrt().max(1.0);
    let louder = gain(dbfs) * 32_768.0 / rms;
    sum.iter().map(|sample| (sample * louder) as i16).collect()
}
