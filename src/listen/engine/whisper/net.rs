//! The network at work: sound to what texts are weighed against, and a growing tree of tokens weighed against it.
//!
//! Owns both halves of the network and the tree. Must not know which texts are weighed, or why.

use super::graph::{self, Precision, BEST, HEADS, LAYERS, WIDTH};
use super::mel::LogMel;
use super::weights::Weights;
use crate::onnx;
use half::f16;
use ort::session::{Session, SessionInputValue};
use ort::value::{Tensor, TensorRef};
use std::borrow::Cow;
use std::ops::Range;

/// Places of the network's whole window of 30 s, 20 ms each; a frame of the spectrogram is half a place.
const MOST_PLACES: usize = 1_500;
/// Tokens of a text at most, those in front included.
const MOST_TOKENS: usize = 448;
const CLOSED: f32 = -1e9;

/// How much silence the network is given behind the sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Window {
    /// So many frames of 10 ms.
    Silence(usize),
    /// All 30 s, of which only the first second after the sound is looked at: the reference to compare with.
    Whole,
}

pub struct Net {
    encoder: Session,
    decoder: Session,
    mel: LogMel,
    sound_places: Vec<f32>,
    text_places: Vec<f32>,
    embeddings: Vec<f16>,
}

/// One utterance, ready to be weighed against: for each layer keys (heads x width of a head x places) and values (heads x
/// places x width of a head).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Sound {
    keys: Vec<Vec<f32>>,
    values: Vec<Vec<f32>>,
    places: usize,
}

impl Net {
    /// `threads` weigh texts; the sound is taken in by one.
    pub fn load(weights: &Weights, precision: Precision, threads: usize) -> Result<Net, String> {
        let session = |model: Result<Vec<u8>, String>, threads: usize| {
            onnx::session(&model?, threads).map_err(|error| error.to_string())
        };
        Ok(Net {
            // The first ear is at work meanwhile, on the other core.
            encoder: session(graph::encoder(weights, precision), 1)?,
            decoder: session(graph::decoder(weights, precision), threads)?,
            mel: LogMel::default(),
            sound_places: weights.numbers("encoder/position_encodings/encodings")?.values,
            text_places: weights.numbers("decoder/position_encodings/encodings")?.values,
            embeddings: weights.halves("decoder/embeddings/weight")?,
        })
    }

    /// Mono sound at 16 kHz in full-scale units. More than 30 s are cut off.
    pub fn listen(&mut self, samples: &[f32], window: Window) -> Result<Sound, String> {
        let mel = self.mel.of(samples);
        let (places, kept) = match window {
            Window::Silence(more) => {
                let places = (mel.frames + more).div_ceil(2).clamp(1, MOST_PLACES);
                (places, places)
            }
            Window::Whole => (MOST_PLACES, (mel.frames / 2 + 50).min(MOST_PLACES)),
        };
        let mel = mel.of_frames(2 * places);
        let mel = tensor([1, super::mel::BANDS, 2 * places], mel.values)?;
        let at = tensor([places, WIDTH], self.sound_places[..places * WIDTH].to_vec())?;
        let rows = indices(0..kept)?;
        let inputs = ort::inputs!["mel" => mel, "places" => at, "kept" => rows];
        let outputs = self.encoder.run(inputs).map_err(text_of)?;
        let layers = |name: &str| {
            let layer = |layer: usize| {
                let output = &outputs[format!("{name}{layer}")];
                Ok(output.try_extract_tensor::<f32>().map_err(text_of)?.1.to_vec())
            };
            (0..LAYERS).map(layer).collect::<Result<Vec<_>, String>>()
        };
        Ok(Sound { keys: layers("sound_keys")?, values: layers("sound_values")?, places: kept })
    }
}

/// Tokens and what the network makes of each in its place. The first has no parent.
pub struct Tree<'a> {
    net: &'a mut Net,
    sound: &'a Sound,
    grown: Grown,
}

/// What a tree consists of: it is kept between one use of the network and the next.
#[derive(Debug, Clone)]
pub struct Grown {
    nodes: Vec<Node>,
    hidden: Vec<f32>,
    /// Of all nodes, behind one row that nobody sees: the runtime takes no empty array.
    keys: Vec<Vec<f32>>,
    values: Vec<Vec<f32>>,
}

#[derive(Debug, Clone)]
pub struct Node {
    pub token: u32,
    pub parent: Option<usize>,
    depth: usize,
    /// Log-probability of all tokens down to this one, given the first ones that `begin` put in.
    pub log_p: f32,
    /// Log of the sum over all next tokens.
    total: f32,
    /// The likeliest next tokens and their log-probabilities, best first.
    pub next: Vec<(u32, f32)>,
}

impl<'a> Tree<'a> {
    /// With these tokens, whose probability does not count.
    pub fn begin(net: &'a mut Net, sound: &'a Sound, tokens: &[u32]) -> Result<Tree<'a>, String> {
        let bare = || vec![vec![0.0; WIDTH]; LAYERS];
        let grown = Grown { nodes: Vec::new(), hidden: Vec::new(), keys: bare(), values: bare() };
        let mut tree = Tree::on(net, sound, grown);
        let chain: Vec<(u32, Option<usize>)> =
            tokens.iter().enumerate().map(|(at, token)| (*token, at.checked_sub(1))).collect();
        // Nobody asks what might have come after the first ones.
        tree.grow_from(&chain, tokens.len().saturating_sub(1))?;
        tree.grown.nodes.iter_mut().for_each(|node| node.log_p = 0.0);
        Ok(tree)
    }

    /// Goes on with one that was grown against the same sound.
    pub fn on(net: &'a mut Net, sound: &'a Sound, grown: Grown) -> Tree<'a> {
        Tree { net, sound, grown }
    }

    pub fn into_grown(self) -> Grown {
        self.grown
    }

    pub fn node(&self, at: usize) -> &Node {
        &self.grown.nodes[at]
    }

    pub fn len(&self) -> usize {
        self.grown.nodes.len()
    }

    /// Log-probability of a token after a node.
    pub fn next(&self, at: usize, token: u32) -> f32 {
        let hidden = &self.grown.hidden[at * WIDTH..(at + 1) * WIDTH];
        let row = &self.net.embeddings[token as usize * WIDTH..(token as usize + 1) * WIDTH];
        let score: f32 = hidden.iter().zip(row).map(|(a, b)| a * b.to_f32()).sum();
        score - self.grown.nodes[at].total
    }

    /// The tokens from the first to this node.
    pub fn path(&self, at: usize) -> Vec<u32> {
        let mut tokens: Vec<u32> = std::iter::successors(Some(at), |at| self.grown.nodes[*at].parent)
            .map(|at| self.grown.nodes[at].token)
            .collect();
        tokens.reverse();
        tokens
    }

    /// Puts tokens in, each after its parent, which may be one put in before it in the same call: all are weighed in one
    /// run of the network, each against its own ancestors only.
    pub fn grow(&mut self, new: &[(u32, Option<usize>)]) -> Result<(), String> {
        self.grow_from(new, 0)
    }

    /// The same; what comes next is known of all but so many of the first.
    fn grow_from(&mut self, new: &[(u32, Option<usize>)], skipped: usize) -> Result<(), String> {
        if new.is_empty() {
            return Ok(());
        }
        let before = self.grown.nodes.len();
        let all = before + new.len();
        let mut x = Vec::with_capacity(new.len() * WIDTH);
        let mut mask = vec![CLOSED; new.len() * (all + 1)];
        for (row, (token, parent)) in new.iter().enumerate() {
            let depth = parent.map_or(0, |parent| self.grown.nodes[parent].depth + 1);
            if depth >= MOST_TOKENS {
                return Err(format!("a text of more than {MOST_TOKENS} tokens"));
            }
            let node =
                Node { token: *token, parent: *parent, depth, log_p: 0.0, total: 0.0, next: Vec::new() };
            self.grown.nodes.push(node);
            let embedding = &self.net.embeddings[*token as usize * WIDTH..(*token as usize + 1) * WIDTH];
            let place = &self.net.text_places[depth * WIDTH..(depth + 1) * WIDTH];
            x.extend(embedding.iter().zip(place).map(|(a, b)| a.to_f32() + b));
            for seen in std::iter::successors(Some(before + row), |at| self.grown.nodes[*at].parent) {
                mask[row * (all + 1) + seen + 1] = 0.0;
            }
        }
        self.run(x, mask, before, new.len(), skipped)?;
        for at in before..all {
            let Node { token, parent, .. } = self.grown.nodes[at];
            self.grown.nodes[at].log_p =
                parent.map_or(0.0, |parent| self.grown.nodes[parent].log_p + self.next(parent, token));
        }
        Ok(())
    }

    fn run(
        &mut self,
        x: Vec<f32>,
        mask: Vec<f32>,
        before: usize,
        new: usize,
        skipped: usize,
    ) -> Result<(), String> {
        let rows = indices(skipped..new)?;
        let mut inputs: Vec<(Cow<str>, SessionInputValue)> = vec![
            ("rows".into(), rows.into()),
            ("x".into(), tensor([new, WIDTH], x)?.into()),
            ("mask".into(), tensor([new, before + 1 + new], mask)?.into()),
        ];
        let (head, places) = (WIDTH / HEADS, self.sound.places);
        for layer in 0..LAYERS {
            let named = |name: &str| Cow::Owned(format!("{name}{layer}"));
            let sound_keys = view([HEADS, head, places], &self.sound.keys[layer])?;
            let sound_values = view([HEADS, places, head], &self.sound.values[layer])?;
            inputs.push((named("sound_keys"), sound_keys.into()));
            inputs.push((named("sound_values"), sound_values.into()));
            inputs.push((
                named("keys"),
                tensor([before + 1, WIDTH], std::mem::take(&mut self.grown.keys[layer]))?.into(),
            ));
            inputs.push((
                named("values"),
                tensor([before + 1, WIDTH], std::mem::take(&mut self.grown.values[layer]))?.into(),
            ));
        }
        let outputs = self.net.decoder.run(inputs).map_err(text_of)?;
        let floats = |name: &str| {
            let (_, values) = outputs[name].try_extract_tensor::<f32>().map_err(text_of)?;
            Ok::<Vec<f32>, String>(values.to_vec())
        };
        self.grown.hidden.resize((before + skipped) * WIDTH, 0.0);
        self.grown.hidden.extend(floats("hidden")?);
        let (peaks, scores) = (floats("peak")?, floats("scores")?);
        let (_, best) = outputs["best"].try_extract_tensor::<i64>().map_err(text_of)?;
        for (row, node) in self.grown.nodes[before + skipped..].iter_mut().enumerate() {
            let at = row * BEST..(row + 1) * BEST;
            node.total = scores[at.start] - peaks[row];
            let next = best[at.clone()].iter().zip(&scores[at]);
            node.next = next.map(|(token, score)| (*token as u32, score - node.total)).collect();
        }
        for layer in 0..LAYERS {
            self.grown.keys[layer] = floats(&format!("all_keys{layer}"))?;
            self.grown.values[layer] = floats(&format!("all_values{layer}"))?;
        }
        Ok(())
    }
}

fn tensor<const N: usize>(shape: [usize; N], values: Vec<f32>) -> Result<Tensor<f32>, String> {
    Tensor::from_array((shape, values)).map_err(text_of)
}

/// Of values that stay where they are.
fn view<const N: usize>(shape: [usize; N], values: &[f32]) -> Result<TensorRef<'_, f32>, String> {
    TensorRef::from_array_view((shape, values)).map_err(text_of)
}

fn indices(of: Range<usize>) -> Result<Tensor<i64>, String> {
    Tensor::from_array(([of.len()], of.map(|at| at as i64).collect::<Vec<_>>())).map_err(text_of)
}

fn text_of(error: ort::Error) -> String {
    error.to_string()
}
