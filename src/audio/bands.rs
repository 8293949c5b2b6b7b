//! Triangular bands over a frame's power spectrum: what log-mel spectrograms are made of.
//!
//! Owns the transform and the sums. Must not know a scale of pitch, nor which frames are looked at.

use realfft::num_complex::Complex32;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// The bands of frames of one length.
pub struct Bands {
    bands: Vec<Band>,
    transform: Arc<dyn RealToComplex<f32>>,
    frame: Vec<f32>,
    spectrum: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

/// The bins of the spectrum that a band sums, from the first that counts.
struct Band {
    first: usize,
    weights: Vec<f32>,
}

impl Bands {
    /// Over a transform of so many samples; each row has the weight of each of its `size / 2 + 1` bins.
    pub fn new(size: usize, rows: &[Vec<f64>]) -> Bands {
        let transform = RealFftPlanner::new().plan_fft_forward(size);
        Bands {
            bands: rows.iter().map(|row| Band::of(row)).collect(),
            frame: transform.make_input_vec(),
            spectrum: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            transform,
        }
    }

    /// The power in each band of the frame that `fill` writes; what it finds there is of no meaning.
    pub fn of(&mut self, fill: impl FnOnce(&mut [f32])) -> impl Iterator<Item = f32> + '_ {
        fill(&mut self.frame);
        self.transform
            .process_with_scratch(&mut self.frame, &mut self.spectrum, &mut self.scratch)
            .expect("the buffers were made by this transform");
        self.bands.iter().map(|band| band.sum(&self.spectrum))
    }
}

impl Band {
    fn of(row: &[f64]) -> Band {
        let counts = |weight: &f64| *weight > 0.0;
        let first = row.iter().position(counts).unwrap_or(0);
        let end = row.iter().rposition(counts).map_or(first, |last| last + 1);
        Band { first, weights: row[first..end].iter().map(|weight| *weight as f32).collect() }
    }

    fn sum(&self, spectrum: &[Complex32]) -> f32 {
        self.weights.iter().zip(&spectrum[self.first..]).map(|(weight, bin)| weight * bin.norm_sqr()).sum()
    }
}

/// Triangles from each edge over the next, where it is 1, to the one after: a row for each, with the weight of each bin.
/// Edges rise; edges and bins are on the scale on which the sides are straight.
pub fn triangles(edges: &[f64], bins: &[f64]) -> Vec<Vec<f64>> {
    let row = |edge: &[f64]| {
        let (low, middle, high) = (edge[0], edge[1], edge[2]);
        let weight = |bin: &f64| ((bin - low) / (middle - low)).min((high - bin) / (high - middle)).max(0.0);
        bins.iter().map(weight).collect()
    };
    edges.windows(3).map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_triangle_is_one_at_its_middle_and_nothing_beyond_its_edges() {
        let rows = triangles(&[0.0, 2.0, 4.0, 8.0], &[0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0]);
        assert_eq!(rows, [[0.0, 0.5, 1.0, 0.5, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 0.5, 1.0, 0.5, 0.0]]);
    }

    #[test]
    fn a_band_has_the_power_of_its_bins() {
        // A cosine of amplitude 1 in 8 samples is 4 in its bin, and nothing elsewhere.
        let mut bands = Bands::new(8, &[vec![0.0, 0.0, 0.5, 0.0, 0.0], vec![1.0, 1.0, 0.0, 1.0, 1.0]]);
        let cosine = |frame: &mut [f32]| {
            for (n, value) in frame.iter_mut().enumerate() {
                *value = (std::f32::consts::TAU * 2.0 * n as f32 / 8.0).cos();
            }
        };
        let power: Vec<f32> = bands.of(cosine).collect();
        assert!((power[0] - 8.0).abs() < 1e-4 && power[1] < 1e-6, "{power:?}");
    }
}
