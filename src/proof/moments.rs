//! Which phrases may be said at the same moment: what the listener must tell apart then.
//!
//! Owns the moments of a procedure. Must not know how phrases sound.

use crate::procedure::{PhraseId, Place, Procedure, Use};

/// A time in a session when the same phrases are valid.
#[derive(Debug, Clone, PartialEq)]
pub struct Moment {
    /// For people: `the read-back of step "gown"`.
    pub name: String,
    pub at: Place,
    /// Valid only now.
    pub own: Vec<PhraseId>,
}

/// Every moment of a procedure, and what may be said at any of them: calls, and whatever else belongs to no question or
/// step. A kind of phrase that this module does not know counts as valid at any moment, which compares it with everything.
pub fn moments(procedure: &Procedure) -> (Vec<Moment>, Vec<PhraseId>) {
    let mut all = Vec::new();
    for question in &procedure.questions {
        all.push(Moment {
            name: format!("the answer to question \"{}\"", question.id),
            at: question.at,
            own: question.answers.iter().map(|answer| answer.phrase).collect(),
        });
    }
    for step in &procedure.steps {
        all.push(Moment {
            name: format!("the read-back of step \"{}\"", step.id),
            at: step.at,
            own: step.read_back.clone(),
        });
        all.push(Moment {
            name: format!("the confirmation of step \"{}\"", step.id),
            at: step.at,
            own: step.confirm.iter().chain(&step.refuse).copied().collect(),
        });
    }
    if let Some(decision) = &procedure.decision {
        all.push(Moment {
            name: "the reason of a decision".into(),
            at: Place::BUILT_IN,
            own: decision.reasons.iter().map(|reason| reason.phrase).collect(),
        });
    }
    let always = procedure.phrase_ids().filter(|id| is_always(procedure.phrase(*id).used)).collect();
    (all, always)
}

/// Whether a phrase belongs to no question and no step.
pub fn is_always(used: Use) -> bool {
    !matches!(
        used,
        Use::ReadBack { .. }
            | Use::Confirmation { .. }
            | Use::Refusal
            | Use::Answer { .. }
            | Use::Reason { .. }
    )
}
