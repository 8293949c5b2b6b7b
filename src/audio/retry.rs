//! When a device that is gone is tried again: soon at first, then less and less often.
//!
//! Owns the times. Each try looks through all devices, which takes a good part of a core while the sound server is gone. Pure:
//! the time is handed in. Must not know what is tried.

use std::time::{Duration, Instant};

/// From the loss to the first try, from that to the second, and so on; the last one from then on.
const WAITS: [Duration; 5] = [
    Duration::from_secs(2),
    Duration::from_secs(2),
    Duration::from_secs(4),
    Duration::from_secs(8),
    Duration::from_secs(10),
];

/// The tries to open a lost device again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Retry {
    /// Tries that failed since it was lost, or since something came back.
    failed: usize,
    next: Instant,
}

impl Retry {
    /// It was lost now.
    pub fn from(now: Instant) -> Retry {
        Retry { failed: 0, next: now + WAITS[0] }
    }

    pub fn is_due(&self, now: Instant) -> bool {
        now >= self.next
    }

    /// A try that ended now was in vain.
    pub fn failed(&mut self, now: Instant) {
        self.failed = (self.failed + 1).min(WAITS.len() - 1);
        self.next = now + WAITS[self.failed];
    }

    /// Another device came back now, and what it hung on with it: as if this one had been lost just before.
    pub fn hurry(&mut self, now: Instant) {
        self.failed = 0;
        self.next = self.next.min(now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tries_come_soon_at_first_then_less_often_and_soon_again_when_something_came_back() {
        let start = Instant::now();
        let mut retry = Retry::from(start);
        let mut now = start;
        let mut tries = |retry: &mut Retry, count: usize| -> Vec<u64> {
            let mut at = Vec::new();
            while at.len() < count {
                if retry.is_due(now) {
                    at.push((now - start).as_secs());
                    retry.failed(now);
                }
                now += Duration::from_millis(50);
            }
            at
        };
        assert_eq!(tries(&mut retry, 7), [2, 4, 8, 16, 26, 36, 46]);
        retry.hurry(start + Duration::from_millis(46_050));
        assert_eq!(tries(&mut retry, 4), [46, 48, 52, 60]);
    }
}
