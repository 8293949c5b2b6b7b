//! Small sessions for the tests of the record.

// Each test program uses its own part of this.
#![allow(dead_code)]

use antiphon::record::summary::{self, Account, Outcome, ProcedureRef, StepAccount, Summary, Totals};
use antiphon::record::{Journal, SessionFolder, Tracks};
use chrono::{DateTime, Duration, FixedOffset};
use serde_json::json;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;

pub const TOML: &str = "id = 'donning'\ntitle = 'Donning'\n";

pub fn at(ms: u64) -> DateTime<FixedOffset> {
    DateTime::parse_from_rfc3339("2026-11-25T00:15:00.123+01:00").expect("a valid time")
        + Duration::milliseconds(ms as i64)
}

/// A journal with awkward bodies: quotes, a key named like the digest's, letters of two and four bytes, nothing.
pub fn open_journal(folder: &SessionFolder) -> Journal {
    let procedure_sha256 = folder.keep_procedure(TOML).unwrap();
    let mut journal = Journal::create(folder).unwrap();
    let events = [
        ("session", json!({"procedure_sha256": procedure_sha256})),
        ("said", json!({"text": "Gown on.\nTie it \"easy to undo\"."})),
        ("heard", json!({"sha256": "00", "words": "gänzlich 🧤", "score": -0.25})),
        ("note", json!(null)),
    ];
    for (index, (kind, body)) in events.iter().enumerate() {
        journal.append(at(index as u64 * 700), index as u64 * 700, kind, body).unwrap();
    }
    journal
}

pub fn account(audio_sha256: Option<String>) -> Account {
    let step = StepAccount {
        id: "gown".to_owned(),
        instruction: "Gown on.".to_owned(),
        started_ms: Some(700),
        seconds: Some(0.1 + 0.2),
        ..StepAccount::default()
    };
    Account {
        session: "one".to_owned(),
        procedure: ProcedureRef {
            id: "donning".to_owned(),
            title: "Donning".to_owned(),
            version: "1".to_owned(),
            sha256: antiphon::record::chain::sha256_hex(TOML.as_bytes()),
        },
        started: at(0),
        ended: at(3000),
        outcome: Outcome::Stopped,
        engine: "phones".to_owned(),
        voice: "rendered".to_owned(),
        posts: vec!["room".to_owned()],
        people: BTreeMap::new(),
        practice: None,
        steps: vec![step],
        contingencies: Vec::new(),
        exit: None,
        answers: BTreeMap::from([("apron".to_owned(), "no".to_owned())]),
        decisions: Vec::new(),
        totals: Totals { seconds: 3.0, stops: 1, calls: 1, ..Totals::default() },
        audio: None,
        audio_sha256,
        cautions: vec!["Training aid.".to_owned()],
        closed_later: None,
    }
}

/// A whole session of 3 s with sound, in a folder of its own under `root`.
pub fn whole_session(root: &Path) -> (PathBuf, Summary) {
    let folder = SessionFolder::create(root, "one").unwrap();
    let journal = open_journal(&folder);
    let mut tracks = Tracks::create(&folder, &["tool", "room"]).unwrap();
    let _ = tracks.write(0, 0, &[1000; 48_000]).unwrap();
    let audio = tracks.finish().unwrap();
    let summary = summary::finish(&folder, journal, 3000, account(Some(audio.sha256))).unwrap();
    (folder.path().to_owned(), summary)
}

/// The bytes of a whole journal of five lines.
pub fn whole_journal() -> Vec<u8> {
    // Made once: each one costs an fsync.
    static JOURNAL: OnceLock<Vec<u8>> = OnceLock::new();
    JOURNAL.get_or_init(make_whole_journal).clone()
}

fn make_whole_journal() -> Vec<u8> {
    let root = tempfile::tempdir().unwrap();
    let folder = SessionFolder::create(root.path(), "one").unwrap();
    let journal = open_journal(&folder);
    let path = journal.path().to_owned();
    journal.close(at(3000), 3000, &json!({"outcome": "stopped"})).unwrap();
    std::fs::read(path).unwrap()
}

/// This test program again, running only its ignored test `name`, with `dir` in ANTIPHON_TEST_DIR. `blocks` limits the
/// size of any file it writes, as a full disk would: a write is cut short at the limit, the next one fails.
pub fn child(name: &str, dir: &Path, blocks: Option<u32>) -> Command {
    let limit = blocks.map_or(String::new(), |blocks| format!("trap '' XFSZ; ulimit -f {blocks}; "));
    let mut command = Command::new("sh");
    command
        .arg("-c")
        .arg(format!("{limit}exec \"$0\" \"$@\""))
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", name, "--ignored", "--nocapture"])
        .env("ANTIPHON_TEST_DIR", dir)
        .stdout(Stdio::piped());
    command
}

/// Where a child works. Such tests are ignored on their own: they make sense only when their parent starts them.
pub fn child_dir() -> PathBuf {
    PathBuf::from(std::env::var_os("ANTIPHON_TEST_DIR").expect("started by its parent test"))
}
