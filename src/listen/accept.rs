//! The acceptor: from scores to a verdict.
//!
//! Owns the thresholds. A phrase is accepted only when it scores high enough by itself and beats every decoy and every
//! other phrase by a margin; what is close but not sure is `Unsure` (ask again), the rest is ignored. Must not know the
//! session.

use super::engine::{Candidate, Fit, Kind, Scores};
use super::heard::{Doubt, Evidence, Ignored, Verdict};

/// Thresholds, in nats. The defaults were set on the tuning half of the recordings described in docs/performance.md.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bar {
    /// A phrase is accepted only at or above this score (nats per phone below the best free path; 0 is perfect).
    pub accept: f32,
    /// Below this the utterance is not for the tool.
    pub unsure: f32,
    /// A phrase must beat every decoy and other phrase by this many nats.
    pub margin: f32,
}

impl Default for Bar {
    fn default() -> Self {
        Bar { accept: -1.4, unsure: -2.3, margin: 2.0 }
    }
}

/// Bounds the numbers that reach JSON, which has no infinity.
const WORST: f32 = -99.0;

/// Decides about one utterance. `scores` are of `candidates`, in the same order; `fit` tells how one of them lies in it.
pub fn decide(
    candidates: &[Candidate],
    scores: &Scores,
    fit: impl Fn(usize) -> Option<Fit>,
    bar: &Bar,
) -> (Verdict, Evidence) {
    let of = |index: usize| (scores.ratio[index] / scores.units[index].max(1.0)).max(WORST);
    let best = |wanted: &dyn Fn(Kind) -> bool| {
        (0..candidates.len())
            .filter(|index| wanted(candidates[*index].kind))
            .max_by(|a, b| scores.ratio[*a].total_cmp(&scores.ratio[*b]))
    };
    let Some(top) = best(&|kind| !matches!(kind, Kind::Decoy(_))) else {
        return (Verdict::Ignored { why: Ignored::NoPhrase }, Evidence::default());
    };
    let (Kind::Counts(phrase) | Kind::Other(phrase)) = candidates[top].kind else {
        unreachable!("decoys were filtered out above");
    };
    let rival = best(&|kind| match kind {
        Kind::Counts(id) | Kind::Other(id) => id != phrase,
        Kind::Decoy(_) => true,
    });
    let score = of(top);
    let margin = rival.map_or(-WORST, |index| (scores.ratio[top] - scores.ratio[index]).clamp(WORST, -WORST));
    let first = rival.filter(|_| margin < 0.0).unwrap_or(top);
    let fit = fit(top).unwrap_or_default();
    let seconds = (fit.end_ms - fit.start_ms).max(1.0) / 1000.0;
    let evidence = Evidence {
        words: if of(first) > WORST { candidates[first].text.clone() } else { String::new() },
        phrase: Some(phrase),
        score,
        margin: if margin.is_nan() { WORST } else { margin },
        units: scores.units[top],
        worst: fit.worst,
        before: fit.before,
        after: fit.after,
        pace: if fit.end_ms > 0.0 { scores.units[top] / seconds } else { 0.0 },
        confidence: confidence(score, margin, bar),
        ..Evidence::default()
    };
    let verdict = if score >= bar.accept && margin >= bar.margin {
        match candidates[top].kind {
            Kind::Counts(phrase) => Verdict::Accepted { phrase },
            _ => Verdict::Other { phrase },
        }
    } else if score >= bar.unsure || rival.is_some_and(|index| of(index) >= bar.accept) {
        doubt(candidates, phrase, candidates[top].kind, rival.filter(|_| margin < bar.margin))
    } else {
        Verdict::Ignored { why: Ignored::NoPhrase }
    };
    (verdict, evidence)
}

/// Unsure, and of which phrase: the one the closest decoy stands for where that is closer than any phrase.
fn doubt(
    candidates: &[Candidate],
    phrase: crate::procedure::PhraseId,
    kind: Kind,
    rival: Option<usize>,
) -> Verdict {
    match rival.map(|index| (&candidates[index], candidates[index].kind)) {
        Some((decoy, Kind::Decoy(of))) => {
            // A decoy of a phrase that counts says more about what was meant than a phrase that does not count.
            let closest = if matches!(kind, Kind::Counts(_)) { phrase } else { of };
            Verdict::Unsure { closest, why: Doubt::Decoy { text: decoy.text.clone() } }
        }
        Some((_, Kind::Counts(other) | Kind::Other(other))) => match kind {
            Kind::Counts(_) => Verdict::Unsure { closest: phrase, why: Doubt::TwoPhrases { other } },
            _ => Verdict::Unsure { closest: other, why: Doubt::TwoPhrases { other: phrase } },
        },
        None => Verdict::Unsure { closest: phrase, why: Doubt::Faint },
    }
}

/// 0 to 1: half at the bar, by the weaker of score and margin. A display value; a calibrated probability is not claimed.
fn confidence(score: f32, margin: f32, bar: &Bar) -> f32 {
    let by_score = (score - bar.accept) / 0.15;
    let by_margin = (margin - bar.margin) / 1.0;
    1.0 / (1.0 + (-by_score.min(by_margin)).exp())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::PhraseId;

    fn candidates() -> Vec<Candidate> {
        vec![
            Candidate { text: "gown is closed".into(), kind: Kind::Counts(PhraseId(0)) },
            Candidate { text: "hood is down".into(), kind: Kind::Other(PhraseId(1)) },
            Candidate { text: "gown is not closed".into(), kind: Kind::Decoy(PhraseId(0)) },
        ]
    }

    fn decided(ratio: [f32; 3]) -> Verdict {
        decide(
            &candidates(),
            &Scores { ratio: ratio.to_vec(), units: vec![10.0; 3], free: String::new() },
            |_| None,
            &Bar { accept: -0.5, unsure: -1.0, margin: 2.0 },
        )
        .0
    }

    #[test]
    fn a_clear_phrase_is_accepted() {
        assert_eq!(decided([-1.0, -50.0, -9.0]), Verdict::Accepted { phrase: PhraseId(0) });
    }

    #[test]
    fn a_phrase_that_does_not_count_now_is_told_apart() {
        assert_eq!(decided([-50.0, -1.0, -60.0]), Verdict::Other { phrase: PhraseId(1) });
    }

    #[test]
    fn a_decoy_as_good_as_the_phrase_makes_it_unsure_and_names_itself() {
        let unsure =
            Verdict::Unsure { closest: PhraseId(0), why: Doubt::Decoy { text: "gown is not closed".into() } };
        assert_eq!(decided([-1.0, -50.0, -2.0]), unsure);
        assert_eq!(decided([-20.0, -50.0, -2.0]), unsure);
    }

    #[test]
    fn a_faint_phrase_is_unsure_and_noise_is_ignored() {
        assert_eq!(
            decided([-8.0, -50.0, -40.0]),
            Verdict::Unsure { closest: PhraseId(0), why: Doubt::Faint }
        );
        assert_eq!(decided([-30.0, -50.0, -40.0]), Verdict::Ignored { why: Ignored::NoPhrase });
    }

    #[test]
    fn impossible_scores_are_ignored_and_stay_finite() {
        let scores = Scores { ratio: vec![f32::NEG_INFINITY; 3], units: vec![1.0; 3], free: String::new() };
        let (verdict, evidence) = decide(&candidates(), &scores, |_| None, &Bar::default());
        assert_eq!(verdict, Verdict::Ignored { why: Ignored::NoPhrase });
        assert!(evidence.score.is_finite() && evidence.margin.is_finite() && evidence.confidence.is_finite());
    }
}
