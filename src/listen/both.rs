//! Two ears on one utterance: the first says which phrases are possible, the second weighs them, and nothing counts on the
//! word of one.
//!
//! Owns what the second ear is asked and the verdict of both. Must not know the session.

use super::accept::{self, Bar, Case, Look, Measured};
use super::engine::{Asked, Candidate, Engine, EngineError, Rival, Weighed};
use super::evidence::{probability, probability_of_both};
use super::heard::{Against, Doubt, Evidence, Measure, SecondOpinion, Test, Verdict};
use super::listener::Vocabulary;
use std::time::Instant;

/// Phrases that the second ear weighs at most: those that the first finds likeliest.
const MOST_POSSIBLE: usize = 4;
/// How far the first ear's leaning counts when both choose the phrase, in the second's nats for one of the first's.
const LEANING: f32 = 0.3;
/// A call that stops everything counts by the second ear alone from this weight on, this far above all else, nats.
const CALLED: f32 = -3.0;
const CALLED_ABOVE: f32 = 1.0;
/// Nearer than this the second ear's rival is named as the reason, nats.
const NEAR: f32 = 2.0;

/// Both ears, which have heard the utterance (the second may still be at it).
pub struct Ears<'a> {
    pub first: &'a mut dyn Engine,
    pub second: &'a mut dyn Engine,
    /// What the second is told of what may come.
    pub context: &'a str,
}

/// Decides about one utterance.
pub fn decide(
    case: &Case,
    ears: Ears,
    vocabulary: &Vocabulary,
    bar: &Bar,
) -> Result<(Verdict, Evidence), EngineError> {
    let Ears { first, second, context } = ears;
    let possible = case.possible(MOST_POSSIBLE, bar.both.first_score);
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
    let urgent = vocabulary.is_urgent(case.measure(top).phrase);
    let context = context.to_string();
    let asked = Asked { at_once: urgent, context, ..question(case, &possible, alike, vocabulary) };
    let Some(weighed) = second.weigh(&asked)? else { return Ok(by_one) };
    let chosen = possible[weighed.chosen];
    let mut measured = case.measure(chosen);
    let close = if chosen == top { alone } else { Look::of(first, chosen) };
    if let Some(fit) = close.fit {
        accept::add(&mut measured.evidence, &fit, close.alike);
    }
    let compute_ms = began.elapsed().as_secs_f32() * 1000.0;
    let ratio = case.scores.ratio[chosen];
    let phrase = &case.candidates[chosen].text;
    measured.evidence.second = Some(Box::new(SecondOpinion {
        compute_ms,
        ..opinion(phrase, &weighed, ratio, case.candidates, first)
    }));
    if let Some(second) =
        measured.evidence.second.as_deref().filter(|_| vocabulary.is_urgent(measured.phrase))
    {
        let tests = alone_by_second(second);
        if tests.iter().all(Test::passed) {
            measured.evidence.tests = tests;
            return Ok((measured.sure(case), with_confidence(measured.evidence)));
        }
    }
    Ok(judge(case, measured, bar))
}

/// What stops everything is obeyed on the word of the second ear too.
fn alone_by_second(second: &SecondOpinion) -> Vec<Test> {
    vec![
        Test::of(Measure::Weight, second.weight, CALLED),
        Test::of(Measure::Asked, second.asked.second, CALLED_ABOVE),
        Test::of(Measure::Free, second.free.second, CALLED_ABOVE),
    ]
}

fn with_confidence(evidence: Evidence) -> Evidence {
    let confidence = probability_of_both(&evidence).unwrap_or(0.0);
    Evidence { confidence, ..evidence }
}

/// What stops everything does not wait for a second opinion: to hold too soon is better than too late.
fn stands_alone(case: &Case, by_one: &(Verdict, Evidence), vocabulary: &Vocabulary, bar: &Bar) -> bool {
    let (verdict, evidence) = by_one;
    let Some(phrase) = evidence.phrase.filter(|phrase| vocabulary.is_urgent(*phrase)) else { return false };
    let needed = case.probability_test(phrase, evidence.confidence, (bar.sure, bar.sure_critical)).needed;
    let probable = evidence.confidence >= needed.min(bar.sure) && evidence.margin >= 0.0;
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
        ..Asked::default()
    }
}

/// Texts as far from the phrase as this are not told apart, nats.
const FAR: f32 = 30.0;
/// A text that the first ear can't pronounce is no word of the language: it is held against the phrase by the second alone,
/// as if the first were this sure, nats.
const UNKNOWN: f32 = 4.0;

/// Texts that the first ear tells apart by less sound the same, nats.
const SAME: f32 = 0.02;

/// How much nearer a rival is for a nat of the first ear, against one of the second.
const FIRST_SHARE: f32 = 0.5;

impl Against {
    /// How far the phrase is above it by both ears.
    pub fn joint(&self) -> f32 {
        self.second + FIRST_SHARE * self.first
    }
}

/// `candidates`: what the procedure says apart from the phrase is never the same as it.
fn opinion(
    phrase: &str,
    weighed: &Weighed,
    ratio: f32,
    candidates: &[Candidate],
    first: &mut dyn Engine,
) -> SecondOpinion {
    let texts: Vec<&str> = weighed.rivals.iter().map(|rival| rival.text.as_str()).collect();
    let scores = first.score_texts(&texts);
    let none = || Against { text: String::new(), first: FAR, second: FAR };
    let mut opinion = SecondOpinion {
        weight: weighed.weight,
        worst: weighed.worst,
        worst_word: weighed.worst_word.clone(),
        end: weighed.end,
        rival: none(),
        asked: none(),
        free: none(),
        compute_ms: 0.0,
    };
    let rivals: Vec<(&Rival, Option<f32>)> = weighed.rivals.iter().zip(scores).collect();
    // Written otherwise and sounding the same ('air flow', 'strap secured' for 'straps secured'), it is the phrase.
    let named = |text: &str| candidates.iter().any(|candidate| candidate.text == text);
    let (same, others): (Vec<_>, Vec<_>) = rivals.into_iter().partition(|(rival, score)| {
        let by_score = !rival.asked && score.is_some_and(|score| (ratio - score).abs() < SAME);
        by_score || (!named(&rival.text) && first.sound_the_same(phrase, &rival.text))
    });
    let mut words = Words::of(phrase, weighed);
    for (rival, _) in same {
        let (more, less) = (opinion.weight.max(rival.log_p), opinion.weight.min(rival.log_p));
        let together = more + (less - more).exp().ln_1p();
        words.gain(&rival.text, together - opinion.weight);
        opinion.weight = together;
    }
    if let Some((word, worst)) = words.worst() {
        (opinion.worst, opinion.worst_word) = (worst, word.to_string());
    }
    for (rival, score) in others {
        let first = score.map_or(UNKNOWN, |score| (ratio - score).clamp(-FAR, FAR));
        let second = (opinion.weight - rival.log_p).clamp(-FAR, FAR);
        let against = Against { text: rival.text.clone(), first, second };
        for (of_it, nearest) in [(rival.free, &mut opinion.free), (rival.asked, &mut opinion.asked)] {
            if of_it && second < nearest.second {
                *nearest = against.clone();
            }
        }
        if against.joint() < opinion.rival.joint() {
            opinion.rival = against;
        }
    }
    opinion
}

/// The words of a phrase and what each weighs after those before it.
struct Words<'a> {
    words: Vec<&'a str>,
    weights: Vec<f32>,
}

impl<'a> Words<'a> {
    fn of(phrase: &'a str, weighed: &Weighed) -> Words<'a> {
        Words { words: phrase.split(' ').collect(), weights: weighed.words.clone() }
    }

    /// What a text of the same sound adds to the phrase, it adds to the words in which it is written otherwise.
    fn gain(&mut self, same: &str, nats: f32) {
        let same: Vec<&str> = same.split(' ').collect();
        if same.len() != self.words.len() {
            return;
        }
        let differing = self.words.iter().zip(&same).zip(&mut self.weights).filter(|((a, b), _)| a != b);
        differing.for_each(|(_, weight)| *weight = (*weight + nats).min(0.0));
    }

    /// The least probable word; `None` when all are certain or nothing is known of them.
    fn worst(&self) -> Option<(&'a str, f32)> {
        let known = self.words.iter().copied().zip(self.weights.iter().copied());
        known.filter(|(_, weight)| *weight < 0.0).min_by(|a, b| a.1.total_cmp(&b.1))
    }
}

/// From both ears' evidence to a verdict.
fn judge(case: &Case, mut measured: Measured, bar: &Bar) -> (Verdict, Evidence) {
    let alone = probability(&measured.evidence);
    measured.evidence = with_confidence(measured.evidence);
    let Evidence { score, margin, ref second, .. } = measured.evidence;
    let Some(second) = second.clone() else { return (measured.unsure(case, bar), measured.evidence) };
    let both = &bar.both;
    let mut tests = vec![
        case.probability_test(measured.phrase, measured.evidence.confidence, (both.sure, both.sure_critical)),
        Test::of(Measure::Score, score, both.first_score),
        Test::of(Measure::Margin, margin, both.first_margin),
        Test::of(Measure::Weight, second.weight, both.second_weight),
    ];
    // The phrase less some words comes near in noise, which swallows weak ones: that is for the probability to weigh.
    if second.asked.text.split(' ').count() >= measured.evidence.words_of_phrase {
        tests.push(Test::of(Measure::Asked, second.asked.second, both.second_margin));
    }
    let sure = tests.iter().all(Test::passed);
    measured.evidence.tests = tests;
    if sure {
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
    let rival = &second.rival;
    if !rival.text.is_empty() && rival.second < 0.0 && first_sure {
        return Doubt::Ears { first: phrase.to_string(), second: rival.text.clone() };
    }
    if !rival.text.is_empty() && rival.second < NEAR {
        return Doubt::Decoy { text: rival.text.clone() };
    }
    match by_first {
        Doubt::Decoy { text } if evidence.margin < 0.0 => {
            Doubt::Ears { first: text, second: phrase.to_string() }
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::super::engine::{Alike, Candidate, Fit, Kind, Scores, WordProblem};
    use super::*;
    use crate::procedure::{PhraseId, Place};
    use std::collections::BTreeMap;

    /// An ear that has heard what it is told to have heard.
    #[derive(Default)]
    struct Told {
        weighed: Option<Weighed>,
        fails: bool,
        asked: usize,
        /// Sounds like every phrase.
        same: &'static str,
    }

    impl Engine for Told {
        fn name(&self) -> &'static str {
            "told"
        }
        fn describe(&self) -> String {
            String::new()
        }
        fn check_word(&self, _: &str, _: &BTreeMap<String, Vec<Vec<String>>>) -> Result<(), WordProblem> {
            Ok(())
        }
        fn how_to_add(&self, _: &str) -> String {
            String::new()
        }
        fn listen_for(
            &mut self,
            _: &[Candidate],
            _: &BTreeMap<String, Vec<Vec<String>>>,
        ) -> Result<(), EngineError> {
            Ok(())
        }
        fn hear(&mut self, _: &[i16]) -> Result<Scores, EngineError> {
            Ok(Scores::default())
        }
        fn hear_again(&mut self) -> Result<Option<Scores>, EngineError> {
            Ok(None)
        }
        fn fit(&self, _: usize) -> Option<Fit> {
            Some(Fit { start_ms: 0.0, end_ms: 900.0, worst: 1.0, ..Fit::default() })
        }
        fn corrected(&mut self) -> Option<Scores> {
            None
        }
        fn alike(&mut self, _: usize) -> Option<Alike> {
            Some(Alike { margin: 6.0, text: "gown is posed".into() })
        }
        fn sound_the_same(&self, _: &str, other: &str) -> bool {
            self.same == other
        }
        fn weigh(&mut self, _: &Asked) -> Result<Option<Weighed>, EngineError> {
            self.asked += 1;
            match self.fails {
                true => Err(EngineError::Failed("told to".into())),
                false => Ok(self.weighed.clone()),
            }
        }
    }

    const PHRASES: [&str; 3] = ["gown is closed", "hood is down", "hold everything"];

    fn vocabulary() -> Vocabulary {
        let phrases = PHRASES.iter().map(|text| (text.to_string(), Place::BUILT_IN)).collect();
        let vocabulary = Vocabulary::of(phrases, Vec::new(), BTreeMap::new(), &Told::default()).unwrap();
        vocabulary.with_urgent(PhraseId(2))
    }

    /// What both made of it: `ratio` is the first ear's of each phrase and of a decoy of the first.
    fn decided(ratio: [f32; 4], second: &mut Told) -> Result<(Verdict, Evidence), EngineError> {
        decided_by(&mut Told::default(), ratio, second)
    }

    fn decided_by(
        first: &mut Told,
        ratio: [f32; 4],
        second: &mut Told,
    ) -> Result<(Verdict, Evidence), EngineError> {
        let counts =
            |id: u16| Candidate { text: PHRASES[usize::from(id)].into(), kind: Kind::Counts(PhraseId(id)) };
        let decoy = Candidate { text: "gown is not closed".into(), kind: Kind::Decoy(PhraseId(0)) };
        let candidates = [counts(0), counts(1), counts(2), decoy];
        let scores = Scores { ratio: ratio.to_vec(), units: vec![12.0; 4], free: String::new() };
        let case = Case { candidates: &candidates, scores: &scores, critical: &|_| false, snr_db: 40.0 };
        let ears = Ears { first, second, context: "" };
        decide(&case, ears, &vocabulary(), &Bar::default())
    }

    /// The second ear chose the first of the phrases that it was asked about.
    fn weighed(weight: f32, rival: &str, rival_log_p: f32) -> Told {
        let weighed = Weighed {
            chosen: 0,
            log_p: vec![weight],
            weight,
            worst: weight / 2.0,
            end: -0.1,
            rivals: vec![Rival { text: rival.into(), log_p: rival_log_p, free: false, asked: true }],
            ..Weighed::default()
        };
        Told { weighed: Some(weighed), ..Told::default() }
    }

    const CLEAR: [f32; 4] = [-0.5, -90.0, -90.0, -20.0];

    #[test]
    fn what_both_heard_is_accepted_and_keeps_what_each_heard() {
        let (verdict, evidence) = decided(CLEAR, &mut weighed(-0.2, "gown is open", -9.0)).unwrap();
        assert_eq!(verdict, Verdict::Accepted { phrase: PhraseId(0) });
        let second = evidence.second.unwrap();
        assert_eq!((second.weight, second.rival.text.as_str()), (-0.2, "gown is open"));
        assert!(evidence.score > -0.1 && second.asked.second > 8.0);
    }

    #[test]
    fn what_the_first_is_sure_of_and_the_second_contradicts_is_asked_again_and_both_are_named() {
        let (verdict, _) = decided(CLEAR, &mut weighed(-9.0, "gown isn't closed", -0.1)).unwrap();
        let why = Doubt::Ears { first: "gown is closed".into(), second: "gown isn't closed".into() };
        assert_eq!(verdict, Verdict::Unsure { closest: PhraseId(0), why });
    }

    /// 'straps secured' runs together as 'strap secured' does.
    #[test]
    fn a_rival_that_sounds_the_same_is_the_phrase_unless_the_procedure_names_it() {
        let heard = |same: &'static str, rival: &str| {
            let mut second = weighed(-6.0, rival, -0.2);
            second.weighed.as_mut().expect("it was just made").words = vec![-0.1, -5.8, -0.1];
            decided_by(&mut Told { same, ..Told::default() }, CLEAR, &mut second).expect("nothing fails")
        };
        let (verdict, evidence) = heard("gown as closed", "gown as closed");
        assert_eq!(verdict, Verdict::Accepted { phrase: PhraseId(0) });
        let second = evidence.second.expect("both heard it");
        assert!(second.weight > -0.3 && second.worst > -0.3, "{second:?}");
        assert!(second.rival.text.is_empty(), "{second:?}");
        assert!(!matches!(heard("", "gown as closed").0, Verdict::Accepted { .. }));
        let named = "gown is not closed";
        assert!(!matches!(heard(named, named).0, Verdict::Accepted { .. }));
    }

    #[test]
    fn what_the_first_never_heard_is_not_accepted_on_the_word_of_the_second() {
        let mut second = weighed(-0.1, "", -99.0);
        let (verdict, _) = decided([-90.0, -95.0, -95.0, -99.0], &mut second).unwrap();
        assert!(matches!(verdict, Verdict::Ignored { .. }), "{verdict:?}");
        assert_eq!(second.asked, 0, "nothing is left to weigh");
        // Barely possible, and a decoy fits far better.
        let (verdict, _) = decided([-40.0, -90.0, -90.0, -6.0], &mut weighed(-0.1, "", -99.0)).unwrap();
        assert!(!matches!(verdict, Verdict::Accepted { .. }), "{verdict:?}");
    }

    #[test]
    fn what_stops_everything_is_obeyed_on_the_word_of_either_ear() {
        let hold = Verdict::Accepted { phrase: PhraseId(2) };
        let mut second = weighed(-12.0, "hold on", -0.1);
        assert_eq!(decided([-90.0, -90.0, -0.5, -90.0], &mut second).unwrap().0, hold);
        assert_eq!(second.asked, 0, "it does not wait");
        // The first made something else of it, and only leaves it possible.
        let faint = [-90.0, -90.0, -33.0, -10.0];
        assert_eq!(decided(faint, &mut weighed(-0.5, "hold on", -6.0)).unwrap().0, hold);
        assert_ne!(decided(faint, &mut weighed(-0.5, "hold on", -0.9)).unwrap().0, hold, "neither is sure");
        assert_ne!(decided(faint, &mut weighed(-7.0, "hold on", -16.0)).unwrap().0, hold, "neither is sure");
    }

    #[test]
    fn a_second_ear_that_fails_is_an_error_for_the_listener_to_act_on() {
        assert!(decided(CLEAR, &mut Told { fails: true, ..Told::default() }).is_err());
    }

    /// With weights that the fit gave, no weight of the second alone carries a phrase that the first contradicts, and none
    /// of the first alone.
    #[test]
    fn no_score_of_one_ear_makes_up_for_a_floor_of_the_other() {
        let bar = Bar::default().both;
        for step in 0..40 {
            let bad = -f32::from(step as u8) * 2.0;
            let (verdict, _) =
                decided(CLEAR, &mut weighed(bar.second_weight - 0.1 + bad, "", -99.0)).unwrap();
            assert!(!matches!(verdict, Verdict::Accepted { .. }));
            let first = (bar.first_score - 0.01) * 12.0 + bad;
            let (verdict, _) =
                decided([first, -900.0, -900.0, -900.0], &mut weighed(-0.01, "", -99.0)).unwrap();
            assert!(!matches!(verdict, Verdict::Accepted { .. }));
        }
    }
}
