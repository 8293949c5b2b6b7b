//! The order of a sound check, sans-IO: events in, actions out.
//!
//! ```text
//! Opening -> Quiet -> Prompt -> Echo -> Asking(0) -> Listening(0) -> ... -> Verdict -> Over
//!                    (live only)    ^         ^___ again, at most twice ___|
//! ```
//!
//! Owns the order. Time is the sound taken in: a stage lasts so many samples of the microphones it listens to, so a
//! recording is checked as fast as it can be read, and needs no timing of its own.

mod ear;
mod hearing;

use super::judge::{self, Kind, Weight};
use super::lines::{own_lines, OwnLines};
use super::measure::{self, Room};
use super::phrases;
use super::report::{Asked, Microphone, Outcome, Prompt, Report, Tried};
use crate::audio::{PER_MS, RATE};
use crate::listen::heard::Heard;
use crate::procedure::{PhraseId, Post, Procedure, Role};
use crate::session::lines::{fill, lines};
use ear::Ear;

/// The quiet lasts so long, samples (3 s).
const QUIET: u64 = 3 * RATE as u64;
/// What is left of the tool's voice in the room after it ended, samples (300 ms).
const ECHO: u64 = RATE as u64 * 3 / 10;
/// The tool's voice is looked for at the microphones until so long after its end, samples (2.5 s): the buffers of
/// sound systems lie between, and one of PulseAudio's was seen to hold over a second.
const LATEST: u64 = RATE as u64 * 5 / 2;
/// What ended less than this after the tool's words is the end of those, samples (600 ms): nobody answers with three
/// words in that time.
const OWN_VOICE: u64 = RATE as u64 * 6 / 10;
/// An answer is waited for so long, samples: 10 s, as a session does before it calls again.
const WAIT: u64 = 10 * RATE as u64;
/// A phrase is asked for at most so often.
const TRIES: usize = 3;
/// Pieces of advice that are spoken; the screen has them all.
const SPOKEN: usize = 3;

#[derive(Debug, Clone)]
#[allow(clippy::large_enum_variant, reason = "one utterance a second at most: a box would save nothing")]
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
    /// What the microphones still hear of the prompt.
    Echo,
    Asking(usize),
    Listening(usize),
    Verdict,
    Over,
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
    /// `recorded`: the sound comes from files, which hold the room first and then the phrases, in order. `enrolled`: whose
    /// voices are to be known.
    pub fn new(procedure: &Procedure, posts: &[Post], recorded: bool, enrolled: &[Role]) -> Check {
        let ears = posts.iter().map(|post| Ear::new(*post)).collect();
        let post_of = |role| posts.iter().copied().find(|post| post.hears(role));
        let wanted = phrases::chosen(procedure, enrolled)
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

    /// A text as the voice says it; the screen shows it as it is written.
    pub fn spoken(&self, text: &str) -> String {
        self.procedure.spoken(text)
    }

    /// Whether the check waits for sound of this microphone.
    pub fn wants(&self, post: Post) -> bool {
        match self.stage {
            Stage::Quiet => self.ears.iter().any(|ear| ear.post == post && !ear.quiet_is_over()),
            Stage::Listening(index) => self.wanted[index].asked.post == post,
            _ => false,
        }
    }

    /// How long after its end the tool's voice is still heard at this microphone, ms.
    pub fn late_ms(&self, post: Post) -> u64 {
        self.ears.iter().find(|ear| ear.post == post).map_or(0, |ear| ear.late / PER_MS)
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
            What::SpeechEnded { .. } => self.said(at, &mut actions),
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
    fn said(&mut self, at: u64, actions: &mut Vec<Action>) {
        match self.stage {
            Stage::Opening => {
                self.begin_stage(Stage::Quiet, at + ECHO);
                self.look(actions);
            }
            Stage::Prompt => self.begin_stage(Stage::Echo, at),
            Stage::Asking(index) => self.listen(index, at, actions),
            Stage::Verdict => {
                self.stage = Stage::Over;
                actions.push(Action::Over);
            }
            Stage::Quiet | Stage::Echo | Stage::Listening(_) | Stage::Over => {}
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
            Stage::Echo if self.ears.iter().all(|ear| ear.track.end() >= ear.from + LATEST) => {
                let began = self.began;
                for ear in &mut self.ears {
                    ear.hear_prompt(began);
                    actions.push(Action::Show(Shown::Prompt { post: ear.post, prompt: ear.prompt }));
                }
                self.ask(0, actions);
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

#[cfg(test)]
mod tests;
