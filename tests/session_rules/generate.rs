//! Random procedures, as TOML through the parser.

use antiphon::procedure::parse::parse;
use antiphon::procedure::{Post, Procedure};
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
    critical: bool,
    decision: Option<bool>,
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
    /// Whether the observer may decide where a step does not say.
    decision: bool,
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
        let decision = self.decision;
        // Writing to a String can't fail.
        let _ = write!(
            toml,
            "[rules]\ntries = {tries}\nreminders = {reminders}\nreminder_s = {seconds}\ndecision = {decision}\n\
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
        if step.critical {
            *toml += "critical = true\n";
        }
        if let Some(decision) = step.decision {
            let _ = writeln!(toml, "decision = {decision}");
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
        (prop::bool::weighted(0.2), prop::bool::weighted(0.2), prop::option::weighted(0.2, any::<bool>())),
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
                (sized, critical, decision),
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
                    critical,
                    decision,
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
        (prop::bool::weighted(0.3), prop::bool::weighted(0.8)),
    )
        .prop_map(
            |(
                opening,
                tries,
                reminders,
                reminder_s,
                questions,
                steps,
                sides,
                exit,
                (one_microphone, decision),
            )| Plan {
                opening,
                tries,
                reminders,
                reminder_s,
                questions,
                steps,
                sides,
                exit,
                one_microphone,
                decision,
            },
        )
}
