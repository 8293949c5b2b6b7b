//! The tool's own voice in open microphones: it is never taken for a person's, and no call is lost over it.

use super::examples::{at_the_gloves, at_the_question};
use super::judge::Ruling;
use super::play::{note, said, unsure, Play};
use antiphon::listen::heard::Verdict;
use antiphon::procedure::parse::load;
use antiphon::procedure::{Call, PhraseId, Post, Procedure, Role, Use};
use antiphon::session::lines::{fill, lines, LANGUAGES};
use antiphon::session::{phrases_in, HoldWhy, Note, Phase, Unheeded, What};
use std::path::Path;
use Role::{Observer, Worker};

fn call_of(procedure: &Procedure, id: PhraseId) -> Option<Call> {
    match procedure.phrase(id).used {
        Use::Call { call } => Some(call),
        _ => None,
    }
}

/// What the tool has in its mouth, followed from what it was told to say and what became of it.
#[derive(Default)]
struct Mouth {
    /// The utterance that has not ended, its words, and when it began.
    open: Option<(u64, String, Option<u64>)>,
}

impl Mouth {
    fn news(&mut self, what: &What, now: u64) {
        let Some((open, _, began)) = &mut self.open else { return };
        match what {
            What::SpeechBegan { utterance } if utterance == open => *began = Some(now),
            What::SpeechEnded { utterance, .. } | What::VoiceFailed { utterance, .. }
                if utterance == open =>
            {
                self.open = None;
            }
            _ => {}
        }
    }
}

/// A phrase that began while the tool was saying it has no effect whatever, and carry on and go back have none while
/// it says anything. The calls that must work at any moment are in its own mouth only while the session is held.
pub fn own_voice_never_counts(play: &Play) -> Ruling {
    let (mut mouth, mut now) = (Mouth::default(), 0);
    for turn in &play.turns {
        now = turn.event.at_ms.max(now);
        if let (What::Heard(heard), Some((_, text, Some(began)))) = (&turn.event.what, &mouth.open) {
            let (phrase, sure) = match &heard.verdict {
                Verdict::Accepted { phrase } | Verdict::Other { phrase } => (*phrase, true),
                Verdict::Unsure { closest, .. } => (*closest, false),
                Verdict::Ignored { .. } => continue,
            };
            let own = phrases_in(text, &play.procedure).contains(&phrase);
            let reply =
                matches!(call_of(&play.procedure, phrase), Some(Call::CarryOn | Call::GoBack)) && sure;
            if heard.start_ms.min(now) >= *began && (own || reply) {
                let notes: Vec<Note> = turn.actions.iter().filter_map(note).collect();
                let left_alone = matches!(notes[..], [Note::Unheeded { .. }] | []);
                if !left_alone || turn.actions.len() != notes.len() || turn.before.phase != turn.after.phase {
                    return Err(format!("{heard:?} over {text:?} led to {:?}", turn.actions));
                }
                if turn.after.came_early && !turn.before.came_early {
                    return Err(format!("the tool's own voice came early: {heard:?} over {text:?}"));
                }
            }
        }
        mouth.news(&turn.event.what, now);
        for action in &turn.actions {
            if let antiphon::session::Action::Say { utterance, text, .. } = action {
                mouth.open = Some((*utterance, text.clone(), None));
            }
        }
        let urgent = |id: &PhraseId| matches!(call_of(&play.procedure, *id), Some(Call::Stop | Call::Hold));
        let held = matches!(turn.after.phase, Phase::Held { .. } | Phase::Ended { .. });
        if turn.after.own_words.iter().any(urgent) && !held {
            return Err(format!("stop or hold is taken for the tool's own in {:?}", turn.after.phase));
        }
    }
    Ok(())
}

#[test]
fn no_line_but_those_of_a_hold_has_the_words_of_stop_or_hold_in_any_language() {
    let file = |name: &str| Path::new(env!("CARGO_MANIFEST_DIR")).join("procedures").join(name);
    for (language, name) in LANGUAGES.iter().zip(["isolation-donning.toml", "korean-mini.toml"]) {
        let (procedure, _) = load(&file(name)).expect("a shipped procedure is good");
        let (lines, known) = lines(language);
        assert!(known && procedure.language.starts_with(language), "{language}");
        let text = |wanted: Call| {
            let phrase = procedure.phrases.iter().find(|phrase| phrase.used == Use::Call { call: wanted });
            phrase.expect("every procedure has every call").text.as_str()
        };
        let calls = [
            ("carry_on", text(Call::CarryOn)),
            ("go_back", text(Call::GoBack)),
            ("stop", text(Call::Stop)),
            ("who", lines.observer),
            ("seconds", "20"),
        ];
        for (name, line) in lines.all() {
            let own = phrases_in(&fill(line, &calls), &procedure);
            let urgent = |id: &&PhraseId| matches!(call_of(&procedure, **id), Some(Call::Stop | Call::Hold));
            let of_a_hold = name.starts_with("held_") || name.starts_with("still_");
            assert!(of_a_hold || own.iter().find(urgent).is_none(), "{language} {name}: {line}");
        }
    }
}

#[test]
fn a_phrase_is_in_a_text_when_its_words_follow_each_other_there() {
    let procedure = at_the_question().procedure;
    let found = |text: &str| -> Vec<&str> {
        phrases_in(text, &procedure).iter().map(|id| procedure.phrase(*id).text.as_str()).collect()
    };
    assert_eq!(
        found("Say: \"Splashes are likely\", or: dry care, today!"),
        ["splashes are likely", "dry care today"]
    );
    assert_eq!(found("Splashes are 2 likely. Dry care & today."), [] as [&str; 0]);
    assert_eq!(found("Sundry care today. Stop, 5 stop."), [] as [&str; 0]);
    assert_eq!(found(""), [] as [&str; 0]);
}

/// The question is being asked again with both answers in it.
fn asking_with_both_answers() -> Play {
    let mut play = at_the_question();
    play.wait();
    assert!(play.last_said().1.contains("splashes are likely"));
    let utterance = play.state.speaking.expect("the reminder is being said").utterance;
    play.send(What::SpeechBegan { utterance });
    play
}

fn ends(play: &mut Play) {
    let utterance = play.state.speaking.expect("something is being said").utterance;
    play.now_ms += 300;
    play.send(What::SpeechEnded { utterance, whole: true });
}

#[test]
fn an_answer_in_the_tools_own_words_is_its_own_voice_and_not_an_early_answer() {
    let mut play = asking_with_both_answers();
    let phrase = play.id(Some(Observer), "splashes are likely");
    let own = [Note::Unheeded { post: Post::Observer, why: Unheeded::OwnVoice }];
    for verdict in [Verdict::Accepted { phrase }, Verdict::Other { phrase }, unsure(phrase)] {
        assert_eq!(play.hears(Post::Observer, verdict), own);
    }
    assert!(!play.state.came_early && play.state.tries == 0);
    ends(&mut play);
    // Judged only now, begun in the tool's own words: still its own.
    let began = play.now_ms - 1_000;
    assert_eq!(play.hears_at(Post::Observer, Verdict::Accepted { phrase }, began, play.now_ms), own);
    assert_eq!(play.state.phase, Phase::Asking { question: 0 });
    play.says(Observer, "splashes are likely");
    assert_ne!(play.state.phase, Phase::Asking { question: 0 }, "the same words of a person count");
}

#[test]
fn words_of_a_prompt_that_was_cut_short_are_its_own_voice_until_answers_count_again() {
    let mut play = asking_with_both_answers();
    let phrase = play.id(Some(Observer), "splashes are likely");
    let began = play.now_ms + 100;
    play.calls(Post::Worker, Call::Hold);
    let notes = play.hears_at(Post::Observer, Verdict::Accepted { phrase }, began, play.now_ms);
    assert_eq!(notes, [Note::Unheeded { post: Post::Observer, why: Unheeded::OwnVoice }]);
    play.tool_speaks();
    play.calls(Post::Observer, Call::CarryOn);
    assert!(!play.state.own_words.contains(&phrase), "the question asked anew does not have them");
}

#[test]
fn a_stop_over_a_prompt_holds_and_hushes_it() {
    for (sure, why) in [(true, HoldWhy::Stop), (false, HoldWhy::MaybeStop)] {
        let mut play = asking_with_both_answers();
        let phrase = play.call_id(Call::Stop);
        let verdict = if sure { Verdict::Accepted { phrase } } else { unsure(phrase) };
        play.hears(Post::Worker, verdict);
        assert_eq!(play.held(), Some(why));
    }
}

#[test]
fn the_tools_own_stop_and_carry_on_in_a_hold_prompt_neither_end_nor_release_it() {
    let mut play = at_the_gloves();
    play.calls(Post::Worker, Call::Stop);
    let utterance = play.state.speaking.expect("the hold is being announced").utterance;
    play.send(What::SpeechBegan { utterance });
    for call in [Call::CarryOn, Call::Stop] {
        let notes = play.calls(Post::Observer, call);
        assert_eq!(notes, [Note::Unheeded { post: Post::Observer, why: Unheeded::OwnVoice }], "{call:?}");
    }
    let notes = play.calls(Post::Observer, Call::GoBack);
    assert_eq!(notes, [Note::Unheeded { post: Post::Observer, why: Unheeded::WhileSpeaking }]);
    let spoken = play.turns.iter().flat_map(|turn| &turn.actions).filter_map(said).count();
    ends(&mut play);
    assert_eq!(play.held(), Some(HoldWhy::Stop));
    assert_eq!(play.turns.iter().flat_map(|turn| &turn.actions).filter_map(said).count(), spoken);
    play.calls(Post::Observer, Call::CarryOn);
    assert_eq!(play.held(), None, "said after the prompt it counts");
}

#[test]
fn go_back_over_an_instruction_waits_for_its_end() {
    let mut play = at_the_question();
    play.says(Observer, "dry care today");
    let utterance = play.state.speaking.expect("the instruction is being said").utterance;
    play.send(What::SpeechBegan { utterance });
    let notes = play.calls(Post::Worker, Call::GoBack);
    assert_eq!(notes, [Note::Unheeded { post: Post::Worker, why: Unheeded::WhileSpeaking }]);
    ends(&mut play);
    play.says(Worker, "gloves are on");
    assert_eq!(play.state.phase, Phase::Confirm { step: 0 });
}
