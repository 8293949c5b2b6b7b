//! The evidence of the tuning half, for the script that fits the acceptor's weights.

use super::condition::ALL;
use super::corpus::{build, Half, Kind};
use super::hear::Ears;
use super::{hear, natural, progress, SEED};
use antiphon::listen::segment::Limits;
use serde::Serialize;
use std::io::Write;

#[derive(Serialize)]
struct Line<'a> {
    condition: &'a str,
    /// human, stand-in, chatter, or the near-miss's change.
    kind: &'a str,
    voice: &'a str,
    words: &'a str,
    /// The best phrase.
    phrase: &'a str,
    /// The best phrase is what was said.
    right: bool,
    evidence: &'a antiphon::listen::heard::Evidence,
}

pub fn write(file: &str, ears: Ears, only: &[&str]) -> Result<(), String> {
    let folder = tempfile::tempdir().map_err(|error| format!("no temporary folder: {error}"))?;
    let corpus = build(Half::Tuning, SEED, folder.path())?;
    let failed = |error: std::io::Error| format!("{file}: {error}");
    let mut out = std::io::BufWriter::new(std::fs::File::create(file).map_err(failed)?);
    // Each utterance is heard once, when it is over: what is wanted is its evidence.
    let limits = Limits { ahead_ms: f32::INFINITY, early_ms: f32::INFINITY, ..Limits::default() };
    for (number, condition) in ALL.into_iter().enumerate().filter(|(_, condition)| {
        if only.is_empty() {
            condition.tunes()
        } else {
            only.contains(&condition.name)
        }
    }) {
        // People's phrases are few and go through every condition, the rest through some each.
        let wanted = |clip: usize, kind: Kind| match kind {
            Kind::Human => true,
            Kind::StandIn => (clip + number).is_multiple_of(4),
            Kind::Person | Kind::Natural => (clip + number).is_multiple_of(2),
            Kind::Near(change) if natural::is_slip(change) => (clip + number).is_multiple_of(2),
            Kind::Near(_) => (clip + number).is_multiple_of(8),
            Kind::Chatter => (clip + number).is_multiple_of(10),
        };
        let bar = progress(condition.name, corpus.clips.len());
        for result in hear::play(&corpus, &condition, &wanted, SEED, limits, ears, &bar)? {
            let clip = &corpus.clips[result.clip];
            for one in &result.all {
                let evidence = &one.heard.evidence;
                let Some(best) = evidence.phrase else { continue };
                let said = clip.kind.is_right().then_some(clip.phrase).flatten();
                let kind = match clip.kind {
                    Kind::Human => "human",
                    Kind::StandIn => "stand-in",
                    Kind::Person => "person",
                    Kind::Natural => "natural",
                    Kind::Chatter => "chatter",
                    Kind::Near(change) => change.name(),
                };
                let line = Line {
                    condition: condition.name,
                    kind,
                    voice: &clip.voice,
                    words: &clip.words,
                    phrase: &corpus.groups[clip.group][usize::from(best.0)],
                    right: said == Some(usize::from(best.0)),
                    evidence,
                };
                serde_json::to_writer(&mut out, &line).map_err(|error| error.to_string())?;
                out.write_all(b"\n").map_err(failed)?;
            }
        }
        bar.finish_and_clear();
        eprintln!("{} done", condition.name);
    }
    out.flush().map_err(failed)
}
