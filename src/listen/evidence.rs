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
const NAMES_OF_BOTH: [&str; 28] = [
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
    "asked_below",
    "asked_small",
    "asked_large",
    "asked_in_noise",
    "free_below",
    "free_small",
    "joint_below",
    "joint_small",
    "joint_large",
    "joint_in_noise",
    "second_worst",
    "second_worst_in_noise",
    "second_end",
    "least",
    "words",
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
    let features = features_of_both(evidence, evidence.second.as_deref()?);
    let sum: f32 = features.iter().zip(WEIGHTS_OF_BOTH.iter()).map(|(value, weight)| value * weight).sum();
    Some(1.0 / (1.0 + (-(FITTED_TO_BOTH.bias + sum)).exp()))
}

fn features_of_both(evidence: &Evidence, second: &SecondOpinion) -> [f32; NAMES_OF_BOTH.len()] {
    let noise = ((25.0 - evidence.snr_db) / 20.0).clamp(0.0, 1.0);
    let score = evidence.score.clamp(-4.0, 0.2);
    let (margin, alike) = (evidence.margin.clamp(-12.0, 12.0), evidence.alike.clamp(-12.0, 12.0));
    let words = evidence.words_of_phrase.max(1) as f32;
    let weight = second.weight.clamp(-16.0, 0.0);
    let (asked, free) = (second.asked.second.clamp(-12.0, 12.0), second.free.second.clamp(-12.0, 12.0));
    let joint = second.rival.joint().clamp(-12.0, 12.0);
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
        asked.min(0.0),
        asked.clamp(0.0, 3.0),
        asked.clamp(3.0, 8.0),
        asked.clamp(-12.0, 3.0) * noise,
        free.min(0.0),
        free.clamp(0.0, 4.0),
        joint.min(0.0),
        joint.clamp(0.0, 4.0),
        joint.clamp(4.0, 10.0),
        joint.clamp(-12.0, 4.0) * noise,
        worst,
        worst * noise,
        second.end.clamp(-6.0, 0.0),
        joint.min(margin.min(alike) + 3.0),
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
    #[serde(flatten)]
    given: toml::Table,
    probability: f32,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::heard::Against;

    /// The example of a file: its evidence, and the probability by the script.
    fn example(fitted: &Fitted) -> (Evidence, f32) {
        let number = |table: &toml::Table, name: &str| {
            table.get(name).and_then(toml::Value::as_float).unwrap_or(0.0) as f32
        };
        let against = |table: &toml::Table, name: &str| {
            let of = table.get(name).and_then(toml::Value::as_table).cloned().unwrap_or_default();
            Against { first: number(&of, "first"), second: number(&of, "second"), ..Against::default() }
        };
        let given = &fitted.example.given;
        let of = |name: &str| number(given, name);
        let second = given.get("second").and_then(toml::Value::as_table).map(|second| {
            Box::new(SecondOpinion {
                weight: number(second, "weight"),
                worst: number(second, "worst"),
                end: number(second, "end"),
                rival: against(second, "rival"),
                asked: against(second, "asked"),
                free: against(second, "free"),
                ..SecondOpinion::default()
            })
        });
        let words = given.get("words_of_phrase").and_then(toml::Value::as_integer).unwrap_or(1);
        let evidence = Evidence {
            score: of("score"),
            margin: of("margin"),
            alike: of("alike"),
            worst: of("worst"),
            before: of("before"),
            after: of("after"),
            units: of("units"),
            snr_db: of("snr_db"),
            words_of_phrase: words as usize,
            second,
            ..Evidence::default()
        };
        (evidence, fitted.example.probability)
    }

    fn both(evidence: &Evidence) -> f32 {
        probability_of_both(evidence).unwrap()
    }

    #[test]
    fn the_program_computes_as_the_script_that_fitted_the_weights() {
        let (evidence, wanted) = example(&FITTED);
        assert!((probability(&evidence) - wanted).abs() < 2e-3, "{} {wanted}", probability(&evidence));
        let (evidence, wanted) = example(&FITTED_TO_BOTH);
        assert!((both(&evidence) - wanted).abs() < 2e-3, "{} {wanted}", both(&evidence));
    }

    #[test]
    fn every_feature_has_a_weight_and_every_weight_a_feature() {
        for (fitted, names) in [(&FITTED, &NAMES[..]), (&FITTED_TO_BOTH, &NAMES_OF_BOTH[..])] {
            let mut names: Vec<&str> = names.to_vec();
            names.sort_unstable();
            assert_eq!(fitted.weights.keys().map(String::as_str).collect::<Vec<_>>(), names);
        }
    }

    #[test]
    fn worse_evidence_of_any_kind_never_makes_a_phrase_more_probable() {
        for (fitted, of) in [(&FITTED, &probability as &dyn Fn(&Evidence) -> f32), (&FITTED_TO_BOTH, &both)] {
            let (evidence, _) = example(fitted);
            let before = of(&evidence);
            let worse = [
                Evidence { score: evidence.score - 1.0, ..evidence.clone() },
                Evidence { margin: evidence.margin - 3.0, ..evidence.clone() },
                Evidence { alike: evidence.alike - 3.0, ..evidence.clone() },
                Evidence { worst: evidence.worst + 10.0, ..evidence.clone() },
                Evidence { after: evidence.after + 10.0, ..evidence.clone() },
            ];
            for worse in worse {
                assert!(of(&worse) <= before, "{worse:?}");
            }
        }
    }

    #[test]
    fn a_worse_second_opinion_never_makes_a_phrase_more_probable() {
        for noise in [0.0, 10.0, 40.0] {
            let (evidence, _) = example(&FITTED_TO_BOTH);
            let evidence = Evidence { snr_db: noise, ..evidence };
            let before = both(&evidence);
            let second = *evidence.second.clone().unwrap();
            let lower = |of: &Against| Against { second: of.second - 4.0, ..of.clone() };
            let worse = [
                SecondOpinion { weight: second.weight - 2.0, ..second.clone() },
                SecondOpinion { rival: lower(&second.rival), ..second.clone() },
                SecondOpinion { asked: lower(&second.asked), ..second.clone() },
                SecondOpinion { free: lower(&second.free), ..second.clone() },
                SecondOpinion { worst: second.worst - 2.0, ..second.clone() },
                SecondOpinion { end: second.end - 2.0, ..second.clone() },
            ];
            for worse in worse {
                let worse = Evidence { second: Some(Box::new(worse)), ..evidence.clone() };
                assert!(both(&worse) <= before + 1e-6, "{noise} dB: {:?}", worse.second);
            }
        }
        assert_eq!(probability_of_both(&Evidence::default()), None);
    }
}
