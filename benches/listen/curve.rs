//! What a stricter bar would buy and cost: of what was accepted, how much would be at a higher probability.
//!
//! Owns the counting by probability. Must not know how anything is played.

use super::hear::Result as Heard;
use antiphon::listen::accept::{Bar, Both};
use antiphon::listen::heard::Verdict;
use std::fmt::Write;

/// What a clip is in this table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Said {
    /// A person's phrase, in quiet.
    HumanClean,
    /// A person's phrase, in every other condition.
    HumanOther,
    /// One word like the right one in its place.
    Like,
    /// Every other near-miss that changes the meaning.
    OtherNear,
}

/// Probabilities looked at, after the shipped ones.
const BARS: [f32; 4] = [0.7, 0.8, 0.9, 0.95];

/// Clips by kind, each with the highest probability at which it was accepted; 0 when it was not.
#[derive(Default)]
pub struct Curve(Vec<(Said, f32)>);

impl Curve {
    pub fn add(&mut self, said: Said, result: &Heard) {
        let accepted = result.all.iter().filter_map(|one| match one.heard.verdict {
            Verdict::Accepted { .. } => Some(one.heard.evidence.confidence),
            _ => None,
        });
        self.0.push((said, accepted.fold(0.0, f32::max)));
    }

    pub fn table(curves: &[&Curve]) -> std::result::Result<String, std::fmt::Error> {
        let mut text = String::from(
            "| accepted from | human, clean | human, all other conditions | one word like it | other near-misses |\n\
             |---|---|---|---|---|\n",
        );
        let Both { sure, sure_critical, .. } = Bar::default().both;
        let shipped = [sure, sure_critical];
        let others = BARS.into_iter().filter(|bar| !shipped.contains(bar));
        for bar in shipped.into_iter().chain(others) {
            write!(text, "| {bar:.2} |")?;
            for said in [Said::HumanClean, Said::HumanOther, Said::Like, Said::OtherNear] {
                let of: Vec<f32> = curves
                    .iter()
                    .flat_map(|curve| &curve.0)
                    .filter_map(|(kind, probability)| (*kind == said).then_some(*probability))
                    .collect();
                let over = of.iter().filter(|probability| **probability >= bar).count();
                write!(text, " {over}/{} |", of.len())?;
            }
            text.push('\n');
        }
        Ok(text)
    }
}
