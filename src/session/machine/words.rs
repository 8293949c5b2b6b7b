//! What the tool says about the moment: who is awaited, which phrases, which calls.
//!
//! Owns how templates are filled from the state. Must not change the state.

use super::Machine;
use crate::procedure::{Call, Doer, PhraseId, Post, Role, Slot, SlotKind};
use crate::session::lines::fill;
use crate::session::state::{calls, Phase};

impl Machine<'_> {
    pub(super) fn post_name(&self, post: Post) -> &'static str {
        match post {
            Post::Worker => self.lines.the_worker,
            Post::Observer => self.lines.the_observer,
            Post::Room => self.lines.the_room,
        }
    }

    /// Fills a template with who is awaited and what is expected from them.
    pub(super) fn asking(&self, template: &str, more: &[(&str, &str)]) -> String {
        let who = match self.state.awaited(self.procedure) {
            Some(Role::Worker) => self.lines.worker,
            Some(Role::Observer) | None => self.lines.observer,
        };
        let expected = self.prompted().join(self.lines.or);
        let mut values = vec![("who", who), ("expected", expected.as_str())];
        values.extend_from_slice(more);
        fill(template, &values)
    }

    /// The phrases a prompt names: every answer to a question; otherwise the first phrase and, for who confirms, the
    /// first refusal, so that refusing is never harder than confirming.
    pub(super) fn prompted(&self) -> Vec<String> {
        let text = |id: PhraseId| self.procedure.phrase(id).text.clone();
        match self.state.phase {
            Phase::Confirm { step } => {
                let confirm = self.prompt(&self.state.confirmations(self.procedure, step));
                let refuse = self.procedure.steps[usize::from(step)].refuse.first();
                confirm.into_iter().chain(refuse.map(|id| text(*id))).collect()
            }
            Phase::HoldPoint { .. } | Phase::ReadBack { .. } => {
                self.prompt(&self.state.expected(self.procedure)).into_iter().collect()
            }
            _ => self.state.expected(self.procedure).into_iter().map(text).collect(),
        }
    }

    /// The first phrase as a prompt says it: where others differ from it only in their slots, with what these may be.
    fn prompt(&self, phrases: &[PhraseId]) -> Option<String> {
        let first = self.procedure.phrase(*phrases.first()?);
        let Some(filled) = &first.filled else { return Some(first.text.clone()) };
        let alike = |id: &&PhraseId| {
            self.procedure.phrase(**id).filled.as_ref().is_some_and(|other| other.pattern == filled.pattern)
        };
        if phrases.iter().filter(alike).count() == 1 {
            return Some(first.text.clone());
        }
        let values: Vec<(&str, String)> =
            self.procedure.slots.iter().map(|slot| self.slot_words(slot)).collect();
        let values: Vec<(&str, &str)> = values.iter().map(|(id, words)| (*id, words.as_str())).collect();
        Some(fill(&filled.pattern, &values))
    }

    fn slot_words<'s>(&self, slot: &'s Slot) -> (&'s str, String) {
        let words = match &slot.kind {
            SlotKind::Words(words) => words.join(self.lines.one_of),
            SlotKind::Digits(count) => fill(self.lines.digits, &[("count", &count.to_string())]),
        };
        (&slot.id, words)
    }

    /// An instruction as it is spoken: addressed to who does the step, unless its text does so or the worker does it.
    pub(super) fn instruction(&self, step: u16) -> String {
        let step = &self.procedure.steps[usize::from(step)];
        let who = match step.by {
            Doer::Worker => return step.instruction.clone(),
            Doer::Both => self.lines.both,
            Doer::Observer => self.lines.observer,
        };
        if step.instruction.starts_with(who) {
            return step.instruction.clone();
        }
        fill(self.lines.to_doer, &[("who", who), ("instruction", &step.instruction)])
    }

    pub(super) fn with_calls(&self, template: &str, more: &[(&str, &str)]) -> String {
        let phrase = |wanted: Call| {
            calls(self.procedure)
                .find(|(_, call)| *call == wanted)
                .map(|(id, _)| self.procedure.phrase(id).text.as_str())
                .unwrap_or_default()
        };
        let mut values = vec![
            ("carry_on", phrase(Call::CarryOn)),
            ("go_back", phrase(Call::GoBack)),
            ("stop", phrase(Call::Stop)),
        ];
        values.extend_from_slice(more);
        fill(template, &values)
    }
}
