//! The picture as plain data and words, worked out from the state. Pure; tested without a terminal.

use super::words::{heard_words, hold_words, note_words, outcome_words};
use crate::listen::heard::Heard;
use crate::procedure::{Call, Part, PhraseId, Procedure, Role, SlotKind, Use};
use crate::session::{At, HoldWhy, Note, Outcome, Phase, Standing, State};

/// The latest utterance and what the session made of it.
#[derive(Debug, Clone, PartialEq)]
pub struct LastHeard {
    pub heard: Heard,
    pub note: Option<Note>,
}

/// What kind of moment it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scene {
    Ready,
    Opening,
    Question,
    /// The observer is to release the next step.
    HoldPoint,
    /// Somebody acts and reads back.
    ReadBack,
    /// The other one looks and confirms or refuses.
    Confirm,
    /// The observer decided, and gives the reason.
    Deciding,
    Held,
    Closing,
    Ended(Outcome),
}

/// Everything a screen shows.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    pub scene: Scene,
    pub title: String,
    pub unit: Option<String>,
    /// `step 4 of 19`, `question 1 of 1`, `opening`, ...; on hold, the place that it returns to.
    pub place: String,
    pub critical: bool,
    /// What is to be done or asked, or what is spoken.
    pub text: String,
    /// What the observer is to look at.
    pub look: Option<String>,
    /// Who is awaited now; `None` while the tool speaks or is done.
    pub awaited: Option<Role>,
    /// Who is awaited now or as soon as the tool has spoken.
    pub turn: Option<Role>,
    /// The tool is speaking.
    pub speaking: bool,
    /// The phrases prompted for, any of which moves the session on.
    pub expected: Vec<String>,
    /// Other wordings that count just as well.
    pub also: Vec<String>,
    /// Phrases by which the observer refuses.
    pub refusals: Vec<String>,
    /// Phrases by which the observer may decide about the step, now that the tries are used up.
    pub decisions: Vec<String>,
    /// Why the session is on hold.
    pub held: Option<String>,
    /// Calls that would be obeyed now, besides those expected: phrase and effect.
    pub calls: Vec<(String, &'static str)>,
    /// Phrases that call a contingency, one for each.
    pub alerts: Vec<String>,
    /// What was last heard and why it did or didn't count.
    pub last: Option<String>,
    pub last_counted: bool,
    /// Seconds since the session began.
    pub session_s: u64,
    /// Seconds since the step began.
    pub in_step_s: Option<u64>,
    /// Seconds until the step's minimum time is over.
    pub not_before_s: Option<u64>,
    /// How long the step usually takes.
    pub expected_s: Option<u64>,
    /// Steps confirmed and steps to do, of the procedure's own.
    pub done: usize,
    pub of: usize,
    /// Of the steps done: confirmed by decision.
    pub decided: usize,
}

impl View {
    pub fn of(procedure: &Procedure, state: &State, last: Option<&LastHeard>) -> View {
        let speaking = state.speaking.is_some();
        let own = |wanted: fn(Standing) -> bool| {
            state.steps[..procedure.own_steps].iter().filter(|step| wanted(step.standing)).count()
        };
        let turn = state.awaited(procedure);
        let mut view = View {
            scene: Scene::Ready,
            title: procedure.title.clone(),
            unit: procedure.unit.clone(),
            place: String::new(),
            critical: false,
            text: String::new(),
            look: None,
            awaited: turn.filter(|_| !speaking),
            turn,
            speaking,
            expected: Vec::new(),
            also: Vec::new(),
            refusals: Vec::new(),
            decisions: phrase_texts(procedure, &state.decisions(procedure)),
            held: None,
            calls: calls(procedure, state),
            alerts: alerts(procedure, state),
            last: last.map(|last| describe_last(procedure, last)),
            last_counted: last.is_some_and(|last| {
                matches!(
                    last.note,
                    Some(Note::Counted { .. } | Note::Obeyed { .. } | Note::ContingencyBegan { .. })
                )
            }),
            session_s: state.now_ms / 1000,
            in_step_s: None,
            not_before_s: None,
            done: own(|step| step.is_done()),
            decided: own(|step| step == Standing::Decided),
            of: active_steps(procedure, state, Part::Main).count(),
            expected_s: None,
        };
        view.fill_phase(procedure, state);
        view
    }

    fn fill_phase(&mut self, procedure: &Procedure, state: &State) {
        let texts = |ids: &[PhraseId]| phrase_texts(procedure, ids);
        match state.phase {
            Phase::Ready => self.place = "ready".into(),
            Phase::Opening => {
                self.scene = Scene::Opening;
                self.fill_place(procedure, state, At::Opening);
            }
            Phase::Asking { question } => {
                self.scene = Scene::Question;
                self.fill_place(procedure, state, At::Question(question));
                self.expected = texts(&state.expected(procedure));
            }
            Phase::HoldPoint { step } => {
                self.scene = Scene::HoldPoint;
                self.fill_place(procedure, state, At::Step(step));
                let point = procedure.steps[usize::from(step)].hold_point.as_ref();
                self.text = point.map(|point| point.text.clone()).unwrap_or_default();
                self.expected = texts(&state.expected(procedure));
                self.also = self.expected.split_off(self.expected.len().min(1));
            }
            Phase::ReadBack { step } => {
                self.scene = Scene::ReadBack;
                self.fill_place(procedure, state, At::Step(step));
                self.expected = texts(&state.expected(procedure));
                self.also = self.expected.split_off(self.expected.len().min(1));
                self.not_before_s = time_left_s(procedure, state, usize::from(step));
            }
            Phase::Confirm { step } => {
                self.scene = Scene::Confirm;
                self.fill_place(procedure, state, At::Step(step));
                self.expected = texts(&state.confirmations(procedure, step));
                let step = &procedure.steps[usize::from(step)];
                self.look = Some(step.look.clone());
                self.also = self.expected.split_off(self.expected.len().min(1));
                self.refusals = texts(&step.refuse);
            }
            Phase::Deciding { step } => {
                self.scene = Scene::Deciding;
                self.fill_place(procedure, state, At::Step(step));
                self.expected = texts(&state.expected(procedure));
            }
            Phase::Held { why, from } => {
                self.scene = Scene::Held;
                self.fill_place(procedure, state, from);
                self.held = Some(hold_words(procedure, why));
                self.expected = texts(&state.expected(procedure));
                self.also = self.expected.split_off(self.expected.len().min(1));
            }
            Phase::Closing => {
                self.scene = Scene::Closing;
                self.fill_place(procedure, state, At::Closing);
            }
            Phase::Ended { outcome } => {
                self.scene = Scene::Ended(outcome);
                self.place = format!("ended: {}", outcome_words(outcome));
            }
        }
    }

    fn fill_place(&mut self, procedure: &Procedure, state: &State, at: At) {
        match at {
            At::Opening => {
                self.place = "opening".into();
                self.text = procedure.opening.clone().unwrap_or_default();
            }
            At::Question(question) => {
                let index = usize::from(question);
                self.place = format!("question {} of {}", index + 1, procedure.questions.len());
                self.text = procedure.questions[index].ask.clone();
            }
            At::Step(step) => self.fill_step(procedure, state, usize::from(step)),
            At::Closing => {
                self.place = "closing".into();
                self.text = match state.part(procedure) {
                    Part::Exit(exit) => procedure.exits[usize::from(exit)].closing.clone(),
                    Part::Main | Part::Contingency(_) => procedure.closing.clone(),
                };
            }
        }
    }

    fn fill_step(&mut self, procedure: &Procedure, state: &State, index: usize) {
        let part = procedure.part_of(index);
        let of = active_steps(procedure, state, part).count();
        let number = active_steps(procedure, state, part)
            .position(|step| step == index)
            .map_or(index + 1 - procedure.range(part).start, |at| at + 1);
        self.place = match part {
            Part::Main => format!("step {number} of {of}"),
            Part::Contingency(at) => {
                format!("{}: step {number} of {of}", procedure.contingencies[usize::from(at)].title)
            }
            Part::Exit(at) => format!("{}: step {number} of {of}", procedure.exits[usize::from(at)].title),
        };
        self.expected_s = procedure.steps[index].expected_s.map(|seconds| seconds.round() as u64);
        self.critical = procedure.steps[index].critical;
        self.text = procedure.steps[index].instruction.clone();
        self.in_step_s = state.steps[index].began_ms.map(|began| state.now_ms.saturating_sub(began) / 1000);
    }
}

fn active_steps<'a>(
    procedure: &'a Procedure,
    state: &'a State,
    part: Part,
) -> impl Iterator<Item = usize> + 'a {
    procedure.range(part).filter(|step| state.active(procedure, *step))
}

/// Seconds until a read-back would no longer be too soon; the whole minimum time while the instruction is not over.
fn time_left_s(procedure: &Procedure, state: &State, step: usize) -> Option<u64> {
    let floor_ms = (procedure.steps[step].at_least_s? * 1000.0).round().max(0.0) as u64;
    let since = state.steps[step].instructed_ms.map_or(0, |over| state.now_ms.saturating_sub(over));
    Some(floor_ms.saturating_sub(since)).filter(|left| *left > 0).map(|left| left.div_ceil(1000))
}

/// The phrases' words; those that differ only in their slots as one, with what may stand there.
fn phrase_texts(procedure: &Procedure, ids: &[PhraseId]) -> Vec<String> {
    let pattern = |id: &PhraseId| procedure.phrase(*id).filled.as_ref().map(|filled| filled.pattern.as_str());
    let mut texts: Vec<String> = Vec::new();
    for id in ids {
        let alike =
            pattern(id).filter(|mine| ids.iter().filter(|other| pattern(other) == Some(mine)).count() > 1);
        let text = match alike {
            Some(pattern) => with_slots(procedure, pattern),
            None => procedure.phrase(*id).text.clone(),
        };
        if !texts.contains(&text) {
            texts.push(text);
        }
    }
    texts
}

/// `gown number {tag}` as `gown number (2 digits)`.
fn with_slots(procedure: &Procedure, pattern: &str) -> String {
    procedure.slots.iter().fold(pattern.to_string(), |text, slot| {
        let words = match &slot.kind {
            SlotKind::Words(words) => words.join("/"),
            SlotKind::Digits(count) => format!("{count} digits"),
        };
        text.replace(&format!("{{{}}}", slot.id), &format!("({words})"))
    })
}

/// Calls that would be obeyed at one of the microphones now, one phrase each, besides the one that ends a hold.
fn calls(procedure: &Procedure, state: &State) -> Vec<(String, &'static str)> {
    if matches!(state.phase, Phase::Ready | Phase::Ended { .. }) {
        return Vec::new();
    }
    let valid: Vec<PhraseId> =
        state.posts.iter().flat_map(|post| state.counts_at(procedure, *post)).collect();
    let phrase = |wanted: Call| {
        valid.iter().map(|id| procedure.phrase(*id)).find(|phrase| phrase.used == Use::Call { call: wanted })
    };
    let ends = matches!(state.phase, Phase::Held { why: HoldWhy::Stop, .. });
    [Call::Hold, Call::Stop, Call::SayAgain, Call::GoBack]
        .into_iter()
        .filter_map(|call| phrase(call).map(|phrase| (phrase.text.clone(), effect_words(call, ends))))
        .collect()
}

/// One phrase for each contingency; none before the beginning and after the end.
fn alerts(procedure: &Procedure, state: &State) -> Vec<String> {
    if matches!(state.phase, Phase::Ready | Phase::Ended { .. }) {
        return Vec::new();
    }
    let first = procedure.contingencies.iter().filter_map(|contingency| contingency.call.first());
    first.map(|id| procedure.phrase(*id).text.clone()).collect()
}

/// What a call does, in a word or two.
fn effect_words(call: Call, ends: bool) -> &'static str {
    match call {
        Call::Hold => "holds",
        Call::CarryOn => "goes on",
        Call::SayAgain => "repeats",
        Call::GoBack => "one step back",
        Call::Stop if ends => "ends the session",
        Call::Stop => "stops",
    }
}

fn describe_last(procedure: &Procedure, last: &LastHeard) -> String {
    let heard = heard_words(procedure, &last.heard);
    match last.note.as_ref().and_then(|note| note_words(procedure, note)) {
        Some(note) => format!("{heard} - {note}"),
        None => heard,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::Post;
    use crate::screen::stand_in::Run;
    use crate::session::What;

    #[test]
    fn while_the_tool_speaks_nobody_is_awaited_but_the_turn_is_known() {
        let mut run = Run::shipped();
        assert_eq!((run.view().scene, run.view().turn), (Scene::Opening, None));
        run.until("gown");
        let waiting = run.view();
        assert_eq!((waiting.awaited, waiting.speaking), (Some(Role::Worker), false));
        run.on();
        let speaking = run.view();
        assert_eq!((speaking.awaited, speaking.turn), (None, Some(Role::Observer)));
        assert!(speaking.speaking && speaking.last_counted);
    }

    #[test]
    fn phrases_that_differ_in_a_slot_are_shown_as_one_and_a_hold_point_as_a_wait() {
        let mut run = Run::ready(include_str!("../../procedures/pre-entry-briefing.toml"));
        run.event(What::Begin);
        run.until("time-limit");
        assert_eq!(run.view().expected, ["out within (twenty/thirty/sixty) minutes"]);
        run.on();
        run.spoken();
        assert_eq!(
            run.view().expected,
            ["the limit is twenty minutes"],
            "the confirmation names what was read back"
        );
        while run.view().scene != Scene::HoldPoint {
            run.on();
        }
        let view = run.view();
        assert_eq!(
            (view.turn, &view.expected[..]),
            (Some(Role::Observer), &["entry has been approved".to_string()][..])
        );
        assert!(view.text.starts_with("Observer, ask the person in charge"), "{}", view.text);
    }

    #[test]
    fn a_contingency_names_itself_as_the_place_and_the_progress_stays_the_procedures() {
        let mut run = Run::shipped();
        run.until("gown");
        assert_eq!(run.view().alerts, ["my glove has torn", "the airflow has stopped", "i feel very faint"]);
        run.says(Post::Worker, "my glove has torn");
        let view = run.view();
        assert_eq!(view.place, "Torn glove: step 1 of 1");
        assert_eq!((view.done, view.of, view.last_counted), (10, 20, true));
    }

    #[test]
    fn a_confirmation_is_expected_apart_from_its_refusals() {
        let mut run = Run::shipped();
        run.until("gown");
        assert_eq!(run.view().expected, ["gown on over glove cuffs"]);
        assert_eq!(run.view().refusals, Vec::<String>::new());
        run.on();
        run.spoken();
        let view = run.view();
        assert_eq!((view.expected.len(), view.expected[0].as_str()), (1, "gown is closed all around"));
        assert_eq!(view.refusals, ["not right do it again"]);
        assert!(view.look.is_some_and(|look| look.starts_with("the cuffs of the inner gloves")));
    }

    #[test]
    fn a_hold_keeps_the_step_and_tells_why_and_what_can_be_called() {
        let mut run = Run::shipped();
        run.until("gown");
        assert!(run.view().calls.contains(&("hold everything".to_string(), "holds")));
        run.says(Post::Worker, "stop stop");
        let view = run.view();
        assert_eq!((view.scene, view.place.as_str()), (Scene::Held, "step 11 of 20"));
        assert_eq!(view.held.as_deref(), Some("stop was called; once more ends the session"));
        assert_eq!(view.expected, ["carry on"]);
        assert!(view.calls.contains(&("stop stop".to_string(), "ends the session")));
        assert!(!view.calls.iter().any(|(phrase, _)| phrase == "hold everything" || phrase == "carry on"));
    }

    #[test]
    fn the_way_out_is_shown_once_the_tries_are_used_up_and_a_decision_is_counted_apart() {
        let mut run = Run::shipped();
        run.until("gown");
        for _ in 0..3 {
            assert_eq!(run.view().decisions, Vec::<String>::new());
            run.mumbles(Post::Worker, "gown on over glove cuffs", "gown on under glove cuffs");
            run.spoken();
        }
        assert_eq!(run.view().decisions, ["seen and accepted", "my decision is to go on"]);
        run.says(Post::Observer, "seen and accepted");
        run.spoken();
        let view = run.view();
        assert_eq!((view.scene, view.turn), (Scene::Deciding, Some(Role::Observer)));
        assert_eq!(view.expected, ["the voice was misheard", "too much noise", "some other reason"]);
        run.says(Post::Observer, "too much noise");
        let view = run.view();
        assert_eq!((view.done, view.decided, view.decisions.len()), (11, 1, 0));
    }

    #[test]
    fn a_hold_at_a_question_keeps_the_question() {
        let mut run = Run::shipped();
        run.spoken();
        run.spoken();
        run.says(Post::Observer, "hold everything");
        assert_eq!(run.view().place, "question 1 of 1");
    }

    #[test]
    fn the_minimum_time_is_whole_until_the_instruction_is_over_and_then_runs_down_to_nothing() {
        let mut run = Run::shipped();
        run.until("hand-rub");
        let left = |run: &Run| run.view().not_before_s;
        assert_eq!(left(&run), Some(20));
        run.wait(19_999);
        assert_eq!(left(&run), Some(1));
        run.wait(1);
        assert_eq!(left(&run), None);
        run.state.steps[7].instructed_ms = None;
        assert_eq!(left(&run), Some(20));
    }

    #[test]
    fn an_answer_that_switches_a_step_on_or_off_changes_the_count() {
        let mut run = Run::shipped();
        assert_eq!((run.view().done, run.view().of), (0, 19));
        run.until("observer-present");
        assert_eq!(run.view().of, 20);
    }

    #[test]
    fn nothing_can_be_called_before_the_beginning_and_after_the_end() {
        let mut run = Run::ready(include_str!("../../procedures/isolation-donning.toml"));
        assert_eq!(run.view().calls, []);
        run.event(What::Begin);
        run.event(What::Interrupt);
        let view = run.view();
        assert_eq!(view.calls, []);
        assert_eq!(
            (view.scene, view.place.as_str()),
            (Scene::Ended(Outcome::Interrupted), "ended: interrupted")
        );
    }
}
