//! The session's state: plain data, serialisable, comparable. The rules that change it are in `machine`.

use crate::procedure::{Call, Condition, Part, PhraseId, Post, Procedure, Role, Then, Use};
use serde::{Deserialize, Serialize};

/// A person may begin to answer this long before the tool's last sound is out and still be heard: people answer each
/// other after about 200 ms on average, and often before the end (Stivers et al. 2009, PNAS 106(26):10587-92).
pub const DEFAULT_GRACE_MS: u64 = 250;

/// A place in the procedure that a hold returns to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum At {
    Opening,
    Question(u16),
    Step(u16),
    Closing,
}

/// What is going on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "phase", rename_all = "kebab-case")]
pub enum Phase {
    Ready,
    Opening,
    Asking {
        question: u16,
    },
    /// Waiting before the step's instruction until the observer releases it.
    HoldPoint {
        step: u16,
    },
    ReadBack {
        step: u16,
    },
    Confirm {
        step: u16,
    },
    /// The observer decided about the step; waiting for the reason.
    Deciding {
        step: u16,
    },
    Held {
        why: HoldWhy,
        from: At,
    },
    Closing,
    Ended {
        outcome: Outcome,
    },
}

/// Why the session is on hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HoldWhy {
    /// Somebody called hold.
    Called,
    /// Somebody called stop; a second stop ends the session.
    Stop,
    /// Something like hold or stop was heard, not surely.
    MaybeStop,
    /// Something like the call of a contingency was heard, not surely.
    MaybeContingency(u16),
    /// Too many wrong or unsure answers, or refusals, at one step.
    Tries,
    /// Nobody answered.
    NoAnswer,
    PostLost(Post),
    VoiceDead,
    /// The record is not what was written.
    RecordLost,
    /// An answer sounded like the other person, and so did the next.
    SameVoice,
    /// An answer sounded like neither of the two, and the one before was in doubt too.
    StrangeVoice,
}

/// How the record stands. While it is not whole the session is on hold.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Record {
    #[default]
    Whole,
    /// It is not what was written.
    Lost,
    /// The observer had it moved, and nothing has come of that yet. `next_utterance` as it was then: whatever held the session
    /// since has said so.
    Moving { next_utterance: u64 },
}

/// How the session ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    Completed,
    /// A contingency led out, and the last step of its exit is done.
    Exited,
    Stopped,
    InputEnded,
    Interrupted,
}

/// Where a step stands.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    #[default]
    Pending,
    /// An answer switched it off.
    Skipped,
    Instructed,
    ReadBack,
    Confirmed,
    /// Confirmed by the observer's decision, not by two answers.
    Decided,
}

impl Standing {
    /// Whether the session may go on from the step.
    pub fn is_done(self) -> bool {
        matches!(self, Standing::Confirmed | Standing::Decided)
    }
}

/// The observer's decision about a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Decided {
    /// Index in the procedure's reasons.
    pub reason: u16,
    /// Last sound of the reason.
    pub at_ms: u64,
}

/// What happened at one step so far. Counters survive going back; times are of the latest visit.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Progress {
    pub standing: Standing,
    pub first_began_ms: Option<u64>,
    /// First sound of the instruction.
    pub began_ms: Option<u64>,
    /// Last sound of the first instruction of this visit: `at_least` counts from here.
    pub instructed_ms: Option<u64>,
    pub read_back_ms: Option<u64>,
    /// Never set by a decision, which is not an answer.
    pub confirmed_ms: Option<u64>,
    pub decided: Option<Decided>,
    /// When the hold point before it was released.
    pub released_ms: Option<u64>,
    /// The phrases that counted, for the values in their slots.
    pub read_back_as: Option<PhraseId>,
    pub confirmed_as: Option<PhraseId>,
    pub asks_again: u32,
    pub refusals: u32,
    pub reminders: u32,
    pub holds: u32,
    pub too_soon: u32,
    /// Answers that sounded like another person than whoever should have given them.
    pub same_voice: u32,
    pub visits: u32,
    /// What was said in vain for the answer that is awaited, holds between included.
    pub failures: u32,
    /// The tries were used up: the observer may decide, until the step is done, refused or begun anew by going back.
    pub may_decide: bool,
}

/// An utterance of the tool that has not ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Speaking {
    pub utterance: u64,
    pub began: bool,
    /// Its first sound, or when it was asked for until that is out, ms. Nobody can have answered it before.
    pub since_ms: u64,
}

/// From the first ms to before the last, on the session clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Span {
    pub from_ms: u64,
    pub to_ms: u64,
}

/// When time itself will be an event, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Deadline {
    pub at_ms: u64,
    pub why: Reason,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// Nobody answered since the prompt.
    Silence,
    /// The right phrase came while the tool was still speaking.
    TooEarly,
    /// Still on hold.
    StillHeld,
}

/// A contingency that was called and is not over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Side {
    pub contingency: u16,
    /// What it interrupted.
    pub from: At,
    /// Its own steps are done, those of its exit are being done.
    pub leaving: bool,
}

/// How a contingency ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ending {
    Returned,
    Restarted,
    Exited,
    /// It was called once more, and begun again.
    CalledAgain,
    /// The observer went back out of its first step: it was called by mistake.
    Cancelled,
}

/// One contingency from its call to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Run {
    pub contingency: u16,
    pub post: Post,
    pub called_ms: u64,
    pub ended_ms: Option<u64>,
    pub ending: Option<Ending>,
}

/// The last call that was obeyed, to tell the same call heard by the other microphone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastCall {
    pub called: Use,
    pub post: Post,
    pub start_ms: u64,
    pub end_ms: u64,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct State {
    pub now_ms: u64,
    pub posts: Vec<Post>,
    pub lost: Vec<Post>,
    pub record: Record,
    pub phase: Phase,
    pub speaking: Option<Speaking>,
    pub next_utterance: u64,
    /// Phrases in the words the tool is saying, or said last: heard from then, they are its own voice.
    pub own_words: Vec<PhraseId>,
    /// Answers must begin at or after this; `None` while the tool speaks.
    pub answers_from_ms: Option<u64>,
    /// Answers that began in here count too: in the silence before the tool called again by itself.
    pub silence_before: Option<Span>,
    pub tries: u32,
    pub reminders: u32,
    /// The awaited phrase came while the tool was speaking.
    pub came_early: bool,
    pub deadline: Option<Deadline>,
    pub answers: Vec<Option<u16>>,
    pub steps: Vec<Progress>,
    /// Contingencies under way, the one being done last; each is there once.
    pub sides: Vec<Side>,
    /// Every contingency that was called so far.
    pub runs: Vec<Run>,
    pub last_call: Option<LastCall>,
    pub grace_ms: u64,
    /// Of the whole session, at questions too.
    pub all_asks_again: u32,
    pub all_reminders: u32,
    pub calls_obeyed: u32,
    pub holds: u32,
    pub stops: u32,
    pub go_backs: u32,
}

impl State {
    /// A session that has not begun. `posts` are the microphones in use: one shared, or one a person.
    pub fn new(procedure: &Procedure, posts: &[Post], grace_ms: u64) -> State {
        State {
            now_ms: 0,
            posts: posts.to_vec(),
            lost: Vec::new(),
            record: Record::Whole,
            phase: Phase::Ready,
            speaking: None,
            next_utterance: 1,
            own_words: Vec::new(),
            answers_from_ms: None,
            silence_before: None,
            tries: 0,
            reminders: 0,
            came_early: false,
            deadline: None,
            answers: vec![None; procedure.questions.len()],
            steps: vec![Progress::default(); procedure.steps.len()],
            sides: Vec::new(),
            runs: Vec::new(),
            last_call: None,
            grace_ms,
            all_asks_again: 0,
            all_reminders: 0,
            calls_obeyed: 0,
            holds: 0,
            stops: 0,
            go_backs: 0,
        }
    }

    /// When to send `What::Time`, if nothing else happens before.
    pub fn wake_at(&self) -> Option<u64> {
        self.deadline.map(|deadline| deadline.at_ms)
    }

    pub fn ended(&self) -> Option<Outcome> {
        match self.phase {
            Phase::Ended { outcome } => Some(outcome),
            _ => None,
        }
    }

    /// Who is awaited now.
    pub fn awaited(&self, procedure: &Procedure) -> Option<Role> {
        match self.phase {
            Phase::Asking { question } => Some(procedure.questions[usize::from(question)].by),
            Phase::ReadBack { step } => Some(procedure.steps[usize::from(step)].by.reads_back()),
            Phase::Confirm { step } => Some(procedure.steps[usize::from(step)].by.confirms()),
            Phase::HoldPoint { .. } | Phase::Deciding { .. } | Phase::Held { .. } => Some(Role::Observer),
            _ => None,
        }
    }

    /// The phrases that would move the session on now, the prompted one first.
    pub fn expected(&self, procedure: &Procedure) -> Vec<PhraseId> {
        match &self.phase {
            Phase::Asking { question } => {
                procedure.questions[usize::from(*question)].answers.iter().map(|a| a.phrase).collect()
            }
            Phase::HoldPoint { step } => {
                let point = procedure.steps[usize::from(*step)].hold_point.as_ref();
                point.map(|point| point.release.clone()).unwrap_or_default()
            }
            Phase::ReadBack { step } => procedure.steps[usize::from(*step)].read_back.clone(),
            Phase::Confirm { step } => {
                let refuse = &procedure.steps[usize::from(*step)].refuse;
                self.confirmations(procedure, *step).into_iter().chain(refuse.iter().copied()).collect()
            }
            Phase::Deciding { .. } => {
                let reasons = procedure.decision.iter().flat_map(|decision| &decision.reasons);
                reasons.map(|reason| reason.phrase).collect()
            }
            Phase::Held { .. } => {
                calls(procedure).filter(|(_, call)| *call == Call::CarryOn).map(|c| c.0).collect()
            }
            _ => Vec::new(),
        }
    }

    /// The confirmations of a step that say nothing else than its read-back said, where both have the same slots.
    pub fn confirmations(&self, procedure: &Procedure, step: u16) -> Vec<PhraseId> {
        let read_back = self.steps[usize::from(step)].read_back_as.map(|id| procedure.phrase(id));
        let agrees = |id: &PhraseId| read_back.is_none_or(|said| procedure.phrase(*id).agrees_with(said));
        procedure.steps[usize::from(step)].confirm.iter().copied().filter(agrees).collect()
    }

    /// The phrases by which the observer may decide about the step now; none before its tries are used up. A hold for
    /// another reason has to be ended first.
    pub fn decisions(&self, procedure: &Procedure) -> Vec<PhraseId> {
        let step = match self.phase {
            Phase::ReadBack { step } | Phase::Confirm { step } => step,
            Phase::Held { why: HoldWhy::Tries | HoldWhy::NoAnswer, from: At::Step(step) } => step,
            _ => return Vec::new(),
        };
        let progress = &self.steps[usize::from(step)];
        // Back at its hold point a step is not begun yet.
        let begun = matches!(progress.standing, Standing::Instructed | Standing::ReadBack);
        match &procedure.decision {
            Some(decision) if begun && progress.may_decide && self.lost.is_empty() => {
                decision.phrases.clone()
            }
            _ => Vec::new(),
        }
    }

    /// Every phrase that counts at this post now, calls included.
    pub fn counts_at(&self, procedure: &Procedure, post: Post) -> Vec<PhraseId> {
        let held = matches!(self.phase, Phase::Held { .. });
        let mut ids: Vec<PhraseId> = self
            .expected(procedure)
            .into_iter()
            .chain(self.decisions(procedure))
            .filter(|id| procedure.phrase(*id).by.is_none_or(|role| post.hears(role)))
            .collect();
        for id in procedure.phrase_ids() {
            let valid = match procedure.phrase(id).used {
                Use::Call { call: Call::CarryOn } => held,
                Use::Call { call: Call::Hold } => !held,
                Use::Call { .. } | Use::Contingency { .. } => true,
                _ => false,
            };
            if valid && !ids.contains(&id) {
                ids.push(id);
            }
        }
        ids
    }

    /// Whether the answers so far switch this step on. A condition on an unanswered question does not hold; but a
    /// contingency may be called before it was asked, and then the step is done.
    pub fn active(&self, procedure: &Procedure, step: usize) -> bool {
        let unasked = step >= procedure.own_steps;
        procedure.steps[step].when.iter().all(|condition| self.holds(condition, unasked))
    }

    fn holds(&self, condition: &Condition, unasked: bool) -> bool {
        self.answers[usize::from(condition.question)]
            .map_or(unasked, |answer| condition.answers.contains(&answer))
    }

    /// The list of steps that is being done, or that a hold returns to.
    pub fn part(&self, procedure: &Procedure) -> Part {
        let Some(side) = self.sides.last() else { return Part::Main };
        match procedure.contingencies[usize::from(side.contingency)].then {
            Then::Exit { exit } if side.leaving => Part::Exit(exit),
            _ => Part::Contingency(side.contingency),
        }
    }

    /// The contingency that led to the exit which is being done, or by which the session ended.
    pub fn leaving_by(&self) -> Option<u16> {
        self.sides.last().filter(|side| side.leaving).map(|side| side.contingency)
    }

    /// The step being done, or that a hold returns to.
    pub fn current_step(&self) -> Option<u16> {
        match self.phase {
            Phase::HoldPoint { step }
            | Phase::ReadBack { step }
            | Phase::Confirm { step }
            | Phase::Deciding { step }
            | Phase::Held { from: At::Step(step), .. } => Some(step),
            _ => None,
        }
    }
}

/// Every call phrase of the procedure.
pub(super) fn calls(procedure: &Procedure) -> impl Iterator<Item = (PhraseId, Call)> + '_ {
    procedure.phrase_ids().filter_map(|id| match procedure.phrase(id).used {
        Use::Call { call } => Some((id, call)),
        _ => None,
    })
}
