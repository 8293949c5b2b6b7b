//! A session in real time: microphones, a voice in the room, one runner that owns the state and the record.
//!
//! Owns the threads' ends and the clock. Channels only, no shared locks. `microphones` looks after those. Must not decide
//! anything about moving on.

mod microphones;

use super::ear::{self, By, FromEar, ToEar};
use super::keeper::Keeper;
use super::live_partner::LivePartner;
use super::microphone::OpenMicrophone;
use super::same_sound::SameSound;
use super::same_voice;
use super::second_ear;
use super::simulation::AtTheEnd;
use crate::audio::{AudioError, PER_MS};
use crate::listen::listener::Listener;
use crate::procedure::{PhraseId, Post};
use crate::record::RecordError;
use crate::session::lines::lines;
use crate::session::{Action, Event, Outcome, What};
use crate::voice::{LiveVoice, Played, VoiceError, VoiceEvent};
use crossbeam_channel::{select, Receiver, Sender};
use microphones::PostSound;
use std::collections::HashMap;
use std::time::{Duration, Instant};

/// The runner looks at the clock at least this often.
const LOOK: Duration = Duration::from_millis(50);
/// Last words take at most this long.
const LAST_WORDS: Duration = Duration::from_secs(20);
/// Tracks are written this far behind the clock, ms.
const TRACK_LAG_MS: u64 = 2_000;

#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    #[error(transparent)]
    Record(#[from] RecordError),
    #[error(transparent)]
    Audio(#[from] AudioError),
    #[error(transparent)]
    Voice(#[from] VoiceError),
    #[error("the {post} post can't listen any more: {why}")]
    Ear { post: &'static str, why: String },
}

/// What speaks, and what to speak with when that fails.
pub struct Mouth {
    pub voice: Box<dyn LiveVoice>,
    pub events: Receiver<VoiceEvent>,
    /// Sound of a rendered voice, for the record.
    pub played: Receiver<Played>,
    /// Makes the voice that takes over when `voice` fails; used once.
    pub second: Option<SecondVoice>,
}

/// Makes another voice.
pub type SecondVoice = Box<dyn FnOnce() -> Result<Box<dyn LiveVoice>, VoiceError>>;

pub struct Live {
    keeper: Keeper,
    mouth: Mouth,
    posts: Vec<PostSound>,
    news: Receiver<FromEar>,
    /// For ears that are started later.
    out: Sender<FromEar>,
    partner: Option<LivePartner>,
    at_the_end: Option<AtTheEnd>,
    limit_ms: u64,
    began: Instant,
    /// Session position of an utterance's first sample, and samples of it so far.
    playing: HashMap<u64, (u64, u64)>,
    counts: HashMap<Post, Vec<PhraseId>>,
    speaking: Option<u64>,
    /// Looks at the microphones' sound where there are two.
    same: Option<SameSound>,
}

impl Live {
    /// Starts an ear for each microphone. The session clock starts here.
    pub fn new(
        keeper: Keeper,
        mouth: Mouth,
        listeners: Vec<Listener>,
        microphones: Vec<OpenMicrophone>,
    ) -> Result<Live, LiveError> {
        let began = Instant::now();
        let (out, news) = crossbeam_channel::unbounded();
        let mut posts = Vec::new();
        for (listener, open) in listeners.into_iter().zip(microphones) {
            let ear = ear::start(listener, began, out.clone());
            let wanted = open.id().to_string();
            let microphone = open.deliver_to(&ear)?;
            posts.push(PostSound::new(microphone.post(), ear, Some((wanted, microphone))));
        }
        let same = (posts.len() == 2).then(SameSound::default);
        Ok(Live {
            keeper,
            mouth,
            posts,
            news,
            out,
            partner: None,
            at_the_end: None,
            limit_ms: u64::MAX,
            began,
            playing: HashMap::new(),
            counts: HashMap::new(),
            speaking: None,
            same,
        })
    }

    /// A stand-in plays one of the two. `make` gets the ear that listens to it.
    pub fn with_partner(&mut self, listener: Listener, make: impl FnOnce(Sender<ToEar>) -> LivePartner) {
        let post = listener.post();
        let ear = ear::start(listener, self.began, self.out.clone());
        self.partner = Some(make(ear.clone()));
        self.posts.push(PostSound::new(post, ear, None));
    }

    /// A sentence that is spoken when the session is over.
    pub fn at_the_end(&mut self, text: AtTheEnd) {
        self.at_the_end = Some(text);
    }

    /// The session is ended as 'input ended' here at the latest, ms.
    pub fn limit(&mut self, limit_ms: u64) {
        self.limit_ms = limit_ms;
    }

    /// Runs to the end and hands the keeper back, also after an error, so that the record can be closed.
    pub fn run(mut self, interrupted: &dyn Fn() -> bool) -> (Keeper, u64, Result<(), LiveError>) {
        let result = self.run_inner(interrupted).and_then(|()| self.count_all_dropped());
        if let Some(partner) = &mut self.partner {
            partner.end(&mut self.keeper);
        }
        let result = result.and_then(|()| self.say_at_the_end());
        if result.is_err() {
            self.say_that_it_failed();
        }
        self.mouth.voice.hush();
        let end_ms = self.now_ms();
        (self.keeper, end_ms, result)
    }

    /// A session that can't go on (a full disk, an ear that died) is told to the people, who look at each other and not
    /// at the screen. Nothing of it is recorded: the record may be what failed.
    fn say_that_it_failed(&mut self) {
        let text = lines(&self.keeper.procedure.language).0.failed;
        let utterance = u64::MAX;
        self.mouth.voice.hush();
        self.mouth.voice.speak(utterance, text);
        let until = Instant::now() + LAST_WORDS;
        while let Ok(event) = self.mouth.events.recv_deadline(until) {
            match event {
                VoiceEvent::Ended { utterance: ended } if ended == utterance => break,
                // A voice that is dead too leaves the screen, and the message at the end.
                VoiceEvent::Failed { .. } => break,
                _ => {}
            }
        }
    }

    fn now_ms(&self) -> u64 {
        self.began.elapsed().as_millis() as u64
    }

    fn run_inner(&mut self, interrupted: &dyn Fn() -> bool) -> Result<(), LiveError> {
        self.event(What::Begin)?;
        while self.keeper.state.ended().is_none() {
            if interrupted() {
                self.event(What::Interrupt)?;
                break;
            }
            self.wait_and_handle()?;
            self.look_after_microphones()?;
            self.partner_speaks()?;
            let now = self.now_ms();
            if now >= self.limit_ms {
                self.event(What::InputEnded)?;
            }
            let somebody_speaks = self.posts.iter().any(|post| post.speaking);
            if self.keeper.due(now, somebody_speaks) {
                self.event(What::Time)?;
            }
            self.keeper.advance_tracks(now.saturating_sub(TRACK_LAG_MS) * PER_MS)?;
            if let Some(why) = self.keeper.harmed() {
                self.event(What::RecordLost { why })?;
            }
            self.keeper.show_at(now);
        }
        self.last_words()
    }

    /// Waits for the next thing that happens, at most until the clock must be looked at.
    fn wait_and_handle(&mut self) -> Result<(), LiveError> {
        let until_wake = self.keeper.state.wake_at().map(|wake| wake.saturating_sub(self.now_ms()));
        let timeout = until_wake.map_or(LOOK, |ms| Duration::from_millis(ms).min(LOOK));
        let stand_in = self.partner.as_ref().map_or_else(crossbeam_channel::never, LivePartner::played);
        select! {
            recv(self.news) -> news => if let Ok(news) = news { self.news(news)? },
            recv(self.mouth.events) -> event => if let Ok(event) = event { self.voice(event)? },
            recv(self.mouth.played) -> played => match played {
                Ok(played) => self.played(played)?,
                // The system's voice has no sound for us: don't spin on a closed channel.
                Err(_) => self.mouth.played = crossbeam_channel::never(),
            },
            recv(stand_in) -> played => if let Ok(played) = played { self.stand_in_played(played) },
            default(timeout) => {}
        }
        Ok(())
    }

    fn event(&mut self, what: What) -> Result<(), LiveError> {
        let at_ms = self.now_ms();
        let tool_ended = matches!(what, What::SpeechEnded { .. });
        let actions = self.keeper.event(Event { at_ms, what: what.clone() })?;
        if let Some(partner) = &mut self.partner {
            partner.after(&mut self.keeper, &what, &actions);
        }
        if tool_ended {
            let from = at_ms.saturating_sub(self.keeper.state.grace_ms);
            for post in &self.posts {
                let _ = post.ear.send(ToEar::Cut(from));
            }
        }
        for post in &self.posts {
            let counts = self.keeper.state.counts_at(&self.keeper.procedure, post.post);
            if self.counts.get(&post.post) != Some(&counts) {
                // An ear that failed has said so; see `news`.
                let _ = post.ear.send(ToEar::Counts(counts.clone()));
                self.counts.insert(post.post, counts);
            }
        }
        for action in actions {
            match action {
                Action::Say { utterance, text, .. } => {
                    self.speaking = Some(utterance);
                    self.mouth.voice.speak(utterance, &self.keeper.procedure.spoken(&text));
                }
                Action::Hush => self.mouth.voice.hush(),
                Action::MoveRecord => {
                    let what = self.keeper.move_record()?;
                    self.event(what)?;
                }
                Action::Note(_) | Action::End { .. } => {}
            }
        }
        Ok(())
    }

    fn news(&mut self, news: FromEar) -> Result<(), LiveError> {
        match news {
            FromEar::Heard(heard) => {
                let procedure = &self.keeper.procedure;
                if self.partner.as_ref().is_some_and(|partner| partner.is_echo(procedure, &heard)) {
                    return Ok(self.keeper.echo(self.now_ms(), &heard)?);
                }
                self.event(What::Heard(heard))
            }
            FromEar::Sound { post, at, samples, speaking } => {
                if let Some(index) = self.posts.iter().position(|sound| sound.post == post) {
                    let sound = &mut self.posts[index];
                    sound.speaking = speaking && (sound.digital || sound.microphone.is_some());
                    self.compare(index, at, &samples)?;
                }
                Ok(self.keeper.keep_post(post, at, &samples)?)
            }
            FromEar::Lost { post, frames } => {
                let sound = self.posts.iter_mut().find(|sound| sound.post == post);
                if let Some(sound) = sound {
                    sound.dropped.frames += frames;
                }
                Ok(())
            }
            FromEar::OneEar { post, why } => {
                Ok(self.keeper.remark(self.now_ms(), &second_ear::lost(post, &why))?)
            }
            FromEar::NoVoices { why } => Ok(self.keeper.remark(self.now_ms(), &same_voice::lost(&why))?),
            FromEar::Failed { post, why } => Err(LiveError::Ear { post: post.name(), why }),
        }
    }

    fn voice(&mut self, event: VoiceEvent) -> Result<(), LiveError> {
        let what = match event {
            VoiceEvent::Began { utterance } => What::SpeechBegan { utterance },
            VoiceEvent::Ended { utterance } => self.ended(utterance, true),
            VoiceEvent::CutShort { utterance } => self.ended(utterance, false),
            VoiceEvent::Failed { utterance, why } => {
                self.second_voice(&why)?;
                What::VoiceFailed { utterance, why }
            }
            VoiceEvent::Back => {
                self.sound_is_back();
                What::VoiceBack
            }
        };
        self.event(what)
    }

    fn ended(&mut self, utterance: u64, whole: bool) -> What {
        self.speaking = self.speaking.filter(|speaking| *speaking != utterance);
        let now = self.position(Instant::now());
        if let Some(same) = &mut self.same {
            same.tool_spoke(now);
        }
        What::SpeechEnded { utterance, whole }
    }

    /// After a failure another voice takes over, once, and everybody is told.
    fn second_voice(&mut self, why: &str) -> Result<(), LiveError> {
        let Some(make) = self.mouth.second.take() else { return Ok(()) };
        let text = match make() {
            Ok(voice) => {
                self.mouth.voice = voice;
                format!("the voice failed ({why}); from now on: {}", self.mouth.voice.describe())
            }
            Err(error) => format!("the voice failed ({why}), and no other speaks: {error}"),
        };
        Ok(self.keeper.remark(self.now_ms(), &text)?)
    }

    /// Every ear is told what the loudspeaker plays, and the record keeps what it did play.
    fn played(&mut self, played: Played) -> Result<(), LiveError> {
        match played {
            Played::Begins { at, samples } => {
                let at = self.position(at);
                self.tell_ears(|| ToEar::Plays { by: By::Tool, at, samples: samples.clone() });
            }
            Played::CutShort { at } => {
                let at = self.position(at);
                self.tell_ears(|| ToEar::FallsSilent { by: By::Tool, at });
            }
            Played::Piece { utterance, at, samples } => {
                let at = self.position(at);
                let (origin, so_far) = self.playing.entry(utterance).or_insert((at, 0));
                let position = *origin + *so_far;
                *so_far += samples.len() as u64;
                self.keeper.keep_tool(position, &samples)?;
            }
        }
        Ok(())
    }

    /// Tells every ear that hears the loudspeaker. One that failed has said so; see `news`.
    fn tell_ears(&self, order: impl Fn() -> ToEar) {
        self.posts.iter().filter(|post| !post.digital).for_each(|post| drop(post.ear.send(order())));
    }

    /// What the stand-in says goes to its own post, and the trainee's ear is told that the loudspeaker plays it.
    fn stand_in_played(&mut self, played: Played) {
        let (by, at) = match &played {
            Played::Begins { at, .. } | Played::CutShort { at } => (By::StandIn, self.position(*at)),
            Played::Piece { .. } => return,
        };
        match &played {
            Played::Begins { samples, .. } => {
                self.tell_ears(|| ToEar::Plays { by, at, samples: samples.clone() });
            }
            _ => self.tell_ears(|| ToEar::FallsSilent { by, at }),
        }
        if let Some(partner) = &mut self.partner {
            partner.began(at, &played);
        }
    }

    fn partner_speaks(&mut self) -> Result<(), LiveError> {
        let (now, position) = (self.now_ms(), self.position(Instant::now()));
        let others = self.posts.iter().any(|post| post.speaking && !post.digital);
        let Some(partner) = &mut self.partner else { return Ok(()) };
        let post = partner.post();
        match partner.speak(&mut self.keeper, now, position, others)? {
            Some(why) => self.event(What::PostLost { post, why }),
            None => Ok(()),
        }
    }

    /// Unless the user interrupted.
    fn say_at_the_end(&mut self) -> Result<(), LiveError> {
        if self.keeper.state.ended() == Some(Outcome::Interrupted) {
            return Ok(());
        }
        let Some(text) = self.at_the_end.take().and_then(|text| text(&self.keeper)) else { return Ok(()) };
        self.keeper.remark(self.now_ms(), &format!("said: {text}"))?;
        let utterance = u64::MAX;
        self.speaking = Some(utterance);
        self.mouth.voice.speak(utterance, &self.keeper.procedure.spoken(&text));
        self.last_words()
    }

    /// A time as a position on the session clock, samples.
    fn position(&self, at: Instant) -> u64 {
        at.saturating_duration_since(self.began).as_micros() as u64 * PER_MS / 1000
    }

    /// What was being said when the session ended is said to its end, unless the user interrupted.
    fn last_words(&mut self) -> Result<(), LiveError> {
        if self.keeper.state.ended() == Some(Outcome::Interrupted) {
            return Ok(());
        }
        let since = Instant::now();
        while self.speaking.is_some() && since.elapsed() < LAST_WORDS {
            select! {
                recv(self.mouth.events) -> event => match event {
                    Ok(VoiceEvent::Ended { utterance } | VoiceEvent::CutShort { utterance }
                        | VoiceEvent::Failed { utterance, .. }) => {
                        self.speaking = self.speaking.filter(|speaking| *speaking != utterance);
                    }
                    Ok(VoiceEvent::Began { .. } | VoiceEvent::Back) => {}
                    Err(_) => break,
                },
                recv(self.mouth.played) -> played => match played {
                    Ok(played) => self.played(played)?,
                    Err(_) => self.mouth.played = crossbeam_channel::never(),
                },
                recv(self.news) -> news => if let Ok(FromEar::Sound { post, at, samples, .. }) = news {
                    self.keeper.keep_post(post, at, &samples)?;
                },
                default(LOOK) => {}
            }
        }
        Ok(())
    }
}

impl From<LiveError> for crate::failure::Failure {
    fn from(error: LiveError) -> Self {
        use crate::failure::{ExitCode, Failure};
        match error {
            LiveError::Record(error) => error.into(),
            LiveError::Audio(error) => error.into(),
            LiveError::Voice(error) => error.into(),
            LiveError::Ear { .. } => Failure::new(ExitCode::Internal, error.to_string()),
        }
    }
}
