//! The way out, rule by rule: the observer's decision about a step whose answers are not heard.

use super::examples::{at_the_gloves, at_the_look, counted, unheeded, HEAD, TWO};
use super::judge::judge;
use super::play::{unsure, Play, Turn, NOISE};
use antiphon::listen::heard::{Heard, Verdict};
use antiphon::procedure::parse::parse;
use antiphon::procedure::{Call, Post, Role};
use antiphon::session::{HoldWhy, Note, Phase, Saying, Standing, Unheeded, What};
use Role::{Observer, Worker};

const SEEN: &str = "seen and accepted";
const NOISY: &str = "too much noise";

/// Whoever is awaited is not understood until the session holds; the hold is spoken.
fn until_held(play: &mut Play) {
    while play.held().is_none() {
        let role = play.state.awaited(&play.procedure).expect("somebody is awaited");
        let post = play.state.posts.iter().copied().find(|post| post.hears(role));
        let closest = play.state.expected(&play.procedure)[0];
        play.hears(post.expect("somebody hears both"), unsure(closest));
        play.tool_speaks();
    }
    assert_eq!(play.held(), Some(HoldWhy::Tries));
}

/// The tries at the gloves are used up.
fn held() -> Play {
    let mut play = at_the_gloves();
    until_held(&mut play);
    play
}

/// The observer has decided about the gloves, and is asked why.
fn deciding() -> Play {
    let mut play = held();
    assert!(counted(&play.says(Observer, SEEN)));
    assert_eq!(play.state.phase, Phase::Deciding { step: 0 });
    play.tool_speaks();
    play
}

/// A single step with these lines, its instruction spoken.
fn one_step(rules: &str, lines: &str, posts: &[Post]) -> Play {
    let source = format!(
        "{}{rules}\n[[step]]\nid = \"rub\"\ninstruction = \"Rub.\"\nlook = \"both are dry\"\n\
         read_back = \"both hands rubbed dry\"\nconfirm = \"every finger was treated\"\n{lines}\n",
        HEAD.replace("opening = \"Welcome.\"\n", "")
    );
    let mut play = Play::new(parse(&source, "rub.toml").unwrap_or_else(|errors| panic!("{errors}")), posts);
    play.send(What::Begin);
    play.tool_speaks();
    play
}

#[test]
fn after_the_tries_the_hold_names_the_way_out() {
    let play = held();
    let (saying, words) = play.last_said();
    assert_eq!(saying, Saying::Hold);
    assert!(words.ends_with("Or, if you saw it done right, say: seen and accepted."), "{words}");
}

#[test]
fn the_decision_and_its_reason_confirm_the_step_and_it_is_said_and_kept_as_that() {
    let mut play = deciding();
    let words = "Observer, why? Say: the voice was misheard, or: too much noise, or: some other reason.";
    assert_eq!(play.last_said(), (Saying::AskReason, words.into()));
    let notes = play.says(Observer, NOISY);
    assert!(notes.contains(&Note::Decided { step: 0, reason: 1 }), "{notes:?}");
    assert!(!notes.iter().any(|note| matches!(note, Note::StepDone { .. })), "{notes:?}");
    let said = "Confirmed by decision, too much noise. Put on the gown.";
    assert_eq!(play.last_said(), (Saying::Instruction, said.into()));
    let gloves = &play.state.steps[0];
    assert_eq!(gloves.standing, Standing::Decided);
    // Nothing of it was heard, and nothing says so.
    assert_eq!((gloves.read_back_ms, gloves.confirmed_ms, gloves.confirmed_as), (None, None, None));
    assert_eq!(gloves.decided.map(|decided| decided.reason), Some(1));
}

#[test]
fn a_read_back_that_was_heard_stays_heard_when_the_confirmation_is_decided() {
    let mut play = at_the_look();
    until_held(&mut play);
    play.says(Observer, SEEN);
    play.tool_speaks();
    play.says(Observer, NOISY);
    let gloves = &play.state.steps[0];
    assert_eq!(gloves.standing, Standing::Decided);
    assert!(gloves.read_back_ms.is_some() && gloves.confirmed_ms.is_none());
}

#[test]
fn before_the_tries_are_used_up_a_decision_is_no_decision_and_no_try() {
    let mut play = at_the_look();
    for _ in 0..5 {
        let notes = play.says(Observer, SEEN);
        assert_eq!(unheeded(&notes), Some(Unheeded::TriesLeft));
        let words = "Not yet. Observer, please say: i see wrists protected, or: not right do it again.";
        assert_eq!(play.last_said(), (Saying::Remark, words.into()));
        play.tool_speaks();
    }
    assert_eq!((play.state.phase.clone(), play.state.tries), (Phase::Confirm { step: 0 }, 0));
    let closest = play.id(Some(Observer), "i see wrists protected");
    for _ in 0..2 {
        play.hears(Post::Observer, unsure(closest));
        play.tool_speaks();
    }
    assert_eq!(unheeded(&play.says(Observer, SEEN)), Some(Unheeded::TriesLeft));
}

#[test]
fn the_worker_never_decides_and_never_gives_the_reason() {
    let mut play = held();
    let phrase = play.id(Some(Observer), SEEN);
    let notes = play.hears(Post::Worker, Verdict::Accepted { phrase });
    assert_eq!(unheeded(&notes), Some(Unheeded::ObserverOnly));
    assert_eq!(play.last_said().1, "Only the observer can say that.");
    assert_eq!(play.held(), Some(HoldWhy::Tries));
    let mut play = deciding();
    let phrase = play.id(Some(Observer), NOISY);
    let notes = play.hears(Post::Worker, Verdict::Accepted { phrase });
    assert_eq!(unheeded(&notes), Some(Unheeded::NotAwaited(Worker)));
    assert_eq!(play.state.phase, Phase::Deciding { step: 0 });
}

#[test]
fn nothing_but_an_accepted_reason_completes_a_decision() {
    let mut play = deciding();
    let noisy = play.id(Some(Observer), NOISY);
    play.hears(Post::Observer, NOISE);
    play.hears(Post::Observer, unsure(noisy));
    play.tool_speaks();
    play.says(Observer, "i see wrists protected");
    play.tool_speaks();
    // Said once more it is asked again, not taken for a reason.
    play.says(Observer, SEEN);
    assert_eq!(play.last_said().0, Saying::AskReason);
    play.tool_speaks();
    play.wait();
    play.tool_speaks();
    assert_eq!(play.state.phase, Phase::Deciding { step: 0 });
    play.hears(Post::Observer, unsure(noisy));
    // The reason was not understood either: on hold again, and everything is open.
    assert_eq!((play.held(), play.state.steps[0].standing), (Some(HoldWhy::Tries), Standing::Instructed));
    play.tool_speaks();
    play.says(Observer, SEEN);
    play.tool_speaks();
    assert!(play.says(Observer, "some other reason").contains(&Note::Decided { step: 0, reason: 2 }));
}

#[test]
fn something_like_a_decision_is_asked_again_in_other_words() {
    let mut play = held();
    let other = "my decision is to go on";
    let (seen, go_on) = (play.id(Some(Observer), SEEN), play.id(Some(Observer), other));
    let verdicts = [(unsure(seen), other), (Verdict::Other { phrase: seen }, other), (unsure(go_on), SEEN)];
    for (verdict, wanted) in verdicts {
        play.hears(Post::Observer, verdict);
        let words = format!("I am not sure what I heard. Observer, please say: {wanted}.");
        assert_eq!(play.last_said(), (Saying::AskAgain, words));
        assert_eq!(play.held(), Some(HoldWhy::Tries));
        play.tool_speaks();
    }
    play.says(Observer, other);
    play.tool_speaks();
    assert!(play.says(Observer, "some other reason").contains(&Note::Decided { step: 0, reason: 2 }));
}

#[test]
fn a_decision_said_over_the_hold_is_not_heard_out_and_does_not_count() {
    let mut play = at_the_gloves();
    let closest = play.id(Some(Worker), "gloves are on");
    for _ in 0..2 {
        play.hears(Post::Worker, unsure(closest));
        play.tool_speaks();
    }
    play.hears(Post::Worker, unsure(closest));
    let notes = play.says(Observer, SEEN);
    // The tool says these words itself.
    assert_eq!(unheeded(&notes), Some(Unheeded::OwnVoice));
    assert_eq!(play.held(), Some(HoldWhy::Tries));
}

#[test]
fn a_hold_a_stop_and_say_again_work_in_the_midst_of_a_decision() {
    let mut play = deciding();
    play.calls(Post::Worker, Call::SayAgain);
    assert_eq!(play.last_said().0, Saying::AskReason);
    play.tool_speaks();
    play.calls(Post::Worker, Call::Hold);
    assert_eq!(play.held(), Some(HoldWhy::Called));
    play.tool_speaks();
    // A hold for another reason is ended first.
    assert_eq!(unheeded(&play.says(Observer, SEEN)), Some(Unheeded::NoEffect));
    assert_eq!(unheeded(&play.says(Observer, NOISY)), Some(Unheeded::NoEffect));
    play.calls(Post::Observer, Call::CarryOn);
    play.tool_speaks();
    assert_eq!(play.state.phase, Phase::ReadBack { step: 0 });
    // The tries were used up at this step: it need not fail three times more.
    assert!(counted(&play.says(Observer, SEEN)));
    play.tool_speaks();
    play.calls(Post::Worker, Call::Stop);
    assert_eq!(play.held(), Some(HoldWhy::Stop));
}

#[test]
fn after_carrying_on_an_answer_that_is_heard_counts_as_ever() {
    let mut play = held();
    play.calls(Post::Observer, Call::CarryOn);
    play.tool_speaks();
    play.says(Worker, "gloves are on");
    play.tool_speaks();
    play.says(Observer, "i see wrists protected");
    assert_eq!(play.state.steps[0].standing, Standing::Confirmed);
    play.tool_speaks();
    // The next step has tries of its own.
    assert_eq!(unheeded(&play.says(Observer, SEEN)), Some(Unheeded::TriesLeft));
}

#[test]
fn going_back_takes_the_way_out_and_the_decision_away() {
    let mut play = deciding();
    play.calls(Post::Observer, Call::GoBack);
    play.tool_speaks();
    play.says(Observer, "dry care today");
    play.tool_speaks();
    assert_eq!(play.state.phase, Phase::ReadBack { step: 0 });
    assert_eq!(unheeded(&play.says(Observer, SEEN)), Some(Unheeded::TriesLeft));
    play.tool_speaks();
    until_held(&mut play);
    play.says(Observer, SEEN);
    play.tool_speaks();
    play.says(Observer, NOISY);
    play.tool_speaks();
    play.calls(Post::Observer, Call::GoBack);
    let gloves = &play.state.steps[0];
    assert_eq!((gloves.standing, gloves.decided), (Standing::Instructed, None));
}

#[test]
fn a_refusal_takes_the_way_out_away() {
    let mut play = at_the_look();
    until_held(&mut play);
    play.calls(Post::Observer, Call::CarryOn);
    play.tool_speaks();
    play.says(Worker, "gloves are on");
    play.tool_speaks();
    play.says(Observer, "not right do it again");
    play.tool_speaks();
    assert_eq!(unheeded(&play.says(Observer, SEEN)), Some(Unheeded::TriesLeft));
    play.tool_speaks();
    // As many refusals as tries hold too, and offer nothing.
    for _ in 0..2 {
        play.says(Worker, "gloves are on");
        play.tool_speaks();
        play.says(Observer, "not right do it again");
        play.tool_speaks();
    }
    assert_eq!(play.held(), Some(HoldWhy::Tries));
    assert_eq!(unheeded(&play.says(Observer, SEEN)), Some(Unheeded::NoEffect));
}

#[test]
fn silence_opens_no_way_out_and_a_voice_that_is_never_understood_does() {
    for (speaks, opens) in [(false, false), (true, true)] {
        let mut play = at_the_gloves();
        for _ in 0..3 {
            if speaks {
                play.hears(Post::Worker, NOISE);
            }
            play.wait();
            play.tool_speaks();
        }
        play.wait();
        assert_eq!(play.held(), Some(HoldWhy::NoAnswer));
        play.tool_speaks();
        assert_eq!(counted(&play.says(Observer, SEEN)), opens, "{speaks}");
    }
}

#[test]
fn a_critical_step_has_no_way_out_unless_the_file_says_so() {
    for (rules, lines, opens) in [
        ("", "", true),
        ("", "critical = true", false),
        ("", "critical = true\ndecision = true", true),
        ("", "decision = false", false),
        ("decision = false", "", false),
        ("decision = false", "decision = true", true),
        ("decision = true", "critical = true", false),
    ] {
        let mut play = one_step(rules, lines, TWO);
        until_held(&mut play);
        let offered = play.last_said().1.contains(SEEN);
        assert_eq!(offered, opens, "{rules} {lines}");
        if play.procedure.decision.is_some() {
            assert_eq!(counted(&play.says(Observer, SEEN)), opens, "{rules} {lines}");
        }
    }
}

#[test]
fn where_both_answers_are_needed_a_decision_says_so() {
    let more = "[[step]]\nid = \"gown\"\ninstruction = \"Gown.\"\nlook = \"closed\"\nread_back = \"gown is on\"\nconfirm = \"gown is closed\"";
    let mut play = one_step("", &format!("decision = false\n{more}"), TWO);
    play.says(Worker, "both hands rubbed dry");
    play.tool_speaks();
    assert_eq!(unheeded(&play.says(Observer, SEEN)), Some(Unheeded::NoDecision));
    let (_, words) = play.last_said();
    assert!(words.starts_with("This step needs both answers. Observer, please say: every finger"), "{words}");
}

#[test]
fn the_minimum_time_holds_for_a_decision_too() {
    let mut play = one_step("", "at_least_s = 60", TWO);
    let over = play.now_ms + 60_000;
    until_held(&mut play);
    let phrase = play.id(Some(Observer), SEEN);
    assert!(play.now_ms < over);
    let start = play.now_ms + 200;
    let notes = play.hears_at(Post::Observer, Verdict::Accepted { phrase }, start, start + 800);
    assert_eq!(notes, [Note::TooSoon { step: 0, left_ms: over - start }]);
    assert!(play.last_said().1.ends_with("seconds more, then say: seen and accepted."));
    play.tool_speaks();
    assert!(counted(&play.hears_at(Post::Observer, Verdict::Accepted { phrase }, over, over + 800)));
}

#[test]
fn a_step_by_the_observer_can_be_decided_about_and_one_microphone_knows_the_decision_by_its_phrase() {
    let mut play = one_step("", "by = \"observer\"", TWO);
    play.says(Observer, "both hands rubbed dry");
    play.tool_speaks();
    until_held(&mut play);
    play.says(Observer, SEEN);
    play.tool_speaks();
    assert!(play.says(Observer, NOISY).contains(&Note::Decided { step: 0, reason: 1 }));
    let mut play = one_step("", "", &[Post::Room]);
    until_held(&mut play);
    let (seen, noisy) = (play.id(Some(Observer), SEEN), play.id(Some(Observer), NOISY));
    play.hears(Post::Room, Verdict::Accepted { phrase: seen });
    play.tool_speaks();
    let notes = play.hears(Post::Room, Verdict::Accepted { phrase: noisy });
    assert!(notes.contains(&Note::Decided { step: 0, reason: 1 }));
}

#[test]
fn a_lost_microphone_takes_nothing_for_a_decision() {
    let mut play = held();
    play.send(What::PostLost { post: Post::Worker, why: "unplugged".into() });
    play.tool_speaks();
    assert_eq!(unheeded(&play.says(Observer, SEEN)), Some(Unheeded::NoEffect));
    let mut play = deciding();
    play.send(What::PostLost { post: Post::Worker, why: "unplugged".into() });
    play.tool_speaks();
    assert_eq!(unheeded(&play.says(Observer, NOISY)), Some(Unheeded::NoEffect));
    assert_eq!(play.held(), Some(HoldWhy::PostLost(Post::Worker)));
}

#[test]
fn a_reason_said_in_passing_is_nobodys_answer() {
    let mut play = at_the_look();
    assert_eq!(unheeded(&play.says(Observer, NOISY)), Some(Unheeded::NoEffect));
    assert_eq!(play.state.tries, 0);
}

/// The judge of the properties must see what is wrong: a sound session, doctored one way at a time.
#[test]
fn the_judge_sees_every_decision_that_must_not_have_counted() {
    let sound = || {
        let mut play = deciding();
        play.says(Observer, NOISY);
        play
    };
    judge(&sound()).expect("it is sound");
    let heard = |play: &mut Play, text: &str, change: fn(&mut Heard)| {
        let id = play.id(Some(Observer), text);
        let said = |turn: &&mut Turn| matches!(&turn.event.what, What::Heard(heard) if heard.verdict == Verdict::Accepted { phrase: id });
        let turn = play.turns.iter_mut().find(said).expect("it was said");
        if let What::Heard(heard) = &mut turn.event.what {
            change(heard);
        }
    };
    let by_worker: fn(&mut Heard) = |heard| heard.post = Post::Worker;
    let early: fn(&mut Heard) = |heard| heard.start_ms = 1;
    type Doctor<'d> = (&'d str, Box<dyn Fn(&mut Play) + 'd>);
    let doctored: Vec<Doctor> = vec![
        ("the step takes no decision", Box::new(|play| play.procedure.steps[0].decision = false)),
        ("a try was left", Box::new(|play| play.procedure.rules.tries = 4)),
        ("a longer minimum time", Box::new(|play| play.procedure.steps[0].at_least_s = Some(999.0))),
        ("the worker decided", Box::new(move |play| heard(play, SEEN, by_worker))),
        ("the worker gave the reason", Box::new(move |play| heard(play, NOISY, by_worker))),
        ("the decision began before the hold", Box::new(move |play| heard(play, SEEN, early))),
        ("the reason began before it was asked for", Box::new(move |play| heard(play, NOISY, early))),
        ("the decision was never made", {
            let gone = |turn: &Turn| {
                matches!(turn.after.phase, Phase::Deciding { .. })
                    && matches!(turn.before.phase, Phase::Held { .. })
            };
            Box::new(move |play| play.turns.retain(|turn| !gone(turn)))
        }),
    ];
    for (wrong, doctor) in doctored {
        let mut play = sound();
        doctor(&mut play);
        assert!(judge(&play).is_err(), "{wrong}");
    }
}
