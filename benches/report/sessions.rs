//! Time to the first prompt, memory, and time to hear an hour again, of the program itself.

use super::process::{watch, Ran};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const PROCEDURE: &str = "procedures/isolation-donning.toml";
const STARTS: usize = 5;
const HOUR_S: f64 = 3_600.0;

pub struct Sessions {
    /// Wall time from the start of the program to the journal's first spoken line, s, least first.
    pub first_prompt_s: Vec<f64>,
    pub rehearsal: Memory,
    /// The rehearsal with both ears.
    pub both: Memory,
    pub replayed: Memory,
    pub heard_again: HeardAgain,
}

/// `relisten` of an hour: one session in noise, as often as that takes.
pub struct HeardAgain {
    pub sessions: usize,
    pub sound_s: f64,
    pub wall_s: f64,
    pub peak_mb: f64,
}

pub struct Memory {
    pub peak_mb: f64,
    /// How the session ended, and its length in s.
    pub outcome: String,
    pub seconds: f64,
}

pub fn measure(program: &Path, folder: &Path) -> Result<Sessions, String> {
    let mut first_prompt_s = Vec::new();
    for start in 0..STARTS {
        first_prompt_s.push(first_prompt(program, folder, &format!("start-{start}"))?);
    }
    first_prompt_s.sort_by(f64::total_cmp);
    let rehearsal = memory(&mut rehearse(program, folder, "rehearsal", "phones"), folder, "rehearsal")?;
    let both = memory(&mut rehearse(program, folder, "both", "both"), folder, "both")?;
    let tracks = folder.join("rehearsal/audio.wav");
    let mut run = Command::new(program);
    run.arg("run")
        .arg(PROCEDURE)
        .args(["--ears", "phones", "--plain", "--id", "replayed", "--sessions"])
        .arg(folder);
    for (post, channel) in [("worker", 1), ("observer", 2)] {
        run.arg("--in").arg(format!("{post}={}#{channel}", tracks.display()));
    }
    let replayed = memory(&mut run, folder, "replayed")?;
    let heard_again = heard_again(program, folder)?;
    Ok(Sessions { first_prompt_s, rehearsal, both, replayed, heard_again })
}

fn heard_again(program: &Path, folder: &Path) -> Result<HeardAgain, String> {
    let mut noisy = rehearse(program, folder, "noisy", "both");
    let recorded = memory(noisy.args(["--noise", "fan:15"]), folder, "noisy")?;
    let sessions = (HOUR_S / recorded.seconds).ceil().max(1.0) as usize;
    let mut relisten = Command::new(program);
    relisten.arg("relisten").args(vec![folder.join("noisy"); sessions]);
    let began = Instant::now();
    let Ran { status, peak_mb, .. } = watch(quiet(&mut relisten), &mut |_| true)?;
    // 8: a verdict differs, which is not what is measured here.
    if !matches!(status.code(), Some(0 | 8)) {
        return Err(format!("relisten ended with {status}"));
    }
    let (wall_s, sound_s) = (began.elapsed().as_secs_f64(), sessions as f64 * recorded.seconds);
    Ok(HeardAgain { sessions, sound_s, wall_s, peak_mb })
}

fn rehearse(program: &Path, folder: &Path, id: &str, ears: &str) -> Command {
    let mut command = Command::new(program);
    command.arg("rehearse").arg(PROCEDURE).args(["--seed", "7", "--plain", "--limit", "30", "--id", id]);
    command.args(["--ears", ears, "--sessions"]).arg(folder);
    command
}

fn quiet(command: &mut Command) -> &mut Command {
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null())
}

fn first_prompt(program: &Path, folder: &Path, id: &str) -> Result<f64, String> {
    let journal = folder.join(id).join("journal.jsonl");
    let mut found: Option<Duration> = None;
    watch(quiet(&mut rehearse(program, folder, id, "both")), &mut |since| {
        // Until the file is there, there is no line.
        let text = fs::read_to_string(&journal).unwrap_or_default();
        if text.lines().any(|line| line.contains(r#""kind":"out""#) && line.contains(r#""action":"say""#)) {
            found = found.or(Some(since));
        }
        found.is_none()
    })?;
    found.map(|since| since.as_secs_f64()).ok_or_else(|| format!("{id}: ended before it said anything"))
}

fn memory(command: &mut Command, folder: &Path, id: &str) -> Result<Memory, String> {
    let log = folder.join(format!("{id}.log"));
    let file = fs::File::create(&log).map_err(|error| format!("{}: {error}", log.display()))?;
    let Ran { status, peak_mb, .. } = watch(quiet(command).stderr(file), &mut |_| true)?;
    let summary = summary(&folder.join(id)).map_err(|why| {
        let said = fs::read_to_string(&log).unwrap_or_default();
        format!("{id} ended with {status}, and {why}: {said}")
    })?;
    let outcome = summary["outcome"].as_str().map(str::to_string);
    let seconds = summary["totals"]["seconds"].as_f64();
    match (outcome, seconds) {
        (Some(outcome), Some(seconds)) => Ok(Memory { peak_mb, outcome, seconds }),
        _ => Err(format!("{id}: the summary does not say how it ended")),
    }
}

fn summary(session: &Path) -> Result<serde_json::Value, String> {
    let path: PathBuf = session.join("summary.json");
    let text = fs::read_to_string(&path).map_err(|error| format!("it left no summary ({error})"))?;
    serde_json::from_str(&text).map_err(|error| format!("its summary can't be read ({error})"))
}
