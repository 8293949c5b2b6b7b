//! Weighs phrases: how probable it is that exactly this was said, against the others and against anything else.
//!
//! Owns what is asked of the network. Must not know what follows from a weight.
//! A phrase's weight is the log-probability of its text, its end included, summed over the ways of writing it. All texts
//! stand in one tree, so that a common beginning is weighed once. A rival whose first differing token makes it too
//! improbable already is not followed further: its weight can only be less than what it has at that token.

use super::net::{Grown, Net, Sound, Tree};
use super::text::{said_once, says_only, words_of, Text, Writing};
use crate::listen::engine::{Asked, Rival, Weighed};
use std::collections::HashMap;

/// A share of a phrase's weight that may be left out of its rivals'.
const SLIGHT: f32 = 0.01;
/// Rivals this many nats below the phrase are not followed to their end.
const FAR: f32 = 8.0;
/// Free hypotheses that are followed, how far below the phrase they may be (from 4 nats on they count as one: evidence.rs), and
/// for how many tokens more than the phrase has: what goes on longer is the network repeating itself, and stays at its bound.
const FREE: usize = 3;
const FREE_FAR: f32 = 5.0;
const LONGER: usize = 4;
/// Tokens weighed in one run for rivals; the least probable ones are left at their bound.
const MOST_NODES: usize = 160;
/// Rivals that are told of at most.
const MOST_RIVALS: usize = 12;
/// Stands for a weight of nothing.
const NOTHING: f32 = -99.0;

/// One utterance, and a tree of what stands before every text.
pub struct Begun {
    sound: Sound,
    context: String,
    /// The last of its tokens.
    root: usize,
    grown: Grown,
}

/// Takes in an utterance and its context, while the first ear is at it.
pub fn begin(net: &mut Net, text: &mut Text, sound: Sound, context: String) -> Result<Begun, String> {
    let scales = Scales::new(net, text, &sound, &context)?;
    let (root, grown) = (scales.root, scales.tree.into_grown());
    Ok(Begun { sound, context, root, grown })
}

/// Weighs what is asked against one utterance.
pub fn weigh(net: &mut Net, text: &mut Text, begun: &Begun, asked: &Asked) -> Result<Weighed, String> {
    let mut scales = match begun.context == asked.context {
        true => Scales::on(net, text, begun),
        false => Scales::new(net, text, &begun.sound, &asked.context)?,
    };
    scales.answer(asked)
}

fn asked_about(text: &str, log_p: f32) -> Rival {
    Rival { text: text.to_string(), log_p, free: false, asked: true }
}

/// Keeps the nearest rivals, best first.
fn keep_near(weighed: &mut Weighed) {
    weighed.rivals.sort_by(|a, b| b.log_p.total_cmp(&a.log_p));
    let near = weighed.weight - FAR;
    let mut kept = 0;
    weighed.rivals.retain(|rival| {
        kept += 1;
        kept == 1 || (kept <= MOST_RIVALS && rival.log_p >= near)
    });
}

/// What was asked about and also written freely, in a way of its own ('apron, tight'), is one text.
fn join_same(rivals: &mut Vec<Rival>) {
    let mut places: HashMap<String, usize> = HashMap::new();
    let mut joined: Vec<Rival> = Vec::with_capacity(rivals.len());
    for rival in rivals.drain(..) {
        match places.get(&rival.text) {
            Some(at) => {
                let one = &mut joined[*at];
                one.log_p = sum([one.log_p, rival.log_p].into_iter());
                (one.asked, one.free) = (one.asked || rival.asked, one.free || rival.free);
            }
            None => {
                places.insert(rival.text.clone(), joined.len());
                joined.push(rival);
            }
        }
    }
    *rivals = joined;
}

struct Scales<'a> {
    tree: Tree<'a>,
    text: &'a mut Text,
    /// The last of the tokens that stand before every text.
    root: usize,
    children: HashMap<(usize, u32), usize>,
}

impl<'a> Scales<'a> {
    fn new(
        net: &'a mut Net,
        text: &'a mut Text,
        sound: &'a Sound,
        context: &str,
    ) -> Result<Scales<'a>, String> {
        let before = text.before(context);
        let tree = Tree::begin(net, sound, &before)?;
        Ok(Scales { root: before.len() - 1, tree, text, children: HashMap::new() })
    }

    fn on(net: &'a mut Net, text: &'a mut Text, begun: &'a Begun) -> Scales<'a> {
        let tree = Tree::on(net, &begun.sound, begun.grown.clone());
        Scales { root: begun.root, tree, text, children: HashMap::new() }
    }

    fn answer(&mut self, asked: &Asked) -> Result<Weighed, String> {
        let phrases: Vec<Vec<Writing>> =
            asked.phrases.iter().map(|phrase| self.text.writings(phrase)).collect();
        let writings: Vec<&Writing> = phrases.iter().flatten().collect();
        self.put_in(&writings, true)?;
        let log_p: Vec<f32> = phrases.iter().map(|writings| self.weight(writings)).collect();
        let by_both = |at: &usize| log_p[*at] + asked.leaning.get(*at).copied().unwrap_or(0.0);
        let Some(chosen) = (0..log_p.len()).max_by(|a, b| by_both(a).total_cmp(&by_both(b))) else {
            return Ok(Weighed::default());
        };
        let mut weighed = Weighed { chosen, log_p, ..Weighed::default() };
        self.worst_word(&asked.phrases[chosen], &phrases[chosen], &mut weighed);
        let others = asked.phrases.iter().zip(&weighed.log_p).enumerate().filter(|(at, _)| *at != chosen);
        weighed.rivals = others.map(|(_, (text, log_p))| asked_about(text, *log_p)).collect();
        let rivals = asked.rivals.get(chosen).map_or(&[][..], |rivals| rivals.as_slice());
        let rivals: Vec<&String> =
            rivals.iter().chain(&asked.nearest).filter(|rival| !asked.phrases.contains(rival)).collect();
        self.against(&phrases[chosen], &rivals, &mut weighed)?;
        if asked.at_once {
            weighed.weight = weighed.log_p[chosen];
        } else {
            self.free(&asked.phrases[chosen], &phrases[chosen], &mut weighed)?;
        }
        keep_near(&mut weighed);
        Ok(weighed)
    }

    /// Puts texts in, each without and, if that is wanted, with a full stop after it.
    fn put_in(&mut self, writings: &[&Writing], stopped: bool) -> Result<(), String> {
        let stop = stopped.then_some(self.text.marks.full_stop);
        let mut new = Vec::new();
        for writing in writings {
            self.chain(self.root, writing.words.concat().into_iter().chain(stop), &mut new);
        }
        self.tree.grow(&new)
    }

    /// Puts tokens one after the other behind a node; those that are not in the tree yet are to be grown.
    fn chain(&mut self, from: usize, tokens: impl Iterator<Item = u32>, new: &mut Vec<(u32, Option<usize>)>) {
        let mut at = from;
        for token in tokens {
            let next = self.tree.len() + new.len();
            at = *self.children.entry((at, token)).or_insert_with(|| {
                new.push((token, Some(at)));
                next
            });
        }
    }

    /// The node at the end of each word of a writing that is in the tree.
    fn word_ends(&self, writing: &Writing) -> Vec<usize> {
        let mut at = self.root;
        let mut ends = Vec::with_capacity(writing.words.len());
        for word in &writing.words {
            word.iter().for_each(|token| at = self.children[&(at, *token)]);
            ends.push(at);
        }
        ends
    }

    /// Of writings that are in the tree.
    fn weight(&self, writings: &[Writing]) -> f32 {
        sum(self.ways(writings).into_iter().flat_map(|(bare, stopped)| std::iter::once(bare).chain(stopped)))
    }

    /// What each writing weighs without a full stop and, if that is in the tree, with one.
    fn ways(&self, writings: &[Writing]) -> Vec<(f32, Option<f32>)> {
        let weight = |last: usize| self.tree.node(last).log_p + self.tree.next(last, self.text.marks.end);
        let lasts = writings.iter().filter_map(|writing| self.word_ends(writing).last().copied());
        let stop = |last: usize| self.children.get(&(last, self.text.marks.full_stop)).copied();
        lasts.map(|last| (weight(last), stop(last).map(weight))).collect()
    }

    /// Whether the network would end this phrase with a full stop to any weight: as it ends one phrase, it ends its rivals.
    fn stopped(&self, phrase: &[Writing]) -> bool {
        let stopped = sum(self.ways(phrase).into_iter().filter_map(|(_, stopped)| stopped));
        stopped - self.weight(phrase) > SLIGHT.ln()
    }

    /// How probable each word is after those before it, summed over the ways of writing them; what ends the text counts
    /// as one more word.
    fn worst_word(&self, phrase: &str, writings: &[Writing], weighed: &mut Weighed) {
        let ends: Vec<Vec<usize>> = writings.iter().map(|writing| self.word_ends(writing)).collect();
        let words: Vec<&str> = phrase.split(' ').collect();
        let mut before = 0.0;
        weighed.worst = 0.0;
        for (at, word) in words.iter().enumerate() {
            let until =
                sum(ends.iter().filter_map(|ends| ends.get(at)).map(|node| self.tree.node(*node).log_p));
            weighed.words.push(until - before);
            if until - before < weighed.worst {
                (weighed.worst, weighed.worst_word) = (until - before, word.to_string());
            }
            before = until;
        }
        weighed.end = self.weight(writings) - before;
    }

    /// Rivals: each followed only while it can still come near the phrase.
    fn against(
        &mut self,
        phrase: &[Writing],
        rivals: &[&String],
        weighed: &mut Weighed,
    ) -> Result<(), String> {
        let least = self.weight(phrase) - FAR;
        let mut near: Vec<(f32, &String, Vec<Writing>)> = Vec::new();
        for rival in rivals {
            let writings = self.text.writings(rival);
            let bound = sum(writings.iter().map(|writing| self.bound(writing)));
            match bound < least {
                true => weighed.rivals.push(asked_about(rival, bound)),
                false => near.push((bound, rival, writings)),
            }
        }
        near.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut room = MOST_NODES;
        near.retain(|(bound, rival, writings)| {
            let tokens: usize = writings.iter().map(Writing::tokens).sum();
            let kept = tokens <= room;
            room = if kept { room - tokens } else { 0 };
            if !kept {
                weighed.rivals.push(asked_about(rival, *bound));
            }
            kept
        });
        let writings: Vec<&Writing> = near.iter().flat_map(|(_, _, writings)| writings).collect();
        let stopped = self.stopped(phrase);
        self.put_in(&writings, stopped)?;
        for (_, rival, writings) in &near {
            weighed.rivals.push(asked_about(rival, self.weight(writings)));
        }
        Ok(())
    }

    /// The most that a writing can weigh: what is in the tree of it, and its next token.
    fn bound(&self, writing: &Writing) -> f32 {
        let mut at = self.root;
        for token in writing.words.iter().flatten() {
            match self.children.get(&(at, *token)) {
                Some(next) => at = *next,
                None => return self.tree.node(at).log_p + self.tree.next(at, *token),
            }
        }
        self.tree.node(at).log_p
    }

    /// What the network itself would have written instead: from every place of the phrase where another token is likely,
    /// the likeliest way on. Where that says the phrase too, in another writing or once more, it counts for the phrase.
    fn free(&mut self, phrase: &str, writings: &[Writing], weighed: &mut Weighed) -> Result<(), String> {
        let weight = weighed.log_p[weighed.chosen];
        let least = weight - FREE_FAR;
        let mut ways = self.branches(writings, least);
        let most = writings.iter().map(Writing::tokens).max().unwrap_or(1) - 1 + LONGER;
        let written: Vec<Vec<u32>> = writings.iter().map(|writing| writing.words.concat()).collect();
        while ways.iter().any(|way| way.goes_on(most)) {
            self.follow(&mut ways, most, least, &written)?;
        }
        let wanted = words_of(phrase);
        let mut same = vec![weight];
        let mut told: HashMap<Vec<String>, Vec<f32>> = HashMap::new();
        for way in &ways {
            let written = self.text.read(&way.written);
            let words = words_of(&written);
            let ended = way.written.last() == Some(&self.text.marks.end);
            if says_only(&words, &wanted, ended) && (ended || way.going) {
                same.push(way.log_p);
            } else {
                told.entry(said_once(words, ended)).or_default().push(way.log_p);
            }
        }
        weighed.weight = sum(same.into_iter());
        for (words, weights) in told {
            let text = if words.is_empty() { "(nothing)".to_string() } else { words.join(" ") };
            let log_p = sum(weights.into_iter());
            weighed.rivals.push(Rival { text, log_p, free: true, asked: false });
        }
        join_same(&mut weighed.rivals);
        Ok(())
    }

    /// The likeliest tokens beside the phrase's own.
    fn branches(&self, writings: &[Writing], least: f32) -> Vec<Way> {
        let marks = &self.text.marks;
        let mut own: HashMap<usize, Vec<u32>> = HashMap::new();
        for writing in writings {
            let mut at = self.root;
            for token in writing.words.concat() {
                own.entry(at).or_default().push(token);
                at = self.children[&(at, token)];
            }
            own.entry(at).or_default().extend([marks.full_stop, marks.end]);
            if let Some(stop) = self.children.get(&(at, marks.full_stop)) {
                own.entry(*stop).or_default().push(marks.end);
            }
        }
        let mut ways: Vec<Way> = Vec::new();
        for (at, own) in &own {
            let node = self.tree.node(*at);
            for (token, log_p) in &node.next {
                let skip = own.contains(token) || (self.text.is_mark(*token) && *token != marks.end);
                if !skip && node.log_p + log_p > least {
                    let mut written = self.tree.path(*at)[self.root + 1..].to_vec();
                    written.push(*token);
                    ways.push(Way {
                        written,
                        parent: *at,
                        log_p: node.log_p + log_p,
                        going: *token != marks.end,
                    });
                }
            }
        }
        ways.sort_by(|a, b| b.log_p.total_cmp(&a.log_p));
        ways.truncate(FREE);
        ways
    }

    /// At least one token further, each of those still going that has fewer than `most`. Most go on as the phrase does, so that
    /// much of it is put in with each at once: a run of the network takes about as long for eight tokens as for one.
    fn follow(
        &mut self,
        ways: &mut [Way],
        most: usize,
        least: f32,
        phrase: &[Vec<u32>],
    ) -> Result<(), String> {
        let mut new = Vec::new();
        for way in ways.iter().filter(|way| way.goes_on(most)) {
            let tokens = way.written.last().into_iter().chain(way.as_in(phrase));
            self.chain(way.parent, tokens.copied(), &mut new);
        }
        self.tree.grow(&new)?;
        for way in ways {
            while way.goes_on(most) {
                let Some(at) = way.written.last().and_then(|token| self.children.get(&(way.parent, *token)))
                else {
                    break;
                };
                let (at, node) = (*at, self.tree.node(*at));
                let end = self.text.marks.end;
                let next = node.next.iter().find(|(token, _)| *token == end || !self.text.is_mark(*token));
                match next {
                    Some((token, log_p)) => {
                        way.parent = at;
                        way.log_p = node.log_p + log_p;
                        way.written.push(*token);
                        // What has become improbable is left where it is: its weight is a bound.
                        way.going = *token != end && way.log_p > least;
                    }
                    None => way.going = false,
                }
            }
        }
        Ok(())
    }
}

/// A text that the network goes on with by itself.
struct Way {
    /// Without what stands before every text.
    written: Vec<u32>,
    /// Node of the last token but one.
    parent: usize,
    log_p: f32,
    going: bool,
}

impl Way {
    fn goes_on(&self, most: usize) -> bool {
        self.going && self.written.len() < most
    }

    /// What would come now if it went on as one of the ways of writing the phrase: behind the last token, if that stands there
    /// too, or else behind the one in whose place it stands.
    fn as_in<'p>(&self, phrase: &'p [Vec<u32>]) -> &'p [u32] {
        let Some((last, before)) = self.written.split_last() else { return &[] };
        let common = |tokens: &&Vec<u32>| tokens.iter().zip(before).take_while(|(a, b)| a == b).count();
        let Some(tokens) = phrase.iter().max_by_key(common) else { return &[] };
        let place = tokens.iter().skip(before.len().saturating_sub(1)).position(|token| token == last);
        let from = place.map_or(before.len(), |at| before.len().saturating_sub(1) + at) + 1;
        tokens.get(from..).unwrap_or_default()
    }
}

/// Log of the sum of probabilities given by their logs.
fn sum(logs: impl Iterator<Item = f32>) -> f32 {
    let logs: Vec<f32> = logs.collect();
    let most = logs.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    if most == f32::NEG_INFINITY {
        return NOTHING;
    }
    (most + logs.iter().map(|log| (log - most).exp()).sum::<f32>().ln()).max(NOTHING)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_goes_on_as_the_phrase_does_is_known_in_advance() {
        let phrase = [vec![1, 2, 3, 4], vec![11, 2, 3, 4]];
        let after = |written: &[u32]| {
            let way = Way { written: written.to_vec(), parent: 0, log_p: 0.0, going: true };
            way.as_in(&phrase).to_vec()
        };
        assert_eq!(after(&[1, 9]), [3, 4], "another token in one's place");
        assert_eq!(after(&[1, 3]), [4], "one left out");
        assert_eq!(after(&[1, 9, 2]), [3, 4], "one more");
        assert_eq!(after(&[11, 2]), [3, 4], "in the other way of writing");
        assert!(after(&[1, 2, 3, 4]).is_empty(), "at its end");
        assert!(after(&[1, 2, 3, 4, 1, 2]).is_empty(), "once more");
        assert!(after(&[]).is_empty());
    }
}
