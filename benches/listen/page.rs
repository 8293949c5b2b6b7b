//! The reporting half under every condition, and the page about it.
//!
//! Owns the counts and their wording. Must not know how anything is played.

use super::condition::{Condition, ALL};
use super::corpus::{build, Clip, Corpus, Half, Kind};
use super::crowd::{self, Crowd};
use super::curve::{Curve, Said};
use super::hear::{self, Ears, Result as Heard};
use super::natural;
use super::near::Change;
use super::peer::{self, Peer};
use super::people;
use super::refused::{self, Refused};
use super::targets::{self, Measured};
use super::{progress, SEED};
use antiphon::listen::accept::Bar;
use antiphon::listen::heard::Verdict;
use antiphon::listen::segment::Limits;
use antiphon::statistics::wilson95;
use std::fmt::Write;

/// Conditions that stand-ins and near-misses go through.
const MANY: [&str; 6] =
    ["clean", "pink 10 dB", "blower 5 dB", "babble 10 dB", "room, blower 15 dB", "muffled, blower 15 dB"];
/// Conditions that many people, natural voices and their slips go through.
const PEOPLE: [&str; 4] = ["clean", "pink 10 dB", "blower 10 dB", "blower 5 dB"];
/// Verdicts are the same as live, where an utterance is heard in advance too; how long they take is measured in turn.
fn not_live() -> Limits {
    Limits { in_advance: false, ..Limits::default() }
}

/// A pause in the middle of a phrase, ms.
const PAUSE_MS: usize = 400;

#[derive(Default)]
struct Counts {
    said: usize,
    right: usize,
    asked: usize,
    wrong: usize,
}

impl Counts {
    fn add(&mut self, clip: &Clip, result: &Heard) {
        self.said += 1;
        let accepted: Vec<usize> = result.accepted().map(|phrase| usize::from(phrase.0)).collect();
        match accepted.as_slice() {
            [] => self.asked += usize::from(result.asked()),
            all if all.iter().all(|phrase| Some(*phrase) == clip.phrase) => self.right += 1,
            _ => self.wrong += 1,
        }
    }

    fn missed(&self) -> usize {
        self.said - self.right - self.asked - self.wrong
    }
}

/// One condition's row.
struct Row {
    condition: Condition,
    human: Counts,
    stand_in: Counts,
    crowd: Crowd,
    chatter: usize,
    chatter_accepted: usize,
    chatter_asked: usize,
    near: Vec<(Change, usize, usize)>,
    /// Near-misses that change the meaning and that a critical step would take.
    near_critical: usize,
    /// Time the engine took, ms, and sound it was played, s.
    compute_ms: f64,
    seconds: f64,
    mistakes: Vec<String>,
    /// People's phrases that were not accepted.
    refused: Vec<Refused>,
    curve: Curve,
    peer: Peer,
}

/// Under every condition, or only those named.
pub fn measure(only: &[&str]) -> Result<String, String> {
    if let Some(unknown) = only.iter().find(|name| !ALL.iter().any(|condition| condition.name == **name)) {
        let names: Vec<&str> = ALL.iter().map(|condition| condition.name).collect();
        return Err(format!("there is no condition {unknown:?}: they are {}", names.join("; ")));
    }
    let folder = tempfile::tempdir().map_err(|error| format!("no temporary folder: {error}"))?;
    eprintln!("decoding and rendering");
    let corpus = build(Half::Reporting, SEED, folder.path())?;
    let in_turn = gaps_in_turn(&corpus)?;
    let [median, late] = [0.5, 0.95].map(|share| quantile(&in_turn, share));
    eprintln!("in turn: median {median:.0} ms, 95th percentile {late:.0} ms");
    let mut rows = Vec::new();
    let wanted = |condition: &Condition| only.is_empty() || only.contains(&condition.name);
    for (number, condition) in ALL.into_iter().enumerate().filter(|(_, condition)| wanted(condition)) {
        rows.push(row(&corpus, condition, number, folder.path())?);
    }
    let paused = paused(&corpus)?;
    page(&corpus, &rows, &paused, &in_turn)
}

fn row(
    corpus: &Corpus,
    condition: Condition,
    number: usize,
    folder: &std::path::Path,
) -> Result<Row, String> {
    // The prompts go through every condition, half of them through the milder ones, with a part of the chatter that
    // changes; everything else through some.
    let many = MANY.contains(&condition.name);
    let wanted = |clip: usize, kind: Kind| match kind {
        Kind::Human => many || PEOPLE.contains(&condition.name) || (clip + number).is_multiple_of(2),
        Kind::StandIn => many,
        Kind::Person | Kind::Natural => PEOPLE.contains(&condition.name),
        Kind::Near(change) if natural::is_slip(change) => PEOPLE.contains(&condition.name),
        Kind::Chatter => (clip + number).is_multiple_of(if number == 0 { 4 } else { 6 }),
        Kind::Near(_) if number == 0 => clip.is_multiple_of(4),
        Kind::Near(_) => many && (clip + number).is_multiple_of(8),
    };
    let count = corpus.clips.iter().enumerate().filter(|(at, clip)| wanted(*at, clip.kind)).count();
    let bar = progress(condition.name, count);
    let results = hear::play(corpus, &condition, &wanted, SEED, not_live(), Ears::Both, &bar)?;
    bar.finish_and_clear();
    eprintln!("{}", condition.name);
    let mut row = Row {
        condition,
        human: Counts::default(),
        stand_in: Counts::default(),
        crowd: Crowd::default(),
        chatter: 0,
        chatter_accepted: 0,
        chatter_asked: 0,
        near: Change::ALL.map(|change| (change, 0, 0)).into(),
        near_critical: 0,
        compute_ms: 0.0,
        seconds: 0.0,
        mistakes: Vec::new(),
        refused: Vec::new(),
        curve: Curve::default(),
        peer: peer::hear(corpus, &condition, SEED, folder)?,
    };
    for result in &results {
        row.add(corpus, result);
        let clip = &corpus.clips[result.clip];
        if crowd::is_of_it(clip.kind) {
            row.crowd.add(clip, result);
        }
    }
    if PEOPLE.contains(&condition.name) {
        let bar = progress("one ear", count);
        let crowd = |clip: usize, kind: Kind| wanted(clip, kind) && crowd::is_of_it(kind);
        for result in hear::play(corpus, &condition, &crowd, SEED, not_live(), Ears::Phones, &bar)? {
            row.crowd.add_alone(&corpus.clips[result.clip], &result);
        }
        bar.finish_and_clear();
    }
    Ok(row)
}

impl Row {
    fn add(&mut self, corpus: &Corpus, result: &Heard) {
        let clip = &corpus.clips[result.clip];
        let accepted: Vec<usize> = result.accepted().map(|phrase| usize::from(phrase.0)).collect();
        match clip.kind {
            Kind::Human => {
                self.human.add(clip, result);
                if accepted.is_empty() {
                    self.refused.push(Refused::new(corpus, clip, result));
                }
                let clean = self.condition.name == ALL[0].name;
                self.curve.add(if clean { Said::HumanClean } else { Said::HumanOther }, result);
            }
            Kind::StandIn => self.stand_in.add(clip, result),
            Kind::Person | Kind::Natural => {}
            Kind::Near(change) => {
                if let Some((_, said, taken)) = self.near.iter_mut().find(|(kind, _, _)| *kind == change) {
                    *said += 1;
                    *taken += usize::from(!accepted.is_empty());
                }
                let sure = |one: &&hear::One| {
                    matches!(one.heard.verdict, Verdict::Accepted { .. })
                        && one.heard.evidence.confidence >= Bar::default().both.sure_critical
                };
                let critical = change.of_meaning() && result.all.iter().any(|one| sure(&one));
                self.near_critical += usize::from(critical);
                match change {
                    _ if !change.of_meaning() => {}
                    Change::Alike => self.curve.add(Said::Like, result),
                    _ => self.curve.add(Said::OtherNear, result),
                }
            }
            Kind::Chatter => {
                self.chatter += 1;
                self.chatter_accepted += usize::from(!accepted.is_empty());
                self.chatter_asked += usize::from(accepted.is_empty() && result.asked());
            }
        }
        let right = |phrase: &usize| clip.kind.is_right() && clip.phrase == Some(*phrase);
        for phrase in accepted.iter().filter(|phrase| !right(phrase)) {
            let taken = &corpus.groups[clip.group][*phrase];
            self.mistakes.push(format!("\"{}\" ({}) taken for \"{taken}\"", clip.words, clip.voice));
        }
        self.compute_ms += result.all.iter().map(|one| f64::from(one.heard.evidence.compute_ms)).sum::<f64>();
        self.seconds += clip.audio.len() as f64 / 16_000.0;
    }
}

/// From the end of the speech to the decision when people speak in turn, ms, sorted: right phrases, clean.
fn gaps_in_turn(corpus: &Corpus) -> Result<Vec<f32>, String> {
    let wanted = |clip: usize, kind: Kind| match kind {
        Kind::Human => true,
        Kind::Person | Kind::Natural => clip.is_multiple_of(3),
        _ => false,
    };
    let count = corpus.clips.iter().enumerate().filter(|(at, clip)| wanted(*at, clip.kind)).count();
    let bar = progress("in turn", count);
    let results = hear::play_in_turn(corpus, &ALL[0], &wanted, SEED, &bar)?;
    bar.finish_and_clear();
    let right = |result: &&Heard| {
        result.accepted().any(|phrase| Some(usize::from(phrase.0)) == corpus.clips[result.clip].phrase)
    };
    let all = results.iter().filter(right).flat_map(|result| result.all.iter().map(|one| one.gap_ms));
    let mut gaps: Vec<f32> = all.filter(|gap| gap.is_finite()).collect();
    gaps.sort_by(f32::total_cmp);
    Ok(gaps)
}

/// Every phrase of the half with a pause in the middle, clean: how many were right, and how many were cut off.
struct Paused {
    said: usize,
    right: usize,
    cut_off: Vec<String>,
}

/// So much speech after what was decided about means that it was cut off, ms.
const CUT_OFF_MS: f32 = 150.0;

fn paused(corpus: &Corpus) -> Result<Paused, String> {
    let clips = corpus
        .clips
        .iter()
        .filter(|clip| matches!(clip.kind, Kind::Human | Kind::StandIn))
        .map(|clip| Clip {
            audio: with_pause(&clip.audio).into(),
            words: clip.words.clone(),
            voice: clip.voice.clone(),
            ..*clip
        })
        .collect();
    let paused = Corpus { groups: corpus.groups.clone(), clips, babble: Vec::new() };
    let bar = progress("pauses", paused.clips.len());
    let results = hear::play(&paused, &ALL[0], &|_, _| true, SEED, not_live(), Ears::Both, &bar)?;
    bar.finish_and_clear();
    let mut counts = Counts::default();
    let mut cut_off = Vec::new();
    for result in &results {
        counts.add(&paused.clips[result.clip], result);
        let clip = &paused.clips[result.clip];
        let accepted =
            |one: &&hear::One| matches!(one.heard.verdict, antiphon::listen::heard::Verdict::Accepted { .. });
        if let Some(one) = result.all.iter().filter(accepted).find(|one| one.left_ms > CUT_OFF_MS) {
            let phrase = one.heard.evidence.phrase.map(|id| &corpus.groups[clip.group][usize::from(id.0)]);
            cut_off.push(format!(
                "\"{}\" ({}), {:.0} ms before its end, for \"{}\" (probability {:.2})",
                clip.words,
                clip.voice,
                one.left_ms,
                phrase.map_or("", |phrase| phrase),
                one.heard.evidence.confidence
            ));
        }
    }
    Ok(Paused { said: counts.said, right: counts.right, cut_off })
}

/// Silence put in where the middle half of the clip is quietest.
fn with_pause(clip: &[i16]) -> Vec<i16> {
    const PIECE: usize = 320;
    let power = |piece: &[i16]| piece.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>();
    let pieces: Vec<f64> = clip.chunks(PIECE).map(power).collect();
    let middle = pieces.len() / 4..pieces.len() * 3 / 4;
    let at = middle.min_by(|a, b| pieces[*a].total_cmp(&pieces[*b])).unwrap_or(0) * PIECE;
    [&clip[..at], &vec![0; PAUSE_MS * 16], &clip[at..]].concat()
}

fn of(hits: usize, trials: usize) -> String {
    if trials == 0 {
        return "-".to_string();
    }
    let (low, high) = wilson95(hits, trials);
    format!("{hits}/{trials} ({:.1}-{:.1})", 100.0 * low, 100.0 * high)
}

/// Near-misses that change the meaning: accepted, and all.
fn meant(rows: &[Row]) -> (usize, usize) {
    rows.iter()
        .flat_map(|row| &row.near)
        .filter(|(change, _, _)| change.of_meaning())
        .fold((0, 0), |sum, (_, said, taken)| (sum.0 + taken, sum.1 + said))
}

/// The same without what is louder than 10 dB below the speech: accepted at all, and by the bar of critical steps.
fn meant_to_10_db(rows: &[Row]) -> [(usize, usize); 2] {
    let quiet = |row: &&Row| !row.condition.name.ends_with(" 5 dB");
    let of = |row: &Row| meant(std::slice::from_ref(row));
    let all = rows.iter().filter(quiet).map(of).fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
    let critical: usize = rows.iter().filter(quiet).map(|row| row.near_critical).sum();
    [all, (critical, all.1)]
}

fn measured<'a>(rows: &'a [Row], paused: &Paused, in_turn: &[f32]) -> Measured<'a> {
    let of = |count: fn(&Row) -> (usize, usize)| {
        rows.iter().map(|row| (&row.condition, count(row))).collect::<Vec<_>>()
    };
    let wrong = rows.iter().fold((0, 0), |sum, row| (sum.0 + row.human.wrong, sum.1 + row.human.said));
    Measured {
        right: of(|row| (row.human.right, row.human.said)),
        chatter: of(|row| (row.chatter_accepted, row.chatter)),
        wrong,
        crowd: rows
            .iter()
            .filter(|row| PEOPLE.contains(&row.condition.name))
            .map(|row| (&row.condition, &row.crowd))
            .collect(),
        near: meant_to_10_db(rows),
        gap_ms: [0.5, 0.95].map(|share| quantile(in_turn, share)),
        cut_off: (paused.cut_off.len(), paused.said),
    }
}

fn page(corpus: &Corpus, rows: &[Row], paused: &Paused, in_turn: &[f32]) -> Result<String, String> {
    let mut text = String::new();
    let failed = |error: std::fmt::Error| error.to_string();
    let count =
        |wanted: &dyn Fn(&Kind) -> bool| corpus.clips.iter().filter(|clip| wanted(&clip.kind)).count();
    write!(
        text,
        "# How well it hears\n\n\
         Written by `make bench-listen` in one run; run it again rather than edit it. Seed {SEED}: a run repeats exactly, \
         but for times. In brackets: Wilson's 95 % interval, %.\n\n\
         **Corpus.** Human phrases: {} recordings of one woman's telephone prompts of three to eight words (Debian's \
         asterisk-core-sounds-en-g722, CC-BY-SA-3.0). Chatter: {} recordings, her other prompts and prompts of four more \
         people in French, Spanish, Italian and Russian. Stand-ins: flite's voices slt and awb say {} invented phrases of \
         procedures and {} near-misses of them; her phrases and theirs, broken off after 65 % of the sound, are {} more. Ten phrases are valid at a time, with all their decoys. Weights and \
         thresholds were set on the other half: other prompts, other phrases (the shipped procedure's), other stand-in \
         voices (rms, kal16), other chatter. \n\n\
         **Many people:** {}. **Natural voices:** {}.\n\n\
         **Conditions.** Speech at -26 dBFS active level (ITU-T P.56), noise below it by the dB given. Blower: rushing air \
         and blade tones. Babble: six people in four languages. Room: 0.5 s reverberation (Polack's model), 3 dB below \
         the direct sound. Muffled: 12 dB an octave above 2 kHz.\n\n",
        count(&|kind| *kind == Kind::Human),
        count(&|kind| *kind == Kind::Chatter),
        count(&|kind| *kind == Kind::StandIn) / 2,
        count(&|kind| matches!(kind, Kind::Near(change) if *change != Change::Broken)) / 2,
        count(&|kind| *kind == Kind::Near(Change::Broken)),
        many_people(corpus),
        natural_voices(corpus),
    )
    .map_err(failed)?;
    text += "## Aims\n\n";
    text += &targets::table(&measured(rows, paused, in_turn)).map_err(failed)?;
    writeln!(text, "\n{}", targets::LIMITS).map_err(failed)?;
    text += "## Human voice, ten phrases valid, decoys on\n\n\
             | condition | right | asked again | missed | wrong phrase | chatter accepted | chatter asked about | PocketSphinx right | its chatter accepted |\n\
             |---|---|---|---|---|---|---|---|---|\n";
    for row in rows {
        writeln!(
            text,
            "| {} | {} | {} | {} | {} | {} | {} | {} | {} |",
            row.condition.name,
            of(row.human.right, row.human.said),
            row.human.asked,
            row.human.missed(),
            of(row.human.wrong, row.human.said),
            of(row.chatter_accepted, row.chatter),
            of(row.chatter_asked, row.chatter),
            of(row.peer.right, row.peer.said),
            of(row.peer.chatter_accepted, row.peer.chatter),
        )
        .map_err(failed)?;
    }
    let sum = |count: &dyn Fn(&Row) -> usize| rows.iter().map(count).sum::<usize>();
    writeln!(
        text,
        "| **all** | {} | {} | {} | {} | {} | {} | {} | {} |",
        of(sum(&|row| row.human.right), sum(&|row| row.human.said)),
        sum(&|row| row.human.asked),
        sum(&|row| row.human.missed()),
        of(sum(&|row| row.human.wrong), sum(&|row| row.human.said)),
        of(sum(&|row| row.chatter_accepted), sum(&|row| row.chatter)),
        of(sum(&|row| row.chatter_asked), sum(&|row| row.chatter)),
        of(sum(&|row| row.peer.right), sum(&|row| row.peer.said)),
        of(sum(&|row| row.peer.chatter_accepted), sum(&|row| row.peer.chatter)),
    )
    .map_err(failed)?;
    text += "\nPocketSphinx: Debian's `pocketsphinx_batch` with a JSGF grammar of the same ten phrases, nothing tuned, on the \
             English recordings of this table.\n\n## Stand-in voices and near-misses\n\n| condition | right | asked again | missed | wrong phrase |";
    for change in Change::ALL {
        write!(text, " {} |", change.name()).map_err(failed)?;
    }
    text += &format!("\n|{}\n", "---|".repeat(5 + Change::ALL.len()));
    for row in rows.iter().filter(|row| MANY.contains(&row.condition.name)) {
        let near: Vec<String> = row.near.iter().map(|(_, said, taken)| format!("{taken}/{said}")).collect();
        writeln!(
            text,
            "| {} | {} | {} | {} | {} | {} |",
            row.condition.name,
            of(row.stand_in.right, row.stand_in.said),
            row.stand_in.asked,
            row.stand_in.missed(),
            row.stand_in.wrong,
            near.join(" | ")
        )
        .map_err(failed)?;
    }
    let crowds: Vec<(&str, &Crowd)> = rows
        .iter()
        .filter(|row| PEOPLE.contains(&row.condition.name))
        .map(|row| (row.condition.name, &row.crowd))
        .collect();
    text += "\n";
    text += &crowd::section(&crowds).map_err(failed)?;
    text += &crowd::by_voice(&crowds).map_err(failed)?;
    write!(
        text,
        "The near-misses of the table of stand-in voices and of people's slips, those that change the meaning (all but a word before or \
         after and a word twice): {} accepted over all conditions.\n\n## What a stricter bar would buy\n\nBy the probability from which a phrase is \
         accepted; the first row is the shipped bar, the second that of critical steps. Near-misses of this table are \
         those that change the meaning, over all conditions.\n\n{}\n## Turn-taking\n\nFrom the end of the speech to the decision, time to think \
         included. One person after the other, as in a session, clean: median {:.0} ms, 95th percentile {:.0} ms of {} \
         phrases. The tool's next sound follows within the loudspeaker's own delay.\n\n\
         With a pause of {PAUSE_MS} ms in the middle of each phrase: {} right, {} cut off{}.\n\n## Cost\n\n",
        of(meant(rows).0, meant(rows).1),
        Curve::table(&rows.iter().map(|row| &row.curve).collect::<Vec<_>>()).map_err(failed)?,
        quantile(in_turn, 0.5),
        quantile(in_turn, 0.95),
        in_turn.len(),
        of(paused.right, paused.said),
        paused.cut_off.len(),
        if paused.cut_off.is_empty() { String::new() } else { format!(": {}", paused.cut_off.join(", ")) },
    )
    .map_err(failed)?;
    let compute: f64 = rows.iter().map(|row| row.compute_ms).sum();
    let seconds: f64 = rows.iter().map(|row| row.seconds).sum();
    writeln!(
        text,
        "The verdicts took {:.0} ms of one core per second of speech (wall time, both cores at work); looks at pauses that \
         decided nothing come on top.\n",
        compute / seconds
    )
    .map_err(failed)?;
    let refused = rows.iter().map(|row| (row.condition.name, row.refused.as_slice()));
    text += &refused::section(refused).map_err(failed)?;
    text += "## Mistakes\n\n";
    for row in rows.iter().filter(|row| !row.mistakes.is_empty()) {
        writeln!(text, "* {}: {}", row.condition.name, row.mistakes.join("; ")).map_err(failed)?;
    }
    Ok(text)
}

fn many_people(corpus: &Corpus) -> String {
    let said = corpus.clips.iter().filter(|clip| clip.kind == Kind::Person).count();
    if said == 0 {
        return "not measured: their recordings are not here".to_string();
    }
    let near = corpus.clips.iter().filter(|clip| clip.voice == people::VOICE).count() - said;
    format!(
        "{said} recordings by volunteers on their own microphones, general speech (orders for a coffee machine of up to 20 \
         words, and one two-word phrase), not of this trade, from Picovoice/speech-to-intent-benchmark and \
         Picovoice/wake-word-benchmark (Apache-2.0), split by text. {near} of them are near-misses too: one value of the \
         *valid* phrase is changed ('dark roast' is valid, 'medium roast' is said). Their texts were written by a \
         recogniser and are right with high probability, not certainty"
    )
}

fn natural_voices(corpus: &Corpus) -> String {
    let of = |wanted: &dyn Fn(Kind) -> bool| corpus.clips.iter().filter(|clip| wanted(clip.kind)).count();
    let said = of(&|kind| kind == Kind::Natural);
    if said == 0 {
        return "not measured: they are not installed".to_string();
    }
    let slips = of(&|kind| matches!(kind, Kind::Near(change) if natural::is_slip(change)));
    format!(
        "{} voices of Kokoro-82M (Apache-2.0), at 0.85 to 1.25 of their own pace, say the 40 phrases and a newcomer's own of \
         two to four words ({said} utterances), and {slips} slips as people make them (n't in or out, another tense, place, \
         value, number or form). The other half of the voices and of the newcomer's phrases tuned",
        natural::voices(Half::Reporting).len()
    )
}

fn quantile(sorted: &[f32], share: f64) -> f32 {
    match sorted.len() {
        0 => f32::NAN,
        count => sorted[((count - 1) as f64 * share).round() as usize],
    }
}
