//! Torture: programs killed, power cut, disks that fail, records tampered with and files of nonsense, over and over. Nothing that
//! was recorded is lost or passes for what it is not, and nothing panics.
//!
//! The short form runs with the other tests. `make torture` does the same twenty times as often: ANTIPHON_TORTURE=20. Each part
//! prints what it did and its seed; ANTIPHON_SEED=N repeats it.

#[path = "../common/mod.rs"]
mod common;
#[path = "../debrief_support/mod.rs"]
mod debrief_support;
#[path = "../live_room/disk.rs"]
mod disk;
mod failing;
mod stopped;
mod tampered;

use antiphon::record::verify::{verify, State};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::path::Path;

/// So many times as in the short form.
fn times(short: usize) -> usize {
    short * number("ANTIPHON_TORTURE").unwrap_or(1) as usize
}

fn number(variable: &str) -> Option<u64> {
    std::env::var(variable)
        .ok()
        .map(|text| text.parse().unwrap_or_else(|_| panic!("{variable}={text}: no number")))
}

/// The part's own randomness.
fn random(part: &str) -> ChaCha8Rng {
    let seed = number("ANTIPHON_SEED").unwrap_or(20_261_128);
    println!("{part}: seed {seed}");
    ChaCha8Rng::seed_from_u64(seed)
}

/// How often each thing came out.
#[derive(Default)]
struct Tally(BTreeMap<String, usize>);

impl Tally {
    fn count(&mut self, what: impl Into<String>) {
        *self.0.entry(what.into()).or_default() += 1;
    }

    fn of(&self, what: &str) -> usize {
        self.0.get(what).copied().unwrap_or(0)
    }
}

impl std::fmt::Display for Tally {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let parts: Vec<String> = self.0.iter().map(|(what, count)| format!("{count} {what}")).collect();
        write!(f, "{}", parts.join(", "))
    }
}

/// How a record stands after something went wrong; one that had not got as far as a line is none.
fn stands(folder: &Path) -> &'static str {
    let lines = std::fs::read(folder.join("journal.jsonl")).unwrap_or_default();
    if !lines.contains(&b'\n') {
        return "without a line yet";
    }
    match verify(folder).map(|report| (report.state, report)) {
        Ok((State::Sound, _)) => "sound",
        Ok((State::CutOff, _)) => "cut off",
        Ok((State::Altered, report)) => panic!("{}: {:?}", folder.display(), report.findings),
        Err(error) => panic!("{}: {error}", folder.display()),
    }
}
