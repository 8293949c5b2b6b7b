//! The sound of one microphone during a check, at its place on the clock.

use super::measure::is_constant;

/// Longest gap that is filled with silence, samples (10 s): a longer one is a clock that was set.
const LONGEST_GAP: u64 = 160_000;

/// A few minutes at most: every stage of a check is bounded.
#[derive(Default)]
pub struct Track {
    /// Place of the first sample.
    from: u64,
    samples: Vec<i16>,
}

impl Track {
    /// Takes the next piece. A gap becomes silence; what overlaps is dropped.
    pub fn push(&mut self, at: u64, samples: &[i16]) {
        if self.samples.is_empty() {
            self.from = at;
        }
        let gap = at.saturating_sub(self.end()).min(LONGEST_GAP);
        self.samples.resize(self.samples.len() + gap as usize, 0);
        let overlap = usize::try_from(self.end().saturating_sub(at)).unwrap_or(usize::MAX);
        self.samples.extend_from_slice(samples.get(overlap..).unwrap_or_default());
    }

    /// Place after the last sample.
    pub fn end(&self) -> u64 {
        self.from + self.samples.len() as u64
    }

    /// The samples between two places, as far as they are there.
    pub fn slice(&self, from: u64, to: u64) -> &[i16] {
        let index = |at: u64| (at.saturating_sub(self.from) as usize).min(self.samples.len());
        &self.samples[index(from)..index(to.max(from))]
    }

    /// Every sample so far is the same, and there are some.
    pub fn is_constant(&self) -> bool {
        !self.samples.is_empty() && is_constant(&self.samples)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_lie_at_their_places_with_gaps_filled_and_overlaps_dropped() {
        let mut track = Track::default();
        assert!(!track.is_constant());
        track.push(100, &[1, 2, 3]);
        track.push(105, &[6, 7]);
        track.push(106, &[7, 8]);
        track.push(0, &[9, 9]);
        assert_eq!(track.slice(0, 1000), [1, 2, 3, 0, 0, 6, 7, 8]);
        assert_eq!(track.slice(101, 103), [2, 3]);
        assert!(track.slice(200, 100).is_empty());
        assert_eq!(track.end(), 108);
        assert!(!track.is_constant());
        let mut dead = Track::default();
        dead.push(0, &[0; 50]);
        dead.push(70, &[0; 50]);
        assert!(dead.is_constant());
    }

    #[test]
    fn a_clock_that_jumps_does_not_fill_the_memory() {
        let mut track = Track::default();
        track.push(0, &[1]);
        track.push(u64::MAX / 2, &[1]);
        assert!(track.end() <= LONGEST_GAP + 2);
    }
}
