//! Writes a network as an ONNX model: nodes and their constants in, the bytes that the runtime loads out.
//!
//! Owns the parts of the format that are needed (ONNX, onnx.proto, intermediate representation 9; field numbers are
//! those of the standard) and of quantisation. Must not know any network.

use prost::Message;

/// Operators of the standard's version 20, and the runtime's own.
const OPERATORS: i64 = 20;
pub const OWN: &str = "com.microsoft";
const FLOAT: i32 = 1;
const BYTE: i32 = 2;
const LONG: i32 = 7;

#[derive(Clone, PartialEq, Message)]
struct Model {
    #[prost(int64, tag = "1")]
    ir_version: i64,
    #[prost(string, tag = "2")]
    producer: String,
    #[prost(message, optional, tag = "7")]
    graph: Option<GraphMessage>,
    #[prost(message, repeated, tag = "8")]
    operators: Vec<OperatorSet>,
}

#[derive(Clone, PartialEq, Message)]
struct OperatorSet {
    #[prost(string, tag = "1")]
    domain: String,
    #[prost(int64, tag = "2")]
    version: i64,
}

#[derive(Clone, PartialEq, Message)]
struct GraphMessage {
    #[prost(message, repeated, tag = "1")]
    nodes: Vec<Node>,
    #[prost(string, tag = "2")]
    name: String,
    #[prost(message, repeated, tag = "5")]
    constants: Vec<Constant>,
    #[prost(message, repeated, tag = "11")]
    inputs: Vec<Value>,
    #[prost(message, repeated, tag = "12")]
    outputs: Vec<Value>,
}

#[derive(Clone, PartialEq, Message)]
struct Node {
    #[prost(string, repeated, tag = "1")]
    inputs: Vec<String>,
    #[prost(string, repeated, tag = "2")]
    outputs: Vec<String>,
    #[prost(string, tag = "3")]
    name: String,
    #[prost(string, tag = "4")]
    operator: String,
    #[prost(message, repeated, tag = "5")]
    attributes: Vec<Attribute>,
    #[prost(string, tag = "7")]
    domain: String,
}

#[derive(Clone, PartialEq, Message)]
struct Attribute {
    #[prost(string, tag = "1")]
    name: String,
    #[prost(float, optional, tag = "2")]
    float: Option<f32>,
    #[prost(int64, optional, tag = "3")]
    number: Option<i64>,
    #[prost(int64, repeated, packed = "false", tag = "8")]
    numbers: Vec<i64>,
    #[prost(int32, tag = "20")]
    kind: i32,
}

#[derive(Clone, PartialEq, Message)]
struct Constant {
    #[prost(int64, repeated, packed = "false", tag = "1")]
    shape: Vec<i64>,
    #[prost(int32, tag = "2")]
    kind: i32,
    #[prost(string, tag = "8")]
    name: String,
    #[prost(bytes = "vec", tag = "9")]
    raw: Vec<u8>,
}

#[derive(Clone, PartialEq, Message)]
struct Value {
    #[prost(string, tag = "1")]
    name: String,
    #[prost(message, optional, tag = "2")]
    of: Option<Type>,
}

#[derive(Clone, PartialEq, Message)]
struct Type {
    #[prost(message, optional, tag = "1")]
    tensor: Option<TensorType>,
}

#[derive(Clone, PartialEq, Message)]
struct TensorType {
    #[prost(int32, tag = "1")]
    kind: i32,
    #[prost(message, optional, tag = "2")]
    shape: Option<Shape>,
}

#[derive(Clone, PartialEq, Message)]
struct Shape {
    #[prost(message, repeated, tag = "1")]
    dimensions: Vec<Dimension>,
}

#[derive(Clone, PartialEq, Message)]
struct Dimension {
    #[prost(int64, optional, tag = "1")]
    size: Option<i64>,
    #[prost(string, optional, tag = "2")]
    name: Option<String>,
}

/// A value inside a graph, by its name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wire(String);

/// What a node may be told.
pub enum Told<'a> {
    Number(&'a str, i64),
    Numbers(&'a str, &'a [i64]),
    Float(&'a str, f32),
}

/// A size of an input or output: fixed, or any, by a name that stands for the same size everywhere.
#[derive(Clone, Copy)]
pub enum Size {
    Is(i64),
    Any(&'static str),
}

/// A graph in the making.
#[derive(Default)]
pub struct Graph {
    graph: GraphMessage,
    made: usize,
}

impl Graph {
    pub fn input(&mut self, name: &str, shape: &[Size]) -> Wire {
        self.input_of(FLOAT, name, shape)
    }

    pub fn input_of_indices(&mut self, name: &str, shape: &[Size]) -> Wire {
        self.input_of(LONG, name, shape)
    }

    fn input_of(&mut self, kind: i32, name: &str, shape: &[Size]) -> Wire {
        self.graph.inputs.push(value(name, kind, shape));
        Wire(name.into())
    }

    /// Hands a wire out under this name.
    pub fn output(&mut self, name: &str, wire: &Wire, shape: &[Size]) {
        self.hand_out(name, wire, value(name, FLOAT, shape));
    }

    /// The same for whole numbers.
    pub fn output_of_indices(&mut self, name: &str, wire: &Wire, shape: &[Size]) {
        self.hand_out(name, wire, value(name, LONG, shape));
    }

    fn hand_out(&mut self, name: &str, wire: &Wire, value: Value) {
        self.node("Identity", &[wire], vec![name.into()], &[], "");
        self.graph.outputs.push(value);
    }

    pub fn floats(&mut self, shape: &[usize], values: &[f32]) -> Wire {
        self.constant(shape, FLOAT, values.iter().flat_map(|value| value.to_le_bytes()).collect())
    }

    pub fn indices(&mut self, values: &[i64]) -> Wire {
        self.constant(&[values.len()], LONG, values.iter().flat_map(|value| value.to_le_bytes()).collect())
    }

    pub fn op(&mut self, operator: &str, inputs: &[&Wire], told: &[Told]) -> Wire {
        self.ops(operator, inputs, 1, told).remove(0)
    }

    /// An operator with several outputs.
    pub fn ops(&mut self, operator: &str, inputs: &[&Wire], outputs: usize, told: &[Told]) -> Vec<Wire> {
        let names: Vec<String> = (0..outputs).map(|n| format!("{}.{n}", self.fresh())).collect();
        self.node(operator, inputs, names.clone(), told, "");
        names.into_iter().map(Wire).collect()
    }

    /// `x` (rows of `inner`) times the transpose of weights of shape `outer` x `inner`, in full precision.
    pub fn times(&mut self, x: &Wire, outer: usize, inner: usize, weights: &[f32]) -> Wire {
        let mut turned = vec![0.0f32; weights.len()];
        for (row, values) in weights.chunks_exact(inner).enumerate() {
            values.iter().enumerate().for_each(|(column, value)| turned[column * outer + row] = *value);
        }
        let weights = self.floats(&[inner, outer], &turned);
        self.op("MatMul", &[x, &weights], &[])
    }

    /// The same with weights in 8 bits: blocks of `BLOCK` along the inner dimension, each with a scale of its own.
    pub fn times_in_8_bits(&mut self, x: &Wire, outer: usize, inner: usize, weights: &[f32]) -> Wire {
        let (bytes, scales) = in_8_bits(weights);
        let blocks = inner / BLOCK;
        let bytes = self.constant(&[outer, blocks, BLOCK], BYTE, bytes);
        let scales = self.floats(&[outer * blocks], &scales);
        let told = [
            Told::Number("K", inner as i64),
            Told::Number("N", outer as i64),
            Told::Number("bits", 8),
            Told::Number("block_size", BLOCK as i64),
            // Activations in 8 bits too, each block with its own scale.
            Told::Number("accuracy_level", 4),
        ];
        let name = self.fresh();
        self.node("MatMulNBits", &[x, &bytes, &scales], vec![name.clone()], &told, OWN);
        Wire(name)
    }

    /// The model's bytes.
    pub fn finish(mut self) -> Vec<u8> {
        self.graph.name = "antiphon".into();
        let set = |domain: &str, version| OperatorSet { domain: domain.into(), version };
        let model = Model {
            ir_version: 9,
            producer: "antiphon".into(),
            graph: Some(self.graph),
            operators: vec![set("", OPERATORS), set(OWN, 1)],
        };
        model.encode_to_vec()
    }

    fn fresh(&mut self) -> String {
        self.made += 1;
        format!("v{}", self.made)
    }

    fn constant(&mut self, shape: &[usize], kind: i32, raw: Vec<u8>) -> Wire {
        let name = self.fresh();
        let shape = shape.iter().map(|size| *size as i64).collect();
        self.graph.constants.push(Constant { shape, kind, name: name.clone(), raw });
        Wire(name)
    }

    fn node(&mut self, operator: &str, inputs: &[&Wire], outputs: Vec<String>, told: &[Told], domain: &str) {
        self.graph.nodes.push(Node {
            inputs: inputs.iter().map(|wire| wire.0.clone()).collect(),
            name: outputs[0].clone(),
            outputs,
            operator: operator.into(),
            attributes: told.iter().map(attribute).collect(),
            domain: domain.into(),
        });
    }
}

/// Weights that share a scale.
const BLOCK: usize = 64;
/// Eight bits without a sign: 128 is zero.
const ZERO: f32 = 128.0;

/// Each block as bytes about `ZERO`, and its scale. The inner dimension is a multiple of `BLOCK` in every network here.
fn in_8_bits(weights: &[f32]) -> (Vec<u8>, Vec<f32>) {
    let mut bytes = Vec::with_capacity(weights.len());
    let scales = weights
        .chunks_exact(BLOCK)
        .map(|block| {
            let most = block.iter().fold(0.0f32, |most, value| most.max(value.abs()));
            let scale = if most > 0.0 { most / 127.0 } else { 1.0 };
            bytes.extend(block.iter().map(|value| ((value / scale).round() + ZERO).clamp(0.0, 255.0) as u8));
            scale
        })
        .collect();
    (bytes, scales)
}

fn attribute(told: &Told) -> Attribute {
    match told {
        Told::Float(name, value) => {
            Attribute { name: (*name).into(), float: Some(*value), kind: 1, ..Attribute::default() }
        }
        Told::Number(name, value) => {
            Attribute { name: (*name).into(), number: Some(*value), kind: 2, ..Attribute::default() }
        }
        Told::Numbers(name, values) => {
            Attribute { name: (*name).into(), numbers: values.to_vec(), kind: 7, ..Attribute::default() }
        }
    }
}

fn value(name: &str, kind: i32, shape: &[Size]) -> Value {
    let dimension = |size: &Size| match size {
        Size::Is(size) => Dimension { size: Some(*size), name: None },
        Size::Any(name) => Dimension { size: None, name: Some((*name).into()) },
    };
    let shape = Shape { dimensions: shape.iter().map(dimension).collect() };
    Value { name: name.into(), of: Some(Type { tensor: Some(TensorType { kind, shape: Some(shape) }) }) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::onnx::session;
    use ort::value::Tensor;

    fn run(times: impl Fn(&mut Graph, &Wire) -> Wire, rows: usize, values: Vec<f32>) -> Vec<f32> {
        let mut graph = Graph::default();
        let x = graph.input("x", &[Size::Any("rows"), Size::Is(BLOCK as i64)]);
        let y = times(&mut graph, &x);
        graph.output("y", &y, &[Size::Any("rows"), Size::Is(2)]);
        let mut session = session(&graph.finish(), 1).unwrap();
        let x = Tensor::from_array(([rows, BLOCK], values)).unwrap();
        let outputs = session.run(ort::inputs!["x" => x]).unwrap();
        outputs["y"].try_extract_tensor::<f32>().unwrap().1.to_vec()
    }

    #[test]
    fn a_product_runs_and_8_bits_are_near_it() {
        let weights: Vec<f32> = (0..2 * BLOCK).map(|n| ((n * 37 % 101) as f32 - 50.0) / 50.0).collect();
        let x: Vec<f32> = (0..3 * BLOCK).map(|n| ((n * 53 % 97) as f32 - 48.0) / 48.0).collect();
        let wanted: Vec<f32> = x
            .chunks_exact(BLOCK)
            .flat_map(|row| {
                weights.chunks_exact(BLOCK).map(|w| row.iter().zip(w).map(|(a, b)| a * b).sum::<f32>())
            })
            .collect();
        let full = run(|graph, x| graph.times(x, 2, BLOCK, &weights), 3, x.clone());
        let eight = run(|graph, x| graph.times_in_8_bits(x, 2, BLOCK, &weights), 3, x);
        for ((wanted, full), eight) in wanted.iter().zip(&full).zip(&eight) {
            assert!((wanted - full).abs() < 1e-4, "{wanted} {full}");
            assert!((wanted - eight).abs() < 0.1, "{wanted} {eight}");
        }
    }

    #[test]
    fn quantising_keeps_zero_and_the_largest_exactly() {
        let mut block = vec![0.0; BLOCK];
        block[3] = -2.54;
        let (bytes, scales) = in_8_bits(&block);
        assert_eq!((bytes[0], bytes[3]), (128, 1));
        assert!((scales[0] * (f32::from(bytes[3]) - 128.0) + 2.54).abs() < 1e-6);
    }
}
