//! What is not shown to somebody who practises: the phrase that is to be known by heart, until the tool has said it.

use super::view::Scene;
use super::View;
use crate::session::State;

/// Stands where the phrase would.
const BY_HEART: &str = "(by heart)";

impl View {
    /// Takes the phrases of a step out, unless the tool has said them by now.
    pub fn hide_phrases(&mut self, state: &State) {
        let told = state.tries > 0 || state.reminders > 0;
        if told || !matches!(self.scene, Scene::ReadBack | Scene::Confirm) {
            return;
        }
        self.expected = vec![BY_HEART.to_string()];
        self.also.clear();
        self.refusals.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::Post;
    use crate::screen::stand_in::Run;

    #[test]
    fn a_phrase_is_hidden_until_the_tool_has_said_it() {
        let mut run = Run::shipped();
        run.until("gown");
        let mut view = run.view();
        view.hide_phrases(&run.state);
        assert_eq!((view.expected, view.refusals.len()), (vec![BY_HEART.to_string()], 0));
        run.says(Post::Worker, "hood covers my shoulders");
        let mut view = run.view();
        view.hide_phrases(&run.state);
        assert_eq!(view.expected, ["gown on over glove cuffs"], "it was asked again with the phrase");
    }

    #[test]
    fn a_question_and_a_hold_keep_their_phrases() {
        let mut run = Run::shipped();
        run.until("gown");
        run.says(Post::Worker, "stop stop");
        let mut view = run.view();
        view.hide_phrases(&run.state);
        assert_eq!(view.expected, ["carry on"]);
    }
}
