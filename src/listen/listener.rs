//! One post's listener: audio in, `Heard` out. Sans-IO: time is the number of samples taken in.
//!
//! Owns one engine and one segmenter. Must not know the session's rules: it is told which phrases count.

use super::accept::{decide, in_doubt, Bar, Case, Look, HOPELESS};
use super::both;
use super::context;
use super::decoys;
use super::engine::{BadWord, Candidate, Engine, EngineError, Kind, Scores};
use super::heard::{Evidence, Heard, Ignored, Verdict};
use super::rivals;
use super::segment::{mean_square, Found, Limits, Segmenter, Utterance};
use super::voices::{self, Voices};
use crate::audio::PER_MS;
use crate::procedure::{Call, PhraseId, Place, Post, Procedure, Use};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Instant;

/// A pause decides early only at this confidence.
const EARLY_CONFIDENCE: f32 = 0.7;
/// Silence after which more of it makes no difference to both ears, ms.
const SETTLED_MS: u64 = 300;
/// Longer utterances are not heard in advance, ms: no phrase takes so long, and the time to think grows with them.
const LONGEST_AHEAD_MS: u64 = 5_000;
/// A hold or a stop is weighed against its nearest rivals only, which come first: each more takes time in which somebody goes on.
const RIVALS_OF_A_HOLD: usize = 12;
/// Shorter voice than this is a click or a cough, ms.
const SHORTEST_MS: u64 = 120;

/// What a listener needs of a procedure: its phrases, the decoys of each, and how words are said.
pub struct Vocabulary {
    phrases: Vec<String>,
    decoys: Vec<Vec<String>>,
    own_decoys: Vec<String>,
    given: BTreeMap<String, Vec<Vec<String>>>,
    /// What the second ear weighs each phrase against.
    rivals: Vec<Arc<Vec<String>>>,
    /// Phrases of critical steps, those that call a contingency, and the observer's decision.
    critical: BTreeSet<PhraseId>,
    /// Phrases that stop everything: decided as soon as they are sure, without waiting for more words.
    urgent: BTreeSet<PhraseId>,
}

impl Vocabulary {
    /// A procedure's phrases. Every call, read-back, confirmation, refusal and answer is in.
    pub fn new(procedure: &Procedure, engine: &dyn Engine) -> Result<Vocabulary, Vec<BadWord>> {
        let phrases = procedure.phrases.iter().map(|p| (p.text.clone(), p.at)).collect();
        let mut vocabulary =
            Vocabulary::of(phrases, procedure.decoys.clone(), procedure.pronunciations.clone(), engine)?;
        let holds =
            |id: &PhraseId| matches!(procedure.phrase(*id).used, Use::Call { call: Call::Stop | Call::Hold });
        let stops =
            |id: &PhraseId| holds(id) || matches!(procedure.phrase(*id).used, Use::Contingency { .. });
        let critical = |id: &PhraseId| match procedure.phrase(*id).used {
            Use::ReadBack { step } | Use::Confirmation { step } => {
                procedure.steps[usize::from(step)].critical
            }
            // What sets a side procedure going must not be taken for granted.
            Use::Contingency { .. } => true,
            // Nor what stands for two answers.
            Use::Decision => true,
            _ => false,
        };
        for id in procedure.phrase_ids().filter(holds) {
            Arc::make_mut(&mut vocabulary.rivals[usize::from(id.0)]).truncate(RIVALS_OF_A_HOLD);
        }
        Ok(Vocabulary {
            urgent: procedure.phrase_ids().filter(stops).collect(),
            critical: procedure.phrase_ids().filter(critical).collect(),
            ..vocabulary
        })
    }

    /// Checks every phrase against the engine and derives the decoys it can pronounce. Fails with every word of a
    /// phrase, or of a decoy the author gave, that the engine does not know; derived decoys with such words are left
    /// out, since nobody could say them to this engine.
    pub fn of(
        phrases: Vec<(String, Place)>,
        own_decoys: Vec<String>,
        given: BTreeMap<String, Vec<Vec<String>>>,
        engine: &dyn Engine,
    ) -> Result<Vocabulary, Vec<BadWord>> {
        let mut bad = Vec::new();
        let own = own_decoys.iter().map(|text| (text, Place::BUILT_IN));
        for (text, at) in phrases.iter().map(|(text, at)| (text, *at)).chain(own) {
            for word in text.split(' ') {
                if let Err(problem) = engine.check_word(word, &given) {
                    bad.push(BadWord { phrase: text.clone(), word: word.to_string(), at, problem });
                }
            }
        }
        if !bad.is_empty() {
            return Err(bad);
        }
        let phrases: Vec<String> = phrases.into_iter().map(|(text, _)| text).collect();
        let all: BTreeSet<String> = phrases.iter().cloned().collect();
        let sayable = |text: &String| text.split(' ').all(|word| engine.check_word(word, &given).is_ok());
        let decoys = phrases
            .iter()
            .map(|phrase| {
                let told = |decoy: &String| engine.tells_stumbles() || !decoys::is_stumble(decoy, phrase);
                decoys::derive(phrase, &all).into_iter().filter(sayable).filter(told).collect()
            })
            .collect();
        let (critical, urgent) = (BTreeSet::new(), BTreeSet::new());
        let known = |word: &str| engine.check_word(word, &given).is_ok();
        let rivals = phrases.iter().map(|phrase| {
            let mut rivals = rivals::derive(phrase, &all, &known);
            rivals.extend(phrases.iter().chain(&own_decoys).filter(|other| *other != phrase).cloned());
            Arc::new(rivals)
        });
        let rivals = rivals.collect();
        Ok(Vocabulary { phrases, decoys, own_decoys, given, rivals, critical, urgent })
    }

    /// The words of a phrase.
    pub fn text(&self, id: PhraseId) -> &str {
        &self.phrases[usize::from(id.0)]
    }

    /// Every phrase.
    pub fn ids(&self) -> Vec<PhraseId> {
        (0..self.phrases.len()).map(|index| PhraseId(index as u16)).collect()
    }

    /// Phrases that count and their decoys, then every other phrase.
    fn candidates(&self, counts: &[PhraseId]) -> Vec<Candidate> {
        let mut candidates: Vec<Candidate> = Vec::new();
        let mut seen = BTreeSet::new();
        for id in counts {
            let index = usize::from(id.0);
            seen.insert(self.phrases[index].clone());
            candidates.push(Candidate { text: self.phrases[index].clone(), kind: Kind::Counts(*id) });
        }
        for (index, text) in self.phrases.iter().enumerate() {
            if seen.insert(text.clone()) {
                candidates.push(Candidate { text: text.clone(), kind: Kind::Other(PhraseId(index as u16)) });
            }
        }
        for id in counts {
            for text in self.decoys[usize::from(id.0)].iter().chain(&self.own_decoys) {
                if seen.insert(text.clone()) {
                    candidates.push(Candidate { text: text.clone(), kind: Kind::Decoy(*id) });
                }
            }
        }
        candidates
    }

    /// What the second ear weighs a phrase against: its rivals, and every other phrase.
    pub fn rivals(&self, id: PhraseId) -> Arc<Vec<String>> {
        Arc::clone(&self.rivals[usize::from(id.0)])
    }

    #[cfg(test)]
    pub fn with_urgent(mut self, urgent: PhraseId) -> Vocabulary {
        self.urgent.insert(urgent);
        self
    }

    /// Whether a phrase stops everything.
    pub fn is_urgent(&self, id: PhraseId) -> bool {
        self.urgent.contains(&id)
    }

    /// Number of decoys of all phrases, for the journal.
    pub fn decoy_count(&self) -> usize {
        self.decoys.iter().map(Vec::len).sum::<usize>() + self.own_decoys.len()
    }
}

pub struct Listener {
    segmenter: Segmenter,
    ear: Ear,
}

/// Everything but the segmenter, so that both can be used at once.
struct Ear {
    post: Post,
    engine: Box<dyn Engine>,
    /// The second ear, where there is one.
    second: Option<Box<dyn Engine>>,
    second_lost: Option<String>,
    /// Who compares voices, where somebody does.
    voices: Option<Box<dyn Voices>>,
    voices_lost: Option<String>,
    vocabulary: Arc<Vocabulary>,
    bar: Bar,
    counts: Vec<PhraseId>,
    /// What the second ear is told of what may come.
    context: String,
    candidates: Vec<Candidate>,
    /// Phrases that another candidate continues: somebody who has said one may not be done.
    continued: BTreeSet<PhraseId>,
    /// Session time of sample 0, ms.
    offset_ms: u64,
    /// The last utterance that was hopelessly unlike any phrase. More silence after it makes it no better.
    hopeless: Option<Known>,
    /// What was heard in advance, at a silence too short to decide.
    ahead: Option<Known>,
    /// What both ears heard with `SETTLED_MS` of silence behind it: more silence tells them nothing.
    settled: Option<Known>,
}

/// What was heard in a stretch of speech, by its samples.
struct Known {
    start: u64,
    end: u64,
    heard: Heard,
}

impl Known {
    fn of(utterance: &Utterance, heard: Heard) -> Known {
        Known { start: utterance.start, end: utterance.end, heard }
    }

    /// Whether nothing was said since.
    fn is_of(&self, utterance: &Utterance) -> bool {
        (self.start, self.end) == (utterance.start, utterance.end)
    }
}

impl Listener {
    pub fn new(post: Post, engine: Box<dyn Engine>, vocabulary: Arc<Vocabulary>, bar: Bar) -> Listener {
        Listener::with_limits(post, engine, vocabulary, bar, Limits::default())
    }

    pub fn with_limits(
        post: Post,
        engine: Box<dyn Engine>,
        vocabulary: Arc<Vocabulary>,
        bar: Bar,
        limits: Limits,
    ) -> Listener {
        let ear = Ear {
            post,
            engine,
            second: None,
            second_lost: None,
            voices: None,
            voices_lost: None,
            vocabulary,
            bar,
            counts: Vec::new(),
            context: String::new(),
            candidates: Vec::new(),
            continued: BTreeSet::new(),
            offset_ms: 0,
            hopeless: None,
            ahead: None,
            settled: None,
        };
        Listener { segmenter: Segmenter::new(limits), ear }
    }

    pub fn post(&self) -> Post {
        self.ear.post
    }

    /// For sound that is not live: nothing is heard in advance from now on. The verdicts are the same, and what is not
    /// decided at a silence is not heard at it. Forgets all audio, as `restart` does.
    pub fn nobody_waits(&mut self) {
        self.segmenter = Segmenter::new(Limits { in_advance: false, ..*self.segmenter.limits() });
        self.restart();
    }

    /// Has a second ear weigh what the first one heard: from now on nothing counts on the word of one.
    pub fn with_second(mut self, second: Box<dyn Engine>) -> Listener {
        self.ear.second = Some(second);
        self
    }

    /// Has the voices of answers compared.
    pub fn with_voices(mut self, voices: Box<dyn Voices>) -> Listener {
        self.ear.voices = Some(voices);
        self
    }

    /// Why voices are no longer compared, since this was last asked.
    pub fn voices_lost(&mut self) -> Option<String> {
        self.ear.voices_lost.take()
    }

    /// Why the second ear was given up since this was last asked: the first goes on alone.
    pub fn second_lost(&mut self) -> Option<String> {
        self.ear.second_lost.take()
    }

    /// The engine alone, for another listener.
    pub fn into_engine(self) -> Box<dyn Engine> {
        self.ear.engine
    }

    /// Says at which session time the next sample was taken, ms.
    pub fn set_clock(&mut self, now_ms: u64) {
        self.ear.offset_ms = now_ms.saturating_sub(self.segmenter.position() / PER_MS);
    }

    /// Which phrases count from now on. Costs nothing when they are the same as before.
    pub fn set_counts(&mut self, counts: &[PhraseId]) -> Result<(), EngineError> {
        self.ear.set_counts(counts)
    }

    /// Forgets all audio: the next sample is the first of a new stream, at session time 0.
    pub fn restart(&mut self) {
        self.segmenter = Segmenter::new(*self.segmenter.limits());
        self.ear.offset_ms = 0;
        self.ear.hopeless = None;
        self.ear.ahead = None;
        self.ear.settled = None;
    }

    /// The tool spoke until this session time: what was heard before may be its voice.
    pub fn cut(&mut self, at_ms: u64) {
        self.ear.ahead = None;
        self.ear.settled = None;
        self.segmenter.cut(at_ms.saturating_sub(self.ear.offset_ms) * PER_MS);
    }

    /// Whether somebody is speaking.
    pub fn speaking(&self) -> bool {
        self.segmenter.speaking()
    }

    /// The next samples: mono, 16 kHz.
    pub fn push(&mut self, samples: &[i16]) -> Result<Vec<Heard>, EngineError> {
        self.listen(|segmenter, found| segmenter.push(samples, found))
    }

    /// The same with the tool's own voice taken out: `samples` is listened to, and `voice`, from which more was taken
    /// than words survive, tells where somebody speaks.
    pub fn push_cleared(&mut self, samples: &[i16], voice: &[i16]) -> Result<Vec<Heard>, EngineError> {
        self.listen(|segmenter, found| segmenter.push_beside(samples, voice, found))
    }

    /// The stream is over: decides about what is running.
    pub fn finish(&mut self) -> Result<Vec<Heard>, EngineError> {
        self.listen(|segmenter, found| segmenter.finish(found))
    }

    fn listen(
        &mut self,
        feed: impl FnOnce(&mut Segmenter, &mut dyn FnMut(Found) -> bool),
    ) -> Result<Vec<Heard>, EngineError> {
        let mut heard = Vec::new();
        let mut failure = None;
        let ear = &mut self.ear;
        feed(&mut self.segmenter, &mut |found| {
            let (utterance, verdict, over) = match found {
                Found::Soon(utterance) => {
                    failure = ear.hear_ahead(&utterance).err().or(failure.take());
                    return false;
                }
                Found::Pause(utterance) => {
                    let verdict = ear.hear_at_pause(&utterance);
                    (utterance, verdict, false)
                }
                Found::Over(utterance) => {
                    let verdict = ear.hear(&utterance);
                    (utterance, verdict, true)
                }
            };
            match verdict {
                Ok(one) if over || ear.decides_early(&one) => {
                    heard.push(ear.with_voice(one, &utterance));
                    true
                }
                Ok(_) => false,
                Err(error) => {
                    failure = Some(error);
                    false
                }
            }
        });
        match failure {
            Some(error) => Err(error),
            None => Ok(heard),
        }
    }
}

impl Ear {
    fn set_counts(&mut self, counts: &[PhraseId]) -> Result<(), EngineError> {
        if self.counts == counts && !self.candidates.is_empty() {
            return Ok(());
        }
        let candidates = self.vocabulary.candidates(counts);
        self.engine.listen_for(&candidates, &self.vocabulary.given)?;
        self.counts = counts.to_vec();
        self.continued = continued(&candidates);
        let phrases = candidates.iter().filter(|one| !matches!(one.kind, Kind::Decoy(_)));
        self.context = context::of(phrases.map(|one| one.text.as_str()));
        self.candidates = candidates;
        self.hopeless = None;
        self.ahead = None;
        self.settled = None;
        Ok(())
    }

    /// Where the tool fell silent in the middle of it, somebody may have called over the tool's voice, or answered it
    /// with the last of that voice before: it is heard as a whole, and if that is no phrase, from there on.
    fn hear_cut(&mut self, utterance: &Utterance) -> Result<Heard, EngineError> {
        let whole = self.judge(utterance)?;
        let sure = matches!(whole.verdict, Verdict::Accepted { .. } | Verdict::Other { .. });
        let Some(after) = utterance.after_cut().filter(|_| !sure) else { return Ok(whole) };
        let rest = self.judge(&after)?;
        Ok(if matches!(rest.verdict, Verdict::Ignored { .. }) { whole } else { rest })
    }

    fn decides_early(&self, heard: &Heard) -> bool {
        decides_early(heard, &self.vocabulary.urgent, &self.continued, self.bar.sure)
    }

    /// Compares the voice of what was surely said.
    fn with_voice(&mut self, mut heard: Heard, utterance: &Utterance) -> Heard {
        let (Some(voices), Verdict::Accepted { phrase }) = (&mut self.voices, &heard.verdict) else {
            return heard;
        };
        let from = (utterance.start - utterance.from).saturating_sub(voices::MARGIN_MS * PER_MS) as usize;
        let to = (utterance.end - utterance.from + voices::MARGIN_MS * PER_MS) as usize;
        match voices.said(*phrase, &utterance.audio[from..to.min(utterance.audio.len())]) {
            Ok(told) => {
                (heard.evidence.same_voice, heard.evidence.beside_both) = (told.same_voice, told.beside);
            }
            Err(why) => (self.voices, self.voices_lost) = (None, Some(why)),
        }
        heard
    }

    fn hear_ahead(&mut self, utterance: &Utterance) -> Result<(), EngineError> {
        let wanted = utterance.end - utterance.start <= LONGEST_AHEAD_MS * PER_MS;
        let heard = wanted.then(|| self.hear(utterance)).transpose()?;
        self.ahead = heard.map(|heard| Known::of(utterance, heard));
        Ok(())
    }

    /// What was heard in advance, if nothing was said since.
    fn hear_at_pause(&mut self, utterance: &Utterance) -> Result<Heard, EngineError> {
        match self.ahead.take().filter(|known| known.is_of(utterance)) {
            Some(known) => Ok(known.heard),
            None => self.hear(utterance),
        }
    }

    fn hear(&mut self, utterance: &Utterance) -> Result<Heard, EngineError> {
        let known = self.hopeless.iter().chain(&self.settled).find(|known| known.is_of(utterance));
        if let Some(known) = known {
            return Ok(known.heard.clone());
        }
        let heard = self.hear_cut(utterance)?;
        let nothing_like_it = matches!(heard.verdict, Verdict::Ignored { why: Ignored::NoPhrase });
        let hopeless = nothing_like_it && heard.evidence.score < HOPELESS;
        self.hopeless = hopeless.then(|| Known::of(utterance, heard.clone()));
        let settled = self.second.is_some() && utterance.silence() >= SETTLED_MS * PER_MS;
        self.settled = settled.then(|| Known::of(utterance, heard.clone()));
        Ok(heard)
    }

    fn judge(&mut self, utterance: &Utterance) -> Result<Heard, EngineError> {
        let began = Instant::now();
        let start_ms = self.offset_ms + utterance.start / PER_MS;
        let end_ms = self.offset_ms + utterance.end / PER_MS;
        let voiced = (utterance.start - utterance.from) as usize..(utterance.end - utterance.from) as usize;
        let speech = decibels(mean_square(&utterance.audio[voiced]));
        let snr_db = (speech - decibels(utterance.room_rms * utterance.room_rms)).clamp(-99.0, 99.0);
        let mut corrected = false;
        let (verdict, mut evidence) = if utterance.too_long {
            (Verdict::Ignored { why: Ignored::TooLong }, Evidence { snr_db, ..Evidence::default() })
        } else if end_ms - start_ms < SHORTEST_MS {
            (Verdict::Ignored { why: Ignored::TooShort }, Evidence { snr_db, ..Evidence::default() })
        } else {
            self.second_begins(&utterance.audio);
            let whole = self.engine.hear(&utterance.audio)?;
            let after = self.engine.corrected();
            corrected = after.is_some();
            if let Some(from) = self.engine.corrected_from() {
                self.second_begins(&utterance.audio[from.min(utterance.audio.len())..]);
            }
            self.decide(&after.unwrap_or(whole), snr_db)?
        };
        evidence.corrected = corrected;
        evidence.level_dbfs = speech;
        evidence.compute_ms = began.elapsed().as_secs_f32() * 1000.0;
        Ok(Heard { post: self.post, start_ms, end_ms, verdict, evidence })
    }

    fn second_begins(&mut self, audio: &[i16]) {
        if let Some(Err(error)) = self.second.as_mut().map(|second| second.begin(audio, &self.context)) {
            self.lose_second(&error);
        }
    }

    /// The first ear goes on alone.
    fn lose_second(&mut self, error: &EngineError) {
        self.second = None;
        self.second_lost = Some(error.to_string());
    }

    /// Decides about the utterance last heard. What is in doubt is heard again first, or by the second ear.
    fn decide(&mut self, scores: &Scores, snr_db: f32) -> Result<(Verdict, Evidence), EngineError> {
        let vocabulary = Arc::clone(&self.vocabulary);
        let critical = |id: PhraseId| vocabulary.critical.contains(&id);
        if let Some(second) = &mut self.second {
            let case = Case { candidates: &self.candidates, scores, critical: &critical, snr_db };
            let ears =
                both::Ears { first: self.engine.as_mut(), second: second.as_mut(), context: &self.context };
            match both::decide(&case, ears, &vocabulary, &self.bar) {
                Ok(decided) => return Ok(decided),
                Err(error) => self.lose_second(&error),
            }
        }
        let case = |scores| Case { candidates: &self.candidates, scores, critical: &critical, snr_db };
        let first = decide(&case(scores), |index| Look::of(self.engine.as_mut(), index), &self.bar);
        if !in_doubt(&first.1) {
            return Ok(first);
        }
        let Some(again) = self.engine.hear_again()? else { return Ok(first) };
        let (verdict, evidence) =
            decide(&case(&again), |index| Look::of(self.engine.as_mut(), index), &self.bar);
        Ok((verdict, Evidence { twice: true, ..evidence }))
    }
}

/// Whether a verdict at a short pause may stand: only a sure phrase that nothing continues, and that no decoy fits better
/// (less its last words it may be one that is still being said); a doubt may be the first half of one. Where everything is
/// to stop, holding too soon is better than too late: such a phrase stands at once, also when it is probable enough and
/// only too short to be sure of.
fn decides_early(
    heard: &Heard,
    urgent: &BTreeSet<PhraseId>,
    continued: &BTreeSet<PhraseId>,
    sure: f32,
) -> bool {
    let Evidence { confidence, margin, phrase: best, .. } = heard.evidence;
    let above = |confident: f32| confidence >= confident && margin >= 0.0;
    match heard.verdict {
        Verdict::Accepted { phrase } if urgent.contains(&phrase) => true,
        Verdict::Accepted { phrase } | Verdict::Other { phrase } => {
            above(EARLY_CONFIDENCE) && !continued.contains(&phrase)
        }
        Verdict::Unsure { closest, .. } => urgent.contains(&closest) && best == Some(closest) && above(sure),
        Verdict::Ignored { .. } => false,
    }
}

/// Phrases whose words another candidate begins with and goes on. The last word said twice is no reason to wait.
fn continued(candidates: &[Candidate]) -> BTreeSet<PhraseId> {
    let goes_on = |phrase: &str| {
        let longer = |other: &str| other.strip_prefix(phrase).is_some_and(|rest| rest.starts_with(' '));
        candidates.iter().any(|other| longer(&other.text) && !decoys::is_stumble(&other.text, phrase))
    };
    let phrases = candidates.iter().filter_map(|candidate| match candidate.kind {
        Kind::Counts(id) | Kind::Other(id) => Some((id, candidate.text.as_str())),
        Kind::Decoy(_) => None,
    });
    phrases.filter(|(_, text)| goes_on(text)).map(|(id, _)| id).collect()
}

/// dB re full scale of a mean square; silence is -99.
fn decibels(mean_square: f32) -> f32 {
    if mean_square > 0.0 {
        (10.0 * mean_square.log10()).max(-99.0)
    } else {
        -99.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::heard::Doubt;

    const STOP: PhraseId = PhraseId(0);
    const GOWN: PhraseId = PhraseId(1);
    const HOOD: PhraseId = PhraseId(2);

    /// With a stop, and a hood phrase that another one continues.
    fn early(verdict: Verdict, phrase: PhraseId, confidence: f32, margin: f32) -> bool {
        let evidence = Evidence { phrase: Some(phrase), confidence, margin, ..Evidence::default() };
        let heard = Heard { post: Post::Worker, start_ms: 0, end_ms: 900, verdict, evidence };
        decides_early(&heard, &[STOP].into(), &[HOOD].into(), 0.5)
    }

    #[test]
    fn a_sure_phrase_stands_at_a_short_pause_unless_another_goes_on_from_it() {
        let accepted =
            |phrase, confidence, margin| early(Verdict::Accepted { phrase }, phrase, confidence, margin);
        assert!(accepted(GOWN, 0.9, 3.0));
        assert!(!accepted(GOWN, 0.6, 3.0), "not sure enough yet");
        assert!(!accepted(GOWN, 0.9, -1.0), "it may lack its last words");
        assert!(!accepted(HOOD, 0.9, 3.0), "it may be the beginning of the other one");
        assert!(accepted(STOP, 0.5, -1.0));
    }

    #[test]
    fn a_stop_that_is_probable_but_too_short_to_be_sure_of_does_not_wait_and_any_other_doubt_does() {
        let unsure = |closest, best, confidence, margin| {
            early(Verdict::Unsure { closest, why: Doubt::Faint }, best, confidence, margin)
        };
        assert!(unsure(STOP, STOP, 0.68, 1.1));
        assert!(!unsure(STOP, STOP, 0.4, 1.1) && !unsure(STOP, STOP, 0.68, -0.5));
        assert!(!unsure(STOP, GOWN, 0.68, 1.1), "something else fits better");
        assert!(!unsure(GOWN, GOWN, 0.68, 1.1));
    }
}
