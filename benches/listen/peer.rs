//! The same English recordings through Debian's plain PocketSphinx, ten phrases at a time, less those with a word it does not know.

use super::accuracy::{Clip, Task};
use super::condition::Condition;
use super::corpus::{Corpus, Kind};
use antiphon::audio::wav;
use std::collections::BTreeSet;
use std::path::Path;

const DICTIONARY: &str = "/usr/share/pocketsphinx/model/en-us/cmudict-en-us.dict";

#[derive(Default)]
pub struct Peer {
    pub said: usize,
    pub right: usize,
    pub chatter: usize,
    pub chatter_accepted: usize,
}

pub fn hear(corpus: &Corpus, condition: &Condition, seed: u64, folder: &Path) -> Result<Peer, String> {
    let mut peer = Peer::default();
    let dictionary = std::fs::read_to_string(DICTIONARY).map_err(|error| format!("{DICTIONARY}: {error}"))?;
    let words: BTreeSet<&str> =
        dictionary.lines().filter_map(|line| line.split_whitespace().next()).collect();
    let known = |phrase: &String| phrase.split(' ').all(|word| words.contains(word));
    for (number, group) in corpus.groups.iter().enumerate() {
        // It ends with an error on a word it does not know; such a phrase is left out, and its recording.
        let phrases: Vec<String> = group.iter().filter(|phrase| known(phrase)).cloned().collect();
        let mut task = Task { phrases, clips: Vec::new(), seconds: 0.0 };
        for (at, clip) in corpus.clips.iter().enumerate() {
            let english = clip.voice.ends_with("English") && matches!(clip.kind, Kind::Human | Kind::Chatter);
            let said =
                clip.phrase.map(|phrase| task.phrases.iter().position(|known| *known == group[phrase]));
            if clip.group != number || !english || said == Some(None) {
                continue;
            }
            let file = folder.join(format!("peer-{at}.wav"));
            let sound = condition.heard(&clip.audio, &corpus.babble, seed ^ (at as u64) << 20);
            wav::write_mono(&file, &sound).map_err(|error| error.to_string())?;
            task.seconds += sound.len() as f64 / 16_000.0;
            task.clips.push(Clip { file, words: Some(clip.words.clone()), said: said.flatten() });
        }
        if task.clips.is_empty() {
            continue;
        }
        let tally = task.pocketsphinx(folder)?;
        peer.said += tally.said;
        peer.right += tally.right;
        peer.chatter += tally.chatter;
        peer.chatter_accepted += tally.chatter_accepted;
    }
    Ok(peer)
}
