//! The shipped procedures, each played to its end by stand-in people, and contingencies through the real audio path.

use crate::common::{antiphon, ran, text, write, SHORT};
use crate::rehearsals::root;
use antiphon::conduct::replay::replay;
use antiphon::failure::ExitCode;
use antiphon::procedure::parse::load;
use antiphon::record::read;
use serde_json::{json, Value};
use std::path::{Path, PathBuf};

/// Rehearses a procedure and gives the session's folder and summary; the journal replays to the same actions.
fn rehearsed(procedure: &Path, id: &str, more: &[&str], code: ExitCode) -> (PathBuf, Value) {
    let mut arguments = vec!["rehearse", text(procedure), "--sessions", text(root()), "--id", id, "--json"];
    arguments.extend_from_slice(more);
    let ran = ran(antiphon(&arguments).current_dir(root()));
    ran.exits(code);
    let summary = ran.json_lines().pop().expect("a session has a summary");
    let folder = root().join(id);
    let lines = read::read(&folder.join("journal.jsonl")).expect("the journal can be read").lines;
    let (procedure, _) = load(&folder.join("procedure.toml")).expect("the procedure was kept");
    let again = replay(&lines, &procedure).expect("every line can be understood");
    assert_eq!(again.differs, None, "{id}");
    (folder, summary)
}

/// Plays a shipped procedure without slips.
fn plays(id: &str, answers: &[&str]) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("procedures").join(format!("{id}.toml"));
    // Sessions last ten minutes; one that goes round in circles must not take an hour.
    let mut more = vec!["--seed", "3", "--limit", "25"];
    answers.iter().for_each(|answer| more.extend(["--answer", answer]));
    let (_, summary) = rehearsed(&path, &format!("library-{id}"), &more, ExitCode::Done);
    assert_eq!(summary["outcome"], "completed", "{id}");
    let (procedure, _) = load(&path).expect("it is good");
    let totals = &summary["totals"];
    let steps = totals["steps_done"].as_u64().zip(totals["steps_skipped"].as_u64());
    assert_eq!(steps.map(|(done, skipped)| done + skipped), Some(procedure.main_steps().len() as u64));
    // Nobody called anything: what is listened for all the time must not be heard where it was not said.
    assert_eq!((&totals["contingencies"], &totals["calls"]), (&json!(0), &json!(0)), "{id}: {totals}");
    assert_eq!(totals["holds"], 0, "{id}: {totals}");
    summary
}

#[test]
fn dressing_is_played_to_its_end() {
    plays("isolation-donning", &["apron=yes"]);
}

#[test]
fn undressing_is_played_to_its_end() {
    plays("isolation-doffing", &["apron=yes"]);
}

#[test]
fn the_briefing_is_played_to_its_end_and_the_agreed_minutes_are_kept() {
    let summary = plays("pre-entry-briefing", &[]);
    let step = |id: &str| {
        let steps = summary["steps"].as_array().expect("steps are a list");
        steps.iter().find(|step| step["id"] == id).expect("it is a step").clone()
    };
    let minutes = step("time-limit")["values"]["minutes"].clone();
    assert!(["twenty", "thirty", "sixty"].contains(&minutes.as_str().unwrap_or_default()), "{minutes}");
    assert!(step("agreed")["released_ms"].is_u64(), "the hold point was released");
    assert_eq!(step("battery")["by"], "observer");
}

#[test]
fn leaving_without_air_is_played_to_its_end() {
    plays("blower-stopped", &[]);
}

#[test]
fn a_torn_glove_is_played_to_its_end_with_both_pairs_torn() {
    plays("torn-glove", &["inner=torn"]);
}

#[test]
fn a_splash_is_played_to_its_end() {
    plays("splash", &["where=eyes"]);
}

#[test]
fn a_cytotoxic_spill_is_played_to_its_end() {
    plays("cytotoxic-spill", &["glass=yes"]);
}

/// What may happen, for the end of `SHORT`.
const MEANWHILE: &str = include_str!("../contingencies.toml");

/// A tear called over a prompt, then a blower that stops.
const SLIPS: &str = r#"
[answers]
apron = "no"
[[slip]]
step = "gloves"
who = "worker"
kind = "contingency"
contingency = "tear"
while_speaking = true
[[slip]]
step = "hood"
who = "observer"
kind = "contingency"
contingency = "no-air"
"#;

#[test]
fn a_contingency_called_over_a_prompt_returns_and_another_one_leads_out() {
    let procedure = write(root(), "meanwhile.toml", format!("{SHORT}\n{MEANWHILE}"));
    let script = write(root(), "meanwhile-slips.toml", SLIPS);
    let more = ["--seed", "3", "--limit", "15", "--script", text(&script)];
    let (folder, summary) = rehearsed(&procedure, "meanwhile", &more, ExitCode::NotCompleted);
    assert_eq!(summary["outcome"], "exited");
    let called = summary["contingencies"].as_array().expect("contingencies are a list");
    let told: Vec<_> = called.iter().map(|one| (&one["id"], &one["called_at"], &one["ending"])).collect();
    assert_eq!(
        told,
        [
            (&json!("tear"), &json!("worker"), &json!("returned")),
            (&json!("no-air"), &json!("observer"), &json!("exited"))
        ]
    );
    assert!(called[0]["steps"][0]["confirmed_ms"].is_u64(), "{}", called[0]);
    assert_eq!((&summary["exit"]["id"], &summary["exit"]["because_of"]), (&json!("out"), &json!("no-air")));
    // The interrupted step was done again from its instruction.
    let gloves = &summary["steps"][1];
    assert!(gloves["confirmed_ms"].as_u64() > called[0]["ended_ms"].as_u64(), "{gloves}");
    let report = antiphon::record::verify::verify(&folder).expect("it can be read");
    assert_eq!(report.state, antiphon::record::verify::State::Sound, "{:?}", report.findings);
}

#[test]
fn a_slip_that_calls_an_unknown_contingency_is_refused() {
    let script = write(
        root(),
        "unknown-contingency.toml",
        "[[slip]]\nstep = \"gloves\"\nwho = \"worker\"\nkind = \"contingency\"\ncontingency = \"flood\"\n",
    );
    let procedure = write(root(), "meanwhile-2.toml", format!("{SHORT}\n{MEANWHILE}"));
    let ran = ran(antiphon(&["rehearse", text(&procedure), "--script", text(&script)]).current_dir(root()));
    ran.exits(ExitCode::BadProcedure).says(&[
        "unknown-contingency.toml:1:1: the procedure has no contingency \"flood\"",
        "name one of the ids in the procedure's file",
    ]);
}
