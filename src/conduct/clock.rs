//! Watching the machine's clock against one that nobody can set.
//!
//! Pure: both times are given. Owns what counts as a step of the clock.

use chrono::{DateTime, FixedOffset, TimeDelta};
use serde::Serialize;
use std::time::Duration;

/// The clock may be this far from where it should be before that is noted, ms. A time service that slews it stays
/// below for an hour.
const STEP_MS: i64 = 2_000;

/// The machine's clock was set, or the machine slept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Step {
    /// Back is negative.
    pub moved_ms: i64,
    /// What it would have shown.
    pub due: DateTime<FixedOffset>,
}

impl Step {
    pub fn words(&self) -> String {
        let seconds = self.moved_ms.unsigned_abs() as f64 / 1000.0;
        match self.moved_ms < 0 {
            true => format!("the machine's clock was set back by {seconds:.1} s"),
            false => format!("the machine's clock was set forward by {seconds:.1} s, or the machine slept"),
        }
    }
}

/// Where the two clocks stood when they last were compared and found apart, or at first.
#[derive(Debug, Clone, Copy)]
pub struct Watch {
    wall: DateTime<FixedOffset>,
    steady: Duration,
}

impl Watch {
    pub fn new(wall: DateTime<FixedOffset>, steady: Duration) -> Watch {
        Watch { wall, steady }
    }

    /// Compares them again. `steady` never goes back. Each step is told once.
    pub fn look(&mut self, wall: DateTime<FixedOffset>, steady: Duration) -> Option<Step> {
        let passed = TimeDelta::from_std(steady.saturating_sub(self.steady)).ok()?;
        let due = self.wall.checked_add_signed(passed)?;
        let moved_ms = wall.signed_duration_since(due).num_milliseconds();
        if moved_ms.abs() <= STEP_MS {
            return None;
        }
        *self = Watch { wall, steady };
        Some(Step { moved_ms, due })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: i64) -> DateTime<FixedOffset> {
        let zero = DateTime::parse_from_rfc3339("2026-11-25T00:15:00+01:00").expect("a valid time");
        zero + TimeDelta::milliseconds(ms)
    }

    #[test]
    fn clocks_that_go_together_say_nothing_and_a_step_is_told_once() {
        let mut watch = Watch::new(at(0), Duration::from_secs(100));
        let mut look = |wall_ms: i64, steady_ms: u64| {
            let step = watch.look(at(wall_ms), Duration::from_millis(100_000 + steady_ms));
            step.map(|step| (step.moved_ms, step.words()))
        };
        assert_eq!(look(5_000, 5_000), None);
        assert_eq!(look(11_900, 10_000), None, "less than two seconds");
        let back = look(-3_589_000, 11_000).unwrap();
        assert_eq!(back, (-3_600_000, "the machine's clock was set back by 3600.0 s".to_string()));
        assert_eq!(look(-3_588_000, 12_000), None);
        let (moved_ms, words) = look(13_000, 13_000).unwrap();
        assert_eq!(moved_ms, 3_600_000);
        assert!(words.contains("forward by 3600.0 s, or the machine slept"), "{words}");
    }

    #[test]
    fn many_small_steps_are_no_way_around_it() {
        let mut watch = Watch::new(at(0), Duration::ZERO);
        let told = (1..=10).filter_map(|n| watch.look(at(-500 * n), Duration::ZERO)).count();
        assert_eq!(told, 2);
    }
}
