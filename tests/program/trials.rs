//! `rehearse --trials`: counts, intervals, the same seed the same counts.

use crate::common::{models_without, run, run_with, text, write, SHORT};
use antiphon::failure::ExitCode;
use antiphon::statistics::wilson95;

#[test]
fn trials_count_each_phrase_with_its_interval_and_repeat_exactly() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "short.toml", SHORT);
    let voices = ["--worker-voice", "flite:rms", "--observer-voice", "flite:awb", "--json"];
    let arguments =
        [&["rehearse", text(&file), "--trials", "2", "--slips", "0.3", "--seed", "5"], &voices[..]].concat();
    let first = run(&arguments);
    first.exits(ExitCode::Done);
    let report: serde_json::Value = serde_json::from_str(&first.out).expect("one JSON object");
    assert_eq!((&report["trials"], &report["completed"], &report["seed"]), (&2.into(), &2.into(), &5.into()));
    let phrases = report["phrases"].as_array().unwrap();
    let hood = phrases.iter().find(|line| line["text"] == "hood reaches my shoulders").unwrap();
    let said = hood["said"].as_u64().unwrap();
    assert!(said >= 2, "once a trial at least: {hood}");
    for line in phrases {
        let count = |key: &str| line[key]["count"].as_u64().unwrap();
        let all = count("right") + count("asked_again") + count("mistaken") + count("unnoticed");
        assert_eq!(all, line["said"].as_u64().unwrap(), "{line}");
        let (low, high) = wilson95(count("right") as usize, all as usize);
        assert!((line["right"]["low"].as_f64().unwrap() - low).abs() < 1e-12);
        assert!((line["right"]["high"].as_f64().unwrap() - high).abs() < 1e-12);
    }
    let slips: u64 = phrases.iter().map(|line| line["slips"].as_u64().unwrap()).sum();
    assert!(slips > 0, "of sixteen answers three in ten are slips");
    for agreement in report["agreement"].as_array().expect("some phrases are harder than others") {
        let of = |key: &str| agreement[key].as_f64().unwrap();
        assert!(
            (-1.0..=of("rho")).contains(&of("low")) && (of("rho")..=1.0).contains(&of("high")),
            "{agreement}"
        );
    }
    assert_eq!(run(&arguments).out, first.out, "the same seed");
}

#[test]
fn trials_take_no_script_and_a_share_of_slips_is_a_share() {
    run(&["rehearse", "a.toml", "--trials", "2", "--script", "b.toml"]).exits(ExitCode::Usage);
    run(&["rehearse", "a.toml", "--trials", "2", "--slips", "7"])
        .exits(ExitCode::Usage)
        .says(&["from 0 to 1"]);
    run(&["rehearse", "a.toml", "--trials", "0"]).exits(ExitCode::Usage);
}

#[test]
fn without_natural_voices_flites_take_part_and_the_user_is_told() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "short.toml", SHORT);
    let models = models_without("kokoro-voices");
    let ran = run_with(
        &["rehearse", text(&file), "--trials", "1", "--slips", "0", "--json"],
        &[("ANTIPHON_MODELS", models.path())],
    );
    ran.exits(ExitCode::Done);
    let report: serde_json::Value = serde_json::from_str(&ran.out).expect("one JSON object");
    assert_eq!(report["voices"][0], "flite:rms");
    assert!(ran.err.contains("instead of 12 natural ones") && ran.err.contains("--voices"), "{ran}");
}
