//! Judges a played session from its events and actions alone: what it keeps of the session it has worked out itself.
//!
//! Only the phase before and after an event is taken from the state, where a rule is about the phase.

use super::play::{Play, Turn};
use antiphon::listen::heard::{Heard, Verdict};
use antiphon::procedure::{Call, PhraseId, Post, Procedure, Role, Use};
use antiphon::session::{Action, At, Note, Outcome, Phase, Saying, Standing, What};
use std::collections::BTreeSet;

/// What is wrong, in words; the turn's number is added by `judge`.
pub type Ruling = Result<(), String>;

macro_rules! must {
    ($holds:expr, $($words:tt)*) => {
        if !$holds {
            return Err(format!($($words)*));
        }
    };
}
/// The session as somebody in the room with a stopwatch would have written it down.
struct Witness<'p> {
    procedure: &'p Procedure,
    /// The utterance that has not ended, with what it is for.
    open: Option<Open>,
    last_utterance: u64,
    /// First sound of the latest instruction, and the step.
    instruction: Option<(u16, u64)>,
    /// Last sound of the first instruction of the visit.
    instructed: Option<u64>,
    /// When the first sound of the latest look was out.
    look: Option<u64>,
    read_back: bool,
    done: BTreeSet<u16>,
    answers: Vec<Option<u16>>,
    lost: BTreeSet<Post>,
    /// A microphone was lost and the observer has not let the session go on since.
    shut: bool,
    ended: Option<Outcome>,
}

struct Open {
    utterance: u64,
    saying: Saying,
    step: Option<u16>,
}

/// Follows the whole session and applies every rule about what counts.
pub fn judge(play: &Play) -> Ruling {
    let mut witness = Witness {
        procedure: &play.procedure,
        open: None,
        last_utterance: 0,
        instruction: None,
        instructed: None,
        look: None,
        read_back: false,
        done: BTreeSet::new(),
        answers: vec![None; play.procedure.questions.len()],
        lost: BTreeSet::new(),
        shut: false,
        ended: None,
    };
    let mut now = 0;
    for (number, turn) in play.turns.iter().enumerate() {
        now = turn.event.at_ms.max(now);
        witness.turn(turn, now).map_err(|wrong| {
            format!(
                "turn {number}: {wrong}\n{:?}\nfrom {:?}\nto {:?}\n{:?}",
                turn.event, turn.before.phase, turn.after.phase, turn.actions
            )
        })?;
    }
    witness.standings(play)
}

impl Witness<'_> {
    fn turn(&mut self, turn: &Turn, now: u64) -> Ruling {
        must!(self.ended.is_none() || turn.actions.is_empty(), "something is done after the end");
        if turn.event.what == What::Begin && turn.before.phase == Phase::Ready {
            // A microphone that was lost and back before anything began stopped nobody.
            self.shut = !self.lost.is_empty();
        }
        self.voice(&turn.event.what, now);
        let heard = match &turn.event.what {
            What::Heard(heard) => Some(heard),
            _ => None,
        };
        let said_again = turn.actions.iter().any(
            |action| matches!(action, Action::Note(Note::Obeyed { call, .. }) if *call == Call::SayAgain),
        );
        for action in &turn.actions {
            match action {
                Action::Note(note) => self.note(note, heard, now)?,
                Action::Hush => {
                    must!(self.open.take().is_some(), "hushed, though nothing is being said");
                }
                Action::Say { utterance, saying, text } => {
                    must!(self.open.is_none(), "{utterance} is said into what is being said");
                    must!(*utterance == self.last_utterance + 1, "utterance {utterance} is out of order");
                    self.last_utterance = *utterance;
                    self.says(*utterance, *saying, text, said_again, now)?;
                }
                Action::End { outcome } => self.end(*outcome)?,
            }
        }
        Ok(())
    }

    fn voice(&mut self, what: &What, now: u64) {
        let is_open = |open: &Option<Open>, id: &u64| open.as_ref().is_some_and(|o| o.utterance == *id);
        match what {
            What::SpeechBegan { utterance } if is_open(&self.open, utterance) => self.began(now),
            What::SpeechEnded { utterance, whole } if is_open(&self.open, utterance) => {
                let open = self.open.take();
                if *whole && open.is_some_and(|open| open.step.is_some()) {
                    self.instructed.get_or_insert(now);
                }
            }
            What::VoiceFailed { utterance, .. } if is_open(&self.open, utterance) => self.open = None,
            _ => {}
        }
    }

    /// The first sound of what is being said is out: from here on a person can be answering it.
    fn began(&mut self, now: u64) {
        let Some(open) = &self.open else { return };
        match (open.saying, open.step) {
            (Saying::Instruction, Some(step)) => self.instruction = Some((step, now)),
            (Saying::Look, _) => self.look = Some(now),
            _ => {}
        }
    }

    fn says(&mut self, utterance: u64, saying: Saying, text: &str, again: bool, now: u64) -> Ruling {
        let place = |texts: &[&str]| texts.iter().position(|known| text.ends_with(known)).map(|i| i as u16);
        let steps: Vec<&str> = self.procedure.steps.iter().map(|step| step.instruction.as_str()).collect();
        let asks: Vec<&str> = self.procedure.questions.iter().map(|q| q.ask.as_str()).collect();
        let step = place(&steps).filter(|_| saying == Saying::Instruction);
        match saying {
            Saying::Instruction => {
                let step = step.ok_or("an instruction of no step")?;
                // Whatever comes after this place is open again.
                self.done.retain(|done| *done < step);
                self.read_back = false;
                self.instruction = Some((step, now));
                if !again {
                    self.instructed = None;
                }
            }
            Saying::Question => {
                let question = place(&asks).ok_or("a question that is not in the procedure")?;
                self.answers[usize::from(question)..].fill(None);
                self.done.clear();
            }
            Saying::Look => self.look = Some(now),
            _ => {}
        }
        self.open = Some(Open { utterance, saying, step });
        Ok(())
    }

    fn note(&mut self, note: &Note, heard: Option<&Heard>, now: u64) -> Ruling {
        match note {
            Note::Counted { post, phrase } => {
                let heard = accepted(heard, *phrase)?;
                must!(heard.post == *post, "the note names another post");
                must!(!self.shut, "something counted though a microphone was lost");
                if let Use::ReadBack { step } = self.procedure.phrase(*phrase).used {
                    self.read_back(step, heard, now)?;
                }
            }
            Note::StepDone { step } => self.confirmed(*step, heard, now)?,
            Note::Answered { question, answer } => self.answered(*question, *answer, heard)?,
            Note::Lost { post, .. } => {
                self.lost.insert(*post);
                self.shut = true;
            }
            Note::Back { post } => must!(self.lost.remove(post), "back without having been lost"),
            Note::Obeyed { post, call: Call::CarryOn } => self.released(*post, "carry on")?,
            // On hold 'go back' sets the session going as 'carry on' does.
            Note::Obeyed { post, call: Call::GoBack } if self.shut => self.released(*post, "go back")?,
            _ => {}
        }
        Ok(())
    }

    fn released(&mut self, post: Post, how: &str) -> Ruling {
        must!(self.lost.is_empty(), "{how}, though {:?} are still lost", self.lost);
        must!(post.hears(Role::Observer), "{how} was called by the worker");
        self.shut = false;
        Ok(())
    }

    /// The worker's words, begun after the instruction began and after the minimum time was over.
    fn read_back(&mut self, step: u16, heard: &Heard, now: u64) -> Ruling {
        must!(heard.post.hears(Role::Worker), "a read-back from {:?}", heard.post);
        let (instructed, began) = self.instruction.ok_or("a read-back without an instruction")?;
        must!(instructed == step, "the read-back of step {step} counted at step {instructed}");
        must!(heard.start_ms >= began, "the read-back began before the instruction did, at {began}");
        let floor = (self.procedure.steps[usize::from(step)].at_least_s.unwrap_or(0.0) * 1000.0).round();
        if floor > 0.0 {
            let over = self.instructed.ok_or("a minimum time is over that never began")? + floor as u64;
            let start = heard.start_ms.min(now);
            must!(start >= over, "the read-back began at {start}, the minimum time ends at {over}");
        }
        self.read_back = true;
        self.look = None;
        Ok(())
    }

    /// The observer's words, begun after the look that follows the worker's read-back.
    fn confirmed(&mut self, step: u16, heard: Option<&Heard>, _now: u64) -> Ruling {
        let heard = heard.ok_or("a step was confirmed by something that was not heard")?;
        let Verdict::Accepted { phrase } = heard.verdict else {
            return Err(format!("a step was confirmed by {:?}", heard.verdict));
        };
        let used = self.procedure.phrase(phrase).used;
        must!(used == Use::Confirmation { step }, "step {step} was confirmed by {used:?}");
        must!(heard.post.hears(Role::Observer), "a confirmation from {:?}", heard.post);
        must!(self.read_back, "step {step} was confirmed without a read-back");
        let (instructed, began) = self.instruction.ok_or("a confirmation without an instruction")?;
        must!(instructed == step, "step {step} was confirmed while step {instructed} was being done");
        must!(heard.start_ms >= began, "the confirmation began before the instruction did, at {began}");
        let look = self.look.ok_or("a confirmation without a look")?;
        must!(heard.start_ms >= look, "the confirmation began before the look did, at {look}");
        must!(!self.shut, "a step was confirmed though a microphone was lost");
        for before in (0..step).filter(|before| self.active(*before)) {
            must!(self.done.contains(&before), "step {step} was confirmed before step {before}");
        }
        must!(self.active(step), "step {step} was confirmed though an answer had switched it off");
        self.read_back = false;
        self.done.insert(step);
        Ok(())
    }

    fn answered(&mut self, question: u16, answer: u16, heard: Option<&Heard>) -> Ruling {
        let heard = heard.ok_or("a question was answered by something that was not heard")?;
        let Verdict::Accepted { phrase } = heard.verdict else {
            return Err(format!("a question was answered by {:?}", heard.verdict));
        };
        let used = self.procedure.phrase(phrase).used;
        must!(used == Use::Answer { question, answer }, "the answer was {used:?}");
        let by = self.procedure.questions[usize::from(question)].by;
        must!(heard.post.hears(by), "an answer of the {} from {:?}", by.name(), heard.post);
        self.answers[usize::from(question)] = Some(answer);
        Ok(())
    }

    fn active(&self, step: u16) -> bool {
        self.procedure.steps[usize::from(step)].when.iter().all(|condition| {
            let answer = self.answers[usize::from(condition.question)];
            answer.is_some_and(|answer| condition.answers.contains(&answer))
        })
    }

    fn end(&mut self, outcome: Outcome) -> Ruling {
        must!(self.ended.is_none(), "ended twice");
        self.ended = Some(outcome);
        if outcome == Outcome::Completed {
            must!(self.answers.iter().all(Option::is_some), "completed with an open question");
            for step in (0..self.procedure.steps.len() as u16).filter(|step| self.active(*step)) {
                must!(self.done.contains(&step), "completed without step {step}");
            }
        }
        Ok(())
    }

    /// What the session's account says of the steps is what was seen.
    fn standings(&self, play: &Play) -> Ruling {
        for (index, progress) in play.state.steps.iter().enumerate() {
            let (step, standing) = (index as u16, progress.standing);
            let done = self.done.contains(&step);
            must!((standing == Standing::Confirmed) == done, "step {step} is {standing:?}, done: {done}");
            must!(
                standing != Standing::Skipped || !self.active(step),
                "step {step} was skipped, though it is to be done"
            );
            if self.ended == Some(Outcome::Completed) {
                let skipped = standing == Standing::Skipped;
                must!(skipped != self.active(step), "step {step} is {standing:?} at the end");
            }
        }
        Ok(())
    }
}

fn accepted(heard: Option<&Heard>, counted: PhraseId) -> Result<&Heard, String> {
    let heard = heard.ok_or("something counted that was not heard")?;
    must!(
        heard.verdict == Verdict::Accepted { phrase: counted },
        "phrase {} counted after {:?}",
        counted.0,
        heard.verdict
    );
    Ok(heard)
}

/// An accepted stop leads to a hold or to the end, at once, and never lets go of either.
pub fn a_stop_stops(play: &Play) -> Ruling {
    for turn in &play.turns {
        let What::Heard(heard) = &turn.event.what else { continue };
        let Verdict::Accepted { phrase } = heard.verdict else { continue };
        let stop = play.procedure.phrase(phrase).used == Use::Call { call: Call::Stop };
        if stop && turn.before.phase != Phase::Ready {
            let stopped = matches!(turn.after.phase, Phase::Held { .. } | Phase::Ended { .. });
            must!(stopped, "a stop led from {:?} to {:?}", turn.before.phase, turn.after.phase);
        }
    }
    Ok(())
}

/// Silence, noise and doubt never move the session on, and news of voice and microphones only where nobody is awaited.
pub fn only_words_move_it_on(play: &Play) -> Ruling {
    for turn in &play.turns {
        let (before, after) = (&turn.before.phase, &turn.after.phase);
        let moved = place(after) > place(before);
        let by_words = matches!(&turn.event.what, What::Heard(heard) if matches!(heard.verdict, Verdict::Accepted { .. }));
        let by_the_end_of_speech = matches!(turn.event.what, What::SpeechEnded { whole: true, .. })
            && matches!(before, Phase::Opening | Phase::Closing);
        let from_outside = matches!(turn.event.what, What::Interrupt | What::InputEnded)
            && matches!(after, Phase::Ended { outcome } if *outcome != Outcome::Completed);
        let begins = turn.event.what == What::Begin && *before == Phase::Ready;
        must!(
            !moved || by_words || by_the_end_of_speech || from_outside || begins,
            "{:?} moved the session from {before:?} to {after:?}",
            turn.event
        );
        let done = turn.actions.iter().any(|action| matches!(action, Action::Note(Note::StepDone { .. })));
        must!(!done || by_words, "{:?} confirmed a step", turn.event);
    }
    Ok(())
}

/// How far the session has come: holds are before the place they return to.
fn place(phase: &Phase) -> (u8, u16, u8) {
    let of = |at: &At| match at {
        At::Opening => (1, 0),
        At::Question(question) => (2, *question),
        At::Step(step) => (3, *step),
        At::Closing => (4, 0),
    };
    let with = |(kind, index): (u8, u16), stage| (kind, index, stage);
    match phase {
        Phase::Ready => (0, 0, 0),
        Phase::Held { from, .. } => with(of(from), 0),
        Phase::Opening => with(of(&At::Opening), 1),
        Phase::Asking { question } => with(of(&At::Question(*question)), 1),
        Phase::ReadBack { step } => with(of(&At::Step(*step)), 1),
        Phase::Confirm { step } => with(of(&At::Step(*step)), 2),
        Phase::Closing => with(of(&At::Closing), 1),
        Phase::Ended { .. } => (5, 0, 0),
    }
}
