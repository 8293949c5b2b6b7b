//! The file of the weights of the network of voices: named arrays, as `models/setup.sh` wrote them.
//!
//! Owns reading it. The format (safetensors) is its crate's.

use crate::files::{self, Links, MAX_MODEL};
use safetensors::{Dtype, SafeTensors};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::Path;

/// The sum of the file: other weights would give likenesses that were not measured.
const SHA256: &str = "725f464b979c7fac5d5b6acbcdadc2bf70ba62211ef8e8cc1d83f11445d21dc4";

/// A batch norm at rest adds this to the variance.
const LEAST_VARIANCE: f32 = 1e-5;

pub(super) struct Weights {
    arrays: BTreeMap<String, Array>,
}

/// Numbers and their shape, last dimension innermost.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Array {
    pub shape: Vec<usize>,
    pub values: Vec<f32>,
}

impl Weights {
    pub(super) fn read(path: &Path) -> Result<Weights, String> {
        let bytes = files::read(path, Links::Follow, MAX_MODEL).map_err(|error| error.to_string())?;
        let sum: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        if sum != SHA256 {
            return Err(format!("it is not the file that was measured (SHA-256 begins {})", &sum[..8]));
        }
        Weights::of(&bytes)
    }

    fn of(bytes: &[u8]) -> Result<Weights, String> {
        let file = SafeTensors::deserialize(bytes).map_err(|error| error.to_string())?;
        let array = |(name, view): (String, safetensors::tensor::TensorView)| {
            if view.dtype() != Dtype::F32 {
                return Err(format!("{name} has numbers of another kind"));
            }
            let numbers = view.data().chunks_exact(4);
            let values = numbers.map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
            Ok((name, Array { shape: view.shape().to_vec(), values }))
        };
        let arrays = file.tensors().into_iter().map(array).collect::<Result<_, _>>()?;
        Ok(Weights { arrays })
    }

    pub(super) fn has(&self, name: &str) -> bool {
        self.arrays.contains_key(name)
    }

    pub(super) fn array(&self, name: &str) -> Result<&Array, String> {
        self.arrays.get(name).ok_or_else(|| format!("it has no {name}"))
    }

    /// What a batch norm at rest does to each channel: times the first, plus the second. One without weights of its own
    /// only takes off the mean and divides by the deviation.
    pub(super) fn norm(&self, at: &str) -> Result<Vec<(f32, f32)>, String> {
        let values = |name: &str| Ok::<_, String>(&self.array(&format!("{at}.{name}"))?.values);
        let (means, variances) = (values("running_mean")?, values("running_var")?);
        let affine = self.has(&format!("{at}.weight"));
        let own = if affine { Some((values("weight")?, values("bias")?)) } else { None };
        let lengths = own.iter().flat_map(|(gains, offsets)| [gains.len(), offsets.len()]);
        if lengths.chain([variances.len()]).any(|length| length != means.len()) {
            return Err(format!("{at} has arrays of several lengths"));
        }
        let channel = |n: usize| {
            let (gain, offset) = own.map_or((1.0, 0.0), |(gains, offsets)| (gains[n], offsets[n]));
            let gain = gain / (variances[n] + LEAST_VARIANCE).sqrt();
            (gain, offset - means[n] * gain)
        };
        Ok((0..means.len()).map(channel).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(head: &str, numbers: &[f32]) -> Vec<u8> {
        let mut bytes = (head.len() as u64).to_le_bytes().to_vec();
        bytes.extend(head.as_bytes());
        bytes.extend(numbers.iter().flat_map(|number| number.to_le_bytes()));
        bytes
    }

    const HEAD: &str = r#"{"a.running_mean":{"dtype":"F32","shape":[2],"data_offsets":[0,8]},"a.running_var":{"dtype":"F32","shape":[2],"data_offsets":[8,16]}}"#;

    #[test]
    fn arrays_are_read_and_a_norm_without_weights_takes_off_the_mean() {
        let weights = Weights::of(&file(HEAD, &[1.0, -2.0, 4.0, 0.25])).unwrap();
        assert_eq!(weights.array("a.running_var").unwrap().values, [4.0, 0.25]);
        let norm = weights.norm("a").unwrap();
        for ((gain, offset), (wanted, at)) in norm.iter().zip([(0.5, -0.5), (2.0, 4.0)]) {
            assert!((gain - wanted).abs() < 1e-3 && (offset - at).abs() < 1e-3, "{norm:?}");
        }
        assert!(weights.norm("b").is_err());
    }

    #[test]
    fn a_file_cut_off_anywhere_is_an_error_and_never_a_panic() {
        let whole = file(HEAD, &[1.0, -2.0, 4.0, 0.25]);
        for cut in 0..whole.len() {
            assert!(Weights::of(&whole[..cut]).is_err(), "cut at {cut}");
        }
    }

    #[test]
    fn a_file_that_was_not_measured_is_refused() {
        let room = tempfile::tempdir().unwrap();
        let path = room.path().join("weights");
        std::fs::write(&path, file(HEAD, &[1.0, -2.0, 4.0, 0.25])).unwrap();
        assert!(Weights::read(&path).err().unwrap().contains("not the file that was measured"));
    }
}
