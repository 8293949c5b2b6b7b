//! The debrief page in a real browser (headless Chromium): it plays what it says, nothing in a record runs, axe-core
//! finds nothing, and the captions and the report pass published checkers.

mod common;
mod debrief_support;

use antiphon::failure::ExitCode;
use common::{needed, run, text, write, SHORT};
use debrief_support::{play, Played, Slip};
use std::path::Path;
use std::process::Command;

/// Text that would run if anything did.
const HOSTILE: &str =
    r#"</title></style><script>window.hacked=1</script><img src=x onerror=window.hacked=1>"#;

fn hostile() -> String {
    let evil = HOSTILE.replace('"', "'");
    SHORT
        .replace("A short one", &evil)
        .replace(
            "Put on the gloves.",
            &format!("Put on the gloves. {evil} \\\" onclick=window.hacked=1 x=\\\""),
        )
        .replace("Training aid.", &format!("Training aid. {evil}"))
        .replace("We begin.", &format!("We begin. {evil} --> <v X> & &lt;"))
}

fn debriefed(root: &Path, id: &str, source: &str) -> Played {
    let played = play(root, id, source, &[Slip::Unsure(1), Slip::Refusal(1), Slip::Hold(3)]);
    run(&["debrief", text(&played.folder), "--csv"]).exits(ExitCode::Done);
    played
}

/// Runs the browser's checks and shows all of them when one failed.
fn looks_right(played: &Played, root: &Path) {
    needed("/usr/bin/chromium", "chromium");
    let scripts = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser");
    assert!(scripts.join("node_modules/playwright-core").exists(), "run `models/setup.sh --test`");
    let report = run(&["debrief", text(&played.folder), "--json"]);
    report.exits(ExitCode::Done);
    let report = write(root, "report.json", &report.out);
    let schema = write(root, "schema.json", run(&["debrief", "--schema"]).exits(ExitCode::Done).out.clone());
    let output = Command::new("node")
        .arg("page.mjs")
        .args([&played.folder.join("debrief.html"), &report, &schema])
        .current_dir(scripts)
        .output()
        .expect("node is installed by `models/setup.sh --test`");
    let told = String::from_utf8_lossy(&output.stdout);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && told.contains("ok axe-core"), "{told}\n{errors}");
}

#[test]
fn the_page_of_a_session_full_of_hostile_text_works_in_chromium_and_runs_none_of_it() {
    let room = tempfile::tempdir().unwrap();
    let played = debriefed(room.path(), "one", &hostile());
    looks_right(&played, room.path());
}

/// Tones at known times: where the report and the captions say that somebody speaks, the sound is, within 50 ms.
#[test]
fn every_utterance_of_the_report_is_where_its_tone_is() {
    let room = tempfile::tempdir().unwrap();
    let played = debriefed(room.path(), "one", SHORT);
    let report = &run(&["debrief", text(&played.folder), "--json"]).out;
    let report: serde_json::Value = serde_json::from_str(report).unwrap();
    let said = report["utterances"].as_array().unwrap();
    assert_eq!(said.len(), played.tones.len());
    let sounds: std::collections::BTreeMap<&str, Vec<i16>> = ["tool", "worker", "observer"]
        .map(|track| {
            let file = played.folder.join(format!("debrief-audio/{track}.wav"));
            let sound = hound::WavReader::open(file).unwrap();
            (track, sound.into_samples().map(Result::unwrap).collect())
        })
        .into();
    for (one, (track, from, to)) in said.iter().zip(&played.tones) {
        assert_eq!(one["track"], *track);
        let off = |key: &str, ms: u64| (one[key].as_f64().unwrap() - ms as f64 / 1000.0).abs();
        assert!(off("from", *from) <= 0.05 && off("to", *to) <= 0.05, "{one} is not at {from} to {to} ms");
        let samples = &sounds[track];
        let loud =
            |ms: u64| samples.iter().skip(ms as usize * 16).take(160).any(|sample| sample.abs() > 1_000);
        assert!(loud(from + 5) && loud(to - 15), "no tone from {from} to {to}");
        assert!(!loud(from.saturating_sub(50)) && !loud(to + 40), "more than the tone at {from}");
    }
    let vtt = std::fs::read_to_string(played.folder.join("debrief.vtt")).unwrap();
    let (_, from, _) = played.tones[1];
    assert!(vtt.contains(&format!("00:00:{:02}.{:03} -->", from / 1000, from % 1000)), "{vtt}");
}

#[test]
fn the_page_says_the_outcome_first_and_shows_every_slip() {
    let room = tempfile::tempdir().unwrap();
    let played = debriefed(room.path(), "one", SHORT);
    let page = std::fs::read_to_string(played.folder.join("debrief.html")).unwrap();
    let outcome = page.find("Completed. ").expect("the outcome");
    assert!(outcome < page.find("id=\"time\"").unwrap());
    for part in [
        "Training aid.",
        "it may as well have been \u{201c}something like it\u{201d}",
        "refused: gloves",
        "on hold: called by voice",
        "from the worker: \u{201c}both hands rubbed dry\u{201d}",
        "at least 8\u{a0}s",
        "The record is whole, and as it was written.",
    ] {
        assert!(page.contains(part), "no {part:?}");
    }
    assert!(!page.contains("http://") && !page.contains("https://"));
    let report = run(&["debrief", text(&played.folder), "--json"]);
    let report: serde_json::Value = serde_json::from_str(&report.out).unwrap();
    assert_eq!(report["totals"]["refusals"], 1);
    assert_eq!(report["totals"]["holds"], 1);
    assert_eq!(report["totals"]["asked_again"], 1);
    assert_eq!(report["doubts"], serde_json::json!([]));
}

#[test]
fn with_embed_there_is_one_file_with_the_sound_in_it() {
    let room = tempfile::tempdir().unwrap();
    let played = play(room.path(), "one", SHORT, &[]);
    let page = room.path().join("my page#1.html");
    run(&["debrief", text(&played.folder), "--embed", "--out", text(&page)]).exits(ExitCode::Done);
    let html = std::fs::read_to_string(&page).unwrap();
    assert_eq!(html.matches("src=\"data:audio/wav;base64,UklGR").count(), 4);
    assert!(html.contains("media-src data:\""));
    assert!(!room.path().join("my page#1-audio").exists());
}

#[cfg(unix)]
#[test]
fn everything_a_debrief_writes_is_for_its_owner_only() {
    use std::os::unix::fs::PermissionsExt;
    let room = tempfile::tempdir().unwrap();
    let played = debriefed(room.path(), "one", SHORT);
    let mode = |name: &str| std::fs::metadata(played.folder.join(name)).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode("debrief-audio"), 0o700);
    for file in [
        "debrief.html",
        "debrief.vtt",
        "debrief-steps.csv",
        "debrief-utterances.csv",
        "debrief-audio/mixed.wav",
    ] {
        assert_eq!(mode(file), 0o600, "{file}");
    }
}
