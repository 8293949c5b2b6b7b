//! Connectionist temporal classification (Graves et al. 2006, ICML, section 4.1): the probability that a frame sequence
//! says a phone sequence, summed over all alignments, in log space, for many sequences at once.
//!
//! All sequences share one prefix tree, so phrases and the decoys derived from them are scored together. A node holds
//! two states: its phone being said, and the blank after it. Pure arithmetic: must not know what the symbols mean.

/// Log-probabilities of one frame: one per symbol, the blank apart.
pub struct Frames<'a> {
    /// frames x symbols, row by row.
    pub symbols: &'a [f32],
    /// One per frame.
    pub blank: &'a [f32],
    pub symbol_count: usize,
}

const NEVER: f32 = f32::NEG_INFINITY;
const ROOT: u32 = 0;

#[derive(Debug, Clone, Copy)]
struct Node {
    parent: u32,
    symbol: u8,
    /// The parent says the same symbol, so a blank must stand between.
    repeats: bool,
}

/// A prefix tree of symbol sequences.
pub struct Tree {
    nodes: Vec<Node>,
    children: Vec<Vec<u32>>,
}

impl Tree {
    pub fn new() -> Tree {
        Tree {
            nodes: vec![Node { parent: ROOT, symbol: u8::MAX, repeats: false }],
            children: vec![Vec::new()],
        }
    }

    /// Adds a sequence and returns its leaf.
    pub fn insert(&mut self, sequence: &[u8]) -> u32 {
        sequence.iter().fold(ROOT, |node, symbol| self.child(node, *symbol))
    }

    fn child(&mut self, parent: u32, symbol: u8) -> u32 {
        let siblings = &self.children[parent as usize];
        if let Some(found) = siblings.iter().find(|child| self.nodes[**child as usize].symbol == symbol) {
            return *found;
        }
        let new = self.nodes.len() as u32;
        let repeats = parent != ROOT && self.nodes[parent as usize].symbol == symbol;
        self.nodes.push(Node { parent, symbol, repeats });
        self.children.push(Vec::new());
        self.children[parent as usize].push(new);
        new
    }

    /// Log-probability of each node's whole sequence over all frames (index = node).
    pub fn score(&self, frames: &Frames) -> Vec<f32> {
        let count = self.nodes.len();
        let mut said = vec![NEVER; count];
        let mut blank = vec![NEVER; count];
        blank[0] = 0.0;
        for (t, blank_now) in frames.blank.iter().enumerate() {
            let row = &frames.symbols[t * frames.symbol_count..(t + 1) * frames.symbol_count];
            self.advance(row, *blank_now, &mut said, &mut blank);
        }
        said.iter().zip(&blank).map(|(a, b)| log_add(*a, *b)).collect()
    }

    /// One frame. Children come after parents, so going backwards each node still sees its parent's last frame.
    fn advance(&self, row: &[f32], blank_now: f32, said: &mut [f32], blank: &mut [f32]) {
        for index in (1..self.nodes.len()).rev() {
            let node = self.nodes[index];
            let parent = node.parent as usize;
            let stay = said[index];
            let mut into = log_add(stay, blank[parent]);
            if !node.repeats {
                into = log_add(into, said[parent]);
            }
            if stay > NEVER || blank[index] > NEVER {
                blank[index] = log_add(blank[index], stay) + blank_now;
            }
            said[index] = into + row[usize::from(node.symbol)];
        }
        blank[0] += blank_now;
    }
}

/// ln(e^a + e^b).
#[inline]
pub fn log_add(a: f32, b: f32) -> f32 {
    let (high, low) = if a > b { (a, b) } else { (b, a) };
    let apart = high - low;
    // Beyond 15 nats the smaller one changes the sum by less than one part in 3 million. Also catches -inf and NaN.
    if apart < 15.0 {
        high + (-apart).exp().ln_1p()
    } else {
        high
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sum over every path of `frames` symbols (blank = last index) that collapses to `wanted`: the definition, not
    /// the recursion.
    fn brute_force(probabilities: &[Vec<f64>], wanted: &[u8]) -> f64 {
        let blank = probabilities[0].len() - 1;
        let mut total = 0.0;
        let mut path = vec![0usize; probabilities.len()];
        loop {
            if collapse(&path, blank) == wanted {
                total += path.iter().enumerate().map(|(t, s)| probabilities[t][*s]).product::<f64>();
            }
            let mut digit = 0;
            loop {
                if digit == path.len() {
                    return total;
                }
                path[digit] += 1;
                if path[digit] <= blank {
                    break;
                }
                path[digit] = 0;
                digit += 1;
            }
        }
    }

    fn collapse(path: &[usize], blank: usize) -> Vec<u8> {
        let mut out = Vec::new();
        let mut last = usize::MAX;
        for symbol in path {
            if *symbol != last && *symbol != blank {
                out.push(*symbol as u8);
            }
            last = *symbol;
        }
        out
    }

    fn frames(probabilities: &[Vec<f64>]) -> (Vec<f32>, Vec<f32>) {
        let blank = probabilities[0].len() - 1;
        let symbols =
            probabilities.iter().flat_map(|row| row[..blank].iter().map(|p| p.ln() as f32)).collect();
        (symbols, probabilities.iter().map(|row| row[blank].ln() as f32).collect())
    }

    fn score(probabilities: &[Vec<f64>], sequences: &[&[u8]]) -> Vec<f32> {
        let mut tree = Tree::new();
        let leaves: Vec<u32> = sequences.iter().map(|s| tree.insert(s)).collect();
        let (symbols, blank) = frames(probabilities);
        let all = tree.score(&Frames {
            symbols: &symbols,
            blank: &blank,
            symbol_count: probabilities[0].len() - 1,
        });
        leaves.iter().map(|leaf| all[*leaf as usize]).collect()
    }

    fn table(frames: usize, symbols: usize, seed: u64) -> Vec<Vec<f64>> {
        let mut x = seed;
        (0..frames)
            .map(|_| {
                let row: Vec<f64> = (0..=symbols)
                    .map(|_| {
                        x = x.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                        0.05 + (x >> 40) as f64 / (1u64 << 24) as f64
                    })
                    .collect();
                let sum: f64 = row.iter().sum();
                row.iter().map(|p| p / sum).collect()
            })
            .collect()
    }

    #[test]
    fn the_lattice_sum_is_the_sum_over_all_alignments() {
        let sequences: [&[u8]; 8] = [&[0], &[1], &[0, 1], &[1, 0], &[0, 0], &[1, 1, 0], &[0, 1, 0], &[2, 2]];
        for seed in 1..=20 {
            for length in 2..=6 {
                let probabilities = table(length, 3, seed);
                for (sequence, got) in sequences.iter().zip(score(&probabilities, &sequences)) {
                    let wanted = brute_force(&probabilities, sequence);
                    assert!(
                        (f64::from(got).exp() - wanted).abs() < 1e-5 * wanted.max(1e-3),
                        "seed {seed}, {length} frames, {sequence:?}: {} is not {wanted}",
                        f64::from(got).exp()
                    );
                }
            }
        }
    }

    /// The recursion of Graves et al. 2006 (equations 5 to 8) worked by hand for the label 'ab' over three frames with
    /// p(a) = .6 .3 .1, p(b) = .1 .3 .6, p(blank) = .3 .4 .3.
    /// alpha_1 = (.3, .6, 0, 0, 0);
    /// alpha_2 = (.12, (.3+.6)*.3 = .27, .6*.4 = .24, (.6+0)*.3 = .18, 0);
    /// alpha_3: label b = (.18 + .24 + .27)*.6 = .414, last blank = (0 + .18)*.3 = .054; sum .468.
    #[test]
    fn the_recursion_gives_the_hand_worked_example() {
        let probabilities = vec![vec![0.6, 0.1, 0.3], vec![0.3, 0.3, 0.4], vec![0.1, 0.6, 0.3]];
        let got = f64::from(score(&probabilities, &[&[0, 1]])[0]).exp();
        assert!((got - 0.468).abs() < 1e-6, "{got}");
    }

    #[test]
    fn a_repeated_symbol_needs_a_blank_between() {
        let probabilities = vec![vec![1.0, 0.0]; 3];
        assert_eq!(score(&probabilities, &[&[0, 0]])[0], f32::NEG_INFINITY);
        assert!(score(&probabilities, &[&[0]])[0].abs() < 1e-6);
    }

    #[test]
    fn sequences_with_one_beginning_share_nodes() {
        let mut tree = Tree::new();
        tree.insert(&[1, 2, 3]);
        tree.insert(&[1, 2, 4]);
        // The root, 1, 1-2 and the two leaves.
        assert_eq!(tree.nodes.len(), 5);
    }

    #[test]
    fn adding_logs_keeps_never_and_large_differences() {
        assert_eq!(log_add(f32::NEG_INFINITY, f32::NEG_INFINITY), f32::NEG_INFINITY);
        assert_eq!(log_add(-1.0, f32::NEG_INFINITY), -1.0);
        assert!((log_add(0.5f32.ln(), 0.25f32.ln()) - 0.75f32.ln()).abs() < 1e-6);
    }
}
