//! Which errors a stand-in partner makes on purpose, and at which steps.
//!
//! Owns the choice, which a seed repeats. Pure; must not know when or how anything is said.

use crate::conduct::actors::{Slip, SlipKind};
use crate::procedure::{Procedure, Role, Step, Then, Use};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::{BTreeMap, BTreeSet};

/// A minimum time shorter than this is over before anybody has spoken, s.
const SHORTEST_MINIMUM_S: f64 = 2.0;
/// Where the partner keeps silent the tool calls it after the step's reminder time: better a short one, s.
const SHORT_REMINDER_S: f64 = 45.0;

/// The errors, at most one a step: each kind that the procedure allows once, if there are steps enough, and then at
/// this share of the other steps any kind but a call. None at a rate of 0.
pub fn plan(procedure: &Procedure, partner: Role, rate: f64, seed: u64) -> Vec<Slip> {
    if rate <= 0.0 {
        return Vec::new();
    }
    // Not the stream that the partner's pauses are drawn from.
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x0B5E);
    let possible: Vec<Vec<SlipKind>> =
        (0..procedure.own_steps).map(|step| kinds(procedure, partner, step)).collect();
    let mut chosen: BTreeMap<usize, SlipKind> = BTreeMap::new();
    for (kind, steps) in scarcest_first(procedure, &possible) {
        let free: Vec<usize> = steps.into_iter().filter(|step| !chosen.contains_key(step)).collect();
        if let Some(step) = fitting(procedure, kind, free).choose(&mut random) {
            chosen.insert(*step, kind);
        }
    }
    for (step, kinds) in possible.iter().enumerate() {
        let kinds: Vec<SlipKind> = kinds.iter().copied().filter(|kind| !is_call(*kind)).collect();
        // Drawn at every step, so that the rate changes how many there are and not which come first.
        let errs = random.random_bool(rate.min(1.0));
        if let (true, false, Some(kind)) = (errs, chosen.contains_key(&step), kinds.choose(&mut random)) {
            chosen.insert(step, *kind);
        }
    }
    let contingency = contingency(procedure, &mut random);
    let slip = |(step, kind): (usize, SlipKind)| Slip {
        step: procedure.steps[step].id.clone(),
        who: partner,
        kind,
        say: None,
        contingency: contingency.clone().filter(|_| kind == SlipKind::Contingency),
        times: 1,
        while_speaking: false,
    };
    chosen.into_iter().map(slip).collect()
}

fn is_call(kind: SlipKind) -> bool {
    matches!(kind, SlipKind::Hold | SlipKind::Contingency)
}

/// What the partner can do wrong at a step.
fn kinds(procedure: &Procedure, partner: Role, index: usize) -> Vec<SlipKind> {
    let step = &procedure.steps[index];
    let mut kinds = vec![SlipKind::Silence];
    if later_phrase(procedure, partner, index) {
        kinds.push(SlipKind::Wrong);
    }
    if step.by.confirms() == partner {
        kinds.push(SlipKind::Refusal);
        return kinds;
    }
    kinds.push(SlipKind::Chatter);
    if step.at_least_s.is_some_and(|seconds| seconds >= SHORTEST_MINIMUM_S) {
        kinds.push(SlipKind::Early);
    }
    if partner == Role::Worker {
        kinds.push(SlipKind::Hold);
        if callable(procedure).next().is_some() {
            kinds.push(SlipKind::Contingency);
        }
    }
    kinds
}

/// Whether a later step has a phrase that the partner may say in place of this step's.
fn later_phrase(procedure: &Procedure, partner: Role, index: usize) -> bool {
    let confirms = procedure.steps[index].by.confirms() == partner;
    procedure.phrases.iter().filter(|phrase| phrase.by.is_none_or(|by| by == partner)).any(|phrase| {
        match phrase.used {
            Use::Confirmation { step } => confirms && usize::from(step) > index,
            Use::ReadBack { step } => !confirms && usize::from(step) > index,
            _ => false,
        }
    })
}

/// Contingencies that come back to the procedure; one that leads out would end the practice.
fn callable(procedure: &Procedure) -> impl Iterator<Item = &crate::procedure::Contingency> {
    procedure.contingencies.iter().filter(|one| !matches!(one.then, Then::Exit { .. }))
}

/// One that returns, if there is one: a restart makes for a long practice.
fn contingency(procedure: &Procedure, random: &mut ChaCha8Rng) -> Option<String> {
    let all: Vec<_> = callable(procedure).collect();
    let returning: Vec<_> = all.iter().copied().filter(|one| one.then == Then::Return).collect();
    let from = if returning.is_empty() { &all } else { &returning };
    from.choose(random).map(|one| one.id.clone())
}

/// Every kind with the steps that are surely done and allow it, the kind with the fewest first.
fn scarcest_first(procedure: &Procedure, possible: &[Vec<SlipKind>]) -> Vec<(SlipKind, Vec<usize>)> {
    let kinds: BTreeSet<SlipKind> = possible.iter().flatten().copied().collect();
    let steps = |kind: SlipKind| {
        let allows = |step: &usize| possible[*step].contains(&kind) && procedure.steps[*step].when.is_empty();
        (kind, (0..possible.len()).filter(allows).collect::<Vec<usize>>())
    };
    let mut all: Vec<_> = kinds.into_iter().map(steps).collect();
    all.sort_by_key(|(_, steps)| steps.len());
    all
}

/// For a silence, steps at which the tool soon calls; for a contingency, the second half: a glove tears when it is on.
fn fitting(procedure: &Procedure, kind: SlipKind, steps: Vec<usize>) -> Vec<usize> {
    let reminder = |step: &Step| step.reminder_s.unwrap_or(procedure.rules.reminder_s);
    let fits = |at: &usize| match kind {
        SlipKind::Silence => reminder(&procedure.steps[*at]) <= SHORT_REMINDER_S,
        SlipKind::Contingency => *at >= procedure.own_steps / 2,
        _ => true,
    };
    let fit: Vec<usize> = steps.iter().copied().filter(fits).collect();
    if fit.is_empty() {
        steps
    } else {
        fit
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::parse::parse;

    fn shipped() -> Procedure {
        parse(include_str!("../../procedures/isolation-donning.toml"), "x.toml").expect("it is good")
    }

    fn kinds_of(slips: &[Slip]) -> BTreeSet<SlipKind> {
        slips.iter().map(|slip| slip.kind).collect()
    }

    #[test]
    fn each_kind_that_the_procedure_allows_comes_at_least_once_whatever_the_seed() {
        use SlipKind::*;
        let procedure = shipped();
        for seed in 0..200 {
            let observer = plan(&procedure, Role::Observer, 0.01, seed);
            assert_eq!(kinds_of(&observer), BTreeSet::from([Wrong, Silence, Refusal]), "seed {seed}");
            let worker = plan(&procedure, Role::Worker, 0.01, seed);
            let all = BTreeSet::from([Wrong, Silence, Chatter, Early, Hold, Contingency]);
            assert_eq!(kinds_of(&worker), all, "seed {seed}");
        }
    }

    #[test]
    fn there_are_none_at_a_rate_of_nothing_and_one_at_every_step_at_most() {
        let procedure = shipped();
        for partner in [Role::Worker, Role::Observer] {
            assert_eq!(plan(&procedure, partner, 0.0, 3), []);
            let all = plan(&procedure, partner, 1.0, 3);
            let steps: BTreeSet<&str> = all.iter().map(|slip| slip.step.as_str()).collect();
            assert_eq!((all.len(), steps.len()), (procedure.own_steps, procedure.own_steps));
        }
    }

    #[test]
    fn a_seed_repeats_its_errors_and_another_has_others() {
        let procedure = shipped();
        let with = |seed| plan(&procedure, Role::Worker, 0.2, seed);
        assert_eq!(with(7), with(7));
        assert_ne!(with(7), with(8));
    }

    #[test]
    fn the_share_of_other_steps_is_the_rate_asked_for() {
        let procedure = shipped();
        let (seeds, sure) = (400, 3);
        let more: usize =
            (0..seeds).map(|seed| plan(&procedure, Role::Observer, 0.3, seed).len() - sure).sum();
        let share = more as f64 / (seeds as usize * (procedure.own_steps - sure)) as f64;
        assert!((share - 0.3).abs() < 0.03, "{share}");
    }

    #[test]
    fn only_a_contingency_that_comes_back_is_called_and_only_by_a_worker() {
        let procedure = shipped();
        for seed in 0..100 {
            let called = plan(&procedure, Role::Worker, 1.0, seed);
            let called: Vec<_> = called.iter().filter_map(|slip| slip.contingency.as_deref()).collect();
            assert_eq!(called, ["torn-glove"], "one that returns is there");
            assert!(!plan(&procedure, Role::Observer, 1.0, seed).iter().any(|slip| is_call(slip.kind)));
        }
    }

    #[test]
    fn the_partner_is_early_only_where_there_is_a_minimum_time() {
        let procedure = shipped();
        for seed in 0..100 {
            for slip in plan(&procedure, Role::Worker, 1.0, seed) {
                assert!(slip.kind != SlipKind::Early || slip.step == "hand-rub");
            }
        }
    }
}
