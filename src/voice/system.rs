//! The system's voice: speech-dispatcher on Linux, by the `tts` crate.
//!
//! Owns what makes that voice safe to wait for. The crate's hazards, as read in tts 0.26 and speech-dispatcher 0.16:
//! * A call can block for ever when the server hangs. So a thread of its own holds the `Tts`, and another one, the
//!   director, keeps the clock.
//! * Callbacks come on a thread of the C library, under the crate's lock, sometimes before `speak` has returned the
//!   number they speak of. So they only send, and the director keeps numbers that it doesn't know yet.
//! * A callback that comes after the `Tts` was dropped unwraps nothing and takes the program down. So it is never
//!   dropped: at the end it is stopped and forgotten.
//! * A text with a zero byte makes it panic. So there is none.
//! * A broken output module sends no callback at all. So every utterance has a deadline.
//! * Nor does a service that was killed or hangs. So it is asked whether it is there, while something is to be heard (`ssip`).

use super::ssip::Service;
use super::{expected_duration, LiveVoice, VoiceError, VoiceEvent};
use crossbeam_channel::{Receiver, Sender};
use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Weak};
use std::time::{Duration, Instant};
use tts::{Tts, UtteranceId};

/// The voice of the system, in a language.
pub struct SystemVoice {
    orders: Sender<Order>,
    notes_to_director: Sender<Note>,
    name: String,
}

/// To the thread that holds the `Tts`.
enum Order {
    Speak { utterance: u64, text: String },
    Hush,
}

/// To the director.
enum Note {
    Asked {
        utterance: u64,
        takes: Duration,
        at: Instant,
    },
    Accepted {
        utterance: u64,
        id: UtteranceId,
    },
    Refused {
        utterance: u64,
        why: String,
    },
    Began(UtteranceId),
    Ended(UtteranceId),
    Stopped(UtteranceId),
    Hushed {
        at: Instant,
    },
    /// The service does not answer.
    Gone {
        why: String,
    },
}

/// How long listing and choosing a voice may take once the server has answered. Measured: 1.7 s for each of the two
/// lists that `tts` asks for, with espeak-ng's thousands of variants.
const CHOOSE: Duration = Duration::from_secs(10);
/// A voice that hasn't begun after this long will not. Common practice, no source.
const BEGIN: Duration = Duration::from_secs(4);
/// After a hush, how long the server has to confirm before it is taken as done.
const HUSHED: Duration = Duration::from_millis(500);
/// The service is asked this often whether it is there.
const ASK_EVERY: Duration = Duration::from_millis(500);

impl SystemVoice {
    /// Connects to the system's voice. Its own default is kept where the system's language is the one asked for (BCP
    /// 47); else a voice of that language is chosen, which takes some seconds. No answer within the timeout is an
    /// error; the attempt is then left to itself.
    pub fn start(
        language: &str,
        events: Sender<VoiceEvent>,
        timeout: Duration,
    ) -> Result<SystemVoice, VoiceError> {
        let (orders, inbox) = crossbeam_channel::unbounded();
        let (notes, for_director) = crossbeam_channel::unbounded();
        let (ready, answer) = crossbeam_channel::bounded(1);
        let callbacks = notes.clone();
        let wanted = language.to_lowercase();
        let choose = (primary(&wanted) != primary(&system_language())).then_some(wanted);
        let timeout = timeout + if choose.is_some() { CHOOSE } else { Duration::ZERO };
        std::thread::spawn(move || match connect(choose.as_deref(), &callbacks) {
            Ok((tts, name)) => {
                if ready.send(Ok(name)).is_ok() {
                    hold(tts, &inbox, &callbacks);
                } else {
                    // Too late; see the module's word on dropping.
                    std::mem::forget(tts);
                }
            }
            // The caller may have stopped waiting.
            Err(why) => drop(ready.send(Err(why))),
        });
        let name = match answer.recv_timeout(timeout) {
            Ok(Ok(name)) => name,
            Ok(Err(why)) => return Err(VoiceError::System { why }),
            Err(_) => {
                let why = format!("no answer within {} ms", timeout.as_millis());
                return Err(VoiceError::System { why });
            }
        };
        let director = Director::new(events);
        if let Some(service) = Service::find() {
            let (waits, tell) = (Arc::downgrade(&director.waits), notes.clone());
            std::thread::spawn(move || ask_now_and_then(&service, &waits, &tell));
        }
        std::thread::spawn(move || director.run(&for_director));
        Ok(SystemVoice { orders, notes_to_director: notes, name })
    }
}

impl LiveVoice for SystemVoice {
    fn speak(&self, utterance: u64, text: &str) {
        let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        let takes = expected_duration(&text);
        // Both threads live as long as these senders.
        let _ = self.notes_to_director.send(Note::Asked { utterance, takes, at: Instant::now() });
        let _ = self.orders.send(Order::Speak { utterance, text });
    }

    fn hush(&self) {
        let _ = self.notes_to_director.send(Note::Hushed { at: Instant::now() });
        let _ = self.orders.send(Order::Hush);
    }

    fn describe(&self) -> String {
        self.name.clone()
    }
}

/// The language messages are in, as the voice's server takes it too; English where nothing is set.
fn system_language() -> String {
    let set = ["LC_ALL", "LC_MESSAGES", "LANG"].iter().filter_map(|name| std::env::var(name).ok());
    match set.into_iter().find(|value| !value.is_empty()) {
        Some(value) if value != "C" && value != "POSIX" && !value.starts_with("C.") => {
            value.split(['.', '@']).next().unwrap_or("en").replace('_', "-").to_lowercase()
        }
        _ => "en".into(),
    }
}

fn primary(tag: &str) -> &str {
    tag.split('-').next().unwrap_or(tag)
}

/// `choose`: a language to look for a voice of, in lower case.
fn connect(choose: Option<&str>, notes: &Sender<Note>) -> Result<(Tts, String), String> {
    let mut tts = Tts::default().map_err(|error| error.to_string())?;
    match set_up(&mut tts, choose, notes) {
        Ok(name) => Ok((tts, name)),
        Err(why) => {
            std::mem::forget(tts);
            Err(why)
        }
    }
}

fn set_up(tts: &mut Tts, choose: Option<&str>, notes: &Sender<Note>) -> Result<String, String> {
    if !tts.supported_features().utterance_callbacks {
        return Err("it does not report when it has spoken".into());
    }
    let report = |make: fn(UtteranceId) -> Note| -> Option<Box<dyn FnMut(UtteranceId)>> {
        let notes = notes.clone();
        Some(Box::new(move |id| drop(notes.send(make(id)))))
    };
    tts.on_utterance_begin(report(Note::Began)).map_err(|error| error.to_string())?;
    tts.on_utterance_end(report(Note::Ended)).map_err(|error| error.to_string())?;
    tts.on_utterance_stop(report(Note::Stopped)).map_err(|error| error.to_string())?;
    let Some(language) = choose else {
        return Ok("system voice (its default)".into());
    };
    let voices = tts.voices().map_err(|error| format!("it lists no voices: {error}"))?;
    let tags: Vec<String> = voices.iter().map(|voice| voice.language().to_string().to_lowercase()).collect();
    let voice =
        &voices[best_tag(language, &tags).ok_or_else(|| format!("it has no voice for '{language}'"))?];
    tts.set_voice(voice).map_err(|error| format!("it refuses the voice {}: {error}", voice.name()))?;
    Ok(format!("system voice {} ({})", voice.name(), voice.language()))
}

/// The tag itself, then the language without or with its most spoken region, then any region.
fn best_tag(wanted: &str, tags: &[String]) -> Option<usize> {
    let rank = |tag: &str| match tag {
        _ if tag == wanted => Some(0),
        _ if primary(tag) != primary(wanted) => None,
        _ if tag == primary(wanted) => Some(1),
        "en-us" | "en-gb" | "pt-br" | "es-es" | "fr-fr" => Some(2),
        _ => Some(3),
    };
    (0..tags.len()).filter_map(|index| Some((rank(&tags[index])?, index))).min().map(|(_, index)| index)
}

fn hold(mut tts: Tts, inbox: &Receiver<Order>, notes: &Sender<Note>) {
    for order in inbox {
        let note = match order {
            Order::Speak { utterance, text } => match tts.speak(text, false) {
                Ok(Some(id)) => Note::Accepted { utterance, id },
                Ok(None) => Note::Refused { utterance, why: "it gave no number to the text".into() },
                Err(error) => Note::Refused { utterance, why: error.to_string() },
            },
            Order::Hush => match tts.stop() {
                Ok(_) => continue,
                // The director's clock covers it: what was being said is reported as cut short or as failed.
                Err(_) => continue,
            },
        };
        let _ = notes.send(note);
    }
    // Nobody speaks any more. Stopping may fail, and there is nobody to tell.
    let _ = tts.stop().map(|_| ());
    std::mem::forget(tts);
}

/// Asks whether the service is there, as long as the director lives and while it waits for something to be said.
fn ask_now_and_then(service: &Service, waits: &Weak<AtomicBool>, notes: &Sender<Note>) {
    loop {
        std::thread::sleep(ASK_EVERY);
        let Some(waits) = waits.upgrade() else { return };
        if !waits.load(Ordering::Relaxed) {
            continue;
        }
        drop(waits);
        if let Err(why) = service.answers() {
            let _ = notes.send(Note::Gone { why });
        }
    }
}

/// One utterance that is not over yet.
struct Pending {
    utterance: u64,
    id: Option<UtteranceId>,
    takes: Duration,
    began: bool,
    deadline: Instant,
    hushed: bool,
}

/// Turns what the threads report into one story per utterance. Pure but for the channel: time comes in as arguments.
struct Director {
    events: Sender<VoiceEvent>,
    pending: Vec<Pending>,
    /// Reports on numbers that are not known yet.
    early: HashMap<UtteranceId, Vec<Note>>,
    /// Whether anything is pending, for who asks whether the service is there.
    waits: Arc<AtomicBool>,
}

impl Director {
    fn new(events: Sender<VoiceEvent>) -> Director {
        Director { events, pending: Vec::new(), early: HashMap::new(), waits: Arc::default() }
    }

    fn run(mut self, notes: &Receiver<Note>) {
        use crossbeam_channel::RecvTimeoutError;
        loop {
            match notes.recv_timeout(Duration::from_millis(20)) {
                Ok(note) => self.take(note, Instant::now()),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            self.expire(Instant::now());
            self.waits.store(!self.pending.is_empty(), Ordering::Relaxed);
        }
    }

    fn take(&mut self, note: Note, now: Instant) {
        match note {
            Note::Asked { utterance, takes, at } => {
                let ahead: Duration = self.pending.iter().map(|p| p.takes * 3).sum();
                let deadline = at + ahead + BEGIN;
                self.pending.push(Pending {
                    utterance,
                    id: None,
                    takes,
                    began: false,
                    deadline,
                    hushed: false,
                });
            }
            Note::Accepted { utterance, id } => {
                if let Some(pending) = self.pending.iter_mut().find(|p| p.utterance == utterance) {
                    pending.id = Some(id);
                }
                for note in self.early.remove(&id).unwrap_or_default() {
                    self.take(note, now);
                }
            }
            Note::Refused { utterance, why } => {
                if self.pending.iter().any(|p| p.utterance == utterance) {
                    self.finish(utterance, VoiceEvent::Failed { utterance, why });
                }
            }
            Note::Began(id) => match self.pending.iter_mut().find(|p| p.id == Some(id)) {
                Some(pending) if !pending.began => {
                    pending.began = true;
                    // A hush keeps its own, shorter, deadline.
                    if !pending.hushed {
                        pending.deadline = now + pending.takes * 3 + Duration::from_secs(3);
                    }
                    let utterance = pending.utterance;
                    let _ = self.events.send(VoiceEvent::Began { utterance });
                }
                Some(_) => {}
                None => self.keep(id, Note::Began(id)),
            },
            Note::Ended(id) => match self.known(id) {
                Some(utterance) => self.finish(utterance, VoiceEvent::Ended { utterance }),
                None => self.keep(id, Note::Ended(id)),
            },
            Note::Stopped(id) => match self.known(id) {
                Some(utterance) => self.finish(utterance, VoiceEvent::CutShort { utterance }),
                None => self.keep(id, Note::Stopped(id)),
            },
            Note::Hushed { at } => {
                for pending in &mut self.pending {
                    pending.hushed = true;
                    pending.deadline = pending.deadline.min(at + HUSHED);
                }
            }
            Note::Gone { why } => {
                for utterance in self.pending.iter().map(|pending| pending.utterance).collect::<Vec<_>>() {
                    self.finish(utterance, failed(utterance, &why));
                }
            }
        }
    }

    fn known(&self, id: UtteranceId) -> Option<u64> {
        self.pending.iter().find(|p| p.id == Some(id)).map(|p| p.utterance)
    }

    /// Numbers become known only while an utterance waits for its own; anything else is an old one's echo.
    fn keep(&mut self, id: UtteranceId, note: Note) {
        if self.pending.iter().any(|p| p.id.is_none()) {
            self.early.entry(id).or_default().push(note);
        }
    }

    fn finish(&mut self, utterance: u64, event: VoiceEvent) {
        self.pending.retain(|p| p.utterance != utterance);
        if self.pending.is_empty() {
            self.early.clear();
        }
        // Without a listener there is nobody left to tell.
        let _ = self.events.send(event);
    }

    fn expire(&mut self, now: Instant) {
        while let Some(late) = self.pending.iter().find(|p| now > p.deadline) {
            let utterance = late.utterance;
            let event = match (late.hushed, late.began) {
                (true, _) => VoiceEvent::CutShort { utterance },
                (false, true) => failed(utterance, "it began to speak and never said that it ended"),
                (false, false) => failed(utterance, "it never began to speak"),
            };
            self.finish(utterance, event);
        }
    }
}

fn failed(utterance: u64, why: &str) -> VoiceEvent {
    VoiceEvent::Failed { utterance, why: format!("the system's voice failed: {why}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Rig {
        director: Director,
        events: Receiver<VoiceEvent>,
        start: Instant,
    }

    fn rig() -> Rig {
        let (tell, events) = crossbeam_channel::unbounded();
        Rig { director: Director::new(tell), events, start: Instant::now() }
    }

    impl Rig {
        fn at(&mut self, ms: u64, note: Note) {
            let now = self.start + Duration::from_millis(ms);
            self.director.take(note, now);
            self.director.expire(now);
        }
        fn pass(&mut self, ms: u64) {
            self.director.expire(self.start + Duration::from_millis(ms));
        }
        fn ask(&mut self, ms: u64, utterance: u64) {
            let at = self.start + Duration::from_millis(ms);
            self.at(ms, Note::Asked { utterance, takes: Duration::from_secs(2), at });
        }
        fn told(&self) -> Vec<VoiceEvent> {
            self.events.try_iter().collect()
        }
    }

    fn id(number: u64) -> UtteranceId {
        UtteranceId::SpeechDispatcher(number)
    }

    fn began(utterance: u64) -> VoiceEvent {
        VoiceEvent::Began { utterance }
    }
    fn ended(utterance: u64) -> VoiceEvent {
        VoiceEvent::Ended { utterance }
    }
    fn cut(utterance: u64) -> VoiceEvent {
        VoiceEvent::CutShort { utterance }
    }

    #[test]
    fn the_nearest_voice_of_a_language_is_taken() {
        let tags: Vec<String> = ["en-029", "en-gb", "en-us", "ko", "fr-be"].map(String::from).into();
        for (wanted, best) in
            [("en", Some(1)), ("en-us", Some(2)), ("ko", Some(3)), ("fr", Some(4)), ("de", None)]
        {
            assert_eq!(best_tag(wanted, &tags), best, "{wanted}");
        }
    }

    #[test]
    fn an_utterance_begins_and_ends() {
        let mut rig = rig();
        rig.ask(0, 1);
        rig.at(5, Note::Accepted { utterance: 1, id: id(40) });
        rig.at(100, Note::Began(id(40)));
        rig.at(2000, Note::Ended(id(40)));
        assert_eq!(rig.told(), [began(1), ended(1)]);
        rig.pass(60_000);
        assert!(rig.told().is_empty());
    }

    #[test]
    fn a_callback_may_come_before_its_number_is_known() {
        let mut rig = rig();
        rig.ask(0, 1);
        rig.at(4, Note::Began(id(40)));
        rig.at(5, Note::Ended(id(40)));
        assert!(rig.told().is_empty());
        rig.at(6, Note::Accepted { utterance: 1, id: id(40) });
        assert_eq!(rig.told(), [began(1), ended(1)]);
    }

    #[test]
    fn a_voice_that_never_begins_fails() {
        let mut rig = rig();
        rig.ask(0, 1);
        rig.at(5, Note::Accepted { utterance: 1, id: id(40) });
        rig.pass(3999);
        assert!(rig.told().is_empty());
        rig.pass(4001);
        assert!(
            matches!(&rig.told()[..], [VoiceEvent::Failed { utterance: 1, why }] if why.contains("never began"))
        );
        // What it says afterwards changes nothing.
        rig.at(5000, Note::Began(id(40)));
        rig.at(6000, Note::Ended(id(40)));
        assert!(rig.told().is_empty());
    }

    #[test]
    fn a_voice_that_never_ends_fails_after_three_times_its_length_and_three_seconds() {
        let mut rig = rig();
        rig.ask(0, 1);
        rig.at(5, Note::Accepted { utterance: 1, id: id(40) });
        rig.at(1000, Note::Began(id(40)));
        rig.pass(1000 + 6000 + 2999);
        assert_eq!(rig.told(), [began(1)]);
        rig.pass(1000 + 6000 + 3001);
        assert!(
            matches!(&rig.told()[..], [VoiceEvent::Failed { utterance: 1, why }] if why.contains("never said"))
        );
    }

    #[test]
    fn one_that_waits_behind_another_has_time_for_both() {
        let mut rig = rig();
        rig.ask(0, 1);
        rig.ask(0, 2);
        rig.at(5, Note::Accepted { utterance: 1, id: id(1) });
        rig.at(5, Note::Accepted { utterance: 2, id: id(2) });
        rig.at(500, Note::Began(id(1)));
        rig.at(6000, Note::Ended(id(1)));
        rig.at(6100, Note::Began(id(2)));
        rig.at(8000, Note::Ended(id(2)));
        assert_eq!(rig.told(), [began(1), ended(1), began(2), ended(2)]);
    }

    #[test]
    fn a_hush_cuts_all_even_if_the_server_does_not_confirm() {
        let mut rig = rig();
        rig.ask(0, 1);
        rig.ask(0, 2);
        rig.at(5, Note::Accepted { utterance: 1, id: id(1) });
        rig.at(6, Note::Accepted { utterance: 2, id: id(2) });
        rig.at(100, Note::Began(id(1)));
        let at = rig.start + Duration::from_millis(1000);
        rig.at(1000, Note::Hushed { at });
        rig.at(1010, Note::Stopped(id(1)));
        assert_eq!(rig.told(), [began(1), cut(1)]);
        rig.pass(1499);
        assert!(rig.told().is_empty());
        rig.pass(1501);
        assert_eq!(rig.told(), [cut(2)]);
    }

    #[test]
    fn a_service_that_is_gone_fails_all_that_it_was_to_say() {
        let mut rig = rig();
        rig.ask(0, 1);
        rig.ask(0, 2);
        rig.at(5, Note::Accepted { utterance: 1, id: id(1) });
        rig.at(100, Note::Began(id(1)));
        rig.at(900, Note::Gone { why: "the speech service is gone".into() });
        let told = rig.told();
        assert_eq!(told[0], began(1));
        assert!(told[1..]
            .iter()
            .all(|event| matches!(event, VoiceEvent::Failed { why, .. } if why.contains("gone"))));
        assert_eq!(told.len(), 3);
        rig.pass(60_000);
        assert!(rig.told().is_empty());
    }

    #[test]
    fn a_refused_text_fails_at_once() {
        let mut rig = rig();
        rig.ask(0, 1);
        rig.at(5, Note::Refused { utterance: 1, why: "no".into() });
        assert_eq!(rig.told(), [VoiceEvent::Failed { utterance: 1, why: "no".into() }]);
    }
}
