//! Which phrases the people are asked to say.
//!
//! Owns the choice: the same procedure, the same phrases. Must not know how they are heard.

use crate::procedure::{PhraseId, Procedure, Role, Step};

/// Phrases a person is asked for.
pub const EACH: usize = 2;
/// Phrases that a person is asked for whose voice is to be known.
pub const ENROLLED: usize = 5;
/// A phrase of fewer words tells little about how a person is heard, and is taken only for want of longer ones.
const WORDS: usize = 3;

/// Two phrases of the worker, then two of the observer, each the one a step prompts for: read-backs of who does it,
/// confirmations of the other. The first is the first with three words or more; the second is the last that shares no word
/// with it, since people are heard differently in different sounds. A procedure with only one phrase for a person gives one.
///
/// Whoever is to be known by their voice is asked for more, in the order of the procedure.
pub fn chosen(procedure: &Procedure, enrolled: &[Role]) -> Vec<(Role, PhraseId)> {
    let mut all = Vec::new();
    for role in [Role::Worker, Role::Observer] {
        let said = |step: &Step| match step.by.reads_back() == role {
            true => step.read_back.first().copied(),
            false => step.confirm.first().copied(),
        };
        let mut phrases: Vec<PhraseId> = procedure.main_steps().iter().filter_map(said).collect();
        phrases.sort_by_key(|id| procedure.phrase(*id).words().count() < WORDS);
        // A phrase with slots is one choice of several, and is asked for only for want of others.
        if phrases.iter().any(|id| procedure.phrase(*id).filled.is_none()) {
            phrases.retain(|id| procedure.phrase(*id).filled.is_none());
        }
        let mut asked = pair(procedure, &phrases);
        if enrolled.contains(&role) {
            for id in phrases {
                let known =
                    asked.iter().any(|other| procedure.phrase(*other).text == procedure.phrase(id).text);
                if asked.len() < ENROLLED && !known {
                    asked.push(id);
                }
            }
        }
        all.extend(asked.into_iter().map(|id| (role, id)));
    }
    all
}

/// The first phrase, and the best other one.
fn pair(procedure: &Procedure, phrases: &[PhraseId]) -> Vec<PhraseId> {
    let Some(first) = phrases.first() else { return Vec::new() };
    let long = |id: &PhraseId| procedure.phrase(*id).words().count() >= WORDS;
    let shares = |id: &PhraseId| {
        procedure.phrase(*id).words().any(|word| procedure.phrase(*first).words().any(|known| known == word))
    };
    let others: Vec<PhraseId> = phrases
        .iter()
        .copied()
        .filter(|id| procedure.phrase(*id).text != procedure.phrase(*first).text)
        .collect();
    let second = others
        .iter()
        .rfind(|id| long(id) && !shares(id))
        .or_else(|| others.iter().rfind(|id| long(id)))
        .or(others.first());
    [Some(*first), second.copied()].into_iter().flatten().take(EACH).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::parse;

    fn texts(steps: &[(&str, &str)]) -> Vec<String> {
        let mut source = "[procedure]\nid = \"x\"\ntitle = \"X\"\nversion = \"1\"\nlanguage = \"en\"\n\
            cautions = [\"Training aid.\"]\nclosing = \"Done.\"\n"
            .to_string();
        for (number, (read_back, confirm)) in steps.iter().enumerate() {
            source += &format!(
                "[[step]]\nid = \"s{number}\"\ninstruction = \"Do it.\"\nlook = \"it is done\"\n\
                 read_back = \"{read_back}\"\nconfirm = \"{confirm}\"\n"
            );
        }
        let procedure = parse::parse(&source, "x.toml").expect("a good procedure");
        chosen(&procedure, &[]).iter().map(|(_, id)| procedure.phrase(*id).text.clone()).collect()
    }

    #[test]
    fn the_first_long_phrase_and_the_last_without_a_common_word_are_chosen() {
        let steps = [
            ("gown closed", "knots seen"),
            ("inner gloves are on", "wrists are covered"),
            ("apron strings were tied", "front shielded to calves"),
            ("boots are on now", "trousers tucked inside"),
            ("hood reaches my shoulders", "cuffs are covered well"),
        ];
        assert_eq!(
            texts(&steps),
            [
                "inner gloves are on",
                "hood reaches my shoulders",
                "wrists are covered",
                "trousers tucked inside"
            ]
        );
    }

    #[test]
    fn of_a_step_by_the_observer_the_worker_is_asked_for_the_confirmation() {
        let path = format!("{}/procedures/pre-entry-briefing.toml", env!("CARGO_MANIFEST_DIR"));
        let (procedure, _) = parse::load(std::path::Path::new(&path)).expect("it is shipped");
        for (role, id) in chosen(&procedure, &[]) {
            assert_eq!(procedure.phrase(id).by, Some(role));
            assert_eq!(procedure.phrase(id).filled, None);
        }
    }

    #[test]
    fn a_procedure_of_one_step_gives_one_phrase_each() {
        assert_eq!(texts(&[("inner gloves are on", "wrists look covered")]).len(), 2);
    }

    #[test]
    fn the_shipped_procedures_give_two_each_and_always_the_same() {
        for file in ["isolation-donning", "korean-mini"] {
            let path = format!("{}/procedures/{file}.toml", env!("CARGO_MANIFEST_DIR"));
            let (procedure, _) = parse::load(std::path::Path::new(&path)).expect("it is shipped");
            let first = chosen(&procedure, &[]);
            assert_eq!(first.len(), 4, "{file}");
            assert_eq!(first, chosen(&procedure, &[]));
            let roles: Vec<Role> = first.iter().map(|(role, _)| *role).collect();
            assert_eq!(roles, [Role::Worker, Role::Worker, Role::Observer, Role::Observer]);
        }
    }

    #[test]
    fn whoever_is_enrolled_is_asked_for_five_different_phrases_where_there_are_so_many() {
        let source = std::fs::read_to_string("procedures/isolation-donning.toml").unwrap();
        let procedure = parse::parse(&source, "donning").unwrap();
        let asked = |enrolled: &[Role]| chosen(&procedure, enrolled);
        let of = |all: &[(Role, PhraseId)], role| all.iter().filter(|(by, _)| *by == role).count();
        let all = asked(&[Role::Worker]);
        assert_eq!((of(&all, Role::Worker), of(&all, Role::Observer)), (ENROLLED, EACH));
        let texts: std::collections::BTreeSet<_> =
            all.iter().map(|(_, id)| procedure.phrase(*id).text.as_str()).collect();
        assert_eq!(texts.len(), ENROLLED + EACH);
        assert_eq!(asked(&[Role::Worker])[..EACH], asked(&[])[..EACH], "the same two come first");
    }
}
