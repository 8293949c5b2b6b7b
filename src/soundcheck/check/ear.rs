//! One microphone during a check, and what is known of it.
//!
//! Owns what is measured at it. Must not know the order of the check.

use super::{LATEST, QUIET};
use crate::audio::PER_MS;
use crate::listen::heard::Heard;
use crate::procedure::Post;
use crate::soundcheck::judge::{PROMPT_HEARD_DB, PROMPT_OVER_ROOM_DB};
use crate::soundcheck::measure::{self, Room};
use crate::soundcheck::report::{Microphone, Prompt};
use crate::soundcheck::track::Track;

/// One microphone and what is known of it.
pub struct Ear {
    pub post: Post,
    pub track: Track,
    /// Where the present stage begins, samples.
    pub from: u64,
    pub speaking: bool,
    /// A recording that is over.
    pub ended: bool,
    pub lost: Option<String>,
    pub room: Option<Room>,
    pub prompt: Prompt,
    /// How much later than it was spoken the tool's voice ends here, samples.
    pub late: u64,
    /// What was judged here: first and last sample, and whether it was the phrase.
    pub said: Vec<(u64, u64, bool)>,
    /// Heard before it was asked for: a recording does not wait for the tool.
    pub early: Vec<Heard>,
}

impl Ear {
    pub fn new(post: Post) -> Ear {
        Ear {
            post,
            track: Track::default(),
            from: 0,
            speaking: false,
            ended: false,
            lost: None,
            room: None,
            prompt: Prompt::NotTried,
            late: 0,
            said: Vec::new(),
            early: Vec::new(),
        }
    }

    pub fn quiet_is_over(&self) -> bool {
        self.ended || self.track.end() >= self.from + QUIET
    }

    /// The prompt began here, and ended where the stage began.
    pub fn hear_prompt(&mut self, began: u64) {
        let Some(room) = &self.room else { return };
        let ended = self.from;
        let lag = measure::lag(self.track.slice(began, ended + LATEST), ended.saturating_sub(began), room);
        let heard = self.track.slice(began + lag.begins, ended + lag.begins);
        self.prompt = match measure::prompt_over_room(heard, room) {
            None => Prompt::NotTried,
            Some(over_room_db) if over_room_db >= PROMPT_OVER_ROOM_DB => Prompt::Audible { over_room_db },
            Some(over_room_db) if over_room_db >= PROMPT_HEARD_DB => Prompt::Faint { over_room_db },
            Some(over_room_db) => Prompt::NotJudged { over_room_db },
        };
        self.late = lag.ends;
    }

    pub fn report(&self) -> Microphone {
        // What was surely the phrase is surely speech; otherwise everything that was taken for it.
        let any_sure = self.said.iter().any(|(_, _, is_it)| *is_it);
        let said = self.said.iter().filter(|(_, _, is_it)| *is_it || !any_sure);
        let speech: Vec<i16> =
            said.flat_map(|(from, to, _)| self.track.slice(*from, *to).iter().copied()).collect();
        Microphone {
            post: self.post,
            room: self.room,
            speech: measure::speech(&speech, self.room.as_ref()),
            prompt: self.prompt,
            prompt_late_ms: self.late / PER_MS,
            dead: self.track.is_constant(),
            lost: self.lost.clone(),
        }
    }
}
