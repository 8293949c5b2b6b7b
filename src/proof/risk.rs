//! From a distance between two phrases to the risk that one is taken for the other.
//!
//! Owns the curve, which was fitted to what our own listener made of recordings (`risk.toml`, written by
//! `cargo bench --bench listen -- --confuse`). Must not know phones.

use serde::Deserialize;
use std::sync::LazyLock;

const FILE: &str = include_str!("risk.toml");

#[derive(Deserialize)]
struct Fitted {
    bias: f64,
    weight: f64,
}

static FITTED: LazyLock<Fitted> =
    LazyLock::new(|| toml::from_str(FILE).expect("the shipped curve is read in a test"));

/// How likely the listener is to accept one phrase when the other was said and both may be said: 0 to 1. An estimate, over
/// quiet and noisy rooms alike; `rehearse --trials` measures it for a procedure.
pub fn of(distance: f32) -> f64 {
    1.0 / (1.0 + (FITTED.weight * f64::from(distance).sqrt() - FITTED.bias).exp())
}

/// The distance from which on the risk is lower than this.
pub fn reach(risk: f64) -> f32 {
    (((FITTED.bias + (1.0 / risk - 1.0).ln()) / FITTED.weight).max(0.0).powi(2)) as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_risk_falls_with_the_distance_and_reach_is_its_reverse() {
        let mut last = 1.0;
        for step in 0..40 {
            let risk = of(step as f32 * 0.5);
            assert!(risk < last && risk > 0.0);
            last = risk;
        }
        for risk in [0.05, 0.01, 0.001] {
            assert!((of(reach(risk)) / risk - 1.0).abs() < 1e-4);
        }
        assert_eq!(of(f32::INFINITY), 0.0);
    }
}
