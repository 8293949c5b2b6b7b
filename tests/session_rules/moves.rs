//! Random sessions over random procedures: what people, tool and machine do, move by move.

use super::generate::Plan;
use super::play::{heard, unsure, Play};
use antiphon::listen::heard::{Doubt, Ignored, Verdict};
use antiphon::procedure::{Call, PhraseId, Post, Role, Use};
use antiphon::session::{Action, What};
use antiphon::who::BesideBoth;
use proptest::collection::vec;
use proptest::prelude::*;

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
    /// The awaited person is not understood so often, and the observer decides, up to a stage.
    WayOut {
        fails: u8,
        unheard: bool,
        stage: u8,
    },
    /// The phrase of a decision or of a reason, surely, at any post.
    Decides {
        post: u8,
        which: u8,
        after_ms: i16,
    },
    Microphone {
        post: u8,
        back: bool,
    },
    /// The record is damaged; or news of a move that may not have been asked for.
    Record {
        news: u8,
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
        2 => way_out(),
        2 => decides(),
        3 => (0..3_u8).prop_map(|short_ms| Move::Waits { short_ms }),
        1 => (1..6_u8).prop_map(|times| Move::Quiet { times }),
        1 => (any::<u8>(), any::<bool>()).prop_map(|(post, back)| Move::Microphone { post, back }),
        1 => Just(Move::Record { news: 0 }),
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
        1 => way_out(),
        2 => decides(),
        3 => calls(),
        1 => contingency(),
        2 => any::<u8>().prop_map(|short_ms| Move::Waits { short_ms }),
        2 => (any::<u8>(), any::<bool>()).prop_map(|(post, back)| Move::Microphone { post, back }),
        1 => any::<u8>().prop_map(|news| Move::Record { news }),
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

fn way_out() -> impl Strategy<Value = Move> {
    (1..6_u8, prop::bool::weighted(0.2), 0..4_u8).prop_map(|(fails, unheard, stage)| Move::WayOut {
        fails,
        unheard,
        stage,
    })
}

fn decides() -> impl Strategy<Value = Move> {
    (any::<u8>(), any::<u8>(), -2_000..6_000_i16).prop_map(|(post, which, after_ms)| Move::Decides {
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
        Move::WayOut { fails, unheard, stage } => way_out_taken(play, fails, unheard, stage),
        Move::Decides { post, which, after_ms } => {
            let wanted =
                |id: &PhraseId| matches!(play.procedure.phrase(*id).used, Use::Decision | Use::Reason { .. });
            let phrases: Vec<PhraseId> = play.procedure.phrase_ids().filter(wanted).collect();
            // The decision, which is first in the list, as often as all the reasons together.
            let which = usize::from(which).saturating_sub(128) % phrases.len().max(1);
            if let Some(phrase) = phrases.get(which) {
                speaks(play, own(post), Verdict::Accepted { phrase: *phrase }, i64::from(after_ms), 401);
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
        Move::Record { news } => {
            play.send(match news % 4 {
                0 | 1 => What::RecordLost { why: "journal.jsonl was removed".into() },
                2 => What::RecordMoved { to: "one-moved".into() },
                _ => What::RecordStuck { why: "the disk is full".into() },
            });
        }
        Move::Voice { utterance, news } => voice_news(play, utterance, news),
        Move::Old { by_ms } => {
            play.send_at(play.now_ms.saturating_sub(u64::from(by_ms)), What::Time);
        }
        Move::Rare { kind } => rare(play, kind),
    }
}

/// As it goes when a voice is not understood: asked again and again (or not even that), held, decided, and why.
fn way_out_taken(play: &mut Play, fails: u8, unheard: bool, stage: u8) {
    for _ in 0..fails {
        if play.state.speaking.is_some() {
            goes_on(play, 900);
        }
        let role = play.state.awaited(&play.procedure).unwrap_or(Role::Worker);
        let post = play.state.posts.iter().copied().find(|post| post.hears(role));
        let expected = play.state.expected(&play.procedure).first().copied();
        if let (Some(post), Some(expected)) = (post, expected) {
            let verdict = match unheard {
                true => Verdict::Ignored { why: Ignored::NoPhrase },
                false => unsure(expected),
            };
            speaks(play, post, verdict, 900, 401);
        }
    }
    if unheard {
        make(play, &Move::Quiet { times: 4 });
    }
    let observer = play.state.posts.iter().copied().find(|post| post.hears(Role::Observer));
    for wanted in 0..stage.min(2) {
        if play.state.speaking.is_some() {
            goes_on(play, 900);
        }
        let ids = match wanted {
            0 => play.state.decisions(&play.procedure),
            _ => play.state.expected(&play.procedure),
        };
        if let (Some(post), Some(phrase)) = (observer, ids.last().copied()) {
            speaks(play, post, Verdict::Accepted { phrase }, 7_000, 401);
        }
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
    let mut heard = heard(post, verdict, start, end);
    // Now and then in the voice of whoever read back, or in one that can't be told.
    heard.evidence.same_voice = match takes_ms % 7 {
        0 => Some(8.0),
        1 => Some(1.0),
        _ => None,
    };
    // Or in the other's or a stranger's, where both are known.
    heard.evidence.beside_both = match takes_ms % 11 {
        0 => Some((0.1, 0.7)),
        1 => Some((0.0, 0.0)),
        2 => Some((0.6, 0.1)),
        _ => None,
    }
    .map(|(own, other)| BesideBoth { own, other, enrolled: true });
    let asked = play.send(What::Heard(heard)).contains(&Action::MoveRecord);
    // It mostly goes well, and what comes of it is the next event; now and then something comes between, or nothing comes.
    match play.now_ms % 8 {
        _ if !asked => return,
        0 => return,
        1 => {
            play.send(What::RecordStuck { why: "the disk is full".into() });
            return;
        }
        2 => {
            play.send(What::PostLost { post, why: "unplugged".into() });
            play.send(What::PostBack { post });
        }
        _ => {}
    }
    play.send(What::RecordMoved { to: "one-moved".into() });
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
    play.send(match news % 5 {
        0 => What::SpeechBegan { utterance },
        1 => What::SpeechEnded { utterance, whole: true },
        2 => What::SpeechEnded { utterance, whole: false },
        3 => What::VoiceBack,
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
