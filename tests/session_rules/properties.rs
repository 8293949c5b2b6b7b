//! What must hold of any session whatever, judged over thousands of random ones.

use super::generate::{plans, Plan};
use super::judge::{a_stop_stops, judge, only_words_move_it_on, Ruling};
use super::moves::{arbitrary, plausible, run, run_unbegun, Move};
use super::own_voice::own_voice_never_counts;
use super::play::Play;
use antiphon::session::{
    step, Action, Ending, Event, HoldWhy, Note, Outcome, Phase, Record, Standing, State, Unheeded, What,
};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::{RngAlgorithm, TestCaseError, TestRng, TestRunner};

const CASES: u32 = 3_000;

fn config() -> ProptestConfig {
    ProptestConfig { cases: CASES, failure_persistence: None, ..ProptestConfig::default() }
}

fn holds(ruling: Ruling) -> Result<(), TestCaseError> {
    ruling.map_err(TestCaseError::fail)
}

/// Folds the events again, after a trip through JSON; every action and the state must come out the same.
fn replays(play: &Play) -> Ruling {
    let mut state = trip(&play.first)?;
    for turn in &play.turns {
        let event: Event = trip(&turn.event)?;
        let (next, actions) = step(state, event, &play.procedure);
        if actions != turn.actions {
            return Err(format!("{:?} gave {:?}, replayed {actions:?}", turn.event, turn.actions));
        }
        for action in &actions {
            trip::<Action>(action)?;
        }
        state = trip(&next)?;
    }
    match state == play.state {
        true => Ok(()),
        false => Err(format!("the state was {:?}, replayed {state:?}", play.state)),
    }
}

/// To JSON and back, unchanged.
fn trip<T>(value: &T) -> Result<T, String>
where
    T: serde::Serialize + serde::de::DeserializeOwned + PartialEq + std::fmt::Debug,
{
    let text = serde_json::to_string(value).map_err(|error| format!("{value:?}: {error}"))?;
    let back: T = serde_json::from_str(&text).map_err(|error| format!("{text}: {error}"))?;
    match back == *value {
        true => Ok(back),
        false => Err(format!("{value:?} came back as {back:?}")),
    }
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn when_people_take_turns_nothing_but_two_answers_or_a_decision_after_the_tries_advances_a_step(
        plan in plans(), moves in plausible()
    ) {
        holds(judge(&run(&plan, &moves)))?;
    }

    #[test]
    fn whatever_happens_nothing_but_two_answers_or_a_decision_after_the_tries_advances_a_step(
        plan in plans(), early in arbitrary(), moves in arbitrary()
    ) {
        let early = &early[..early.len() / 10];
        holds(judge(&run_unbegun(&plan, early, &moves)))?;
    }

    #[test]
    fn an_accepted_stop_leads_to_a_hold_or_the_end_at_once(
        plan in plans(), moves in arbitrary(), turns in plausible()
    ) {
        holds(a_stop_stops(&run(&plan, &moves)))?;
        holds(a_stop_stops(&run(&plan, &turns)))?;
    }

    #[test]
    fn silence_noise_doubt_and_time_never_move_the_session_on(
        plan in plans(), moves in arbitrary(), turns in plausible()
    ) {
        holds(only_words_move_it_on(&run(&plan, &moves)))?;
        holds(only_words_move_it_on(&run(&plan, &turns)))?;
    }

    #[test]
    fn what_the_tool_says_itself_never_counts_and_a_call_in_it_is_said_only_on_hold(
        plan in plans(), moves in arbitrary(), turns in plausible()
    ) {
        holds(own_voice_never_counts(&run(&plan, &moves)))?;
        holds(own_voice_never_counts(&run(&plan, &turns)))?;
    }

    #[test]
    fn the_same_events_through_json_give_the_same_actions_and_the_same_state(
        plan in plans(), moves in arbitrary(), turns in plausible()
    ) {
        holds(replays(&run(&plan, &moves)))?;
        holds(replays(&run(&plan, &turns)))?;
    }
}

/// The sessions the properties were judged on must be worth judging: two thousand fixed ones, counted.
#[test]
fn random_sessions_reach_every_kind_of_end_hold_and_turn() {
    let mut runner = TestRunner::new_with_rng(config(), TestRng::from_seed(RngAlgorithm::ChaCha, &[7; 32]));
    let mut seen = Seen::default();
    let all = (plans(), plausible(), arbitrary());
    for _ in 0..2_000 {
        let drawn = all.new_tree(&mut runner).expect("nothing is filtered out, so drawing can't fail");
        let (plan, turns, moves): (Plan, Vec<Move>, Vec<Move>) = drawn.current();
        seen.count(&run(&plan, &turns));
        seen.count(&run(&plan, &moves));
    }
    println!("{seen:?}");
    assert!(seen.completed >= 300, "{seen:?}");
    assert!(seen.confirmed >= 1_000 && seen.counted >= 4_000, "{seen:?}");
    assert!(seen.skipped_at_the_end >= 200, "{seen:?}");
    assert!(seen.stopped >= 20, "{seen:?}");
    for (what, count) in [
        ("a contingency returned", seen.ended(Ending::Returned)),
        ("a contingency restarted", seen.ended(Ending::Restarted)),
        ("a contingency was called again", seen.ended(Ending::CalledAgain)),
        ("a contingency was cancelled", seen.ended(Ending::Cancelled)),
        ("an exit was left by", seen.exited),
        ("called on hold by the worker", seen.shelved),
        ("decided after no answer", seen.decided_unheard),
        ("decided too early", seen.tries_left),
        ("decided where it is off", seen.no_decision),
        ("the observer did a step", seen.by_observer),
        ("the record was moved", seen.moved),
        ("the record could not be moved", seen.stuck),
        ("something came between", seen.moved_and_held),
    ] {
        assert!(count >= 15, "{what} only {count} times: {seen:?}");
    }
    for (what, count) in [
        ("contingencies", seen.began),
        ("released", seen.released),
        ("too soon", seen.too_soon),
        ("refused", seen.refused),
        ("asked again", seen.asked_again),
        ("went back", seen.went_back),
        ("carried on", seen.carried_on),
        ("lost", seen.lost),
        ("decided", seen.decided),
    ] {
        assert!(count >= 100, "{what} only {count} times: {seen:?}");
    }
    for why in [
        "Called",
        "Stop",
        "MaybeStop",
        "MaybeContingency",
        "Tries",
        "NoAnswer",
        "PostLost",
        "VoiceDead",
        "SameVoice",
        "StrangeVoice",
        "RecordLost",
    ] {
        let count = seen.holds.iter().filter(|held| format!("{held:?}").starts_with(why)).count();
        assert!(count >= 20, "held for {why} only {count} times");
    }
}

#[derive(Default)]
struct Seen {
    completed: u32,
    stopped: u32,
    confirmed: u32,
    counted: u32,
    skipped_at_the_end: u32,
    too_soon: u32,
    refused: u32,
    asked_again: u32,
    went_back: u32,
    carried_on: u32,
    lost: u32,
    began: u32,
    exited: u32,
    shelved: u32,
    released: u32,
    by_observer: u32,
    decided: u32,
    decided_unheard: u32,
    tries_left: u32,
    no_decision: u32,
    moved: u32,
    moved_and_held: u32,
    stuck: u32,
    endings: Vec<Ending>,
    holds: Vec<HoldWhy>,
}

impl std::fmt::Debug for Seen {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "contingencies {} (returned {}, restarted {}, again {}, cancelled {}), exited {}, on hold {}, released {}, \
             by the observer {}, completed {}, stopped {}, steps confirmed {}, phrases counted {}, skipped {}, too soon {}, refused {}, \
             asked again {}, went back {}, carried on {}, lost {}, holds {}, decided {} (not heard at all {}, too early {}, off {}), \
             moved {} (still held {}, stuck {})",
            self.began,
            self.ended(Ending::Returned),
            self.ended(Ending::Restarted),
            self.ended(Ending::CalledAgain),
            self.ended(Ending::Cancelled),
            self.exited,
            self.shelved,
            self.released,
            self.by_observer,
            self.completed,
            self.stopped,
            self.confirmed,
            self.counted,
            self.skipped_at_the_end,
            self.too_soon,
            self.refused,
            self.asked_again,
            self.went_back,
            self.carried_on,
            self.lost,
            self.holds.len(),
            self.decided,
            self.decided_unheard,
            self.tries_left,
            self.no_decision,
            self.moved,
            self.moved_and_held,
            self.stuck
        )
    }
}

impl Seen {
    fn ended(&self, wanted: Ending) -> u32 {
        self.endings.iter().filter(|ending| **ending == wanted).count() as u32
    }

    fn count(&mut self, play: &Play) {
        for turn in &play.turns {
            let began = |action: &Action| matches!(action, Action::Note(Note::ContingencyBegan { .. }));
            let held = matches!(turn.after.phase, antiphon::session::Phase::Held { .. });
            self.shelved += u32::from(held && turn.actions.iter().any(began));
            let decides = matches!(turn.after.phase, Phase::Deciding { .. });
            let unheard = matches!(turn.before.phase, Phase::Held { why: HoldWhy::NoAnswer, .. });
            self.decided_unheard += u32::from(decides && unheard);
            let moved = matches!(turn.event.what, What::RecordMoved { .. })
                && matches!(turn.before.record, Record::Moving { .. });
            self.moved += u32::from(moved && !held);
            self.moved_and_held += u32::from(moved && held);
        }
        for action in play.turns.iter().flat_map(|turn| &turn.actions) {
            match action {
                Action::End { outcome: Outcome::Completed } => {
                    self.completed += 1;
                    self.skipped_at_the_end += skipped(&play.state);
                }
                Action::End { outcome: Outcome::Stopped } => self.stopped += 1,
                Action::End { outcome: Outcome::Exited } => self.exited += 1,
                Action::Note(Note::ContingencyBegan { .. }) => self.began += 1,
                Action::Note(Note::ContingencyEnded { ending, .. }) => self.endings.push(*ending),
                Action::Note(Note::Released { .. }) => self.released += 1,
                Action::Note(Note::StepDone { step }) => {
                    self.confirmed += 1;
                    let by = play.procedure.steps[usize::from(*step)].by;
                    self.by_observer += u32::from(by == antiphon::procedure::Doer::Observer);
                }
                Action::Note(Note::Decided { .. }) => self.decided += 1,
                Action::Note(Note::Unheeded { why: Unheeded::TriesLeft, .. }) => self.tries_left += 1,
                Action::Note(Note::Unheeded { why: Unheeded::NoDecision, .. }) => self.no_decision += 1,
                Action::Note(Note::Counted { .. }) => self.counted += 1,
                Action::Note(Note::TooSoon { .. }) => self.too_soon += 1,
                Action::Note(Note::Refused { .. }) => self.refused += 1,
                Action::Note(Note::AskedAgain { .. }) => self.asked_again += 1,
                Action::Note(Note::WentBack) => self.went_back += 1,
                Action::Note(Note::CarriedOn) => self.carried_on += 1,
                Action::Note(Note::Lost { .. }) => self.lost += 1,
                Action::Note(Note::RecordStuck { .. }) => self.stuck += 1,
                Action::Note(Note::Held { why }) => self.holds.push(*why),
                _ => {}
            }
        }
    }
}

fn skipped(state: &State) -> u32 {
    state.steps.iter().filter(|step| step.standing == Standing::Skipped).count() as u32
}

proptest! {
    #![proptest_config(config())]

    /// Hand rub takes 20 to 30 s (WHO Guidelines on Hand Hygiene in Health Care, 2009); any floor is kept to the ms.
    #[test]
    fn a_read_back_counts_from_the_minimum_time_on_to_the_millisecond(
        floor_ms in 1..60_000_u64, off_ms in -3_000..3_000_i64, spoke_ms in 300..9_000_u64
    ) {
        let seconds = floor_ms as f64 / 1000.0;
        let mut play = super::examples::at_the_rub(&format!("at_least_s = {seconds:.3}"), spoke_ms);
        let start = (play.now_ms + floor_ms).saturating_add_signed(off_ms).max(play.now_ms);
        let early = start < play.now_ms + floor_ms;
        let phrase = play.id(Some(antiphon::procedure::Role::Worker), "both hands rubbed dry");
        let verdict = antiphon::listen::heard::Verdict::Accepted { phrase };
        let notes = play.hears_at(antiphon::procedure::Post::Worker, verdict, start, start + 900);
        let refused = notes.iter().any(|note| matches!(note, Note::TooSoon { .. }));
        let counted = notes.iter().any(|note| matches!(note, Note::Counted { .. }));
        prop_assert_eq!((refused, counted), (early, !early));
    }

    /// The rules must bear any event whatever, also one whose numbers make no sense.
    #[test]
    fn numbers_that_make_no_sense_do_no_harm(
        at_ms in any::<u64>(), start_ms in any::<u64>(), end_ms in any::<u64>(), phrase in any::<u16>(), utterance in any::<u64>()
    ) {
        let mut play = super::examples::at_the_rub("at_least_s = 20", 1_000);
        let phrase = antiphon::procedure::PhraseId(phrase);
        for verdict in [antiphon::listen::heard::Verdict::Accepted { phrase }, super::play::unsure(phrase)] {
            let heard = super::play::heard(antiphon::procedure::Post::Worker, verdict, start_ms, end_ms);
            play.send_at(at_ms, What::Heard(heard));
        }
        play.send_at(at_ms, What::SpeechEnded { utterance, whole: true });
        play.send_at(at_ms, What::Time);
        holds(only_words_move_it_on(&play))?;
        holds(judge(&play))?;
    }
}
