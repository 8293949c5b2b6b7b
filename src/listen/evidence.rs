//! The probability that a phrase was really said, from the evidence: a weighted sum of features, fitted to recordings by
//! `benches/listen/fit.py`.
//!
//! Owns the features and the weights' file. Must not know what follows from a probability.

use super::heard::{Evidence, SecondOpinion};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::LazyLock;

const FILE: &str = include_str!("acceptor.toml");
const FILE_OF_BOTH: &str = include_str!("both.toml");

/// The features, in the order of `features`.
const NAMES: [&str; 17] = [
    "score",
    "score_in_noise",
    "score_poor",
    "worst_high",
    "around",
    "around_in_noise",
    "length",
    "noise",
    "margin_below",
    "margin_small",
    "margin_large",
    "margin_below_in_noise",
    "alike_below",
    "alike_small",
    "alike_large",
    "alike_below_in_noise",
    "least",
];

/// The features with both ears: the first ear's, then the second's.
const NAMES_OF_BOTH: [&str; 24] = [
    "score",
    "score_poor",
    "worst_high",
    "around",
    "length",
    "noise",
    "margin_below",
    "margin_small",
    "alike_below",
    "alike_small",
    "second_weight",
    "second_weight_in_noise",
    "second_weight_poor",
    "second_margin_below",
    "second_margin_small",
    "second_margin_large",
    "second_margin_in_noise",
    "second_free_below",
    "second_free_small",
    "second_worst",
    "second_worst_in_noise",
    "second_end",
    "both_least",
    "second_words",
];

#[derive(Deserialize)]
struct Fitted {
    bias: f32,
    weights: BTreeMap<String, f32>,
    #[cfg(test)]
    example: Example,
}

static FITTED: LazyLock<Fitted> =
    LazyLock::new(|| toml::from_str(FILE).expect("the shipped weights are read in a test"));

static FITTED_TO_BOTH: LazyLock<Fitted> =
    LazyLock::new(|| toml::from_str(FILE_OF_BOTH).expect("the shipped weights are read in a test"));

static WEIGHTS_OF_BOTH: LazyLock<[f32; NAMES_OF_BOTH.len()]> = LazyLock::new(|| {
    NAMES_OF_BOTH.map(|name| *FITTED_TO_BOTH.weights.get(name).expect("a test looks for every name"))
});

static WEIGHTS: LazyLock<[f32; NAMES.len()]> =
    LazyLock::new(|| NAMES.map(|name| *FITTED.weights.get(name).expect("a test looks for every name")));

/// 0 to 1. Fitted to the tuning half of docs/listening.md; how likely a right phrase is there is not how likely it is in
/// a session, so read it as a scale, not as a frequency.
pub fn probability(evidence: &Evidence) -> f32 {
    let sum: f32 = features(evidence).iter().zip(WEIGHTS.iter()).map(|(value, weight)| value * weight).sum();
    1.0 / (1.0 + (-(FITTED.bias + sum)).exp())
}

/// The same from both ears' evidence; `None` when the second was not asked.
pub fn probability_of_both(evidence: &Evidence) -> Option<f32> {
    let features = features_of_both(evidence, evidence.second.as_ref()?);
    let sum: f32 = features.iter().zip(WEIGHTS_OF_BOTH.iter()).map(|(value, weight)| value * weight).sum();
    Some(1.0 / (1.0 + (-(FITTED_TO_BOTH.bias + sum)).exp()))
}

fn features_of_both(evidence: &Evidence, second: &SecondOpinion) -> [f32; NAMES_OF_BOTH.len()] {
    let noise = ((25.0 - evidence.snr_db) / 20.0).clamp(0.0, 1.0);
    let score = evidence.score.clamp(-4.0, 0.2);
    let (margin, alike) = (evidence.margin.clamp(-12.0, 12.0), evidence.alike.clamp(-12.0, 12.0));
    let words = evidence.words_of_phrase.max(1) as f32;
    let weight = second.weight.clamp(-16.0, 0.0);
    let (rival, free) = (second.margin.clamp(-12.0, 12.0), second.free_margin.clamp(-12.0, 12.0));
    let worst = second.worst.clamp(-8.0, 0.0);
    [
        score,
        score.min(-1.5),
        evidence.worst.clamp(0.0, 40.0).sqrt().clamp(2.0, 7.0),
        (evidence.before + evidence.after).clamp(0.0, 40.0).ln_1p(),
        evidence.units.max(1.0).ln(),
        noise,
        margin.min(0.0),
        margin.clamp(0.0, 4.0),
        alike.min(0.0),
        alike.clamp(0.0, 4.0),
        weight,
        weight * noise,
        weight.min(-4.0),
        rival.min(0.0),
        rival.clamp(0.0, 3.0),
        rival.clamp(3.0, 8.0),
        rival.clamp(-12.0, 3.0) * noise,
        free.min(0.0),
        free.clamp(0.0, 4.0),
        worst,
        worst * noise,
        second.end.clamp(-6.0, 0.0),
        rival.min(margin.min(alike) + 3.0),
        words.ln(),
    ]
}

fn features(evidence: &Evidence) -> [f32; NAMES.len()] {
    let noise = ((25.0 - evidence.snr_db) / 20.0).clamp(0.0, 1.0);
    let score = evidence.score.clamp(-4.0, 0.2);
    let worst = evidence.worst.clamp(0.0, 40.0).sqrt();
    let around = (evidence.before + evidence.after).clamp(0.0, 40.0).ln_1p();
    let (margin, alike) = (evidence.margin.clamp(-12.0, 12.0), evidence.alike.clamp(-12.0, 12.0));
    let parts = |value: f32| {
        let below = value.min(0.0);
        [below, value.clamp(0.0, 4.0), value.clamp(4.0, 12.0), below * noise]
    };
    let [margin_below, margin_small, margin_large, margin_in_noise] = parts(margin);
    let [alike_below, alike_small, alike_large, alike_in_noise] = parts(alike);
    [
        score,
        score * noise,
        score.min(-1.5),
        worst.clamp(2.0, 7.0),
        around,
        around * noise,
        evidence.units.max(1.0).ln(),
        noise,
        margin_below,
        margin_small,
        margin_large,
        margin_in_noise,
        alike_below,
        alike_small,
        alike_large,
        alike_in_noise,
        margin.min(alike + 3.0),
    ]
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
    fn every_feature_has_a_weight_and_every_weight_a_feature() {
        let mut names: Vec<&str> = NAMES.to_vec();
        names.sort_unstable();
        assert_eq!(FITTED.weights.keys().map(String::as_str).collect::<Vec<_>>(), names);
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
