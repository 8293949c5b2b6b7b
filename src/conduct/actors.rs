//! Stand-in people for rehearsals: a worker and an observer who answer what is awaited, after a human pause, and slip
//! where a script says so.
//!
//! Owns who says what and when. Must not know how speech is made or heard: it hands out texts with times.

use crate::procedure::parse::{place_of, Problem};
use crate::procedure::{Call, Contingency, PhraseId, Place, Procedure, Role, Use};
use crate::session::{Action, HoldWhy, Phase, State};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Something a stand-in says at a time on the session clock.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    pub role: Role,
    pub at_ms: u64,
    pub text: String,
    /// Louder than usual by this much, dB.
    pub louder_db: f32,
}

/// What goes wrong at a step, once or several times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SlipKind {
    /// Says another phrase: `say`, or the phrase of the next step.
    Wrong,
    /// Says nothing until called again.
    Silence,
    /// Says something that is no phrase: `say`, or a sentence of its own.
    Chatter,
    /// Says the right phrase before the step's minimum time is over.
    Early,
    /// The observer refuses.
    Refusal,
    Hold,
    Stop,
    SayAgain,
    GoBack,
    /// Calls a contingency: `contingency` is its id.
    Contingency,
    /// On hold after the tries the observer decides at once: `say` is the reason.
    Decide,
}

impl SlipKind {
    fn is_call(self) -> bool {
        matches!(
            self,
            SlipKind::Hold | SlipKind::Stop | SlipKind::SayAgain | SlipKind::GoBack | SlipKind::Contingency
        )
    }
}

/// One entry of a script.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slip {
    /// Id of a step or question.
    pub step: String,
    pub who: Role,
    pub kind: SlipKind,
    pub say: Option<String>,
    /// Id of the contingency that is called.
    pub contingency: Option<String>,
    pub times: u32,
    /// A call that is made while the tool speaks, not after.
    pub while_speaking: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawScript {
    #[serde(default)]
    answers: BTreeMap<String, toml::Spanned<String>>,
    #[serde(default, rename = "slip")]
    slips: Vec<toml::Spanned<RawSlip>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSlip {
    step: String,
    who: Role,
    kind: SlipKind,
    say: Option<String>,
    contingency: Option<String>,
    #[serde(default = "once")]
    times: u32,
    #[serde(default)]
    while_speaking: bool,
}

fn once() -> u32 {
    1
}

/// What a script file says: answers to questions and slips.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Script {
    /// Question id -> value.
    pub answers: BTreeMap<String, String>,
    pub slips: Vec<Slip>,
}

impl Script {
    /// Reads a script and checks every step, question and value against the procedure.
    pub fn parse(source: &str, name: &str, procedure: &Procedure) -> Result<Script, Vec<Problem>> {
        let raw: RawScript = toml::from_str(source).map_err(|error| {
            let place =
                error.span().map_or(Place { line: 1, column: 1 }, |span| place_of(source, span.start));
            vec![Problem::at(place, error.message().to_string()).in_source(name, source)]
        })?;
        let mut problems = Vec::new();
        let mut problem = |at: usize, what: String, fix: String| {
            problems.push(Problem::at(place_of(source, at), what).fix(fix).in_source(name, source));
        };
        let mut script = Script::default();
        for (id, value) in raw.answers {
            let question = procedure.questions.iter().find(|question| question.id == id);
            let known =
                question.is_some_and(|q| q.answers.iter().any(|answer| answer.value == *value.get_ref()));
            if !known {
                let what =
                    format!("the procedure has no question {id:?} with the answer {:?}", value.get_ref());
                problem(value.span().start, what, questions_hint(procedure));
            }
            script.answers.insert(id, value.into_inner());
        }
        for spanned in raw.slips {
            let at = spanned.span().start;
            let slip = spanned.into_inner();
            let known = procedure.steps.iter().any(|step| step.id == slip.step)
                || procedure.questions.iter().any(|question| question.id == slip.step);
            if !known {
                let what = format!("the procedure has no step or question {:?}", slip.step);
                problem(at, what, "name one of the ids in the procedure's file".to_string());
            }
            let step = procedure.steps.iter().find(|step| step.id == slip.step);
            let confirms = step.map_or(Role::Observer, |step| step.by.confirms());
            if slip.kind == SlipKind::Decide && slip.who != Role::Observer {
                problem(at, "only the observer decides".to_string(), "write who = \"observer\"".to_string());
            }
            if slip.kind == SlipKind::Refusal && slip.who != confirms {
                let what = format!("only the {} refuses", confirms.name());
                problem(at, what, format!("write who = \"{}\"", confirms.name()));
            }
            let named = |id: &String| procedure.contingencies.iter().any(|one| one.id == *id);
            match (slip.kind == SlipKind::Contingency, &slip.contingency) {
                (true, Some(id)) if !named(id) => {
                    let what = format!("the procedure has no contingency {id:?}");
                    problem(at, what, "name one of the ids in the procedure's file".to_string());
                }
                (true, None) => {
                    let fix = "add a line: contingency = \"...\"".to_string();
                    problem(at, "the slip does not say which contingency is called".to_string(), fix);
                }
                (false, Some(_)) => {
                    let fix = "write kind = \"contingency\"".to_string();
                    problem(at, "only a slip of the kind contingency calls one".to_string(), fix);
                }
                _ => {}
            }
            if slip.while_speaking && !slip.kind.is_call() {
                let fix = "write kind = \"hold\", \"stop\", \"say-again\", \"go-back\" or \"contingency\""
                    .to_string();
                problem(at, "only a call is made while the tool speaks".to_string(), fix);
            }
            script.slips.push(Slip {
                step: slip.step,
                who: slip.who,
                kind: slip.kind,
                say: slip.say,
                contingency: slip.contingency,
                times: slip.times,
                while_speaking: slip.while_speaking,
            });
        }
        if problems.is_empty() {
            Ok(script)
        } else {
            Err(problems)
        }
    }
}

fn questions_hint(procedure: &Procedure) -> String {
    let all: Vec<String> = procedure
        .questions
        .iter()
        .map(|question| {
            let values: Vec<&str> = question.answers.iter().map(|answer| answer.value.as_str()).collect();
            format!("{} = {}", question.id, values.join(" or "))
        })
        .collect();
    if all.is_empty() {
        "it asks no questions".to_string()
    } else {
        format!("it asks: {}", all.join("; "))
    }
}

/// How long stand-ins take, ms.
mod pace {
    /// People answer after 200 ms on average (Stivers et al. 2009), later when they look first.
    pub const REACTION: std::ops::Range<u64> = 200..900;
    /// The worker does something first.
    pub const WORK: std::ops::Range<u64> = 1_500..5_000;
    /// The observer looks first.
    pub const LOOK: std::ops::Range<u64> = 600..2_200;
    /// People who are asked again speak up, dB a try (common practice, no source).
    pub const SPEAK_UP_DB: f32 = 3.0;
    /// At most this much, dB.
    pub const SHOUT_DB: f32 = 9.0;
    /// Beyond a step's minimum time.
    pub const PATIENCE: u64 = 700;
}

/// Holds at one step after which the observer takes the way out.
const PATIENCE_HOLDS: u32 = 2;

/// After so many words on hold that nothing came of, the observer stops the session.
const PATIENCE_ON_HOLD: u32 = 4;

/// At this hold of one step that can't be decided about, the observer stops the session: nobody will be understood there.
const HOPELESS_HOLDS: u32 = 4;

/// Both stand-ins.
pub struct Actors {
    script: Script,
    /// The reason that the script gives for the decision just made.
    reason: Option<String>,
    /// What the observer has said since the session was put on hold.
    said_on_hold: u32,
    random: ChaCha8Rng,
}

impl Actors {
    pub fn new(script: Script, seed: u64) -> Actors {
        Actors { script, reason: None, said_on_hold: 0, random: ChaCha8Rng::seed_from_u64(seed) }
    }

    /// The tool has just finished speaking: what a stand-in will say about it.
    pub fn answer(&mut self, procedure: &Procedure, state: &State) -> Option<Line> {
        let role = state.awaited(procedure)?;
        if let Phase::Held { why, .. } = state.phase {
            return Some(self.on_hold(procedure, state, why));
        }
        // Giving the reason is still getting off hold: it may come to nothing like the decision itself.
        if !matches!(state.phase, Phase::Deciding { .. }) {
            self.said_on_hold = 0;
        }
        let place = place_id(procedure, state)?;
        let slip = self.take_slip(&place, role, |slip| !slip.while_speaking && slip.kind != SlipKind::Decide);
        self.answer_with(procedure, state, slip.as_ref())
    }

    /// The answer of whoever is awaited, with this slip in it. `None` is silence.
    pub(super) fn answer_with(
        &mut self,
        procedure: &Procedure,
        state: &State,
        slip: Option<&Slip>,
    ) -> Option<Line> {
        let (role, reminded) = (state.awaited(procedure)?, state.reminders > 0);
        let mut wait = self.random.random_range(pace::REACTION);
        wait += match state.phase {
            Phase::ReadBack { .. } if !reminded && state.tries == 0 => self.random.random_range(pace::WORK),
            Phase::Confirm { .. } | Phase::HoldPoint { .. } => self.random.random_range(pace::LOOK),
            _ => 0,
        };
        let early = slip.is_some_and(|slip| slip.kind == SlipKind::Early);
        if let (Phase::ReadBack { step }, false) = (&state.phase, early) {
            wait = wait.max(self.still_to_wait(procedure, state, *step));
        }
        let text = match slip {
            Some(slip) => self.slipped(procedure, state, slip)?,
            None => self.right_answer(procedure, state),
        };
        let louder_db = self.louder(state);
        Some(Line { role, at_ms: state.now_ms + wait, text, louder_db })
    }

    /// The tool has just begun to speak: what a stand-in calls over it.
    pub fn over_the_prompt(&mut self, procedure: &Procedure, state: &State) -> Option<Line> {
        let role = state.awaited(procedure)?;
        let place = place_id(procedure, state).filter(|_| !matches!(state.phase, Phase::Held { .. }))?;
        let slip = self.take_slip(&place, role, |slip| slip.while_speaking)?;
        let text = self.slipped(procedure, state, &slip)?;
        let wait = self.random.random_range(pace::REACTION);
        Some(Line { role, at_ms: state.now_ms + wait, text, louder_db: self.louder(state) })
    }

    /// Speaking up lasts over a hold: whoever was not heard at this step goes on louder.
    pub(super) fn louder(&self, state: &State) -> f32 {
        let step = state.current_step().map_or(0, |step| state.steps[usize::from(step)].asks_again);
        (pace::SPEAK_UP_DB * step.max(state.tries) as f32).min(pace::SHOUT_DB)
    }

    fn still_to_wait(&self, procedure: &Procedure, state: &State, step: u16) -> u64 {
        let floor = procedure.steps[usize::from(step)].at_least_s.unwrap_or(0.0) * 1000.0;
        let over = state.steps[usize::from(step)].instructed_ms.unwrap_or(state.now_ms);
        match floor as u64 {
            0 => 0,
            floor => (over + floor + pace::PATIENCE).saturating_sub(state.now_ms),
        }
    }

    fn on_hold(&mut self, procedure: &Procedure, state: &State, why: HoldWhy) -> Line {
        let stop_again = why == HoldWhy::Stop;
        let call = if stop_again { Call::Stop } else { Call::CarryOn };
        let wait = 1_000 + self.random.random_range(pace::LOOK);
        let louder_db = self.louder(state);
        self.said_on_hold += 1;
        let text = match self.said_on_hold > PATIENCE_ON_HOLD || hopeless(procedure, state, why) {
            true => call_text(procedure, Call::Stop),
            false => self.decision(procedure, state).unwrap_or_else(|| call_text(procedure, call)),
        };
        Line { role: Role::Observer, at_ms: state.now_ms + wait, text, louder_db }
    }

    /// The way out, where there is one: at once if the script says so, otherwise at the second hold of a step, so that
    /// nobody who is never understood keeps a rehearsal going for ever.
    fn decision(&mut self, procedure: &Procedure, state: &State) -> Option<String> {
        let phrases = state.decisions(procedure);
        // In other words after each time that nothing came of.
        let words = phrases.get((self.said_on_hold as usize).saturating_sub(1) % phrases.len().max(1))?;
        let phrase = procedure.phrase(*words);
        let place = place_id(procedure, state)?;
        let slip = self.take_slip(&place, Role::Observer, |slip| slip.kind == SlipKind::Decide);
        if slip.is_none() && holds_here(state) < PATIENCE_HOLDS {
            return None;
        }
        self.reason = slip.and_then(|slip| slip.say);
        Some(phrase.text.clone())
    }

    fn take_slip(&mut self, place: &str, role: Role, wanted: fn(&Slip) -> bool) -> Option<Slip> {
        let due = |s: &&mut Slip| s.step == place && s.who == role && wanted(s);
        let slip = self.script.slips.iter_mut().filter(|s| s.times > 0).find(due)?;
        slip.times -= 1;
        Some(slip.clone())
    }

    /// `None` is silence.
    fn slipped(&mut self, procedure: &Procedure, state: &State, slip: &Slip) -> Option<String> {
        let call = |call| Some(call_text(procedure, call));
        match slip.kind {
            SlipKind::Silence => None,
            SlipKind::Early | SlipKind::Decide => Some(self.right_answer(procedure, state)),
            SlipKind::Wrong => Some(slip.say.clone().unwrap_or_else(|| other_phrase(procedure, state))),
            SlipKind::Chatter => Some(
                slip.say.clone().unwrap_or_else(|| "could somebody bring another box over here".to_string()),
            ),
            SlipKind::Refusal => match state.phase {
                Phase::Confirm { step } => procedure.steps[usize::from(step)]
                    .refuse
                    .first()
                    .map(|id| procedure.phrase(*id).text.clone()),
                _ => Some(self.right_answer(procedure, state)),
            },
            SlipKind::Hold => call(Call::Hold),
            SlipKind::Stop => call(Call::Stop),
            SlipKind::SayAgain => call(Call::SayAgain),
            SlipKind::GoBack => call(Call::GoBack),
            SlipKind::Contingency => {
                let called = |one: &&Contingency| Some(&one.id) == slip.contingency.as_ref();
                let contingency = procedure.contingencies.iter().find(called)?;
                contingency.call.first().map(|id| procedure.phrase(*id).text.clone())
            }
        }
    }

    fn right_answer(&mut self, procedure: &Procedure, state: &State) -> String {
        let expected = state.expected(procedure);
        if let (Phase::Deciding { .. }, Some(reason)) = (&state.phase, self.reason.take()) {
            return reason;
        }
        let chosen = match state.phase {
            Phase::Asking { question } => {
                let question = &procedure.questions[usize::from(question)];
                let wanted = self.script.answers.get(&question.id);
                let random = self.random.next_u32() as usize % question.answers.len();
                let index = wanted
                    .and_then(|value| question.answers.iter().position(|answer| answer.value == *value));
                question.answers[index.unwrap_or(random)].phrase
            }
            // In other words after each time that one was not understood.
            Phase::Deciding { .. } => {
                let before = self.said_on_hold.saturating_sub(1) + state.tries + state.reminders;
                expected[before as usize % expected.len()]
            }
            // In a phrase with slots any value may be right.
            _ => {
                let first = procedure.phrase(expected[0]);
                let pattern =
                    |id: &PhraseId| procedure.phrase(*id).filled.as_ref().map(|f| f.pattern.clone());
                let alike: Vec<PhraseId> = match &first.filled {
                    Some(_) => {
                        let wanted = pattern(&expected[0]);
                        expected.iter().copied().filter(|id| pattern(id) == wanted).collect()
                    }
                    None => vec![expected[0]],
                };
                match alike.len() {
                    1 => alike[0],
                    count => alike[self.random.next_u32() as usize % count],
                }
            }
        };
        procedure.phrase(chosen).text.clone()
    }
}

/// Held once more because nobody is understood at a step without a way out: nothing else would ever come of it.
fn hopeless(procedure: &Procedure, state: &State, why: HoldWhy) -> bool {
    let in_vain = matches!(why, HoldWhy::Tries | HoldWhy::NoAnswer);
    in_vain && holds_here(state) >= HOPELESS_HOLDS && state.decisions(procedure).is_empty()
}

/// How often the session was on hold at the step it is at.
fn holds_here(state: &State) -> u32 {
    state.current_step().map_or(0, |step| state.steps[usize::from(step)].holds)
}

/// A read-back or confirmation of another step, by the same person.
fn other_phrase(procedure: &Procedure, state: &State) -> String {
    let here = state.current_step();
    let wanted = |used: Use| match (&state.phase, used) {
        (Phase::ReadBack { .. }, Use::ReadBack { step }) => Some(step) > here,
        (Phase::Confirm { .. }, Use::Confirmation { step }) => Some(step) > here,
        _ => false,
    };
    let awaited = state.awaited(procedure);
    let theirs = |by: Option<Role>| by.is_none() || by == awaited;
    let other = procedure.phrases.iter().find(|phrase| wanted(phrase.used) && theirs(phrase.by));
    other.map_or_else(|| "everything is fine here".to_string(), |phrase| phrase.text.clone())
}

pub(super) fn call_text(procedure: &Procedure, wanted: Call) -> String {
    let found = procedure.phrases.iter().find(|phrase| phrase.used == Use::Call { call: wanted });
    // `parse` gives every procedure all five calls.
    found.map(|phrase| phrase.text.clone()).unwrap_or_default()
}

pub(super) fn place_id(procedure: &Procedure, state: &State) -> Option<String> {
    match state.phase {
        Phase::Asking { question } => Some(procedure.questions[usize::from(question)].id.clone()),
        _ => state.current_step().map(|step| procedure.steps[usize::from(step)].id.clone()),
    }
}

/// Whether any of these actions is the tool beginning to speak.
pub fn tool_speaks(actions: &[Action]) -> bool {
    actions.iter().any(|action| matches!(action, Action::Say { .. }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::parse::parse;
    use crate::procedure::Post;
    use crate::session::{At, DEFAULT_GRACE_MS};

    #[test]
    fn an_observer_who_is_never_understood_on_hold_stops_the_session_in_the_end() {
        let source = include_str!("../../procedures/isolation-donning.toml");
        let procedure = parse(source, "p.toml").expect("it is shipped");
        let mut state = State::new(&procedure, &[Post::Room], DEFAULT_GRACE_MS);
        state.phase = Phase::Held { why: HoldWhy::NoAnswer, from: At::Step(0) };
        let mut actors = Actors::new(Script::default(), 1);
        let mut says = |state: &State| actors.answer(&procedure, state).expect("somebody speaks").text;
        let (carry_on, stop) = (call_text(&procedure, Call::CarryOn), call_text(&procedure, Call::Stop));
        for _ in 0..PATIENCE_ON_HOLD {
            assert_eq!(says(&state), carry_on);
        }
        assert_eq!(says(&state), stop);
        // Going on for a while makes patience anew.
        state.phase = Phase::ReadBack { step: 0 };
        assert_ne!(says(&state), stop);
        state.phase = Phase::Held { why: HoldWhy::NoAnswer, from: At::Step(0) };
        assert_eq!(says(&state), carry_on);
    }

    #[test]
    fn an_observer_stops_where_nobody_is_ever_understood_and_nothing_may_be_decided() {
        let source = include_str!("../../procedures/isolation-donning.toml");
        let procedure = parse(source, "p.toml").expect("it is shipped");
        let critical = procedure.steps.iter().position(|step| !step.decision).expect("one is critical");
        let mut state = State::new(&procedure, &[Post::Room], DEFAULT_GRACE_MS);
        let mut actors = Actors::new(Script::default(), 1);
        let (carry_on, stop) = (call_text(&procedure, Call::CarryOn), call_text(&procedure, Call::Stop));
        let mut said = Vec::new();
        // 'carry on' is heard each time, and the step comes to nothing once more.
        for holds in 1..=HOPELESS_HOLDS {
            state.steps[critical].holds = holds;
            state.phase = Phase::Held { why: HoldWhy::Tries, from: At::Step(critical as u16) };
            said.push(actors.answer(&procedure, &state).expect("somebody speaks").text);
            state.phase = Phase::ReadBack { step: critical as u16 };
            actors.answer(&procedure, &state);
        }
        let expected: Vec<String> = [vec![carry_on; HOPELESS_HOLDS as usize - 1], vec![stop]].concat();
        assert_eq!(said, expected);
    }

    #[test]
    fn an_observer_whose_reason_is_never_understood_gives_others_and_stops_the_session_in_the_end() {
        let source = include_str!("../../procedures/isolation-donning.toml");
        let procedure = parse(source, "p.toml").expect("it is shipped");
        let mut state = State::new(&procedure, &[Post::Room], DEFAULT_GRACE_MS);
        let mut actors = Actors::new(Script::default(), 1);
        let mut says = |state: &State| actors.answer(&procedure, state).expect("somebody speaks").text;
        let (held, deciding) =
            (Phase::Held { why: HoldWhy::Tries, from: At::Step(0) }, Phase::Deciding { step: 0 });
        let mut reasons = Vec::new();
        for _ in 0..PATIENCE_ON_HOLD {
            state.phase = held.clone();
            assert_ne!(says(&state), call_text(&procedure, Call::Stop));
            state.phase = deciding.clone();
            reasons.push(says(&state));
        }
        assert_ne!(reasons[0], reasons[1]);
        (state.phase, state.tries) = (deciding, 1);
        assert_ne!(says(&state), reasons[PATIENCE_ON_HOLD as usize - 1]);
        state.phase = held;
        assert_eq!(says(&state), call_text(&procedure, Call::Stop));
    }
}
