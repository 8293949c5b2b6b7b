//! The rendered voice, live: a thread that renders texts and plays them through the loudspeaker.
//!
//! Owns the order of utterances and when news of them is sent. Must not know what follows from them. Because the
//! samples pass through here, they can be recorded with the times they were heard ([`Played`]).

use super::{LiveVoice, Renderer, VoiceError, VoiceEvent};
use crate::audio::retry::Retry;
use crate::audio::speaker::{Silencer, Speaker, Spoken};
use crate::audio::RATE;
use crossbeam_channel::{Receiver, Sender};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What comes out of the loudspeaker, for who records it or takes it out of a microphone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Played {
    /// An utterance begins: told before it is heard, with all that will be heard unless it is cut short.
    Begins { at: Instant, samples: Arc<[i16]> },
    /// It is silent from here on, in the middle of an utterance.
    CutShort { at: Instant },
    /// A piece that was played: the pieces of an utterance follow each other without a gap.
    Piece {
        utterance: u64,
        /// When the first of these samples was heard.
        at: Instant,
        /// Mono at [`RATE`].
        samples: Vec<i16>,
    },
}

enum Order {
    Speak { utterance: u64, text: String, hushes: u64 },
    TryAgain,
}

/// A voice rendered by [`Renderer`] and played by [`Speaker`].
pub struct RenderedVoice {
    orders: Sender<Order>,
    hushes: Arc<AtomicU64>,
    silencer: Silencer,
    name: String,
    notes: Vec<String>,
}

impl RenderedVoice {
    /// Opens the loudspeaker (the default one without a name) and starts the thread. The tap gets what was played
    /// while it is played, in pieces of about 100 ms. While the loudspeaker is gone every utterance fails at once; it is
    /// opened again as soon as it is there, which is told by [`VoiceEvent::Back`].
    pub fn start(
        renderer: Renderer,
        speaker: Option<&str>,
        events: Sender<VoiceEvent>,
        tap: Option<Sender<Played>>,
    ) -> Result<RenderedVoice, VoiceError> {
        let speaker = Speaker::open(speaker)?;
        let (orders, inbox) = crossbeam_channel::unbounded();
        let hushes = Arc::new(AtomicU64::new(0));
        let silencer = speaker.silencer();
        let name = format!("{} on {}", renderer.voice(), speaker.describe());
        let notes = speaker.notes().to_vec();
        let reader = Reader {
            renderer,
            speaker,
            events,
            tap,
            hushes: hushes.clone(),
            playing: VecDeque::new(),
            lost: None,
            retry: None,
            due: VecDeque::new(),
        };
        std::thread::spawn(move || reader.run(&inbox));
        Ok(RenderedVoice { orders, hushes, silencer, name, notes })
    }

    /// What was done instead of the first choice; for the screen and the log.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }
}

impl LiveVoice for RenderedVoice {
    fn speak(&self, utterance: u64, text: &str) {
        let hushes = self.hushes.load(Ordering::Acquire);
        // The thread lives as long as this sender does.
        let _ = self.orders.send(Order::Speak { utterance, text: text.to_string(), hushes });
    }

    fn hush(&self) {
        self.hushes.fetch_add(1, Ordering::AcqRel);
        self.silencer.hush();
    }

    fn describe(&self) -> String {
        self.name.clone()
    }

    fn try_again(&self) {
        let _ = self.orders.send(Order::TryAgain);
    }
}

/// An utterance handed to the loudspeaker.
struct Playing {
    utterance: u64,
    samples: Arc<[i16]>,
    /// When its first sample was heard; `None` while it waits.
    began: Option<Instant>,
    /// How much of it the tap has.
    tapped: usize,
    /// When to give up on it.
    deadline: Instant,
}

/// The thread's own state.
struct Reader {
    renderer: Renderer,
    speaker: Speaker,
    events: Sender<VoiceEvent>,
    tap: Option<Sender<Played>>,
    hushes: Arc<AtomicU64>,
    playing: VecDeque<Playing>,
    /// Why the loudspeaker is gone, once it is.
    lost: Option<String>,
    /// When it is tried again.
    retry: Option<Retry>,
    /// News that becomes true later, in order.
    due: VecDeque<(Instant, VoiceEvent)>,
}

/// How often the tap is fed, and the watch is kept, while something is played.
const TICK: Duration = Duration::from_millis(20);
/// Smallest piece for the tap, samples (100 ms).
const PIECE: usize = RATE as usize / 10;
/// Longest a clip may take beyond its own length before the loudspeaker counts as dead.
const PATIENCE: Duration = Duration::from_secs(3);

impl Reader {
    fn run(mut self, inbox: &Receiver<Order>) {
        loop {
            let wait =
                if self.playing.is_empty() && self.due.is_empty() { Duration::from_secs(1) } else { TICK };
            let wait = self
                .due
                .front()
                .map_or(wait, |(at, _)| wait.min(at.saturating_duration_since(Instant::now())));
            let spoken = self.speaker.events().clone();
            crossbeam_channel::select! {
                recv(inbox) -> order => match order {
                    Ok(Order::Speak { utterance, text, hushes }) => self.speak(utterance, &text, hushes),
                    Ok(Order::TryAgain) => {
                        if let Some(retry) = &mut self.retry {
                            retry.hurry(Instant::now());
                        }
                    }
                    Err(_) => return,
                },
                recv(spoken) -> event => if let Ok(event) = event { self.heard(event) },
                default(wait) => {}
            }
            self.feed_tap();
            self.give_up();
            self.tell_due();
            self.open_again();
        }
    }

    fn speak(&mut self, utterance: u64, text: &str, hushes: u64) {
        if hushes < self.hushes.load(Ordering::Acquire) {
            self.tell(VoiceEvent::CutShort { utterance });
            return;
        }
        if let Some(why) = self.lost.clone() {
            return self.tell(VoiceEvent::Failed { utterance, why });
        }
        let samples = match self.renderer.render(text) {
            Ok(samples) => samples,
            Err(error) => return self.tell(VoiceEvent::Failed { utterance, why: error.to_string() }),
        };
        if let Err(error) = self.speaker.play(utterance, &samples) {
            return self.tell(VoiceEvent::Failed { utterance, why: error.to_string() });
        }
        // A hush while the text was rendered came too early for the loudspeaker to know of this clip.
        if hushes < self.hushes.load(Ordering::Acquire) {
            self.speaker.hush();
        }
        let ahead = self.playing.iter().map(|p| p.samples.len()).sum::<usize>() + samples.len();
        let length = Duration::from_millis(1000 * ahead as u64 / u64::from(RATE));
        let deadline = Instant::now() + length + PATIENCE;
        self.playing.push_back(Playing { utterance, samples, began: None, tapped: 0, deadline });
    }

    fn heard(&mut self, event: Spoken) {
        match event {
            Spoken::Began { id, at } => {
                if let Some(playing) = self.playing.iter_mut().find(|p| p.utterance == id) {
                    playing.began = Some(at);
                    let samples = playing.samples.clone();
                    if let Some(tap) = &self.tap {
                        let _ = tap.send(Played::Begins { at, samples });
                    }
                    self.due.push_back((at, VoiceEvent::Began { utterance: id }));
                }
            }
            Spoken::Ended { id, at, .. } => {
                if let Some(playing) = self.take(id) {
                    self.tap_to(&playing, playing.samples.len());
                    self.due.push_back((at, VoiceEvent::Ended { utterance: id }));
                }
            }
            Spoken::CutShort { id, at, samples, .. } => {
                if let Some(playing) = self.take(id) {
                    self.tap_to(&playing, samples);
                    if let Some(tap) = &self.tap {
                        let _ = tap.send(Played::CutShort { at });
                    }
                    self.due.push_back((at, VoiceEvent::CutShort { utterance: id }));
                }
            }
            Spoken::Lost { why } => {
                let why = format!("the loudspeaker is gone: {why}");
                self.lose(&why);
                for playing in std::mem::take(&mut self.playing) {
                    self.tell(VoiceEvent::Failed { utterance: playing.utterance, why: why.clone() });
                }
            }
        }
    }

    fn lose(&mut self, why: &str) {
        self.lost = Some(why.to_string());
        self.retry = Some(Retry::from(Instant::now()));
        self.speaker.hush();
    }

    fn open_again(&mut self) {
        let Some(retry) = self.retry.as_mut().filter(|retry| retry.is_due(Instant::now())) else { return };
        match self.speaker.open_again() {
            Ok(speaker) => {
                self.speaker = speaker;
                (self.lost, self.retry) = (None, None);
                self.tell(VoiceEvent::Back);
            }
            Err(_) => retry.failed(Instant::now()),
        }
    }

    fn take(&mut self, utterance: u64) -> Option<Playing> {
        let index = self.playing.iter().position(|p| p.utterance == utterance)?;
        self.playing.remove(index)
    }

    /// Hands the tap what the loudspeaker has had of the first utterance.
    fn feed_tap(&mut self) {
        let played = self.speaker.progress();
        let Some(front) = self.playing.front().filter(|p| p.began.is_some()) else { return };
        let played = played.min(front.samples.len());
        if played < front.tapped + PIECE {
            return;
        }
        let front = self.playing.pop_front().expect("there is a front, it was just looked at");
        self.tap_to(&front, played);
        self.playing.push_front(Playing { tapped: played, ..front });
    }

    fn tap_to(&self, playing: &Playing, played: usize) {
        let (Some(tap), Some(began)) = (&self.tap, playing.began) else { return };
        let played = played.min(playing.samples.len());
        if played <= playing.tapped {
            return;
        }
        let before = Duration::from_nanos(playing.tapped as u64 * 1_000_000_000 / u64::from(RATE));
        let samples = playing.samples[playing.tapped..played].to_vec();
        // Whoever listened in may have left; the voice goes on.
        let _ = tap.send(Played::Piece { utterance: playing.utterance, at: began + before, samples });
    }

    /// A loudspeaker that takes no samples has failed, whatever it says itself.
    fn give_up(&mut self) {
        while let Some(late) = self.playing.front().filter(|p| Instant::now() > p.deadline) {
            let utterance = late.utterance;
            self.playing.pop_front();
            let why = "the loudspeaker takes no sound";
            self.lose(why);
            self.tell(VoiceEvent::Failed { utterance, why: why.into() });
        }
    }

    fn tell_due(&mut self) {
        while self.due.front().is_some_and(|(at, _)| *at <= Instant::now()) {
            if let Some((_, event)) = self.due.pop_front() {
                self.tell(event);
            }
        }
    }

    fn tell(&self, event: VoiceEvent) {
        // Without a listener there is nobody left to tell.
        let _ = self.events.send(event);
    }
}
