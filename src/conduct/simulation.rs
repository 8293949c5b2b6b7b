//! A session on virtual time: sound is made or read in 20 ms ticks, and the clock is the number of samples.
//!
//! Owns the tick and the tool's rendered voice. Rehearsals (stand-in people) and WAV runs use the same loop as each
//! other, and the same keeper, listeners and rules as a live run. Must not decide anything about moving on.

use super::actors::Actors;
use super::keeper::Keeper;
use super::same_voice;
use super::second_ear;
use crate::audio::echo::{self, EchoCanceller};
use crate::audio::leak::Leak;
use crate::audio::noise::{NoiseSource, NoiseSpec};
use crate::audio::{level, AudioError, PER_MS, RATE};
use crate::listen::engine::EngineError;
use crate::listen::heard::Heard;
use crate::listen::listener::Listener;
use crate::procedure::{Post, Role};
use crate::record::RecordError;
use crate::session::{Action, Event, What};
use crate::voice::{Renderer, VoiceError};
use std::collections::VecDeque;
use std::sync::Arc;

/// Samples of one tick: 20 ms at 16 kHz.
pub const TICK: usize = 320;
/// Active speech level at which stand-ins speak into their microphones, dBFS: the nominal level of ITU-T P.56 work.
pub(super) const PERSON_DBFS: f32 = -26.0;
/// How far the loudspeaker is from each microphone, m.
const METRES: [f32; 2] = [1.5, 3.0];
/// Tracks are written this far behind the clock, so that nothing comes late.
const TRACK_LAG: u64 = RATE as u64;

#[derive(Debug, thiserror::Error)]
pub enum SimulationError {
    #[error(transparent)]
    Record(#[from] RecordError),
    #[error(transparent)]
    Audio(#[from] AudioError),
    #[error(transparent)]
    Engine(#[from] EngineError),
    #[error(transparent)]
    Voice(#[from] VoiceError),
}

/// Where a post's sound comes from.
pub trait Source {
    /// A new tick begins at this time on the session clock. `speaking`: somebody is in the middle of saying something
    /// at this post.
    fn tick(
        &mut self,
        keeper: &mut Keeper,
        now_ms: u64,
        speaking: &dyn Fn(Post) -> bool,
    ) -> Result<(), SimulationError>;
    /// Adds what the loudspeaker plays in this tick besides the tool's voice.
    fn loudspeaker(&self, _out: &mut [i16]) {}
    /// Whether this post's microphone is in the room with the loudspeaker.
    fn is_in_the_room(&self, _post: Post) -> bool {
        true
    }
    /// Fills one tick of this post's microphone. `loudspeaker` is what the loudspeaker plays in it.
    fn fill(&mut self, post: Post, loudspeaker: &[i16], out: &mut [i16]);
    /// Whether this was not said at its post but came from the loudspeaker.
    fn is_echo(&self, _keeper: &Keeper, _heard: &Heard) -> bool {
        false
    }
    /// Told after each event, with the session as it is now.
    fn after(&mut self, keeper: &mut Keeper, event: &What, actions: &[Action])
        -> Result<(), SimulationError>;
    /// There will be nothing more to hear.
    fn over(&self) -> bool;
    /// The session is over.
    fn ended(&mut self, _keeper: &mut Keeper) {}
}

/// What is played to people while a simulation runs in real time.
pub trait Aloud {
    /// The tick's mix of everything; blocks so that ticks pass in real time.
    fn play(&mut self, mix: &[i16]);
}

struct Speech {
    utterance: u64,
    samples: Arc<[i16]>,
    at: usize,
}

pub struct Simulation<'a> {
    keeper: Keeper,
    listeners: Vec<Listener>,
    /// One a listener.
    cancellers: Vec<EchoCanceller>,
    renderer: &'a mut Renderer,
    source: Box<dyn Source>,
    aloud: Option<Box<dyn Aloud>>,
    speech: Option<Speech>,
    at: u64,
    /// The session is ended as 'input ended' here at the latest, ms.
    limit_ms: u64,
    events: VecDeque<What>,
    at_the_end: Option<AtTheEnd>,
}

/// Makes the sentence that is spoken when a session is over, from its record.
pub type AtTheEnd = Box<dyn FnOnce(&Keeper) -> Option<String>>;

impl<'a> Simulation<'a> {
    pub fn new(
        keeper: Keeper,
        mut listeners: Vec<Listener>,
        renderer: &'a mut Renderer,
        source: Box<dyn Source>,
        aloud: Option<Box<dyn Aloud>>,
        limit_ms: u64,
    ) -> Simulation<'a> {
        listeners.iter_mut().for_each(Listener::nobody_waits);
        Simulation {
            keeper,
            listeners,
            cancellers: Vec::new(),
            renderer,
            source,
            aloud,
            speech: None,
            at: 0,
            limit_ms,
            events: VecDeque::new(),
            at_the_end: None,
        }
    }

    /// Runs to the end and hands the keeper back, also after an error, so that the record can be closed.
    pub fn run(self, interrupted: &dyn Fn() -> bool) -> (Keeper, u64, Result<(), SimulationError>) {
        let (keeper, _, end_ms, result) = self.run_with_listeners(interrupted);
        (keeper, end_ms, result)
    }

    /// The same for somebody who has more to hear: the listeners come back, to be restarted.
    pub fn run_with_listeners(
        mut self,
        interrupted: &dyn Fn() -> bool,
    ) -> (Keeper, Vec<Listener>, u64, Result<(), SimulationError>) {
        let result = self.run_inner(interrupted);
        (self.keeper, self.listeners, self.at / PER_MS, result)
    }

    fn run_inner(&mut self, interrupted: &dyn Fn() -> bool) -> Result<(), SimulationError> {
        self.cancellers = self.listeners.iter().map(|_| EchoCanceller::new()).collect::<Result<_, _>>()?;
        self.events.push_back(What::Begin);
        self.settle()?;
        while self.keeper.state.ended().is_none() {
            self.tick()?;
            if interrupted() {
                self.events.push_back(What::Interrupt);
            } else if self.now_ms() >= self.limit_ms || (self.source.over() && self.speech.is_none()) {
                self.events.push_back(What::InputEnded);
            }
            self.settle()?;
        }
        self.source.ended(&mut self.keeper);
        self.last_words()?;
        if let Some(text) = self.at_the_end.take().and_then(|text| text(&self.keeper)) {
            self.keeper.remark(self.now_ms(), &format!("said: {text}"))?;
            let samples = self.renderer.render(&self.keeper.procedure.spoken(&text))?;
            self.speech = Some(Speech { utterance: u64::MAX, samples, at: 0 });
            self.last_words()?;
        }
        Ok(())
    }

    /// Last words, if any, are spoken to their end; nothing said meanwhile counts.
    fn last_words(&mut self) -> Result<(), SimulationError> {
        while self.speech.is_some() {
            self.tick()?;
            self.events.clear();
        }
        Ok(())
    }

    /// A sentence that is spoken when the session is over.
    pub fn at_the_end(&mut self, text: AtTheEnd) {
        self.at_the_end = Some(text);
    }

    fn now_ms(&self) -> u64 {
        self.at / PER_MS
    }

    fn tick(&mut self) -> Result<(), SimulationError> {
        let mut tool = [0i16; TICK];
        self.speak(&mut tool)?;
        let listeners = &self.listeners;
        let speaking = |post: Post| listeners.iter().any(|one| one.post() == post && one.speaking());
        self.source.tick(&mut self.keeper, self.at / PER_MS, &speaking)?;
        let mut mix = tool;
        let mut loudspeaker = tool;
        self.source.loudspeaker(&mut loudspeaker);
        let mut sound = [0i16; TICK];
        for index in 0..self.listeners.len() {
            let post = self.listeners[index].post();
            self.source.fill(post, &loudspeaker, &mut sound);
            self.keeper.keep_post(post, self.at, &sound)?;
            mix.iter_mut().zip(&sound).for_each(|(all, one)| *all = all.saturating_add(*one));
            let mut voice = sound;
            // Where nothing of the loudspeaker is to be heard there is nothing to take out.
            let frames = if self.source.is_in_the_room(post) { 0..TICK } else { 0..0 };
            for at in frames.step_by(echo::FRAME) {
                let frame = at..at + echo::FRAME;
                let (near, voice) = (&loudspeaker[frame.clone()], &mut voice[frame.clone()]);
                self.cancellers[index].frame(near, &mut sound[frame], voice)?;
            }
            let heard = self.listeners[index].push_cleared(&sound, &voice)?;
            if let Some(why) = self.listeners[index].second_lost() {
                self.keeper.remark(self.at / PER_MS, &second_ear::lost(post, &why))?;
            }
            if let Some(why) = self.listeners[index].voices_lost() {
                self.keeper.remark(self.at / PER_MS, &same_voice::lost(&why))?;
            }
            for heard in heard {
                if self.source.is_echo(&self.keeper, &heard) {
                    self.keeper.echo(self.at / PER_MS, &heard)?;
                } else {
                    self.events.push_back(What::Heard(heard));
                }
            }
        }
        self.at += TICK as u64;
        self.keeper.advance_tracks(self.at.saturating_sub(TRACK_LAG))?;
        if let Some(why) = self.keeper.harmed() {
            self.events.push_back(What::RecordLost { why });
        }
        let somebody_speaks = self.listeners.iter().any(Listener::speaking);
        if self.keeper.due(self.now_ms(), somebody_speaks) {
            self.events.push_back(What::Time);
        }
        if let Some(aloud) = &mut self.aloud {
            aloud.play(&mix);
            self.keeper.show_at(self.at / PER_MS);
        }
        Ok(())
    }

    /// The tool's own voice for one tick.
    fn speak(&mut self, mix: &mut [i16; TICK]) -> Result<(), SimulationError> {
        let Some(speech) = &mut self.speech else { return Ok(()) };
        if speech.at == 0 {
            self.events.push_back(What::SpeechBegan { utterance: speech.utterance });
        }
        let end = (speech.at + TICK).min(speech.samples.len());
        let piece = &speech.samples[speech.at..end];
        mix[..piece.len()].copy_from_slice(piece);
        self.keeper.keep_tool(self.at, piece)?;
        speech.at = end;
        if end == speech.samples.len() {
            self.events.push_back(What::SpeechEnded { utterance: speech.utterance, whole: true });
            self.speech = None;
        }
        Ok(())
    }

    /// Handles every waiting event and what follows from it.
    fn settle(&mut self) -> Result<(), SimulationError> {
        while let Some(what) = self.events.pop_front() {
            let at_ms = self.now_ms();
            let actions = self.keeper.event(Event { at_ms, what: what.clone() })?;
            for action in &actions {
                self.carry_out(action)?;
            }
            if let What::SpeechEnded { .. } = what {
                let from = at_ms.saturating_sub(self.keeper.state.grace_ms);
                self.listeners.iter_mut().for_each(|listener| listener.cut(from));
            }
            for listener in &mut self.listeners {
                let counts = self.keeper.state.counts_at(&self.keeper.procedure, listener.post());
                listener.set_counts(&counts)?;
            }
            self.source.after(&mut self.keeper, &what, &actions)?;
        }
        Ok(())
    }

    fn carry_out(&mut self, action: &Action) -> Result<(), SimulationError> {
        match action {
            Action::Say { utterance, text, .. } => {
                let samples = self.renderer.render(&self.keeper.procedure.spoken(text))?;
                self.speech = Some(Speech { utterance: *utterance, samples, at: 0 });
            }
            Action::Hush => {
                if let Some(speech) = self.speech.take() {
                    self.events.push_back(What::SpeechEnded { utterance: speech.utterance, whole: false });
                }
            }
            // Before whatever else has happened.
            Action::MoveRecord => self.events.push_front(self.keeper.move_record()?),
            Action::Note(_) | Action::End { .. } => {}
        }
        Ok(())
    }
}

/// Stand-in people with voices of their own, and noise.
pub struct Cast {
    actors: Actors,
    posts: Vec<Post>,
    worker: Renderer,
    observer: Renderer,
    waiting: Option<super::actors::Line>,
    /// Somebody calls over this prompt, and then waits for what the tool makes of it.
    calling: bool,
    /// What each post's microphone will still hear.
    sound: Vec<VecDeque<i16>>,
    noise: Vec<Option<NoiseSource>>,
    /// The tool's voice in each post's microphone.
    leaks: Vec<Leak>,
    /// Told of each line as it is said.
    witness: Option<Witness>,
    /// Only this one speaks; somebody else plays the other.
    only: Option<Role>,
    /// The microphones hear the loudspeaker, or might.
    in_the_room: bool,
}

/// Hears of each line that a stand-in says.
pub type Witness = Box<dyn FnMut(&super::actors::Line)>;

impl Cast {
    pub fn new(
        actors: Actors,
        posts: &[Post],
        worker: Renderer,
        observer: Renderer,
        noise: Option<NoiseSpec>,
        seed: u64,
    ) -> Cast {
        let source = |index: usize| {
            noise.map(|noise| {
                NoiseSource::new(noise.kind, seed ^ (index as u64 + 1), PERSON_DBFS - noise.snr_db)
            })
        };
        Cast {
            actors,
            posts: posts.to_vec(),
            worker,
            observer,
            waiting: None,
            calling: false,
            sound: vec![VecDeque::new(); posts.len()],
            noise: (0..posts.len()).map(source).collect(),
            leaks: Vec::new(),
            witness: None,
            only: None,
            in_the_room: true,
        }
    }

    /// The microphones are where no loudspeaker is heard: nothing is taken out of their sound, which saves time.
    pub fn out_of_the_room(&mut self) {
        self.in_the_room = false;
    }

    /// From now on only this one speaks.
    pub fn only(&mut self, role: Role) {
        self.only = Some(role);
    }

    fn plays(&self, role: Role) -> bool {
        self.only.is_none_or(|only| only == role)
    }

    /// From now on this is told of every line.
    pub fn witness(&mut self, witness: Witness) {
        self.witness = Some(witness);
    }

    /// From now on the tool's voice leaks into every microphone: `leak_db` above the people's level there, when the
    /// tool speaks at `tool_dbfs` (both active speech levels).
    pub fn leak(&mut self, leak_db: f32, tool_dbfs: f32, seed: u64) {
        let gain_db = PERSON_DBFS + leak_db - tool_dbfs;
        let leak = |index: usize| Leak::new(gain_db, METRES[index % METRES.len()], seed ^ (index as u64 + 1));
        self.leaks = (0..self.posts.len()).map(leak).collect();
    }

    fn say(&mut self, line: &super::actors::Line) -> Result<(), SimulationError> {
        if let Some(witness) = &mut self.witness {
            witness(line);
        }
        let voice = match line.role {
            Role::Worker => &mut self.worker,
            Role::Observer => &mut self.observer,
        };
        let samples = at_level(&voice.render(&line.text)?, PERSON_DBFS + line.louder_db);
        if let Some(index) = self.posts.iter().position(|post| post.hears(line.role)) {
            self.sound[index].extend(samples);
        }
        Ok(())
    }
}

impl Source for Cast {
    fn tick(&mut self, _: &mut Keeper, now_ms: u64, _: &dyn Fn(Post) -> bool) -> Result<(), SimulationError> {
        match self.waiting.take_if(|line| line.at_ms <= now_ms) {
            Some(line) => self.say(&line),
            None => Ok(()),
        }
    }

    fn is_in_the_room(&self, _: Post) -> bool {
        self.in_the_room
    }

    fn fill(&mut self, post: Post, loudspeaker: &[i16], out: &mut [i16]) {
        let Some(index) = self.posts.iter().position(|known| *known == post) else { return out.fill(0) };
        match &mut self.noise[index] {
            Some(noise) => noise.next(out),
            None => out.fill(0),
        }
        for sample in out.iter_mut() {
            match self.sound[index].pop_front() {
                Some(voice) => *sample = sample.saturating_add(voice),
                None => break,
            }
        }
        if let Some(leak) = self.leaks.get_mut(index) {
            leak.add(loudspeaker, out);
        }
    }

    fn after(
        &mut self,
        keeper: &mut Keeper,
        event: &What,
        actions: &[Action],
    ) -> Result<(), SimulationError> {
        if super::actors::tool_speaks(actions) {
            (self.waiting, self.calling) = (None, false);
        }
        if !keeper.state.awaited(&keeper.procedure).is_some_and(|role| self.plays(role)) {
            return Ok(());
        }
        if matches!(event, What::SpeechBegan { .. }) {
            self.waiting = self.actors.over_the_prompt(&keeper.procedure, &keeper.state);
            self.calling = self.waiting.is_some();
        }
        let ended = matches!(event, What::SpeechEnded { whole: true, .. });
        if ended && keeper.state.speaking.is_none() && !self.calling {
            self.waiting = self.actors.answer(&keeper.procedure, &keeper.state);
        }
        Ok(())
    }

    fn over(&self) -> bool {
        false
    }
}

/// Recorded sound, a clip a post, from the session's beginning on.
pub struct Recorded {
    clips: Vec<(Post, Vec<i16>)>,
    at: usize,
}

impl Recorded {
    /// After the longest clip a session still waits this long for what is being said, samples.
    const TAIL: usize = 2 * RATE as usize;

    pub fn new(clips: Vec<(Post, Vec<i16>)>) -> Recorded {
        Recorded { clips, at: 0 }
    }
}

impl Source for Recorded {
    fn tick(&mut self, _: &mut Keeper, now_ms: u64, _: &dyn Fn(Post) -> bool) -> Result<(), SimulationError> {
        self.at = usize::try_from(now_ms * PER_MS).unwrap_or(usize::MAX);
        Ok(())
    }

    fn fill(&mut self, post: Post, _: &[i16], out: &mut [i16]) {
        out.fill(0);
        if let Some((_, clip)) = self.clips.iter().find(|(known, _)| *known == post) {
            let rest = clip.get(self.at..).unwrap_or_default();
            let take = rest.len().min(out.len());
            out[..take].copy_from_slice(&rest[..take]);
        }
    }

    fn after(&mut self, _: &mut Keeper, _: &What, _: &[Action]) -> Result<(), SimulationError> {
        Ok(())
    }

    fn over(&self) -> bool {
        let longest = self.clips.iter().map(|(_, clip)| clip.len()).max().unwrap_or(0);
        self.at > longest + Recorded::TAIL
    }
}

/// Scales a clip to an active speech level (ITU-T P.56), dBFS. A clip without speech stays as it is.
pub fn at_level(samples: &[i16], dbfs: f32) -> Vec<i16> {
    let active = level::active_level_dbfs(samples);
    if active.activity == 0.0 {
        return samples.to_vec();
    }
    let gain = level::gain(dbfs - active.level_dbfs);
    samples.iter().map(|sample| (f32::from(*sample) * gain).clamp(-32_768.0, 32_767.0) as i16).collect()
}

impl From<SimulationError> for crate::failure::Failure {
    fn from(error: SimulationError) -> Self {
        match error {
            SimulationError::Record(error) => error.into(),
            SimulationError::Audio(error) => error.into(),
            SimulationError::Engine(error) => error.into(),
            SimulationError::Voice(error) => error.into(),
        }
    }
}
