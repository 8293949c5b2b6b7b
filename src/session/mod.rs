//! The rules of moving on: `step(state, event, procedure) -> (state, actions)`.
//!
//! Owns every decision about what follows from what was heard, and nothing else does. PURE: no clock (time arrives in
//! events), no I/O, no threads, no randomness. A live run, a WAV run, a rehearsal and a replay of the journal are the
//! same fold over events.
//!
//! ```text
//!  Ready -Begin-> Opening -> Asking(q)... -> ReadBack(s) -> Confirm(s) -> ReadBack(s+1) ... -> Closing -> Ended
//!                    \____________\______________\____________\______________________\____/
//!                                   hold, stop, too many tries, silence,               |
//!                                   lost microphone, dead voice                        v
//!                                                                                    Held --carry on--> the same step
//!                                                                                      \---stop again-> Ended
//! ```
//!
//! Once the tries at a step are used up, the observer may decide instead: Held or ReadBack or Confirm -> Deciding (the
//! reason) -> the next step.
//!
//! When the record is damaged, only the observer's 'carry on' leads out of Held, and by way of a record in a new place: the
//! action `MoveRecord`, then the event that it was moved.
//!
//! A hold point stands before a step's instruction. A contingency, called from anywhere, does its own list of steps in
//! the same phases and then returns to the interrupted place, restarts at a step, or goes on to the list of an exit,
//! whose closing words end the session.

mod event;
pub mod lines;
mod machine;
mod state;

pub use event::{Action, Event, Note, Saying, Unheeded, What};
pub use machine::{phrases_in, step};
pub use state::{
    At, Deadline, Decided, Ending, HoldWhy, Outcome, Phase, Progress, Record, Run, Side, Span, Standing,
    State, DEFAULT_GRACE_MS,
};
