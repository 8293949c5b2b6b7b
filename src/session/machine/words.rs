//! What the tool says about the moment: who is awaited, which phrases, which calls.
//!
//! Owns how templates are filled from the state. Must not change the state.

use super::Machine;
use crate::procedure::{Call, PhraseId, Post, Role};
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
            _ => self.lines.observer,
        };
        let expected = self.prompted().join(self.lines.or);
        let mut values = vec![("who", who), ("expected", expected.as_str())];
        values.extend_from_slice(more);
        fill(template, &values)
    }

    /// The phrases a prompt names: every answer to a question; otherwise the first phrase and, for the observer, the
    /// first refusal, so that refusing is never harder than confirming.
    pub(super) fn prompted(&self) -> Vec<String> {
        let text = |id: PhraseId| self.procedure.phrase(id).text.clone();
        match self.state.phase {
            Phase::Confirm { step } => {
                let step = &self.procedure.steps[usize::from(step)];
                step.confirm.first().into_iter().chain(step.refuse.first()).map(|id| text(*id)).collect()
            }
            Phase::ReadBack { step } => self.procedure.steps[usize::from(step)]
                .read_back
                .first()
                .map(|id| text(*id))
                .into_iter()
                .collect(),
            _ => self.state.expected(self.procedure).into_iter().map(text).collect(),
        }
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
