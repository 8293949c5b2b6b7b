//! Judges a played session from its events and actions alone: what it keeps of the session it has worked out itself.
//!
//! Only the phase before and after an event is taken from the state, where a rule is about the phase.

macro_rules! must {
    ($holds:expr, $($words:tt)*) => {
        if !$holds {
            return Err(format!($($words)*));
        }
    };
}

mod course;
mod decisions;
mod record;
mod sides;

pub use course::{a_stop_stops, only_words_move_it_on};

use super::play::{Play, Turn};
use antiphon::listen::heard::{Heard, Verdict};
use antiphon::procedure::{Call, Doer, Part, PhraseId, Post, Procedure, Role, Then, Use};
use antiphon::session::{Action, Note, Outcome, Phase, Saying, Standing, What};
use std::collections::BTreeSet;

/// What is wrong, in words; the turn's number is added by `judge`.
pub type Ruling = Result<(), String>;

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
    /// The phrase of the read-back that waits for its confirmation.
    read_back: Option<PhraseId>,
    /// First sound of the latest words about a hold point.
    hold_point: Option<(u16, u64)>,
    /// The step whose hold point was released since.
    released: Option<u16>,
    /// Contingencies under way.
    sides: Vec<Interruption>,
    /// The one that was just called again.
    again: Option<Interruption>,
    done: BTreeSet<u16>,
    decisions: decisions::Seen,
    record: record::Seen,
    answers: Vec<Option<u16>>,
    lost: BTreeSet<Post>,
    /// A microphone was lost and the observer has not let the session go on since.
    shut: bool,
    ended: Option<Outcome>,
}

struct Interruption {
    contingency: u16,
    from: (u8, u16),
    leaving: bool,
    /// Steps were opened again meanwhile: it need not come back to the same place.
    moved: bool,
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
        read_back: None,
        hold_point: None,
        released: None,
        sides: Vec::new(),
        again: None,
        done: BTreeSet::new(),
        decisions: decisions::Seen::default(),
        record: record::Seen::default(),
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
        self.said_in_vain(turn);
        self.record_news(turn);
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
                Action::Note(note) => {
                    self.record_note(note)?;
                    self.note(note, heard, turn, now)?;
                }
                Action::MoveRecord => self.record_moves(heard)?,
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
        self.record_holds(turn)
    }

    fn voice(&mut self, what: &What, now: u64) {
        let is_open = |open: &Option<Open>, id: &u64| open.as_ref().is_some_and(|o| o.utterance == *id);
        match what {
            What::SpeechBegan { utterance } if is_open(&self.open, utterance) => self.began(now),
            What::SpeechEnded { utterance, whole } if is_open(&self.open, utterance) => {
                let open = self.open.take();
                let instruction = |open: Open| open.saying == Saying::Instruction;
                if *whole && open.is_some_and(instruction) {
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
            (Saying::HoldPoint, Some(step)) => self.hold_point = Some((step, now)),
            (Saying::Look, _) => self.look = Some(now),
            (Saying::AskReason, _) => self.decisions.why = Some(now),
            _ => {}
        }
    }

    fn says(&mut self, utterance: u64, saying: Saying, text: &str, again: bool, now: u64) -> Ruling {
        let place = |texts: &[&str]| texts.iter().position(|known| text.ends_with(known)).map(|i| i as u16);
        let steps: Vec<&str> = self.procedure.steps.iter().map(|step| step.instruction.as_str()).collect();
        let asks: Vec<&str> = self.procedure.questions.iter().map(|q| q.ask.as_str()).collect();
        let holds: Vec<&str> = self
            .procedure
            .steps
            .iter()
            .map(|step| step.hold_point.as_ref().map_or("no hold point", |point| point.text.as_str()))
            .collect();
        let step = match saying {
            Saying::Instruction => place(&steps),
            Saying::HoldPoint => holds.iter().position(|known| text.contains(known)).map(|i| i as u16),
            _ => None,
        };
        self.decision_says(saying, now);
        match saying {
            Saying::Instruction => {
                let step = step.ok_or("an instruction of no step")?;
                self.comes_to(step)?;
                let point = self.procedure.steps[usize::from(step)].hold_point.is_some();
                must!(
                    !point || self.released == Some(step),
                    "step {step} before its hold point was released"
                );
                self.read_back = None;
                self.instruction = Some((step, now));
                if !again {
                    self.instructed = None;
                }
            }
            // Called again after a while it names only the phrase.
            Saying::HoldPoint => {
                if let Some(step) = step {
                    self.comes_to(step)?;
                    self.hold_point = Some((step, now));
                    self.released = None;
                }
            }
            Saying::Question => {
                let question = place(&asks).ok_or("a question that is not in the procedure")?;
                self.answers[usize::from(question)..].fill(None);
                let own = self.procedure.own_steps;
                self.done.retain(|done| usize::from(*done) >= own);
                self.decisions.forget(|step| usize::from(step) < own);
            }
            Saying::Look => self.look = Some(now),
            // An exit may have no step that is to be done: then its closing words come first.
            Saying::Closing => {
                if let Some(side) = self.sides.last_mut() {
                    let then = self.procedure.contingencies[usize::from(side.contingency)].then;
                    side.leaving |= matches!(
                        then,
                        Then::Exit { exit } if text.ends_with(&self.procedure.exits[usize::from(exit)].closing)
                    );
                }
            }
            _ => {}
        }
        self.open = Some(Open { utterance, saying, step });
        Ok(())
    }

    /// Whatever comes after this place in its list is open again, and the list is the one that is being done.
    fn comes_to(&mut self, step: u16) -> Ruling {
        let part = self.procedure.part_of(usize::from(step));
        let steps = self.procedure.range(part);
        let expected = match self.sides.last_mut() {
            None => Part::Main,
            Some(side) => match (part, self.procedure.contingencies[usize::from(side.contingency)].then) {
                (Part::Exit(exit), Then::Exit { exit: own }) if exit == own => {
                    if !std::mem::replace(&mut side.leaving, true) {
                        self.done.retain(|done| !steps.contains(&usize::from(*done)));
                    }
                    part
                }
                _ => {
                    side.leaving = false;
                    Part::Contingency(side.contingency)
                }
            },
        };
        must!(part == expected, "step {step} of {part:?} while {expected:?} is being done");
        let open = usize::from(step)..steps.end;
        let anew = std::mem::take(&mut self.decisions.went_back);
        self.decisions.forget(|other| open.contains(&usize::from(other)) && (anew || other != step));
        self.done.retain(|done| !open.contains(&usize::from(*done)));
        Ok(())
    }

    /// Every step of a list that is to be done is done.
    fn all_done(&self, part: Part) -> Ruling {
        for step in self.procedure.range(part) {
            let step = step as u16;
            must!(!self.active(step) || self.done.contains(&step), "{part:?} was over without step {step}");
        }
        Ok(())
    }

    fn released(&mut self, step: u16, heard: Option<&Heard>) -> Ruling {
        let heard = heard.ok_or("a hold point was released by something that was not heard")?;
        let Verdict::Accepted { phrase } = heard.verdict else {
            return Err(format!("a hold point was released by {:?}", heard.verdict));
        };
        let used = self.procedure.phrase(phrase).used;
        must!(used == Use::Release { step }, "the hold point of step {step} was released by {used:?}");
        must!(heard.post.hears(Role::Observer), "a release from {:?}", heard.post);
        let (point, began) = self.hold_point.ok_or("a release without a hold point")?;
        must!(point == step && heard.start_ms >= began, "the release began before the wait did");
        self.released = Some(step);
        Ok(())
    }

    fn note(&mut self, note: &Note, heard: Option<&Heard>, turn: &Turn, now: u64) -> Ruling {
        match note {
            Note::Counted { post, phrase } => {
                let heard = accepted(heard, *phrase)?;
                must!(heard.post == *post, "the note names another post");
                must!(!self.shut, "something counted though a microphone was lost");
                match self.procedure.phrase(*phrase).used {
                    Use::ReadBack { step } => self.read_back(step, *phrase, heard, now)?,
                    Use::Decision => self.decides(heard, turn, now)?,
                    _ => {}
                }
            }
            Note::Released { step } => self.released(*step, heard)?,
            Note::ContingencyBegan { contingency, .. } => {
                self.contingency_began(*contingency, heard, turn)?
            }
            Note::ContingencyEnded { contingency, ending } => {
                self.contingency_ended(*contingency, *ending, heard, turn)?;
            }
            Note::StepDone { step } => self.confirmed(*step, heard, now)?,
            Note::Decided { step, reason } => self.decided(*step, *reason, heard, turn)?,
            Note::Refused { step } => self.decisions.forget(|other| other == *step),
            Note::Held { why } => self.way_out_opens(*why, turn, now),
            Note::WentBack => self.decisions.went_back = true,
            Note::Answered { question, answer } => self.answered(*question, *answer, heard)?,
            Note::Lost { post, .. } => {
                self.lost.insert(*post);
                self.shut = true;
            }
            Note::Back { post } => must!(self.lost.remove(post), "back without having been lost"),
            Note::Obeyed { post, call: Call::CarryOn } => self.let_go(*post, "carry on")?,
            // On hold 'go back' sets the session going as 'carry on' does.
            Note::Obeyed { post, call: Call::GoBack } if self.shut => self.let_go(*post, "go back")?,
            _ => {}
        }
        Ok(())
    }

    fn let_go(&mut self, post: Post, how: &str) -> Ruling {
        must!(self.lost.is_empty(), "{how}, though {:?} are still lost", self.lost);
        must!(post.hears(Role::Observer), "{how} was called by the worker");
        self.shut = false;
        Ok(())
    }

    /// The words of who does it, begun after the instruction began and after the minimum time was over.
    fn read_back(&mut self, step: u16, phrase: PhraseId, heard: &Heard, now: u64) -> Ruling {
        let by = self.procedure.steps[usize::from(step)].by;
        let reads_back = if by == Doer::Observer { Role::Observer } else { Role::Worker };
        must!(heard.post.hears(reads_back), "a read-back from {:?}, by {by:?}", heard.post);
        must!(
            self.procedure.phrase(phrase).by == Some(reads_back),
            "the read-back is the other one's phrase"
        );
        let (instructed, began) = self.instruction.ok_or("a read-back without an instruction")?;
        must!(instructed == step, "the read-back of step {step} counted at step {instructed}");
        must!(heard.start_ms >= began, "the read-back began before the instruction did, at {began}");
        let floor = (self.procedure.steps[usize::from(step)].at_least_s.unwrap_or(0.0) * 1000.0).round();
        if floor > 0.0 {
            let over = self.instructed.ok_or("a minimum time is over that never began")? + floor as u64;
            let start = heard.start_ms.min(now);
            must!(start >= over, "the read-back began at {start}, the minimum time ends at {over}");
        }
        self.read_back = Some(phrase);
        self.decisions.vain.remove(&step);
        self.look = None;
        Ok(())
    }

    /// The other one's words, begun after the look that follows the read-back.
    fn confirmed(&mut self, step: u16, heard: Option<&Heard>, _now: u64) -> Ruling {
        let heard = heard.ok_or("a step was confirmed by something that was not heard")?;
        let Verdict::Accepted { phrase } = heard.verdict else {
            return Err(format!("a step was confirmed by {:?}", heard.verdict));
        };
        let used = self.procedure.phrase(phrase).used;
        must!(used == Use::Confirmation { step }, "step {step} was confirmed by {used:?}");
        let by = self.procedure.steps[usize::from(step)].by;
        let confirms = if by == Doer::Observer { Role::Worker } else { Role::Observer };
        must!(heard.post.hears(confirms), "a confirmation from {:?}, by {by:?}", heard.post);
        must!(
            self.procedure.phrase(phrase).by == Some(confirms),
            "the confirmation is the other one's phrase"
        );
        let read_back = self.read_back.ok_or(format!("step {step} was confirmed without a read-back"))?;
        for (slot, value) in self.procedure.phrase(read_back).values() {
            let other = self.procedure.phrase(phrase).values().iter().find(|(name, _)| name == slot);
            must!(
                other.is_none_or(|(_, said)| said == value),
                "{slot} is {value}, but {other:?} was confirmed"
            );
        }
        let (instructed, began) = self.instruction.ok_or("a confirmation without an instruction")?;
        must!(instructed == step, "step {step} was confirmed while step {instructed} was being done");
        must!(heard.start_ms >= began, "the confirmation began before the instruction did, at {began}");
        let look = self.look.ok_or("a confirmation without a look")?;
        must!(heard.start_ms >= look, "the confirmation began before the look did, at {look}");
        must!(!self.shut, "a step was confirmed though a microphone was lost");
        let first = self.procedure.range(self.procedure.part_of(usize::from(step))).start as u16;
        for before in (first..step).filter(|before| self.active(*before)) {
            must!(self.done.contains(&before), "step {step} was confirmed before step {before}");
        }
        must!(self.active(step), "step {step} was confirmed though an answer had switched it off");
        self.read_back = None;
        self.decisions.forget(|other| other == step);
        self.decisions.made.remove(&step);
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
            // Beside the procedure's own steps, one whose question was not asked yet is done.
            let unasked = usize::from(step) >= self.procedure.own_steps;
            answer.map_or(unasked, |answer| condition.answers.contains(&answer))
        })
    }

    fn end(&mut self, outcome: Outcome) -> Ruling {
        must!(self.ended.is_none(), "ended twice");
        self.ended = Some(outcome);
        if outcome == Outcome::Completed {
            must!(self.answers.iter().all(Option::is_some), "completed with an open question");
            must!(self.sides.is_empty(), "completed within a contingency");
            self.all_done(Part::Main)?;
        }
        if outcome == Outcome::Exited {
            must!(self.sides.last().is_some_and(|side| side.leaving), "left without an exit");
        }
        Ok(())
    }

    /// What the session's account says of the steps is what was seen.
    fn standings(&self, play: &Play) -> Ruling {
        for (index, progress) in play.state.steps.iter().enumerate() {
            let (step, standing) = (index as u16, progress.standing);
            let done = self.done.contains(&step);
            let decided = self.decisions.made.contains(&step);
            must!(standing.is_done() == done, "step {step} is {standing:?}, done: {done}");
            must!(
                !done || (standing == Standing::Decided) == decided,
                "step {step} is {standing:?}, decided: {decided}"
            );
            // Beside the own steps it tells of the last run, since when a question may have been opened again.
            let past = index >= self.procedure.own_steps;
            must!(
                past || standing != Standing::Skipped || !self.active(step),
                "step {step} was skipped, though it is to be done"
            );
            if self.ended == Some(Outcome::Completed) && index < self.procedure.own_steps {
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
