//! Each rule of contingencies, exits, hold points, slots and steps by the observer by itself.

use super::play::{unsure, Play};
use antiphon::listen::heard::Verdict;
use antiphon::procedure::parse::parse;
use antiphon::procedure::{Call, Post, Role};
use antiphon::session::{Ending, HoldWhy, Note, Outcome, Phase, Saying, Standing, Unheeded, What};
use Role::{Observer, Worker};

const PROCEDURE: &str = concat!(
    r#"[procedure]
id = "demo"
title = "Demo"
version = "1"
language = "en"
cautions = ["Training aid."]
closing = "The end."

[slot.size]
words = ["small", "medium", "large"]
[slot.tag]
digits = 2

[[step]]
id = "gloves"
instruction = "Put on the gloves."
look = "both wrists are covered"
read_back = "gloves are on"
confirm = "i see wrists protected"

[[step]]
id = "gown"
instruction = "Put on the gown."
look = "the tag says the size"
read_back = "my gown is {size}"
confirm = ["gown label says {size}", "gown number {tag} checked"]

[[step]]
id = "hose"
by = "observer"
hold_point = "Wait for the shift lead."
release = "lead gave the go"
instruction = "Connect the hose."
look = "you feel air on your face"
read_back = "hose is connected"
confirm = "i feel the air"

"#,
    include_str!("../contingencies.toml")
);

fn begin(posts: &[Post]) -> Play {
    let procedure = parse(PROCEDURE, "demo.toml").unwrap_or_else(|errors| panic!("{errors}"));
    let mut play = Play::new(procedure, posts);
    play.send(What::Begin);
    play.tool_speaks();
    play
}

fn two() -> Play {
    begin(&[Post::Worker, Post::Observer])
}

/// Somebody calls a contingency, surely.
fn calls(play: &mut Play, post: Post, text: &str) -> Vec<Note> {
    let phrase = play.id(None, text);
    play.hears(post, Verdict::Accepted { phrase })
}

/// Read back and confirmed, each after the tool has spoken.
fn does(play: &mut Play, read_back: &str, confirm: &str) -> Vec<Note> {
    play.says(Worker, read_back);
    play.tool_speaks();
    let notes = play.says(Observer, confirm);
    if play.state.ended().is_none() {
        play.tool_speaks();
    }
    notes
}

#[test]
fn a_contingency_that_returns_has_the_interrupted_step_done_from_its_instruction() {
    let mut play = two();
    play.says(Worker, "gloves are on");
    play.tool_speaks();
    let notes = calls(&mut play, Post::Worker, "my glove is torn");
    assert_eq!(notes, [Note::ContingencyBegan { post: Post::Worker, contingency: 0 }]);
    assert_eq!(
        play.last_said(),
        (Saying::Instruction, "A glove is torn. Step back. Take a new glove.".into())
    );
    play.tool_speaks();
    does(&mut play, "new glove is whole", "second glove fits");
    play.says(Worker, "glove was rubbed");
    play.tool_speaks();
    let notes = play.says(Observer, "saw every finger rubbed");
    let ended = Note::ContingencyEnded { contingency: 0, ending: Ending::Returned };
    assert!(notes.contains(&ended), "{notes:?}");
    // The read-back before the tear no longer counts.
    let back = "That is done. Back to where we were. Put on the gloves.";
    assert_eq!(play.last_said(), (Saying::Instruction, back.into()));
    assert_eq!((&play.state.phase, play.state.steps[0].read_back_ms), (&Phase::ReadBack { step: 0 }, None));
    assert_eq!(play.state.steps[0].standing, Standing::Instructed);
}

#[test]
fn it_is_called_over_a_prompt_and_hushes_it() {
    let mut play = two();
    play.says(Worker, "gloves are on");
    let utterance = play.state.speaking.expect("the look is being said").utterance;
    play.send(What::SpeechBegan { utterance });
    calls(&mut play, Post::Observer, "glove is torn");
    assert_eq!(play.state.phase, Phase::ReadBack { step: 3 });
}

#[test]
fn the_tools_own_words_do_not_call_it() {
    let mut play = two();
    calls(&mut play, Post::Worker, "my glove is torn");
    let utterance = play.state.speaking.expect("the opening is being said").utterance;
    play.send(What::SpeechBegan { utterance });
    let notes = calls(&mut play, Post::Observer, "glove is torn");
    assert_eq!(notes, [Note::Unheeded { post: Post::Observer, why: Unheeded::OwnVoice }]);
}

#[test]
fn one_call_picked_up_by_both_microphones_counts_once() {
    let mut play = two();
    let phrase = play.id(None, "my glove is torn");
    let (start, end) = (play.now_ms + 200, play.now_ms + 1_200);
    play.hears_at(Post::Worker, Verdict::Accepted { phrase }, start, end);
    let notes = play.hears_at(Post::Observer, Verdict::Accepted { phrase }, start + 20, end + 20);
    assert_eq!(notes, [Note::Unheeded { post: Post::Observer, why: Unheeded::SameCall }]);
    assert_eq!(play.state.runs.len(), 1);
}

#[test]
fn something_like_its_call_holds_and_asks() {
    let mut play = two();
    let phrase = play.id(None, "my glove is torn");
    play.hears(Post::Worker, unsure(phrase));
    assert_eq!(play.held(), Some(HoldWhy::MaybeContingency(0)));
    let asks = "I may have heard: my glove is torn. On hold. Observer: carry on, or: my glove is torn.";
    assert_eq!(play.last_said(), (Saying::Hold, asks.into()));
    play.tool_speaks();
    calls(&mut play, Post::Observer, "my glove is torn");
    assert_eq!((play.held(), &play.state.phase), (None, &Phase::ReadBack { step: 3 }));
}

#[test]
fn on_hold_the_workers_call_is_told_at_once_and_waits_for_the_observer() {
    let mut play = two();
    play.calls(Post::Observer, Call::Hold);
    play.tool_speaks();
    calls(&mut play, Post::Worker, "my blower stopped");
    assert_eq!(play.held(), Some(HoldWhy::Called));
    let told = "Blower stopped. On hold. Observer, say: carry on, when both are ready.";
    assert_eq!(play.last_said(), (Saying::Hold, told.into()));
    play.tool_speaks();
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(
        play.last_said(),
        (Saying::Instruction, "Carrying on. Now we leave. Walk to the door.".into())
    );
}

#[test]
fn while_a_microphone_is_missing_it_waits_too_and_is_not_lost() {
    let mut play = two();
    play.send(What::PostLost { post: Post::Worker, why: "unplugged".into() });
    play.tool_speaks();
    calls(&mut play, Post::Observer, "my glove is torn");
    assert_eq!(play.held(), Some(HoldWhy::PostLost(Post::Worker)));
    play.tool_speaks();
    play.send(What::PostBack { post: Post::Worker });
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(play.state.phase, Phase::ReadBack { step: 3 });
}

#[test]
fn one_that_restarts_opens_the_steps_from_there_on_again() {
    let mut play = two();
    does(&mut play, "gloves are on", "i see wrists protected");
    let notes = calls(&mut play, Post::Worker, "there was a splash");
    assert!(
        notes.contains(&Note::ContingencyEnded { contingency: 1, ending: Ending::Restarted }),
        "{notes:?}"
    );
    let said = "Splash. That is done. We do the steps again from here. Put on the gloves.";
    assert_eq!(play.last_said(), (Saying::Instruction, said.into()));
    assert_eq!(play.state.steps[0].standing, Standing::Instructed);
}

#[test]
fn one_that_leads_out_does_the_steps_of_the_exit_and_ends_the_session_as_exited() {
    let mut play = two();
    calls(&mut play, Post::Worker, "my blower stopped");
    assert_eq!(
        play.last_said(),
        (Saying::Instruction, "Blower stopped. Now we leave. Walk to the door.".into())
    );
    play.tool_speaks();
    play.says(Worker, "standing at the door");
    play.tool_speaks();
    play.says(Observer, "door closed behind you");
    assert_eq!(play.last_said(), (Saying::Closing, "You are out. Follow the local protocol.".into()));
    play.tool_speaks();
    assert_eq!(play.state.ended(), Some(Outcome::Exited));
    assert_eq!(play.state.runs[0].ending, Some(Ending::Exited));
}

#[test]
fn on_the_way_out_one_that_would_restart_the_procedure_leads_back_to_the_way_out() {
    let mut play = two();
    calls(&mut play, Post::Worker, "my blower stopped");
    play.tool_speaks();
    let notes = calls(&mut play, Post::Worker, "there was a splash");
    assert!(
        notes.contains(&Note::ContingencyEnded { contingency: 1, ending: Ending::Returned }),
        "{notes:?}"
    );
    let said = "Splash. That is done. Back to where we were. Walk to the door.";
    assert_eq!(play.last_said(), (Saying::Instruction, said.into()));
}

#[test]
fn a_second_one_interrupts_the_first_which_is_then_gone_on_with() {
    let mut play = two();
    calls(&mut play, Post::Worker, "my blower stopped");
    play.tool_speaks();
    calls(&mut play, Post::Worker, "my glove is torn");
    play.tool_speaks();
    // The first one is not forgotten, so calling it once more changes nothing.
    let notes = calls(&mut play, Post::Worker, "my blower stopped");
    assert_eq!(notes, [Note::Unheeded { post: Post::Worker, why: Unheeded::UnderWay }]);
    does(&mut play, "new glove is whole", "second glove fits");
    play.says(Worker, "glove was rubbed");
    play.tool_speaks();
    play.says(Observer, "saw every finger rubbed");
    let said = "That is done. Back to where we were. Walk to the door.";
    assert_eq!(play.last_said(), (Saying::Instruction, said.into()));
}

#[test]
fn called_again_while_it_is_being_done_it_begins_again() {
    let mut play = two();
    calls(&mut play, Post::Worker, "my glove is torn");
    play.tool_speaks();
    does(&mut play, "new glove is whole", "second glove fits");
    calls(&mut play, Post::Observer, "my glove is torn");
    assert_eq!(play.state.phase, Phase::ReadBack { step: 3 });
    assert_eq!((play.state.sides.len(), play.state.runs.len()), (1, 2));
    assert_eq!(play.state.runs[0].ending, Some(Ending::CalledAgain));
}

#[test]
fn only_the_observer_goes_back_out_of_one_that_was_called_by_mistake() {
    let mut play = two();
    does(&mut play, "gloves are on", "i see wrists protected");
    calls(&mut play, Post::Worker, "my glove is torn");
    play.tool_speaks();
    let notes = play.calls(Post::Worker, Call::GoBack);
    assert_eq!(notes, [Note::Unheeded { post: Post::Worker, why: Unheeded::ObserverOnly }]);
    play.tool_speaks();
    play.calls(Post::Observer, Call::GoBack);
    assert_eq!(play.last_said(), (Saying::Instruction, "Back to where we were. Put on the gown.".into()));
    assert_eq!(play.state.runs[0].ending, Some(Ending::Cancelled));
    assert_eq!(play.state.steps[0].standing, Standing::Confirmed);
}

#[test]
fn a_slot_is_asked_for_with_its_words_and_its_value_is_kept() {
    let mut play = two();
    does(&mut play, "gloves are on", "i see wrists protected");
    play.wait();
    let asks = "Worker, I am waiting for: my gown is small or medium or large.";
    assert_eq!(play.last_said(), (Saying::Reminder, asks.into()));
    play.tool_speaks();
    play.says(Worker, "my gown is medium");
    play.tool_speaks();
    let read_back = play.state.steps[1].read_back_as.expect("it was read back");
    assert_eq!(play.procedure.phrase(read_back).values(), [("size".to_string(), "medium".to_string())]);
    play.says(Observer, "gown number four two checked");
    let confirmed = play.state.steps[1].confirmed_as.expect("it was confirmed");
    assert_eq!(play.procedure.phrase(confirmed).values(), [("tag".to_string(), "42".to_string())]);
}

#[test]
fn a_confirmation_with_another_value_confirms_nothing() {
    let mut play = two();
    does(&mut play, "gloves are on", "i see wrists protected");
    play.says(Worker, "my gown is medium");
    play.tool_speaks();
    play.says(Observer, "gown label says large");
    assert_eq!(play.state.phase, Phase::Confirm { step: 1 });
    let asks = "Negative. I heard: gown label says large. Observer, the phrase is: gown label says medium, or: not right do it again.";
    assert_eq!(play.last_said(), (Saying::AskAgain, asks.into()));
}

/// At the hold point before the third step.
fn at_the_hold_point(posts: &[Post]) -> Play {
    let mut play = begin(posts);
    if posts.len() == 2 {
        does(&mut play, "gloves are on", "i see wrists protected");
        does(&mut play, "my gown is small", "gown label says small");
    }
    play
}

#[test]
fn a_hold_point_waits_for_the_observer_however_long_it_takes() {
    let mut play = at_the_hold_point(&[Post::Worker, Post::Observer]);
    let said = "Wait for the shift lead. Observer, when it is so, say: lead gave the go.";
    assert_eq!(play.last_said(), (Saying::HoldPoint, said.into()));
    for _ in 0..20 {
        play.wait();
        play.tool_speaks();
    }
    assert_eq!(play.state.phase, Phase::HoldPoint { step: 2 });
    let phrase = play.id(Some(Observer), "lead gave the go");
    play.hears(Post::Worker, Verdict::Accepted { phrase });
    assert_eq!(play.state.phase, Phase::HoldPoint { step: 2 }, "the worker does not release it");
    let notes = play.says(Observer, "lead gave the go");
    assert!(notes.contains(&Note::Released { step: 2 }));
    assert_eq!(play.last_said(), (Saying::Instruction, "Observer: Connect the hose.".into()));
}

#[test]
fn after_a_hold_the_hold_point_is_waited_for_again() {
    let mut play = at_the_hold_point(&[Post::Worker, Post::Observer]);
    play.says(Observer, "lead gave the go");
    play.tool_speaks();
    play.calls(Post::Worker, Call::Hold);
    play.tool_speaks();
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(play.state.phase, Phase::HoldPoint { step: 2 });
}

#[test]
fn a_step_by_the_observer_is_read_back_by_the_observer_and_confirmed_by_the_worker() {
    let mut play = at_the_hold_point(&[Post::Worker, Post::Observer]);
    play.says(Observer, "lead gave the go");
    play.tool_speaks();
    play.says(Observer, "hose is connected");
    assert_eq!(play.last_said(), (Saying::Look, "Worker, look: you feel air on your face".into()));
    play.tool_speaks();
    // One voice is not enough.
    let phrase = play.id(Some(Worker), "i feel the air");
    play.hears(Post::Observer, Verdict::Accepted { phrase });
    assert_eq!(play.state.phase, Phase::Confirm { step: 2 });
    // The worker can refuse in the same words as the observer.
    let refusal = play.id(None, "not right do it again");
    play.hears(Post::Worker, Verdict::Accepted { phrase: refusal });
    assert_eq!(play.state.phase, Phase::ReadBack { step: 2 });
    play.tool_speaks();
    play.says(Observer, "hose is connected");
    play.tool_speaks();
    let notes = play.says(Worker, "i feel the air");
    assert!(notes.contains(&Note::StepDone { step: 2 }));
}
