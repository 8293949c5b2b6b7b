//! Each rule of calls, holds, lost microphones and a dead voice by itself.

use super::examples::{at_the_gloves, at_the_look, at_the_question, at_the_rub};
use super::play::{unsure, Play};
use antiphon::listen::heard::Verdict;
use antiphon::procedure::{Call, PhraseId, Post, Role};
use antiphon::session::{Action, HoldWhy, Note, Outcome, Phase, Saying, Standing, Unheeded, What};
use Role::{Observer, Worker};

fn obeyed(notes: &[Note]) -> bool {
    notes.iter().any(|note| matches!(note, Note::Obeyed { .. }))
}

fn held_at_the_gloves() -> Play {
    let mut play = at_the_gloves();
    play.calls(Post::Worker, Call::Hold);
    play.tool_speaks();
    play
}

#[test]
fn hold_silences_the_tool_at_once_also_in_the_middle_of_a_word() {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    let utterance = play.state.speaking.expect("the instruction is being said").utterance;
    play.send(What::SpeechBegan { utterance });
    play.calls(Post::Worker, Call::Hold);
    let actions = &play.turns.last().expect("the call was a turn").actions;
    let hush = actions.iter().position(|action| *action == Action::Hush);
    let say = actions.iter().position(|action| matches!(action, Action::Say { .. }));
    assert!(hush.is_some() && hush < say, "{actions:?}");
    assert_eq!(play.held(), Some(HoldWhy::Called));
}

#[test]
fn carrying_on_begins_the_step_again_from_its_instruction() {
    let mut play = at_the_look();
    play.calls(Post::Observer, Call::Hold);
    play.tool_speaks();
    assert!(obeyed(&play.calls(Post::Observer, Call::CarryOn)));
    assert_eq!(play.last_said(), (Saying::Instruction, "Carrying on. Put on the gloves.".into()));
    assert_eq!(play.state.phase, Phase::ReadBack { step: 0 });
}

#[test]
fn carry_on_from_the_workers_microphone_is_refused() {
    let mut play = held_at_the_gloves();
    let notes = play.calls(Post::Worker, Call::CarryOn);
    assert_eq!(notes, [Note::Unheeded { post: Post::Worker, why: Unheeded::ObserverOnly }]);
    assert_eq!(play.last_said(), (Saying::Remark, "Only the observer can say that.".into()));
    assert_eq!(play.held(), Some(HoldWhy::Called));
}

#[test]
fn go_back_from_the_workers_microphone_does_not_end_a_hold() {
    let mut play = held_at_the_gloves();
    let notes = play.calls(Post::Worker, Call::GoBack);
    assert_eq!(notes, [Note::Unheeded { post: Post::Worker, why: Unheeded::ObserverOnly }]);
    assert_eq!(play.held(), Some(HoldWhy::Called));
    play.tool_speaks();
    assert!(obeyed(&play.calls(Post::Observer, Call::GoBack)));
    assert_eq!(play.held(), None);
}

#[test]
fn carry_on_is_no_call_while_nothing_is_held() {
    let mut play = at_the_gloves();
    let notes = play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(notes, [Note::Unheeded { post: Post::Observer, why: Unheeded::NoEffect }]);
}

#[test]
fn nothing_counts_on_hold_and_chatter_is_left_alone() {
    let mut play = held_at_the_gloves();
    for (by, text) in [(Worker, "gloves are on"), (Observer, "i see wrists protected")] {
        let phrase = play.id(Some(by), text);
        for verdict in [Verdict::Accepted { phrase }, Verdict::Other { phrase }, unsure(phrase)] {
            let notes = play.hears(by.post(), verdict);
            assert!(matches!(notes[..], [Note::Unheeded { .. }]), "{notes:?}");
        }
    }
    assert_eq!(play.held(), Some(HoldWhy::Called));
}

#[test]
fn a_hold_says_every_minute_that_it_still_holds() {
    let mut play = held_at_the_gloves();
    let ended = play.now_ms;
    play.wait();
    assert_eq!(play.now_ms - ended, 60_000);
    assert!(play.last_said().1.starts_with("Still on hold."));
    assert_eq!(play.held(), Some(HoldWhy::Called));
}

#[test]
fn the_same_call_on_both_microphones_counts_once() {
    let mut play = at_the_gloves();
    let phrase = play.call_id(Call::GoBack);
    let start = play.now_ms + 300;
    let first = play.hears_at(Post::Worker, Verdict::Accepted { phrase }, start, start + 800);
    let second = play.hears_at(Post::Observer, Verdict::Accepted { phrase }, start + 40, start + 860);
    assert!(obeyed(&first));
    assert_eq!(second, [Note::Unheeded { post: Post::Observer, why: Unheeded::SameCall }]);
    assert_eq!(play.state.go_backs, 1);
}

#[test]
fn one_stop_picked_up_by_both_microphones_holds_and_does_not_end() {
    let mut play = at_the_gloves();
    let phrase = play.call_id(Call::Stop);
    let start = play.now_ms + 300;
    play.hears_at(Post::Observer, Verdict::Accepted { phrase }, start, start + 800);
    play.hears_at(Post::Worker, Verdict::Accepted { phrase }, start + 40, start + 860);
    assert_eq!(play.held(), Some(HoldWhy::Stop));
    assert_eq!(play.state.stops, 1);
}

#[test]
fn the_same_call_said_once_more_later_counts_again() {
    let mut play = at_the_gloves();
    play.calls(Post::Worker, Call::SayAgain);
    play.tool_speaks();
    assert!(obeyed(&play.calls(Post::Observer, Call::SayAgain)));
    assert_eq!(play.last_said(), (Saying::Instruction, "Put on the gloves.".into()));
}

#[test]
fn a_second_stop_ends_the_session_once_the_tool_has_said_what_it_does() {
    let mut play = at_the_gloves();
    play.calls(Post::Worker, Call::Stop);
    assert_eq!(play.held(), Some(HoldWhy::Stop));
    // Said in the heat of the first: not yet a decision to end.
    let notes = play.calls(Post::Worker, Call::Stop);
    assert_eq!(notes, [Note::Unheeded { post: Post::Worker, why: Unheeded::OwnVoice }]);
    play.tool_speaks();
    play.calls(Post::Worker, Call::Stop);
    assert_eq!(play.state.ended(), Some(Outcome::Stopped));
    let actions = &play.turns.last().expect("the stop was a turn").actions;
    assert_eq!(actions.last(), Some(&Action::End { outcome: Outcome::Stopped }));
    assert_eq!(play.last_said().0, Saying::Closing);
    assert_eq!(play.calls(Post::Observer, Call::CarryOn), []);
}

#[test]
fn carry_on_after_a_stop_goes_on_with_the_same_step() {
    let mut play = at_the_gloves();
    play.calls(Post::Worker, Call::Stop);
    play.tool_speaks();
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(play.state.phase, Phase::ReadBack { step: 0 });
}

#[test]
fn something_like_a_stop_holds_and_asks() {
    for call in [Call::Stop, Call::Hold] {
        let mut play = at_the_gloves();
        let phrase = play.call_id(call);
        let notes = play.hears(Post::Worker, unsure(phrase));
        assert_eq!(notes, [Note::Held { why: HoldWhy::MaybeStop }], "{call:?}");
    }
}

#[test]
fn something_like_going_back_or_carrying_on_does_not() {
    for call in [Call::GoBack, Call::CarryOn, Call::SayAgain] {
        let mut play = at_the_gloves();
        let phrase = play.call_id(call);
        play.hears(Post::Worker, unsure(phrase));
        assert_eq!(play.state.phase, Phase::ReadBack { step: 0 }, "{call:?}");
    }
}

#[test]
fn going_back_reopens_the_step_before_and_it_must_be_confirmed_again() {
    let mut play = at_the_look();
    play.says(Observer, "i see wrists protected");
    play.tool_speaks();
    assert_eq!(play.state.phase, Phase::ReadBack { step: 2 }, "the apron is switched off");
    play.calls(Post::Worker, Call::GoBack);
    assert_eq!(play.last_said(), (Saying::Instruction, "Going back. Put on the gloves.".into()));
    assert_ne!(play.state.steps[0].standing, Standing::Confirmed);
    play.tool_speaks();
    play.says(Worker, "gloves are on");
    play.tool_speaks();
    play.says(Observer, "i see wrists protected");
    assert_eq!(play.state.steps[0].standing, Standing::Confirmed);
    assert_eq!(play.state.phase, Phase::ReadBack { step: 2 });
}

#[test]
fn going_back_from_the_first_step_asks_the_question_again_and_the_new_answer_decides() {
    let mut play = at_the_gloves();
    play.calls(Post::Observer, Call::GoBack);
    assert_eq!(play.last_said(), (Saying::Question, "Going back. Is an apron needed?".into()));
    play.tool_speaks();
    play.says(Observer, "splashes are likely");
    play.tool_speaks();
    play.says(Worker, "gloves are on");
    play.tool_speaks();
    play.says(Observer, "i see wrists protected");
    assert_eq!(play.last_said(), (Saying::Instruction, "Put on the apron.".into()));
}

#[test]
fn going_back_at_the_beginning_begins_again() {
    let mut play = at_the_question();
    play.calls(Post::Worker, Call::GoBack);
    assert_eq!(play.last_said(), (Saying::Question, "This is the beginning. Is an apron needed?".into()));
    let mut play = at_the_rub("", 1_000);
    play.calls(Post::Worker, Call::GoBack);
    assert_eq!(play.last_said(), (Saying::Instruction, "This is the beginning. Rub.".into()));
}

#[test]
fn going_back_from_a_hold_in_the_opening_does_not_skip_what_is_left_of_it() {
    let fresh = at_the_question();
    let mut play = Play::new(fresh.procedure, &[Post::Worker, Post::Observer]);
    play.send(What::Begin);
    play.calls(Post::Worker, Call::Hold);
    play.tool_speaks();
    play.calls(Post::Observer, Call::GoBack);
    assert_eq!(play.last_said(), (Saying::Opening, "This is the beginning. Welcome.".into()));
    assert_eq!(play.state.phase, Phase::Opening);
}

#[test]
fn a_lost_microphone_holds_until_it_is_back_and_the_observer_carries_on() {
    let mut play = at_the_look();
    play.send(What::PostLost { post: Post::Worker, why: "unplugged".into() });
    assert_eq!(play.held(), Some(HoldWhy::PostLost(Post::Worker)));
    play.tool_speaks();
    for call in [Call::CarryOn, Call::GoBack] {
        let notes = play.calls(Post::Observer, call);
        let still = Note::Unheeded { post: Post::Observer, why: Unheeded::StillLost };
        assert_eq!(notes, [still], "{call:?}");
        assert_eq!(play.last_said().1, "I still cannot hear the worker. On hold.");
        play.tool_speaks();
    }
    play.send(What::PostBack { post: Post::Worker });
    assert_eq!(play.held(), Some(HoldWhy::PostLost(Post::Worker)), "being back is not enough");
    assert!(obeyed(&play.calls(Post::Observer, Call::CarryOn)));
    assert_eq!(play.state.phase, Phase::ReadBack { step: 0 });
}

fn with_a_damaged_record() -> Play {
    let mut play = at_the_look();
    play.send(What::RecordLost { why: "journal.jsonl was removed".into() });
    assert_eq!(play.held(), Some(HoldWhy::RecordLost));
    let said = play.last_said().1;
    assert!(
        said.starts_with("The record of this session was damaged. On hold. Observer: carry on"),
        "{said}"
    );
    play.tool_speaks();
    play
}

#[test]
fn a_damaged_record_holds_and_is_moved_when_the_observer_carries_on() {
    let mut play = with_a_damaged_record();
    assert!(obeyed(&play.calls(Post::Observer, Call::CarryOn)));
    assert_eq!(play.turns.last().unwrap().actions.last(), Some(&Action::MoveRecord));
    assert_eq!(play.held(), Some(HoldWhy::RecordLost), "it is not moved yet");
    play.send(What::RecordMoved { to: "one-moved".into() });
    assert_eq!(play.state.phase, Phase::ReadBack { step: 0 });
    assert!(play.last_said().1.starts_with("The record goes on in a new place. "), "{:?}", play.last_said());
    // It may be damaged there too.
    play.send(What::RecordLost { why: "journal.jsonl was removed".into() });
    assert_eq!(play.held(), Some(HoldWhy::RecordLost));
}

#[test]
fn nothing_but_the_observers_carry_on_leaves_the_hold_of_a_damaged_record() {
    let mut play = with_a_damaged_record();
    play.send(What::RecordMoved { to: "nobody asked".into() });
    let notes = play.calls(Post::Worker, Call::CarryOn);
    assert_eq!(notes, [Note::Unheeded { post: Post::Worker, why: Unheeded::ObserverOnly }]);
    play.tool_speaks();
    let notes = play.calls(Post::Observer, Call::GoBack);
    assert_eq!(notes, [Note::Unheeded { post: Post::Observer, why: Unheeded::RecordLost }]);
    assert!(play.last_said().1.starts_with("The record of this session was damaged."));
    play.tool_speaks();
    assert_eq!(play.held(), Some(HoldWhy::RecordLost));
    // Nor does a microphone that was lost meanwhile and is back put it aside.
    play.send(What::PostLost { post: Post::Worker, why: "unplugged".into() });
    play.send(What::PostBack { post: Post::Worker });
    play.tool_speaks();
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(play.turns.last().unwrap().actions.last(), Some(&Action::MoveRecord));
    play.send(What::PostLost { post: Post::Worker, why: "unplugged".into() });
    play.send(What::RecordMoved { to: "one-moved".into() });
    assert_eq!(
        play.held(),
        Some(HoldWhy::PostLost(Post::Worker)),
        "the record is whole, and nobody is heard"
    );
}

#[test]
fn a_record_that_can_be_kept_nowhere_holds_and_a_stop_still_ends_the_session() {
    let mut play = with_a_damaged_record();
    play.calls(Post::Observer, Call::CarryOn);
    play.send(What::RecordStuck { why: "the disk is full".into() });
    assert_eq!(play.held(), Some(HoldWhy::RecordLost));
    assert!(play.last_said().1.starts_with("I cannot keep the record in a new place either."));
    play.tool_speaks();
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(play.turns.last().unwrap().actions.last(), Some(&Action::MoveRecord), "it is tried again");
    play.send(What::RecordStuck { why: "the disk is full".into() });
    play.tool_speaks();
    play.calls(Post::Worker, Call::Stop);
    play.tool_speaks();
    play.calls(Post::Worker, Call::Stop);
    assert_eq!(play.state.ended(), Some(Outcome::Stopped));
}

#[test]
fn a_record_that_is_damaged_before_the_beginning_holds_it() {
    let fresh = at_the_question();
    let mut play = Play::new(fresh.procedure, &[Post::Worker, Post::Observer]);
    play.send(What::RecordLost { why: "journal.jsonl was removed".into() });
    play.send(What::Begin);
    assert_eq!(play.held(), Some(HoldWhy::RecordLost));
}

#[test]
fn a_microphone_lost_before_the_beginning_is_not_forgotten() {
    let fresh = at_the_question();
    let mut play = Play::new(fresh.procedure, &[Post::Worker, Post::Observer]);
    play.send(What::PostLost { post: Post::Observer, why: "unplugged".into() });
    play.send(What::Begin);
    assert_eq!(play.held(), Some(HoldWhy::PostLost(Post::Observer)));
    play.send(What::PostBack { post: Post::Observer });
    play.tool_speaks();
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(play.last_said(), (Saying::Opening, "Carrying on. Welcome.".into()));
}

#[test]
fn a_voice_that_fails_holds_and_is_tried_again_when_the_observer_carries_on() {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    let utterance = play.state.speaking.expect("the instruction is being said").utterance;
    play.send(What::VoiceFailed { utterance, why: "no sound server".into() });
    assert_eq!(play.held(), Some(HoldWhy::VoiceDead));
    let utterance = play.state.speaking.expect("the hold is being announced").utterance;
    play.send(What::VoiceFailed { utterance, why: "no sound server".into() });
    assert_eq!(play.held(), Some(HoldWhy::VoiceDead));
    assert!(play.state.speaking.is_none(), "it does not try for ever");
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(play.last_said(), (Saying::Instruction, "Carrying on. Put on the gloves.".into()));
}

#[test]
fn a_loudspeaker_that_comes_back_says_what_it_could_not() {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    let fails = |play: &mut Play| {
        let utterance = play.state.speaking.expect("something is being said").utterance;
        play.send(What::VoiceFailed { utterance, why: "no loudspeaker".into() });
    };
    fails(&mut play);
    let announced = play.last_said();
    fails(&mut play);
    assert!(play.state.speaking.is_none());
    play.send(What::VoiceBack);
    assert_eq!((play.held(), play.last_said()), (Some(HoldWhy::VoiceDead), announced));
    assert!(play.state.speaking.is_some(), "the hold is announced again");
    play.tool_speaks();
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(play.last_said(), (Saying::Instruction, "Carrying on. Put on the gloves.".into()));
}

#[test]
fn an_instruction_cut_short_by_something_else_was_not_given() {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    let utterance = play.state.speaking.expect("the instruction is being said").utterance;
    play.send(What::SpeechBegan { utterance });
    play.now_ms += 300;
    play.send(What::SpeechEnded { utterance, whole: false });
    assert_eq!(play.held(), Some(HoldWhy::VoiceDead));
}

#[test]
fn news_of_an_utterance_that_was_hushed_changes_nothing() {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    let old = play.state.speaking.expect("the instruction is being said").utterance;
    play.calls(Post::Worker, Call::SayAgain);
    let before = play.state.clone();
    play.send(What::SpeechEnded { utterance: old, whole: false });
    play.send(What::VoiceFailed { utterance: old, why: "late".into() });
    assert_eq!(before.phase, play.state.phase);
    assert_eq!(before.speaking, play.state.speaking);
}

#[test]
fn a_phrase_number_the_procedure_does_not_have_is_not_heeded() {
    let mut play = at_the_gloves();
    let notes = play.hears(Post::Worker, Verdict::Accepted { phrase: PhraseId(60_000) });
    assert!(matches!(notes[..], [Note::Unheeded { .. }]), "{notes:?}");
}

#[test]
fn the_end_of_the_input_and_an_interruption_end_the_session_at_once() {
    for (what, outcome) in [(What::InputEnded, Outcome::InputEnded), (What::Interrupt, Outcome::Interrupted)]
    {
        let mut play = at_the_gloves();
        assert_eq!(play.send(what), [Action::End { outcome }]);
        assert_eq!(play.calls(Post::Worker, Call::Hold), [], "nothing follows the end");
    }
}
