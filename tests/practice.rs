//! Practising alone, through the built program, with a stand-in trainee: what the partner does, what the score says of
//! it, and what goes into the record. Each practice is run once and looked at by several tests.

mod common;

use antiphon::failure::ExitCode;
use antiphon::record::read::{self, Line};
use antiphon::record::verify::{verify, State};
use common::{antiphon, ran, run, text, write, Ran, SHORT};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// A contingency that comes back, and one that leads out.
const MORE: &str = r#"
[[contingency]]
id = "tear"
title = "A torn glove"
call = "my glove has torn"
then = "return"
[[contingency.step]]
id = "changed"
instruction = "Change the glove."
look = "the new one is whole"
read_back = "replaced the damaged glove"
confirm = "new one looks perfect"

[[contingency]]
id = "unwell"
title = "Feeling unwell"
call = "i feel very faint"
then = "exit"
exit = "out"

[[exit]]
id = "out"
title = "Out"
closing = "You are out."
[[exit.step]]
id = "out"
instruction = "Take all off."
look = "everything is off"
read_back = "finally out of it"
confirm = "sitting safely beside me"
"#;

/// Steps without anything of their own, so that each kind of error has one.
const STEPS: &str = r#"
[[step]]
id = "gown"
instruction = "Put on the gown."
look = "it closes all round"
read_back = "sleeves cover glove cuffs"
confirm = "gown wraps fully around"
[[step]]
id = "belt"
instruction = "Buckle the belt."
look = "the belt is snug"
read_back = "belt sits round my waist"
confirm = "unit hangs outside clear"
[[step]]
id = "check"
instruction = "Turn round once."
look = "no skin shows"
read_back = "turned all the way"
confirm = "skin and hair covered"
"#;

/// What goes wrong with the stand-in trainee as the worker, and as the observer.
const SLIPS: &str = r#"
[answers]
apron = "no"
[[slip]]
step = "rub"
who = "worker"
kind = "early"
[[slip]]
step = "gloves"
who = "worker"
kind = "wrong"
say = "hood reaches my shoulders"
[[slip]]
step = "hood"
who = "worker"
kind = "say-again"
[[slip]]
step = "hood"
who = "observer"
kind = "silence"
"#;

fn root() -> &'static Path {
    static ROOT: OnceLock<PathBuf> = OnceLock::new();
    ROOT.get_or_init(|| {
        let root = Path::new(env!("CARGO_TARGET_TMPDIR")).join("practice");
        // Not there the first time; whatever else is wrong shows when it is made.
        let _ = std::fs::remove_dir_all(&root);
        std::fs::create_dir_all(&root).expect("cargo's folder for tests can be written");
        // A step's minimum time of 8 s must be over before the tool calls.
        let short = SHORT.replace("reminder_s = 6", "reminder_s = 11");
        write(&root, "long.toml", format!("{short}{STEPS}{MORE}"));
        write(&root, "clean.toml", "[answers]\napron = \"no\"\n");
        write(&root, "slips.toml", SLIPS);
        write(&root, "stop.toml", "[[slip]]\nstep = \"gloves\"\nwho = \"worker\"\nkind = \"stop\"\n");
        root
    })
}

struct Practised {
    ran: Ran,
    folder: PathBuf,
    lines: Vec<Line>,
    score: Value,
    summary: Value,
}

fn practise(id: &str, more: &[&str], code: ExitCode) -> Practised {
    let procedure = root().join("long.toml");
    let mut arguments = vec!["practice", text(&procedure), "--sessions", text(root()), "--id", id];
    arguments.extend_from_slice(more);
    let ran = ran(antiphon(&arguments).current_dir(root()));
    ran.exits(code);
    let folder = root().join(id);
    let json = |name: &str| {
        let text = std::fs::read_to_string(folder.join(name)).expect("it was written");
        serde_json::from_str(&text).expect("it is JSON")
    };
    let reading = read::read(&folder.join("journal.jsonl")).expect("the journal can be read");
    let (score, summary) = (json("practice.json"), json("summary.json"));
    Practised { ran, lines: reading.lines, score, summary, folder }
}

macro_rules! shared {
    ($name:ident, $($arguments:tt)*) => {
        fn $name() -> &'static Practised {
            static ONCE: OnceLock<Practised> = OnceLock::new();
            ONCE.get_or_init(|| practise(stringify!($name), &[$($arguments)*], ExitCode::Done))
        }
    };
}

shared!(clean_worker, "--as", "worker", "--trainee-stand-in", "clean.toml", "--seed", "3");
shared!(clean_worker_again, "--as", "worker", "--trainee-stand-in", "clean.toml", "--seed", "3");
shared!(clean_observer, "--as", "observer", "--trainee-stand-in", "clean.toml", "--seed", "3");
shared!(
    slipping_worker,
    "--as",
    "worker",
    "--trainee-stand-in",
    "slips.toml",
    "--seed",
    "3",
    "--slips",
    "0",
    "--json"
);
shared!(leaking, "--as", "worker", "--trainee-stand-in", "clean.toml", "--seed", "5", "--leak", "-3");

impl Practised {
    fn slips(&self) -> Vec<(&Line, &Value)> {
        self.lines.iter().filter_map(|line| Some((line, line.body.get("slip")?))).collect()
    }

    fn kinds(&self) -> BTreeSet<&str> {
        self.slips().iter().filter_map(|(_, slip)| slip["kind"].as_str()).collect()
    }

    fn heard_at(&self, post: &str) -> usize {
        self.lines.iter().filter(|line| line.body["event"] == "heard" && line.body["post"] == post).count()
    }

    fn reactions(&self) -> &Vec<Value> {
        self.score["reactions"].as_array().expect("a list")
    }
}

#[test]
fn a_trainee_without_slips_has_everything_by_heart_and_reacts_rightly_to_each_error() {
    for practised in [clean_worker(), clean_observer()] {
        let (totals, story) = (&practised.score["totals"], &practised.ran);
        assert_eq!(practised.score["outcome"], "completed", "{story}");
        assert_eq!(totals["by_heart"], totals["answers"], "{story}");
        assert_eq!(totals["asked_again"], 0, "{story}");
        assert!(totals["answers"].as_u64().expect("a number") >= 6, "{story}");
        assert_eq!(totals["reactions_right"], totals["reactions"], "{story}");
        assert_eq!(practised.slips().len(), practised.reactions().len());
    }
}

#[test]
fn each_kind_of_error_that_the_part_allows_comes_and_is_what_it_says() {
    assert_eq!(clean_worker().kinds(), BTreeSet::from(["refusal", "silence", "wrong"]));
    let all = BTreeSet::from(["chatter", "contingency", "early", "hold", "silence", "wrong"]);
    assert_eq!(clean_observer().kinds(), all);
    let totals = |practised: &Practised| practised.summary["totals"].clone();
    assert_eq!(totals(clean_worker())["refusals"], 1, "the ear heard the refusal");
    assert_eq!(totals(clean_observer())["holds"], 1);
    let called = &clean_observer().summary["contingencies"][0];
    assert_eq!(
        (&called["id"], &called["called_at"], &called["ending"]),
        (&"tear".into(), &"worker".into(), &"returned".into())
    );
    let carried_out = clean_observer().reactions().iter().find(|one| one["kind"] == "contingency");
    assert_eq!(carried_out.expect("it was called")["did"], "carried out its steps (1)");
}

#[test]
fn what_the_partner_says_is_heard_by_an_ear_and_kept_as_its_posts_track() {
    for (practised, post, channel) in [(clean_worker(), "observer", 1), (clean_observer(), "worker", 0)] {
        let heard: Vec<&Line> = practised
            .lines
            .iter()
            .filter(|line| line.body["post"] == post && line.body["verdict"] == "accepted")
            .collect();
        assert!(heard.len() >= 6, "{}", heard.len());
        let mut reader = hound::WavReader::open(practised.folder.join("audio.wav")).expect("a recording");
        assert_eq!(reader.spec().channels, 3);
        let track: Vec<i16> =
            reader.samples::<i16>().map(|s| s.expect("a sample")).skip(channel).step_by(3).collect();
        for line in heard {
            let at = |key: &str| line.body[key].as_u64().expect("a time") as usize * 16;
            let level =
                antiphon::audio::level::rms_dbfs(&track[at("start_ms")..at("end_ms").min(track.len())]);
            assert!(level > -40.0, "{level} dBFS at {}", line.body);
        }
        assert_eq!(verify(&practised.folder).expect("a session").state, State::Sound);
    }
}

#[test]
fn an_error_on_purpose_is_in_the_journal_before_it_is_heard_and_on_the_screen_when_its_step_is_over() {
    let practised = clean_worker();
    for (line, slip) in practised.slips() {
        let words = line.body["note"].as_str().expect("words");
        assert!(words.starts_with("on purpose, at \"") && words.contains("the stand-in observer"), "{words}");
        let shown = practised.ran.out.find(words).unwrap_or_else(|| panic!("not shown: {words}"));
        let done = practised.ran.out.find(&format!("done: {}", slip["step"].as_str().expect("an id")));
        assert!(done.expect("the step was done") < shown, "{words} is told too early");
        if let Some(said) = slip["said"].as_str() {
            let heard =
                practised.lines.iter().find(|other| other.n > line.n && other.body["event"] == "heard");
            assert_eq!(heard.expect("something is heard").body["text"], said);
        }
    }
}

#[test]
fn nobody_can_take_a_practice_for_a_session_of_two() {
    let practised = clean_worker();
    assert_eq!(practised.lines[0].body["mode"], "practice");
    assert_eq!(practised.lines[0].body["practice"]["trainee"], "worker");
    assert_eq!(practised.summary["practice"]["trainee"], "worker");
    let first = practised.summary["cautions"][0].as_str().expect("words");
    assert_eq!(first, "A demonstration of a practice: both voices are stand-ins; nobody practised.");
    assert!(practised.ran.out.contains(first), "{}", practised.ran);
    let page = root().join("page.html");
    run(&["debrief", text(&practised.folder), "--out", text(&page)]).exits(ExitCode::Done);
    let page = std::fs::read_to_string(page).expect("a page");
    assert!(page.contains("a practice: one voice is a stand-in") && page.contains(first));
}

#[test]
fn trends_do_not_count_a_practice() {
    let sessions = root().join("trends");
    for (id, practised) in [("worker", clean_worker()), ("observer", clean_observer())] {
        let to = sessions.join(id);
        std::fs::create_dir_all(&to).expect("a folder");
        std::fs::copy(practised.folder.join("summary.json"), to.join("summary.json")).expect("a copy");
    }
    let ran = run(&["trends", text(&sessions), "--json"]);
    ran.exits(ExitCode::Done).says(&["practices with a stand-in are not counted: 2"]);
    let trends: Value = serde_json::from_str(&ran.out).expect("JSON");
    assert_eq!((&trends["sessions"], &trends["procedures"]), (&0.into(), &Value::Array(Vec::new())));
}

#[test]
fn without_errors_on_purpose_there_are_none_and_the_trainees_own_slips_are_told_with_their_reasons() {
    let practised = slipping_worker();
    assert_eq!((practised.slips().len(), practised.reactions().len()), (0, 0));
    let [score] = &practised.ran.json_lines()[..] else { panic!("{}", practised.ran) };
    assert_eq!(*score, practised.score, "stdout has what the file has");
    let totals = &score["totals"];
    for (key, count) in [("wrong_phrase", 1), ("too_soon", 1), ("said_again", 1), ("asked_again", 2)] {
        assert_eq!(totals[key], count, "{key}: {}", practised.ran);
    }
    let answer = |step: &str| {
        let answers = score["answers"].as_array().expect("a list");
        answers.iter().find(|answer| answer["step"] == step).expect("an answer").clone()
    };
    let gloves = answer("gloves");
    assert_eq!((&gloves["title"], &gloves["by_heart"]), (&"Put on the gloves".into(), &false.into()));
    assert_eq!(gloves["stumbles"][0]["heard"], "hood reaches my shoulders");
    assert_eq!(gloves["stumbles"][0]["step"], "Put on the hood");
    assert_eq!(answer("rub")["stumbles"][0]["why"], "too-soon");
    assert_eq!(answer("hood")["stumbles"][0]["why"], "said-again");
    assert_eq!(answer("gown")["by_heart"], true);
    let next = score["practise_next"].as_array().expect("a list");
    assert!(next.contains(&"Put on the gloves: say \"inner gloves are on\"".into()), "{next:?}");
    assert!(score["caution"].as_str().expect("words").contains("a trainer"));
}

#[test]
fn a_seed_repeats_a_practice_exactly() {
    let story = |practised: &Practised| -> Vec<(u64, String, Value)> {
        let body = |line: &Line| {
            let mut body = line.body.clone();
            if let Some(evidence) = body.get_mut("evidence").and_then(Value::as_object_mut) {
                evidence.remove("compute_ms");
            }
            body
        };
        // The first line has the session's name and the last one its digests.
        let inner = &practised.lines[1..practised.lines.len() - 1];
        inner.iter().map(|line| (line.ms, line.kind.clone(), body(line))).collect()
    };
    assert_eq!(story(clean_worker()), story(clean_worker_again()));
    let errors =
        |practised: &Practised| practised.slips().iter().map(|(_, slip)| (*slip).clone()).collect::<Vec<_>>();
    assert_ne!(errors(clean_worker()), errors(leaking()), "another seed has other errors");
}

#[test]
fn the_partner_in_the_loudspeaker_never_counts_as_the_trainee() {
    let practised = leaking();
    assert_eq!(practised.score["outcome"], "completed", "{}", practised.ran);
    let mut reader = hound::WavReader::open(practised.folder.join("audio.wav")).expect("a recording");
    let samples: Vec<i16> = reader.samples::<i16>().map(|s| s.expect("a sample")).collect();
    let channel = |n: usize| samples.iter().copied().skip(n).step_by(3).collect::<Vec<i16>>();
    let (worker, partner) = (channel(0), channel(1));
    let spoken = |at: &usize| partner[*at..at + 160].iter().any(|sample| sample.unsigned_abs() > 1_000);
    let over: Vec<i16> = (0..partner.len() - 160)
        .step_by(160)
        .filter(spoken)
        .flat_map(|at| worker[at..at + 160].to_vec())
        .collect();
    let leak = antiphon::audio::level::rms_dbfs(&over);
    assert!(leak > -40.0, "the loudspeaker is heard at the worker's post: {leak} dBFS");
    for line in practised.lines.iter().filter(|line| line.body["event"] == "heard") {
        if line.body["post"] == "worker" && line.body["verdict"] == "accepted" {
            let at = |key: &str| line.body[key].as_u64().expect("a time") as usize * 16;
            let theirs = (at("start_ms")..at("end_ms")).step_by(160).filter(spoken).count() * 160;
            assert!(theirs * 4 < at("end_ms") - at("start_ms"), "the partner's words counted: {}", line.body);
        }
    }
    assert!(practised.heard_at("worker") > 0);
    run(&["relisten", text(&practised.folder)]).exits(ExitCode::Done);
}

#[test]
fn a_recording_of_the_trainee_is_practised_with_in_place_of_a_microphone() {
    let heard = clean_worker();
    let track = format!("{}#1", text(&heard.folder.join("audio.wav")));
    let practised = practise(
        "recorded",
        &["--as", "worker", "--in", &track, "--seed", "3", "--answer", "apron=no"],
        ExitCode::Done,
    );
    let reactions = |practised: &Practised| {
        practised.reactions().iter().map(|one| one["did"].clone()).collect::<Vec<_>>()
    };
    assert_eq!(reactions(&practised), reactions(heard));
    assert_eq!(practised.score["totals"], heard.score["totals"]);
    let first = practised.summary["cautions"][0].as_str().expect("words").to_string();
    assert!(first.starts_with("A practice: the observer is a stand-in, played by the tool."), "{first}");
}

#[test]
fn a_finished_practice_is_scored_again_as_it_was() {
    let practised = clean_observer();
    let again = run(&["practice", text(&practised.folder), "--json"]);
    again.exits(ExitCode::Done);
    let [score] = &again.json_lines()[..] else { panic!("{again}") };
    assert_eq!(*score, practised.score);
    let shown = run(&["practice", text(&practised.folder)]);
    let table = shown.out.trim();
    assert!(table.starts_with("Practice as the observer, with a stand-in worker: completed"), "{shown}");
    assert!(practised.ran.out.contains(table), "the same words as at its end\n{shown}");
    for row in
        ["by heart", "asked again", "time to answer", "reactions", "Errors on purpose, and what you did:"]
    {
        assert!(table.contains(row), "{row}\n{table}");
    }
}

#[cfg(unix)]
#[test]
fn the_score_is_readable_by_its_owner_only() {
    use std::os::unix::fs::PermissionsExt;
    let file = clean_worker().folder.join("practice.json");
    assert_eq!(std::fs::metadata(file).expect("it is there").permissions().mode() & 0o777, 0o600);
}

#[test]
fn after_a_stop_the_stand_in_ends_the_practice_and_does_not_carry_on() {
    let arguments = ["--as", "worker", "--trainee-stand-in", "stop.toml", "--seed", "3", "--slips", "0"];
    let practised = practise("stopped", &arguments, ExitCode::NotCompleted);
    assert_eq!(
        (&practised.score["outcome"], &practised.summary["totals"]["stops"]),
        (&"stopped".into(), &2.into())
    );
}

#[test]
fn a_score_goes_with_the_person_who_is_taken_out_of_the_record() {
    let arguments = ["--as", "worker", "--trainee-stand-in", "clean.toml", "--seed", "3", "--limit", "1"];
    let practised = practise("redacted", &arguments, ExitCode::NotCompleted);
    assert_eq!(practised.score["outcome"], "input-ended");
    run(&["redact", text(&practised.folder), "--who", "worker", "--yes"]).exits(ExitCode::Done);
    assert!(!practised.folder.join("practice.json").exists());
}

#[test]
fn a_session_of_two_stand_ins_has_no_score() {
    let procedure = root().join("long.toml");
    let arguments =
        ["rehearse", text(&procedure), "--sessions", text(root()), "--id", "rehearsed", "--limit", "1"];
    run(&arguments).exits(ExitCode::NotCompleted);
    let ran = run(&["practice", text(&root().join("rehearsed"))]);
    ran.exits(ExitCode::BadFolder)
        .says(&["can't be scored as a practice", "it is a session, not a practice"]);
}

#[test]
fn what_is_wrong_on_the_command_line_is_told_before_anybody_speaks() {
    let procedure = root().join("long.toml");
    let procedure = text(&procedure);
    let with = |more: &[&str]| {
        let mut arguments = vec!["practice", procedure];
        arguments.extend_from_slice(more);
        ran(antiphon(&arguments).current_dir(root()))
    };
    with(&[]).exits(ExitCode::Usage).says(&["practice: who are you?", "add --as worker, or --as observer"]);
    with(&["--as", "nurse"]).exits(ExitCode::Usage).says(&["you are the worker or the observer"]);
    for rate in ["1.5", "-0.1", "nan", "x"] {
        let given = format!("--slips={rate}");
        with(&["--as", "worker", &given]).exits(ExitCode::Usage).says(&["a share from 0 to 1"]);
    }
    with(&["--as", "worker", "--who", "observer=o2"])
        .exits(ExitCode::Usage)
        .says(&["--who observer=o2: the observer is a stand-in", "only the worker is a person here"]);
    with(&["--as", "worker", "--partner-voice", "flite:slt"])
        .exits(ExitCode::Usage)
        .says(&["--partner-voice flite:slt: the tool speaks with this voice"]);
    with(&["--as", "worker", "--partner-voice", "flite:nobody", "--trainee-stand-in", "clean.toml"])
        .exits(ExitCode::NoDevice)
        .says(&["flite:nobody is not a voice"]);
    with(&["--as", "worker", "--trainee-stand-in", "missing.toml"])
        .exits(ExitCode::BadProcedure)
        .says(&["missing.toml: can't read the script"]);
    with(&["--as", "worker", "--answer", "apron=perhaps"])
        .exits(ExitCode::Usage)
        .says(&["--answer apron=perhaps: no such question or answer"]);
    with(&["--as", "worker", "--in", "missing.wav"]).exits(ExitCode::BadAudio);
    with(&["--as", "worker", "--leak", "-10"]).exits(ExitCode::Usage);
    with(&["--as", "worker", "--trainee-stand-in", "clean.toml", "--who", "worker=w1"])
        .exits(ExitCode::Usage);
    run(&["practice", "/nonexistent.toml", "--as", "worker"]).exits(ExitCode::BadProcedure);
    run(&["practice", text(root())]).exits(ExitCode::BadFolder).says(&["no practice's folder"]);
}
