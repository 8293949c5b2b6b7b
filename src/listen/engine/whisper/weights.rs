//! The file of the network's weights: named arrays, in the format of CTranslate2 (version 6).
//!
//! Owns reading that format. A file that is cut off or of another kind is told by name, never read past its end.

use crate::files::{self, Links};
use half::f16;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Read};
use std::os::unix::fs::FileExt;
use std::path::Path;

/// No name in such a file is longer, bytes, and no file has more arrays.
const LONGEST_NAME: usize = 512;
const MOST_ARRAYS: u32 = 10_000;
/// What is in the numbers that stand for a type.
const FLOAT32: u8 = 0;
const FLOAT16: u8 = 4;

pub struct Weights {
    file: File,
    arrays: BTreeMap<String, Array>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
struct Array {
    shape: Vec<usize>,
    kind: u8,
    at: u64,
    bytes: usize,
}

/// An array's numbers, last dimension innermost.
#[derive(Debug, Clone, PartialEq)]
pub struct Numbers {
    pub shape: Vec<usize>,
    pub values: Vec<f32>,
}

impl Weights {
    /// Reads where everything stands; the numbers are read when asked for.
    pub fn open(path: &Path) -> Result<Weights, String> {
        let file = files::open(path, Links::Follow).map_err(|error| error.to_string())?;
        let size = file.metadata().map_err(|error| error.to_string())?.len();
        let mut head = Head { source: BufReader::new(&file), at: 0 };
        let arrays = head.index(size)?;
        Ok(Weights { arrays, file })
    }

    /// The shape and numbers of an array.
    pub fn numbers(&self, name: &str) -> Result<Numbers, String> {
        let (array, raw) = self.raw(name)?;
        let values = match array.kind {
            FLOAT32 => raw.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect(),
            FLOAT16 => raw.chunks_exact(2).map(|b| f16::from_le_bytes([b[0], b[1]]).to_f32()).collect(),
            other => return Err(format!("{name} has numbers of an unknown kind ({other})")),
        };
        Ok(Numbers { shape: array.shape.clone(), values })
    }

    /// The numbers of an array of half precision, as they are.
    pub fn halves(&self, name: &str) -> Result<Vec<f16>, String> {
        let (array, raw) = self.raw(name)?;
        if array.kind != FLOAT16 {
            return Err(format!("{name} is not of half precision"));
        }
        Ok(raw.chunks_exact(2).map(|b| f16::from_le_bytes([b[0], b[1]])).collect())
    }

    fn raw(&self, name: &str) -> Result<(&Array, Vec<u8>), String> {
        let array = self.arrays.get(name).ok_or_else(|| format!("it has no {name}"))?;
        let mut raw = vec![0; array.bytes];
        self.file.read_exact_at(&mut raw, array.at).map_err(|error| format!("{name}: {error}"))?;
        Ok((array, raw))
    }
}

/// The part before the numbers, and between them.
struct Head<R> {
    source: R,
    at: u64,
}

impl<R: Read> Head<R> {
    fn index(&mut self, size: u64) -> Result<BTreeMap<String, Array>, String> {
        let version = self.number::<4>()?;
        let name = self.name()?;
        if version != 6 || name != "WhisperSpec" {
            return Err(format!("it is no such network (version {version}, {name:?})"));
        }
        let _revision = self.number::<4>()?;
        let count = self.number::<4>()?;
        if count > MOST_ARRAYS {
            return Err(format!("it claims {count} arrays"));
        }
        let mut arrays = BTreeMap::new();
        for _ in 0..count {
            let (name, array) = self.array(size)?;
            arrays.insert(name, array);
        }
        for _ in 0..self.number::<4>()?.min(MOST_ARRAYS) {
            let (alias, name) = (self.name()?, self.name()?);
            if let Some(array) = arrays.get(&name).cloned() {
                arrays.insert(alias, array);
            }
        }
        Ok(arrays)
    }

    fn array(&mut self, size: u64) -> Result<(String, Array), String> {
        let name = self.name()?;
        let rank = self.number::<1>()?;
        let shape =
            (0..rank).map(|_| self.number::<4>().map(|n| n as usize)).collect::<Result<Vec<_>, _>>()?;
        let kind = self.number::<1>()? as u8;
        let bytes = self.number::<4>()?;
        let array = Array { shape, kind, at: self.at, bytes: bytes as usize };
        let width = if kind == FLOAT32 { 4 } else { 2 };
        let wanted = array.shape.iter().try_fold(width, |all: usize, n| all.checked_mul(*n));
        if matches!(kind, FLOAT32 | FLOAT16) && wanted != Some(array.bytes) {
            return Err(format!("{name} is {bytes} bytes, which is not its shape"));
        }
        if self.at + u64::from(bytes) > size {
            return Err(format!("it is cut off in {name}"));
        }
        let skipped = std::io::copy(&mut (&mut self.source).take(u64::from(bytes)), &mut std::io::sink());
        if skipped.map_err(|error| error.to_string())? != u64::from(bytes) {
            return Err(format!("it is cut off in {name}"));
        }
        self.at += u64::from(bytes);
        Ok((name, array))
    }

    /// A number of so many bytes, least first.
    fn number<const N: usize>(&mut self) -> Result<u32, String> {
        let mut raw = [0u8; 4];
        self.take(&mut raw[..N])?;
        Ok(u32::from_le_bytes(raw))
    }

    /// A text with its length before it and a zero after it.
    fn name(&mut self) -> Result<String, String> {
        let length = self.number::<2>()? as usize;
        if length == 0 || length > LONGEST_NAME {
            return Err("it is no such network".into());
        }
        let mut raw = vec![0u8; length];
        self.take(&mut raw)?;
        raw.pop();
        String::from_utf8(raw).map_err(|_| "it is no such network".into())
    }

    fn take(&mut self, raw: &mut [u8]) -> Result<(), String> {
        self.source.read_exact(raw).map_err(|_| "it is cut off".to_string())?;
        self.at += raw.len() as u64;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(into: &mut Vec<u8>, text: &str) {
        into.extend((text.len() as u16 + 1).to_le_bytes());
        into.extend(text.as_bytes());
        into.push(0);
    }

    /// One array of 2 x 2 halves, 1, 2, -3 and 0.5, under two names.
    fn small() -> Vec<u8> {
        let mut raw = 6u32.to_le_bytes().to_vec();
        text(&mut raw, "WhisperSpec");
        raw.extend(3u32.to_le_bytes());
        raw.extend(1u32.to_le_bytes());
        text(&mut raw, "a/weight");
        raw.push(2);
        raw.extend([2u32, 2].iter().flat_map(|n| n.to_le_bytes()));
        raw.push(FLOAT16);
        raw.extend(8u32.to_le_bytes());
        raw.extend([1.0f32, 2.0, -3.0, 0.5].iter().flat_map(|n| f16::from_f32(*n).to_le_bytes()));
        raw.extend(1u32.to_le_bytes());
        text(&mut raw, "b/weight");
        text(&mut raw, "a/weight");
        raw
    }

    fn opened(raw: &[u8]) -> Result<Weights, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("weights.bin");
        std::fs::write(&path, raw).unwrap();
        Weights::open(&path)
    }

    #[test]
    fn an_array_is_read_by_either_of_its_names() {
        let weights = opened(&small()).unwrap();
        let wanted = Numbers { shape: vec![2, 2], values: vec![1.0, 2.0, -3.0, 0.5] };
        assert_eq!(weights.numbers("a/weight").unwrap(), wanted);
        assert_eq!(weights.numbers("b/weight").unwrap(), wanted);
        assert_eq!(weights.halves("a/weight").unwrap()[3], f16::from_f32(0.5));
        assert!(weights.numbers("c/weight").is_err());
    }

    #[test]
    fn a_file_cut_off_anywhere_is_an_error_and_never_a_panic() {
        let whole = small();
        for cut in 0..whole.len() {
            assert!(opened(&whole[..cut]).is_err(), "cut at {cut}");
        }
    }

    #[test]
    fn another_kind_of_file_is_refused() {
        let mut other = small();
        other[0] = 5;
        assert!(opened(&other).is_err());
        assert!(opened(b"RIFF....WAVEfmt ").is_err());
        let mut wrong = small();
        let shape = wrong.iter().position(|byte| *byte == 2).unwrap() + 1;
        wrong[shape] = 3;
        assert!(opened(&wrong).err().unwrap().contains("shape"));
    }
}
