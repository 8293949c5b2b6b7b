//! The acceptor: from scores to a verdict.
//!
//! Owns the bars. A phrase is accepted only when it is probable enough and no decoy or other phrase fits better; what is
//! close but not sure is `Unsure` (ask again), the rest is ignored. The probability comes from several pieces of
//! evidence by weights that were fitted to recordings (`evidence`); an engine that can't take a closer look is judged by
//! score and margin alone. Must not know the session.

use super::engine::{Alike, Candidate, Engine, Fit, Kind, Scores};
use super::evidence::probability;
use super::heard::{Doubt, Evidence, Ignored, Measure, Test, Verdict};
use crate::procedure::PhraseId;
use serde::Serialize;

/// What it takes. Scores and margins in nats.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bar {
    /// Probability from which a phrase is accepted, and that of a critical step. Set on the tuning half of
    /// docs/listening.md, like the weights: of what no decoy fits better, the first costs 2 % of the phrases that people
    /// said and keeps out a third of the words alike, the second 4 % and half.
    pub sure: f32,
    pub sure_critical: f32,
    /// Below this score (nats per phone below the best free path; 0 is perfect) the utterance is not for the tool.
    pub unsure: f32,
    /// No phrase is accepted below this score, however probable.
    pub floor: f32,
    /// For engines without a closer look, and for phrases of few phones: a phrase is accepted only at or above this score ...
    pub accept: f32,
    /// ... and when it beats every decoy and other phrase by this many nats.
    pub margin: f32,
    /// With both ears: probabilities from which a phrase is accepted, and what neither ear may fall below: the first's
    /// score and margin, the second's weight and margin.
    pub both: Both,
}

/// The bars with both ears. Set on the tuning half of docs/listening.md. Out of sample (five folds by phrase) 35 of 664
/// near-misses that change the meaning passed in quiet and in noise to 10 dB, and of right phrases by people and natural
/// voices 163 of 171 in quiet, 160 of 174 in pink noise at 10 dB and 145 of 171 in a blower's at 5 dB; by the bar of critical
/// steps 18 of 664, and 153, 142 and 129.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Both {
    pub sure: f32,
    pub sure_critical: f32,
    pub first_score: f32,
    pub first_margin: f32,
    pub second_weight: f32,
    /// Over what it was asked about, but for texts shorter than the phrase.
    pub second_margin: f32,
}

impl Default for Both {
    fn default() -> Self {
        Both {
            sure: 0.5,
            sure_critical: 0.8,
            first_score: -3.0,
            first_margin: -10.0,
            second_weight: -14.0,
            second_margin: -2.0,
        }
    }
}

impl Default for Bar {
    fn default() -> Self {
        Bar {
            sure: 0.5,
            sure_critical: 0.65,
            floor: -2.0,
            unsure: -2.3,
            accept: -1.4,
            margin: 2.0,
            both: Both::default(),
        }
    }
}

/// A decoy may fit better than the phrase by this many nats, if it is the phrase less a few words: in noise a weak word is
/// lost, and the probability has the rest of the evidence. Set on the tuning half of docs/listening.md.
const LACKING_MARGIN: f32 = -4.0;
/// ... and has at least this share of its phones.
const LACKING_UNITS: f32 = 0.6;
/// A phrase of fewer phones (most calls) has to pass the bars of score and margin too: noise and screams sound like one
/// soon, and the weights were fitted to longer ones.
pub const ENOUGH_UNITS: f32 = 9.0;
/// A closer look is taken at this score or better, nats per phone.
pub const HOPELESS: f32 = -4.0;
/// Bounds the numbers that reach JSON, which has no infinity.
const WORST: f32 = -99.0;

/// From this probability on, a phrase that no decoy fits better is clear at the first hearing.
const CLEAR: f32 = 0.95;

/// Whether a second hearing may tell more: the best phrase is neither clear nor out of the question.
pub fn in_doubt(evidence: &Evidence) -> bool {
    evidence.score >= HOPELESS && (evidence.confidence < CLEAR || evidence.margin < 0.0)
}

/// A closer look at one candidate, from an engine that can take it.
#[derive(Debug, Clone, Default)]
pub struct Look {
    pub fit: Option<Fit>,
    pub alike: Option<Alike>,
}

impl Look {
    pub fn of(engine: &mut dyn Engine, index: usize) -> Look {
        Look { fit: engine.fit(index), alike: engine.alike(index) }
    }
}

/// What is known of one utterance, for `decide`.
pub struct Case<'a> {
    pub candidates: &'a [Candidate],
    /// Of the candidates, in their order.
    pub scores: &'a Scores,
    /// Whether a phrase belongs to a critical step.
    pub critical: &'a dyn Fn(PhraseId) -> bool,
    /// Level of the speech over the room before it, dB.
    pub snr_db: f32,
}

impl Case<'_> {
    /// Score of a candidate: nats a unit below the best free path.
    pub fn score(&self, index: usize) -> f32 {
        (self.scores.ratio[index] / self.scores.units[index].max(1.0)).max(WORST)
    }

    fn best(&self, wanted: impl Fn(Kind) -> bool) -> Option<usize> {
        (0..self.candidates.len())
            .filter(|index| wanted(self.candidates[*index].kind))
            .max_by(|a, b| self.scores.ratio[*a].total_cmp(&self.scores.ratio[*b]))
    }

    /// The phrase that fits best.
    pub fn top(&self) -> Option<usize> {
        self.best(|kind| !matches!(kind, Kind::Decoy(_)))
    }

    /// The phrases that score this much, best first, at most so many.
    pub fn possible(&self, most: usize, floor: f32) -> Vec<usize> {
        let phrase = |index: &usize| !matches!(self.candidates[*index].kind, Kind::Decoy(_));
        let mut all: Vec<usize> =
            (0..self.candidates.len()).filter(phrase).filter(|index| self.score(*index) >= floor).collect();
        all.sort_by(|a, b| self.scores.ratio[*b].total_cmp(&self.scores.ratio[*a]));
        all.truncate(most);
        all
    }

    /// What the scores say of one phrase.
    pub fn measure(&self, top: usize) -> Measured {
        let (Kind::Counts(phrase) | Kind::Other(phrase) | Kind::Decoy(phrase)) = self.candidates[top].kind;
        let rival = self.best(|kind| match kind {
            Kind::Counts(id) | Kind::Other(id) => id != phrase,
            Kind::Decoy(_) => true,
        });
        let ratio = &self.scores.ratio;
        let margin = rival.map_or(-WORST, |index| (ratio[top] - ratio[index]).clamp(WORST, -WORST));
        let first = rival.filter(|_| margin < 0.0).unwrap_or(top);
        let heard = self.score(first) > WORST;
        let evidence = Evidence {
            words: if heard { self.candidates[first].text.clone() } else { String::new() },
            phrase: Some(phrase),
            score: self.score(top),
            margin: if margin.is_nan() { WORST } else { margin },
            units: self.scores.units[top],
            words_of_phrase: self.candidates[top].text.split(' ').count(),
            snr_db: self.snr_db,
            ..Evidence::default()
        };
        Measured { top, phrase, rival, evidence }
    }

    /// The words that fit best of what must not be taken for a phrase.
    pub fn nearest_decoy(&self, top: usize) -> Option<String> {
        let rival = self.measure(top).rival?;
        matches!(self.candidates[rival].kind, Kind::Decoy(_)).then(|| self.candidates[rival].text.clone())
    }

    /// Whether this phrase is probable enough: `sure`, or `sure_critical` where it belongs to a critical step.
    pub fn probability_test(
        &self,
        phrase: PhraseId,
        confidence: f32,
        (sure, sure_critical): (f32, f32),
    ) -> Test {
        let critical = (self.critical)(phrase);
        let needed = if critical { sure_critical } else { sure };
        Test { critical, ..Test::of(Measure::Probability, confidence, needed) }
    }
}

/// One phrase, by its scores.
pub struct Measured {
    /// Its candidate.
    pub top: usize,
    pub phrase: PhraseId,
    /// The candidate that comes nearest to it or is above it.
    pub rival: Option<usize>,
    pub evidence: Evidence,
}

impl Measured {
    /// The verdict where it is this phrase for sure.
    pub fn sure(&self, case: &Case) -> Verdict {
        match case.candidates[self.top].kind {
            Kind::Counts(phrase) => Verdict::Accepted { phrase },
            _ => Verdict::Other { phrase: self.phrase },
        }
    }

    /// The verdict where it is not: asked about when it is near enough to a phrase.
    pub fn unsure(&self, case: &Case, bar: &Bar) -> Verdict {
        let near = |index| case.score(index) >= bar.accept;
        if self.evidence.score < bar.unsure && !self.rival.is_some_and(near) {
            return Verdict::Ignored { why: Ignored::NoPhrase };
        }
        let close = self.rival.filter(|_| self.evidence.margin < bar.margin);
        doubt(case.candidates, self.phrase, case.candidates[self.top].kind, close, &self.evidence)
    }
}

/// Decides about one utterance. `look` takes a closer look at one of the candidates.
pub fn decide(case: &Case, look: impl FnOnce(usize) -> Look, bar: &Bar) -> (Verdict, Evidence) {
    let Some(top) = case.top() else {
        return (Verdict::Ignored { why: Ignored::NoPhrase }, Evidence::default());
    };
    let mut measured = case.measure(top);
    let (score, margin) = (measured.evidence.score, measured.evidence.margin);
    let look = if score >= HOPELESS { look(top) } else { Look::default() };
    let units = &case.scores.units;
    let tests = match look.fit {
        Some(fit) => {
            add(&mut measured.evidence, &fit, look.alike);
            measured.evidence.confidence = probability(&measured.evidence);
            let lacking = measured.rival.is_some_and(|index| {
                units[index] >= LACKING_UNITS * units[top]
                    && lacks_words(&case.candidates[index].text, &case.candidates[top].text)
            });
            let mut tests = vec![
                case.probability_test(
                    measured.phrase,
                    measured.evidence.confidence,
                    (bar.sure, bar.sure_critical),
                ),
                Test::of(Measure::Score, score, bar.floor),
                Test::of(Measure::Margin, margin, if lacking { LACKING_MARGIN } else { 0.0 }),
            ];
            if units[top] < ENOUGH_UNITS {
                tests.push(Test::of(Measure::ShortScore, score, bar.accept));
                tests.push(Test::of(Measure::ShortMargin, margin, bar.margin));
            }
            tests
        }
        None => {
            measured.evidence.confidence = by_bar(score, margin, bar);
            vec![Test::of(Measure::Score, score, bar.accept), Test::of(Measure::Margin, margin, bar.margin)]
        }
    };
    let sure = tests.iter().all(Test::passed);
    measured.evidence.tests = tests;
    let verdict = if sure { measured.sure(case) } else { measured.unsure(case, bar) };
    (verdict, measured.evidence)
}

/// Takes in what a closer look showed.
pub fn add(evidence: &mut Evidence, fit: &Fit, alike: Option<Alike>) {
    let seconds = (fit.end_ms - fit.start_ms).max(1.0) / 1000.0;
    evidence.worst = fit.worst;
    evidence.before = fit.before;
    evidence.after = fit.after;
    evidence.pace = evidence.units / seconds;
    if let Some(alike) = alike {
        evidence.alike = alike.margin.clamp(WORST, -WORST);
        evidence.alike_words = alike.text;
    }
}

/// Unsure, and of which phrase: the one the closest decoy stands for where that is closer than any phrase.
fn doubt(
    candidates: &[Candidate],
    phrase: PhraseId,
    kind: Kind,
    rival: Option<usize>,
    evidence: &Evidence,
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
        None if evidence.alike < 0.0 && !evidence.alike_words.is_empty() => {
            Verdict::Unsure { closest: phrase, why: Doubt::Decoy { text: evidence.alike_words.clone() } }
        }
        None => Verdict::Unsure { closest: phrase, why: Doubt::Faint },
    }
}

/// Whether a text is another less some of its words.
fn lacks_words(less: &str, whole: &str) -> bool {
    let mut words = whole.split(' ');
    less.len() < whole.len() && less.split(' ').all(|word| words.any(|other| other == word))
}

/// 0 to 1: half at the bar, by the weaker of score and margin. A display value; a calibrated probability is not claimed.
fn by_bar(score: f32, margin: f32, bar: &Bar) -> f32 {
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

    fn case<'a>(candidates: &'a [Candidate], scores: &'a Scores) -> Case<'a> {
        Case { candidates, scores, critical: &|_| false, snr_db: 20.0 }
    }

    fn decided(ratio: [f32; 3]) -> Verdict {
        let scores = Scores { ratio: ratio.to_vec(), units: vec![10.0; 3], free: String::new() };
        let bar = Bar { accept: -0.5, unsure: -1.0, margin: 2.0, ..Bar::default() };
        decide(&case(&candidates(), &scores), |_| Look::default(), &bar).0
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
    fn what_is_clear_or_out_of_the_question_is_not_heard_again() {
        let of = |score, confidence, margin| Evidence { score, confidence, margin, ..Evidence::default() };
        assert!(!in_doubt(&of(-0.2, 0.97, 5.0)) && !in_doubt(&of(-4.5, 0.0, -20.0)));
        assert!(in_doubt(&of(-0.2, 0.9, 5.0)) && in_doubt(&of(-0.2, 0.97, -0.5)));
        assert!(in_doubt(&of(-3.0, 0.01, -8.0)));
    }

    #[test]
    fn impossible_scores_are_ignored_and_stay_finite() {
        let scores = Scores { ratio: vec![f32::NEG_INFINITY; 3], units: vec![1.0; 3], free: String::new() };
        let (verdict, evidence) = decide(&case(&candidates(), &scores), |_| Look::default(), &Bar::default());
        assert_eq!(verdict, Verdict::Ignored { why: Ignored::NoPhrase });
        assert!(evidence.score.is_finite() && evidence.margin.is_finite() && evidence.confidence.is_finite());
    }
}
