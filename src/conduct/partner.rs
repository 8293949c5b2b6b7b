//! The stand-in partner of somebody who practises alone: what it says and when, which of it is an error made on
//! purpose, and that the record knows of each.
//!
//! Owns the partner's part in a session, live or simulated. What it says is heard by the same listeners as anybody's.
//! Must not know how its words become sound, and decides nothing about moving on.

use super::actors::{call_text, place_id, tool_speaks, Actors, Line, Script, Slip, SlipKind};
use super::keeper::Keeper;
use crate::listen::heard::{Heard, Verdict};
use crate::practice::plan::plan;
use crate::practice::words::on_purpose;
use crate::practice::{Practice, SlipNote};
use crate::procedure::{Call, Post, Procedure, Role};
use crate::record::RecordError;
use crate::session::{Action, HoldWhy, Note, Phase, State, What};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::ops::Range;

/// On hold after a call, or what may have been one, the trainee has this long before the partner carries on, ms.
const BREATHER: u64 = 12_000;
/// Other holds last this long, ms.
const PAUSE: Range<u64> = 2_000..4_000;
/// So many holds at a step that nobody called are carried on from; then nobody is there, and the partner ends it.
const CARRY_ON: u32 = 3;
/// After words that are no phrase the right one follows by itself, ms.
const SECOND_THOUGHT: Range<u64> = 4_000..7_000;
/// Somebody who keeps silent would have answered after this time, ms.
const SILENT_AFTER: u64 = 1_000;
/// The partner does not talk into somebody's words, though not for ever: it may be noise, ms.
const POLITE: u64 = 4_000;
/// A refusal that is not heard surely is said again so many times.
const INSIST: u32 = 2;

/// Something the partner says, or keeps silent about.
#[derive(Debug, Clone, PartialEq)]
struct Turn {
    at_ms: u64,
    /// `None` is silence.
    line: Option<Line>,
    /// An error made on purpose.
    slip: Option<SlipNote>,
}

/// What was said, for telling it in the trainee's microphone.
struct Spoke {
    from_ms: u64,
    to_ms: u64,
    text: String,
}

pub struct Partner {
    role: Role,
    actors: Actors,
    random: ChaCha8Rng,
    /// Errors that are still to come.
    slips: Vec<Slip>,
    next: Option<Turn>,
    /// The refusal that was said last, until it had its effect, and how often it may be repeated.
    refusing: Option<(Slip, u32)>,
    /// Holds carried on from since the last step was done.
    holds: u32,
    /// Told on the screen when the step is over: a trainee who knows at once learns nothing.
    untold: Vec<String>,
    spoke: Vec<Spoke>,
}

impl Partner {
    /// `answers`: to questions that it is asked; the seed decides the others.
    pub fn new(procedure: &Procedure, practice: &Practice, answers: BTreeMap<String, String>) -> Partner {
        let role = practice.stand_in();
        Partner {
            role,
            actors: Actors::new(Script { answers, slips: Vec::new() }, practice.seed),
            random: ChaCha8Rng::seed_from_u64(practice.seed ^ 0xA1_0E),
            slips: plan(procedure, role, practice.slips, practice.seed),
            next: None,
            refusing: None,
            holds: 0,
            untold: Vec::new(),
            spoke: Vec::new(),
        }
    }

    /// Its own post.
    pub fn post(&self) -> Post {
        self.role.post()
    }

    /// Told after each event, with the session as it is now. `true`: the tool speaks, so the partner falls silent.
    pub fn after(&mut self, keeper: &mut Keeper, what: &What, actions: &[Action]) -> bool {
        for action in actions {
            if let Action::Note(Note::Refused { .. } | Note::Held { .. }) = action {
                self.refusing = None;
            }
            if let Action::Note(Note::StepDone { .. } | Note::Decided { .. }) = action {
                (self.refusing, self.holds) = (None, 0);
                self.tell(keeper);
            }
        }
        let speaks = tool_speaks(actions);
        if speaks {
            self.next = None;
        }
        let ended = matches!(what, What::SpeechEnded { whole: true, .. } | What::PostBack { .. });
        if ended && keeper.state.speaking.is_none() {
            self.next = self.turn(&keeper.procedure, &keeper.state);
        }
        speaks
    }

    /// The errors so far, on the screen.
    pub fn tell(&mut self, keeper: &mut Keeper) {
        for text in self.untold.drain(..) {
            keeper.show_remark(&text);
        }
    }

    /// What is to be said now. An error made on purpose goes into the journal before it is heard.
    pub fn say(
        &mut self,
        keeper: &mut Keeper,
        now_ms: u64,
        others_speak: bool,
    ) -> Result<Option<Line>, RecordError> {
        let patience = if others_speak { POLITE } else { 0 };
        let Some(turn) = self.next.take_if(|turn| turn.at_ms + patience <= now_ms) else { return Ok(None) };
        if let Some(slip) = &turn.slip {
            let text = on_purpose(&keeper.procedure, self.role, slip);
            keeper.quiet_remark(now_ms, &text, "slip", slip)?;
            self.untold.push(text);
            if slip.kind == SlipKind::Chatter {
                let wait = self.random.random_range(SECOND_THOUGHT);
                let line = self.actors.answer_with(&keeper.procedure, &keeper.state, None);
                self.next = line.map(|line| Turn { at_ms: now_ms + wait, line: Some(line), slip: None });
            }
        }
        Ok(turn.line)
    }

    /// The words were begun at this time, and take so long.
    pub fn said(&mut self, line: &Line, from_ms: u64, length_ms: u64) {
        self.spoke.retain(|spoke| spoke.to_ms + 10_000 > from_ms);
        self.spoke.push(Spoke { from_ms, to_ms: from_ms + length_ms, text: line.text.clone() });
    }

    /// Whether this was the partner's own voice, which the loudspeaker plays, in the trainee's microphone.
    pub fn is_echo(&self, procedure: &Procedure, heard: &Heard) -> bool {
        if heard.post == self.post() {
            return false;
        }
        let phrase = match &heard.verdict {
            Verdict::Accepted { phrase } | Verdict::Other { phrase } => phrase,
            Verdict::Unsure { closest, .. } => closest,
            Verdict::Ignored { .. } => return false,
        };
        let text = &procedure.phrase(*phrase).text;
        let half = heard.end_ms.saturating_sub(heard.start_ms) / 2;
        self.spoke.iter().any(|spoke| {
            let both = spoke.to_ms.min(heard.end_ms).saturating_sub(spoke.from_ms.max(heard.start_ms));
            spoke.text == *text && both >= half.max(1)
        })
    }

    /// The tool has finished speaking: what the partner will do about it.
    fn turn(&mut self, procedure: &Procedure, state: &State) -> Option<Turn> {
        if state.awaited(procedure)? != self.role {
            return None;
        }
        if let Phase::Held { why, .. } = state.phase {
            return self.on_hold(procedure, state, why);
        }
        let (slip, again) = self.take_slip(procedure, state);
        let Some(slip) = slip else {
            let line = self.actors.answer_with(procedure, state, None)?;
            return Some(Turn { at_ms: line.at_ms, line: Some(line), slip: None });
        };
        let mut line = self.actors.answer_with(procedure, state, Some(&slip));
        if let (SlipKind::Early, Some(line)) = (slip.kind, &mut line) {
            line.at_ms = line.at_ms.min(state.now_ms + half_of_minimum(procedure, state));
        }
        let note = SlipNote {
            kind: slip.kind,
            step: slip.step.clone(),
            contingency: slip.contingency.clone(),
            said: line.as_ref().map(|line| line.text.clone()),
        };
        if slip.kind == SlipKind::Refusal && !again {
            self.refusing = Some((slip, INSIST));
        }
        let at_ms = line.as_ref().map_or(state.now_ms + SILENT_AFTER, |line| line.at_ms);
        Some(Turn { at_ms, line, slip: Some(note).filter(|_| !again) })
    }

    /// The error that is due here, and whether it is one being repeated.
    fn take_slip(&mut self, procedure: &Procedure, state: &State) -> (Option<Slip>, bool) {
        if !matches!(state.phase, Phase::ReadBack { .. } | Phase::Confirm { .. }) {
            return (None, false);
        }
        let Some(place) = place_id(procedure, state) else { return (None, false) };
        if let Some((slip, left)) = &mut self.refusing {
            if slip.step == place && *left > 0 && matches!(state.phase, Phase::Confirm { .. }) {
                *left -= 1;
                return (Some(slip.clone()), true);
            }
        }
        let due = self.slips.iter().position(|slip| slip.step == place);
        (due.map(|at| self.slips.remove(at)), false)
    }

    /// A stop ends the practice: a stand-in can't know that it is safe to go on.
    fn on_hold(&mut self, procedure: &Procedure, state: &State, why: HoldWhy) -> Option<Turn> {
        if !state.lost.is_empty() {
            return None;
        }
        let called = matches!(why, HoldWhy::Called | HoldWhy::MaybeStop | HoldWhy::MaybeContingency(_));
        let pause = self.random.random_range(PAUSE);
        let call = match why {
            HoldWhy::Stop => Call::Stop,
            _ if called => Call::CarryOn,
            _ if self.holds >= CARRY_ON => Call::Stop,
            _ => {
                self.holds += 1;
                Call::CarryOn
            }
        };
        let at_ms = state.now_ms + if called { BREATHER } else { pause };
        let louder_db = self.actors.louder(state);
        let line = Line { role: self.role, at_ms, text: call_text(procedure, call), louder_db };
        Some(Turn { at_ms, line: Some(line), slip: None })
    }
}

/// Half of the minimum time of the step that is being done, ms.
fn half_of_minimum(procedure: &Procedure, state: &State) -> u64 {
    let step = state.current_step().map(|step| &procedure.steps[usize::from(step)]);
    (step.and_then(|step| step.at_least_s).unwrap_or(0.0) * 500.0) as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::heard::Evidence;
    use crate::practice::Source;
    use crate::procedure::parse::parse;
    use crate::procedure::PhraseId;

    fn partner(procedure: &Procedure) -> Partner {
        let practice = Practice {
            trainee: Role::Worker,
            stand_in_voice: "flite:awb".to_string(),
            slips: 0.0,
            seed: 1,
            source: Source::Microphone,
        };
        Partner::new(procedure, &practice, BTreeMap::new())
    }

    #[test]
    fn its_own_words_at_the_trainees_post_are_an_echo_and_nothing_else_is() {
        let procedure = parse(include_str!("../../procedures/isolation-donning.toml"), "x.toml").unwrap();
        let mut partner = partner(&procedure);
        let text = "hold everything".to_string();
        let line = Line { role: Role::Observer, at_ms: 10_000, text, louder_db: 0.0 };
        partner.said(&line, 10_000, 1_200);
        let id = |text: &str| procedure.phrase_ids().find(|id| procedure.phrase(*id).text == text).unwrap();
        let echo = |post: Post, start_ms: u64, phrase: PhraseId| {
            let verdict = Verdict::Accepted { phrase };
            let heard =
                Heard { post, start_ms, end_ms: start_ms + 1_100, verdict, evidence: Evidence::default() };
            partner.is_echo(&procedure, &heard)
        };
        let hold = id("hold everything");
        assert!(echo(Post::Worker, 10_050, hold));
        assert!(!echo(Post::Observer, 10_050, hold), "at its own post it is what it said");
        assert!(!echo(Post::Worker, 11_000, hold), "the trainee calls it too, a little later");
        assert!(!echo(Post::Worker, 10_050, id("stop stop")), "the trainee calls something else over it");
    }
}
