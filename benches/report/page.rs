//! Writes what was measured as one page.

use super::accuracy::{Tally, Task};
use super::process::{kilobytes, read};
use super::sessions::Sessions;
use super::speed::Speed;
use super::tasks::{Prompts, LONGEST_S, SEED};
use antiphon::statistics::wilson95;
use std::fmt::Write;

/// Goals: ms of one core per second of speech, s to the first prompt, MB.
const GOAL_MS: f64 = 60.0;
const GOAL_START_S: f64 = 1.0;
/// Wall time to hear an hour again, s.
const GOAL_HOUR_S: f64 = 180.0;
const GOAL_MB: f64 = 150.0;
const GOAL_BOTH_MB: f64 = 450.0;

pub struct Measured {
    pub speed: Speed,
    pub sessions: Sessions,
    pub prompts: Prompts,
    pub prompt_tallies: Vec<(&'static str, Tally)>,
    pub cards: Task,
    pub card_tallies: Vec<(&'static str, Tally)>,
}

pub fn page(measured: &Measured) -> Result<String, String> {
    let mut page = String::new();
    let all = [head()?, speed(&measured.speed), sessions(&measured.sessions), accuracy(measured)];
    for part in all {
        page.push_str(&part);
    }
    Ok(page)
}

fn head() -> Result<String, String> {
    let cpu = read("/proc/cpuinfo")?;
    let model =
        cpu.lines().find(|line| line.starts_with("model name")).and_then(|line| line.split_once(": "));
    let memory = kilobytes(&read("/proc/meminfo")?, "MemTotal:").unwrap_or(0.0) * 1024.0 / 1e9;
    let load = read("/proc/loadavg")?;
    let cores = std::thread::available_parallelism().map_or(1, |cores| cores.get());
    Ok(format!(
        "# Speed, memory, and a first accuracy\n\n\
         Written by `cargo bench --bench report`, all in one run; run it again rather than edit it.\n\n\
         Machine: {}, {cores} cores, {memory:.1} GB. Date: {}. Load when this was written: {} (over one a core means \
         that other programs ran beside it, which lengthens CPU times too, since they share caches and memory). CPU times \
         are of one core, the least of five runs; wall times are as they came.\n\n",
        model.map_or("unknown processor", |(_, model)| model),
        chrono::Local::now().format("%Y-%m-%d"),
        load.split(' ').next().unwrap_or("unknown"),
    ))
}

fn verdict(value: f64, goal: f64) -> &'static str {
    if value <= goal {
        "met"
    } else {
        "missed"
    }
}

fn speed(speed: &Speed) -> String {
    format!(
        "## Listening\n\n\
         {} phrases count at once, with their decoys {} candidates; {:.0} s of one person's speech.\n\n\
         | part | CPU time |\n|---|---|\n\
         | network alone | {:.1} ms per second of speech |\n\
         | scoring of every candidate | {:.1} ms per second of speech |\n\
         | closer look at the best phrase | {:.1} ms per second of speech |\n\
         | **all three, one hearing of each utterance** | **{:.1} ms per second of speech** (goal {GOAL_MS:.0}: {}) |\n\
         | finding speech, all the time, a post | {:.1} ms per second of sound |\n\
         | other phrases count (at most once a step) | {:.1} ms |\n\
         | loading the first engine | {:.0} ms |\n\n\
         An utterance is heard after 144 ms of silence, and unless that decides it (or nothing is like it) up to twice \
         more before it is over. What is in doubt is heard a second time, 10 ms moved, each time: it can cost that time six \
         times.\n\n",
        speed.phrases,
        speed.candidates,
        speed.speech_s,
        speed.network,
        speed.scoring,
        speed.look,
        speed.hear,
        verdict(speed.hear, GOAL_MS),
        speed.speech_detector,
        speed.listen_for_ms,
        speed.load_ms,
    )
}

fn sessions(sessions: &Sessions) -> String {
    let times = &sessions.first_prompt_s;
    let (least, most) = (times[0], times[times.len() - 1]);
    let middle = times[times.len() / 2];
    let mut text = include_str!("runtimes.md").to_string();
    text += &format!(
        "## Start and memory\n\n\
         From the start of the program (`rehearse`, two posts, both ears) to the first spoken line in the journal, wall time of \
         {} starts: {least:.2} s at best, {middle:.2} s in the middle, {most:.2} s at worst (goal {GOAL_START_S:.0} s, \
         middle: {}).\n\n\
         | session, two posts | largest resident memory | goal | ended |\n|---|---|---|---|\n",
        times.len(),
        verdict(middle, GOAL_START_S),
    );
    let all = [
        ("`rehearse`, `--ears phones`", &sessions.rehearsal, GOAL_MB),
        ("`run --in`, `--ears phones`", &sessions.replayed, GOAL_MB),
        ("`rehearse`, both ears", &sessions.both, GOAL_BOTH_MB),
    ];
    for (name, memory, goal) in all {
        // Writing to a String can't fail.
        let _ = writeln!(
            text,
            "| {name} | {:.0} MB | {goal:.0} MB: {} | {} after {:.0} s |",
            memory.peak_mb,
            verdict(memory.peak_mb, goal),
            memory.outcome,
            memory.seconds
        );
    }
    text += "\n`run --in` holds each post's sound, 1.9 MB a minute, so it grows with the length of the session; `rehearse` \
            and a live `run` do not.\n\n";
    let again = &sessions.heard_again;
    let an_hour_s = again.wall_s / again.sound_s * 3_600.0;
    let _ = write!(
        text,
        "`relisten` of a rehearsal in fan noise at 15 dB, both ears, two microphones, {} times over ({:.0} s of sound): {:.0} s of \
         wall time on all cores, {an_hour_s:.0} s an hour (goal {GOAL_HOUR_S:.0}: {}), and {:.0} MB.\n\n",
        again.sessions,
        again.sound_s,
        again.wall_s,
        verdict(an_hour_s, GOAL_HOUR_S),
        again.peak_mb
    );
    text
}

fn accuracy(measured: &Measured) -> String {
    let prompts = &measured.prompts;
    let mut text = format!(
        "## Accuracy beside plain PocketSphinx\n\n\
         Both programs heard the same clips in the same run. PocketSphinx is Debian's `pocketsphinx_batch` with its own \
         English model and dictionary and a JSGF grammar of the same phrases, nothing else: no tuning, no garbage model, \
         no rejection, which it does not offer with a plain grammar. That is how one would begin with it, not the best \
         it can do. Antiphon is `antiphon hear` as it is, decoys and thresholds included; recordings \
         of the same speaker may be among those its thresholds were set on. CPU time \
         is user and system time of the whole process, loading included. In brackets: Wilson's 95 % interval, %.\n\n\
         ### {} prompts as phrases, {} as chatter\n\n\
         One woman, telephone prompts (CC-BY-SA-3.0), {:.0} s. The phrases were chosen by seed {SEED} among prompts of \
         three to six words that both dictionaries know. Left out: {} with the same words as a phrase, {} longer than \
         {LONGEST_S:.0} s. {} of the chatter hold a phrase and more words around it, and many share words with one: \
         this chatter is harder than talk about something else.\n\n",
        prompts.task.phrases.len(),
        prompts.task.clips.len() - prompts.task.phrases.len(),
        prompts.task.seconds,
        prompts.same_words,
        prompts.too_long,
        prompts.holds_a_phrase,
    );
    text += &table(&measured.prompt_tallies);
    for (name, tally) in &measured.prompt_tallies {
        text += &mistakes(name, tally);
    }
    let _ = write!(text, "The phrases: {}.\n\n", prompts.task.phrases.join("; "));
    let _ = write!(
        text,
        "### Five playing-card sentences of other speakers\n\n\
         The recordings of PocketSphinx's own test data, {:.0} s. Its grammar has over a million sentences; both \
         programs got {} of them: the five said, and every one that differs from one of those in one word. The last row \
         is PocketSphinx with the whole grammar, as its authors ship it.\n\n",
        measured.cards.seconds,
        measured.cards.phrases.len(),
    );
    text += &table(&measured.card_tallies);
    text += "Five clips show that it works, and no more.\n";
    text
}

fn table(tallies: &[(&'static str, Tally)]) -> String {
    let mut text = String::from(
        "| program | right | asked again | missed | wrong phrase accepted | chatter accepted | chatter asked about \
         | CPU s per s of sound |\n|---|---|---|---|---|---|---|---|\n",
    );
    for (name, tally) in tallies {
        let said = |hits| share(hits, tally.said);
        let chatter = |hits| share(hits, tally.chatter);
        let _ = writeln!(
            text,
            "| {name} | {} | {} | {} | {} | {} | {} | {:.3} ({:.1} s) |",
            said(tally.right),
            said(tally.asked_again),
            said(tally.missed),
            said(tally.wrong),
            chatter(tally.chatter_accepted),
            chatter(tally.chatter_asked),
            tally.cpu_share,
            tally.cpu_s,
        );
    }
    text.push('\n');
    text
}

/// `38 of 40 (83.5-98.6)`.
fn share(hits: usize, trials: usize) -> String {
    if trials == 0 {
        return "-".to_string();
    }
    let (low, high) = wilson95(hits, trials);
    format!("{hits} of {trials} ({:.1}-{:.1})", 100.0 * low, 100.0 * high)
}

/// The first few mistakes, so that they can be listened to.
fn mistakes(name: &str, tally: &Tally) -> String {
    const FEW: usize = 8;
    if tally.mistakes.is_empty() {
        return format!("{name}: nothing was taken for a phrase that was not said.\n\n");
    }
    let more = match tally.mistakes.len().saturating_sub(FEW) {
        0 => String::new(),
        more => format!(", and {more} more"),
    };
    let first: Vec<&str> = tally.mistakes.iter().take(FEW).map(String::as_str).collect();
    format!("{name}: {}{more}.\n\n", first.join("; "))
}
