//! Connectionist temporal classification (Graves et al. 2006, ICML, section 4.1): the probability that a frame sequence
//! says a phone sequence, summed over all alignments, for many sequences at once.
//!
//! All sequences share one prefix tree, so phrases and the decoys derived from them are scored together. A node holds
//! two states: its phone being said, and the blank after it. Pure arithmetic: must not know what the symbols mean.
//!
//! Sums run over plain probabilities, not their logarithms: three additions and two products a node and frame instead
//! of three exponentials and logarithms. That works because every frame comes divided by its best symbol, so a number
//! is a path's share of the best free path, and starts near the top of what an f64 holds: what falls out at its bottom
//! is over 1200 nats worse than the best free path, can only fall further, and scores as impossible.

/// Probabilities of each frame divided by that frame's best, so from 0 to 1: one per symbol, the blank apart.
pub struct Frames<'a> {
    /// frames x symbols, row by row.
    pub symbols: &'a [f64],
    /// One per frame.
    pub blank: &'a [f64],
    pub symbol_count: usize,
}

const ROOT: u32 = 0;
/// Numbers begin here, 2^900, to leave the more room below.
const START: f64 = f64::from_bits((1023 + 900) << 52);
/// Smaller numbers become 0: arithmetic below f64's normal range is slow.
const FLOOR: f64 = f64::MIN_POSITIVE;
/// A number can grow by at most 3 a frame, so between two looks by less than 10^8.
const LOOK_EVERY: usize = 16;
/// Above this, 2^960, everything is scaled down; 10^8 above it is still finite.
const CEILING: f64 = f64::from_bits((1023 + 960) << 52);
/// By this, 2^-100.
const DOWN: f64 = f64::from_bits((1023 - 100) << 52);

#[derive(Debug, Clone, Copy)]
struct Node {
    parent: u32,
    symbol: u8,
    /// The parent says the same symbol, so a blank must stand between.
    repeats: bool,
}

/// A node's two states.
#[derive(Debug, Clone, Copy, Default)]
struct State {
    said: f64,
    blank: f64,
}

/// What `Tree::score` found; kept by the caller and used again, so that scoring allocates nothing.
#[derive(Default)]
pub struct Totals {
    states: Vec<State>,
    /// Natural logarithm of the scale the states are in.
    scale: f64,
}

impl Totals {
    /// Log-probability of a node's whole sequence over all frames, less that of the best free path.
    pub fn log_of(&self, node: u32) -> f32 {
        let State { said, blank } = self.states[node as usize];
        // 0 gives negative infinity: impossible.
        ((said + blank).ln() - self.scale) as f32
    }
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

    /// Scores every node's whole sequence over all frames.
    pub fn score(&self, frames: &Frames, totals: &mut Totals) {
        totals.states.clear();
        totals.states.resize(self.nodes.len(), State::default());
        totals.states[0].blank = START;
        totals.scale = START.ln();
        // One entry for whatever a `u8` can be, so that looking a symbol up needs no check.
        let mut row = [0.0; 256];
        for (t, blank) in frames.blank.iter().enumerate() {
            let symbols = &frames.symbols[t * frames.symbol_count..(t + 1) * frames.symbol_count];
            row[..frames.symbol_count].copy_from_slice(symbols);
            self.advance(&row, *blank, &mut totals.states);
            if t % LOOK_EVERY == LOOK_EVERY - 1 {
                scale_down_if_high(totals);
            }
        }
    }

    /// One frame. Children come after parents, so going backwards each node still sees its parent's last frame.
    fn advance(&self, row: &[f64; 256], blank_now: f64, states: &mut [State]) {
        for index in (1..self.nodes.len()).rev() {
            let node = self.nodes[index];
            let parent = states[node.parent as usize];
            let own = &mut states[index];
            let carried = if node.repeats { 0.0 } else { parent.said };
            let into = own.said + parent.blank + carried;
            own.blank = normal((own.blank + own.said) * blank_now);
            own.said = normal(into * row[usize::from(node.symbol)]);
        }
        states[0].blank = normal(states[0].blank * blank_now);
    }
}

#[inline(always)]
fn normal(value: f64) -> f64 {
    if value < FLOOR {
        0.0
    } else {
        value
    }
}

/// Long stretches where nothing is likely have very many alignments, whose sum can pass the best single path by far.
fn scale_down_if_high(totals: &mut Totals) {
    let highest = totals.states.iter().map(|state| state.said.max(state.blank)).fold(0.0, f64::max);
    if highest > CEILING {
        for state in &mut totals.states {
            state.said = normal(state.said * DOWN);
            state.blank = normal(state.blank * DOWN);
        }
        totals.scale += DOWN.ln();
    }
}

#[cfg(test)]
pub(super) mod tests {
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

    /// The sequences' log-probabilities by the tree, the best free path's put back in.
    fn score(probabilities: &[Vec<f64>], sequences: &[&[u8]]) -> Vec<f64> {
        let mut tree = Tree::new();
        let leaves: Vec<u32> = sequences.iter().map(|s| tree.insert(s)).collect();
        let symbol_count = probabilities[0].len() - 1;
        let (mut symbols, mut blank, mut free) = (Vec::new(), Vec::new(), 0.0);
        for row in probabilities {
            let best = row.iter().copied().fold(0.0, f64::max);
            symbols.extend(row[..symbol_count].iter().map(|p| p / best));
            blank.push(row[symbol_count] / best);
            free += best.ln();
        }
        let mut totals = Totals::default();
        tree.score(&Frames { symbols: &symbols, blank: &blank, symbol_count }, &mut totals);
        leaves.iter().map(|leaf| f64::from(totals.log_of(*leaf)) + free).collect()
    }

    /// The same recursion in logarithms, one sequence at a time: slow, and without any limit of range.
    pub fn score_in_logs(probabilities: &[Vec<f64>], sequence: &[u8]) -> f64 {
        const NEVER: f64 = f64::NEG_INFINITY;
        fn add(a: f64, b: f64) -> f64 {
            let (high, low) = if a > b { (a, b) } else { (b, a) };
            if low == NEVER {
                high
            } else {
                high + (low - high).exp().ln_1p()
            }
        }
        let blank = probabilities[0].len() - 1;
        // Blank, symbol, blank, ... symbol, blank.
        let mut states = vec![NEVER; 2 * sequence.len() + 1];
        states[0] = 0.0;
        for row in probabilities {
            for index in (0..states.len()).rev() {
                let mut into = states[index];
                if index > 0 {
                    into = add(into, states[index - 1]);
                }
                if index % 2 == 1 && index > 1 && sequence[index / 2] != sequence[index / 2 - 1] {
                    into = add(into, states[index - 2]);
                }
                let symbol = if index % 2 == 1 { usize::from(sequence[index / 2]) } else { blank };
                states[index] = into + row[symbol].ln();
            }
        }
        let last = states.len() - 1;
        add(states[last], states[last - 1])
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
                        (got.exp() - wanted).abs() < 1e-5 * wanted.max(1e-3),
                        "seed {seed}, {length} frames, {sequence:?}: {} is not {wanted}",
                        got.exp()
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
        let got = score(&probabilities, &[&[0, 1]])[0].exp();
        assert!((got - 0.468).abs() < 1e-6, "{got}");
    }

    #[test]
    fn a_repeated_symbol_needs_a_blank_between() {
        let probabilities = vec![vec![1.0, 0.0]; 3];
        assert_eq!(score(&probabilities, &[&[0, 0]])[0], f64::NEG_INFINITY);
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

    /// Frames as a network gives them: one symbol nearly sure, the others down to e^-`depth`.
    fn peaked(frames: usize, symbols: usize, depth: f64, seed: u64) -> Vec<Vec<f64>> {
        let flat = table(frames, symbols, seed);
        flat.iter()
            .map(|row| {
                let top = row.iter().copied().fold(0.0, f64::max);
                let row: Vec<f64> = row.iter().map(|p| (depth * (p / top - 1.0)).exp()).collect();
                let sum: f64 = row.iter().sum();
                row.iter().map(|p| p / sum).collect()
            })
            .collect()
    }

    #[test]
    fn plain_sums_equal_logarithmic_ones_from_sure_to_hopeless() {
        let mut compared = 0;
        for (seed, length) in [(1, 10), (2, 60), (3, 200), (4, 500)] {
            for depth in [1.0, 8.0, 30.0, 87.0] {
                let probabilities = peaked(length, 39, depth, seed);
                let free: f64 =
                    probabilities.iter().map(|row| row.iter().copied().fold(0.0, f64::max).ln()).sum();
                let sequences: Vec<Vec<u8>> = (1..=40)
                    .map(|count| {
                        (0..count).map(|k| ((k * 7 + count * 3 + seed as usize) % 39) as u8).collect()
                    })
                    .collect();
                let borrowed: Vec<&[u8]> = sequences.iter().map(Vec::as_slice).collect();
                for (sequence, got) in borrowed.iter().zip(score(&probabilities, &borrowed)) {
                    let wanted = score_in_logs(&probabilities, sequence);
                    if wanted - free > -1_200.0 {
                        compared += 1;
                        // Scores are f32: a thousand nats have a step of 6e-5.
                        assert!(
                            (got - wanted).abs() < 1e-4,
                            "{length} frames, {sequence:?}: {got}, {wanted}"
                        );
                    } else {
                        assert!(got - free < -1_199.0, "{length} frames, {sequence:?}: {got}, {wanted}");
                    }
                }
            }
        }
        assert!(compared > 200, "only {compared} compared");
    }

    #[test]
    fn a_minute_in_which_nothing_is_likely_does_not_overflow() {
        let probabilities = vec![vec![0.1; 10]; 3_000];
        let sequence: Vec<u8> = (0..1_200).map(|k| (k % 9) as u8).collect();
        let got = score(&probabilities, &[&sequence])[0];
        let wanted = score_in_logs(&probabilities, &sequence);
        // Such a sum lies over a thousand nats above any one path, where the steps of an f32 are that wide.
        assert!(wanted - 3_000.0 * 0.1f64.ln() > 1_000.0);
        assert!((got - wanted).abs() < 1e-3, "{got} is not {wanted}");
    }
}
