//! The order of a sound check, sans-IO: events in, actions out.
//!
//! ```text
//! Opening -> Quiet -> Prompt -> Asking(0) -> Listening(0) -> ... -> Verdict -> Over
//!              (live only) ^         ^___ again, at most twice ___|
//! ```
//!
//! Owns the order and what is kept of each microphone. Time is the sound taken in: a stage lasts so many samples of the
//! microphones it listens to, so a recording is checked as fast as it can be read, and needs no timing of its own.

use super::judge::{self, Kind, Weight, PROMPT_HEARD_DB, PROMPT_OVER_ROOM_DB};
use super::lines::{own_lines, OwnLines};
use super::measure::{self, Room};
use super::phrases;
use super::report::{Asked, Microphone, Outcome, Prompt, Report, Tried};
use super::track::Track;
use crate::audio::{PER_MS, RATE};
use crate::listen::heard::{Heard, Ignored, Verdict};
use crate::procedure::{PhraseId, Post, Procedure, Role};
use crate::screen::view::heard_words;
use crate::session::lines::{fill, lines};

/// The quiet lasts so long, samples (3 s).
const QUIET: u64 = 3 * RATE as u64;
/// What is left of the tool's voice in the room after it ended, samples (300 ms).
const ECHO: u64 = RATE as u64 * 3 / 10;
/// An answer is waited for so long, samples: 10 s, as a session does before it calls again.
const WAIT: u64 = 10 * RATE as u64;
/// A phrase is asked for at most so often.
const TRIES: usize = 3;
/// Pieces of advice that are spoken; the screen has them all.
const SPOKEN: usize = 3;

#[derive(Debug, Clone)]
pub enum What {
    Begin,
    SpeechBegan,
    SpeechEnded {
        utterance: u64,
    },
    /// The voice failed, and another takes over: what it was saying is said again.
    VoiceReplaced,
    /// The voice failed, and there is no other.
    VoiceDead {
        why: String,
    },
    /// Sound of a microphone; `at` in samples on the clock of its own stream.
    Sound {
        post: Post,
        at: u64,
        samples: Vec<i16>,
        speaking: bool,
    },
    /// After the sound it was heard in.
    Heard(Heard),
    /// A recording is over.
    SoundEnded {
        post: Post,
    },
    /// A microphone gives no more sound.
    Lost {
        post: Post,
        why: String,
    },
}

#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    Say { utterance: u64, text: String },
    Show(Shown),
    Over,
}

/// For the screen, as it happens.
#[derive(Debug, Clone, PartialEq)]
pub enum Shown {
    Room { post: Post, room: Option<Room> },
    Prompt { post: Post, prompt: Prompt },
    Tried { post: Post, tried: Tried },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    Opening,
    Quiet,
    Prompt,
    Asking(usize),
    Listening(usize),
    Verdict,
    Over,
}

/// One microphone and what is known of it.
struct Ear {
    post: Post,
    track: Track,
    /// Where the present stage begins, samples.
    from: u64,
    speaking: bool,
    /// A recording that is over.
    ended: bool,
    lost: Option<String>,
    room: Option<Room>,
    prompt: Prompt,
    /// What was judged here: first and last sample, and whether it was the phrase.
    said: Vec<(u64, u64, bool)>,
    /// Heard before it was asked for: a recording does not wait for the tool.
    early: Vec<Heard>,
}

/// A phrase to ask for, and what came of it.
struct Wanted {
    phrase: PhraseId,
    asked: Asked,
}

pub struct Check {
    procedure: Procedure,
    own: &'static OwnLines,
    recorded: bool,
    stage: Stage,
    ears: Vec<Ear>,
    wanted: Vec<Wanted>,
    utterance: u64,
    saying: String,
    /// Where the tool's voice began, samples.
    began: u64,
    voice_dead: Option<String>,
}

impl Check {
    /// `recorded`: the sound comes from files, which hold the room first and then the phrases, in order.
    pub fn new(procedure: &Procedure, posts: &[Post], recorded: bool) -> Check {
        let ears = posts.iter().map(|post| Ear::new(*post)).collect();
        let post_of = |role| posts.iter().copied().find(|post| post.hears(role));
        let wanted = phrases::chosen(procedure)
            .into_iter()
            .filter_map(|(role, phrase)| {
                let text = procedure.phrase(phrase).text.clone();
                let post = post_of(role)?;
                Some(Wanted {
                    phrase,
                    asked: Asked { role, post, phrase: text, tries: Vec::new(), elsewhere_dbfs: None },
                })
            })
            .collect();
        Check {
            procedure: procedure.clone(),
            own: own_lines(&procedure.language),
            recorded,
            stage: Stage::Opening,
            ears,
            wanted,
            utterance: 0,
            saying: String::new(),
            began: 0,
            voice_dead: None,
        }
    }

    /// The phrases that count at this microphone, from beginning to end.
    pub fn counts(&self, post: Post) -> Vec<PhraseId> {
        self.wanted.iter().filter(|wanted| wanted.asked.post == post).map(|wanted| wanted.phrase).collect()
    }

    /// Whether the check waits for sound of this microphone.
    pub fn wants(&self, post: Post) -> bool {
        match self.stage {
            Stage::Quiet => self.ears.iter().any(|ear| ear.post == post && !ear.quiet_is_over()),
            Stage::Listening(index) => self.wanted[index].asked.post == post,
            _ => false,
        }
    }

    /// `at`: samples on the clock, for a live check; a recording has no clock but its own sound.
    pub fn step(&mut self, at: u64, what: What) -> Vec<Action> {
        let mut actions = Vec::new();
        match what {
            _ if self.stage == Stage::Over => {}
            What::Begin => self.say(self.own.opening.to_string(), &mut actions),
            What::SpeechBegan => self.began = at,
            // The words of a stage that a loss cut short may still be ending.
            What::SpeechEnded { utterance } if utterance != self.utterance => {}
            What::SpeechEnded { .. } => self.spoken(at, &mut actions),
            What::VoiceReplaced => self.say(self.saying.clone(), &mut actions),
            What::VoiceDead { why } => {
                self.voice_dead = Some(why);
                self.stage = Stage::Over;
                actions.push(Action::Over);
            }
            What::Sound { post, at, samples, speaking } => {
                if let Some(ear) = self.ear(post) {
                    ear.track.push(at, &samples);
                    ear.speaking = speaking;
                }
                self.look(&mut actions);
            }
            What::Heard(heard) => self.heard(heard, &mut actions),
            What::SoundEnded { post } => {
                if let Some(ear) = self.ear(post) {
                    ear.ended = true;
                    ear.speaking = false;
                }
                self.look(&mut actions);
            }
            What::Lost { post, why } => {
                if let Some(ear) = self.ear(post) {
                    ear.lost = Some(why);
                }
                if self.stage != Stage::Verdict {
                    self.conclude(&mut actions);
                }
            }
        }
        actions
    }

    fn ear(&mut self, post: Post) -> Option<&mut Ear> {
        self.ears.iter_mut().find(|ear| ear.post == post)
    }

    fn say(&mut self, text: String, actions: &mut Vec<Action>) {
        self.utterance += 1;
        self.saying.clone_from(&text);
        actions.push(Action::Say { utterance: self.utterance, text });
    }

    /// The stage's words are said.
    fn spoken(&mut self, at: u64, actions: &mut Vec<Action>) {
        match self.stage {
            Stage::Opening => {
                self.begin_stage(Stage::Quiet, at + ECHO);
                self.look(actions);
            }
            Stage::Prompt => {
                let began = self.began;
                for ear in &mut self.ears {
                    ear.hear_prompt(began, at);
                    actions.push(Action::Show(Shown::Prompt { post: ear.post, prompt: ear.prompt }));
                }
                self.ask(0, actions);
            }
            Stage::Asking(index) => self.listen(index, at, actions),
            Stage::Verdict => {
                self.stage = Stage::Over;
                actions.push(Action::Over);
            }
            Stage::Quiet | Stage::Listening(_) | Stage::Over => {}
        }
    }

    fn begin_stage(&mut self, stage: Stage, at: u64) {
        self.stage = stage;
        for ear in &mut self.ears {
            ear.from = if self.recorded { ear.track.end() } else { at };
        }
    }

    /// Whether the sound that came in ends the stage.
    fn look(&mut self, actions: &mut Vec<Action>) {
        match self.stage {
            Stage::Quiet if self.ears.iter().all(Ear::quiet_is_over) => {
                for ear in &mut self.ears {
                    ear.room = measure::room(ear.track.slice(ear.from, ear.from + QUIET));
                    actions.push(Action::Show(Shown::Room { post: ear.post, room: ear.room }));
                }
                if self.recorded {
                    self.ask(0, actions);
                } else {
                    self.stage = Stage::Prompt;
                    self.say(self.own.prompt.to_string(), actions);
                }
            }
            Stage::Listening(index) => {
                let post = self.wanted[index].asked.post;
                let Some(ear) = self.ears.iter().find(|ear| ear.post == post) else { return };
                let waited = ear.track.end() >= ear.from + WAIT && !ear.speaking;
                if ear.ended || waited {
                    let why = match (ear.ended, ear.track.is_constant()) {
                        (_, true) => "digital silence",
                        (true, _) => "the recording is over",
                        (false, _) => "nothing was heard in ten seconds",
                    };
                    self.tried(index, nothing(why), actions);
                }
            }
            _ => {}
        }
    }

    /// Asks for a phrase, or ends the check after the last.
    fn ask(&mut self, index: usize, actions: &mut Vec<Action>) {
        let Some(wanted) = self.wanted.get(index) else { return self.conclude(actions) };
        let said = fill(self.own.ask, &[("who", self.who(index)), ("expected", &wanted.asked.phrase)]);
        self.stage = Stage::Asking(index);
        self.say(said, actions);
    }

    fn ask_again(&mut self, index: usize, actions: &mut Vec<Action>) {
        let words = lines(&self.procedure.language).0;
        let asked = &self.wanted[index].asked;
        let (outcome, heard) =
            asked.tries.last().map_or((Outcome::Nothing, ""), |tried| (tried.outcome, tried.why.as_str()));
        let template = match outcome {
            Outcome::Other => words.wrong,
            Outcome::Nothing => words.reminder,
            _ => words.unsure,
        };
        let heard = heard.trim_matches('"');
        let values = [("who", self.who(index)), ("expected", asked.phrase.as_str()), ("heard", heard)];
        let said = fill(template, &values);
        self.stage = Stage::Asking(index);
        self.say(said, actions);
    }

    fn who(&self, index: usize) -> &'static str {
        let words = lines(&self.procedure.language).0;
        match self.wanted[index].asked.role {
            Role::Worker => words.worker,
            Role::Observer => words.observer,
        }
    }

    fn listen(&mut self, index: usize, at: u64, actions: &mut Vec<Action>) {
        self.begin_stage(Stage::Listening(index), at);
        let post = self.wanted[index].asked.post;
        let early = self.ear(post).map(|ear| std::mem::take(&mut ear.early)).unwrap_or_default();
        early.into_iter().for_each(|heard| self.heard(heard, actions));
        if self.stage == Stage::Listening(index) {
            self.look(actions);
        }
    }

    fn heard(&mut self, heard: Heard, actions: &mut Vec<Action>) {
        let surely = match heard.verdict {
            Verdict::Accepted { phrase } | Verdict::Other { phrase } => Some(phrase),
            Verdict::Unsure { .. } | Verdict::Ignored { .. } => None,
        };
        // In one room a person is heard at the other's microphone too, sooner or later than at their own.
        let level = heard.evidence.level_dbfs;
        let elsewhere = |wanted: &&mut Wanted| {
            wanted.asked.post != heard.post && Some(wanted.phrase) == surely && heard.post != Post::Room
        };
        if let Some(wanted) = self.wanted.iter_mut().find(elsewhere) {
            let before = wanted.asked.elsewhere_dbfs.unwrap_or(level);
            wanted.asked.elsewhere_dbfs = Some(before.max(level));
        }
        let Stage::Listening(index) = self.stage else { return self.keep_for_later(heard) };
        let (post, phrase) = (self.wanted[index].asked.post, self.wanted[index].phrase);
        let stale = |ear: &&Ear| ear.post == heard.post && heard.end_ms * PER_MS <= ear.from;
        if heard.post != post {
            return;
        }
        if !self.recorded && self.ears.iter().any(|ear| stale(&ear)) {
            return;
        }
        // A click or a cough is not an answer.
        if matches!(heard.verdict, Verdict::Ignored { why: Ignored::TooShort }) {
            return;
        }
        // A recording does not know that it was asked again: it may go on with the next phrase.
        let next = self.wanted.get(index + 1).filter(|next| next.asked.post == post);
        if self.recorded
            && surely.is_some()
            && surely != Some(phrase)
            && surely == next.map(|next| next.phrase)
        {
            if self.wanted[index].asked.tries.is_empty() {
                self.wanted[index].asked.tries.push(nothing("the recording goes on with the next phrase"));
            }
            self.ask(index + 1, actions);
            return self.keep_for_later(heard);
        }
        let ended = heard.end_ms * PER_MS;
        let is_it = surely == Some(phrase);
        if let Some(ear) = self.ear(post) {
            ear.said.push((heard.start_ms * PER_MS, ended, is_it));
        }
        let tried = self.told(&heard, surely, phrase);
        self.tried(index, tried, actions);
    }

    /// Live, what is said before it is asked for does not count; a recording is simply ahead.
    fn keep_for_later(&mut self, heard: Heard) {
        let recorded = self.recorded;
        if let Some(ear) = self.ear(heard.post) {
            if recorded && !matches!(heard.verdict, Verdict::Ignored { .. }) {
                ear.early.push(heard);
            }
        }
    }

    fn told(&self, heard: &Heard, surely: Option<PhraseId>, wanted: PhraseId) -> Tried {
        let words = heard_words(&self.procedure, heard);
        let why = words.strip_prefix(&format!("{}: ", heard.post.name())).unwrap_or(&words).to_string();
        let outcome = match (surely, &heard.verdict) {
            (Some(phrase), _) if phrase == wanted => Outcome::Accepted,
            (Some(_), _) => Outcome::Other,
            (None, Verdict::Ignored { .. }) => Outcome::Ignored,
            (None, _) => Outcome::Unsure,
        };
        let of = surely.filter(|phrase| *phrase != wanted).and_then(|id| self.procedure.phrase(id).by);
        let evidence = &heard.evidence;
        Tried { outcome, confidence: evidence.confidence, why, level_dbfs: Some(evidence.level_dbfs), of }
    }

    /// A try is over: the next phrase, or the same again.
    fn tried(&mut self, index: usize, tried: Tried, actions: &mut Vec<Action>) {
        let post = self.wanted[index].asked.post;
        actions.push(Action::Show(Shown::Tried { post, tried: tried.clone() }));
        let accepted = tried.outcome == Outcome::Accepted;
        self.wanted[index].asked.tries.push(tried);
        // Nobody is asked for more at a microphone that gives no sound.
        let out = self
            .ears
            .iter()
            .any(|ear| ear.post == post && (ear.lost.is_some() || ear.ended || ear.track.is_constant()));
        if accepted || (!out && self.wanted[index].asked.tries.len() >= TRIES) {
            self.ask(index + 1, actions);
        } else if !out {
            self.ask_again(index, actions);
        } else {
            let rest = (index + 1..self.wanted.len()).find(|next| self.wanted[*next].asked.post != post);
            self.ask(rest.unwrap_or(self.wanted.len()), actions);
        }
    }

    fn conclude(&mut self, actions: &mut Vec<Action>) {
        self.stage = Stage::Verdict;
        let report = self.report();
        let advice: Vec<&str> = report
            .findings
            .iter()
            .filter(|finding| finding.weight == if report.ready { Weight::Better } else { Weight::Change })
            .map(|finding| finding.advice.as_str())
            .collect();
        let spoken = advice[..advice.len().min(SPOKEN)].join(" ");
        let template = match (report.ready, advice.len()) {
            (true, 0) => self.own.ready,
            (true, _) => self.own.ready_but,
            (false, 0..=SPOKEN) => self.own.not_ready,
            (false, _) => self.own.not_ready_more,
        };
        self.say(fill(template, &[("advice", &spoken)]), actions);
    }

    /// All that is known so far.
    pub fn report(&self) -> Report {
        let microphones: Vec<Microphone> = self.ears.iter().map(Ear::report).collect();
        let phrases: Vec<Asked> = self.wanted.iter().map(|wanted| wanted.asked.clone()).collect();
        let findings = judge::findings(&microphones, &phrases, self.voice_dead.as_deref());
        let whole = phrases.iter().all(Asked::accepted) && !phrases.is_empty();
        let to_change =
            |finding: &judge::Finding| finding.weight == Weight::Change || finding.kind == Kind::Lost;
        let ready = whole && !findings.iter().any(to_change);
        Report { ready, microphones, phrases, findings }
    }
}

fn nothing(why: &str) -> Tried {
    Tried { outcome: Outcome::Nothing, confidence: 0.0, why: why.to_string(), level_dbfs: None, of: None }
}

impl Ear {
    fn new(post: Post) -> Ear {
        Ear {
            post,
            track: Track::default(),
            from: 0,
            speaking: false,
            ended: false,
            lost: None,
            room: None,
            prompt: Prompt::NotTried,
            said: Vec::new(),
            early: Vec::new(),
        }
    }

    fn quiet_is_over(&self) -> bool {
        self.ended || self.track.end() >= self.from + QUIET
    }

    fn hear_prompt(&mut self, began: u64, ended: u64) {
        let Some(room) = &self.room else { return };
        let over_room = measure::prompt_over_room(self.track.slice(began, ended), room);
        self.prompt = match over_room {
            None => Prompt::NotTried,
            Some(over_room_db) if over_room_db >= PROMPT_OVER_ROOM_DB => Prompt::Audible { over_room_db },
            Some(over_room_db) if over_room_db >= PROMPT_HEARD_DB => Prompt::Faint { over_room_db },
            Some(over_room_db) => Prompt::NotJudged { over_room_db },
        };
    }

    fn report(&self) -> Microphone {
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
            dead: self.track.is_constant(),
            lost: self.lost.clone(),
        }
    }
}

#[cfg(test)]
mod tests;
