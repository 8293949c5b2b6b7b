//! The network as two ONNX models: one turns a spectrogram into what the text is weighed against, the other weighs texts.
//!
//! Owns the architecture (Whisper base: 6 + 6 layers of 512, 8 heads; Radford et al. 2022). Must not know what a text is.

use super::mel::BANDS;
use super::weights::{Numbers, Weights};
use crate::onnx::model::{Graph, Size, Told, Wire};

/// Layers of each half.
pub const LAYERS: usize = 6;
/// Width of the network, and of each of its heads.
pub const WIDTH: usize = 512;
pub const HEADS: usize = 8;
const HEAD: Size = Size::Is((WIDTH / HEADS) as i64);
const SOUND_KEYS: [Size; 3] = [Size::Is(HEADS as i64), HEAD, Size::Any("kept")];
const SOUND_VALUES: [Size; 3] = [Size::Is(HEADS as i64), Size::Any("kept"), HEAD];
/// Orders in which rows, heads and widths are put.
const UPRIGHT: &[i64] = &[1, 0, 2];
const TURNED: &[i64] = &[1, 2, 0];
/// Likeliest next tokens that are told of each place.
pub const BEST: usize = 8;
const EPSILON: f32 = 1e-5;

/// How the weights of the products are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Precision {
    /// 32 bits, for comparison with other implementations.
    Full,
    /// 8 bits with a scale for every 64 weights.
    Eight,
}

/// Inputs `mel` (1 x bands x 2 places), `places` (places x width) and `kept`, the places that are of use; outputs `sound_keys0`
/// to `sound_keys5` (heads x width of a head x kept) and `sound_values0` to `sound_values5` (heads x kept x width of a head),
/// what a layer of the other model attends to.
pub fn encoder(weights: &Weights, precision: Precision) -> Result<Vec<u8>, String> {
    let mut net = Net { weights, precision, graph: Graph::default() };
    let mel = net.graph.input("mel", &[Size::Is(1), Size::Is(BANDS as i64), Size::Any("frames")]);
    let places = net.graph.input("places", &[Size::Any("places"), Size::Is(WIDTH as i64)]);
    let x = net.convolution(&mel, "encoder/conv1", 1)?;
    let x = net.convolution(&x, "encoder/conv2", 2)?;
    let x = net.graph.op("Transpose", &[&x], &[Told::Numbers("perm", &[0, 2, 1])]);
    let first = net.graph.indices(&[0]);
    let x = net.graph.op("Squeeze", &[&x, &first], &[]);
    let mut x = net.graph.op("Add", &[&x, &places], &[]);
    for layer in 0..LAYERS {
        let at = format!("encoder/layer_{layer}");
        let normal = net.normal(&x, &format!("{at}/self_attention/layer_norm"))?;
        let three = net.linear(&normal, &format!("{at}/self_attention/linear_0"))?;
        let parts = net.split(&three, 3);
        let (keys, values) = (net.heads(&parts[1], TURNED), net.heads(&parts[2], UPRIGHT));
        let y = net.attend(&parts[0], &keys, &values, None);
        let y = net.linear(&y, &format!("{at}/self_attention/linear_1"))?;
        x = net.graph.op("Add", &[&x, &y], &[]);
        x = net.forward(&x, &at)?;
    }
    let kept = net.graph.input_of_indices("kept", &[Size::Any("kept")]);
    let x = net.graph.op("Gather", &[&x, &kept], &[Told::Number("axis", 0)]);
    let x = net.normal(&x, "encoder/layer_norm")?;
    for layer in 0..LAYERS {
        let sound = net.linear(&x, &format!("decoder/layer_{layer}/attention/linear_1"))?;
        let halves = net.split(&sound, 2);
        let (keys, values) = (net.heads(&halves[0], TURNED), net.heads(&halves[1], UPRIGHT));
        net.graph.output(&format!("sound_keys{layer}"), &keys, &SOUND_KEYS);
        net.graph.output(&format!("sound_values{layer}"), &values, &SOUND_VALUES);
    }
    Ok(net.graph.finish())
}

/// Inputs: `x` (tokens x width, with their places), `mask` (tokens x all), and of each layer `sound_keys` and `sound_values` (as
/// the other model gives them), `keys` and `values` (tokens before x width), and `rows`, the tokens whose next ones are wanted:
/// what comes next is half of the work. Outputs: of these `hidden` (rows x width), the `BEST` next tokens (`best`, `scores`) and
/// `peak`, the log-probability of the best; and of each layer `all_keys` and `all_values`, with those of the new tokens last.
pub fn decoder(weights: &Weights, precision: Precision) -> Result<Vec<u8>, String> {
    let mut net = Net { weights, precision, graph: Graph::default() };
    let wide = Size::Is(WIDTH as i64);
    let mut x = net.graph.input("x", &[Size::Any("tokens"), wide]);
    let mask = net.graph.input("mask", &[Size::Any("tokens"), Size::Any("all")]);
    for layer in 0..LAYERS {
        let at = format!("decoder/layer_{layer}");
        let sound_keys = net.graph.input(&format!("sound_keys{layer}"), &SOUND_KEYS);
        let sound_values = net.graph.input(&format!("sound_values{layer}"), &SOUND_VALUES);
        let before = [Size::Any("before"), wide];
        let keys = net.graph.input(&format!("keys{layer}"), &before);
        let values = net.graph.input(&format!("values{layer}"), &before);
        let normal = net.normal(&x, &format!("{at}/self_attention/layer_norm"))?;
        let three = net.linear(&normal, &format!("{at}/self_attention/linear_0"))?;
        let parts = net.split(&three, 3);
        let keys = net.graph.op("Concat", &[&keys, &parts[1]], &[Told::Number("axis", 0)]);
        let values = net.graph.op("Concat", &[&values, &parts[2]], &[Told::Number("axis", 0)]);
        net.graph.output(&format!("all_keys{layer}"), &keys, &[Size::Any("all"), wide]);
        net.graph.output(&format!("all_values{layer}"), &values, &[Size::Any("all"), wide]);
        let (keys, values) = (net.heads(&keys, TURNED), net.heads(&values, UPRIGHT));
        let y = net.attend(&parts[0], &keys, &values, Some(&mask));
        let y = net.linear(&y, &format!("{at}/self_attention/linear_1"))?;
        x = net.graph.op("Add", &[&x, &y], &[]);
        let normal = net.normal(&x, &format!("{at}/attention/layer_norm"))?;
        let asked = net.linear(&normal, &format!("{at}/attention/linear_0"))?;
        let y = net.attend(&asked, &sound_keys, &sound_values, None);
        let y = net.linear(&y, &format!("{at}/attention/linear_2"))?;
        x = net.graph.op("Add", &[&x, &y], &[]);
        x = net.forward(&x, &at)?;
    }
    let rows = net.graph.input_of_indices("rows", &[Size::Any("rows")]);
    let x = net.graph.op("Gather", &[&x, &rows], &[Told::Number("axis", 0)]);
    let x = net.normal(&x, "decoder/layer_norm")?;
    net.graph.output("hidden", &x, &[Size::Any("rows"), wide]);
    let scores = net.product(&x, "decoder/embeddings/weight")?;
    let inner = net.graph.indices(&[1]);
    // The sum over all next tokens by way of the best one's share: the runtime's own log of a sum takes four times as long.
    let shares = net.graph.op("LogSoftmax", &[&scores], &[Told::Number("axis", -1)]);
    let peak = net.graph.op("ReduceMax", &[&shares, &inner], &[Told::Number("keepdims", 0)]);
    net.graph.output("peak", &peak, &[Size::Any("rows")]);
    let count = net.graph.indices(&[BEST as i64]);
    let best = net.graph.ops("TopK", &[&scores, &count], 2, &[Told::Number("axis", -1)]);
    let shape = [Size::Any("rows"), Size::Is(BEST as i64)];
    net.graph.output("scores", &best[0], &shape);
    net.graph.output_of_indices("best", &best[1], &shape);
    Ok(net.graph.finish())
}

struct Net<'a> {
    weights: &'a Weights,
    precision: Precision,
    graph: Graph,
}

impl Net<'_> {
    fn constant(&mut self, name: &str) -> Result<Wire, String> {
        let Numbers { shape, values } = self.weights.numbers(name)?;
        Ok(self.graph.floats(&shape, &values))
    }

    fn convolution(&mut self, x: &Wire, at: &str, stride: i64) -> Result<Wire, String> {
        let weight = self.constant(&format!("{at}/weight"))?;
        let bias = self.constant(&format!("{at}/bias"))?;
        let told = [Told::Numbers("pads", &[1, 1]), Told::Numbers("strides", &[stride])];
        let y = self.graph.op("Conv", &[x, &weight, &bias], &told);
        Ok(self.graph.op("Gelu", &[&y], &[]))
    }

    fn normal(&mut self, x: &Wire, at: &str) -> Result<Wire, String> {
        let gain = self.constant(&format!("{at}/gamma"))?;
        let bias = self.constant(&format!("{at}/beta"))?;
        let told = [Told::Number("axis", -1), Told::Float("epsilon", EPSILON)];
        Ok(self.graph.op("LayerNormalization", &[x, &gain, &bias], &told))
    }

    fn product(&mut self, x: &Wire, weight: &str) -> Result<Wire, String> {
        let Numbers { shape, values } = self.weights.numbers(weight)?;
        let [outer, inner] = shape[..] else { return Err(format!("{weight} is no matrix")) };
        Ok(match self.precision {
            Precision::Full => self.graph.times(x, outer, inner, &values),
            Precision::Eight => self.graph.times_in_8_bits(x, outer, inner, &values),
        })
    }

    fn linear(&mut self, x: &Wire, at: &str) -> Result<Wire, String> {
        let y = self.product(x, &format!("{at}/weight"))?;
        let bias = self.constant(&format!("{at}/bias"))?;
        Ok(self.graph.op("Add", &[&y, &bias], &[]))
    }

    /// The two products around a bend after attention, added to what came in.
    fn forward(&mut self, x: &Wire, at: &str) -> Result<Wire, String> {
        let y = self.normal(x, &format!("{at}/ffn/layer_norm"))?;
        let y = self.linear(&y, &format!("{at}/ffn/linear_0"))?;
        let y = self.graph.op("Gelu", &[&y], &[]);
        let y = self.linear(&y, &format!("{at}/ffn/linear_1"))?;
        Ok(self.graph.op("Add", &[x, &y], &[]))
    }

    fn split(&mut self, x: &Wire, parts: usize) -> Vec<Wire> {
        let told = [Told::Number("axis", -1), Told::Number("num_outputs", parts as i64)];
        self.graph.ops("Split", &[x], parts, &told)
    }

    /// Rows to heads: heads x rows x width of a head (`UPRIGHT`), or with rows and widths swapped (`TURNED`).
    fn heads(&mut self, x: &Wire, order: &[i64]) -> Wire {
        let shape = self.graph.indices(&[-1, HEADS as i64, (WIDTH / HEADS) as i64]);
        let x = self.graph.op("Reshape", &[x, &shape], &[]);
        self.graph.op("Transpose", &[&x], &[Told::Numbers("perm", order)])
    }

    /// `keys` are turned heads, `values` upright ones.
    fn attend(&mut self, asked: &Wire, keys: &Wire, values: &Wire, mask: Option<&Wire>) -> Wire {
        let scale = self.graph.floats(&[], &[1.0 / ((WIDTH / HEADS) as f32).sqrt()]);
        let asked = self.graph.op("Mul", &[asked, &scale], &[]);
        let asked = self.heads(&asked, UPRIGHT);
        let mut likeness = self.graph.op("MatMul", &[&asked, keys], &[]);
        if let Some(mask) = mask {
            likeness = self.graph.op("Add", &[&likeness, mask], &[]);
        }
        let share = self.graph.op("Softmax", &[&likeness], &[Told::Number("axis", -1)]);
        let y = self.graph.op("MatMul", &[&share, values], &[]);
        let y = self.graph.op("Transpose", &[&y], &[Told::Numbers("perm", UPRIGHT)]);
        let shape = self.graph.indices(&[-1, WIDTH as i64]);
        self.graph.op("Reshape", &[&y, &shape], &[])
    }
}
