//! The page's account of what was aimed at and what was reached.
//!
//! Owns the targets. Must not know how anything was measured.

use super::condition::Condition;
use super::crowd::Crowd;
use std::fmt::Write;

/// Share of a person's phrases that must be right, by condition.
const RIGHT: [(&str, f64); 8] = [
    ("clean", 0.99),
    ("pink 20 dB", 0.99),
    ("blower 15 dB", 0.99),
    ("pink 10 dB", 0.98),
    ("blower 10 dB", 0.98),
    ("blower 5 dB", 0.95),
    ("pink 5 dB", 0.90),
    ("babble 10 dB", 0.90),
];
/// Most that may be accepted: wrong phrases of all, chatter of each condition.
const WRONG: f64 = 0.0;
const CHATTER: f64 = 0.002;
/// From the end of the speech to the decision, ms: half of them, and nineteen of twenty.
const GAP_MS: [f32; 2] = [400.0, 800.0];

/// Shares that must be right of many people, and of natural voices, by condition.
const CROWD: [(&str, f64, f64); 4] = [
    ("clean", 0.98, 0.98),
    ("pink 10 dB", 0.93, 0.95),
    ("blower 10 dB", 0.93, 0.95),
    ("blower 5 dB", 0.85, 0.88),
];
const WORST_VOICE: f64 = 0.90;
/// Most near-misses that change the meaning, to 10 dB of noise; and with the probability that critical steps need.
const NEAR: [f64; 2] = [0.02, 0.005];

/// What was measured, as (hits, trials).
pub struct Measured<'a> {
    pub right: Vec<(&'a Condition, (usize, usize))>,
    pub chatter: Vec<(&'a Condition, (usize, usize))>,
    pub wrong: (usize, usize),
    pub crowd: Vec<(&'a Condition, &'a Crowd)>,
    /// Near-misses that change the meaning, to 10 dB; and those a critical step would take.
    pub near: [(usize, usize); 2],
    /// Clean, one person after the other: median and 95th percentile.
    pub gap_ms: [f32; 2],
    pub cut_off: (usize, usize),
}

/// A row a target: aimed at, reached, and whether that is enough.
pub fn table(measured: &Measured) -> Result<String, std::fmt::Error> {
    let mut text = String::from("| aim | reached | met |\n|---|---|---|\n");
    let share = |(hits, trials): (usize, usize)| hits as f64 / (trials as f64).max(1.0);
    let met = |enough: bool| if enough { "yes" } else { "**no**" };
    for (name, wanted) in RIGHT {
        let found = measured.right.iter().find(|(condition, _)| condition.name == name);
        let Some((_, (hits, trials))) = found else { continue };
        let enough = share((*hits, *trials)) >= wanted;
        writeln!(
            text,
            "| one woman's prompts, {name}: {:.0} % right | {hits}/{trials} | {} |",
            wanted * 100.0,
            met(enough)
        )?;
    }
    for (name, people, natural) in CROWD {
        let Some((_, crowd)) = measured.crowd.iter().find(|(condition, _)| condition.name == name) else {
            continue;
        };
        for (who, wanted, found) in
            [("many people", people, crowd.people), ("natural voices", natural, crowd.natural)]
        {
            let enough = if found.1 == 0 { "not measured" } else { met(share(found) >= wanted) };
            writeln!(
                text,
                "| {who}, {name}: {:.0} % right | {}/{} | {enough} |",
                wanted * 100.0,
                found.0,
                found.1
            )?;
        }
        if let Some((voice, worst)) = crowd.worst_voice().filter(|_| name == "clean") {
            let enough = met(share(worst) >= WORST_VOICE);
            let wanted = WORST_VOICE * 100.0;
            writeln!(
                text,
                "| worst natural voice, clean: {wanted:.0} % right | {voice} {}/{} | {enough} |",
                worst.0, worst.1
            )?;
        }
    }
    let (hits, trials) = measured.wrong;
    let enough = met(share(measured.wrong) <= WRONG);
    writeln!(text, "| wrong phrases: at most {:.1} % | {hits}/{trials} | {enough} |", WRONG * 100.0)?;
    let worst = measured.chatter.iter().max_by(|a, b| share(a.1).total_cmp(&share(b.1)));
    if let Some((condition, (hits, trials))) = worst {
        let enough = met(share((*hits, *trials)) <= CHATTER);
        let wanted = CHATTER * 100.0;
        let name = condition.name;
        writeln!(
            text,
            "| chatter in any condition: at most {wanted:.1} % | worst: {name}, {hits}/{trials} | {enough} |"
        )?;
    }
    let whose = ["near-misses that change the meaning, to 10 dB", "the same, of critical steps"];
    for ((share_of, wanted), name) in measured.near.into_iter().zip(NEAR).zip(whose) {
        let enough = met(share(share_of) <= wanted);
        let (hits, trials) = share_of;
        writeln!(text, "| {name}: at most {:.1} % | {hits}/{trials} | {enough} |", wanted * 100.0)?;
    }
    let [median, late] = measured.gap_ms;
    let [half, most] = GAP_MS;
    writeln!(
        text,
        "| gap, clean: median at most {half:.0} ms, 95th percentile {most:.0} ms | {median:.0} and {late:.0} ms | {} |",
        met(median <= half && late <= most)
    )?;
    let (hits, trials) = measured.cut_off;
    writeln!(text, "| cut off at a pause: none | {hits}/{trials} | {} |", met(hits == 0))?;
    Ok(text)
}

/// Why the ones that are not met are not, as far as it is known.
pub const LIMITS: &str = "\
What limits it. *Near-misses:* what both ears still take for the phrase is one sound away from it: another form ('hand are \
clean', 'hands are drying'), another tense ('hands were clean'), a soft n't before another consonant ('lights aren't on'). \
The second ear weighs exactly these against the phrase, and where it finds the other likelier the phrase is asked again, \
however sure the first is; these come out of it as likely or less. The remedy is in the procedure: phrases that differ from \
what might be said instead in more than a weak sound, which `lint` and `lint --voices` look for. *Natural voices:* some \
begin so softly that both ears lose the first consonant: 'blower' comes out as 'lower', 'hood' as 'could', 'gloves' as \
'loves'. *Noise at 5 dB and babble at 10 dB:* a weak word is lost, and the phrase without it fits as well. All these are \
asked again, not guessed; which phrases, and what fitted as well, stands below. *Critical steps:* their bar costs right \
answers: one in ten in quiet is asked again.\n";
