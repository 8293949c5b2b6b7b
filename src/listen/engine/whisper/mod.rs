//! The second ear: a network that writes down speech, asked how probable it is that exactly a phrase was said.
//!
//! Owns the network, on a thread of its own that all listeners share, and what is asked of it. It is never asked to
//! transcribe: where nobody speaks, it is known to invent text. Must not decide anything.

mod graph;
mod mel;
mod net;
mod text;
mod weigh;
mod weights;

pub use graph::Precision;
pub use net::Window;

use super::{Alike, Asked, Candidate, Engine, EngineError, Fit, Kind, Scores, Weighed, WordProblem};
use crate::files::{self, Links};
use crate::models::{self, Asset};
use crossbeam_channel::{bounded, unbounded, Receiver, Sender};
use net::Net;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap};
use std::io::Read;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::Arc;
use text::Text;
use weights::Weights;

/// The sum of the weights' file, as `models/setup.sh` joins it: other weights would be weighed by bars that are not theirs.
const WEIGHTS_SHA256: &str = "d01c3014881c9c6f3133c182f3d2887eb6ca1c789a7538c5c007196857a0a6a9";
/// Silence behind the sound, frames of 10 ms: with less, clean phrases lose weight (docs/listening.md).
const SILENCE: usize = 60;
/// Longer utterances are not weighed, samples: no phrase takes 10 s, and the network's window is 30 s.
const LONGEST: usize = 10 * 16_000;

/// How the network is run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Options {
    pub precision: Precision,
    pub window: Window,
    /// That weigh texts.
    pub threads: usize,
}

impl Default for Options {
    fn default() -> Self {
        Options { precision: Precision::Eight, window: Window::Silence(SILENCE), threads: 2 }
    }
}

/// One listener's end of the second ear. All ends share one network and its thread, which ends with the last of them.
pub struct WhisperEngine {
    id: u64,
    orders: Sender<Order>,
    ids: Arc<AtomicU64>,
    candidates: Vec<Candidate>,
}

enum Order {
    /// Listen to this for the end with this number; what it had before is forgotten.
    Listen {
        id: u64,
        samples: Vec<f32>,
        context: String,
    },
    Weigh {
        id: u64,
        asked: Asked,
        reply: Sender<Result<Weighed, String>>,
    },
    Forget {
        id: u64,
    },
}

impl WhisperEngine {
    /// Loads the network for a language (the first part of a BCP 47 tag) from where `models/setup.sh` put it. Takes about
    /// half a second.
    pub fn load(language: &str, options: Options) -> Result<WhisperEngine, EngineError> {
        let weights = models::find(Asset::WhisperWeights)?;
        let tokens = models::find(Asset::WhisperTokens)?;
        check_sum(&weights).map_err(|why| cannot_load(&weights, why))?;
        let text = Text::load(&tokens, language).map_err(|why| cannot_load(&tokens, why))?;
        let read = Weights::open(&weights).map_err(|why| cannot_load(&weights, why))?;
        let net =
            Net::load(&read, options.precision, options.threads).map_err(|why| cannot_load(&weights, why))?;
        let (orders, inbox) = unbounded();
        let worker = Worker { net, text, window: options.window, heard: HashMap::new() };
        std::thread::spawn(move || worker.run(&inbox));
        Ok(WhisperEngine { id: 0, orders, ids: Arc::new(AtomicU64::new(1)), candidates: Vec::new() })
    }

    /// Another end, for another listener.
    pub fn another(&self) -> WhisperEngine {
        let id = self.ids.fetch_add(1, Ordering::Relaxed);
        WhisperEngine { id, orders: self.orders.clone(), ids: Arc::clone(&self.ids), candidates: Vec::new() }
    }

    fn gone() -> EngineError {
        EngineError::Failed("the second ear's thread has ended".into())
    }
}

impl Drop for WhisperEngine {
    fn drop(&mut self) {
        // A worker that is gone has nothing to forget.
        let _ = self.orders.send(Order::Forget { id: self.id });
    }
}

struct Worker {
    net: Net,
    text: Text,
    window: Window,
    heard: HashMap<u64, Result<weigh::Begun, String>>,
}

impl Worker {
    fn run(mut self, orders: &Receiver<Order>) {
        for order in orders {
            match order {
                Order::Listen { id, samples, context } => {
                    let begun = self
                        .net
                        .listen(&samples, self.window)
                        .and_then(|sound| weigh::begin(&mut self.net, &mut self.text, sound, context));
                    self.heard.insert(id, begun);
                }
                Order::Weigh { id, asked, reply } => {
                    let weighed = match self.heard.get(&id) {
                        Some(Ok(begun)) => weigh::weigh(&mut self.net, &mut self.text, begun, &asked),
                        Some(Err(why)) => Err(why.clone()),
                        None => Err("nothing was heard".into()),
                    };
                    // Whoever asked may have gone.
                    let _ = reply.send(weighed);
                }
                Order::Forget { id } => {
                    self.heard.remove(&id);
                }
            }
        }
    }
}

fn check_sum(path: &Path) -> Result<(), String> {
    let mut file = files::open(path, Links::Follow).map_err(|error| error.to_string())?;
    let mut sum = Sha256::new();
    let mut piece = vec![0u8; 1 << 20];
    loop {
        match file.read(&mut piece).map_err(|error| error.to_string())? {
            0 => break,
            count => sum.update(&piece[..count]),
        }
    }
    let found: String = sum.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
    match found == WEIGHTS_SHA256 {
        true => Ok(()),
        false => Err(format!("it is not the file that was measured (SHA-256 begins {})", &found[..8])),
    }
}

fn cannot_load(path: &Path, why: String) -> EngineError {
    EngineError::Load { path: path.display().to_string(), why }
}

impl Engine for WhisperEngine {
    fn name(&self) -> &'static str {
        "whisper"
    }

    fn describe(&self) -> String {
        "Whisper base, weighing phrases (ONNX Runtime 1.32)".to_string()
    }

    /// Its tokens are bytes in the end: it has no word it could not weigh.
    fn check_word(&self, _: &str, _: &BTreeMap<String, Vec<Vec<String>>>) -> Result<(), WordProblem> {
        Ok(())
    }

    fn how_to_add(&self, word: &str) -> String {
        format!("write {word} in letters")
    }

    fn listen_for(
        &mut self,
        candidates: &[Candidate],
        _: &BTreeMap<String, Vec<Vec<String>>>,
    ) -> Result<(), EngineError> {
        self.candidates = candidates.to_vec();
        Ok(())
    }

    /// Weighs every candidate. Slow with many: beside another engine it is asked by `weigh`.
    fn hear(&mut self, samples: &[i16]) -> Result<Scores, EngineError> {
        self.begin(samples, "")?;
        let texts = |decoys: bool| {
            let wanted = move |candidate: &&Candidate| matches!(candidate.kind, Kind::Decoy(_)) == decoys;
            self.candidates.iter().filter(wanted).map(|candidate| candidate.text.clone())
        };
        let asked = Asked { phrases: texts(false).chain(texts(true)).collect(), ..Asked::default() };
        let weighed = self.weigh(&asked)?.unwrap_or_default();
        let of: HashMap<&String, f32> = asked.phrases.iter().zip(weighed.log_p.iter().copied()).collect();
        Ok(Scores {
            ratio: self.candidates.iter().map(|candidate| of[&candidate.text]).collect(),
            units: self.candidates.iter().map(|c| c.text.split(' ').count() as f32).collect(),
            free: weighed
                .rivals
                .iter()
                .find(|rival| rival.free)
                .map_or(String::new(), |rival| rival.text.clone()),
        })
    }

    fn hear_again(&mut self) -> Result<Option<Scores>, EngineError> {
        Ok(None)
    }

    fn fit(&self, _: usize) -> Option<Fit> {
        None
    }

    fn corrected(&mut self) -> Option<Scores> {
        None
    }

    fn alike(&mut self, _: usize) -> Option<Alike> {
        None
    }

    fn begin(&mut self, samples: &[i16], context: &str) -> Result<(), EngineError> {
        let samples =
            samples[..samples.len().min(LONGEST)].iter().map(|s| f32::from(*s) / 32_768.0).collect();
        let order = Order::Listen { id: self.id, samples, context: context.to_string() };
        self.orders.send(order).map_err(|_| WhisperEngine::gone())
    }

    fn weigh(&mut self, asked: &Asked) -> Result<Option<Weighed>, EngineError> {
        let (reply, answer) = bounded(1);
        let order = Order::Weigh { id: self.id, asked: asked.clone(), reply };
        self.orders.send(order).map_err(|_| WhisperEngine::gone())?;
        match answer.recv() {
            Ok(Ok(weighed)) => Ok(Some(weighed)),
            Ok(Err(why)) => Err(EngineError::Failed(format!("the second ear: {why}"))),
            Err(_) => Err(WhisperEngine::gone()),
        }
    }
}
