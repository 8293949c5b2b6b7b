//! Both ears through the built program: a session, its record heard again, and a second ear that is not there.

use crate::common::{antiphon, ran, text, write, Ran, SHORT};
use crate::rehearsals::root;
use antiphon::failure::ExitCode;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};

const SLIP: &str = "[answers]\napron = \"no\"\n[[slip]]\nstep = \"gloves\"\nwho = \"worker\"\nkind = \"wrong\"\nsay = \"inner gloves aren't on\"\n";

fn with_ears(ears: &str, arguments: &[&str]) -> Ran {
    ran(antiphon(arguments).env("ANTIPHON_EARS", ears))
}

/// The lines of a journal of one kind.
fn lines(folder: &Path) -> Vec<Value> {
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    journal.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn a_session_with_both_ears_keeps_what_each_heard_and_is_heard_the_same_again() {
    let script = write(root(), "ears.toml", SLIP);
    let procedure = write(
        root(),
        "ears-short.toml",
        SHORT.replacen("both hands rubbed dry", "hands are clean and dry", 1),
    );
    let ran = with_ears(
        "both",
        &[
            "rehearse",
            text(&procedure),
            "--script",
            text(&script),
            "--sessions",
            text(root()),
            "--id",
            "both-ears",
        ],
    );
    ran.exits(ExitCode::Done);
    let folder = root().join("both-ears");
    let lines = lines(&folder);
    assert!(lines[0].to_string().contains("whisper: Whisper base"), "{}", lines[0]);
    let second = lines.iter().filter(|line| line["body"]["evidence"]["second"].is_object()).count();
    assert!(second >= 8, "{second} of {} lines have the second ear's evidence", lines.len());
    let again = with_ears("phones", &["relisten", "--json", text(&folder)]);
    let outcome: Value = serde_json::from_str(&again.out).unwrap_or_else(|error| panic!("{error}\n{again}"));
    assert_eq!((again.code, &outcome["differ"]), (0, &0.into()), "{outcome}");
}

/// A folder of models like the real one, with one file another.
fn models_with(name: &str, contents: Option<&[u8]>) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let real = Path::new(env!("CARGO_MANIFEST_DIR")).join("models");
    for entry in fs::read_dir(real).unwrap().flatten().filter(|entry| entry.file_name() != name) {
        std::os::unix::fs::symlink(entry.path(), folder.path().join(entry.file_name())).unwrap();
    }
    if let Some(contents) = contents {
        fs::write(folder.path().join(name), contents).unwrap();
    }
    folder
}

fn phrases() -> PathBuf {
    write(root(), "ears-phrases.txt", "gloves are on\n")
}

/// Weights missing, cut off or others, and a library that is none: one line says so, and the first ear goes on alone.
#[test]
fn without_the_second_ear_the_first_goes_on_alone_and_says_so_in_one_line() {
    let clip = root().join("ears-silence.wav");
    crate::common::wav(&clip, crate::common::spec(16_000, 16, 1), &[0; 16_000], |sample, _| sample.into());
    let real = fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("models/whisper-base.bin")).unwrap();
    let mut other = real.clone();
    *other.last_mut().unwrap() ^= 1;
    let cases: [(&str, Option<&[u8]>, &str); 5] = [
        ("whisper-base.bin", None, "the second ear's weights (whisper-base.bin) is missing"),
        ("whisper-base.bin", Some(&real[..1_000_000]), "not the file that was measured"),
        ("whisper-base.bin", Some(&other), "not the file that was measured"),
        ("whisper-tokens.json", Some(b"{}"), "it has no list of merges"),
        ("libonnxruntime.so", Some(b"no library"), "can't load"),
    ];
    for (name, contents, why) in cases {
        let models = models_with(name, contents);
        let ran = ran(antiphon(&["hear", "--phrases", text(&phrases()), text(&clip)])
            .env("ANTIPHON_EARS", "both")
            .env("ANTIPHON_MODELS", models.path()));
        ran.exits(ExitCode::Done).says(&["note: one ear listens, without the second:", why]);
        assert_eq!(ran.err.lines().count(), 1, "{ran}");
        assert_eq!(ran.json_lines().len(), 1, "{ran}");
    }
}
