//! Folds the events of a journal again: the same rules must come to the same actions and the same state.
//!
//! Must not write anything.

use super::keeper::Opening;
use crate::procedure::Procedure;
use crate::record::read::Line;
use crate::session::{step, Action, Event, State};

/// What a replay came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Replay {
    pub state: State,
    /// Events folded.
    pub events: usize,
    /// First line whose action differs from what the rules give today, with what they give.
    pub differs: Option<(u64, String)>,
}

/// Replays the lines of a journal. `Err` names the line that can't be understood.
pub fn replay(lines: &[Line], procedure: &Procedure) -> Result<Replay, String> {
    let opening = lines.first().filter(|line| line.kind == "session").ok_or("line 1: no session line")?;
    let opening: Opening =
        serde_json::from_value(opening.body.clone()).map_err(|error| format!("line 1: {error}"))?;
    let mut state = State::new(procedure, &opening.posts, opening.grace_ms);
    let mut expected: std::collections::VecDeque<Action> = Default::default();
    let mut replay = Replay { state: state.clone(), events: 0, differs: None };
    for line in lines {
        match line.kind.as_str() {
            "in" => {
                let event: Event = serde_json::from_value(line.body.clone())
                    .map_err(|error| format!("line {}: {error}", line.n))?;
                if let Some(action) = expected.pop_front() {
                    replay.differs.get_or_insert((line.n, format!("{action:?} is missing")));
                }
                let (next, actions) = step(state, event, procedure);
                state = next;
                expected = actions.into();
                replay.events += 1;
            }
            "out" => {
                let action: Action = serde_json::from_value(line.body.clone())
                    .map_err(|error| format!("line {}: {error}", line.n))?;
                let given = expected.pop_front();
                if given.as_ref() != Some(&action) {
                    replay.differs.get_or_insert((line.n, format!("{given:?}")));
                }
            }
            _ => {}
        }
    }
    replay.state = state;
    Ok(replay)
}
