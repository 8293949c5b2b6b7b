//! What follows from likenesses, with voices made up: directions in the space of voices.

use super::*;
use crate::procedure::parse;
use crate::who::NUMBERS;

fn procedure() -> Procedure {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("procedures/isolation-donning.toml");
    parse::load(&path).unwrap().0
}

/// A voice of one person, a little another one each time.
fn voice(person: usize, time: usize) -> Heeded {
    let mut numbers = vec![0.0; NUMBERS];
    numbers[person] = 1.0;
    numbers[20 + time] = 0.5;
    Ok(Voice::of(&numbers).unwrap())
}

/// So many steps, read back by the worker and confirmed by the observer, with the voice that `who` gives each answer.
fn session(steps: u16, who: impl Fn(u16, Role) -> Heeded) -> (Vec<Answer>, Vec<Heeded>) {
    let mut answers = Vec::new();
    for step in 0..steps {
        for (by, kind) in [(Role::Worker, Kind::ReadBack(step)), (Role::Observer, Kind::Confirmation(step))] {
            let from_ms = 10_000 * answers.len() as u64;
            answers.push(Answer { by, kind, track: 0, from_ms, to_ms: from_ms + 1_500 });
        }
    }
    let voices = answers
        .iter()
        .map(|answer| match answer.kind {
            Kind::ReadBack(step) | Kind::Confirmation(step) => who(step, answer.by),
            Kind::Other => unreachable!("there are none"),
        })
        .collect();
    (answers, voices)
}

fn found(steps: u16, who: impl Fn(u16, Role) -> Heeded) -> (Vec<Step>, Summary) {
    let (answers, voices) = session(steps, who);
    let steps = compare(&procedure(), &answers, &voices);
    let summary = sum_up(&steps);
    (steps, summary)
}

#[test]
fn two_people_are_two_voices_and_one_in_both_parts_is_one() {
    let (steps, summary) = found(7, |step, role| voice(role as usize, usize::from(step)));
    assert_eq!((summary.steps, summary.two_voices), (7, 7), "{steps:?}");
    assert_eq!(summary.words(), "7 steps: 7 two voices");
    assert!(!summary.suspicious());
    // Of seven read-backs six are left, two threes.
    assert_eq!(steps[3].with_the_rest.unwrap().threes, 2);

    let (steps, summary) = found(7, |step, role| voice(0, 2 * usize::from(step) + role as usize));
    assert_eq!(summary.one_voice, 7, "{steps:?}");
    assert_eq!(steps[0].words(), "sounds like the worker");
    assert_eq!(summary.words(), "probably one person spoke both parts in 7 of 7 steps: listen to them");
    assert!(summary.suspicious());
}

#[test]
fn one_confirmation_in_the_observers_place_is_marked_and_the_others_are_not() {
    let (steps, summary) = found(7, |step, role| match (step, role) {
        (3, Role::Observer) => voice(Role::Worker as usize, 30),
        _ => voice(role as usize, usize::from(step)),
    });
    assert_eq!((summary.one_voice, summary.two_voices), (1, 6), "{steps:?}");
    assert_eq!(steps[3].sounds, Some(Sounds::OneVoice));
    assert!(summary.words().starts_with("in 1 of 7 steps"), "{}", summary.words());
}

#[test]
fn what_cant_be_told_says_why_and_is_never_a_suspicion() {
    let nothing = || Err("there is no sound".to_string());
    let (steps, summary) = found(2, |_, _| nothing());
    assert_eq!((summary.cant_tell, summary.suspicious()), (2, false));
    assert_eq!(steps[0].words(), "can't tell: the confirmation: there is no sound");
    let (steps, _) = found(2, |step, role| match role {
        Role::Worker => nothing(),
        Role::Observer => voice(1, usize::from(step)),
    });
    assert_eq!(steps[0].words(), "can't tell: the read-back: there is no sound");
    // A read-back that is no use leaves the rest to compare with.
    let (steps, _) = found(5, |step, role| match (step, role) {
        (0, Role::Worker) => nothing(),
        _ => voice(role as usize, usize::from(step)),
    });
    assert_eq!((steps[0].sounds, steps[0].with_the_read_back), (Some(Sounds::TwoVoices), None));
    assert_eq!(sum_up(&[]).words(), "no step was confirmed by voice: nothing to compare");
}

#[test]
fn a_step_done_again_is_compared_with_the_read_back_before_each_confirmation() {
    let (mut answers, mut voices) = session(1, |_, role| voice(role as usize, 1));
    let (again, _) = session(1, |_, _| voice(0, 2));
    answers.extend(again.into_iter().map(|answer| Answer { from_ms: answer.from_ms + 60_000, ..answer }));
    voices.extend([voice(0, 2), voice(0, 3)]);
    let steps = compare(&procedure(), &answers, &voices);
    let told: Vec<_> = steps.iter().map(|step| (step.read_back_ms, step.sounds)).collect();
    assert_eq!(told, [(0, Some(Sounds::TwoVoices)), (60_000, Some(Sounds::OneVoice))]);
}
