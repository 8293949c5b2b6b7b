//! A record that was damaged while its session ran, and went on in a new place: the line that says so, and what it means for
//! whoever reads the record.
//!
//! Owns the body of that line and its words. Must not know how a record is moved, nor judge one.
//!
//! The new folder's journal has every line of the old one, byte for byte, and then this line: the chain goes on. So its first
//! line names the session as it began, and the last of these lines the folder that it is in now.

use super::journal::MOVED;
use super::read::Line;
use crate::audio::RATE;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// The body of a line of kind `moved`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moved {
    /// Name of the folder that was damaged, and of the one that it went on in.
    pub from: String,
    pub to: String,
    /// What was seen of the damage.
    pub why: String,
    /// Sound that could not be read back: silence stands in its place. `None`: all sound so far is there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sound_missing: Option<Missing>,
}

/// A stretch of the sound, in samples of each track.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Missing {
    pub from_frames: u64,
    pub to_frames: u64,
}

impl Missing {
    /// From and to, seconds.
    pub fn seconds(self) -> (f64, f64) {
        (self.from_frames as f64 / f64::from(RATE), self.to_frames as f64 / f64::from(RATE))
    }

    /// Whether some of what was said from and to then (ms) is in it.
    pub fn has_some_of(self, from_ms: u64, to_ms: u64) -> bool {
        let (from, to) = self.seconds();
        (from_ms as f64) < to * 1000.0 && to_ms as f64 > from * 1000.0
    }
}

impl Moved {
    /// What this line says, if it is one of these and fits its own digest.
    pub fn of(line: &Line) -> Option<Moved> {
        let moved = (line.kind == MOVED && line.sound).then(|| serde_json::from_value(line.body.clone()));
        moved?.ok()
    }

    /// The caution that goes with such a record; `ms` is when it was moved.
    pub fn caution(&self, ms: u64) -> String {
        let sound = match self.sound_missing {
            None => "all sound before that is here too".to_owned(),
            Some(missing) => {
                let (from, to) = missing.seconds();
                format!("the sound from {from:.1} s to {to:.1} s is missing, and silence stands in its place")
            }
        };
        format!(
            "the record was moved at {:.1} s, from '{}' to '{}', because it was damaged while the session ran ({}); every line \
             of the journal is here, {sound}",
            ms as f64 / 1000.0,
            self.from,
            self.to,
            self.why
        )
    }
}

/// Every move of a record, with the line that says so.
pub fn moves(lines: &[Line]) -> impl Iterator<Item = (&Line, Moved)> {
    lines.iter().filter_map(|line| Some((line, Moved::of(line)?)))
}

/// The name of the folder that a record is in by what its own lines say.
pub(crate) fn session_of(lines: &[Line]) -> Option<String> {
    let first = lines.first().filter(|line| line.kind == "session" && line.sound)?;
    let moved = lines.iter().rev().find_map(Moved::of).map(|moved| moved.to);
    moved.or_else(|| first.body.get("session").and_then(Value::as_str).map(str::to_owned))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_in_a_missing_stretch_is_told_from_what_is_not() {
        let missing = Missing { from_frames: 160_000, to_frames: 320_000 };
        assert_eq!(missing.seconds(), (10.0, 20.0));
        for (from, to, there) in [(9_000, 10_000, false), (9_000, 10_001, true), (19_999, 25_000, true)] {
            assert_eq!(missing.has_some_of(from, to), there, "{from} to {to}");
        }
        assert!(!missing.has_some_of(20_000, 21_000));
    }

    #[test]
    fn the_caution_says_from_where_to_where_why_and_what_is_missing() {
        let missing = Some(Missing { from_frames: 160_000, to_frames: 328_000 });
        let why = "audio.wav was changed".to_owned();
        let moved = Moved { from: "one".into(), to: "one-moved".into(), why, sound_missing: missing };
        let caution = moved.caution(21_300);
        for part in ["at 21.3 s", "'one'", "'one-moved'", "audio.wav was changed", "from 10.0 s to 20.5 s"] {
            assert!(caution.contains(part), "{caution}");
        }
        assert!(Moved { sound_missing: None, ..moved }.caution(0).contains("all sound before that is here"));
    }
}
