//! The record of a session: a folder that can be added to but not quietly altered.
//!
//! Owns the session's folder and the format of everything in it: `journal.jsonl` (hash-chained events), `audio.wav`
//! (one track a voice), `procedure.toml` (as it was), `summary.json` (what it came to), and the check of all four.
//! Must not know the session's rules: an event is a kind and a body, and no line here asks what either means.
//!
//! What a chain proves: a record that was edited, cut in the middle, reordered or shortened by hand is found. Whoever
//! can rewrite the whole folder can also recompute every digest; against that only the last digest helps, noted
//! elsewhere when the session ended (see [`verify::Report::compare_with`]), or signed (see [`sign`]). That a session is gone
//! as a whole shows in the [`ledger`] of its folder.

pub mod chain;
pub mod close;
mod error;
pub mod folder;
mod identity;
pub mod journal;
pub mod ledger;
pub mod lock;
pub mod moved;
pub mod prune;
pub mod read;
pub mod redact;
pub mod sign;
pub mod sound;
mod space;
mod spare;
pub mod strict;
pub mod summary;
pub mod tracks;
pub mod verify;
mod vouched;
mod watch;
mod weight;

pub use error::RecordError;
pub use folder::{session_id, SessionFolder};
pub use journal::{Closed, Journal};
pub use lock::Lock;
pub use summary::{Account, Summary};
pub use tracks::{Finished, Late, Tracks};
