//! The way out through the built program: a worker who is never understood, an observer who decides, and every place at
//! which that is told.

use crate::common::{antiphon, ran, run, text, write};
use crate::rehearsals::{root, session, Session};
use antiphon::conduct::replay::replay;
use antiphon::failure::ExitCode;
use serde_json::Value;
use std::sync::OnceLock;

/// At the hood nobody understands the worker, at the rub the observer decides at the first hold.
const NEVER: &str = r#"
[answers]
apron = "no"

[[slip]]
step = "rub"
who = "observer"
kind = "wrong"
say = "chin and neck enclosed"
times = 3
[[slip]]
step = "rub"
who = "observer"
kind = "decide"
say = "too much noise"
[[slip]]
step = "hood"
who = "worker"
kind = "wrong"
say = "both hands rubbed dry"
times = 99
"#;

fn never() -> &'static Session {
    static ONCE: OnceLock<Session> = OnceLock::new();
    ONCE.get_or_init(|| {
        write(root(), "never.toml", NEVER);
        session("never", "rehearse", &["--script", "never.toml"], ExitCode::Done)
    })
}

fn step<'a>(summary: &'a Value, id: &str) -> &'a Value {
    let steps = summary["steps"].as_array().expect("a summary has steps");
    steps.iter().find(|step| step["id"] == id).unwrap_or_else(|| panic!("no step {id}"))
}

#[test]
fn a_worker_who_is_never_understood_is_no_trap_and_the_summary_says_what_was_not_heard() {
    let summary = &never().summary;
    assert_eq!(summary["outcome"], "completed");
    assert_eq!((&summary["totals"]["decisions"], &summary["totals"]["steps_done"]), (&2.into(), &3.into()));
    let list = summary["decisions"].as_array().expect("there were decisions");
    let of = |at: usize, key: &str| list[at][key].as_str().unwrap_or_default();
    assert_eq!([of(0, "step"), of(0, "reason"), of(0, "label")], ["rub", "noise", "too much noise"]);
    assert_eq!([of(1, "step"), of(1, "reason"), of(1, "label")], ["hood", "voice", "voice misheard"]);
    let (rub, hood) = (step(summary, "rub"), step(summary, "hood"));
    assert!(rub["read_back_ms"].is_u64() && rub["confirmed_ms"].is_null(), "{rub}");
    assert!(hood["read_back_ms"].is_null() && hood["confirmed_ms"].is_null(), "{hood}");
    assert_eq!(hood["decision"]["decided_ms"], list[1]["decided_ms"]);
    assert_eq!(hood["holds"], 2, "at the second hold the stand-in decides");
    let gloves = step(summary, "gloves");
    assert!(gloves["confirmed_ms"].is_u64() && gloves.get("decision").is_none(), "{gloves}");
}

#[test]
fn the_screen_and_the_closing_words_tell_of_it() {
    let out = &never().ran.out;
    for words in [
        "Or, if you saw it done right, say: seen and accepted.",
        "Observer, why? Say: the voice was misheard, or: too much noise, or: some other reason.",
        "confirmed by decision, not heard: rub (too much noise)",
        "Confirmed by decision, too much noise. Put on the gloves.",
        "confirmed by decision, not heard: hood (voice misheard)",
    ] {
        assert!(out.contains(words), "{words}\n{out}");
    }
}

#[test]
fn the_journal_played_again_gives_the_same_decisions() {
    let session = never();
    let again = replay(&session.lines, &session.procedure).expect("every line can be understood");
    assert_eq!(again.differs, None);
    let decided = again.state.steps.iter().filter(|step| step.decided.is_some()).count();
    assert_eq!(decided, 2);
    run(&["verify", text(&session.folder)]).exits(ExitCode::Done);
}

#[test]
fn the_debrief_marks_the_step_and_the_timeline_and_the_tables() {
    let folder = text(&never().folder);
    run(&["debrief", folder, "--csv"]).exits(ExitCode::Done);
    let page = std::fs::read_to_string(never().folder.join("debrief.html")).expect("a page was written");
    for words in [
        "2 steps confirmed by the observer&#39;s decision, not heard",
        ">by decision<",
        "the observer accepted it: voice misheard; neither answer was heard",
        "the observer accepted it: too much noise; the confirmation was not heard",
        "\u{25c6}",
    ] {
        assert!(page.contains(words), "{words}");
    }
    let table =
        std::fs::read_to_string(never().folder.join("debrief-steps.csv")).expect("a table was written");
    let hood = table.lines().find(|line| line.contains(",hood,")).expect("a row for the hood");
    assert!(hood.contains(",decided,") && hood.contains(",voice misheard,"), "{hood}");
    let report = ran(antiphon(&["debrief", folder, "--json"]).current_dir(root()));
    let report: Value = serde_json::from_str(&report.out).expect("the report is JSON");
    assert_eq!(
        (&report["outcome"]["steps_done"], &report["outcome"]["steps_decided"]),
        (&3.into(), &2.into())
    );
    assert_eq!(report["totals"]["decisions"], 2);
    // A decision ends the hold: no hold lasts into the next step.
    let holds = report["holds"].as_array().expect("there were holds");
    let seconds = |value: &Value| value.as_f64().unwrap_or(f64::NAN);
    assert!(holds.iter().all(|hold| seconds(&hold["to"]) - seconds(&hold["from"]) < 30.0), "{holds:?}");
}

#[test]
fn trends_list_every_decision() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let folder = room.path().join("never");
    std::fs::create_dir(&folder).expect("the folder can be written");
    std::fs::copy(never().folder.join("summary.json"), folder.join("summary.json"))
        .expect("it can be copied");
    let trends = run(&["trends", text(room.path()), "--json"]);
    let trends: Value = serde_json::from_str(&trends.out).expect("the trends are JSON");
    let list = trends["decisions"].as_array().expect("a list");
    assert_eq!(list.len(), 2);
    assert_eq!((&list[1]["step"], &list[1]["reason"]), (&"hood".into(), &"voice misheard".into()));
    let steps = trends["procedures"][0]["steps"].as_array().expect("steps");
    let hood = steps.iter().find(|step| step["id"] == "hood").expect("the hood");
    assert_eq!((&hood["done"], &hood["decided"]), (&1.into(), &1.into()));
    assert_eq!(hood["seconds"]["points"].as_array().map(Vec::len), Some(0), "not a time of the step");
    let ran = run(&["trends", text(room.path())]);
    assert!(ran.out.contains("2 steps confirmed by the observer's decision"), "{ran}");
    let page = std::fs::read_to_string(room.path().join("trends.html")).expect("a page was written");
    assert!(page.contains("Confirmed by decision") && page.contains("voice misheard"));
}

#[test]
fn the_paper_has_a_box_for_a_decision_only_where_there_is_a_way_out() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let out = room.path().join("page.html");
    run(&["print", text(&root().join("short.toml")), "--out", text(&out)]).exits(ExitCode::Done);
    let page = std::fs::read_to_string(&out).expect("a page was written");
    assert_eq!(page.matches("by decision, reason:").count(), 3, "the gloves are critical");
    assert!(page.contains("seen and accepted") && page.contains("some other reason"));
}
