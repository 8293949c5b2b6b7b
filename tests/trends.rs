//! Trends over many sessions, through the built program.

mod common;

use antiphon::failure::ExitCode;
use antiphon::record::summary::{Account, Outcome, ProcedureRef, StepAccount, Summary, Totals};
use chrono::{DateTime, TimeDelta};
use common::{needed, run, text, write};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;

/// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: flow rates, here the seconds of a step.
const FLOW: [f64; 10] = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];

/// Writes the summary of session `n` (one a day) with these seconds for each step.
fn session(root: &Path, n: usize, seconds: &[f64], worker: &str, outcome: Outcome) {
    let id = format!("s{n:04}");
    let started = DateTime::parse_from_rfc3339("2020-01-01T08:00:00Z").unwrap() + TimeDelta::days(n as i64);
    let steps: Vec<StepAccount> = seconds
        .iter()
        .enumerate()
        .map(|(at, seconds)| StepAccount {
            id: format!("step-{at}"),
            instruction: "Do it.".into(),
            critical: at == 1,
            started_ms: Some(1_000),
            confirmed_ms: Some(2_000),
            repeats: u32::from((n + at).is_multiple_of(7)),
            seconds: Some(*seconds),
            ..StepAccount::default()
        })
        .collect();
    let account = Account {
        session: id.clone(),
        procedure: ProcedureRef {
            id: "donning".into(),
            title: "Donning <script>window.hacked=1</script>".into(),
            version: "1".into(),
            sha256: String::new(),
        },
        started,
        ended: started + TimeDelta::minutes(9),
        outcome,
        engine: String::new(),
        voice: String::new(),
        posts: vec!["worker".into(), "observer".into()],
        people: BTreeMap::from([("worker".into(), worker.into()), ("observer".into(), "o1".into())]),
        practice: None,
        answers: BTreeMap::new(),
        closed_later: None,
        decisions: Vec::new(),
        totals: Totals {
            seconds: seconds.iter().sum(),
            steps_done: seconds.len() as u32,
            asks_again: 1,
            ..Totals::default()
        },
        steps,
        contingencies: Vec::new(),
        exit: None,
        audio: None,
        audio_sha256: None,
        cautions: vec!["Training aid.".into()],
    };
    let summary = Summary { account, journal_lines: 1, journal_sha256: format!("{n:064x}") };
    let folder = root.join(id);
    fs::create_dir(&folder).unwrap();
    fs::write(folder.join("summary.json"), serde_json::to_string(&summary).unwrap()).unwrap();
}

fn json(root: &Path, more: &[&str]) -> Value {
    let ran = run(&[&["trends", text(root), "--json"], more].concat());
    ran.exits(ExitCode::Done);
    serde_json::from_str(&ran.out).unwrap()
}

#[test]
fn the_handbooks_example_comes_out_of_ten_sessions() {
    let room = tempfile::tempdir().unwrap();
    for (n, seconds) in FLOW.iter().enumerate() {
        session(room.path(), n, &[*seconds], "w1", Outcome::Completed);
    }
    let trends = json(room.path(), &[]);
    let limits = &trends["procedures"][0]["steps"][0]["seconds"]["limits"];
    for (key, wanted, within) in [
        ("mean", 50.81, 5e-3),
        ("mean_range", 1.8778, 5e-5),
        ("upper", 55.8041, 5e-4),
        ("lower", 45.8159, 5e-4),
        ("range_upper", 6.135, 5e-4),
    ] {
        let got = limits[key].as_f64().unwrap();
        assert!((got - wanted).abs() <= within, "{key}: {got}, not {wanted}");
    }
    assert_eq!(trends["people"][1]["id"], "w1");
}

#[test]
fn with_too_few_sessions_it_says_so_and_nothing_more() {
    let room = tempfile::tempdir().unwrap();
    for n in 0..4 {
        session(room.path(), n, &[20.0 + n as f64], "w1", Outcome::Completed);
    }
    let ran = run(&["trends", text(room.path())]);
    ran.exits(ExitCode::Done);
    assert!(ran.out.contains("too few sessions to tell"), "{ran}");
    let page = fs::read_to_string(room.path().join("trends.html")).unwrap();
    assert!(page.contains("too few sessions to tell") && !page.contains("<svg"));
    let step = &json(room.path(), &[])["procedures"][0]["steps"][0]["seconds"];
    assert!(step["limits"].is_null() && step["spread"].is_null());
}

#[test]
fn training_is_due_by_the_units_rules() {
    let room = tempfile::tempdir().unwrap();
    session(room.path(), 0, &[20.0], "old", Outcome::Completed);
    session(room.path(), 1, &[20.0], "never", Outcome::Stopped);
    let rules = write(room.path(), "unit.toml", "every_days = 90\n[procedure]\ndonning = 30\n");
    let trends = json(room.path(), &["--training", text(&rules)]);
    let of = |id: &str| {
        let all = trends["training"].as_array().unwrap();
        all.iter().find(|one| one["id"] == id).unwrap_or_else(|| panic!("{trends}")).clone()
    };
    assert_eq!((&of("old")["due"], &of("old")["standing"]), (&"2020-01-31".into(), &"overdue".into()));
    assert_eq!(of("never")["standing"], "not-yet");
    let long = write(room.path(), "long.toml", "every_days = 36500\n");
    let trends = json(room.path(), &["--training", text(&long)]);
    assert_eq!(trends["training"][2]["standing"], "in-date", "{trends}");
    for (bad, says) in
        [("every_days = 'x'\n", "bad.toml:1"), ("every_day = 1\n", "unknown field"), ("", "every_days")]
    {
        let bad = write(room.path(), "bad.toml", bad);
        run(&["trends", text(room.path()), "--training", text(&bad)]).exits(ExitCode::Usage).says(&[says]);
    }
}

#[test]
fn what_cannot_be_counted_is_named() {
    let room = tempfile::tempdir().unwrap();
    session(room.path(), 0, &[20.0], "w1", Outcome::Completed);
    session(room.path(), 1, &[20.0], "w1", Outcome::Completed);
    let summary = fs::read_to_string(room.path().join("s0000/summary.json")).unwrap();
    for (name, text) in [
        ("copy", summary.clone()),
        ("twin", summary.replace(&"0".repeat(64), &"f".repeat(64))),
        ("broken", "{".to_string()),
    ] {
        fs::create_dir(room.path().join(name)).unwrap();
        fs::write(room.path().join(name).join("summary.json"), text).unwrap();
    }
    fs::create_dir(room.path().join("no-session")).unwrap();
    let trends = json(room.path(), &[]);
    let doubts = trends["doubts"].to_string();
    for part in ["broken: not counted", "is a copy of session s0000", "another session has its id too"] {
        assert!(doubts.contains(part), "no {part:?} in {doubts}");
    }
    assert_eq!(trends["sessions"], 3);
    run(&["trends", text(&room.path().join("none"))]).exits(ExitCode::BadFolder);
}

#[test]
fn two_thousand_sessions_are_compared_and_their_page_is_good_in_a_browser() {
    needed("/usr/bin/chromium", "chromium");
    let room = tempfile::tempdir().unwrap();
    for n in 0..2_000 {
        // Spread without randomness; one session is far off.
        let seconds: Vec<f64> = (0..20).map(|at| 20.0 + ((n * 7 + at * 13) % 17) as f64 * 0.5).collect();
        let slow = if n == 1_990 { 300.0 } else { seconds[0] };
        let worker = ["w1", "w2", "w3"][n % 3];
        session(room.path(), n, &[&[slow], &seconds[1..]].concat(), worker, Outcome::Completed);
    }
    let rules = write(room.path(), "unit.toml", "every_days = 90\n");
    let began = std::time::Instant::now();
    let ran = run(&["trends", text(room.path()), "--training", text(&rules)]);
    ran.exits(ExitCode::Done);
    // The goal is 5 s for a release build; this may be an unoptimised one on a busy machine.
    assert!(began.elapsed().as_secs() < 30, "{:?}", began.elapsed());
    let page = room.path().join("trends.html");
    let html = fs::read_to_string(&page).unwrap();
    assert!(html.contains("2000 sessions") && html.contains("s1990 (300.0 s)"));
    let scripts = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser");
    let output = Command::new("node").arg("still.mjs").arg(&page).current_dir(scripts).output().unwrap();
    let told = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{told}\n{}", String::from_utf8_lossy(&output.stderr));
}
