use super::*;
use crate::audio::noise::{NoiseKind, NoiseSource};
use crate::listen::heard::{Evidence, Ignored, Verdict};
use crate::procedure::parse;
use std::path::Path;

fn procedure() -> Procedure {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/procedures/isolation-donning.toml");
    parse::load(Path::new(path)).expect("it is shipped").0
}

/// A live check whose room, voice and people are this test.
struct Play {
    check: Check,
    noise: NoiseSource,
    now: u64,
    said: Vec<String>,
    utterance: u64,
    over: bool,
}

impl Play {
    fn new() -> Play {
        let check = Check::new(&procedure(), &[Post::Worker, Post::Observer], false, &[]);
        let noise = NoiseSource::new(NoiseKind::Pink, 1, -60.0);
        let mut play = Play { check, noise, now: 0, said: Vec::new(), utterance: 0, over: false };
        play.step(What::Begin);
        play
    }

    fn step(&mut self, what: What) {
        for action in self.check.step(self.now, what) {
            match action {
                Action::Say { utterance, text } => {
                    self.utterance = utterance;
                    self.said.push(text);
                }
                Action::Show(_) => {}
                Action::Over => self.over = true,
            }
        }
    }

    /// So many ms pass at both microphones, with a tone over the room's noise.
    fn pass(&mut self, ms: u64, tone: f64) {
        for _ in 0..ms / 20 {
            for post in [Post::Worker, Post::Observer] {
                let mut samples = vec![0; 320];
                self.noise.next(&mut samples);
                for (n, sample) in samples.iter_mut().enumerate() {
                    let at = (self.now as usize + n) as f64 / 16_000.0;
                    *sample += (tone * 32_767.0 * (std::f64::consts::TAU * 1000.0 * at).sin()) as i16;
                }
                self.step(What::Sound { post, at: self.now, samples, speaking: false });
            }
            self.now += 320;
        }
    }

    /// The tool says what it has to say, this loud at the microphones.
    fn speak(&mut self, tone: f64) {
        self.step(What::SpeechBegan);
        self.pass(2000, tone);
        let utterance = self.utterance;
        self.step(What::SpeechEnded { utterance });
    }

    /// Somebody says something that is taken for this.
    fn hear(&mut self, post: Post, verdict: Verdict) {
        let start_ms = self.now / PER_MS + 100;
        self.pass(1500, 0.05);
        let evidence = Evidence { level_dbfs: -29.0, confidence: 0.9, ..Evidence::default() };
        self.step(What::Heard(Heard { post, start_ms, end_ms: start_ms + 1300, verdict, evidence }));
    }

    fn phrase(&self, index: usize) -> PhraseId {
        self.check.wanted[index].phrase
    }

    /// To the first question, with the prompt this loud.
    fn reach_the_phrases(&mut self, prompt: f64) {
        self.speak(prompt);
        self.pass(4000, 0.0);
        self.speak(prompt);
        self.pass(2600, 0.0);
    }

    /// Everything is asked for and answered, from this phrase on.
    fn answer_all(&mut self, from: usize) {
        for index in from..4 {
            self.speak(0.05);
            let post = if index < 2 { Post::Worker } else { Post::Observer };
            self.hear(post, Verdict::Accepted { phrase: self.phrase(index) });
        }
    }

    fn last(&self) -> &str {
        self.said.last().map_or("", String::as_str)
    }
}

#[test]
fn quiet_prompt_two_phrases_each_and_ready() {
    let mut play = Play::new();
    play.reach_the_phrases(0.05);
    play.answer_all(0);
    assert!(!play.over);
    assert_eq!(play.last(), "The sound check is done. Ready.");
    play.speak(0.05);
    assert!(play.over);
    let report = play.check.report();
    assert!(report.ready, "{report:?}");
    assert!(matches!(report.microphones[0].prompt, Prompt::Audible { .. }), "{report:?}");
    assert_eq!(play.said.len(), 7);
}

#[test]
fn a_prompt_too_faint_or_not_heard_is_told_apart() {
    for (tone, faint) in [(0.003, true), (0.0, false)] {
        let mut play = Play::new();
        play.reach_the_phrases(tone);
        play.answer_all(0);
        let report = play.check.report();
        assert_eq!(report.ready, !faint, "{report:?}");
        let prompt = report.microphones[0].prompt;
        assert_eq!(matches!(prompt, Prompt::Faint { .. }), faint, "{prompt:?}");
        assert_eq!(matches!(prompt, Prompt::NotJudged { .. }), !faint, "{prompt:?}");
    }
}

#[test]
fn nothing_that_is_heard_before_it_is_asked_for_counts() {
    let mut play = Play::new();
    let phrase = play.phrase(0);
    play.reach_the_phrases(0.05);
    play.hear(Post::Worker, Verdict::Accepted { phrase });
    assert!(play.check.wanted[0].asked.tries.is_empty());
    play.speak(0.05);
    // Heard just now, but said before the question ended.
    let evidence = Evidence::default();
    let verdict = Verdict::Accepted { phrase };
    play.step(What::Heard(Heard { post: Post::Worker, start_ms: 10, end_ms: 900, verdict, evidence }));
    assert!(play.check.wanted[0].asked.tries.is_empty());
    play.hear(Post::Observer, Verdict::Other { phrase });
    assert!(play.check.wanted[0].asked.tries.is_empty());
    assert!(play.check.wanted[0].asked.elsewhere_dbfs.is_some());
    play.hear(Post::Worker, Verdict::Accepted { phrase });
    assert!(play.check.wanted[0].asked.accepted());
}

#[test]
fn a_phrase_is_asked_for_twice_again_and_then_given_up() {
    let mut play = Play::new();
    play.reach_the_phrases(0.05);
    play.speak(0.05);
    play.pass(10_100, 0.0);
    assert_eq!(play.last(), "Worker, I am waiting for: my observer is watching me.");
    play.speak(0.05);
    play.hear(Post::Worker, Verdict::Ignored { why: Ignored::TooShort });
    play.hear(Post::Worker, Verdict::Ignored { why: Ignored::NoPhrase });
    assert_eq!(play.last(), "I am not sure what I heard. Worker, please say: my observer is watching me.");
    play.speak(0.05);
    play.hear(Post::Worker, Verdict::Other { phrase: play.phrase(2) });
    assert_eq!(play.check.wanted[0].asked.tries.len(), 3);
    play.answer_all(1);
    assert!(play.last().starts_with("Not ready."), "{}", play.last());
    assert!(!play.check.report().ready);
}

#[test]
fn a_lost_microphone_or_a_dead_voice_ends_it_not_ready() {
    let mut play = Play::new();
    play.speak(0.05);
    play.pass(1000, 0.0);
    play.step(What::Lost { post: Post::Observer, why: "unplugged".into() });
    assert_eq!(play.last(), "Not ready. The observer's microphone is lost. Plug it in, and check again.");
    // The end of what was being said before is not the end of the verdict.
    play.step(What::SpeechEnded { utterance: 1 });
    assert!(!play.over);
    play.speak(0.05);
    assert!(play.over && !play.check.report().ready);

    let mut play = Play::new();
    play.step(What::VoiceReplaced);
    assert_eq!(play.said[0], play.said[1]);
    play.step(What::VoiceDead { why: "the loudspeaker is gone".into() });
    assert!(play.over && !play.check.report().ready);
    play.step(What::Begin);
    assert_eq!(play.said.len(), 2);
}
