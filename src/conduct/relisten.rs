//! Recorded sound through today's listening: the events go as they went then, and each microphone's track is heard anew.
//!
//! Owns the replay of one track and the comparison of what was heard then and now. What counts at each moment follows from
//! the journal, not from what is heard now, so that one other verdict does not change all that come after it. Must not
//! write anything.

use super::keeper::Opening;
use super::recorded::Record;
use super::second_ear::Ears;
use super::set_up::{engines, unknown_words, EngineName};
use super::simulation::TICK;
use crate::audio::echo::{self, EchoCanceller};
use crate::audio::PER_MS;
use crate::debrief::sound::{self, Extent};
use crate::failure::{ExitCode, Failure};
use crate::listen::accept::Bar;
use crate::listen::engine::whisper::WhisperEngine;
use crate::listen::heard::{Heard, Verdict};
use crate::listen::listener::{Listener, Vocabulary};
use crate::procedure::{PhraseId, Post, Procedure};
use crate::record::folder::{AUDIO, PROCEDURE};
use crate::record::moved::Missing;
use crate::session::{step, Event, State, What};
use serde::Serialize;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// In a live session the canceller is given the loudspeaker's sound this much early (as in `ear`), samples.
const AHEAD: usize = 60 * PER_MS as usize;
/// Progress is told whenever so much sound was heard, samples: a second.
const TELL_EVERY: usize = 1_000 * PER_MS as usize;

/// A session ready to be heard again.
pub struct Recorded {
    pub folder: PathBuf,
    pub procedure: Procedure,
    /// Today's procedure, when it is not the one of then.
    today: Option<Procedure>,
    opening: Opening,
    events: Vec<Event>,
    extent: Extent,
    pub cautions: Vec<String>,
    missing: Vec<Missing>,
}

/// What one utterance was taken for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Taken {
    /// `accepted`, `other`, `unsure` or `ignored`.
    pub verdict: &'static str,
    /// The phrase; empty for what was ignored.
    pub phrase: String,
}

/// One utterance then and now; `None` where there was none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pair {
    pub from_ms: u64,
    pub to_ms: u64,
    pub then: Option<Taken>,
    pub now: Option<Taken>,
    /// The recorded sound ends before it does: it can't be heard again.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub after_the_sound: bool,
    /// Its sound was lost when the record was damaged: it can't be heard again.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub sound_missing: bool,
}

impl Pair {
    /// Whether something else would have followed. What is ignored is as good as nothing, and of what there is no sound of
    /// nothing is known.
    pub fn differs(&self) -> bool {
        if !self.has_sound() {
            return false;
        }
        let counts = |taken: &Option<Taken>| taken.clone().filter(|taken| taken.verdict != "ignored");
        counts(&self.then) != counts(&self.now)
    }
}

impl Pair {
    /// Whether it can be heard again.
    pub fn has_sound(&self) -> bool {
        !self.after_the_sound && !self.sound_missing
    }
}

impl Recorded {
    /// Reads what is needed of a session. `today` stands for its procedure when given.
    pub fn open(folder: &Path, today: Option<&Procedure>) -> Result<Recorded, Failure> {
        let record = Record::open(folder)?;
        let state = record.beginning();
        let lines = record.lines.iter().filter(|line| line.kind == "in");
        let events = lines.map(|line| record.event(line, &state)).collect::<Result<_, _>>()?;
        let Record { folder, procedure, opening, extent, cautions, missing, .. } = record;
        let today = today.cloned();
        Ok(Recorded { folder, procedure, today, opening, events, extent, cautions, missing })
    }

    pub fn posts(&self) -> &[Post] {
        &self.opening.posts
    }

    pub fn seconds(&self) -> f64 {
        self.extent.seconds()
    }

    /// The tracks that the loudspeaker played into this post's microphone: the tool's, and a stand-in's, who has no
    /// microphone.
    fn loudspeaker_at(&self, channel: usize) -> Vec<usize> {
        let tool = self.opening.posts.len();
        let Some(practice) = &self.opening.practice else { return vec![tool] };
        let is_stand_in = |post: &Post| post.hears(practice.stand_in());
        match self.opening.posts.iter().position(is_stand_in) {
            Some(stand_in) if stand_in == channel => Vec::new(),
            Some(stand_in) => vec![tool, stand_in],
            None => vec![tool],
        }
    }

    /// Whether this is what a stand-in said, in the microphone of who practised.
    fn is_echo(&self, now: &Heard) -> bool {
        let Some(practice) = &self.opening.practice else { return false };
        let half = now.end_ms.saturating_sub(now.start_ms) / 2;
        !now.post.hears(practice.stand_in())
            && self.events.iter().any(|event| match &event.what {
                What::Heard(then) if then.post != now.post => {
                    let both = then.end_ms.min(now.end_ms).saturating_sub(then.start_ms.max(now.start_ms));
                    let (then, now) = (taken(&self.procedure, then), taken(self.listened_for(), now));
                    both >= half.max(1) && !now.phrase.is_empty() && then.phrase == now.phrase
                }
                _ => false,
            })
    }

    /// What listened then, by the name that `--engine` has for it.
    pub fn engine(&self) -> EngineName {
        match self.opening.engine.starts_with("vosk") {
            true => EngineName::Vosk,
            false => EngineName::Phones,
        }
    }

    /// The language of what is listened for, a BCP 47 tag.
    pub fn language(&self) -> &str {
        &self.listened_for().language
    }

    /// The procedure that is listened for.
    fn listened_for(&self) -> &Procedure {
        self.today.as_ref().unwrap_or(&self.procedure)
    }

    /// How many ears listened then.
    pub fn ears(&self) -> Ears {
        match self.opening.engine.contains("whisper:") {
            true => Ears::Both,
            false => Ears::Phones,
        }
    }

    /// Hears one post's track again. `tell` is given the seconds heard, as they pass.
    pub fn hear(
        &self,
        post: usize,
        engine: EngineName,
        model: Option<&Path>,
        second: Option<&WhisperEngine>,
        tell: &dyn Fn(u64),
    ) -> Result<Vec<Pair>, Failure> {
        let mut engines = engines(engine, model, 1)?;
        let engine = engines.pop().ok_or_else(|| Failure::new(ExitCode::Internal, "no engine"))?;
        let procedure = self.listened_for();
        let vocabulary = Vocabulary::new(procedure, engine.as_ref()).map_err(|bad| {
            unknown_words(&bad, engine.as_ref(), &self.folder.join(PROCEDURE).display().to_string(), "")
        })?;
        let vocabulary = Arc::new(vocabulary);
        let mut listener = Listener::new(self.opening.posts[post], engine, vocabulary, Bar::default());
        listener.nobody_waits();
        if let Some(second) = second {
            listener = listener.with_second(Box::new(second.another()));
        }
        let mut hearing = Hearing {
            recorded: self,
            listener,
            canceller: EchoCanceller::new()?,
            state: State::new(&self.procedure, &self.opening.posts, self.opening.grace_ms),
            next: 0,
            at: 0,
            loudspeaker: VecDeque::new(),
            microphone: VecDeque::new(),
            heard: Vec::new(),
        };
        hearing.run(post, tell)?;
        Ok(self.compare(self.opening.posts[post], &hearing.heard))
    }

    /// Pairs what was heard then with what is heard now: the same utterance is where the two overlap.
    fn compare(&self, post: Post, now: &[Heard]) -> Vec<Pair> {
        let then = self.events.iter().filter_map(|event| match &event.what {
            What::Heard(heard) if heard.post == post => Some(heard),
            _ => None,
        });
        let mut left: Vec<&Heard> = now.iter().filter(|now| !self.is_echo(now)).collect();
        let mut pairs = Vec::new();
        for then in then {
            let overlap =
                |now: &Heard| then.end_ms.min(now.end_ms).saturating_sub(then.start_ms.max(now.start_ms));
            let best =
                (0..left.len()).filter(|at| overlap(left[*at]) > 0).max_by_key(|at| overlap(left[*at]));
            let now = best.map(|at| left.remove(at));
            pairs.push(Pair {
                from_ms: then.start_ms,
                to_ms: then.end_ms,
                then: Some(taken(&self.procedure, then)),
                now: now.map(|now| taken(self.listened_for(), now)),
                after_the_sound: then.end_ms as f64 > self.seconds() * 1000.0,
                sound_missing: self.missing.iter().any(|one| one.has_some_of(then.start_ms, then.end_ms)),
            });
        }
        pairs.extend(left.into_iter().map(|now| Pair {
            from_ms: now.start_ms,
            to_ms: now.end_ms,
            then: None,
            now: Some(taken(self.listened_for(), now)),
            after_the_sound: false,
            sound_missing: false,
        }));
        pairs.sort_by_key(|pair| pair.from_ms);
        pairs
    }
}

fn taken(procedure: &Procedure, heard: &Heard) -> Taken {
    let phrase = |id: &PhraseId| {
        procedure.phrases.get(usize::from(id.0)).map(|phrase| phrase.text.clone()).unwrap_or_default()
    };
    match &heard.verdict {
        Verdict::Accepted { phrase: id } => Taken { verdict: "accepted", phrase: phrase(id) },
        Verdict::Other { phrase: id } => Taken { verdict: "other", phrase: phrase(id) },
        Verdict::Unsure { closest, .. } => Taken { verdict: "unsure", phrase: phrase(closest) },
        Verdict::Ignored { .. } => Taken { verdict: "ignored", phrase: String::new() },
    }
}

/// One track on its way through the listener.
struct Hearing<'a> {
    recorded: &'a Recorded,
    listener: Listener,
    canceller: EchoCanceller,
    /// The session as it was then.
    state: State,
    /// The next event.
    next: usize,
    /// Samples heard.
    at: u64,
    /// Sound read and not yet heard.
    loudspeaker: VecDeque<i16>,
    microphone: VecDeque<i16>,
    heard: Vec<Heard>,
}

impl Hearing<'_> {
    fn run(&mut self, channel: usize, tell: &dyn Fn(u64)) -> Result<(), Failure> {
        let recorded = self.recorded;
        let path = recorded.folder.join(AUDIO);
        let ahead = if recorded.opening.is_live() { AHEAD } else { 0 };
        let plays = recorded.loudspeaker_at(channel);
        self.follow()?;
        let mut failed = None;
        let mut count = 0;
        let read = sound::frames(&path, &recorded.extent, |frame| {
            self.microphone.push_back(frame[channel]);
            self.loudspeaker
                .push_back(plays.iter().fold(0i16, |all, track| all.saturating_add(frame[*track])));
            count += 1;
            if count % TELL_EVERY == 0 {
                tell(1);
            }
            // The loudspeaker's sound is read `ahead` of the microphone's.
            if self.microphone.len() < TICK + ahead {
                return Ok(());
            }
            if count == TICK + ahead {
                self.loudspeaker.drain(..ahead);
            }
            self.tick().map_err(|failure| {
                failed = Some(failure);
                std::io::Error::other("stopped")
            })
        });
        match (failed, read) {
            (Some(failure), _) => Err(failure),
            (None, Err(error)) => {
                Err(Failure::new(ExitCode::BadAudio, format!("{}: can't be read", path.display())).why(error))
            }
            (None, Ok(())) => Ok(()),
        }
    }

    /// 20 ms, as `simulation` and `ear` do them.
    fn tick(&mut self) -> Result<(), Failure> {
        let mut sound: Vec<i16> = self.microphone.drain(..TICK).collect();
        let length = TICK.min(self.loudspeaker.len());
        let plays: Vec<i16> = self.loudspeaker.drain(..length).collect();
        let mut voice = vec![0i16; TICK];
        for at in (0..TICK).step_by(echo::FRAME) {
            let frame = at..at + echo::FRAME;
            self.canceller.frame(&plays[frame.clone()], &mut sound[frame.clone()], &mut voice[frame])?;
        }
        self.heard.extend(self.listener.push_cleared(&sound, &voice)?);
        self.at += TICK as u64;
        self.follow()
    }

    /// Lets everything happen that had happened by now.
    fn follow(&mut self) -> Result<(), Failure> {
        let now = self.at / PER_MS;
        let recorded = self.recorded;
        let begun = self.next;
        while let Some(event) = recorded.events.get(self.next).filter(|event| event.at_ms <= now) {
            self.next += 1;
            let (state, _) = step(self.state.clone(), event.clone(), &recorded.procedure);
            self.state = state;
            match &event.what {
                What::SpeechEnded { .. } => {
                    self.listener.cut(event.at_ms.saturating_sub(self.state.grace_ms));
                }
                What::PostBack { post } if *post == self.listener.post() => self.listener.restart(),
                _ => {}
            }
        }
        if self.next > begun {
            self.listener.set_counts(&self.counts())?;
        }
        Ok(())
    }

    /// The phrases that counted then, by their numbers in the procedure that is listened for.
    fn counts(&self) -> Vec<PhraseId> {
        let then = &self.recorded.procedure;
        let counts = self.state.counts_at(then, self.listener.post());
        let Some(today) = &self.recorded.today else { return counts };
        let same =
            |id: &PhraseId| today.phrase_ids().find(|now| today.phrase(*now).text == then.phrase(*id).text);
        counts.iter().filter_map(same).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn taken(verdict: &'static str) -> Option<Taken> {
        let phrase = if verdict == "ignored" { "" } else { "gown is closed" };
        Some(Taken { verdict, phrase: phrase.into() })
    }

    #[test]
    fn only_what_would_change_the_session_is_a_difference() {
        let pair = |then, now| Pair {
            from_ms: 0,
            to_ms: 1,
            then,
            now,
            after_the_sound: false,
            sound_missing: false,
        };
        let differs = |then, now| pair(then, now).differs();
        assert!(!differs(taken("accepted"), taken("accepted")));
        assert!(differs(taken("accepted"), taken("unsure")));
        assert!(differs(taken("accepted"), None) && differs(None, taken("accepted")));
        assert!(!differs(taken("ignored"), None) && !differs(None, taken("ignored")));
        assert!(!Pair { after_the_sound: true, ..pair(taken("accepted"), None) }.differs());
        assert!(!Pair { sound_missing: true, ..pair(taken("accepted"), None) }.differs());
    }
}
