//! Two ears on one utterance: the first says which phrases are possible, the second weighs them, and nothing counts on the
//! word of one.
//!
//! Owns what the second ear is asked and the verdict of both. Must not know the session.

use super::accept::{self, Bar, Case, Look, Measured};
use super::engine::{Asked, Engine, EngineError, Weighed};
use super::evidence::{probability, probability_of_both};
use super::heard::{Doubt, Evidence, SecondOpinion, Verdict};
use super::listener::Vocabulary;
use std::time::Instant;

/// Phrases that the second ear weighs at most: those that the first finds likeliest.
const MOST_POSSIBLE: usize = 4;
/// How far the first ear's leaning counts when both choose the phrase, in the second's nats for one of the first's.
const LEANING: f32 = 0.3;
/// Nearer than this the second ear's rival is named as the reason, nats.
const NEAR: f32 = 2.0;

/// Both ears, which have heard the utterance (the second may still be at it).
pub struct Ears<'a> {
    pub first: &'a mut dyn Engine,
    pub second: &'a mut dyn Engine,
}

/// Decides about one utterance.
pub fn decide(
    case: &Case,
    ears: Ears,
    vocabulary: &Vocabulary,
    bar: &Bar,
) -> Result<(Verdict, Evidence), EngineError> {
    let Ears { first, second } = ears;
    let possible = case.possible(MOST_POSSIBLE);
    let Some(top) = possible.first().copied() else {
        return Ok(accept::decide(case, |_| Look::default(), bar));
    };
    let alone = Look::of(first, top);
    let alike = alone.alike.as_ref().map(|alike| alike.text.clone());
    let by_one = accept::decide(case, |_| alone.clone(), bar);
    if stands_alone(case, &by_one, vocabulary, bar) {
        return Ok(by_one);
    }
    let began = Instant::now();
    let asked = question(case, &possible, alike, vocabulary);
    let Some(weighed) = second.weigh(&asked)? else { return Ok(by_one) };
    let chosen = possible[weighed.chosen];
    let mut measured = case.measure(chosen);
    let close = if chosen == top { alone } else { Look::of(first, chosen) };
    if let Some(fit) = close.fit {
        accept::add(&mut measured.evidence, &fit, close.alike);
    }
    let compute_ms = began.elapsed().as_secs_f32() * 1000.0;
    measured.evidence.second = Some(SecondOpinion { compute_ms, ..opinion(&weighed) });
    Ok(judge(case, measured, bar))
}

/// What stops everything does not wait for a second opinion: to hold too soon is better than too late.
fn stands_alone(case: &Case, by_one: &(Verdict, Evidence), vocabulary: &Vocabulary, bar: &Bar) -> bool {
    let (verdict, evidence) = by_one;
    let Some(phrase) = evidence.phrase.filter(|phrase| vocabulary.is_urgent(*phrase)) else { return false };
    let probable = evidence.confidence >= case.needed(phrase, bar).min(bar.sure) && evidence.margin >= 0.0;
    matches!(verdict, Verdict::Accepted { .. }) || (probable && matches!(verdict, Verdict::Unsure { .. }))
}

fn question(case: &Case, possible: &[usize], alike: Option<String>, vocabulary: &Vocabulary) -> Asked {
    let best = case.scores.ratio[possible[0]];
    let nearest = case.nearest_decoy(possible[0]).into_iter().chain(alike);
    Asked {
        phrases: possible.iter().map(|index| case.candidates[*index].text.clone()).collect(),
        leaning: possible.iter().map(|index| LEANING * (case.scores.ratio[*index] - best)).collect(),
        rivals: possible.iter().map(|index| vocabulary.rivals(case.candidates[*index].phrase())).collect(),
        nearest: nearest.collect(),
    }
}

fn opinion(weighed: &Weighed) -> SecondOpinion {
    const FAR: f32 = 99.0;
    let above = |other: f32| (weighed.weight - other).clamp(-FAR, FAR);
    SecondOpinion {
        weight: weighed.weight,
        margin: above(weighed.rival_log_p),
        worst: weighed.worst,
        worst_word: weighed.worst_word.clone(),
        end: weighed.end,
        rival: weighed.rival.clone(),
        free_margin: above(weighed.free_log_p),
        compute_ms: 0.0,
    }
}

/// From both ears' evidence to a verdict.
fn judge(case: &Case, mut measured: Measured, bar: &Bar) -> (Verdict, Evidence) {
    let alone = probability(&measured.evidence);
    let confidence = probability_of_both(&measured.evidence).unwrap_or(0.0);
    measured.evidence.confidence = confidence;
    let Evidence { score, margin, ref second, .. } = measured.evidence;
    let Some(second) = second.clone() else { return (measured.unsure(case, bar), measured.evidence) };
    let both = &bar.both;
    let needed = if (case.critical)(measured.phrase) { both.sure_critical } else { both.sure };
    let first_agrees = score >= both.first_score && margin >= both.first_margin;
    let second_agrees = second.weight >= both.second_weight && second.margin >= both.second_margin;
    if confidence >= needed && first_agrees && second_agrees {
        return (measured.sure(case), measured.evidence);
    }
    let first_sure = alone >= bar.sure && margin >= 0.0;
    let mut verdict = measured.unsure(case, bar);
    if let Verdict::Unsure { closest, why } = &mut verdict {
        if *closest == measured.phrase {
            let phrase = &case.candidates[measured.top].text;
            *why = reason(phrase, &measured.evidence, &second, first_sure, why.clone());
        }
    }
    (verdict, measured.evidence)
}

/// Why it is not sure, in words that name what each ear heard where they differ.
fn reason(
    phrase: &str,
    evidence: &Evidence,
    second: &SecondOpinion,
    first_sure: bool,
    by_first: Doubt,
) -> Doubt {
    let named = !second.rival.is_empty();
    if named && second.margin < 0.0 && first_sure {
        return Doubt::Ears { first: phrase.to_string(), second: second.rival.clone() };
    }
    if named && second.margin < NEAR {
        return Doubt::Decoy { text: second.rival.clone() };
    }
    match by_first {
        Doubt::Decoy { text } if evidence.margin < 0.0 => {
            Doubt::Ears { first: text, second: phrase.to_string() }
        }
        other => other,
    }
}
