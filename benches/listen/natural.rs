//! Natural voices by the dozen, where they are installed: half of them tune, half of them report. Each says phrases of
//! procedures, a newcomer's own, and what people say instead.
//!
//! Owns who says what, and how fast. Must not know how anything is heard.

use super::corpus::{half_of, Clip, Corpus, Half, Kind};
use super::near::{self, Change, Miss};
use antiphon::models;
use antiphon::voice::{RenderVoice, Renderer};
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;

/// A newcomer's own phrases of two to four words.
const NEWCOMER: &str = include_str!("newcomer.txt");
/// Voices that say each phrase, and near-misses of all.
const VOICES_A_PHRASE: usize = 2;
const NEAR: usize = 180;
/// Of the voices in turn, the pace at which they speak.
const PACES: [&str; 5] = ["1", "0.85", "1.1", "1.25", "0.95"];

/// What is said: its kind, its words, and the phrase it is or is nearly.
type Utterance = (Kind, String, String);

/// The names of a half's voices; none where they are not installed.
pub fn voices(half: Half) -> Vec<String> {
    let all = models::natural_voices().unwrap_or_default();
    // Sorted by name, women and men, American and British follow each other: every other one is fair.
    let mine = all.iter().enumerate().filter(|(at, _)| (at % 2 == 0) == (half == Half::Tuning));
    mine.map(|(_, (name, _))| name.clone()).collect()
}

/// Adds what this half's voices say of these phrases of procedures and the half's newcomer's ones.
pub fn add(
    corpus: &mut Corpus,
    half: Half,
    phrases: &[String],
    random: &mut ChaCha8Rng,
) -> Result<(), String> {
    let voices = voices(half);
    if voices.is_empty() {
        eprintln!("the natural voices are not installed (models/setup.sh --test): the bench runs without");
        return Ok(());
    }
    let newcomer = NEWCOMER.lines().filter(|line| !line.starts_with('#') && half_of(line) == half);
    let mut phrases: Vec<String> = phrases.iter().cloned().chain(newcomer.map(str::to_string)).collect();
    phrases.sort();
    phrases.dedup();
    phrases.shuffle(random);
    let places = corpus.group(&phrases);
    let mut slips: Vec<Miss> = near::slips(&phrases);
    slips.shuffle(random);
    slips.truncate(NEAR);
    let mut said: BTreeMap<(String, &str), Vec<Utterance>> = BTreeMap::new();
    let mut turn = 0;
    let mut next = || {
        turn += 1;
        (voices[turn % voices.len()].clone(), PACES[turn / voices.len() % PACES.len()])
    };
    for phrase in &phrases {
        for _ in 0..VOICES_A_PHRASE {
            said.entry(next()).or_default().push((Kind::Natural, phrase.clone(), phrase.clone()));
        }
    }
    for slip in slips {
        said.entry(next()).or_default().push((Kind::Near(slip.change), slip.words, slip.of));
    }
    let bar = super::progress("natural voices", said.values().map(Vec::len).sum());
    for ((name, pace), texts) in said {
        let voice: RenderVoice = format!("natural:{name}@{pace}").parse()?;
        let mut renderer = Renderer::new(voice).map_err(|error| error.to_string())?;
        for (kind, words, of) in texts {
            let (group, place) = places[&of];
            let audio = renderer.render(&words).map_err(|error| error.to_string())?;
            corpus.clips.push(Clip { kind, voice: name.clone(), words, phrase: Some(place), group, audio });
            bar.inc(1);
        }
    }
    bar.finish_and_clear();
    Ok(())
}

/// Whether a change is one of these.
pub fn is_slip(change: Change) -> bool {
    matches!(
        change,
        Change::Contraction | Change::Tense | Change::Place | Change::Value | Change::Number | Change::Form
    )
}
