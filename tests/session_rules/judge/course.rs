//! The course of a whole session, judged from turn to turn without the witness: what may move it on, and that a stop stops.

use super::Ruling;
use crate::play::Play;
use antiphon::listen::heard::Verdict;
use antiphon::procedure::{Call, Use};
use antiphon::session::{Action, At, Note, Outcome, Phase, Record, What};

/// An accepted stop leads to a hold or to the end, at once, and never lets go of either.
pub fn a_stop_stops(play: &Play) -> Ruling {
    for turn in &play.turns {
        let What::Heard(heard) = &turn.event.what else { continue };
        let Verdict::Accepted { phrase } = heard.verdict else { continue };
        let stop = play.procedure.phrase(phrase).used == Use::Call { call: Call::Stop };
        if stop && turn.before.phase != Phase::Ready {
            let stopped = matches!(turn.after.phase, Phase::Held { .. } | Phase::Ended { .. });
            must!(stopped, "a stop led from {:?} to {:?}", turn.before.phase, turn.after.phase);
        }
    }
    Ok(())
}

/// Silence, noise and doubt never move the session on, and news of voice and microphones only where nobody is awaited.
pub fn only_words_move_it_on(play: &Play) -> Ruling {
    for turn in &play.turns {
        let (before, after) = (&turn.before.phase, &turn.after.phase);
        let moved = turn.before.sides == turn.after.sides && place(after) > place(before);
        let by_words = matches!(&turn.event.what, What::Heard(heard) if matches!(heard.verdict, Verdict::Accepted { .. }));
        // As the observer wanted it, once the record is whole again.
        let by_the_record = matches!(turn.event.what, What::RecordMoved { .. })
            && matches!(turn.before.record, Record::Moving { .. });
        must!(
            turn.before.sides == turn.after.sides || by_words || by_the_record,
            "{:?} began or ended a contingency",
            turn.event
        );
        let by_the_end_of_speech = matches!(turn.event.what, What::SpeechEnded { whole: true, .. })
            && matches!(before, Phase::Opening | Phase::Closing);
        let from_outside = matches!(turn.event.what, What::Interrupt | What::InputEnded)
            && matches!(after, Phase::Ended { outcome } if *outcome != Outcome::Completed);
        let begins = turn.event.what == What::Begin && *before == Phase::Ready;
        must!(
            !moved || by_words || by_the_record || by_the_end_of_speech || from_outside || begins,
            "{:?} moved the session from {before:?} to {after:?}",
            turn.event
        );
        let done = turn
            .actions
            .iter()
            .any(|action| matches!(action, Action::Note(Note::StepDone { .. } | Note::Decided { .. })));
        must!(!done || by_words, "{:?} confirmed a step", turn.event);
    }
    Ok(())
}

/// How far the session has come: holds are before the place they return to.
fn place(phase: &Phase) -> (u8, u16, u8) {
    let with = |(kind, index): (u8, u16), stage| (kind, index, stage);
    match phase {
        Phase::Ready => (0, 0, 0),
        Phase::Held { from, .. } => with(of(from), 0),
        Phase::Opening => with(of(&At::Opening), 1),
        Phase::Asking { question } => with(of(&At::Question(*question)), 1),
        Phase::HoldPoint { step } => with(of(&At::Step(*step)), 1),
        Phase::ReadBack { step } => with(of(&At::Step(*step)), 2),
        Phase::Confirm { step } => with(of(&At::Step(*step)), 3),
        Phase::Deciding { step } => with(of(&At::Step(*step)), 4),
        Phase::Closing => with(of(&At::Closing), 1),
        Phase::Ended { .. } => (5, 0, 0),
    }
}

fn of(at: &At) -> (u8, u16) {
    match at {
        At::Opening => (1, 0),
        At::Question(question) => (2, *question),
        At::Step(step) => (3, *step),
        At::Closing => (4, 0),
    }
}

/// The same without how far it has come there.
pub(super) fn at(phase: &Phase) -> (u8, u16) {
    let (kind, index, _) = place(phase);
    (kind, index)
}
