//! Drives a sound check: from recordings, as fast as they can be read, or live.
//!
//! Owns where the sound comes from and who speaks. Must not decide anything: `soundcheck` does.

use super::ear::{self, FromEar, ToEar};
use super::live::{LiveError, Mouth};
use super::microphone::OpenMicrophone;
use crate::audio::mic::{MicEvent, Microphone};
use crate::audio::{PER_MS, RATE};
use crate::listen::engine::EngineError;
use crate::listen::listener::Listener;
use crate::procedure::Post;
use crate::session::DEFAULT_GRACE_MS;
use crate::soundcheck::check::{Action, Check, What};
use crate::voice::VoiceEvent;
use crossbeam_channel::{select, Receiver, Sender};
use std::collections::VecDeque;
use std::time::{Duration, Instant};

/// Told everything as it happens, with its time, ms.
pub type Tell<'a> = &'a mut dyn FnMut(u64, &Action);

/// Samples of a recording that are taken at once (20 ms).
const TICK: usize = RATE as usize / 50;
/// The clock and the interruption are looked at least this often, live.
const LOOK: Duration = Duration::from_millis(50);
/// Silence after a recording, so that the last frames of speech are seen as such: 500 ms.
const TAIL: [i16; RATE as usize / 2] = [0; RATE as usize / 2];

/// One recording and how far it is read.
struct Reel {
    listener: Listener,
    post: Post,
    samples: Vec<i16>,
    at: usize,
}

/// Checks recordings. Each is read only while the check waits for its sound, so the people need no timing. Interrupted,
/// the check is handed back as far as it came.
pub fn from_recordings(
    mut check: Check,
    listeners: Vec<Listener>,
    clips: Vec<(Post, Vec<i16>)>,
    interrupted: &dyn Fn() -> bool,
    tell: Tell,
) -> Result<Check, EngineError> {
    let mut reels = Vec::new();
    for (mut listener, (post, samples)) in listeners.into_iter().zip(clips) {
        listener.set_counts(&check.counts(post))?;
        reels.push(Reel { listener, post, samples, at: 0 });
    }
    let mut events = VecDeque::from([What::Begin]);
    // Recordings are read in turn: the time shown is that of the one read last.
    let mut at_ms = 0;
    while !interrupted() {
        while let Some(what) = events.pop_front() {
            for action in check.step(0, what) {
                tell(at_ms, &action);
                match action {
                    Action::Say { utterance, .. } => events.push_back(What::SpeechEnded { utterance }),
                    Action::Show(_) => {}
                    Action::Over => return Ok(check),
                }
            }
        }
        let mut any = false;
        for reel in reels.iter_mut().filter(|reel| check.wants(reel.post)) {
            events.extend(reel.read()?);
            at_ms = reel.at as u64 / PER_MS;
            any = true;
        }
        // A check that waits for nothing and isn't over would wait for ever.
        debug_assert!(any, "the check waits for no recording");
        if !any {
            break;
        }
    }
    Ok(check)
}

impl Reel {
    fn read(&mut self) -> Result<Vec<What>, EngineError> {
        let end = (self.at + TICK).min(self.samples.len());
        let tick = self.samples[self.at..end].to_vec();
        let mut heard = self.listener.push(&tick)?;
        let at = self.at as u64;
        self.at = end;
        let over = end == self.samples.len();
        if over {
            heard.extend(self.listener.push(&TAIL)?);
            heard.extend(self.listener.finish()?);
        }
        let speaking = self.listener.speaking();
        let mut events = vec![What::Sound { post: self.post, at, samples: tick, speaking }];
        events.extend(heard.into_iter().map(What::Heard));
        if over {
            events.push(What::SoundEnded { post: self.post });
        }
        Ok(events)
    }
}

/// A microphone and the ear that listens to it.
struct PostSound {
    microphone: Microphone,
    ear: Sender<ToEar>,
}

struct Live<'a> {
    check: Check,
    mouth: Mouth,
    posts: Vec<PostSound>,
    news: Receiver<FromEar>,
    began: Instant,
    tell: Tell<'a>,
    over: bool,
}

/// Checks with microphones and a voice in the room.
pub fn live(
    check: Check,
    mouth: Mouth,
    listeners: Vec<Listener>,
    microphones: Vec<OpenMicrophone>,
    interrupted: &dyn Fn() -> bool,
    tell: Tell,
) -> Result<Check, LiveError> {
    let began = Instant::now();
    let (out, news) = crossbeam_channel::unbounded();
    let mut posts = Vec::new();
    for (listener, open) in listeners.into_iter().zip(microphones) {
        let ear = ear::start(listener, began, out.clone());
        // The ear was just started and holds the other end.
        let _ = ear.send(ToEar::Counts(check.counts(open.post())));
        posts.push(PostSound { microphone: open.deliver_to(&ear)?, ear });
    }
    let mut live = Live { check, mouth, posts, news, began, tell, over: false };
    live.event(What::Begin);
    while !live.over && !interrupted() {
        live.wait_and_handle()?;
        live.look_after_microphones();
    }
    live.mouth.voice.hush();
    Ok(live.check)
}

impl Live<'_> {
    fn now_ms(&self) -> u64 {
        self.began.elapsed().as_millis() as u64
    }

    fn wait_and_handle(&mut self) -> Result<(), LiveError> {
        select! {
            recv(self.news) -> news => match news {
                Ok(FromEar::Sound { post, at, samples, speaking }) => {
                    self.event(What::Sound { post, at, samples, speaking });
                }
                Ok(FromEar::Heard(heard)) => self.event(What::Heard(heard)),
                Ok(FromEar::Failed { post, why }) => return Err(LiveError::Ear { post: post.name(), why }),
                // Silence stands for a few dropped frames; `soak` and the session's journal count them.
                Ok(FromEar::Lost { .. }) | Err(_) => {}
            },
            recv(self.mouth.events) -> event => if let Ok(event) = event { self.voice(event) },
            // Nothing of a check is recorded.
            recv(self.mouth.played) -> played => if played.is_err() {
                self.mouth.played = crossbeam_channel::never();
            },
            default(LOOK) => {}
        }
        Ok(())
    }

    fn voice(&mut self, event: VoiceEvent) {
        match event {
            VoiceEvent::Began { .. } => self.event(What::SpeechBegan),
            VoiceEvent::Ended { utterance } | VoiceEvent::CutShort { utterance } => {
                let now_ms = self.now_ms();
                for post in &self.posts {
                    // As far as the tool's own voice comes late at this microphone, it is forgotten too.
                    let late_ms = self.check.late_ms(post.microphone.post());
                    let from =
                        if late_ms > 0 { now_ms + late_ms } else { now_ms.saturating_sub(DEFAULT_GRACE_MS) };
                    let _ = post.ear.send(ToEar::Cut(from));
                }
                self.event(What::SpeechEnded { utterance });
            }
            VoiceEvent::Failed { why, .. } => match self.mouth.second.take().map(|second| second()) {
                Some(Ok(second)) => {
                    self.mouth.voice = second;
                    self.event(What::VoiceReplaced);
                }
                Some(Err(error)) => self.event(What::VoiceDead { why: format!("{why}; {error}") }),
                None => self.event(What::VoiceDead { why }),
            },
        }
    }

    fn look_after_microphones(&mut self) {
        let mut lost = Vec::new();
        for post in &self.posts {
            for event in post.microphone.events().try_iter() {
                if let MicEvent::Lost { post, why } = event {
                    lost.push(What::Lost { post, why });
                }
            }
        }
        lost.into_iter().for_each(|what| self.event(what));
    }

    fn event(&mut self, what: What) {
        let at_ms = self.now_ms();
        for action in self.check.step(at_ms * PER_MS, what) {
            (self.tell)(at_ms, &action);
            match action {
                Action::Say { utterance, text } => self.mouth.voice.speak(utterance, &text),
                Action::Show(_) => {}
                Action::Over => self.over = true,
            }
        }
    }
}
