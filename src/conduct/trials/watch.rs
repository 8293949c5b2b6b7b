//! What was really said beside what the session made of it.
//!
//! Owns the counting. Must not judge what is heard: it looks on as a screen does.

use super::Tally;
use crate::conduct::actors::Line;
use crate::listen::heard::{Heard, Verdict};
use crate::procedure::{PhraseId, Procedure, Role};
use crate::screen::{LastHeard, Screen};
use crate::session::{Action, Event, Note, State, What};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// What a stand-in said last, and the phrases awaited then, the prompted one first.
struct Said {
    line: Line,
    expected: Vec<(PhraseId, String)>,
}

impl Said {
    /// The awaited phrase that was really said, if it was one.
    fn right(&self) -> Option<PhraseId> {
        self.expected.iter().find(|(_, text)| *text == self.line.text).map(|(id, _)| *id)
    }
}

/// What the session made of it.
#[derive(Clone, Copy)]
enum Fate {
    Took(PhraseId),
    AskedAgain,
    Nothing,
}

/// Looks on: what was said, and what the session made of it.
#[derive(Default)]
pub(super) struct Watch {
    pub(super) tally: Tally,
    expected: Vec<(PhraseId, String)>,
    last: BTreeMap<Role, Said>,
    /// The phrase that was said rightly and did not count, and since when.
    trouble: Option<(PhraseId, u64)>,
}

impl Watch {
    pub(super) fn said(&mut self, line: &Line) {
        // Nobody minded what this person said before.
        if let Some(before) = self.last.remove(&line.role) {
            let at_ms = before.line.at_ms;
            self.settle(&before, Fate::Nothing, at_ms);
        }
        self.last.insert(line.role, Said { line: line.clone(), expected: self.expected.clone() });
    }

    fn heard(&mut self, heard: &Heard, actions: &[Action], at_ms: u64) {
        let fate = match fate(heard, actions) {
            // A piece of an utterance, perhaps; what becomes of it is seen later.
            Fate::Nothing => return,
            fate => fate,
        };
        let latest = self.last.iter().filter(|(role, _)| heard.post.hears(**role));
        let Some(role) = latest.max_by_key(|(_, said)| said.line.at_ms).map(|(role, _)| *role) else {
            return;
        };
        if let Some(said) = self.last.remove(&role) {
            self.settle(&said, fate, at_ms);
        }
    }

    fn settle(&mut self, said: &Said, fate: Fate, at_ms: u64) {
        let Some((awaited, _)) = said.expected.first() else { return };
        let right = said.right();
        let count = self.tally.phrases.entry(right.unwrap_or(*awaited)).or_default();
        match (right, fate) {
            (Some(id), Fate::Took(heard)) => {
                count.said += 1;
                count.right += usize::from(heard == id);
                count.mistaken += usize::from(heard != id);
            }
            (Some(_), Fate::AskedAgain) => {
                count.said += 1;
                count.asked_again += 1;
            }
            (Some(_), Fate::Nothing) => {
                count.said += 1;
                count.unnoticed += 1;
            }
            (None, fate) => {
                count.slips += 1;
                let awaited = |heard| said.expected.iter().any(|(id, _)| *id == heard);
                count.slips_taken += usize::from(matches!(fate, Fate::Took(heard) if awaited(heard)));
            }
        }
        match (fate, right) {
            (Fate::Took(_), _) => {
                if let Some((id, since)) = self.trouble.take() {
                    self.tally.phrases.entry(id).or_default().extra_ms += at_ms.saturating_sub(since);
                }
            }
            (_, Some(id)) => self.trouble = self.trouble.or(Some((id, at_ms))),
            _ => {}
        }
    }
}

fn fate(heard: &Heard, actions: &[Action]) -> Fate {
    let notes = || {
        actions.iter().filter_map(|action| match action {
            Action::Note(note) => Some(note),
            _ => None,
        })
    };
    let took = notes().any(|note| {
        matches!(
            note,
            Note::Counted { .. } | Note::Obeyed { .. } | Note::TooSoon { .. } | Note::Refused { .. }
        )
    });
    match heard.verdict {
        Verdict::Accepted { phrase } if took => Fate::Took(phrase),
        _ if notes().any(|note| matches!(note, Note::AskedAgain { .. } | Note::Held { .. })) => {
            Fate::AskedAgain
        }
        _ => Fate::Nothing,
    }
}

/// The session's screen, which only counts.
pub(super) struct Onlooker(pub(super) Rc<RefCell<Watch>>);

impl Screen for Onlooker {
    fn event(&mut self, _: &Procedure, event: &Event, actions: &[Action]) {
        if let What::Heard(heard) = &event.what {
            self.0.borrow_mut().heard(heard, actions, event.at_ms);
        }
    }
    fn show(&mut self, procedure: &Procedure, state: &State, _: Option<&LastHeard>) {
        let awaited = state.expected(procedure).into_iter().chain(state.decisions(procedure));
        self.0.borrow_mut().expected = awaited.map(|id| (id, procedure.phrase(id).text.clone())).collect();
    }
    fn remark(&mut self, _: u64, _: &str) {}
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::heard::Evidence;
    use crate::procedure::Post;

    fn line(text: &str, at_ms: u64) -> Line {
        Line { role: Role::Worker, at_ms, text: text.to_string(), louder_db: 0.0 }
    }

    fn heard(phrase: u16) -> Heard {
        Heard {
            post: Post::Worker,
            start_ms: 0,
            end_ms: 0,
            verdict: Verdict::Accepted { phrase: PhraseId(phrase) },
            evidence: Evidence::default(),
        }
    }

    fn watch() -> Watch {
        let expected =
            vec![(PhraseId(0), "gown is on".to_string()), (PhraseId(1), "gown is off".to_string())];
        Watch { expected, ..Watch::default() }
    }

    fn counted(phrase: u16) -> Vec<Action> {
        vec![Action::Note(Note::Counted { post: Post::Worker, phrase: PhraseId(phrase) })]
    }

    #[test]
    fn right_mistaken_asked_again_and_unnoticed_are_told_apart_by_what_was_really_said() {
        let mut watch = watch();
        watch.said(&line("gown is on", 1_000));
        watch.heard(&heard(0), &counted(0), 2_000);
        watch.said(&line("gown is on", 3_000));
        watch.heard(&heard(1), &counted(1), 4_000);
        watch.said(&line("gown is on", 5_000));
        let asked = [Action::Note(Note::AskedAgain { post: Post::Worker, try_number: 1 })];
        watch.heard(&heard(0), &asked, 6_000);
        watch.said(&line("gown is on", 7_000));
        watch.said(&line("gown is on", 8_000));
        watch.heard(&heard(0), &counted(0), 9_000);
        let count = &watch.tally.phrases[&PhraseId(0)];
        let seen = (count.said, count.right, count.mistaken, count.asked_again, count.unnoticed);
        assert_eq!(seen, (5, 2, 1, 1, 1));
        assert_eq!(count.extra_ms, 3_000, "from the answer that was asked again to the one that counted");
    }

    #[test]
    fn a_slip_that_is_taken_for_the_phrase_is_counted_as_such() {
        let mut watch = watch();
        watch.said(&line("gown is not on", 1_000));
        watch.heard(&heard(0), &counted(0), 2_000);
        watch.said(&line("another box", 3_000));
        watch.said(&line("gown is on", 4_000));
        watch.heard(&heard(0), &counted(0), 5_000);
        let count = &watch.tally.phrases[&PhraseId(0)];
        assert_eq!((count.said, count.right, count.slips, count.slips_taken), (1, 1, 2, 1));
    }
}
