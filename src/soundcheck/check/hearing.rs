//! What a check makes of one utterance: an answer, somebody else's, the tool's own voice, or nothing to do with it.
//!
//! Owns which utterances count as tries. Must not know what follows from a try.

use super::ear::Ear;
use super::{nothing, Action, Check, Stage, Wanted, OWN_VOICE};
use crate::audio::PER_MS;
use crate::listen::heard::{Heard, Ignored, Verdict};
use crate::procedure::{PhraseId, Post};
use crate::screen::words::heard_words;
use crate::soundcheck::report::{Outcome, Tried};

impl Check {
    pub(super) fn heard(&mut self, heard: Heard, actions: &mut Vec<Action>) {
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
        let is_own_voice =
            |ear: &Ear| ear.post == post && heard.end_ms * PER_MS <= ear.from + ear.late + OWN_VOICE;
        if heard.post != post || (!self.recorded && self.ears.iter().any(is_own_voice)) {
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
}
