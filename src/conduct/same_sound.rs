//! Notices when two posts are given the sound of one microphone: then one person would be heard as two.
//!
//! Owns which sound is compared, and how often it must have been alike: only where the tool is silent, since that is heard
//! by all alike, and three times in a row. Must not know what follows.

use crate::audio::alike::{Comparer, WINDOW};
use crate::audio::PER_MS;
use std::collections::VecDeque;

/// A window is compared this often, samples: half of one is new.
const STEP: u64 = WINDOW as u64 / 2;
/// The tool's sound goes on so long in a room, samples.
const DIES_AWAY: u64 = 400 * PER_MS;
/// So many windows in a row say the same before it is believed.
const IN_A_ROW: u8 = 3;

/// What changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// They have the same sound from now on.
    One,
    /// Each has its own again.
    Two,
}

/// Two posts' sound, compared as it comes.
#[derive(Default)]
pub struct SameSound {
    comparer: Comparer,
    tracks: [Track; 2],
    /// Where the next window begins.
    next: u64,
    is_one: bool,
    /// Windows in a row that say otherwise.
    otherwise: u8,
}

/// The latest samples of a post; what is missing counts as silence.
#[derive(Default)]
struct Track {
    from: u64,
    samples: VecDeque<i16>,
}

impl Track {
    fn end(&self) -> u64 {
        self.from + self.samples.len() as u64
    }

    fn push(&mut self, at: u64, samples: &[i16]) {
        if at > self.end() {
            let missing = at - self.end();
            if missing > WINDOW as u64 {
                *self = Track { from: at, samples: VecDeque::new() };
            } else {
                self.samples.resize(self.samples.len() + missing as usize, 0);
            }
        }
        let known = usize::try_from(self.end() - at).unwrap_or(usize::MAX);
        self.samples.extend(samples.iter().skip(known));
        let most = 4 * WINDOW;
        let too_many = self.samples.len().saturating_sub(most);
        self.samples.drain(..too_many);
        self.from += too_many as u64;
    }

    fn window(&mut self, from: u64) -> Option<&[i16]> {
        let skip = usize::try_from(from.checked_sub(self.from)?).ok()?;
        self.samples.make_contiguous().get(skip..skip + WINDOW)
    }
}

impl SameSound {
    /// The tool spoke up to here on the session clock, samples: what came before is not compared.
    pub fn tool_spoke(&mut self, until: u64) {
        self.next = self.next.max(until + DIES_AWAY);
    }

    /// More sound of the first (0) or second (1) post, from `at` on the session clock, samples.
    pub fn push(&mut self, track: usize, at: u64, samples: &[i16]) -> Option<Change> {
        self.tracks.get_mut(track)?.push(at, samples);
        while self.tracks.iter().all(|track| track.end() >= self.next + WINDOW as u64) {
            let from = self.next;
            self.next += STEP;
            if let Some(change) = self.look(from) {
                return Some(change);
            }
        }
        None
    }

    fn look(&mut self, from: u64) -> Option<Change> {
        let [first, second] = &mut self.tracks;
        let likeness = self.comparer.compare(first.window(from)?, second.window(from)?)?;
        self.otherwise = if likeness.is_one() == self.is_one { 0 } else { self.otherwise + 1 };
        if self.otherwise < IN_A_ROW {
            return None;
        }
        (self.is_one, self.otherwise) = (!self.is_one, 0);
        Some(if self.is_one { Change::One } else { Change::Two })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::noise::{NoiseKind, NoiseSource};

    const SECOND: usize = 16_000;

    fn noise(seed: u64, seconds: usize) -> Vec<i16> {
        let mut samples = vec![0; seconds * SECOND];
        NoiseSource::new(NoiseKind::Pink, seed, -50.0).next(&mut samples);
        samples
    }

    /// The changes and when they were told, in blocks of 20 ms.
    fn told(same: &mut SameSound, at: u64, first: &[i16], second: &[i16]) -> Vec<(Change, u64)> {
        let mut changes = Vec::new();
        let mut at = at;
        for (one, other) in first.chunks(320).zip(second.chunks(320)) {
            changes.extend(same.push(0, at, one).map(|change| (change, at)));
            changes.extend(same.push(1, at, other).map(|change| (change, at)));
            at += 320;
        }
        changes
    }

    #[test]
    fn a_stream_that_moves_to_the_others_device_is_noticed_within_three_seconds_and_so_is_its_way_back() {
        let mut same = SameSound::default();
        let (one, other) = (noise(1, 20), noise(2, 20));
        let mut moved = other.clone();
        moved[5 * SECOND..10 * SECOND].copy_from_slice(&one[5 * SECOND - 100..10 * SECOND - 100]);
        let changes = told(&mut same, 0, &one, &moved);
        let [(Change::One, lost), (Change::Two, back)] = changes[..] else { panic!("{changes:?}") };
        assert!((5 * SECOND as u64..8 * SECOND as u64).contains(&lost), "{lost}");
        assert!((10 * SECOND as u64..13 * SECOND as u64).contains(&back), "{back}");
    }

    #[test]
    fn what_the_tool_says_is_heard_by_both_and_is_not_compared() {
        let mut same = SameSound::default();
        let (mut at, mut seed) = (0, 10);
        for _ in 0..5 {
            let said = noise(seed, 2);
            let spoke = at + said.len() as u64;
            same.tool_spoke(spoke);
            assert_eq!(told(&mut same, at, &said, &said), []);
            same.tool_spoke(spoke);
            assert_eq!(told(&mut same, spoke, &noise(seed + 1, 3), &noise(seed + 2, 3)), []);
            at = spoke + 3 * SECOND as u64;
            seed += 3;
        }
        // The same, but nobody says that it is the tool.
        let said = noise(99, 4);
        assert_eq!(told(&mut same, at, &said, &said).len(), 1);
    }

    #[test]
    fn silence_gaps_and_late_samples_say_nothing_and_keep_the_place() {
        let mut same = SameSound::default();
        let zeros = vec![0; 5 * SECOND];
        assert_eq!(told(&mut same, 0, &zeros, &zeros), []);
        // A gap of an hour, then sound that comes twice.
        let at = 3_600 * SECOND as u64;
        let one = noise(1, 4);
        assert_eq!(same.push(0, at, &one), None);
        assert_eq!(same.push(0, at, &one), None);
        assert_eq!(same.push(1, at, &one), Some(Change::One));
    }
}
