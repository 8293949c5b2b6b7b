//! What the trainee did about each error that the stand-in made on purpose.
//!
//! Owns what is right after each kind of error. Pure. Must not know how well the trainee answers otherwise.

use super::score::{seconds, surely, Moment};
use super::words::title_of;
use super::SlipNote;
use crate::conduct::actors::SlipKind;
use crate::listen::heard::Heard;
use crate::procedure::{Call, Part, Post, Procedure, Role, Use};
use crate::session::{Ending, Note};
use serde::{Deserialize, Serialize};

/// One error, and what came of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reaction {
    #[serde(flatten)]
    pub slip: SlipNote,
    /// The step's instruction.
    pub title: String,
    /// Seconds after the session's beginning.
    pub at_s: f64,
    /// What the trainee did, in plain words.
    pub did: String,
    /// Seconds from the error to what the trainee did about it; nothing when it was right to wait.
    pub after_s: Option<f64>,
    /// `null`: it can't be told.
    pub right: Option<bool>,
}

/// What has happened since an error.
struct Watched {
    slip: SlipNote,
    step: usize,
    at_ms: u64,
    /// It had its effect: refused, held, the contingency began.
    took: bool,
    /// The stand-in was heard since.
    heard_once: bool,
    /// What the trainee said that was not due, and when.
    spoke: Option<(String, Use, u64)>,
    /// Steps of the contingency answered by the trainee, and when the first was.
    done: usize,
    first_ms: Option<u64>,
    asked_again: usize,
    verdict: Option<Verdict>,
}

struct Verdict {
    did: String,
    after_ms: Option<u64>,
    right: Option<bool>,
}

fn verdict(did: impl Into<String>, after_ms: Option<u64>, right: impl Into<Option<bool>>) -> Option<Verdict> {
    Some(Verdict { did: did.into(), after_ms, right: right.into() })
}

pub(super) struct Reactions<'a> {
    procedure: &'a Procedure,
    trainee: Role,
    all: Vec<Watched>,
}

impl<'a> Reactions<'a> {
    pub fn new(procedure: &'a Procedure, trainee: Role) -> Reactions<'a> {
        Reactions { procedure, trainee, all: Vec::new() }
    }

    /// An error is made. One at a step that the procedure does not have is passed over: the journal was altered.
    pub fn slip(&mut self, at_ms: u64, slip: SlipNote) {
        let Some(step) = self.procedure.steps.iter().position(|step| step.id == slip.step) else { return };
        self.all.push(Watched {
            slip,
            step,
            at_ms,
            took: false,
            heard_once: false,
            spoke: None,
            done: 0,
            first_ms: None,
            asked_again: 0,
            verdict: None,
        });
    }

    pub fn moment(&mut self, moment: &Moment) {
        let (procedure, trainee) = (self.procedure, self.trainee);
        for watched in self.all.iter_mut().filter(|one| one.verdict.is_none()) {
            watched.verdict = watched.moment(procedure, trainee, moment);
        }
    }

    pub fn finish(self) -> Vec<Reaction> {
        let reaction = |watched: Watched| {
            let unknown = || Verdict {
                did: "the practice ended before it was over".to_string(),
                after_ms: None,
                right: None,
            };
            let title = title_of(&self.procedure.steps[watched.step]);
            let verdict = watched.verdict.unwrap_or_else(unknown);
            Reaction {
                title,
                at_s: seconds(watched.at_ms),
                did: verdict.did,
                after_s: verdict.after_ms.map(|ms| seconds(ms.saturating_sub(watched.at_ms))),
                right: verdict.right,
                slip: watched.slip,
            }
        };
        self.all.into_iter().map(reaction).collect()
    }
}

impl Watched {
    fn moment(&mut self, procedure: &Procedure, trainee: Role, moment: &Moment) -> Option<Verdict> {
        let heard = moment.heard_at(trainee.post());
        if let Some(heard) = heard {
            self.listen(procedure, heard, moment);
        }
        match self.slip.kind {
            SlipKind::Refusal => self.refusal(procedure, heard, moment),
            SlipKind::Contingency => self.contingency(procedure, heard, moment),
            SlipKind::Hold => self.hold(heard, moment),
            _ => self.keep_still(procedure, trainee, moment),
        }
    }

    /// Keeps the first phrase of a step that the trainee said and that did not count.
    fn listen(&mut self, procedure: &Procedure, heard: &Heard, moment: &Moment) {
        if moment.notes().any(|note| matches!(note, Note::AskedAgain { .. })) {
            self.asked_again += 1;
        }
        let counted = moment.notes().any(|note| matches!(note, Note::Counted { .. } | Note::TooSoon { .. }));
        let Some(phrase) = surely(heard).map(|id| procedure.phrase(id)).filter(|_| !counted) else { return };
        if matches!(phrase.used, Use::ReadBack { .. } | Use::Confirmation { .. } | Use::Refusal) {
            self.spoke.get_or_insert((phrase.text.clone(), phrase.used, heard.start_ms));
        }
    }

    /// After a refusal the step is done again and read back.
    fn refusal(&mut self, procedure: &Procedure, heard: Option<&Heard>, moment: &Moment) -> Option<Verdict> {
        let refused = |note: &Note| matches!(note, Note::Refused { step } if usize::from(*step) == self.step);
        if moment.notes().any(refused) {
            (self.took, self.spoke, self.asked_again) = (true, None, 0);
            return None;
        }
        if !self.took {
            let done =
                |note: &Note| matches!(note, Note::StepDone { step } if usize::from(*step) == self.step);
            return moment.notes().any(done).then(|| verdict("it was not heard as a refusal", None, None))?;
        }
        let heard = heard?;
        let counts = moment.notes().any(|note| match note {
            Note::Counted { phrase, .. } => {
                matches!(procedure.phrase(*phrase).used, Use::ReadBack { step } if usize::from(step) == self.step)
            }
            _ => false,
        });
        if !counts {
            return None;
        }
        match &self.spoke {
            Some((text, ..)) => verdict(
                format!("said \"{text}\" first, then read the step back"),
                Some(heard.start_ms),
                false,
            ),
            None => {
                let again = match self.asked_again {
                    0 => "",
                    _ => ", after being asked again",
                };
                verdict(format!("did the step again and read it back{again}"), Some(heard.start_ms), true)
            }
        }
    }

    /// After the call of a contingency its steps are carried out.
    fn contingency(
        &mut self,
        procedure: &Procedure,
        heard: Option<&Heard>,
        moment: &Moment,
    ) -> Option<Verdict> {
        let wanted = |index: u16| {
            let known = procedure.contingencies.get(usize::from(index));
            known.is_some_and(|one| Some(&one.id) == self.slip.contingency.as_ref())
        };
        let began = moment.notes().find_map(|note| match note {
            Note::ContingencyBegan { contingency, .. } if wanted(*contingency) => Some(*contingency),
            _ => None,
        });
        if began.is_some() {
            (self.took, self.spoke, self.done, self.first_ms) = (true, None, 0, None);
        }
        let ended = moment.notes().find_map(|note| match note {
            Note::ContingencyEnded { contingency, ending } if wanted(*contingency) => {
                Some((*contingency, *ending))
            }
            _ => None,
        });
        let answered = moment.notes().any(|note| match note {
            Note::Counted { phrase, .. } => match procedure.phrase(*phrase).used {
                Use::ReadBack { step } | Use::Confirmation { step } => {
                    matches!(procedure.part_of(usize::from(step)), Part::Contingency(at) if wanted(at))
                }
                _ => false,
            },
            _ => false,
        });
        if let Some(heard) = heard.filter(|_| answered) {
            self.done += 1;
            self.first_ms.get_or_insert(heard.start_ms);
        }
        let (contingency, ending) = ended?;
        if !self.took || ending == Ending::CalledAgain {
            return None;
        }
        let steps = procedure.range(Part::Contingency(contingency)).len();
        let first = self.first_ms;
        match (ending, &self.spoke) {
            (Ending::Cancelled, _) => verdict("went back as if it had not been called", first, false),
            (_, Some((text, ..))) => verdict(
                format!("carried out its steps ({steps}), but said \"{text}\" when that was not due"),
                first,
                false,
            ),
            (_, None) => verdict(format!("carried out its steps ({steps})"), first, self.done > 0),
        }
    }

    /// After 'hold' nothing is said but what carries on.
    fn hold(&mut self, heard: Option<&Heard>, moment: &Moment) -> Option<Verdict> {
        if moment.notes().any(|note| matches!(note, Note::Held { .. })) && !self.took {
            (self.took, self.spoke) = (true, None);
            return None;
        }
        if !self.took {
            return None;
        }
        let carried_on = moment.notes().any(|note| matches!(note, Note::CarriedOn));
        let by_trainee = heard
            .filter(|_| moment.notes().any(|note| matches!(note, Note::Obeyed { call: Call::CarryOn, .. })));
        match (by_trainee, &self.spoke) {
            (Some(heard), None) => verdict("held, and then carried on", Some(heard.start_ms), true),
            (Some(heard), Some((text, ..))) => {
                verdict(format!("said \"{text}\" on hold, and then carried on"), Some(heard.start_ms), false)
            }
            (None, _) if carried_on => verdict("held", None, None),
            (None, _) => None,
        }
    }

    /// When the stand-in has to be asked again, the trainee waits, or calls; a refusal of what was wrong is right too.
    fn keep_still(&mut self, procedure: &Procedure, trainee: Role, moment: &Moment) -> Option<Verdict> {
        let partner: Post = trainee.other().post();
        let reads_back = procedure.steps[self.step].by.reads_back() != trainee;
        if let Some((text, used, at_ms)) = self.spoke.as_ref().filter(|(_, used, _)| *used != Use::Refusal) {
            let confirmed = matches!(used, Use::Confirmation { .. });
            let did = match confirmed && reads_back {
                true => format!("confirmed it with \"{text}\""),
                false => format!("went on with \"{text}\""),
            };
            return verdict(did, Some(*at_ms), false);
        }
        let heard = moment.heard_at(partner)?;
        let first = !std::mem::replace(&mut self.heard_once, true);
        let counted = moment.notes().any(|note| match note {
            Note::Counted { phrase, .. } => match procedure.phrase(*phrase).used {
                Use::ReadBack { step } => reads_back && usize::from(step) == self.step,
                Use::Confirmation { step } => !reads_back && usize::from(step) == self.step,
                _ => false,
            },
            _ => false,
        });
        if !counted {
            return None;
        }
        let in_time = heard.start_ms < self.at_ms + 1_500;
        if first && in_time && self.slip.kind != SlipKind::Silence {
            return verdict("it was heard as the right phrase", None, None);
        }
        match &self.spoke {
            Some((_, _, at_ms)) => verdict("refused it", Some(*at_ms), true),
            None if reads_back => verdict("waited, and did not confirm", None, true),
            None => verdict("waited, and did not go on", None, true),
        }
    }
}
