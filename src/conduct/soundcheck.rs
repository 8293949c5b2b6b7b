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
                Ok(FromEar::Lost { .. } | FromEar::OneEar { .. } | FromEar::NoVoices { .. }) | Err(_) => {}
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
            // The check has gone on without a voice, or with the other one.
            VoiceEvent::Back => {}
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
                Action::Say { utterance, text } => {
                    self.mouth.voice.speak(utterance, &self.check.spoken(&text));
                }
                Action::Show(_) => {}
                Action::Over => self.over = true,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::parse::parse;
    use crate::voice::LiveVoice;

    /// A voice that only keeps what it was to say.
    struct Kept(Sender<(u64, String)>);

    impl LiveVoice for Kept {
        fn speak(&self, utterance: u64, text: &str) {
            self.0.send((utterance, text.to_string())).expect("the test holds the other end");
        }
        fn hush(&self) {}
        fn describe(&self) -> String {
            "kept".into()
        }
    }

    const PROCEDURE: &str = "[procedure]\nid = \"demo\"\ntitle = \"Demo\"\nversion = \"1\"\nlanguage = \"en\"\n\
        cautions = [\"Training aid.\"]\nclosing = \"The end.\"\n[say]\nhood = \"big white hood\"\nSay = \"Tell me\"\n\
        [[step]]\nid = \"hood\"\ninstruction = \"Put it on.\"\nlook = \"so\"\nread_back = \"hood reaches my shoulders\"\n\
        confirm = \"hood covers ears and neck\"\n";

    #[test]
    fn what_the_check_says_and_asks_for_is_spoken_as_the_procedure_has_it_and_shown_as_written() {
        let procedure = parse(PROCEDURE, "demo.toml").unwrap();
        let (out, said) = crossbeam_channel::unbounded();
        let mouth = Mouth {
            voice: Box::new(Kept(out)),
            events: crossbeam_channel::never(),
            played: crossbeam_channel::never(),
            second: None,
        };
        let mut shown = Vec::new();
        let mut tell = |_: u64, action: &Action| shown.push(action.clone());
        let mut live = Live {
            check: Check::new(&procedure, &[Post::Worker, Post::Observer], false, &[]),
            mouth,
            posts: vec![],
            news: crossbeam_channel::never(),
            began: Instant::now(),
            tell: &mut tell,
            over: false,
        };
        live.event(What::Begin);
        let mut spoken = Vec::new();
        // The opening, the prompt that is listened to, and the first phrase; ten seconds of a quiet room after each.
        for second in [0, 10, 20] {
            let (utterance, text) = said.try_recv().expect("the check has something to say");
            spoken.push(text);
            live.voice(VoiceEvent::Began { utterance });
            live.voice(VoiceEvent::Ended { utterance });
            for post in [Post::Worker, Post::Observer] {
                let samples = (0..10 * RATE).map(|n| (n % 7) as i16).collect();
                live.event(What::Sound { post, at: second * u64::from(RATE), samples, speaking: false });
            }
        }
        let written: Vec<&str> = shown
            .iter()
            .filter_map(|action| match action {
                Action::Say { text, .. } => Some(text.as_str()),
                _ => None,
            })
            .collect();
        assert!(written[2].contains("hood reaches my shoulders"), "{written:?}");
        assert!(spoken[2].contains("big white hood reaches my shoulders"), "{spoken:?}");
        let as_spoken: Vec<String> = written[..3].iter().map(|text| procedure.spoken(text)).collect();
        assert_eq!(spoken, as_spoken);
        assert_ne!(spoken[2], written[2]);
    }
}
