//! The score, from journals made by hand: events with their times, and the notes of errors made on purpose.

use super::score::{Kind, Outcome, Stumble};
use super::{score, Practice, Score, SlipNote, Source};
use crate::conduct::actors::SlipKind;
use crate::conduct::keeper::Opening;
use crate::listen::heard::{Doubt, Evidence, Heard, Verdict};
use crate::procedure::parse::parse;
use crate::procedure::{PhraseId, Post, Procedure, Role};
use crate::record::read::Line;
use crate::session::{step, Event, State, What};
use serde_json::{json, Value};

const PROCEDURE: &str = r#"
[procedure]
id = "short"
title = "A short one"
version = "1"
language = "en"
cautions = ["Training aid."]
closing = "All done."
[rules]
reminder_s = 6
[[step]]
id = "rub"
instruction = "Rub your hands."
look = "both hands are dry"
read_back = "both hands rubbed dry"
confirm = "every finger was treated"
at_least_s = 8
expected_s = 12
[[step]]
id = "gloves"
instruction = "Put on the gloves."
look = "both wrists are covered"
read_back = "inner gloves are on"
confirm = "i see wrists protected"
[[step]]
id = "hood"
instruction = "Put on the hood."
look = "ears and neck are inside"
read_back = "hood reaches my shoulders"
confirm = "ears and neck enclosed"
[[contingency]]
id = "tear"
title = "A tear"
call = "my glove has torn"
then = "return"
[[contingency.step]]
id = "changed"
instruction = "Change the glove."
look = "the new one is whole"
read_back = "replaced the damaged glove"
confirm = "new one looks perfect"
"#;

const REFUSAL: &str = "not right do it again";

/// A journal as it grows.
struct Journal {
    procedure: Procedure,
    state: State,
    lines: Vec<Line>,
    ms: u64,
}

impl Journal {
    fn of(trainee: Role) -> Journal {
        let procedure = parse(PROCEDURE, "short.toml").expect("it is good");
        let posts = vec![Post::Worker, Post::Observer];
        let practice = Practice {
            trainee,
            stand_in_voice: "flite:awb".into(),
            slips: 0.2,
            seed: 1,
            source: Source::Microphone,
        };
        let opening = Opening {
            antiphon: "0".into(),
            session: "by-hand".into(),
            mode: "practice".into(),
            procedure_id: procedure.id.clone(),
            procedure_version: procedure.version.clone(),
            procedure_sha256: String::new(),
            engine: String::new(),
            voice: String::new(),
            posts: posts.clone(),
            people: Default::default(),
            grace_ms: 250,
            decoys: 0,
            rehearsal: None,
            practice: Some(practice),
            notes: Vec::new(),
            bars: None,
        };
        let state = State::new(&procedure, &posts, 250);
        let mut journal = Journal { procedure, state, lines: Vec::new(), ms: 0 };
        journal.line("session", serde_json::to_value(opening).expect("JSON"));
        journal.event(What::Begin);
        journal.spoken();
        journal
    }

    fn line(&mut self, kind: &str, body: Value) {
        let n = self.lines.len() as u64 + 1;
        let at = chrono::DateTime::parse_from_rfc3339("2026-11-24T23:15:00Z").expect("a time");
        self.lines.push(Line {
            line: n as usize,
            n,
            at,
            ms: self.ms,
            kind: kind.into(),
            body,
            prev: String::new(),
            digest: String::new(),
            sound: true,
        });
    }

    fn event(&mut self, what: What) {
        let event = Event { at_ms: self.ms, what };
        self.line("in", serde_json::to_value(&event).expect("JSON"));
        self.state = step(self.state.clone(), event, &self.procedure).0;
    }

    fn wait(&mut self, ms: u64) -> &mut Journal {
        self.ms += ms;
        self
    }

    /// The tool says what it has to say, in two seconds.
    fn spoken(&mut self) {
        if let Some(speaking) = self.state.speaking {
            self.event(What::SpeechBegan { utterance: speaking.utterance });
            self.wait(2_000);
            self.event(What::SpeechEnded { utterance: speaking.utterance, whole: true });
        }
    }

    fn id(&self, text: &str) -> PhraseId {
        let known = self.procedure.phrase_ids().find(|id| self.procedure.phrase(*id).text == text);
        known.unwrap_or_else(|| panic!("no phrase {text:?}"))
    }

    /// Says a phrase for one second, heard surely, and the tool says what follows.
    fn says(&mut self, post: Post, text: &str) {
        let phrase = self.id(text);
        let counts = self.state.counts_at(&self.procedure, post).contains(&phrase);
        let verdict = if counts { Verdict::Accepted { phrase } } else { Verdict::Other { phrase } };
        self.heard(post, verdict);
        self.spoken();
    }

    fn heard(&mut self, post: Post, verdict: Verdict) {
        let start_ms = self.ms;
        self.wait(1_000);
        let end_ms = self.ms;
        self.event(What::Heard(Heard { post, start_ms, end_ms, verdict, evidence: Evidence::default() }));
    }

    fn worker(&mut self, text: &str) -> &mut Journal {
        self.says(Post::Worker, text);
        self
    }

    fn observer(&mut self, text: &str) -> &mut Journal {
        self.says(Post::Observer, text);
        self
    }

    /// A step as it should be.
    fn done(&mut self, read_back: &str, confirm: &str) -> &mut Journal {
        self.wait(9_000).worker(read_back).wait(1_000).observer(confirm)
    }

    fn rub(&mut self) -> &mut Journal {
        self.done("both hands rubbed dry", "every finger was treated")
    }

    fn gloves(&mut self) -> &mut Journal {
        self.done("inner gloves are on", "i see wrists protected")
    }

    fn hood(&mut self) -> &mut Journal {
        self.done("hood reaches my shoulders", "ears and neck enclosed")
    }

    fn slip(&mut self, kind: SlipKind, step: &str, said: Option<&str>) -> &mut Journal {
        let contingency = (kind == SlipKind::Contingency).then(|| "tear".to_string());
        let slip = SlipNote { kind, step: step.into(), contingency, said: said.map(str::to_string) };
        self.line("note", json!({"note": "on purpose", "slip": slip}));
        self
    }

    fn score(&self) -> Score {
        score(&self.lines, &self.procedure).expect("it can be scored")
    }
}

#[test]
fn a_clean_practice_is_all_by_heart_with_its_times_from_the_end_of_each_prompt() {
    let mut journal = Journal::of(Role::Worker);
    journal.rub();
    journal.wait(3_000).worker("inner gloves are on").wait(500).observer("i see wrists protected");
    journal.wait(5_500).worker("hood reaches my shoulders").wait(500).observer("ears and neck enclosed");
    let score = journal.score();
    assert_eq!(score.outcome, Outcome::Completed);
    assert_eq!((score.totals.answers, score.totals.by_heart, score.totals.asked_again), (3, 3, 0));
    let [times] = &score.times[..] else { panic!("{:?}", score.times) };
    assert_eq!((times.kind, times.answers), (Kind::ReadBack, 3), "the stand-in's confirmations don't count");
    assert_eq!((times.median_s, times.worst_s, times.worst_at.as_str()), (5.5, 9.0, "Rub your hands"));
    let [step] = &score.steps[..] else { panic!("{:?}", score.steps) };
    // Two prompts of 2 s, 9 s and 1 s of waiting, two answers of 1 s.
    assert_eq!((step.step.as_str(), step.seconds, step.usual_s), ("rub", 16.0, 12.0));
    assert_eq!(score.practise_next.len(), 1);
    assert!(score.practise_next[0].contains("nothing stood out"));
}

#[test]
fn the_same_session_scored_for_the_observer_has_the_observers_answers() {
    let mut journal = Journal::of(Role::Observer);
    journal.rub().gloves().hood();
    let score = journal.score();
    assert_eq!(
        (score.times.len(), score.times[0].kind, score.times[0].median_s),
        (1, Kind::Confirmation, 1.0)
    );
    assert_eq!(score.totals.answers, 3);
}

#[test]
fn whatever_was_not_right_at_once_is_told_with_its_reason() {
    let mut journal = Journal::of(Role::Worker);
    // Too soon by 5 s, and then right.
    journal.wait(3_000).worker("both hands rubbed dry").wait(6_000).worker("both hands rubbed dry");
    journal.observer("every finger was treated");
    // Another step's phrase, then not sure, then right.
    journal.wait(1_000).worker("hood reaches my shoulders").wait(1_000);
    let closest = journal.id("inner gloves are on");
    journal.heard(Post::Worker, Verdict::Unsure { closest, why: Doubt::Faint });
    journal.spoken();
    journal.wait(1_000).worker("inner gloves are on").wait(1_000).observer("i see wrists protected");
    // Nobody answers until called, then 'say again', then right.
    journal.wait(6_000).event(What::Time);
    journal.spoken();
    journal.wait(1_000).worker("say again").wait(1_000).worker("hood reaches my shoulders");
    let score = journal.score();
    let stumbles: Vec<&[Stumble]> = score.answers.iter().map(|answer| &answer.stumbles[..]).collect();
    let wrong = Stumble::WrongPhrase {
        heard: "hood reaches my shoulders".into(),
        step: Some("Put on the hood".into()),
    };
    let not_sure = Stumble::NotSure { closest: "inner gloves are on".into() };
    assert_eq!(
        stumbles,
        [&[Stumble::TooSoon { left_s: 5 }][..], &[wrong, not_sure], &[Stumble::Reminder, Stumble::SaidAgain]]
    );
    let totals = score.totals;
    assert_eq!((totals.answers, totals.by_heart, totals.asked_again), (3, 0, 2));
    assert_eq!((totals.wrong_phrase, totals.wrong_order), (1, 1));
    assert_eq!((totals.not_sure, totals.too_soon), (1, 1));
    assert_eq!((totals.reminders, totals.said_again), (1, 1));
    assert_eq!(score.outcome, Outcome::Unfinished);
    assert!(score.practise_next.contains(&"Put on the gloves: say \"inner gloves are on\"".to_string()));
}

#[test]
fn an_answer_over_the_tools_own_words_is_too_early_and_not_by_heart() {
    let mut journal = Journal::of(Role::Worker);
    journal.wait(9_000).worker("both hands rubbed dry").wait(1_000);
    let phrase = journal.id("every finger was treated");
    journal.heard(Post::Observer, Verdict::Accepted { phrase });
    let utterance = journal.state.speaking.expect("the next instruction").utterance;
    journal.event(What::SpeechBegan { utterance });
    let phrase = journal.id("inner gloves are on");
    journal.heard(Post::Worker, Verdict::Accepted { phrase });
    journal.wait(1_000).event(What::SpeechEnded { utterance, whole: true });
    journal.wait(1_500).event(What::Time);
    journal.spoken();
    journal.wait(500).worker("inner gloves are on");
    let score = journal.score();
    assert_eq!(score.answers[1].stumbles, [Stumble::WhileSpeaking]);
    assert_eq!((score.totals.while_speaking, score.totals.asked_again, score.totals.by_heart), (1, 1, 1));
}

#[test]
fn what_a_call_cut_off_before_anything_went_wrong_is_no_answer() {
    let mut journal = Journal::of(Role::Worker);
    journal.wait(1_000).worker("hold everything").wait(1_000).observer("carry on").rub();
    assert_eq!((journal.score().totals.answers, journal.score().totals.by_heart), (1, 1));
}

/// The only reaction: what was done, after how long, right or not.
fn reaction(journal: &Journal) -> (String, Option<f64>, Option<bool>) {
    let score = journal.score();
    let [reaction] = &score.reactions[..] else { panic!("{:?}", score.reactions) };
    (reaction.did.clone(), reaction.after_s, reaction.right)
}

#[test]
fn after_a_refusal_it_is_right_to_do_the_step_again_and_read_it_back() {
    let mut journal = Journal::of(Role::Worker);
    journal.rub().wait(1_000).worker("inner gloves are on").wait(1_000);
    journal.slip(SlipKind::Refusal, "gloves", Some(REFUSAL)).observer(REFUSAL);
    let open = reaction(&journal);
    assert_eq!(open, ("the practice ended before it was over".into(), None, None));
    journal.wait(4_000).worker("inner gloves are on");
    // 1 s of refusal, 2 s of prompt, 4 s of work.
    assert_eq!(reaction(&journal), ("did the step again and read it back".into(), Some(7.0), Some(true)));
}

#[test]
fn after_a_refusal_it_is_not_right_to_go_on_to_the_next_step() {
    let mut journal = Journal::of(Role::Worker);
    journal.rub().wait(1_000).worker("inner gloves are on").wait(1_000);
    journal.slip(SlipKind::Refusal, "gloves", Some(REFUSAL)).observer(REFUSAL).wait(1_000);
    journal.worker("hood reaches my shoulders").wait(1_000).worker("inner gloves are on");
    let (did, _, right) = reaction(&journal);
    assert_eq!(right, Some(false));
    assert!(did.starts_with("said \"hood reaches my shoulders\" first"), "{did}");
    assert!(journal.score().practise_next[0].contains("after a refusal"));
}

#[test]
fn a_refusal_that_was_not_heard_as_one_says_nothing_of_the_trainee() {
    let mut journal = Journal::of(Role::Worker);
    journal.rub().wait(1_000).worker("inner gloves are on").wait(1_000);
    journal.slip(SlipKind::Refusal, "gloves", Some(REFUSAL));
    let closest = journal.id(REFUSAL);
    journal.heard(Post::Observer, Verdict::Unsure { closest, why: Doubt::Faint });
    journal.spoken();
    journal.wait(1_000).observer("i see wrists protected");
    assert_eq!(reaction(&journal), ("it was not heard as a refusal".into(), None, None));
}

#[test]
fn after_a_wrong_confirmation_the_worker_waits() {
    let mut journal = Journal::of(Role::Worker);
    journal.rub().wait(1_000).worker("inner gloves are on").wait(1_000);
    let wrong = "ears and neck enclosed";
    journal.slip(SlipKind::Wrong, "gloves", Some(wrong)).observer(wrong).wait(1_000);
    let mut waited = journal.lines.clone();
    let (state, ms) = (journal.state.clone(), journal.ms);
    journal.observer("i see wrists protected");
    assert_eq!(reaction(&journal), ("waited, and did not go on".into(), None, Some(true)));

    std::mem::swap(&mut journal.lines, &mut waited);
    (journal.state, journal.ms) = (state, ms);
    journal.worker("hood reaches my shoulders").wait(500).observer("i see wrists protected");
    let (did, after, right) = reaction(&journal);
    assert_eq!(
        (did.as_str(), after, right),
        ("went on with \"hood reaches my shoulders\"", Some(4.0), Some(false))
    );
}

#[test]
fn after_a_wrong_read_back_the_observer_does_not_confirm_and_may_refuse() {
    let told = |said: Option<&str>| {
        let mut journal = Journal::of(Role::Observer);
        journal.rub().wait(1_000);
        let wrong = "hood reaches my shoulders";
        journal.slip(SlipKind::Wrong, "gloves", Some(wrong)).worker(wrong).wait(1_000);
        if let Some(said) = said {
            journal.observer(said).wait(1_000);
        }
        journal.worker("inner gloves are on");
        reaction(&journal)
    };
    assert_eq!(told(None), ("waited, and did not confirm".into(), None, Some(true)));
    assert_eq!(told(Some(REFUSAL)), ("refused it".into(), Some(4.0), Some(true)));
    let (did, _, right) = told(Some("i see wrists protected"));
    assert_eq!((did.as_str(), right), ("confirmed it with \"i see wrists protected\"", Some(false)));
}

#[test]
fn a_wrong_phrase_that_was_heard_as_the_right_one_says_nothing_of_the_trainee() {
    let mut journal = Journal::of(Role::Observer);
    journal.rub().wait(1_000);
    journal.slip(SlipKind::Wrong, "gloves", Some("hood reaches my shoulders")).worker("inner gloves are on");
    assert_eq!(reaction(&journal), ("it was heard as the right phrase".into(), None, None));
}

#[test]
fn silence_chatter_and_a_read_back_too_soon_are_waited_for() {
    let mut journal = Journal::of(Role::Observer);
    journal.slip(SlipKind::Early, "rub", Some("both hands rubbed dry"));
    journal.wait(500).worker("both hands rubbed dry").rub();
    journal.slip(SlipKind::Silence, "gloves", None).wait(6_000).event(What::Time);
    journal.spoken();
    journal.gloves();
    let score = journal.score();
    let told: Vec<_> = score.reactions.iter().map(|one| (one.slip.kind, one.right)).collect();
    assert_eq!(told, [(SlipKind::Early, Some(true)), (SlipKind::Silence, Some(true))]);
    assert_eq!(score.totals.by_heart, score.totals.answers);
}

#[test]
fn a_contingency_is_carried_out_or_called_off() {
    let mut journal = Journal::of(Role::Observer);
    journal.rub().wait(1_000);
    journal.slip(SlipKind::Contingency, "gloves", Some("my glove has torn")).worker("my glove has torn");
    let (lines, state, ms) = (journal.lines.clone(), journal.state.clone(), journal.ms);
    journal.wait(3_000).worker("replaced the damaged glove").wait(1_000).observer("new one looks perfect");
    // The call 1 s, prompt 2, work 3, read-back 1, prompt 2, 1 of looking.
    assert_eq!(reaction(&journal), ("carried out its steps (1)".into(), Some(10.0), Some(true)));

    (journal.lines, journal.state, journal.ms) = (lines, state, ms);
    journal.wait(1_000).observer("go back");
    let (did, _, right) = reaction(&journal);
    assert_eq!((did.as_str(), right), ("went back as if it had not been called", Some(false)));
}

#[test]
fn on_hold_the_observer_says_nothing_but_carry_on() {
    let told = |said: Option<&str>| {
        let mut journal = Journal::of(Role::Observer);
        journal.rub().wait(1_000);
        journal.slip(SlipKind::Hold, "gloves", Some("hold everything")).worker("hold everything");
        if let Some(said) = said {
            journal.wait(1_000).observer(said);
        }
        journal.wait(5_000).observer("carry on");
        reaction(&journal)
    };
    assert_eq!(told(None), ("held, and then carried on".into(), Some(8.0), Some(true)));
    let (did, _, right) = told(Some("i see wrists protected"));
    assert_eq!(right, Some(false), "{did}");
}

#[test]
fn a_session_of_two_people_is_not_scored_and_a_strange_journal_is_told() {
    let mut journal = Journal::of(Role::Worker);
    journal.rub();
    let mut strange = journal.lines.clone();
    strange[4].body = json!({"event": "heard", "phrase": 60_000});
    assert_eq!(
        score(&strange, &journal.procedure),
        Err("line 5 of the journal is not understood by this version".into())
    );
    journal.lines[0].body["practice"] = Value::Null;
    assert_eq!(score(&journal.lines, &journal.procedure), Err("it is a session, not a practice".into()));
    assert!(score(&[], &journal.procedure).is_err());
}

#[test]
fn a_score_reads_back_as_it_was_written_and_has_no_mark() {
    let mut journal = Journal::of(Role::Worker);
    journal.rub();
    let score = journal.score();
    let text = serde_json::to_string(&score).expect("JSON");
    assert_eq!(serde_json::from_str::<Score>(&text).expect("JSON"), score);
    for word in ["passed", "failed", "grade", "percent"] {
        assert!(!text.contains(word) && !super::words::table(&score).contains(word), "{word}");
    }
    assert!(super::words::table(&score).contains("a trainer"));
    let english = "The practice is over: 1 of 1 answers by heart. A trainer judges the rest.";
    assert_eq!(super::words::sentence(&score, "en-GB"), english);
    assert_ne!(super::words::sentence(&score, "ko"), english);
}
