//! How a loudspeaker sounds in a microphone across a room: later, fainter, and with a tail.
//!
//! Owns the room's impulse response, which a seed makes. Must not know what is said or who listens.

use super::{level, PER_MS, RATE};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::VecDeque;

/// Sound travels 343 m in a second (dry air at 20 °C).
const METRES_A_SECOND: f32 = 343.0;
/// The room falls by 60 dB in this time, s: a small furnished room (common practice, no source).
const DECAY_S: f32 = 0.3;
/// Reflections after the direct sound, and until when, ms. The tail of them all is as strong as the direct sound less 6 dB.
const REFLECTIONS: usize = 120;
const TAIL_MS: u64 = 180;
const TAIL_DB: f32 = -6.0;

/// One loudspeaker heard by one microphone.
pub struct Leak {
    /// Delay in samples and gain of each path, the direct one first.
    paths: Vec<(usize, f32)>,
    /// The latest samples of the loudspeaker, newest first.
    past: VecDeque<f32>,
}

impl Leak {
    /// `gain_db` is of the direct sound.
    pub fn new(gain_db: f32, metres: f32, seed: u64) -> Leak {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let direct = (metres / METRES_A_SECOND * RATE as f32) as usize;
        let mut tail: Vec<(usize, f32)> = (0..REFLECTIONS)
            .map(|_| {
                let after = random.random_range(PER_MS..TAIL_MS * PER_MS) as usize;
                let fall = 10f32.powf(-3.0 * after as f32 / RATE as f32 / DECAY_S);
                let sign = if random.random_range(0..2) == 0 { 1.0 } else { -1.0 };
                (direct + after, sign * fall)
            })
            .collect();
        let power: f32 = tail.iter().map(|(_, gain)| gain * gain).sum();
        let gain = level::gain(gain_db);
        let share = gain * level::gain(TAIL_DB) / power.sqrt();
        tail.iter_mut().for_each(|(_, path)| *path *= share);
        let mut paths = vec![(direct, gain)];
        paths.extend(tail);
        let longest = paths.iter().map(|(delay, _)| *delay).max().unwrap_or(0);
        Leak { paths, past: VecDeque::from(vec![0.0; longest + 1]) }
    }

    /// Adds what the microphone hears of these samples of the loudspeaker, of the same length.
    pub fn add(&mut self, loudspeaker: &[i16], microphone: &mut [i16]) {
        for (sound, heard) in loudspeaker.iter().zip(microphone) {
            self.past.pop_back();
            self.past.push_front(f32::from(*sound));
            let leaked: f32 = self.paths.iter().map(|(delay, gain)| gain * self.past[*delay]).sum();
            *heard = heard.saturating_add(leaked.clamp(-32_768.0, 32_767.0) as i16);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_click_arrives_10_ms_later_at_3_and_a_half_metres_at_the_level_asked_for_and_with_a_tail() {
        let mut leak = Leak::new(-20.0, 3.43, 1);
        let mut click = vec![0i16; 4_800];
        click[0] = 10_000;
        let mut heard = vec![0i16; 4_800];
        leak.add(&click, &mut heard);
        let first = heard.iter().position(|sample| *sample != 0).expect("something arrives");
        assert_eq!((first / 16, heard[first]), (10, 1_000));
        let energy = |part: &[i16]| part.iter().map(|s| f32::from(*s).powi(2)).sum::<f32>();
        let tail = 10.0 * (energy(&heard[first + 1..]) / energy(&heard[first..=first])).log10();
        assert!((tail - TAIL_DB).abs() < 1.0, "{tail} dB");
    }

    #[test]
    fn the_same_seed_makes_the_same_room() {
        let paths = |seed| Leak::new(0.0, 3.0, seed).paths;
        assert_eq!(paths(5), paths(5));
        assert_ne!(paths(5), paths(6));
    }
}
