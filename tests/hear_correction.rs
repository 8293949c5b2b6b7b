//! Self-correction: 'correction' takes back what was said before it (SERA.14075). Stand-in voices of flite.

use antiphon::listen::accept::Bar;
use antiphon::listen::engine::phones::PhonesEngine;
use antiphon::listen::heard::{Heard, Verdict};
use antiphon::listen::listener::{Listener, Vocabulary};
use antiphon::procedure::{PhraseId, Place, Post};
use antiphon::voice::{RenderVoice, Renderer};
use std::collections::BTreeMap;
use std::sync::Arc;

const PHRASES: [&str; 3] = ["gown is closed", "outer gloves are on", "hood lies on both shoulders"];

fn heard(voice: &str, words: &str) -> Vec<Heard> {
    let engine = PhonesEngine::load().expect("models are set up");
    let phrases = PHRASES.map(|phrase| (phrase.to_string(), Place::BUILT_IN)).to_vec();
    let vocabulary = Vocabulary::of(phrases, Vec::new(), BTreeMap::new(), &engine).expect("known words");
    let ids = vocabulary.ids();
    let mut listener = Listener::new(Post::Room, Box::new(engine), Arc::new(vocabulary), Bar::default());
    listener.set_counts(&ids).expect("known words");
    let mut renderer = Renderer::new(RenderVoice::Flite(voice.to_string())).expect("flite is installed");
    let said = renderer.render(words).expect("it speaks");
    let sound = [&[0; 16_000][..], &said, &[0; 16_000]].concat();
    let mut all = listener.push(&sound).expect("the engine hears");
    all.extend(listener.finish().expect("the engine hears"));
    all
}

fn accepted(heard: &[Heard]) -> Vec<&'static str> {
    let phrase = |heard: &Heard| match heard.verdict {
        Verdict::Accepted { phrase: PhraseId(number) } => Some(PHRASES[usize::from(number)]),
        _ => None,
    };
    heard.iter().filter_map(phrase).collect()
}

#[test]
fn the_phrase_after_correction_counts_and_what_was_said_before_it_does_not() {
    for voice in ["slt", "rms"] {
        for before in ["gown is open", "outer gloves", "hood lies on both shoulders"] {
            let heard = heard(voice, &format!("{before} correction gown is closed"));
            assert_eq!(accepted(&heard), ["gown is closed"], "{voice}, {before}: {heard:#?}");
            assert!(heard.iter().any(|one| one.evidence.corrected));
        }
    }
}

#[test]
fn a_phrase_that_is_taken_back_does_not_count() {
    for voice in ["slt", "rms"] {
        for words in ["gown is closed correction gown is not closed", "outer gloves are on correction"] {
            let heard = heard(voice, words);
            assert_eq!(accepted(&heard), [""; 0], "{voice}, {words}: {heard:#?}");
        }
    }
}

#[test]
fn without_the_word_nothing_is_corrected() {
    for words in ["gown is closed", "the collection is complete", "connection is closed"] {
        assert!(heard("slt", words).iter().all(|one| !one.evidence.corrected), "{words}");
    }
}
