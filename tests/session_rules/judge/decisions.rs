//! The way out: when the observer's decision may take the place of answers, and that nothing less does.

use super::{Ruling, Witness};
use crate::play::Turn;
use antiphon::listen::heard::{Heard, Ignored, Verdict};
use antiphon::procedure::{Role, Use};
use antiphon::session::{Action, At, HoldWhy, Note, Phase, Saying, What};
use std::collections::{BTreeMap, BTreeSet};

#[derive(Default)]
pub(super) struct Seen {
    /// What was said in vain at each step for the answer that is awaited.
    pub vain: BTreeMap<u16, u32>,
    /// Steps whose tries are used up.
    open: BTreeSet<u16>,
    /// The step that was decided about, until the reason is given.
    deciding: Option<u16>,
    /// When the latest hold began (it may be called out again, over somebody who has begun to answer), and the first
    /// sound of the latest question for the reason.
    pub hold: Option<u64>,
    pub why: Option<u64>,
    pub went_back: bool,
    /// Steps done by decision the last time they were done.
    pub made: BTreeSet<u16>,
}

impl Seen {
    pub fn forget(&mut self, which: impl Fn(u16) -> bool) {
        self.vain.retain(|step, _| !which(*step));
        self.open.retain(|step| !which(*step));
    }
}

impl Witness<'_> {
    /// Counts what was wrong, not sure or no phrase while an answer about a step was awaited.
    pub(super) fn said_in_vain(&mut self, turn: &Turn) {
        let (Phase::ReadBack { step } | Phase::Confirm { step }) = turn.before.phase else { return };
        let What::Heard(heard) = &turn.event.what else { return };
        let asked = |action: &Action| matches!(action, Action::Note(Note::AskedAgain { .. }));
        let awaited = turn.before.awaited(self.procedure).is_some_and(|role| heard.post.hears(role));
        let speech = matches!(&heard.verdict, Verdict::Ignored { why } if *why != Ignored::TooShort);
        if turn.actions.iter().any(asked) || (awaited && speech) {
            *self.decisions.vain.entry(step).or_default() += 1;
        }
    }

    pub(super) fn way_out_opens(&mut self, why: HoldWhy, turn: &Turn, now: u64) {
        self.decisions.hold = Some(now);
        let (Phase::ReadBack { step } | Phase::Confirm { step }) = turn.before.phase else { return };
        let enough = self.decisions.vain.get(&step).copied().unwrap_or(0) >= self.procedure.rules.tries;
        if matches!(why, HoldWhy::Tries | HoldWhy::NoAnswer) && enough {
            self.decisions.open.insert(step);
        }
    }

    /// Whatever else the tool says than the question for the reason, or a repeat of it, a decision that waits is over.
    pub(super) fn decision_says(&mut self, saying: Saying, now: u64) {
        match saying {
            Saying::AskReason => self.decisions.why = Some(now),
            Saying::AskAgain | Saying::Reminder | Saying::Remark => {}
            _ => self.decisions.deciding = None,
        }
    }

    /// The observer's words, after the tries, at a step that allows it, not before it can have been done.
    pub(super) fn decides(&mut self, heard: &Heard, turn: &Turn, now: u64) -> Ruling {
        let (step, since) = match turn.before.phase {
            Phase::ReadBack { step } | Phase::Confirm { step } => (step, None),
            Phase::Held { why: HoldWhy::Tries | HoldWhy::NoAnswer, from: At::Step(step) } => {
                (step, self.decisions.hold)
            }
            ref other => return Err(format!("a decision counted in {other:?}")),
        };
        must!(self.procedure.steps[usize::from(step)].decision, "step {step} takes no decision");
        must!(
            self.decisions.open.contains(&step),
            "step {step} was decided about before the tries were used up"
        );
        must!(heard.post.hears(Role::Observer), "a decision from {:?}", heard.post);
        must!(since.is_none_or(|since| heard.start_ms >= since), "the decision began before the hold did");
        let (instructed, began) = self.instruction.ok_or("a decision without an instruction")?;
        must!(instructed == step && heard.start_ms >= began, "the decision began before the instruction");
        let floor = (self.procedure.steps[usize::from(step)].at_least_s.unwrap_or(0.0) * 1000.0).round();
        if floor > 0.0 {
            let over = self.instructed.ok_or("a minimum time is over that never began")? + floor as u64;
            let start = heard.start_ms.min(now);
            must!(start >= over, "the decision began at {start}, the minimum time ends at {over}");
        }
        self.decisions.deciding = Some(step);
        Ok(())
    }

    /// The observer's reason, begun after it was asked for.
    pub(super) fn decided(&mut self, step: u16, reason: u16, heard: Option<&Heard>, turn: &Turn) -> Ruling {
        let heard = heard.ok_or("a step was decided by something that was not heard")?;
        let Verdict::Accepted { phrase } = heard.verdict else {
            return Err(format!("a step was decided by {:?}", heard.verdict));
        };
        let used = self.procedure.phrase(phrase).used;
        must!(used == Use::Reason { reason }, "the reason was {used:?}");
        must!(heard.post.hears(Role::Observer), "a reason from {:?}", heard.post);
        must!(turn.before.phase == Phase::Deciding { step }, "decided in {:?}", turn.before.phase);
        must!(self.decisions.deciding == Some(step), "step {step} was decided without the decision");
        let why = self.decisions.why.ok_or("a reason that was not asked for")?;
        must!(heard.start_ms >= why, "the reason began before it was asked for, at {why}");
        must!(!self.shut, "a step was decided though a microphone was lost");
        must!(self.active(step), "step {step} was decided though an answer had switched it off");
        let first = self.procedure.range(self.procedure.part_of(usize::from(step))).start as u16;
        for before in (first..step).filter(|before| self.active(*before)) {
            must!(self.done.contains(&before), "step {step} was decided before step {before}");
        }
        self.decisions.deciding = None;
        self.decisions.forget(|other| other == step);
        self.decisions.made.insert(step);
        self.read_back = None;
        self.done.insert(step);
        Ok(())
    }
}
