//! Real human speech through the built program: recordings that two Debian packages carry, heard against phrase lists.
//!
//! The counts in the tests are what was measured when they were written, with a little slack for other builds of the
//! libraries; each test prints its own. Telephone prompts are one trained speaker in silence, the cards another one on
//! an ordinary microphone: not a measure of how well a ward is heard, but of what must not get worse.

mod common;

use antiphon::failure::ExitCode;
use antiphon::procedure::parse::{load, words};
use common::{needed, run, text, tool, wav, write};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

const CARDS: &str = "/usr/share/pocketsphinx/test/data/cards";
const LIBRIVOX: &str = "/usr/share/pocketsphinx/test/data/librivox";
const GO_FORWARD: &str = "/usr/share/pocketsphinx/test/data/goforward.raw";
const SPHINX: &str = "pocketsphinx-testdata";
const PROMPTS: &str = "/usr/share/asterisk/sounds/en_US_f_Allison";
const PROMPT_TEXTS: &str = "/usr/share/doc/asterisk-core-sounds-en/core-sounds-en.txt.gz";

/// Prompts whose words are listened for: 3 to 6 words each, as an observer or worker might say.
const WANTED: [&str; 40] = [
    "agent-loggedoff",
    "agent-loginok",
    "all-circuits-busy-now",
    "astcc-followed-by-the-pound-key",
    "call-fwd-no-ans",
    "call-fwd-on-busy",
    "conf-extended",
    "conf-full",
    "conf-getpin",
    "conf-leaderhasleft",
    "conf-locked",
    "conf-lockednow",
    "conf-muted",
    "conf-noempty",
    "conf-nonextended",
    "conf-now-muted",
    "conf-now-recording",
    "conf-otherinparty",
    "conf-unlockednow",
    "confbridge-conf-begin",
    "confbridge-conf-end",
    "confbridge-invalid",
    "demo-echodone",
    "dir-nomatch",
    "dir-welcome",
    "do-not-disturb",
    "if-correct-press",
    "info-about-last-call",
    "number-not-answering",
    "one-moment-please",
    "please-try-call-later",
    "queue-callswaiting",
    "queue-thankyou",
    "something-terribly-wrong",
    "tt-weasels",
    "vm-changeto",
    "vm-marked-urgent",
    "vm-msgsaved",
    "vm-passchanged",
    "vm-tooshort",
];

/// What was said, and the only phrase listened for, which says the opposite.
const NEAR_MISSES: [(&str, &str); 14] = [
    ("conf-lockednow", "the conference is now unlocked"),
    ("conf-unlockednow", "the conference is now locked"),
    ("conf-now-unmuted", "the conference is now muted"),
    ("conf-muted", "you are not muted"),
    ("agent-loggedoff", "agent logged in"),
    ("agent-loginok", "agent logged off"),
    ("conf-extended", "the conference has not been extended"),
    ("conf-nonextended", "the conference can be extended"),
    ("conf-full", "that conference is not full"),
    ("conf-now-recording", "the conference is not being recorded"),
    ("number-not-answering", "the number is answering"),
    ("vm-tooshort", "your message is too long"),
    ("all-circuits-busy-now", "no circuits are busy now"),
    ("call-fwd-on-busy", "call forward not on busy"),
];

fn root() -> &'static Path {
    static ROOT: OnceLock<PathBuf> = OnceLock::new();
    ROOT.get_or_init(|| {
        let root = Path::new(env!("CARGO_TARGET_TMPDIR")).join("hear-human");
        std::fs::create_dir_all(&root).expect("cargo's folder for tests can be written");
        root
    })
}

/// Every prompt that is speech of half a second to 4 s: name -> its words in the form of a phrase and its file, decoded.
fn prompts() -> &'static BTreeMap<String, (String, PathBuf)> {
    static DECODED: OnceLock<BTreeMap<String, (String, PathBuf)>> = OnceLock::new();
    DECODED.get_or_init(|| {
        needed(PROMPTS, "asterisk-core-sounds-en-g722");
        let texts = std::process::Command::new("zcat")
            .arg(needed(PROMPT_TEXTS, "asterisk-core-sounds-en"))
            .output()
            .expect("zcat comes with gzip");
        let texts = String::from_utf8(texts.stdout).expect("the transcripts are UTF-8");
        let mut found = BTreeMap::new();
        // One ffmpeg for all of them: every -i is followed, further on, by its own output.
        let (mut inputs, mut outputs): (Vec<String>, Vec<String>) =
            (vec!["-v".into(), "error".into(), "-y".into()], vec![]);
        for (name, said) in texts.lines().filter_map(|line| line.split_once(": ")) {
            let source = format!("{PROMPTS}/{name}.g722");
            // G.722 at 64 kbit/s: 8000 bytes a second.
            let size = std::fs::metadata(&source).map_or(0, |meta| meta.len());
            let (Ok(said), true) = (words(said), (4_000..32_000).contains(&size) && !name.contains('/'))
            else {
                continue;
            };
            if name.contains("beep") || name.contains("tone") {
                continue;
            }
            let target = root().join(format!("{name}.wav"));
            inputs.extend(["-f".into(), "g722".into(), "-i".into(), source]);
            let stream = format!("{}:a", found.len());
            outputs.extend(["-map".into(), stream, "-ar".into(), "16000".into(), text(&target).into()]);
            found.insert(name.to_string(), (said, target));
        }
        let arguments: Vec<&str> = inputs.iter().chain(&outputs).map(String::as_str).collect();
        tool("ffmpeg", &arguments);
        found
    })
}

struct Heard {
    phrase: Option<String>,
    line: Value,
}

/// Hears files against a list of phrases, both in order, by as many processes as there are files in `parts`.
fn hear(list: &str, phrases: &[String], files: &[PathBuf], parts: usize) -> Vec<Heard> {
    let list = write(root(), list, phrases.join("\n"));
    let part = |files: &[PathBuf]| -> Vec<Heard> {
        let mut arguments = vec!["hear", "--phrases", text(&list)];
        arguments.extend(files.iter().map(|file| text(file)));
        let ran = run(&arguments);
        ran.exits(ExitCode::Done);
        let heard = |line: Value| Heard { phrase: line["phrase"].as_str().map(str::to_string), line };
        ran.json_lines().into_iter().map(heard).collect()
    };
    let part = &part;
    let heard: Vec<Heard> = std::thread::scope(|scope| {
        let each = files.chunks(files.len().div_ceil(parts)).map(|chunk| scope.spawn(move || part(chunk)));
        let running: Vec<_> = each.collect();
        running.into_iter().flat_map(|one| one.join().expect("each part is heard")).collect()
    });
    assert_eq!(heard.len(), files.len());
    heard
}

/// How many were accepted as what was said. What was accepted as something else ends the test.
#[track_caller]
fn right(said: &[String], heard: &[Heard]) -> usize {
    for (said, heard) in said.iter().zip(heard) {
        match &heard.phrase {
            Some(phrase) => assert_eq!(phrase, said, "taken for another phrase: {}", heard.line),
            None => println!("not accepted: {said:?}: {}", heard.line["why"]),
        }
    }
    heard.iter().filter(|heard| heard.phrase.is_some()).count()
}

#[test]
fn cards_read_aloud_are_heard_among_other_cards() {
    needed(CARDS, SPHINX);
    let said = std::fs::read_to_string(format!("{CARDS}/cards.transcription")).expect("the package has it");
    let said: Vec<String> = said
        .lines()
        .map(|line| {
            line.trim_start_matches("<s>").split("</s>").next().unwrap_or_default().trim().to_string()
        })
        .collect();
    assert_eq!(said.len(), 5);
    let others = "ace of diamonds\ntwo of hearts\nthree of spades\njack of clubs\nking of diamonds\nqueen of hearts\n\
                  six of diamonds\nnine of spades\nten of hearts\nten of spades\nnine of clubs\nfour of diamonds\n\
                  five of hearts\nseven of spades\neight of clubs\nking of hearts\njack of spades\nsix six\n\
                  four five\nking of clubs";
    let phrases: Vec<String> = said.iter().cloned().chain(others.lines().map(str::to_string)).collect();
    assert_eq!(phrases.len(), 25);
    let files: Vec<PathBuf> = (1..=5).map(|n| needed(&format!("{CARDS}/00{n}.wav"), SPHINX)).collect();
    let right = right(&said, &hear("cards.txt", &phrases, &files, 1));
    println!("cards: {right} of 5 right");
    // Measured: 4. The one left is three cards in one breath, like no phrase of a procedure; it is asked again.
    assert!(right >= 4);
}

#[test]
fn telephone_prompts_are_heard_among_forty_phrases() {
    let (said, files): (Vec<String>, Vec<PathBuf>) =
        WANTED.iter().map(|name| prompts()[*name].clone()).unzip();
    let right = right(&said, &hear("wanted.txt", &said, &files, 1));
    println!("prompts: {right} of 40 right");
    // Measured: 36, and the other four asked again.
    assert!(right >= 34);
}

#[test]
fn other_prompts_are_not_taken_for_any_of_forty_phrases() {
    let said: Vec<String> = WANTED.iter().map(|name| prompts()[*name].0.clone()).collect();
    // A prompt in which a phrase is said word for word is no chatter.
    let spaced = |text: &str| format!(" {text} ");
    let chatter: Vec<PathBuf> = prompts()
        .values()
        .filter(|(words, _)| !said.iter().any(|phrase| spaced(words).contains(&spaced(phrase))))
        .map(|(_, file)| file.clone())
        // Short ones are most like phrases, and quickest to hear: up to 3 s.
        .filter(|file| std::fs::metadata(file).is_ok_and(|meta| meta.len() < 96_000))
        .collect();
    assert!(chatter.len() >= 150, "{}", chatter.len());
    let taken: Vec<Value> = hear("wanted-2.txt", &said, &chatter, 2)
        .into_iter()
        .filter(|heard| heard.phrase.is_some())
        .map(|heard| heard.line)
        .collect();
    println!("chatter: {} of {} taken for a phrase: {taken:?}", taken.len(), chatter.len());
    // Measured: none of 166.
    assert_eq!(taken, Vec::<Value>::new());
}

#[test]
fn the_opposite_of_what_was_said_is_never_accepted() {
    let mut taken = Vec::new();
    for (name, opposite) in NEAR_MISSES {
        let (said, file) = &prompts()[name];
        let heard = hear(&format!("not-{name}.txt"), &[opposite.to_string()], std::slice::from_ref(file), 1);
        println!("said {said:?}, listening for {opposite:?}: {}", heard[0].line["why"]);
        if heard[0].phrase.is_some() {
            taken.push((said, opposite, heard[0].line.clone()));
        }
    }
    assert!(taken.is_empty(), "{taken:?}");
}

#[test]
fn a_book_read_aloud_and_a_command_to_a_robot_are_not_taken_for_a_phrase_of_the_donning_procedure() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/procedures/isolation-donning.toml");
    let (procedure, _) = load(Path::new(path)).expect("the shipped procedure is sound");
    let mut phrases: Vec<String> = procedure.phrases.iter().map(|phrase| phrase.text.clone()).collect();
    phrases.sort();
    phrases.dedup();
    let listing = std::fs::read_dir(needed(LIBRIVOX, SPHINX)).expect("the folder can be read");
    let mut files: Vec<PathBuf> = listing
        .map(|entry| entry.expect("the folder can be read").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "wav"))
        .collect();
    // "go forward ten meters", 16 kHz, 16-bit little-endian without a header.
    let raw = std::fs::read(needed(GO_FORWARD, SPHINX)).expect("the file can be read");
    let samples: Vec<i16> = raw.chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]])).collect();
    let go_forward = root().join("goforward.wav");
    wav(&go_forward, common::spec(16_000, 16, 1), &samples, |sample, _| i32::from(sample));
    files.push(go_forward);
    assert!(files.len() >= 6, "{files:?}");
    for heard in hear("donning.txt", &phrases, &files, 1) {
        assert_eq!(heard.phrase, None, "{}", heard.line);
        assert!(heard.line["speech_end_ms"].as_u64() > Some(500), "speech was found: {}", heard.line);
    }
}
