//! The second ear against another implementation of the same network, on human speech, and what it must never do.

mod common;

use antiphon::conduct::second_ear::{self, Ears};
use antiphon::conduct::set_up::EngineName;
use antiphon::listen::engine::whisper::{Options, Precision, WhisperEngine, Window};
use antiphon::listen::engine::{Asked, Engine, Weighed};
use common::{needed, text, tool};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

const PROMPTS: &str = "/usr/share/asterisk/sounds/en_US_f_Allison";
const REFERENCE: &str = include_str!("second_ear.tsv");

/// Of each clip, phrases and their weights.
fn reference() -> BTreeMap<&'static str, Vec<(&'static str, f32)>> {
    let mut clips: BTreeMap<&str, Vec<(&str, f32)>> = BTreeMap::new();
    for line in REFERENCE.lines().filter(|line| !line.starts_with('#')) {
        let mut fields = line.split('\t');
        let mut next = || fields.next().expect("three fields a line");
        let (clip, phrase, weight) = (next(), next(), next().parse().expect("a number"));
        clips.entry(clip).or_default().push((phrase, weight));
    }
    clips
}

fn clip(name: &str, folder: &Path) -> Vec<i16> {
    let from = needed(&format!("{PROMPTS}/{name}.g722"), "asterisk-core-sounds-en-g722");
    let to = folder.join(name.replace('/', "-")).with_extension("wav");
    tool("ffmpeg", &["-v", "error", "-f", "g722", "-i", text(&from), "-ac", "1", "-ar", "16000", text(&to)]);
    let mut reader = hound::WavReader::open(&to).expect("ffmpeg wrote a WAV file");
    reader.samples::<i16>().map(|sample| sample.expect("a whole file")).collect()
}

fn weigh(engine: &mut WhisperEngine, sound: &[i16], phrases: &[&str], rivals: &[&str]) -> Weighed {
    let owned = |texts: &[&str]| texts.iter().map(|text| text.to_string()).collect::<Vec<_>>();
    let asked = Asked {
        phrases: owned(phrases),
        rivals: phrases.iter().map(|_| Arc::new(owned(rivals))).collect(),
        ..Asked::default()
    };
    engine.begin(sound, "").unwrap();
    engine.weigh(&asked).unwrap().expect("it can weigh")
}

#[test]
fn weights_are_those_of_another_implementation_to_a_hundredth() {
    let folder = tempfile::tempdir().unwrap();
    let options = Options { precision: Precision::Full, window: Window::Whole, threads: 2 };
    let mut engine = WhisperEngine::load("en", options).unwrap();
    let clips = reference();
    assert!(clips.len() >= 10);
    for (name, phrases) in clips {
        let sound = clip(name, folder.path());
        let texts: Vec<&str> = phrases.iter().map(|(text, _)| *text).collect();
        let weighed = weigh(&mut engine, &sound, &texts, &[]);
        for ((phrase, wanted), got) in phrases.iter().zip(&weighed.log_p) {
            assert!((wanted - got).abs() < 0.01, "{name}: {phrase}: {got}, wanted {wanted}");
        }
    }
}

/// The same as it is run in a session: weights in 8 bits, and less than a second of silence behind the sound.
#[test]
fn in_8_bits_and_with_little_silence_the_right_phrase_still_weighs_most() {
    let folder = tempfile::tempdir().unwrap();
    let mut engine = WhisperEngine::load("en", Options::default()).unwrap();
    for (name, phrases) in reference() {
        let sound = clip(name, folder.path());
        let texts: Vec<&str> = phrases.iter().map(|(text, _)| *text).collect();
        let weighed = weigh(&mut engine, &sound, &texts, &[]);
        eprintln!("{name}: {:?} {:?} {:?}", weighed.log_p, phrases, (weighed.weight, weighed.nearest()));
        assert_eq!(weighed.chosen, 0, "{name}: {phrases:?} {:?}", weighed.log_p);
        assert!(weighed.weight >= weighed.log_p[0]);
    }
}

#[test]
fn a_rival_that_was_said_weighs_more_than_the_phrase_and_names_itself() {
    let folder = tempfile::tempdir().unwrap();
    let mut engine = WhisperEngine::load("en", Options::default()).unwrap();
    let sound = clip("conf-unmuted", folder.path());
    let weighed =
        weigh(&mut engine, &sound, &["you are now muted"], &["you are not muted", "you are now unmuted"]);
    let rival = weighed.nearest().expect("there are rivals");
    assert_eq!(rival.text, "you are now unmuted", "{weighed:?}");
    assert!(rival.log_p > weighed.weight + 4.0, "{weighed:?}");
    assert_eq!(weighed.worst_word, "muted", "{weighed:?}");
    // The same without having been given it: its own hypothesis says so.
    let weighed = weigh(&mut engine, &sound, &["you are now muted"], &[]);
    let rival = weighed.nearest().expect("it has a hypothesis");
    assert!(rival.free && rival.text == "you are now unmuted", "{weighed:?}");
}

/// Told of a procedure's words, it finds right phrases likelier, all in all, and still tells them from what is one word off.
#[test]
fn told_of_the_words_that_may_come_it_hears_them_better_and_not_in_place_of_others() {
    let folder = tempfile::tempdir().unwrap();
    let mut engine = WhisperEngine::load("en", Options::default()).unwrap();
    let context = "circuits, agent, logged, call, forward, answer, number, dial, unmuted, goodbye, press.";
    let (mut told, mut untold, mut clips) = (0.0, 0.0, 0.0);
    for (name, phrases) in reference() {
        let sound = clip(name, folder.path());
        let phrases: Vec<String> = phrases.iter().map(|(text, _)| text.to_string()).collect();
        let asked = Asked { phrases, context: context.into(), ..Asked::default() };
        engine.begin(&sound, "").unwrap();
        let with = engine.weigh(&asked).unwrap().expect("it can weigh");
        let without =
            engine.weigh(&Asked { context: String::new(), ..asked }).unwrap().expect("it can weigh");
        assert_eq!(with.chosen, 0, "{name}: {with:?}");
        (told, untold, clips) = (told + with.weight, untold + without.weight, clips + 1.0);
    }
    eprintln!("told {:.2}, untold {:.2} nats a phrase", told / clips, untold / clips);
    assert!(told > untold, "{told} {untold}");
}

/// Begun with the context, it has thought about that in advance, and its answer is the same.
#[test]
fn a_context_known_in_advance_changes_no_weight() {
    let folder = tempfile::tempdir().unwrap();
    let mut engine = WhisperEngine::load("en", Options::default()).unwrap();
    for (name, phrases) in reference() {
        let sound = clip(name, folder.path());
        let phrases: Vec<String> = phrases.iter().map(|(text, _)| text.to_string()).collect();
        let rivals = Arc::new(vec![format!("{} not", phrases[0]), format!("now {}", phrases[0])]);
        let rivals = phrases.iter().map(|_| Arc::clone(&rivals)).collect();
        let asked = Asked { phrases, rivals, context: "number, dial.".into(), ..Asked::default() };
        engine.begin(&sound, "").unwrap();
        let later = engine.weigh(&asked).unwrap().expect("it can weigh");
        engine.begin(&sound, &asked.context).unwrap();
        let known = engine.weigh(&asked).unwrap().expect("it can weigh");
        let near = |a: f32, b: f32| (a - b).abs() < 0.02;
        assert!(later.log_p.iter().zip(&known.log_p).all(|(a, b)| near(*a, *b)), "{name}");
        assert!(near(later.weight, known.weight) && later.chosen == known.chosen, "{name}");
        let (one, other) = (later.nearest().unwrap(), known.nearest().unwrap());
        assert!(one.text == other.text && near(one.log_p, other.log_p), "{name}: {one:?} {other:?}");
    }
}

/// Whisper is known to write sentences where nobody speaks, and words that it was told of. No phrase may come near a weight
/// that counts.
#[test]
fn silence_hiss_and_music_weigh_nothing() {
    let mut engine = WhisperEngine::load("en", Options::default()).unwrap();
    let mut noise = 1u32;
    let mut hiss = || {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (noise >> 16) as i16 / 16
    };
    let tone = |n: usize, hertz: f32| (std::f32::consts::TAU * hertz * n as f32 / 16_000.0).sin();
    let music = (0..32_000).map(|n| {
        let step = [261.6, 329.6, 392.0, 523.3][n / 4_000 % 4];
        ((tone(n, step) + tone(n, step * 1.5) + tone(n, step * 2.0)) * 4_000.0) as i16
    });
    let sounds = [vec![0i16; 32_000], (0..32_000).map(|_| hiss()).collect(), music.collect()];
    for (nth, sound) in sounds.iter().enumerate() {
        for phrase in ["thank you", "gloves are on", "hold everything", "yes"] {
            let weighed = weigh(&mut engine, sound, &[phrase], &[]);
            assert!(weighed.weight < -2.0, "{nth}: {phrase}: {weighed:?}");
            let (phrases, context) =
                (vec![phrase.to_string()], "gloves, thank, hold, everything.".to_string());
            let asked = Asked { phrases, context, ..Asked::default() };
            let weighed = engine.weigh(&asked).unwrap().expect("it can weigh");
            assert!(weighed.weight < -2.0, "told of its words, {nth}: {phrase}: {weighed:?}");
        }
    }
}

#[test]
fn an_utterance_of_any_length_and_a_phrase_in_any_letters_is_no_error() {
    let mut engine = WhisperEngine::load("en", Options::default()).unwrap();
    for samples in [0, 1, 200, 3_200, 31 * 16_000] {
        let weighed =
            weigh(&mut engine, &vec![100i16; samples], &["장갑 끼웠음", "gloves on"], &["ïnner glöves"]);
        assert!(weighed.log_p.iter().all(|weight| weight.is_finite()), "{samples}: {weighed:?}");
    }
    assert_eq!(weigh(&mut engine, &[0; 16_000], &[], &[]).log_p, Vec::<f32>::new());
}

/// Two listeners share the network and never each other's sound.
#[test]
fn each_listener_weighs_its_own_sound() {
    let folder = tempfile::tempdir().unwrap();
    let mut one = WhisperEngine::load("en", Options::default()).unwrap();
    let mut two = one.another();
    let (muted, again) =
        (clip("conf-unmuted", folder.path()), clip("check-number-dial-again", folder.path()));
    let asked = Asked {
        phrases: vec!["you are now unmuted".into(), "please check the number and dial again".into()],
        ..Asked::default()
    };
    one.begin(&muted, "").unwrap();
    two.begin(&again, "").unwrap();
    assert_eq!(one.weigh(&asked).unwrap().unwrap().chosen, 0);
    assert_eq!(two.weigh(&asked).unwrap().unwrap().chosen, 1);
    drop(two);
    assert_eq!(one.weigh(&asked).unwrap().unwrap().chosen, 0);
}

#[test]
fn a_language_that_it_lacks_or_another_engine_leaves_the_first_ear_alone_and_says_so() {
    let lacking = second_ear::coming(Some(Ears::Both), EngineName::Phones, "tlh").wait();
    assert!(lacking.ears.is_empty());
    assert!(lacking.note.unwrap().contains("it does not know the language \"tlh\""));
    let other = second_ear::coming(Some(Ears::Both), EngineName::Vosk, "ko").wait();
    assert!(other.ears.is_empty() && other.note.unwrap().contains("--engine phones only"));
    let unasked = second_ear::coming(None, EngineName::Vosk, "ko").wait();
    assert!(unasked.ears.is_empty() && unasked.note.is_none());
}
