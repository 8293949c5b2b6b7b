//! Whose turn it is to speak: what was begun while the tool spoke, and what was the tool's own voice.
//!
//! A prompt leaks into open microphones and is heard there as anybody's words. Owns how such an utterance is told from
//! a person's: by when it began and by what the tool was saying. Must not judge what a phrase does.

use super::Machine;
use crate::listen::heard::Heard;
use crate::procedure::{PhraseId, Post, Procedure, Role, SpokenWords};
use crate::session::event::Unheeded;

impl Machine<'_> {
    /// Keeps which phrases the tool is about to say. Those of an utterance that is cut short are kept too, since it may
    /// still be heard for a while: until answers have counted again.
    pub(super) fn keep_own_words(&mut self, text: &str) {
        if self.state.answers_from_ms.is_some() {
            self.state.own_words.clear();
        }
        // What is written is kept too: a voice may say it as it stands.
        let spoken = phrases_in(&self.procedure.spoken(text), self.procedure);
        for id in spoken.into_iter().chain(phrases_in(text, self.procedure)) {
            if !self.state.own_words.contains(&id) {
                self.state.own_words.push(id);
            }
        }
    }

    /// Whether it began at a time at which no answer counts, because the tool was speaking or about to.
    pub(super) fn begun_while_speaking(&self, heard: &Heard) -> bool {
        let now = self.state.answers_from_ms.is_some_and(|from| heard.start_ms >= from);
        let before = self
            .state
            .silence_before
            .is_some_and(|silence| (silence.from_ms..silence.to_ms).contains(&heard.start_ms));
        !now && !before
    }

    /// Whether this phrase, heard then, is the tool's own prompt in an open microphone.
    pub(super) fn is_own_voice(&self, phrase: PhraseId, heard: &Heard) -> bool {
        self.state.own_words.contains(&phrase) && self.begun_while_speaking(heard)
    }

    /// Why this utterance can't be an answer, if it can't.
    pub(super) fn not_an_answer(&self, heard: &Heard) -> Option<Unheeded> {
        let Some(awaited) = self.state.awaited(self.procedure) else {
            return Some(Unheeded::NotAwaited(Role::Observer));
        };
        if self.begun_while_speaking(heard) {
            return Some(Unheeded::WhileSpeaking);
        }
        if !heard.post.hears(awaited) {
            return Some(Unheeded::NotAwaited(if heard.post == Post::Worker {
                Role::Worker
            } else {
                Role::Observer
            }));
        }
        None
    }
}

/// Every phrase of the procedure whose words follow each other in this text.
pub fn phrases_in(text: &str, procedure: &Procedure) -> Vec<PhraseId> {
    let spoken = SpokenWords::of(text);
    procedure.phrase_ids().filter(|id| spoken.hold(procedure.phrase(*id))).collect()
}
