//! How far apart two phone sequences are for our own network: an edit distance whose costs are confusions that were
//! measured (`confusions.tsv`, written by `cargo bench --bench listen -- --confuse`).
//!
//! Owns the table, the distance and the alignment. Must not know words, phrases or what follows from a distance.

use crate::procedure::parse::ARPABET;

/// Number of phones.
pub const COUNT: usize = ARPABET.len();
/// In the table: no phone.
const NOTHING: &str = "-";
/// Phones of a text that need no memory of their own to be compared.
const FEW: usize = 63;
const MEASURED: &str = include_str!("confusions.tsv");

/// What it costs, in nats, that the network writes one phone where another was said. Writing the right phone costs 0.
#[derive(Debug, Clone, PartialEq)]
pub struct Costs {
    /// said x written
    other: Vec<[f32; COUNT]>,
    /// Said and not written.
    lost: [f32; COUNT],
    /// Written where nothing was said, a place between two phones.
    added: [f32; COUNT],
}

/// Probabilities: of each phone said, what is written.
#[derive(Debug, Clone, PartialEq)]
pub struct Confusions {
    /// said x written, the last column is nothing.
    pub written: Vec<[f64; COUNT + 1]>,
    /// Of each place between two phones: a phone too many.
    pub added: [f64; COUNT],
}

impl Confusions {
    /// The measured ones.
    pub fn measured() -> Confusions {
        // A test reads the same text; it is part of the program.
        Confusions::parse(MEASURED).expect("confusions.tsv is checked by a test")
    }

    /// Lines of phone said, phone written, probability; `-` is no phone; `#` begins a remark.
    ///
    /// # Errors
    /// The first line that is not so, or what is missing.
    pub fn parse(text: &str) -> Result<Confusions, String> {
        let mut all = Confusions { written: vec![[f64::NAN; COUNT + 1]; COUNT], added: [f64::NAN; COUNT] };
        for line in text.lines().filter(|line| !line.starts_with('#')) {
            let wrong = || format!("{line:?}: not two phones and a probability");
            let mut parts = line.split('\t');
            let (said, written) = (parts.next().ok_or_else(wrong)?, parts.next().ok_or_else(wrong)?);
            let share: f64 = parts.next().and_then(|share| share.parse().ok()).ok_or_else(wrong)?;
            if !(share > 0.0 && share <= 1.0) {
                return Err(wrong());
            }
            let index = |phone: &str| ARPABET.iter().position(|known| *known == phone);
            match (index(said), index(written)) {
                (Some(said), Some(written)) => all.written[said][written] = share,
                (Some(said), None) if written == NOTHING => all.written[said][COUNT] = share,
                (None, Some(written)) if said == NOTHING => all.added[written] = share,
                _ => return Err(wrong()),
            }
        }
        let known = all.written.iter().flatten().chain(&all.added).all(|share| share.is_finite());
        if known {
            Ok(all)
        } else {
            Err("not every pair of phones has a line".to_string())
        }
    }

    /// The same as text.
    pub fn lines(&self) -> String {
        let mut out = String::new();
        let name = |index: usize| ARPABET.get(index).copied().unwrap_or(NOTHING);
        for (said, row) in self.written.iter().enumerate() {
            for (written, share) in row.iter().enumerate() {
                out += &format!("{}\t{}\t{share:.6}\n", name(said), name(written));
            }
        }
        for (written, share) in self.added.iter().enumerate() {
            out += &format!("{NOTHING}\t{}\t{share:.6}\n", name(written));
        }
        out
    }

    /// A phone that is written for another costs by how much less probable that is than the right one.
    pub fn costs(&self) -> Costs {
        let nothing_added = 1.0 - self.added.iter().sum::<f64>();
        let cost = |right: f64, wrong: f64| ((right / wrong).ln() as f32).max(0.0);
        let row = |said: usize| {
            let mut row = [0.0; COUNT];
            for (written, value) in row.iter_mut().enumerate() {
                *value = cost(self.written[said][said], self.written[said][written]);
            }
            row[said] = 0.0;
            row
        };
        let mut lost = [0.0; COUNT];
        let mut added = [0.0; COUNT];
        for phone in 0..COUNT {
            lost[phone] = cost(self.written[phone][phone], self.written[phone][COUNT]);
            added[phone] = cost(nothing_added, self.added[phone]);
        }
        Costs { other: (0..COUNT).map(row).collect(), lost, added }
    }
}

impl Costs {
    /// Every difference costs 1: the plain edit distance.
    pub fn plain() -> Costs {
        let row = |said: usize| {
            let mut row = [1.0; COUNT];
            row[said] = 0.0;
            row
        };
        Costs { other: (0..COUNT).map(row).collect(), lost: [1.0; COUNT], added: [1.0; COUNT] }
    }

    /// The least that must go wrong, in nats, for `said` to be written as `written`; infinity when it is more than `most`.
    ///
    /// Only cells that can still end below `most` are worked out (Ukkonen 1985): thousands of pairs are far apart.
    pub fn distance(&self, said: &[u8], written: &[u8], most: f32) -> f32 {
        let end = written.len();
        let mut few = [f32::INFINITY; FEW + 1];
        let mut many = Vec::new();
        let row: &mut [f32] = if end <= FEW {
            &mut few[..=end]
        } else {
            many.resize(end + 1, f32::INFINITY);
            &mut many
        };
        // Cells outside `low..=high` hold infinity.
        let (mut low, mut high) = (0, 0);
        row[0] = 0.0;
        while high < end {
            let more = row[high] + self.added[usize::from(written[high])];
            if more > most {
                break;
            }
            high += 1;
            row[high] = more;
        }
        for phone in said {
            let (lost, other) = (self.lost[usize::from(*phone)], &self.other[usize::from(*phone)]);
            let mut diagonal = if low == 0 { f32::INFINITY } else { row[low - 1] };
            let mut left = f32::INFINITY;
            let (mut first, mut last) = (usize::MAX, 0);
            for at in low..=end {
                let mut value = row[at] + lost;
                if at > 0 {
                    let heard = usize::from(written[at - 1]);
                    value = value.min(diagonal + other[heard]).min(left + self.added[heard]);
                }
                diagonal = row[at];
                if value <= most {
                    (first, last) = (first.min(at), at);
                } else {
                    value = f32::INFINITY;
                }
                row[at] = value;
                left = value;
                // Beyond the old cells only additions lead on.
                if at > high && value == f32::INFINITY {
                    break;
                }
            }
            if first == usize::MAX {
                return f32::INFINITY;
            }
            (low, high) = (first, last);
        }
        if high == end {
            row[end]
        } else {
            f32::INFINITY
        }
    }

    /// Which phone stands for which on the cheapest way.
    pub fn align(&self, said: &[u8], written: &[u8]) -> Vec<(Option<u8>, Option<u8>)> {
        let width = written.len() + 1;
        let mut cost = vec![0.0f32; (said.len() + 1) * width];
        let lost = |at: usize| self.lost[usize::from(said[at])];
        let added = |at: usize| self.added[usize::from(written[at])];
        let other = |s: usize, w: usize| self.other[usize::from(said[s])][usize::from(written[w])];
        for s in 0..=said.len() {
            for w in 0..width {
                let mut best = if s == 0 && w == 0 { 0.0 } else { f32::INFINITY };
                if s > 0 {
                    best = best.min(cost[(s - 1) * width + w] + lost(s - 1));
                }
                if w > 0 {
                    best = best.min(cost[s * width + w - 1] + added(w - 1));
                }
                if s > 0 && w > 0 {
                    best = best.min(cost[(s - 1) * width + w - 1] + other(s - 1, w - 1));
                }
                cost[s * width + w] = best;
            }
        }
        let (mut s, mut w) = (said.len(), written.len());
        let mut pairs = Vec::with_capacity(s.max(w));
        while s > 0 || w > 0 {
            let here = cost[s * width + w];
            if s > 0 && w > 0 && here >= cost[(s - 1) * width + w - 1] + other(s - 1, w - 1) {
                (s, w) = (s - 1, w - 1);
                pairs.push((Some(said[s]), Some(written[w])));
            } else if s > 0 && here >= cost[(s - 1) * width + w] + lost(s - 1) {
                s -= 1;
                pairs.push((Some(said[s]), None));
            } else {
                w -= 1;
                pairs.push((None, Some(written[w])));
            }
        }
        pairs.reverse();
        pairs
    }
}

/// The index of a phone in ARPAbet, stress digit allowed.
pub fn index(phone: &str) -> Option<u8> {
    let bare = phone.trim_end_matches(|c: char| c.is_ascii_digit());
    ARPABET.iter().position(|known| *known == bare).map(|index| index as u8)
}

/// Phones for people to read.
pub fn names(phones: &[u8]) -> String {
    let names: Vec<&str> = phones.iter().map(|phone| ARPABET[usize::from(*phone)]).collect();
    names.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn phones(text: &str) -> Vec<u8> {
        text.split(' ').map(|phone| index(phone).unwrap()).collect()
    }

    #[test]
    fn the_measured_table_has_every_pair_and_its_rows_add_up_to_one() {
        let all = Confusions::measured();
        for row in &all.written {
            assert!((row.iter().sum::<f64>() - 1.0).abs() < 1e-3, "{row:?}");
        }
        assert!(all.added.iter().sum::<f64>() < 0.5);
        for line in ["AA\tAO", "AA\tQQ\t0.1", "-\t-\t0.1", "AA\tAO\t2.0", "AA\tAO\tx"] {
            assert!(Confusions::parse(line).unwrap_err().contains("not two phones"), "{line}");
        }
        assert!(Confusions::parse("AA\tAO\t0.5").unwrap_err().contains("not every pair"));
    }

    #[test]
    fn the_table_reads_back_as_it_was_written() {
        let all = Confusions::measured();
        assert_eq!(Confusions::parse(&all.lines()).unwrap(), all);
    }

    #[test]
    fn with_plain_costs_it_is_levenshtein_s_distance() {
        // The textbook's kitten and sitting, in phones: three edits apart (Levenshtein 1966).
        let costs = Costs::plain();
        let (kitten, sitting) = (phones("K IH T EH N"), phones("S IH T IH N G"));
        assert_eq!(costs.distance(&kitten, &sitting, 99.0), 3.0);
        assert_eq!(costs.distance(&kitten, &kitten, 99.0), 0.0);
        assert_eq!(costs.distance(&kitten, &[], 99.0), 5.0);
        assert_eq!(costs.distance(&kitten, &sitting, 1.0), f32::INFINITY);
    }

    #[test]
    fn the_alignment_costs_what_the_distance_says_and_holds_both_sequences() {
        let costs = Confusions::measured().costs();
        let (on, dawn) = (phones("G L AH V Z AA N"), phones("G L AH V D AO N Z"));
        let pairs = costs.align(&on, &dawn);
        let said: Vec<u8> = pairs.iter().filter_map(|pair| pair.0).collect();
        let written: Vec<u8> = pairs.iter().filter_map(|pair| pair.1).collect();
        assert_eq!((said, written), (on, dawn));
    }

    proptest! {
        #[test]
        fn the_distance_is_that_of_the_peer_for_plain_costs(
            a in proptest::collection::vec(0u8..39, 0..12), b in proptest::collection::vec(0u8..39, 0..12)
        ) {
            // The peer: strsim, a crate of string distances.
            struct Of<'a>(&'a [u8]);
            impl<'a> IntoIterator for &'a Of<'_> {
                type Item = &'a u8;
                type IntoIter = std::slice::Iter<'a, u8>;
                fn into_iter(self) -> Self::IntoIter { self.0.iter() }
            }
            let peer = strsim::generic_levenshtein(&Of(&a), &Of(&b)) as f32;
            prop_assert_eq!(Costs::plain().distance(&a, &b, 99.0), peer);
            for most in 0..8 {
                let bounded = Costs::plain().distance(&a, &b, most as f32);
                prop_assert_eq!(bounded, if peer <= most as f32 { peer } else { f32::INFINITY });
            }
            let measured = Confusions::measured().costs();
            let pairs = measured.align(&a, &b);
            let sum: f32 = pairs.iter().map(|pair| match *pair {
                (Some(a), Some(b)) => measured.other[usize::from(a)][usize::from(b)],
                (Some(a), None) => measured.lost[usize::from(a)],
                (None, Some(b)) => measured.added[usize::from(b)],
                (None, None) => f32::NAN,
            }).sum();
            prop_assert!((sum - measured.distance(&a, &b, f32::INFINITY)).abs() < 1e-3);
        }
    }
}
