//! Many people, natural voices and people's slips: the counts of one condition, and the page's section about them.
//!
//! Owns these counts and their wording. Must not know how anything is played.

use super::corpus::{Clip, Kind};
use super::hear::Result as Heard;
use super::near::Change;
use super::people;
use antiphon::listen::accept::Bar;
use antiphon::listen::heard::Verdict;
use antiphon::statistics::wilson95;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Hits and trials.
pub type Share = (usize, usize);

/// What one condition did to them, by both ears and by each alone.
#[derive(Default)]
pub struct Crowd {
    pub people: Share,
    pub natural: Share,
    /// Natural voices by name.
    pub voices: BTreeMap<String, Share>,
    /// Slips accepted, and of these with the probability that a critical step needs.
    pub slips: BTreeMap<&'static str, Share>,
    pub of_people: Share,
    pub critical: Share,
    pub alone: [Alone; 2],
}

/// One ear alone: right phrases, and slips accepted.
#[derive(Default)]
pub struct Alone {
    pub people: Share,
    pub natural: Share,
    pub slips: Share,
}

/// The first ear alone, and the second.
#[derive(Clone, Copy)]
pub enum Which {
    First,
    Second,
}

/// The second ear alone takes a phrase that is this far above everything else, nats.
pub const SECOND_ALONE: f32 = 1.0;

fn count(share: &mut Share, hit: bool) {
    share.0 += usize::from(hit);
    share.1 += 1;
}

impl Crowd {
    /// A clip heard by both.
    pub fn add(&mut self, clip: &Clip, result: &Heard) {
        let accepted: Vec<usize> = result.accepted().map(|phrase| usize::from(phrase.0)).collect();
        let right = !accepted.is_empty() && accepted.iter().all(|phrase| Some(*phrase) == clip.phrase);
        match clip.kind {
            Kind::Person => count(&mut self.people, right),
            Kind::Natural => {
                count(&mut self.natural, right);
                count(self.voices.entry(clip.voice.clone()).or_default(), right);
            }
            Kind::Near(change) if change.of_meaning() => {
                let sure = result.all.iter().any(|one| {
                    matches!(one.heard.verdict, Verdict::Accepted { .. })
                        && one.heard.evidence.confidence >= Bar::default().both.sure_critical
                });
                count(&mut self.critical, sure);
                if clip.voice == people::VOICE {
                    count(&mut self.of_people, !accepted.is_empty());
                } else {
                    count(self.slips.entry(change.name()).or_default(), !accepted.is_empty());
                }
            }
            _ => {}
        }
        let by_second = result.all.iter().any(|one| {
            let second = one.heard.evidence.second.as_ref();
            second.is_some_and(|second| second.asked.second.min(second.free.second) >= SECOND_ALONE)
        });
        let said = result.all.iter().filter_map(|one| one.heard.evidence.phrase);
        let same = said.map(|phrase| usize::from(phrase.0)).all(|phrase| Some(phrase) == clip.phrase);
        self.alone[Which::Second as usize].add(clip.kind, by_second && same, by_second);
    }

    /// A clip heard by the first ear alone.
    pub fn add_alone(&mut self, clip: &Clip, result: &Heard) {
        let accepted: Vec<usize> = result.accepted().map(|phrase| usize::from(phrase.0)).collect();
        let right = !accepted.is_empty() && accepted.iter().all(|phrase| Some(*phrase) == clip.phrase);
        self.alone[Which::First as usize].add(clip.kind, right, !accepted.is_empty());
    }

    pub fn worst_voice(&self) -> Option<(&str, Share)> {
        let share = |of: &Share| of.0 as f64 / of.1.max(1) as f64;
        let worst = self.voices.iter().min_by(|a, b| share(a.1).total_cmp(&share(b.1)));
        worst.map(|(name, share)| (name.as_str(), *share))
    }
}

impl Alone {
    fn add(&mut self, kind: Kind, right: bool, accepted: bool) {
        match kind {
            Kind::Person => count(&mut self.people, right),
            Kind::Natural => count(&mut self.natural, right),
            Kind::Near(change) if change.of_meaning() => count(&mut self.slips, accepted),
            _ => {}
        }
    }
}

/// Whether a clip is of the crowd.
pub fn is_of_it(kind: Kind) -> bool {
    matches!(kind, Kind::Person | Kind::Natural)
        || matches!(kind, Kind::Near(change) if super::natural::is_slip(change))
}

fn of((hits, trials): Share) -> String {
    if trials == 0 {
        return "-".to_string();
    }
    let (low, high) = wilson95(hits, trials);
    format!("{hits}/{trials} ({:.1}-{:.1})", 100.0 * low, 100.0 * high)
}

/// The section, of the conditions that the crowd went through.
pub fn section(rows: &[(&str, &Crowd)]) -> std::result::Result<String, std::fmt::Error> {
    let mut text = String::from(
        "## Many people, and natural voices\n\n| condition | people right | natural voices right | worst voice | people's near-misses accepted |",
    );
    let kinds: Vec<&str> =
        Change::ALL.iter().filter(|change| super::natural::is_slip(**change)).map(|c| c.name()).collect();
    kinds.iter().for_each(|kind| text += &format!(" {kind} |"));
    text += &format!("\n|{}\n", "---|".repeat(5 + kinds.len()));
    for (condition, crowd) in rows {
        let worst =
            crowd.worst_voice().map_or("-".to_string(), |(name, (hits, of))| format!("{name} {hits}/{of}"));
        let slips = kinds.iter().map(|kind| {
            let (taken, said) = crowd.slips.get(kind).copied().unwrap_or_default();
            format!("{taken}/{said}")
        });
        writeln!(
            text,
            "| {condition} | {} | {} | {worst} | {} | {} |",
            of(crowd.people),
            of(crowd.natural),
            of(crowd.of_people),
            slips.collect::<Vec<_>>().join(" | ")
        )?;
    }
    text += "\n## Each ear alone, and both\n\n| condition | people: first | second | both | natural: first | second | both | slips accepted: first | second | both |\n|---|---|---|---|---|---|---|---|---|---|\n";
    for (condition, crowd) in rows {
        let [first, second] = &crowd.alone;
        let all = crowd.slips.values().fold(crowd.of_people, |sum, share| (sum.0 + share.0, sum.1 + share.1));
        let of = |(hits, trials): Share| format!("{hits}/{trials}");
        writeln!(
            text,
            "| {condition} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
            of(first.people),
            of(second.people),
            of(crowd.people),
            of(first.natural),
            of(second.natural),
            of(crowd.natural),
            of(first.slips),
            of(second.slips),
            of(all),
        )?;
    }
    writeln!(
        text,
        "\nThe first ear alone is the program with `--ears phones`. The second alone takes a phrase that weighs {SECOND_ALONE} nat more \
         than any rival; it is given only what the first leaves possible. The columns count crowd clips only; flite's near-misses of the \
         other table are not among them.\n"
    )?;
    Ok(text)
}

/// The natural voices one by one, over all conditions.
pub fn by_voice(rows: &[(&str, &Crowd)]) -> std::result::Result<String, std::fmt::Error> {
    let names: std::collections::BTreeSet<&String> =
        rows.iter().flat_map(|(_, crowd)| crowd.voices.keys()).collect();
    if names.is_empty() {
        return Ok(String::new());
    }
    let mut text = String::from("| voice |");
    rows.iter().for_each(|(condition, _)| text += &format!(" {condition} |"));
    text += &format!("\n|{}\n", "---|".repeat(1 + rows.len()));
    for name in names {
        let each = rows.iter().map(|(_, crowd)| crowd.voices.get(name).copied().unwrap_or_default());
        let each: Vec<String> = each.map(|(hits, trials)| format!("{hits}/{trials}")).collect();
        writeln!(text, "| {name} | {} |", each.join(" | "))?;
    }
    text.push('\n');
    Ok(text)
}
