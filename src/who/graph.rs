//! The network of voices as an ONNX model.
//!
//! Owns the architecture (CAM++; Wang et al. 2023, arXiv 2303.00332, in the size of 3D-Speaker's common model). Must not
//! know what goes in or what a voice is for.

use super::features::BANDS;
use super::weights::{Array, Weights};
use super::NUMBERS;
use crate::onnx::model::{Graph, Size, Told, Wire};

/// Layers of each of the three blocks, and how far apart the places are that a layer looks at.
const BLOCKS: [(usize, i64); 3] = [(12, 1), (24, 2), (16, 2)];
/// Places that have one context together.
const CONTEXT: i64 = 100;
/// Channels times rows that the first part hands on.
const HANDED_ON: i64 = 320;

/// A float, in the operator that casts.
const FLOAT: i64 = 1;

/// Input `features` (1 x 1 x bands x frames), output `voice` (1 x numbers x 1).
pub(super) fn network(weights: &Weights) -> Result<Vec<u8>, String> {
    let mut net = Net { weights, graph: Graph::default() };
    let shape = [Size::Is(1), Size::Is(1), Size::Is(BANDS as i64), Size::Any("frames")];
    let x = net.graph.input("features", &shape);
    let x = net.head(&x)?;
    let shape = net.graph.indices(&[0, HANDED_ON, -1]);
    let x = net.graph.op("Reshape", &[&x, &shape], &[]);
    let every_other = [Told::Numbers("strides", &[2]), Told::Numbers("pads", &[2, 2])];
    let x = net.normed("xvector.tdnn.linear", "xvector.tdnn.nonlinear.batchnorm", &x, &every_other)?;
    let mut x = net.graph.op("Relu", &[&x], &[]);
    for (block, (layers, apart)) in (1..).zip(BLOCKS) {
        for layer in 1..=layers {
            x = net.layer(&x, &format!("xvector.block{block}.tdnnd{layer}"), apart)?;
        }
        let at = format!("xvector.transit{block}");
        let y = net.norm_and_bend(&x, &format!("{at}.nonlinear.batchnorm"))?;
        x = net.convolution(&y, &format!("{at}.linear"), &[])?;
    }
    let x = net.norm_and_bend(&x, "xvector.out_nonlinear.batchnorm")?;
    let x = net.mean_and_deviation(&x);
    let x = net.normed("xvector.dense.linear", "xvector.dense.nonlinear.batchnorm", &x, &[])?;
    net.graph.output("voice", &x, &[Size::Is(1), Size::Is(NUMBERS as i64), Size::Is(1)]);
    Ok(net.graph.finish())
}

struct Net<'a> {
    weights: &'a Weights,
    graph: Graph,
}

impl Net<'_> {
    /// The first part, which sees time and pitch as a picture: a quarter of an eighth of the bands is left of it.
    fn head(&mut self, x: &Wire) -> Result<Wire, String> {
        let mut x = self.picture(x, "head.conv1", "head.bn1", 1, true)?;
        x = self.graph.op("Relu", &[&x], &[]);
        for (at, stride) in ["layer1.0", "layer1.1", "layer2.0", "layer2.1"].iter().zip([2, 1, 2, 1]) {
            let name = |part: &str| format!("head.{at}.{part}");
            let y = self.picture(&x, &name("conv1"), &name("bn1"), stride, true)?;
            let y = self.graph.op("Relu", &[&y], &[]);
            let y = self.picture(&y, &name("conv2"), &name("bn2"), 1, true)?;
            if self.weights.has(&name("shortcut.0.weight")) {
                x = self.picture(&x, &name("shortcut.0"), &name("shortcut.1"), stride, false)?;
            }
            x = self.graph.op("Add", &[&y, &x], &[]);
            x = self.graph.op("Relu", &[&x], &[]);
        }
        x = self.picture(&x, "head.conv2", "head.bn2", 2, true)?;
        Ok(self.graph.op("Relu", &[&x], &[]))
    }

    /// A convolution over the picture, with the batch norm behind it; `stride` is in pitch.
    fn picture(&mut self, x: &Wire, at: &str, norm: &str, stride: i64, wide: bool) -> Result<Wire, String> {
        let pads = [i64::from(wide); 4];
        self.normed(at, norm, x, &[Told::Numbers("strides", &[stride, 1]), Told::Numbers("pads", &pads)])
    }

    /// A convolution that the batch norm behind it is folded into.
    fn normed(&mut self, at: &str, norm: &str, x: &Wire, told: &[Told]) -> Result<Wire, String> {
        let Array { shape, values } = self.weights.array(&format!("{at}.weight"))?;
        let channels = self.weights.norm(norm)?;
        let each = values.len() / channels.len().max(1);
        if shape.first() != Some(&channels.len()) || each == 0 {
            return Err(format!("{at} and {norm} don't fit"));
        }
        let folded: Vec<f32> = values
            .chunks_exact(each)
            .zip(&channels)
            .flat_map(|(values, (gain, _))| values.iter().map(move |value| value * gain))
            .collect();
        let offsets: Vec<f32> = channels.iter().map(|(_, offset)| *offset).collect();
        let weight = self.graph.floats(shape, &folded);
        let offset = self.graph.floats(&[offsets.len()], &offsets);
        Ok(self.graph.op("Conv", &[x, &weight, &offset], told))
    }

    /// A convolution by itself, with its bias if it has one.
    fn convolution(&mut self, x: &Wire, at: &str, told: &[Told]) -> Result<Wire, String> {
        let weight = self.constant(&format!("{at}.weight"))?;
        let bias = format!("{at}.bias");
        if !self.weights.has(&bias) {
            return Ok(self.graph.op("Conv", &[x, &weight], told));
        }
        let bias = self.constant(&bias)?;
        Ok(self.graph.op("Conv", &[x, &weight, &bias], told))
    }

    fn constant(&mut self, name: &str) -> Result<Wire, String> {
        let Array { shape, values } = self.weights.array(name)?;
        Ok(self.graph.floats(shape, values))
    }

    fn norm_and_bend(&mut self, x: &Wire, norm: &str) -> Result<Wire, String> {
        let channels = self.weights.norm(norm)?;
        let (gains, offsets): (Vec<f32>, Vec<f32>) = channels.into_iter().unzip();
        let gain = self.graph.floats(&[gains.len(), 1], &gains);
        let offset = self.graph.floats(&[offsets.len(), 1], &offsets);
        let x = self.graph.op("Mul", &[x, &gain], &[]);
        let x = self.graph.op("Add", &[&x, &offset], &[]);
        Ok(self.graph.op("Relu", &[&x], &[]))
    }

    /// One layer of a block: what it finds, weighed by its context, is put behind what it was given.
    fn layer(&mut self, x: &Wire, at: &str, apart: i64) -> Result<Wire, String> {
        let y = self.norm_and_bend(x, &format!("{at}.nonlinear1.batchnorm"))?;
        let y = self.normed(&format!("{at}.linear1"), &format!("{at}.nonlinear2.batchnorm"), &y, &[])?;
        let y = self.graph.op("Relu", &[&y], &[]);
        let told = [Told::Numbers("pads", &[apart, apart]), Told::Numbers("dilations", &[apart])];
        let found = self.convolution(&y, &format!("{at}.cam_layer.linear_local"), &told)?;
        let context = self.context(&y);
        let context = self.convolution(&context, &format!("{at}.cam_layer.linear1"), &[])?;
        let context = self.graph.op("Relu", &[&context], &[]);
        let context = self.convolution(&context, &format!("{at}.cam_layer.linear2"), &[])?;
        let gate = self.graph.op("Sigmoid", &[&context], &[]);
        let found = self.graph.op("Mul", &[&found, &gate], &[]);
        Ok(self.graph.op("Concat", &[x, &found], &[Told::Number("axis", 1)]))
    }

    /// The mean over time, and to each place the mean of the run of places that it is in.
    fn context(&mut self, y: &Wire) -> Wire {
        let graph = &mut self.graph;
        let time = graph.indices(&[2]);
        let mean = graph.op("ReduceMean", &[y, &time], &[]);
        let told = [
            Told::Numbers("kernel_shape", &[CONTEXT]),
            Told::Numbers("strides", &[CONTEXT]),
            // The last run is shorter.
            Told::Number("ceil_mode", 1),
        ];
        let runs = graph.op("AveragePool", &[y], &told);
        // Each of them as often as it has places, and what is too much at the end taken off.
        let behind = graph.indices(&[3]);
        let runs = graph.op("Unsqueeze", &[&runs, &behind], &[]);
        let often = graph.indices(&[1, 1, 1, CONTEXT]);
        let runs = graph.op("Expand", &[&runs, &often], &[]);
        let flat = graph.indices(&[0, 0, -1]);
        let runs = graph.op("Reshape", &[&runs, &flat], &[]);
        let first = graph.indices(&[0]);
        let places = self.places(y);
        let runs = self.graph.op("Slice", &[&runs, &first, &places, &time], &[]);
        self.graph.op("Add", &[&mean, &runs], &[])
    }

    /// How many places there are.
    fn places(&mut self, y: &Wire) -> Wire {
        let shape = self.graph.op("Shape", &[y], &[]);
        let (from, to) = (self.graph.indices(&[2]), self.graph.indices(&[3]));
        self.graph.op("Slice", &[&shape, &from, &to], &[])
    }

    /// Over time, the means of all channels and behind them their standard deviations.
    fn mean_and_deviation(&mut self, x: &Wire) -> Wire {
        let time = self.graph.indices(&[2]);
        let mean = self.graph.op("ReduceMean", &[x, &time], &[]);
        let off = self.graph.op("Sub", &[x, &mean], &[]);
        let squares = self.graph.op("Mul", &[&off, &off], &[]);
        let sum = self.graph.op("ReduceSum", &[&squares, &time], &[]);
        let places = self.places(x);
        let places = self.graph.op("Cast", &[&places], &[Told::Number("to", FLOAT)]);
        let one = self.graph.floats(&[1], &[1.0]);
        let less = self.graph.op("Sub", &[&places, &one], &[]);
        let variance = self.graph.op("Div", &[&sum, &less], &[]);
        let deviation = self.graph.op("Sqrt", &[&variance], &[]);
        self.graph.op("Concat", &[&mean, &deviation], &[Told::Number("axis", 1)])
    }
}
