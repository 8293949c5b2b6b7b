//! The recordings both programs are tried on, and the phrases they are given.

use super::accuracy::{Clip, Task};
use crate::support::prompts::{self, Prompt};
use antiphon::audio::wav;
use antiphon::listen::engine::phones::PhonesEngine;
use antiphon::listen::engine::Engine;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

pub const PHRASES: usize = 40;
pub const SEED: u64 = 1;
/// Longer utterances are no phrase to the listener, which does not even score them, s.
pub const LONGEST_S: f64 = 10.0;

const DICTIONARY: &str = "/usr/share/pocketsphinx/model/en-us/cmudict-en-us.dict";
pub const CARDS: &str = "/usr/share/pocketsphinx/test/data/cards";
const RANKS: [&str; 14] = [
    "ace", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "jack", "queen", "king",
    "lady",
];
const SUITS: [&str; 4] = ["clubs", "hearts", "diamonds", "spades"];

/// The prompts as a task, and what is left out of it.
pub struct Prompts {
    pub task: Task,
    /// Recordings of the phrases, for measuring speed.
    pub spoken: Vec<PathBuf>,
    /// Another recording of the same words as a phrase.
    pub same_words: usize,
    pub too_long: usize,
    /// Chatter that has all words of a phrase in a row, and more.
    pub holds_a_phrase: usize,
}

/// 40 prompts as phrases, the rest as chatter.
pub fn prompts(folder: &Path) -> Result<Prompts, String> {
    let engine = PhonesEngine::load().map_err(|error| error.to_string())?;
    let theirs = words_of_pocketsphinx()?;
    let given = BTreeMap::new();
    let known = |word: &str| theirs.contains(word) && engine.check_word(word, &given).is_ok();
    let all = prompts::all()?;
    let chosen = prompts::choose(&all, PHRASES, SEED, known)?;
    let phrases: Vec<String> = chosen.iter().filter_map(|prompt| prompt.words.clone()).collect();
    let names: BTreeSet<&str> = chosen.iter().map(|prompt| prompt.name.as_str()).collect();
    let rest: Vec<Prompt> =
        all.iter().filter(|prompt| !names.contains(prompt.name.as_str())).cloned().collect();
    let spoken = prompts::decode(&chosen, folder)?;
    let mut found = Prompts {
        task: Task { phrases, clips: Vec::new(), seconds: 0.0 },
        spoken: spoken.clone(),
        same_words: 0,
        too_long: 0,
        holds_a_phrase: 0,
    };
    for ((index, prompt), file) in chosen.into_iter().enumerate().zip(spoken) {
        found.task.seconds += seconds(&file)?;
        found.task.clips.push(Clip { file, words: prompt.words, said: Some(index) });
    }
    for (prompt, file) in rest.iter().zip(prompts::decode(&rest, folder)?) {
        let phrases = &found.task.phrases;
        let long = seconds(&file)?;
        if prompt.words.as_ref().is_some_and(|words| phrases.contains(words)) {
            found.same_words += 1;
        } else if long > LONGEST_S {
            found.too_long += 1;
        } else {
            let padded = prompt.words.as_ref().map(|words| format!(" {words} ")).unwrap_or_default();
            found.holds_a_phrase += usize::from(phrases.iter().any(|p| padded.contains(&format!(" {p} "))));
            found.task.seconds += long;
            found.task.clips.push(Clip { file, words: prompt.words.clone(), said: None });
        }
    }
    Ok(found)
}

fn words_of_pocketsphinx() -> Result<BTreeSet<String>, String> {
    let text = fs::read_to_string(DICTIONARY)
        .map_err(|error| format!("{DICTIONARY}: {error}; apt-get install pocketsphinx-en-us"))?;
    Ok(text.lines().filter_map(|line| line.split_whitespace().next()).map(str::to_string).collect())
}

/// Five recordings of other speakers naming playing cards. The whole grammar has over a million sentences; the phrases
/// are the five that are said and every sentence of the grammar that differs from one of them in one word.
pub fn cards() -> Result<Task, String> {
    let path = format!("{CARDS}/cards.transcription");
    let text = fs::read_to_string(&path)
        .map_err(|error| format!("{path}: {error}; apt-get install pocketsphinx-testdata"))?;
    let mut task = Task { phrases: Vec::new(), clips: Vec::new(), seconds: 0.0 };
    for line in text.lines() {
        let parsed = line.split_once("<s>").and_then(|(_, rest)| rest.split_once("</s>"));
        let (said, name) = parsed.ok_or_else(|| format!("{path}: {line:?}"))?;
        let file = PathBuf::from(format!("{CARDS}/{}.wav", name.trim().trim_matches(['(', ')'])));
        task.seconds += seconds(&file)?;
        task.clips.push(Clip { file, words: Some(said.trim().to_string()), said: Some(task.phrases.len()) });
        task.phrases.push(said.trim().to_string());
    }
    for said in task.phrases.clone() {
        for phrase in one_word_away(&said) {
            if !task.phrases.contains(&phrase) {
                task.phrases.push(phrase);
            }
        }
    }
    Ok(task)
}

fn one_word_away(said: &str) -> Vec<String> {
    let words: Vec<&str> = said.split(' ').collect();
    let mut all = Vec::new();
    for (index, word) in words.iter().enumerate() {
        let others: &[&str] = match word {
            word if RANKS.contains(word) => &RANKS,
            word if SUITS.contains(word) => &SUITS,
            _ => &[],
        };
        for other in others {
            let mut changed = words.clone();
            changed[index] = other;
            all.push(changed.join(" "));
        }
    }
    all
}

fn seconds(file: &Path) -> Result<f64, String> {
    let clip = wav::read(&file.display().to_string()).map_err(|error| error.to_string())?;
    Ok(clip.samples.len() as f64 / 16_000.0)
}
