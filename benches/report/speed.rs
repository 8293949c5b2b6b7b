//! CPU time of the parts of listening, measured inside this process.

use super::process::thread_cpu_s;
use crate::support;
use antiphon::audio::wav;
use antiphon::listen::engine::phones::PhonesEngine;
use antiphon::listen::engine::{Engine, Scores};
use antiphon::listen::segment::{Limits, Segmenter};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Each measurement is repeated this often; the least counts, since other programs only ever add.
const REPEATS: usize = 5;

/// ms of one core per second of sound, except where said.
pub struct Speed {
    pub phrases: usize,
    pub candidates: usize,
    pub speech_s: f64,
    pub network: f64,
    pub scoring: f64,
    /// The closer look at the best phrase: where it lies, and words alike.
    pub look: f64,
    pub hear: f64,
    pub speech_detector: f64,
    /// ms each time other phrases count.
    pub listen_for_ms: f64,
    /// ms once.
    pub load_ms: f64,
}

/// Something done to one clip.
type Work<'a> = dyn FnMut(&mut PhonesEngine, &[i16]) -> Result<(), String> + 'a;

pub fn measure(phrases: &[String], files: &[PathBuf]) -> Result<Speed, String> {
    let text = |error: &dyn std::fmt::Display| error.to_string();
    let load_ms = 1_000.0 * least(&mut || PhonesEngine::load().map(drop).map_err(|e| text(&e)))?;
    let mut engine = PhonesEngine::load().map_err(|e| text(&e))?;
    let candidates = support::candidates(phrases, &engine);
    let given = BTreeMap::new();
    let listen_for_ms =
        1_000.0 * least(&mut || engine.listen_for(&candidates, &given).map_err(|e| text(&e)))?;
    let mut clips = Vec::new();
    for file in files {
        clips.push(wav::read(&file.display().to_string()).map_err(|e| text(&e))?.samples);
    }
    let speech_s = clips.iter().map(Vec::len).sum::<usize>() as f64 / 16_000.0;
    let mut all = |work: &mut Work| {
        least(&mut || clips.iter().try_for_each(|clip| work(&mut engine, clip)))
            .map(|seconds| 1_000.0 * seconds / speech_s)
    };
    let network = all(&mut |engine, clip| engine.emit(clip).map_err(|e| text(&e)))?;
    let hear = all(&mut |engine, clip| {
        let scores = engine.hear(clip).map_err(|e| text(&e))?;
        look(engine, &scores);
        Ok(())
    })?;
    let speech_detector = all(&mut |_, clip| {
        let mut segmenter = Segmenter::new(Limits::default());
        segmenter.push(clip, &mut |_| false);
        Ok(())
    })?;
    Ok(Speed {
        phrases: phrases.len(),
        candidates: candidates.len(),
        speech_s,
        network,
        scoring: scoring(&mut engine, &clips, speech_s)?,
        look: looking(&mut engine, &clips, speech_s)?,
        hear,
        speech_detector,
        listen_for_ms,
        load_ms,
    })
}

/// The scoring of every clip, each directly after its network run, whose time is left out.
fn scoring(engine: &mut PhonesEngine, clips: &[Vec<i16>], speech_s: f64) -> Result<f64, String> {
    let mut sum = 0.0;
    for clip in clips {
        engine.emit(clip).map_err(|error| error.to_string())?;
        sum += least(&mut || {
            std::hint::black_box(engine.score());
            Ok(())
        })?;
    }
    Ok(1_000.0 * sum / speech_s)
}

/// What the acceptor asks for once a phrase may have been said.
fn look(engine: &mut PhonesEngine, scores: &Scores) {
    let phrase = (0..scores.ratio.len()).max_by(|a, b| scores.ratio[*a].total_cmp(&scores.ratio[*b]));
    if let Some(phrase) = phrase {
        std::hint::black_box((engine.fit(phrase), engine.alike(phrase), engine.corrected()));
    }
}

/// The closer look at every clip, after its scoring, whose time is left out.
fn looking(engine: &mut PhonesEngine, clips: &[Vec<i16>], speech_s: f64) -> Result<f64, String> {
    let mut sum = 0.0;
    for clip in clips {
        let scores = engine.hear(clip).map_err(|error| error.to_string())?;
        sum += least(&mut || {
            look(engine, &scores);
            Ok(())
        })?;
    }
    Ok(1_000.0 * sum / speech_s)
}

/// Least CPU time of several runs, s.
fn least(work: &mut dyn FnMut() -> Result<(), String>) -> Result<f64, String> {
    let mut least = f64::INFINITY;
    for _ in 0..REPEATS {
        let before = thread_cpu_s();
        work()?;
        least = least.min(thread_cpu_s() - before);
    }
    Ok(least)
}
