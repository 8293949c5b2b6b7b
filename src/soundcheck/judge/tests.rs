use super::super::measure::{Room, Speech};
use super::super::report::Tried;
use super::*;
use crate::audio::spectrum::Hum;

fn good(post: Post) -> Microphone {
    Microphone {
        post,
        room: Some(Room {
            noise_dbfs: -56.0,
            noise_a_dbfs: -60.0,
            offset: 0.0,
            hum: None,
            digital_silence: false,
        }),
        speech: Some(Speech { level_dbfs: -26.0, snr_db: Some(30.0), clipped: 0, clipped_share: 0.0 }),
        prompt: Prompt::Audible { over_room_db: 20.0 },
        prompt_late_ms: 0,
        dead: false,
        lost: None,
    }
}

fn one(change: impl FnOnce(&mut Microphone)) -> Vec<(Kind, Weight)> {
    let mut mic = good(Post::Worker);
    change(&mut mic);
    findings(&[mic], &[], None).iter().map(|finding| (finding.kind, finding.weight)).collect()
}

fn room(change: impl FnOnce(&mut Room)) -> Vec<(Kind, Weight)> {
    one(|mic| change(mic.room.as_mut().expect("a good one has it")))
}

fn speech(level_dbfs: f32, snr_db: f32, clipped_share: f32) -> Vec<(Kind, Weight)> {
    one(|mic| {
        mic.speech = Some(Speech { level_dbfs, snr_db: Some(snr_db), clipped: 1000, clipped_share });
    })
}

fn tried(outcome: Outcome, level_dbfs: f32, of: Option<Role>) -> Tried {
    let why = "\"hood is down\"".to_string();
    Tried { outcome, confidence: 0.5, why, level_dbfs: Some(level_dbfs), of }
}

fn asked(role: Role, tries: Vec<Tried>, elsewhere_dbfs: Option<f32>) -> Asked {
    let post = if role == Role::Worker { Post::Worker } else { Post::Observer };
    Asked { role, post, phrase: "gown is closed".into(), tries, elsewhere_dbfs }
}

fn people(phrases: &[Asked]) -> Vec<Kind> {
    let microphones = [good(Post::Worker), good(Post::Observer)];
    findings(&microphones, phrases, None).iter().map(|finding| finding.kind).collect()
}

#[test]
fn a_good_microphone_has_nothing_to_change() {
    assert_eq!(one(|_| {}), []);
}

#[test]
fn noise_weighs_by_how_far_speech_is_over_it() {
    assert_eq!(speech(-26.0, 15.0, 0.0), []);
    assert_eq!(speech(-26.0, 14.9, 0.0), [(Kind::Noise, Weight::Better)]);
    assert_eq!(speech(-26.0, 9.9, 0.0), [(Kind::Noise, Weight::Change)]);
    let unheard = one(|mic| {
        mic.speech = None;
        mic.room.as_mut().expect("a good one has it").noise_dbfs = -20.0;
    });
    assert_eq!(unheard, [(Kind::Noise, Weight::Change)]);
}

#[test]
fn speech_that_is_far_off_the_usual_level_is_told() {
    assert_eq!(speech(-41.0, 20.0, 0.0), []);
    assert_eq!(speech(-42.0, 20.0, 0.0), [(Kind::TooQuiet, Weight::Better)]);
    assert_eq!(speech(-57.0, 20.0, 0.0), [(Kind::TooQuiet, Weight::Change)]);
    assert_eq!(speech(-10.0, 40.0, 0.0), [(Kind::TooLoud, Weight::Better)]);
    assert_eq!(speech(-10.0, 40.0, 0.001), [(Kind::Clipped, Weight::Change)]);
    assert_eq!(speech(-26.0, 40.0, 0.0009), []);
}

#[test]
fn hum_counts_from_a_quarter_of_the_noise_and_is_the_noise_from_half() {
    let hum = |share, level_dbfs| Some(Hum { mains_hz: 50, level_dbfs, share });
    assert_eq!(room(|room| room.hum = hum(0.24, -40.0)), []);
    assert_eq!(room(|room| room.hum = hum(0.9, -61.0)), []);
    assert_eq!(room(|room| room.hum = hum(0.25, -60.0)), [(Kind::Hum, Weight::Better)]);
    let noisy = |share| {
        one(|mic| {
            mic.room.as_mut().expect("a good one has it").hum = hum(share, -30.0);
            mic.speech.as_mut().expect("a good one has it").snr_db = Some(5.0);
        })
    };
    assert_eq!(noisy(0.4), [(Kind::Noise, Weight::Change)]);
    assert_eq!(noisy(0.6), [(Kind::Hum, Weight::Change)]);
}

#[test]
fn an_offset_and_a_gate_are_told() {
    assert_eq!(room(|room| room.offset = -0.0099), []);
    assert_eq!(room(|room| room.offset = -0.01), [(Kind::Offset, Weight::Better)]);
    assert_eq!(room(|room| room.offset = 0.1), [(Kind::Offset, Weight::Change)]);
    assert_eq!(room(|room| room.digital_silence = true), [(Kind::Gated, Weight::Better)]);
}

// ISO 7731:2003, from memory: at least 15 dB(A) over the ambient noise.
#[test]
fn a_prompt_that_is_not_15_db_over_the_room_must_be_changed_unless_it_is_not_heard_at_all() {
    let prompt = |prompt| one(|mic| mic.prompt = prompt);
    assert_eq!(prompt(Prompt::Faint { over_room_db: 14.0 }), [(Kind::PromptFaint, Weight::Change)]);
    assert_eq!(prompt(Prompt::NotJudged { over_room_db: 0.0 }), [(Kind::PromptNotJudged, Weight::Note)]);
    assert_eq!(prompt(Prompt::NotTried), []);
    assert_eq!(one(|mic| mic.prompt_late_ms = 399), []);
    assert_eq!(one(|mic| mic.prompt_late_ms = 400), [(Kind::PromptLate, Weight::Better)]);
}

#[test]
fn a_dead_or_lost_microphone_is_the_only_thing_said_of_it() {
    let bad = |mic: &mut Microphone| {
        mic.speech = None;
        mic.room.as_mut().expect("a good one has it").digital_silence = true;
    };
    let dead = one(|mic| {
        bad(mic);
        mic.dead = true;
    });
    assert_eq!(dead, [(Kind::Dead, Weight::Change)]);
    let lost = one(|mic| {
        bad(mic);
        mic.lost = Some("unplugged".into());
    });
    assert_eq!(lost, [(Kind::Lost, Weight::Change)]);
    assert_eq!(one(|mic| mic.room = None), [(Kind::NoQuiet, Weight::Change)]);
    let voice = findings(&[good(Post::Room)], &[], Some("the loudspeaker is gone"));
    assert_eq!((voice[0].kind, voice[0].weight), (Kind::Voice, Weight::Change));
}

#[test]
fn swapped_microphones_are_found_by_phrase_by_place_and_by_level() {
    let accepted = |level| tried(Outcome::Accepted, level, None);
    let others = asked(Role::Worker, vec![tried(Outcome::Other, -26.0, Some(Role::Observer))], None);
    assert_eq!(people(&[others]), [Kind::Swapped]);
    let elsewhere = asked(Role::Worker, vec![tried(Outcome::Nothing, -99.0, None)], Some(-26.0));
    assert_eq!(people(&[elsewhere]), [Kind::Swapped]);
    let level = |own: f32, other: f32| {
        [Role::Worker, Role::Observer].map(|r| asked(r, vec![accepted(own)], Some(other)))
    };
    assert_eq!(people(&level(-40.0, -26.0)), [Kind::Swapped]);
    assert_eq!(people(&level(-26.0, -40.0)), []);
    // One person louder at the other's is a matter of gain.
    let one_sided = [
        asked(Role::Worker, vec![accepted(-40.0)], Some(-26.0)),
        asked(Role::Observer, vec![accepted(-26.0)], Some(-40.0)),
    ];
    assert_eq!(people(&one_sided), []);
}

#[test]
fn people_are_told_once_what_to_do_about_all_their_phrases() {
    let unsure = || vec![tried(Outcome::Unsure, -26.0, None); 3];
    let twice = [asked(Role::Worker, unsure(), None), asked(Role::Worker, unsure(), None)];
    assert_eq!(people(&twice), [Kind::NotSure]);
    let own = asked(Role::Worker, vec![tried(Outcome::Other, -26.0, Some(Role::Worker)); 3], None);
    assert_eq!(people(&[own]), [Kind::NotSure]);
    let second = vec![tried(Outcome::Unsure, -26.0, None), tried(Outcome::Accepted, -26.0, None)];
    assert_eq!(people(&[asked(Role::Observer, second, None)]), [Kind::Repeated]);
    assert_eq!(people(&[asked(Role::Observer, Vec::new(), None)]), []);
}

#[test]
fn what_must_be_changed_comes_first() {
    let mut mic = good(Post::Worker);
    mic.prompt = Prompt::NotJudged { over_room_db: 0.0 };
    let mut other = good(Post::Observer);
    other.dead = true;
    let all = findings(&[mic, other], &[], None);
    assert_eq!((all[0].kind, all[1].kind), (Kind::Dead, Kind::PromptNotJudged));
}
