//! Speed of listening: loading, choosing what to listen for, the network, the scoring, and the whole of one utterance.
//!
//! `cargo bench --bench listening`. Needs what `models/setup.sh` fetches, ffmpeg, asterisk-core-sounds-en and
//! asterisk-core-sounds-en-g722. Times are wall time: see `--bench report` for CPU time.

mod support;

use antiphon::audio::wav;
use antiphon::listen::engine::phones::PhonesEngine;
use antiphon::listen::engine::Engine;
use criterion::{criterion_group, criterion_main, Criterion};
use std::collections::BTreeMap;
use std::hint::black_box;
use support::prompts;

const PHRASES: usize = 40;
const SEED: u64 = 1;
/// Two seconds at 16 kHz.
const UTTERANCE: usize = 32_000;

struct Prepared {
    engine: PhonesEngine,
    phrases: Vec<String>,
    utterance: Vec<i16>,
}

/// The engine, 40 phrases, and two seconds of somebody saying one of them.
fn prepare() -> Result<Prepared, String> {
    let engine = PhonesEngine::load().map_err(|error| error.to_string())?;
    let given = BTreeMap::new();
    let chosen = prompts::choose(&prompts::all()?, PHRASES, SEED, |w| engine.check_word(w, &given).is_ok())?;
    let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
    let mut clips = Vec::new();
    for file in prompts::decode(&chosen, folder.path())? {
        clips.push(wav::read(&file.display().to_string()).map_err(|error| error.to_string())?.samples);
    }
    let mut utterance =
        clips.into_iter().min_by_key(|clip| clip.len().abs_diff(UTTERANCE)).ok_or("no clip was decoded")?;
    utterance.resize(UTTERANCE, 0);
    let phrases = chosen.into_iter().filter_map(|prompt| prompt.words).collect();
    Ok(Prepared { engine, phrases, utterance })
}

fn listening(criterion: &mut Criterion) {
    let Prepared { mut engine, phrases, utterance } = match prepare() {
        Ok(prepared) => prepared,
        Err(why) => panic!("can't measure: {why}"),
    };
    let given = BTreeMap::new();
    let candidates = support::candidates(&phrases, &engine);
    let seconds = utterance.len() as f64 / 16_000.0;
    println!("{} phrases, {} candidates with decoys, {seconds} s of speech", phrases.len(), candidates.len());

    let mut group = criterion.benchmark_group("listening");
    group.sample_size(20);
    group.bench_function("load the engine", |b| b.iter(|| black_box(PhonesEngine::load().is_ok())));
    group.bench_function("choose what to listen for", |b| {
        b.iter(|| black_box(engine.listen_for(&candidates, &given).is_ok()));
    });
    group.bench_function("network, 2 s", |b| b.iter(|| black_box(engine.emit(&utterance).is_ok())));
    group.bench_function("scoring, 2 s", |b| b.iter(|| black_box(engine.score())));
    group.bench_function("hear, 2 s", |b| b.iter(|| black_box(engine.hear(&utterance).is_ok())));
    group.finish();
}

criterion_group!(benches, listening);
criterion_main!(benches);
