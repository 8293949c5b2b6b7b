//! The probability that a phrase was really said, from the evidence: a weighted sum of features, fitted to recordings by
//! `benches/listen/fit.py`.
//!
//! Owns the features and the weights' file. Must not know what follows from a probability.

use super::heard::Evidence;
use serde::Deserialize;
use std::sync::LazyLock;

const FILE: &str = include_str!("acceptor.toml");

#[derive(Deserialize)]
struct Fitted {
    bias: f32,
    weights: Weights,
    #[cfg(test)]
    example: Example,
}

#[derive(Deserialize)]
struct Weights {
    score: f32,
    margin: f32,
    alike: f32,
    worst: f32,
    around: f32,
    pace: f32,
    length: f32,
    worst_in_noise: f32,
    score_in_noise: f32,
}

static FITTED: LazyLock<Fitted> =
    LazyLock::new(|| toml::from_str(FILE).expect("the shipped weights are read in a test"));

/// 0 to 1. Calibrated on the tuning half of docs/listening.md, where a right phrase is as likely as not.
pub fn probability(evidence: &Evidence) -> f32 {
    let Fitted { bias, weights, .. } = &*FITTED;
    let noise = ((25.0 - evidence.snr_db) / 20.0).clamp(0.0, 1.0);
    let score = evidence.score.clamp(-4.0, 0.2);
    let worst = evidence.worst.clamp(0.0, 40.0).sqrt();
    // Eleven and a half phones a second are ordinary, in the recordings the weights were fitted to.
    let pace = (evidence.pace.clamp(3.0, 30.0) / 11.5).ln().abs();
    let sum = bias
        + weights.score * score
        + weights.margin * evidence.margin.clamp(-10.0, 10.0)
        + weights.alike * evidence.alike.clamp(-10.0, 10.0)
        + weights.worst * worst
        + weights.around * (evidence.before + evidence.after).clamp(0.0, 40.0).ln_1p()
        + weights.pace * pace
        + weights.length * evidence.units.max(1.0).ln()
        + weights.worst_in_noise * worst * noise
        + weights.score_in_noise * score * noise;
    1.0 / (1.0 + (-sum).exp())
}

#[cfg(test)]
#[derive(Deserialize)]
struct Example {
    score: f32,
    margin: f32,
    alike: f32,
    worst: f32,
    before: f32,
    after: f32,
    pace: f32,
    units: f32,
    snr_db: f32,
    probability: f32,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> (Evidence, f32) {
        let given = &FITTED.example;
        let evidence = Evidence {
            score: given.score,
            margin: given.margin,
            alike: given.alike,
            worst: given.worst,
            before: given.before,
            after: given.after,
            pace: given.pace,
            units: given.units,
            snr_db: given.snr_db,
            ..Evidence::default()
        };
        (evidence, given.probability)
    }

    #[test]
    fn the_program_reckons_as_the_script_that_fitted_the_weights() {
        let (evidence, wanted) = example();
        assert!((probability(&evidence) - wanted).abs() < 2e-3, "{} {wanted}", probability(&evidence));
    }

    #[test]
    fn worse_evidence_of_any_kind_never_makes_a_phrase_more_probable() {
        let (evidence, _) = example();
        let before = probability(&evidence);
        let worse = [
            Evidence { score: evidence.score - 1.0, ..evidence.clone() },
            Evidence { margin: evidence.margin - 3.0, ..evidence.clone() },
            Evidence { alike: evidence.alike - 3.0, ..evidence.clone() },
            Evidence { worst: evidence.worst + 10.0, ..evidence.clone() },
            Evidence { after: evidence.after + 10.0, ..evidence.clone() },
        ];
        for worse in worse {
            assert!(probability(&worse) <= before, "{worse:?}");
        }
    }
}
