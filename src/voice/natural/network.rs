//! The network that speaks: tokens and a voice's style in, sound out.
//!
//! Owns the sessions of the process, loaded when they are first wanted: one for each thread that speaks at the same time.
//! Must not know texts.

use super::kept::LARGEST_STYLE;
use super::phonemes::MOST;
use crate::files::{self, Links};
use crate::models::{self, Asset};
use crate::onnx::{self, OnnxError};
use crate::voice::VoiceError;
use ort::session::Session;
use ort::value::Tensor;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

/// Sample rate of what comes out, Hz.
pub const RATE_OUT: u32 = 24_000;
/// Numbers of one style.
const STYLE: usize = 256;

/// Threads of a session; 0: one a core.
static THREADS: AtomicUsize = AtomicUsize::new(0);
/// Sessions that nobody speaks with just now.
static IDLE: Mutex<Vec<Session>> = Mutex::new(Vec::new());

/// By how many threads a session is run that is loaded from now on. One thread is best where several speak at the same
/// time: two threads in one session make a phrase hardly faster.
pub fn use_threads(count: usize) {
    THREADS.store(count, Ordering::Relaxed);
}

/// What the network makes of up to [`MOST`] tokens in the style of the voice in this file; `pace` 1 is the voice's own.
pub fn speak(tokens: &[i64], voice: &Path, pace: f32) -> Result<Vec<f32>, VoiceError> {
    let style = style(voice, tokens.len())?;
    let edge = std::iter::once(0);
    let framed: Vec<i64> = edge.clone().chain(tokens.iter().copied().take(MOST)).chain(edge).collect();
    let mut session = session()?;
    let run = || -> Result<Vec<f32>, OnnxError> {
        let inputs = ort::inputs![
            "tokens" => Tensor::from_array(([1, framed.len()], framed))?,
            "style" => Tensor::from_array(([1, STYLE], style))?,
            "speed" => Tensor::from_array(([1], vec![pace]))?,
        ];
        let outputs = session.run(inputs)?;
        let (_, sound) = outputs["audio"].try_extract_tensor::<f32>()?;
        Ok(sound.to_vec())
    };
    let sound = run().map_err(VoiceError::Network)?;
    idle(session);
    if sound.iter().all(|sample| sample.is_finite()) {
        Ok(sound)
    } else {
        Err(VoiceError::Network(OnnxError::Failed("its sound is not made of numbers".into())))
    }
}

/// Loads the network now rather than with its first words.
pub fn load() -> Result<(), VoiceError> {
    session().map(idle)
}

/// A session for the caller alone.
fn session() -> Result<Session, VoiceError> {
    if let Some(session) = IDLE.lock().unwrap_or_else(PoisonError::into_inner).pop() {
        return Ok(session);
    }
    let threads = match THREADS.load(Ordering::Relaxed) {
        0 => std::thread::available_parallelism().map_or(1, usize::from),
        count => count,
    };
    let file = models::find(Asset::KokoroWeights)?;
    onnx::session_of(&file, threads).map_err(VoiceError::Network)
}

/// Puts a session back for whoever speaks next.
fn idle(session: Session) {
    IDLE.lock().unwrap_or_else(PoisonError::into_inner).push(session);
}

/// The style for a text of so many tokens: a voice has a row of 256 little-endian floats for each length.
fn style(voice: &Path, tokens: usize) -> Result<Vec<f32>, VoiceError> {
    let unusable = |why: String| VoiceError::Unknown {
        voice: format!("{}", voice.file_name().unwrap_or_default().to_string_lossy()),
        fix: format!("the file is unusable ({why}); run `models/setup.sh --voices` again"),
    };
    let bytes =
        files::read(voice, Links::Follow, LARGEST_STYLE).map_err(|error| unusable(error.to_string()))?;
    if bytes.len() != MOST * STYLE * 4 {
        return Err(unusable(format!("{} bytes instead of {}", bytes.len(), MOST * STYLE * 4)));
    }
    let row = (tokens.clamp(1, MOST) - 1) * STYLE * 4;
    let floats = bytes[row..row + STYLE * 4].chunks_exact(4);
    Ok(floats.map(|bytes| f32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])).collect())
}
