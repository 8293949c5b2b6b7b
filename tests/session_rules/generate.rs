//! Random procedures (as TOML, through the parser) and random sessions over them.

use super::play::{heard, unsure, Play};
use antiphon::listen::heard::{Doubt, Ignored, Verdict};
use antiphon::procedure::parse::parse;
use antiphon::procedure::{Call, PhraseId, Post, Procedure, Role, Use};
use antiphon::session::What;
use proptest::collection::vec;
use proptest::prelude::*;
use std::fmt::Write;

const NAMES: [&str; 5] = ["amber", "birch", "cedar", "daisy", "ember"];
const SIDE_NAMES: [[&str; 2]; 2] = [["fern", "grove"], ["hazel", "ivory"]];
const EXIT_NAMES: [&str; 2] = ["jetty", "kiosk"];
const DOERS: [&str; 3] = ["worker", "both", "observer"];
const ORDER: [&str; 3] = ["first", "second", "third"];

#[derive(Debug, Clone)]
pub struct StepPlan {
    at_least_ms: Option<u16>,
    reminder_s: Option<u8>,
    /// For each question, which answers allow the step (bits); a question without any puts no condition.
    allowed: [u8; 2],
    alternatives: bool,
    own_refusal: bool,
    same_words: bool,
    by: usize,
    hold_point: bool,
    /// The read-back names a size, and so does the confirmation.
    sized: bool,
}

#[derive(Debug, Clone)]
pub struct SidePlan {
    /// Returns, restarts at the first or the last own step, exits.
    then: usize,
    steps: Vec<StepPlan>,
    opening: bool,
}

#[derive(Debug, Clone)]
pub struct Plan {
    opening: bool,
    tries: u32,
    reminders: u32,
    reminder_s: u8,
    /// By whom, and how many answers.
    questions: Vec<(bool, usize)>,
    steps: Vec<StepPlan>,
    sides: Vec<SidePlan>,
    exit: Vec<StepPlan>,
    one_microphone: bool,
}

impl Plan {
    pub fn posts(&self) -> &'static [Post] {
        if self.one_microphone {
            &[Post::Room]
        } else {
            &[Post::Worker, Post::Observer]
        }
    }

    pub fn procedure(&self) -> Procedure {
        let source = self.toml();
        parse(&source, "random.toml").unwrap_or_else(|errors| panic!("{errors}\n{source}"))
    }

    fn toml(&self) -> String {
        let mut toml = String::from(
            "[procedure]\nid = \"random\"\ntitle = \"Random\"\nversion = \"1\"\nlanguage = \"en\"\n\
             cautions = [\"Training aid.\"]\nclosing = \"The end.\"\n",
        );
        if self.opening {
            toml += "opening = \"Welcome.\"\n";
        }
        let (tries, reminders, seconds) = (self.tries, self.reminders, self.reminder_s);
        // Writing to a String can't fail.
        let _ = write!(
            toml,
            "[rules]\ntries = {tries}\nreminders = {reminders}\nreminder_s = {seconds}\n\
             [calls]\nstop = [\"stop stop\", \"stop right now\"]\n"
        );
        for (index, (worker, answers)) in self.questions.iter().enumerate() {
            let by = if *worker { "worker" } else { "observer" };
            let name = NAMES[index];
            // The first answer is in the tool's own words.
            let ask = format!("Question {name}? You may say: take {name} first.");
            let _ = write!(toml, "[[question]]\nid = \"{name}\"\nask = \"{ask}\"\nby = \"{by}\"\n");
            for order in &ORDER[..*answers] {
                let _ = write!(
                    toml,
                    "[[question.answer]]\nvalue = \"{order}\"\nphrase = \"take {name} {order}\"\n"
                );
            }
        }
        for (index, step) in self.steps.iter().enumerate() {
            self.step(&mut toml, "step", NAMES[index], step);
        }
        for (index, side) in self.sides.iter().enumerate() {
            self.side(&mut toml, index, side);
        }
        if self.sides.iter().any(|side| side.then == 3) {
            toml += "[[exit]]\nid = \"out\"\ntitle = \"Out\"\nclosing = \"You are out.\"\n";
            for (index, step) in self.exit.iter().enumerate() {
                self.step(&mut toml, "exit.step", EXIT_NAMES[index], step);
            }
        }
        toml += "[slot.size]\nwords = [\"small\", \"large\"]\n";
        toml
    }

    fn side(&self, toml: &mut String, index: usize, side: &SidePlan) {
        let name = ["lantern", "mirror"][index];
        let _ = writeln!(
            toml,
            "[[contingency]]\nid = \"{name}\"\ntitle = \"About the {name}\"\ncall = [\"the {name} broke\", \"mind the {name}\"]"
        );
        if side.opening {
            // In the tool's own words.
            let _ = writeln!(toml, "opening = \"I heard that the {name} broke.\"");
        }
        let then = match side.then {
            0 => "then = \"return\"".to_string(),
            1 => format!("then = \"restart\"\nrestart_at = \"{}\"", NAMES[0]),
            2 => format!("then = \"restart\"\nrestart_at = \"{}\"", NAMES[self.steps.len() - 1]),
            _ => "then = \"exit\"\nexit = \"out\"".to_string(),
        };
        let _ = writeln!(toml, "{then}");
        let steps = if side.then == 0 && side.steps.is_empty() { &self.steps[..1] } else { &side.steps[..] };
        for (step, name) in steps.iter().zip(SIDE_NAMES[index]) {
            self.step(toml, "contingency.step", name, step);
        }
    }

    fn step(&self, toml: &mut String, table: &str, name: &str, step: &StepPlan) {
        let size = if step.sized { " {size}" } else { "" };
        let read_back = format!("{name} is in place{size}");
        let confirm = match step.same_words && !self.one_microphone {
            true => read_back.clone(),
            false => format!("i see {name} sits well{size}"),
        };
        if step.hold_point {
            let _ = write!(
                toml,
                "[[{table}]]\nhold_point = \"Wait with the {name}.\"\nrelease = \"{name} may go on\"\n"
            );
        } else {
            let _ = writeln!(toml, "[[{table}]]");
        }
        let _ = writeln!(toml, "by = \"{}\"", DOERS[step.by]);
        let _ =
            write!(toml, "id = \"{name}\"\ninstruction = \"Put on the {name}.\"\nlook = \"{name} sits\"\n");
        let _ = match step.alternatives {
            true => write!(
                toml,
                "read_back = [\"{read_back}\", \"{name} is done up\"]\nconfirm = [\"{confirm}\", \"{name} was checked\"]\n"
            ),
            false => write!(toml, "read_back = \"{read_back}\"\nconfirm = \"{confirm}\"\n"),
        };
        if step.own_refusal {
            let _ = writeln!(toml, "refuse = [\"{name} hangs loose\"]");
        }
        if let Some(ms) = step.at_least_ms {
            let _ = writeln!(toml, "at_least_s = {:.3}", f64::from(ms) / 1000.0);
        }
        if let Some(seconds) = step.reminder_s {
            let _ = writeln!(toml, "reminder_s = {seconds}");
        }
        let conditions: Vec<String> = self
            .questions
            .iter()
            .enumerate()
            .filter_map(|(question, (_, answers))| {
                let allowed: Vec<String> = (0..*answers)
                    .filter(|answer| step.allowed[question] & (1 << answer) != 0)
                    .map(|answer| format!("\"{}\"", ORDER[answer]))
                    .collect();
                (!allowed.is_empty()).then(|| format!("{} = [{}]", NAMES[question], allowed.join(", ")))
            })
            .collect();
        if !conditions.is_empty() {
            let _ = writeln!(toml, "when = {{ {} }}", conditions.join(", "));
        }
    }
}

pub fn plans() -> impl Strategy<Value = Plan> {
    let step = (
        prop::option::weighted(0.4, 0..6_000_u16),
        prop::option::weighted(0.3, 3..20_u8),
        (0..8_u8, prop_oneof![3 => Just(0), 1 => 0..8_u8]),
        any::<bool>(),
        any::<bool>(),
        prop::bool::weighted(0.2),
        prop_oneof![3 => Just(0), 1 => Just(1), 2 => Just(2)],
        prop::bool::weighted(0.2),
        prop::bool::weighted(0.2),
    )
        .prop_map(
            |(
                at_least_ms,
                reminder_s,
                (first, second),
                alternatives,
                own_refusal,
                same_words,
                by,
                hold_point,
                sized,
            )| {
                StepPlan {
                    at_least_ms,
                    reminder_s,
                    allowed: [first, second],
                    alternatives,
                    own_refusal,
                    same_words,
                    by,
                    hold_point,
                    sized,
                }
            },
        )
        .boxed();
    let side = (0..4_usize, vec(step.clone(), 0..=2), any::<bool>())
        .prop_map(|(then, steps, opening)| SidePlan { then, steps, opening });
    (
        any::<bool>(),
        1..5_u32,
        1..4_u32,
        3..20_u8,
        vec((any::<bool>(), 2..4_usize), 0..=2),
        vec(step.clone(), 1..=5),
        vec(side, 0..=2),
        vec(step, 1..=2),
        prop::bool::weighted(0.3),
    )
        .prop_map(
            |(opening, tries, reminders, reminder_s, questions, steps, sides, exit, one_microphone)| Plan {
                opening,
                tries,
                reminders,
                reminder_s,
                questions,
                steps,
                sides,
                exit,
                one_microphone,
            },
        )
}

/// What happens next, decided against the session as it is when its turn comes.
#[derive(Debug, Clone)]
pub enum Move {
    /// The tool's utterance begins, or ends, or time passes.
    GoesOn {
        ms: u16,
    },
    /// The tool's utterance begins after a while but its end is not there yet.
    Begins {
        ms: u16,
    },
    /// Somebody says what is awaited, where it is awaited, this long after the tool ended (or before).
    Right {
        which: u8,
        after_ms: i16,
        takes_ms: u16,
    },
    /// Any verdict on any phrase, anywhere.
    Says {
        post: u8,
        phrase: u16,
        verdict: u8,
        after_ms: i32,
        takes_ms: u16,
    },
    /// A call, surely.
    Calls {
        post: u8,
        call: u8,
        after_ms: i32,
        takes_ms: u16,
    },
    /// The call of a contingency, surely.
    Contingency {
        post: u8,
        which: u8,
        after_ms: i32,
    },
    /// Waits until the session wants to be woken, or not quite.
    Waits {
        short_ms: u8,
    },
    /// Nobody says anything while the tool says this many things.
    Quiet {
        times: u8,
    },
    Microphone {
        post: u8,
        back: bool,
    },
    /// Any news of any utterance of the tool.
    Voice {
        utterance: i8,
        news: u8,
    },
    /// An event stamped with an old time.
    Old {
        by_ms: u16,
    },
    Rare {
        kind: u8,
    },
}

/// People and tool taking turns, with slips.
pub fn plausible() -> impl Strategy<Value = Vec<Move>> {
    let one = prop_oneof![
        30 => (100..4_000_u16).prop_map(|ms| Move::GoesOn { ms }),
        30 => right(0..6_000),
        3 => right(-600..400),
        3 => calls(),
        1 => contingency(),
        2 => says(),
        3 => (0..3_u8).prop_map(|short_ms| Move::Waits { short_ms }),
        1 => (1..6_u8).prop_map(|times| Move::Quiet { times }),
        1 => (any::<u8>(), any::<bool>()).prop_map(|(post, back)| Move::Microphone { post, back }),
    ];
    vec(one, 10..120)
}

/// Anything in any order.
pub fn arbitrary() -> impl Strategy<Value = Vec<Move>> {
    let one = prop_oneof![
        6 => (0..4_000_u16).prop_map(|ms| Move::GoesOn { ms }),
        2 => (0..4_000_u16).prop_map(|ms| Move::Begins { ms }),
        6 => right(-4_000..6_000),
        6 => says(),
        3 => calls(),
        1 => contingency(),
        2 => any::<u8>().prop_map(|short_ms| Move::Waits { short_ms }),
        2 => (any::<u8>(), any::<bool>()).prop_map(|(post, back)| Move::Microphone { post, back }),
        2 => (-2..3_i8, any::<u8>()).prop_map(|(utterance, news)| Move::Voice { utterance, news }),
        1 => any::<u16>().prop_map(|by_ms| Move::Old { by_ms }),
        1 => any::<u8>().prop_map(|kind| Move::Rare { kind }),
    ];
    vec(one, 1..100)
}

fn right(after_ms: std::ops::Range<i16>) -> impl Strategy<Value = Move> {
    (prop_oneof![3 => Just(0), 1 => any::<u8>()], after_ms, 0..2_000_u16)
        .prop_map(|(which, after_ms, takes_ms)| Move::Right { which, after_ms, takes_ms })
}

fn calls() -> impl Strategy<Value = Move> {
    (any::<u8>(), any::<u8>(), -3_000..3_000_i32, 0..2_000_u16)
        .prop_map(|(post, call, after_ms, takes_ms)| Move::Calls { post, call, after_ms, takes_ms })
}

fn contingency() -> impl Strategy<Value = Move> {
    (any::<u8>(), any::<u8>(), -3_000..3_000_i32).prop_map(|(post, which, after_ms)| Move::Contingency {
        post,
        which,
        after_ms,
    })
}

fn says() -> impl Strategy<Value = Move> {
    (any::<u8>(), any::<u16>(), any::<u8>(), -5_000..20_000_i32, 0..2_000_u16).prop_map(
        |(post, phrase, verdict, after_ms, takes_ms)| Move::Says {
            post,
            phrase,
            verdict,
            after_ms,
            takes_ms,
        },
    )
}

/// A whole session: begun, then every move made, until it has ended and a little longer.
pub fn run(plan: &Plan, moves: &[Move]) -> Play {
    let mut play = Play::new(plan.procedure(), plan.posts());
    play.send(What::Begin);
    for one in moves {
        make(&mut play, one);
    }
    play
}

/// As `run`, but events may come before the beginning.
pub fn run_unbegun(plan: &Plan, early: &[Move], moves: &[Move]) -> Play {
    let mut play = Play::new(plan.procedure(), plan.posts());
    early.iter().for_each(|one| make(&mut play, one));
    play.send(What::Begin);
    moves.iter().for_each(|one| make(&mut play, one));
    play
}

fn make(play: &mut Play, one: &Move) {
    let posts = play.state.posts.clone();
    let own = |index: u8| posts[usize::from(index) % posts.len()];
    match *one {
        Move::GoesOn { ms } => goes_on(play, u64::from(ms)),
        Move::Begins { ms } => {
            play.now_ms = play.now_ms.saturating_add(u64::from(ms));
            if let Some(speaking) = play.state.speaking {
                play.send(What::SpeechBegan { utterance: speaking.utterance });
            }
        }
        Move::Right { which, after_ms, takes_ms } => {
            let expected = play.state.expected(&play.procedure);
            let role = play.state.awaited(&play.procedure).unwrap_or(Role::Worker);
            let post = posts.iter().copied().find(|post| post.hears(role));
            let phrase = match expected.len() {
                0 => PhraseId(0),
                count => expected[usize::from(which) % count],
            };
            let post = post.expect("some post hears each of the two");
            speaks(play, post, Verdict::Accepted { phrase }, i64::from(after_ms), takes_ms);
        }
        Move::Says { post, phrase, verdict, after_ms, takes_ms } => {
            // Rarely a post that is not in use.
            let post = if post > 250 { Post::Room } else { own(post) };
            let verdict = verdict_of(play, verdict, phrase);
            speaks(play, post, verdict, i64::from(after_ms), takes_ms);
        }
        Move::Calls { post, call, after_ms, takes_ms } => {
            let phrase = play.call_id(Call::ALL[usize::from(call) % Call::ALL.len()]);
            speaks(play, own(post), Verdict::Accepted { phrase }, i64::from(after_ms), takes_ms);
        }
        Move::Contingency { post, which, after_ms } => {
            let called = |id: &PhraseId| matches!(play.procedure.phrase(*id).used, Use::Contingency { .. });
            let phrases: Vec<PhraseId> = play.procedure.phrase_ids().filter(called).collect();
            if let Some(phrase) = phrases.get(usize::from(which) % phrases.len().max(1)) {
                let verdict = Verdict::Accepted { phrase: *phrase };
                speaks(play, own(post), verdict, i64::from(after_ms), 401);
            }
        }
        Move::Waits { short_ms } => {
            if let Some(wake) = play.state.wake_at() {
                play.now_ms = play.now_ms.max(wake.saturating_sub(u64::from(short_ms)));
            }
            play.send(What::Time);
        }
        Move::Quiet { times } => {
            for _ in 0..times {
                if play.state.speaking.is_some() {
                    goes_on(play, 900);
                }
                make(play, &Move::Waits { short_ms: 0 });
            }
        }
        Move::Microphone { post, back: false } => {
            play.send(What::PostLost { post: own(post), why: "unplugged".into() });
        }
        Move::Microphone { post, back: true } => {
            play.send(What::PostBack { post: own(post) });
        }
        Move::Voice { utterance, news } => voice_news(play, utterance, news),
        Move::Old { by_ms } => {
            play.send_at(play.now_ms.saturating_sub(u64::from(by_ms)), What::Time);
        }
        Move::Rare { kind } => rare(play, kind),
    }
}

fn goes_on(play: &mut Play, ms: u64) {
    match play.state.speaking {
        Some(speaking) => {
            if !speaking.began {
                play.send(What::SpeechBegan { utterance: speaking.utterance });
            }
            play.now_ms = play.now_ms.saturating_add(ms);
            play.send(What::SpeechEnded { utterance: speaking.utterance, whole: true });
        }
        None => {
            play.now_ms = play.now_ms.saturating_add(ms);
            play.send(What::Time);
        }
    }
}

/// `after_ms` counts from the tool's last end (or from now when it speaks); most are reported when they are over.
fn speaks(play: &mut Play, post: Post, verdict: Verdict, after_ms: i64, takes_ms: u16) {
    let from = match play.state.answers_from_ms {
        Some(from) => from.saturating_add(play.state.grace_ms),
        None => play.now_ms,
    };
    let start = from.saturating_add_signed(after_ms);
    let end = start.saturating_add(u64::from(takes_ms));
    // An utterance is reported at its end; where that lies ahead, three times in four.
    if !takes_ms.is_multiple_of(4) {
        play.now_ms = play.now_ms.max(end);
    }
    play.send(What::Heard(heard(post, verdict, start, end)));
}

fn verdict_of(play: &Play, kind: u8, phrase: u16) -> Verdict {
    let phrase = PhraseId(phrase % play.procedure.phrases.len() as u16);
    match kind % 8 {
        0 | 1 => Verdict::Accepted { phrase },
        2 | 3 => Verdict::Other { phrase },
        4 => unsure(phrase),
        5 => Verdict::Unsure { closest: phrase, why: Doubt::Decoy { text: "not in place".into() } },
        6 => Verdict::Unsure { closest: phrase, why: Doubt::TwoPhrases { other: PhraseId(0) } },
        _ => Verdict::Ignored {
            why: match phrase.0 % 3 {
                0 => Ignored::NoPhrase,
                1 => Ignored::TooShort,
                _ => Ignored::TooLong,
            },
        },
    }
}

fn voice_news(play: &mut Play, utterance: i8, news: u8) {
    let latest = play.state.next_utterance.saturating_sub(1);
    let utterance = latest.saturating_add_signed(i64::from(utterance));
    play.send(match news % 4 {
        0 => What::SpeechBegan { utterance },
        1 => What::SpeechEnded { utterance, whole: true },
        2 => What::SpeechEnded { utterance, whole: false },
        _ => What::VoiceFailed { utterance, why: "no sound server".into() },
    });
}

fn rare(play: &mut Play, kind: u8) {
    match kind {
        0..=20 => play.send(What::Interrupt),
        21..=40 => play.send(What::InputEnded),
        // The end of time must not be the end of the program.
        41..=44 => play.send_at(u64::MAX, What::Time),
        45..=120 => play.send(What::Begin),
        _ => {
            play.now_ms = play.now_ms.saturating_add(3_600_000);
            play.send(What::Time)
        }
    };
}
