//! What happens to records after their sessions: one person taken out, old ones deleted, digests signed.

mod common;
mod debrief_support;

use antiphon::failure::ExitCode;
use antiphon::record::chain::CHECK_BY_HAND;
use common::{can_trace, killed_at, run, text, tool, SHORT};
use debrief_support::{play, Played};
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Command;

fn session(root: &Path) -> Played {
    play(root, "one", SHORT, &[])
}

fn verified(folder: &Path) -> Value {
    let ran = run(&["verify", text(folder), "--json"]);
    serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}\n{ran}"))
}

/// Loudest sample of each channel.
fn loudest(folder: &Path) -> Vec<i16> {
    let wav = hound::WavReader::open(folder.join("audio.wav")).unwrap();
    let channels = usize::from(wav.spec().channels);
    let mut loudest = vec![0i16; channels];
    for (n, sample) in wav.into_samples::<i16>().enumerate() {
        loudest[n % channels] = loudest[n % channels].max(sample.unwrap().saturating_abs());
    }
    loudest
}

#[test]
fn a_person_taken_out_is_silent_and_nameless_and_the_record_is_sound_again_and_says_so() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path()).folder;
    run(&["debrief", text(&folder), "--csv"]).exits(ExitCode::Done);
    let before = verified(&folder);
    let lengths = fs::metadata(folder.join("audio.wav")).unwrap().len();
    assert!(loudest(&folder).iter().all(|loud| *loud > 5_000));
    let ran = run(&["redact", text(&folder), "--who", "worker", "--yes"]);
    ran.exits(ExitCode::Done);
    assert_eq!(loudest(&folder)[0], 0);
    assert!(loudest(&folder)[1..].iter().all(|loud| *loud > 5_000));
    assert_eq!(fs::metadata(folder.join("audio.wav")).unwrap().len(), lengths, "nothing moves");
    let after = verified(&folder);
    assert_eq!(after["state"], "sound", "{after}");
    assert_ne!(after["digest"], before["digest"]);
    assert!(ran.out.contains(after["digest"].as_str().unwrap()), "{ran}");
    assert!(after["findings"].to_string().contains("the worker was taken out"), "{after}");
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    let summary = fs::read_to_string(folder.join("summary.json")).unwrap();
    assert!(!journal.contains("w7") && !summary.contains("w7"));
    assert!(journal.contains(before["digest"].as_str().unwrap()), "the note names the digest before");
    assert!(summary.contains("\"observer\": \"o2\"") && summary.contains("sound was silenced on"));
    let mut files: Vec<_> =
        fs::read_dir(&folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    files.sort();
    assert_eq!(files, ["audio.wav", "journal.jsonl", "procedure.toml", "summary.json"]);
    // The chain by the published commands, without this program.
    let checked = Command::new("sh").args(["-c", CHECK_BY_HAND]).current_dir(&folder).output().unwrap();
    let told = String::from_utf8_lossy(&checked.stdout);
    assert_eq!(
        told.lines().collect::<Vec<_>>(),
        [format!("last {}", after["digest"].as_str().unwrap())],
        "{told}"
    );
    // Once more for the other.
    run(&["redact", text(&folder), "--who", "observer", "--yes"]).exits(ExitCode::Done);
    assert_eq!(verified(&folder)["state"], "sound");
    assert_eq!(loudest(&folder)[..2], [0, 0]);
    run(&["debrief", text(&folder)]).exits(ExitCode::Done);
}

#[test]
fn a_record_that_is_cut_off_can_be_redacted_and_stays_cut_off() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path()).folder;
    let journal = fs::read(folder.join("journal.jsonl")).unwrap();
    fs::write(folder.join("journal.jsonl"), &journal[..journal.len() * 2 / 3]).unwrap();
    fs::remove_file(folder.join("summary.json")).unwrap();
    run(&["redact", text(&folder), "--who", "worker", "--yes"]).exits(ExitCode::Done);
    assert_eq!(verified(&folder)["state"], "cut-off");
    assert_eq!(loudest(&folder)[0], 0);
}

#[test]
fn an_altered_record_or_an_unknown_person_is_refused_and_nothing_is_touched() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path()).folder;
    let listing = || {
        let mut files: Vec<_> = fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        files.sort();
        files.into_iter().map(|path| (path.clone(), fs::read(path).unwrap())).collect::<Vec<_>>()
    };
    let before = listing();
    let ran = run(&["redact", text(&folder), "--who", "nobody", "--yes"]);
    ran.exits(ExitCode::Usage).says(&["worker, observer"]);
    // Nobody is there to be asked.
    run(&["redact", text(&folder), "--who", "worker"]).exits(ExitCode::Usage).says(&["--yes"]);
    assert!(listing() == before);
    let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    fs::write(folder.join("journal.jsonl"), journal.replacen("accepted", "rejected", 1)).unwrap();
    let before = listing();
    run(&["redact", text(&folder), "--who", "worker", "--yes"]).exits(ExitCode::Tampered);
    assert!(listing() == before);
}

#[test]
fn old_records_go_and_their_summaries_stay() {
    let room = tempfile::tempdir().unwrap();
    // These sessions say that they were on 2026-11-25.
    let folder = session(room.path()).folder;
    let cut = play(room.path(), "cut", SHORT, &[]).folder;
    fs::remove_file(cut.join("summary.json")).unwrap();
    run(&["debrief", text(&folder)]).exits(ExitCode::Done);
    let root = text(room.path());
    run(&["prune", root, "--older-than", "99999d", "--yes"]).exits(ExitCode::Done);
    assert!(folder.join("audio.wav").exists());
    run(&["prune", root, "--older-than", "0d"]).exits(ExitCode::Usage).says(&["--yes"]);
    assert!(folder.join("audio.wav").exists());
    let ran = run(&["prune", root, "--older-than", "0d", "--yes"]);
    ran.exits(ExitCode::Done).says(&["left alone, it has no summary", "cut"]);
    let mut files: Vec<_> =
        fs::read_dir(&folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    files.sort();
    assert_eq!(files, ["pruned.json", "summary.json"]);
    assert!(cut.join("audio.wav").exists());
    run(&["verify", text(&folder)]).exits(ExitCode::BadFolder).says(&["deleted on purpose"]);
    run(&["debrief", text(&folder)]).exits(ExitCode::BadFolder).says(&["deleted on purpose"]);
    run(&["prune", root, "--older-than", "0d", "--yes"]).exits(ExitCode::Done);
}

#[test]
fn a_signed_record_is_checked_with_the_key_and_by_openssl() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path()).folder;
    let (key, other) = (room.path().join("unit.pem"), room.path().join("other.pem"));
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Usage).says(&["exists already"]);
    // The other key comes from elsewhere: OpenSSL writes the same form.
    tool("openssl", &["genpkey", "-algorithm", "ed25519", "-out", text(&other)]);
    tool("openssl", &["pkey", "-in", text(&other), "-pubout", "-out", &format!("{}.pub", text(&other))]);
    let public = |key: &Path| format!("{}.pub", text(key));
    let wanted = |key: &Path| run(&["verify", text(&folder), "--public-key", &public(key)]);
    wanted(&key).exits(ExitCode::Tampered);
    run(&["sign", text(&folder), "--key", text(&key)]).exits(ExitCode::Done);
    run(&["verify", text(&folder)]).exits(ExitCode::Done);
    wanted(&key).exits(ExitCode::Done);
    assert!(wanted(&key).out.contains("signed with the key given"));
    wanted(&other).exits(ExitCode::Tampered);
    // OpenSSL, as the outside judge of the signature.
    let signed: Value = serde_json::from_slice(&fs::read(folder.join("signature.json")).unwrap()).unwrap();
    let hex = signed["signature"].as_str().unwrap();
    let bytes: Vec<u8> =
        (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap()).collect();
    fs::write(room.path().join("sig"), bytes).unwrap();
    fs::write(room.path().join("message"), signed["journal_sha256"].as_str().unwrap()).unwrap();
    let at = |name: &str| text(&room.path().join(name)).to_string();
    tool(
        "openssl",
        &[
            "pkeyutl",
            "-verify",
            "-pubin",
            "-inkey",
            &public(&key),
            "-rawin",
            "-in",
            &at("message"),
            "-sigfile",
            &at("sig"),
        ],
    );
    run(&["sign", text(&folder), "--key", text(&other)]).exits(ExitCode::Done);
    wanted(&other).exits(ExitCode::Done);
    run(&["sign", text(&folder), "--key", &public(&key)]).exits(ExitCode::Usage).says(&["no key"]);
    // A redaction ends what the signature stood for.
    run(&["redact", text(&folder), "--who", "worker", "--yes"]).exits(ExitCode::Done);
    assert!(!folder.join("signature.json").exists());
}

#[test]
fn a_whole_name_is_kept_only_when_that_is_wanted() {
    let room = tempfile::tempdir().unwrap();
    let file = common::write(room.path(), "short.toml", SHORT);
    for (who, code) in [
        ("worker=Ada Example", ExitCode::Usage),
        ("somebody=w7", ExitCode::Usage),
        ("worker=", ExitCode::Usage),
    ] {
        let ran = run(&["rehearse", text(&file), "--who", who, "--sessions", text(room.path())]);
        ran.exits(code);
    }
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1, "no folder was made");
}

/// A redaction that is killed at any of the calls by which it changes the folder is either not begun or says that it was cut
/// off, and the next one finishes it.
#[test]
fn a_redaction_killed_at_any_system_call_is_none_or_can_be_finished() {
    if !can_trace() {
        return;
    }
    let room = tempfile::tempdir().unwrap();
    let whole = session(room.path()).folder;
    run(&["debrief", text(&whole)]).exits(ExitCode::Done);
    const CALLS: [&str; 8] =
        ["rename", "renameat2", "unlink", "unlinkat", "rmdir", "fsync", "fdatasync", "ftruncate"];
    let (mut untouched, mut cut_off) = (0, 0);
    let mut of_calls: Vec<(&str, usize)> = CALLS.iter().rev().map(|call| (*call, 1)).collect();
    while let Some((call, nth)) = of_calls.pop() {
        let parent = room.path().join(format!("killed-{call}-{nth}"));
        fs::create_dir(&parent).unwrap();
        let folder = parent.join("one");
        tool("cp", &["-r", text(&whole), text(&folder)]);
        let mut command = killed_at(call, nth, &["redact", text(&folder), "--who", "worker", "--yes"]);
        if command.output().unwrap().status.success() {
            // It does not make this call so often.
            continue;
        }
        assert!(nth < 60, "{call}: it is never done");
        of_calls.push((call, nth + 1));
        let found = verified(&folder);
        let journal = fs::read_to_string(folder.join("journal.jsonl")).unwrap();
        match found["state"].as_str() {
            Some("sound") => {
                assert!(journal.contains("w7") || found["findings"].to_string().contains("was taken out"));
                untouched += 1;
            }
            _ => {
                assert!(found["findings"].to_string().contains("cut off half-way"), "{call} {nth}: {found}");
                cut_off += 1;
            }
        }
        run(&["redact", text(&folder), "--who", "worker", "--yes"]).exits(ExitCode::Done);
        let found = verified(&folder);
        assert_eq!(found["state"], "sound", "{call} {nth}: {found}");
        assert!(!fs::read_to_string(folder.join("journal.jsonl")).unwrap().contains("w7"), "{call} {nth}");
        assert_eq!(loudest(&folder)[0], 0, "{call} {nth}");
        assert_eq!(fs::read_dir(&folder).unwrap().count(), 4, "{call} {nth}: something is left over");
    }
    println!("killed: {untouched} times nothing was changed, {cut_off} times it was decided");
    assert!(untouched >= 3 && cut_off >= 5, "{untouched} {cut_off}");
}

/// While a session runs, nothing else writes into its folder.
#[test]
fn a_session_that_runs_is_not_redacted_signed_or_debriefed() {
    let room = tempfile::tempdir().unwrap();
    let folder = session(room.path()).folder;
    let running = antiphon::record::Lock::of(&folder).unwrap();
    let before = fs::read(folder.join("journal.jsonl")).unwrap();
    let key = room.path().join("unit.pem");
    run(&["sign", "--new-key", text(&key)]).exits(ExitCode::Done);
    let commands: [&[&str]; 3] = [
        &["redact", text(&folder), "--who", "worker", "--yes"],
        &["sign", text(&folder), "--key", text(&key)],
        &["debrief", text(&folder)],
    ];
    for command in commands {
        run(command).exits(ExitCode::BadFolder).says(&["another command is at work on this session"]);
    }
    assert_eq!(fs::read(folder.join("journal.jsonl")).unwrap(), before);
    drop(running);
    run(commands[0]).exits(ExitCode::Done);
}
