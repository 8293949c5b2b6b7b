//! One whole session, and each rule of answering by itself.

use super::play::{said, unsure, Play, NOISE, SPEECH_MS};
use antiphon::listen::heard::Verdict;
use antiphon::procedure::parse::parse;
use antiphon::procedure::{Call, Post, Role};
use antiphon::session::{
    Action, HoldWhy, Note, Outcome, Phase, Saying, Standing, Unheeded, What, DEFAULT_GRACE_MS,
};
use Role::{Observer, Worker};

pub const HEAD: &str = r#"[procedure]
id = "demo"
title = "Demo"
version = "1"
language = "en"
cautions = ["Training aid."]
opening = "Welcome."
closing = "The end."

[rules]
tries = 3
reminder_s = 10
reminders = 3
"#;

const QUESTION: &str = r#"
[[question]]
id = "apron"
ask = "Is an apron needed?"
by = "observer"
[[question.answer]]
value = "yes"
phrase = "splashes are likely"
[[question.answer]]
value = "no"
phrase = "dry care today"
"#;

const STEPS: &str = r#"
[[step]]
id = "gloves"
instruction = "Put on the gloves."
look = "both wrists are covered"
read_back = ["gloves are on", "both gloves are on"]
confirm = "i see wrists protected"

[[step]]
id = "apron"
instruction = "Put on the apron."
look = "chest to mid calf"
read_back = "apron strings are tied"
confirm = "front shielded to calves"
when = { apron = "yes" }

[[step]]
id = "gown"
instruction = "Put on the gown."
look = "it closes all round"
read_back = "sleeves cover glove cuffs"
confirm = "gown wraps fully around"
refuse = ["the back is open"]
"#;

pub const TWO: &[Post] = &[Post::Worker, Post::Observer];

/// A session that has just asked its question and waits.
pub fn at_the_question() -> Play {
    let source = format!("{HEAD}{QUESTION}{STEPS}");
    let mut play = Play::new(parse(&source, "demo.toml").expect("the example is sound"), TWO);
    play.send(What::Begin);
    play.tool_speaks();
    play.tool_speaks();
    play
}

/// The worker has been told to put on the gloves, and the tool waits.
pub fn at_the_gloves() -> Play {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    play.tool_speaks();
    play
}

/// The gloves are on, and the observer is asked to look.
pub fn at_the_look() -> Play {
    let mut play = at_the_gloves();
    play.says(Worker, "gloves are on");
    play.tool_speaks();
    play
}

/// The instruction to rub hands has just ended, after `spoke_ms`.
pub fn at_the_rub(line: &str, spoke_ms: u64) -> Play {
    let source = format!(
        "{}\n[[step]]\nid = \"rub\"\ninstruction = \"Rub.\"\nlook = \"both are dry\"\n\
         read_back = \"both hands rubbed dry\"\nconfirm = \"every finger was treated\"\n{line}\n",
        HEAD.replace("opening = \"Welcome.\"\n", "")
    );
    let mut play = Play::new(parse(&source, "rub.toml").expect("the example is sound"), TWO);
    play.send(What::Begin);
    play.tool_speaks_for(spoke_ms);
    play
}

pub fn unheeded(notes: &[Note]) -> Option<Unheeded> {
    notes.iter().find_map(|note| match note {
        Note::Unheeded { why, .. } => Some(*why),
        _ => None,
    })
}

pub fn counted(notes: &[Note]) -> bool {
    notes.iter().any(|note| matches!(note, Note::Counted { .. }))
}

#[test]
fn a_whole_session_asks_instructs_looks_skips_and_closes_in_order() {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    play.tool_speaks();
    play.says(Worker, "both gloves are on");
    play.tool_speaks();
    play.says(Observer, "i see wrists protected");
    play.tool_speaks();
    play.says(Worker, "sleeves cover glove cuffs");
    play.tool_speaks();
    play.says(Observer, "gown wraps fully around");
    play.tool_speaks();
    let spoken: Vec<(Saying, String)> =
        play.turns.iter().flat_map(|turn| &turn.actions).filter_map(said).collect();
    let spoken: Vec<(Saying, &str)> = spoken.iter().map(|(saying, text)| (*saying, text.as_str())).collect();
    assert_eq!(
        spoken,
        [
            (Saying::Opening, "Welcome."),
            (Saying::Question, "Is an apron needed?"),
            (Saying::Instruction, "Noted: dry care today. Put on the gloves."),
            (Saying::Look, "Observer, look: both wrists are covered"),
            (Saying::Instruction, "Put on the gown."),
            (Saying::Look, "Observer, look: it closes all round"),
            (Saying::Closing, "The end."),
        ]
    );
    assert_eq!(play.state.ended(), Some(Outcome::Completed));
    let standings: Vec<Standing> = play.state.steps.iter().map(|step| step.standing).collect();
    assert_eq!(standings, [Standing::Confirmed, Standing::Skipped, Standing::Confirmed]);
}

#[test]
fn the_other_answer_switches_the_step_on() {
    let mut play = at_the_question();
    play.says(Observer, "splashes are likely");
    play.tool_speaks();
    play.says(Worker, "gloves are on");
    play.tool_speaks();
    play.says(Observer, "i see wrists protected");
    assert_eq!(play.last_said(), (Saying::Instruction, "Put on the apron.".into()));
}

#[test]
fn a_wrong_phrase_gets_negative_what_was_heard_and_the_right_version() {
    // A wrong read-back is corrected by 'negative', 'say again' and the right version: SERA.14075, Regulation (EU)
    // 923/2012.
    let mut play = at_the_gloves();
    let notes = play.says(Worker, "sleeves cover glove cuffs");
    assert_eq!(notes, [Note::AskedAgain { post: Post::Worker, try_number: 1 }]);
    let words = "Negative. I heard: sleeves cover glove cuffs. Worker, the phrase is: gloves are on.";
    assert_eq!(play.last_said(), (Saying::AskAgain, words.into()));
    play.tool_speaks();
    assert!(counted(&play.says(Worker, "gloves are on")));
}

#[test]
fn an_unsure_verdict_is_asked_again_and_confirms_nothing() {
    let mut play = at_the_look();
    let phrase = play.id(Some(Observer), "i see wrists protected");
    let notes = play.hears(Post::Observer, unsure(phrase));
    assert_eq!(notes, [Note::AskedAgain { post: Post::Observer, try_number: 1 }]);
    let (saying, words) = play.last_said();
    assert_eq!(saying, Saying::AskAgain);
    // Refusing must never be harder than confirming, so both are named.
    assert!(words.contains("i see wrists protected, or: not right do it again"), "{words}");
    assert_eq!(play.state.phase, Phase::Confirm { step: 0 });
}

/// The bar of 4 nats is that of docs/who-spoke.md.
#[test]
fn a_confirmation_in_the_voice_of_whoever_read_back_is_asked_for_again_then_held_and_counts_after_that() {
    let confirm = "i see wrists protected";
    for other in [-3.0, 0.0, 3.9] {
        assert!(counted(&at_the_look().says_as(Observer, confirm, other)), "{other}");
    }
    let mut play = at_the_look();
    let notes = play.says_as(Observer, confirm, 4.0);
    let asked = Note::AskedAgain { post: Post::Observer, try_number: 1 };
    assert_eq!(notes, [Note::SameVoice { step: 0, time: 1 }, asked]);
    let words =
        "That sounded like the worker. Observer, please say it yourself: i see wrists protected, or: not \
                 right do it again.";
    assert_eq!(play.last_said(), (Saying::AskAgain, words.into()));
    play.tool_speaks();
    let notes = play.says_as(Observer, confirm, 7.5);
    assert_eq!(notes, [Note::SameVoice { step: 0, time: 2 }, Note::Held { why: HoldWhy::SameVoice }]);
    assert_eq!(play.state.steps[0].standing, Standing::ReadBack);
    play.tool_speaks();

    // Two people may sound alike: they are not trapped, and the record says so.
    play.calls(Post::Observer, Call::CarryOn);
    play.tool_speaks();
    assert!(counted(&play.says(Worker, "gloves are on")));
    play.tool_speaks();
    let notes = play.says_as(Observer, confirm, 7.5);
    assert!(counted(&notes) && notes.contains(&Note::SameVoice { step: 0, time: 3 }), "{notes:?}");
    assert_eq!(play.state.steps[0].standing, Standing::Confirmed);
}

/// The bars are those of docs/who-spoke.md: 0.15 likelier the other's, less than 0.08 like one's own.
#[test]
fn once_both_voices_are_known_an_answer_in_the_others_or_a_strangers_is_asked_for_again_then_held() {
    let read_back = "gloves are on";
    for (own, other) in [(0.6, 0.1), (0.3, 0.44), (0.09, 0.1)] {
        assert!(counted(&at_the_gloves().says_beside(Worker, read_back, own, other)), "{own} {other}");
    }
    let mut play = at_the_gloves();
    let notes = play.says_beside(Worker, read_back, 0.1, 0.6);
    let asked = Note::AskedAgain { post: Post::Worker, try_number: 1 };
    assert_eq!(notes, [Note::OtherVoice { step: 0, time: 1, like: Some(Observer) }, asked]);
    let words = "That sounded like the observer. Worker, please say it yourself: gloves are on.";
    assert_eq!(play.last_said(), (Saying::AskAgain, words.into()));
    play.tool_speaks();
    let notes = play.says_beside(Worker, read_back, 0.0, 0.1);
    let strange = Note::OtherVoice { step: 0, time: 2, like: None };
    assert_eq!(notes, [strange, Note::Held { why: HoldWhy::StrangeVoice }]);
    play.tool_speaks();
    play.calls(Post::Observer, Call::CarryOn);
    play.tool_speaks();
    let notes = play.says_beside(Worker, read_back, 0.1, 0.6);
    assert!(counted(&notes) && notes.contains(&Note::OtherVoice { step: 0, time: 3, like: Some(Observer) }));

    // Whatever stops a step is heeded whoever says it; and known voices alone tell.
    let mut play = at_the_look();
    let notes = play.says_beside(Observer, "not right do it again", 0.0, 0.9);
    assert!(notes.contains(&Note::Refused { step: 0 }), "{notes:?}");
    assert!(counted(&at_the_look().says_beside(Observer, "i see wrists protected", 0.6, 0.1)));
}

#[test]
fn a_phrase_that_did_not_count_when_it_was_heard_is_asked_again_though_it_counts_now() {
    let mut play = at_the_look();
    let phrase = play.id(Some(Observer), "i see wrists protected");
    let notes = play.hears(Post::Observer, Verdict::Other { phrase });
    assert_eq!(notes, [Note::AskedAgain { post: Post::Observer, try_number: 1 }]);
    assert_eq!(play.state.phase, Phase::Confirm { step: 0 });
}

#[test]
fn as_many_wrong_answers_as_tries_hold_the_session_for_the_observer_to_decide() {
    let mut play = at_the_gloves();
    for try_number in 1..=2 {
        play.says(Worker, "sleeves cover glove cuffs");
        assert_eq!(play.held(), None, "after {try_number}");
        play.tool_speaks();
    }
    play.says(Worker, "sleeves cover glove cuffs");
    assert_eq!(play.held(), Some(HoldWhy::Tries));
    assert!(play.last_said().1.contains("too many tries"));
}

#[test]
fn wrong_and_unsure_answers_count_together() {
    let mut play = at_the_gloves();
    let phrase = play.id(Some(Worker), "gloves are on");
    play.hears(Post::Worker, unsure(phrase));
    play.tool_speaks();
    play.says(Worker, "sleeves cover glove cuffs");
    play.tool_speaks();
    play.hears(Post::Worker, unsure(phrase));
    assert_eq!(play.held(), Some(HoldWhy::Tries));
}

#[test]
fn noise_and_chatter_change_nothing_but_what_is_counted_as_said_in_vain() {
    let mut play = at_the_gloves();
    let mut before = play.state.clone();
    before.steps[0].failures = 20;
    for _ in 0..20 {
        let notes = play.hears_at(Post::Worker, NOISE, play.now_ms, play.now_ms);
        assert_eq!(unheeded(&notes), Some(Unheeded::Ignored));
    }
    assert_eq!(play.state, before);
}

#[test]
fn a_refusal_has_the_step_done_again_from_its_instruction() {
    let mut play = at_the_look();
    let notes = play.says(Observer, "not right do it again");
    assert!(notes.contains(&Note::Refused { step: 0 }));
    assert_eq!(play.last_said(), (Saying::Instruction, "Not right. Once more. Put on the gloves.".into()));
    play.tool_speaks();
    // The read-back given before no longer counts: a confirmation alone does not do.
    let notes = play.says(Observer, "i see wrists protected");
    assert_eq!(unheeded(&notes), Some(Unheeded::NotAwaited(Observer)));
    assert_eq!(play.state.phase, Phase::ReadBack { step: 0 });
}

#[test]
fn as_many_refusals_as_tries_hold_the_session() {
    let mut play = at_the_look();
    for _ in 1..=2 {
        play.says(Observer, "not right do it again");
        play.tool_speaks();
        play.says(Worker, "gloves are on");
        play.tool_speaks();
    }
    play.says(Observer, "not right do it again");
    assert_eq!(play.held(), Some(HoldWhy::Tries));
}

#[test]
fn the_worker_can_not_confirm_and_the_observer_can_not_read_back() {
    let mut play = at_the_gloves();
    let phrase = play.id(Some(Worker), "gloves are on");
    let notes = play.hears(Post::Observer, Verdict::Accepted { phrase });
    assert_eq!(unheeded(&notes), Some(Unheeded::NotAwaited(Observer)));
    let mut play = at_the_look();
    let phrase = play.id(Some(Observer), "i see wrists protected");
    let notes = play.hears(Post::Worker, Verdict::Accepted { phrase });
    assert_eq!(unheeded(&notes), Some(Unheeded::NotAwaited(Worker)));
    assert_eq!(play.state.phase, Phase::Confirm { step: 0 });
}

#[test]
fn nobody_answering_is_called_again_three_times_and_then_held() {
    let mut play = at_the_gloves();
    for reminder in 1..=3 {
        let ended = play.now_ms;
        assert_eq!(play.wait(), []);
        // At least 10 s before calling again: aeronautical practice (ICAO Annex 10 vol. II, from memory).
        assert_eq!(play.now_ms - ended, 10_000, "reminder {reminder}");
        let expected = "Worker, I am waiting for: gloves are on.";
        assert_eq!(play.last_said(), (Saying::Reminder, expected.into()));
        play.tool_speaks();
    }
    assert_eq!(play.wait(), [Note::Held { why: HoldWhy::NoAnswer }]);
    assert_eq!(play.held(), Some(HoldWhy::NoAnswer));
}

#[test]
fn a_step_with_patience_of_its_own_is_called_again_only_then() {
    let mut play = at_the_rub("reminder_s = 45", SPEECH_MS);
    let ended = play.now_ms;
    play.now_ms += 44_999;
    assert_eq!(play.send(What::Time), []);
    play.wait();
    assert_eq!(play.now_ms - ended, 45_000);
}

#[test]
fn a_reply_that_begins_100_ms_before_the_prompt_ends_counts() {
    // People answer each other after 200 ms on average, and some before the end: Stivers et al. 2009, PNAS 106(26).
    let mut play = at_the_gloves();
    let phrase = play.id(Some(Worker), "gloves are on");
    let start = play.now_ms - 100;
    assert!(counted(&play.hears_at(Post::Worker, Verdict::Accepted { phrase }, start, start + 900)));
}

#[test]
fn a_reply_counts_from_the_grace_before_the_end_on_and_not_1_ms_sooner() {
    for (before_ms, counts) in [(DEFAULT_GRACE_MS, true), (DEFAULT_GRACE_MS + 1, false)] {
        let mut play = at_the_gloves();
        let phrase = play.id(Some(Worker), "gloves are on");
        let start = play.now_ms - before_ms;
        let notes = play.hears_at(Post::Worker, Verdict::Accepted { phrase }, start, start + 900);
        assert_eq!(counted(&notes), counts, "{before_ms} ms before the end");
    }
}

#[test]
fn a_reply_that_begins_400_ms_before_the_prompt_ends_is_asked_for_once_the_tool_is_silent() {
    let mut play = at_the_gloves();
    let phrase = play.id(Some(Worker), "gloves are on");
    let ended = play.now_ms;
    let notes = play.hears_at(Post::Worker, Verdict::Accepted { phrase }, ended - 400, ended + 500);
    assert_eq!(unheeded(&notes), Some(Unheeded::WhileSpeaking));
    play.wait();
    assert!(play.now_ms - ended <= 2_500, "asked for after {} ms", play.now_ms - ended);
    let words = "I was still speaking. Worker, please say it now: gloves are on.";
    assert_eq!(play.last_said(), (Saying::AskAgain, words.into()));
}

#[test]
fn a_reply_that_is_over_before_the_prompt_ends_is_asked_for_once_the_tool_is_silent() {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    let utterance = play.state.speaking.expect("the instruction is being said").utterance;
    play.send(What::SpeechBegan { utterance });
    let phrase = play.id(Some(Worker), "gloves are on");
    let start = play.now_ms + 200;
    let notes = play.hears_at(Post::Worker, Verdict::Accepted { phrase }, start, start + 900);
    assert_eq!(unheeded(&notes), Some(Unheeded::WhileSpeaking));
    play.now_ms += 2_000;
    play.send(What::SpeechEnded { utterance, whole: true });
    let ended = play.now_ms;
    play.wait();
    assert_eq!(play.now_ms - ended, 1_500);
    assert!(play.last_said().1.starts_with("I was still speaking."));
    // Being early is no mistake.
    assert_eq!(play.state.tries, 0);
}

#[test]
fn a_reply_that_had_begun_when_the_tool_called_again_counts() {
    let mut play = at_the_gloves();
    let phrase = play.id(Some(Worker), "gloves are on");
    play.wait();
    assert_eq!(play.last_said().0, Saying::Reminder);
    let called = play.now_ms;
    for (start, counts) in [(called, false), (called - 1, true)] {
        let notes = play.hears_at(Post::Worker, Verdict::Accepted { phrase }, start, called + 900);
        assert_eq!(counted(&notes), counts, "began {} ms before the reminder", called - start);
    }
    assert_eq!(play.state.phase, Phase::Confirm { step: 0 });
}

#[test]
fn a_reply_to_a_very_short_prompt_can_not_have_begun_before_the_prompt() {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    let said_at = play.now_ms;
    play.tool_speaks_for(40);
    let phrase = play.id(Some(Worker), "gloves are on");
    let notes = play.hears_at(Post::Worker, Verdict::Accepted { phrase }, said_at - 1, said_at + 900);
    assert_eq!(unheeded(&notes), Some(Unheeded::WhileSpeaking));
    assert_eq!(play.state.phase, Phase::ReadBack { step: 0 });
}

#[test]
fn hands_rubbed_for_19_999_s_are_refused_and_for_20_s_are_accepted() {
    // Alcohol hand rub takes 20 to 30 s: WHO Guidelines on Hand Hygiene in Health Care, 2009.
    for (rubbed_ms, accepted) in [(19_999, false), (20_000, true)] {
        let mut play = at_the_rub("at_least_s = 20", SPEECH_MS);
        let phrase = play.id(Some(Worker), "both hands rubbed dry");
        let start = play.now_ms + rubbed_ms;
        let notes = play.hears_at(Post::Worker, Verdict::Accepted { phrase }, start, start + 900);
        assert_eq!(counted(&notes), accepted, "{rubbed_ms} ms");
        if !accepted {
            assert_eq!(notes, [Note::TooSoon { step: 0, left_ms: 1 }]);
            let words = "Too soon. 1 seconds more, then say: both hands rubbed dry.";
            assert_eq!(play.last_said(), (Saying::TooSoon, words.into()));
        }
    }
}

#[test]
fn nobody_is_reminded_of_a_read_back_that_would_still_be_too_soon() {
    // The default reminder is at 10 s.
    let mut play = at_the_rub("at_least_s = 20", SPEECH_MS);
    let ended = play.now_ms;
    play.wait();
    assert_eq!((play.now_ms - ended, play.last_said().0), (20_000, Saying::Reminder));
}

#[test]
fn saying_the_instruction_again_does_not_begin_the_minimum_time_anew() {
    let mut play = at_the_rub("at_least_s = 20", SPEECH_MS);
    let over = play.now_ms + 20_000;
    play.calls(Post::Worker, Call::SayAgain);
    play.tool_speaks();
    let phrase = play.id(Some(Worker), "both hands rubbed dry");
    assert!(counted(&play.hears_at(Post::Worker, Verdict::Accepted { phrase }, over, over + 900)));
}

#[test]
fn a_refusal_begins_the_minimum_time_anew() {
    let mut play = at_the_rub("at_least_s = 20", SPEECH_MS);
    let phrase = play.id(Some(Worker), "both hands rubbed dry");
    let start = play.now_ms + 20_000;
    play.hears_at(Post::Worker, Verdict::Accepted { phrase }, start, start + 900);
    play.tool_speaks();
    play.says(Observer, "not right do it again");
    play.tool_speaks();
    let notes = play.says(Worker, "both hands rubbed dry");
    assert!(matches!(notes[..], [Note::TooSoon { left_ms: 19_800, .. }]), "{notes:?}");
}

#[test]
fn an_utterance_that_claims_to_begin_after_it_was_reported_is_not_believed() {
    let mut play = at_the_rub("at_least_s = 20", SPEECH_MS);
    let phrase = play.id(Some(Worker), "both hands rubbed dry");
    let later = play.now_ms + 60_000;
    let heard = super::play::heard(Post::Worker, Verdict::Accepted { phrase }, later, later + 900);
    let actions = play.send(What::Heard(heard));
    assert!(matches!(actions[0], Action::Note(Note::TooSoon { .. })), "{actions:?}");
}
