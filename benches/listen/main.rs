//! Measures how well it hears, side by side in one run, and writes docs/listening.md: `make bench-listen`.
//!
//! `cargo bench --bench listen -- --only clean` measures one condition and writes no page (several: `--only` for each). `--silence FRAMES` gives the second ear
//! so much silence behind the sound, 10 ms each, instead of what is shipped.
//! `cargo bench --bench listen -- --tune FILE` writes instead the evidence of every utterance of the tuning half, a JSON
//! line each, for `benches/listen/fit.py` (with `--phones`: of the first ear alone); `-- --confuse` writes what `antiphon lint` works with. Needs what `models/setup.sh --test --bench` installs.

#[path = "../report/accuracy.rs"]
#[allow(dead_code, reason = "the other benchmark uses all of it")]
mod accuracy;
mod condition;
mod confuse;
mod corpus;
mod crowd;
mod curve;
mod foreign;
mod hear;
mod natural;
mod near;
mod page;
mod peer;
mod people;
#[path = "../report/process.rs"]
#[allow(dead_code, reason = "the other benchmark watches memory too")]
mod process;
mod refused;
#[path = "../support/mod.rs"]
#[allow(dead_code, reason = "the other benchmarks use the rest")]
mod support;
mod targets;
mod tune;

use indicatif::{ProgressBar, ProgressStyle};
use std::process::ExitCode;

/// Chooses phrases, groups, near-misses and noise. The same seed, the same run.
pub const SEED: u64 = 20_261_126;
const PAGE: &str = "docs/listening.md";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    // `cargo test --benches` calls every benchmark without `--bench`, to see that it starts; this one takes minutes.
    if !arguments.iter().any(|argument| argument == "--bench") {
        println!("not measuring: say `cargo bench --bench listen`");
        return ExitCode::SUCCESS;
    }
    let tune = arguments.iter().position(|argument| argument == "--tune").map(|at| arguments.get(at + 1));
    let only: Vec<&str> =
        arguments.windows(2).filter_map(|pair| (pair[0] == "--only").then_some(pair[1].as_str())).collect();
    let silence =
        arguments.windows(2).find(|pair| pair[0] == "--silence").and_then(|pair| pair[1].parse().ok());
    if let Some(frames) = silence {
        hear::use_silence(frames);
    }
    let confuse = arguments.iter().any(|argument| argument == "--confuse");
    let done = match tune {
        None if confuse => confuse::write(),
        Some(Some(file)) if arguments.iter().any(|argument| argument == "--phones") => {
            tune::write(file, hear::Ears::Phones, &only)
        }
        Some(Some(file)) => tune::write(file, hear::Ears::Both, &only),
        Some(None) => Err("--tune FILE".to_string()),
        None => page::measure(&only).and_then(|page| {
            print!("{page}");
            if only.is_empty() {
                std::fs::write(PAGE, page).map_err(|error| format!("{PAGE}: {error}"))?;
            }
            Ok(())
        }),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("listen: {why}");
            ExitCode::FAILURE
        }
    }
}

fn progress(name: &str, clips: usize) -> ProgressBar {
    let style = ProgressStyle::with_template("{msg:24} {bar:40} {pos}/{len} {eta}")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(clips as u64).with_style(style).with_message(name.to_string())
}
