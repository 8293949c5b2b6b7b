//! The same English recordings through Debian's plain PocketSphinx, ten phrases at a time.

use super::accuracy::{Clip, Task};
use super::condition::Condition;
use super::corpus::{Corpus, Kind};
use antiphon::audio::wav;
use std::path::Path;

#[derive(Default)]
pub struct Peer {
    pub said: usize,
    pub right: usize,
    pub chatter: usize,
    pub chatter_accepted: usize,
}

pub fn hear(corpus: &Corpus, condition: &Condition, seed: u64, folder: &Path) -> Result<Peer, String> {
    let mut peer = Peer::default();
    for (number, phrases) in corpus.groups.iter().enumerate() {
        let mut task = Task { phrases: phrases.clone(), clips: Vec::new(), seconds: 0.0 };
        for (at, clip) in corpus.clips.iter().enumerate() {
            let english = clip.voice.ends_with("English") && matches!(clip.kind, Kind::Human | Kind::Chatter);
            if clip.group != number || !english {
                continue;
            }
            let file = folder.join(format!("peer-{at}.wav"));
            let sound = condition.heard(&clip.audio, &corpus.babble, seed ^ (at as u64) << 20);
            wav::write_mono(&file, &sound).map_err(|error| error.to_string())?;
            task.seconds += sound.len() as f64 / 16_000.0;
            task.clips.push(Clip { file, words: Some(clip.words.clone()), said: clip.phrase });
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
