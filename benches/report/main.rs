//! Measures speed, memory and a first accuracy side by side in one run and writes docs/performance.md.
//!
//! `cargo bench --bench report`, in the project's folder. Linux only (it reads /proc). Needs what `models/setup.sh`
//! fetches, and: apt-get install ffmpeg flite pocketsphinx pocketsphinx-en-us pocketsphinx-testdata
//! asterisk-core-sounds-en asterisk-core-sounds-en-g722

mod accuracy;
mod page;
mod process;
mod sessions;
mod speed;
#[path = "../support/mod.rs"]
mod support;
mod tasks;

use page::Measured;
use std::path::Path;
use std::process::ExitCode;

const PAGE: &str = "docs/performance.md";

fn main() -> ExitCode {
    // `cargo test --benches` calls every benchmark without `--bench`, to see that it starts; this one takes minutes.
    if !std::env::args().any(|argument| argument == "--bench") {
        println!("not measuring: say `cargo bench --bench report`");
        return ExitCode::SUCCESS;
    }
    match measure().and_then(|measured| page::page(&measured)) {
        Ok(page) => {
            print!("{page}");
            match std::fs::write(PAGE, page) {
                Ok(()) => ExitCode::SUCCESS,
                Err(error) => failed(&format!("{PAGE}: {error}")),
            }
        }
        Err(why) => failed(&why),
    }
}

fn failed(why: &str) -> ExitCode {
    eprintln!("report: {why}");
    ExitCode::FAILURE
}

fn measure() -> Result<Measured, String> {
    let program = Path::new(env!("CARGO_BIN_EXE_antiphon"));
    let folder = tempfile::tempdir().map_err(|error| format!("no temporary folder: {error}"))?;
    let folder = folder.path();
    eprintln!("decoding the recordings");
    let prompts = tasks::prompts(folder)?;
    let cards = tasks::cards()?;
    eprintln!("speed of listening");
    let speed = speed::measure(&prompts.task.phrases, &prompts.spoken)?;
    eprintln!("{} prompts, antiphon and pocketsphinx in turn", prompts.task.clips.len());
    let prompt_tallies = vec![
        ("Antiphon", prompts.task.antiphon(program, folder)?),
        ("PocketSphinx", prompts.task.pocketsphinx(folder)?),
    ];
    eprintln!("cards");
    let grammar = Path::new(tasks::CARDS).join("cards.gram");
    let card_tallies = vec![
        ("Antiphon", cards.antiphon(program, folder)?),
        ("PocketSphinx", cards.pocketsphinx(folder)?),
        ("PocketSphinx, whole grammar", cards.pocketsphinx_with(&grammar, folder)?),
    ];
    eprintln!("sessions");
    let sessions = sessions::measure(program, folder)?;
    Ok(Measured { speed, sessions, prompts, prompt_tallies, cards, card_tallies })
}
