//! From sound to verdict: speech segments, an engine that scores phrases, decoys, and the acceptor.
//!
//! Owns what was heard and how sure that is. Must not know the session's rules: it is told which phrases count now and
//! reports what it heard.

pub mod accept;
mod both;
pub mod confusions;
mod context;
pub mod decoys;
pub mod engine;
mod evidence;
pub mod heard;
pub mod listener;
pub mod rivals;
pub mod segment;
pub mod voices;
