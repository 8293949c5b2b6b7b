//! Intervals of proportions, the agreement of two rankings, and the median. Pure arithmetic.

/// Half-width of the middle 95 % of a standard normal, in standard deviations.
const Z95: f64 = 1.959_963_984_540_054;

/// Wilson's 95 % score interval of `hits` in `trials` (Wilson 1927; Newcombe 1998, method 3). Nothing is known of no
/// trials: 0 to 1.
pub fn wilson95(hits: usize, trials: usize) -> (f64, f64) {
    if trials == 0 {
        return (0.0, 1.0);
    }
    let (hits, trials) = (hits as f64, trials as f64);
    let square = Z95 * Z95;
    let share = hits / trials;
    let middle = 2.0 * hits + square;
    let spread = Z95 * (square + 4.0 * hits * (1.0 - share)).sqrt();
    let whole = 2.0 * (trials + square);
    (((middle - spread) / whole).max(0.0), ((middle + spread) / whole).min(1.0))
}

/// Spearman's rank correlation: the product-moment correlation of the ranks, equal values sharing the mean of theirs.
/// `None` for fewer than two pairs, or when one side has only one value.
pub fn spearman(pairs: &[(f64, f64)]) -> Option<f64> {
    let a = ranks(&pairs.iter().map(|pair| pair.0).collect::<Vec<_>>());
    let b = ranks(&pairs.iter().map(|pair| pair.1).collect::<Vec<_>>());
    let mean = (pairs.len() as f64 + 1.0) / 2.0;
    let product = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| (x - mean) * (y - mean)).sum::<f64>();
    let spread = (product(&a, &a) * product(&b, &b)).sqrt();
    (spread > 0.0).then(|| product(&a, &b) / spread)
}

/// The 95 % interval of Spearman's rank correlation: Fisher's transformation with the variance (1 + rho²/2) / (n - 3)
/// (Bonett and Wright 2000, Psychometrika 65). Nothing is known of three pairs or fewer: -1 to 1.
pub fn spearman95(rho: f64, pairs: usize) -> (f64, f64) {
    if pairs <= 3 {
        return (-1.0, 1.0);
    }
    let spread = Z95 * ((1.0 + rho * rho / 2.0) / (pairs as f64 - 3.0)).sqrt();
    // Of a perfect agreement the transformation is infinite, and so are both ends.
    ((rho.atanh() - spread).tanh(), (rho.atanh() + spread).tanh())
}

fn ranks(values: &[f64]) -> Vec<f64> {
    let below = |value: &f64| values.iter().filter(|other| *other < value).count() as f64;
    let same = |value: &f64| values.iter().filter(|other| *other == value).count() as f64;
    values.iter().map(|value| below(value) + (same(value) + 1.0) / 2.0).collect()
}

/// The middle value, or the mean of the two in the middle.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    let upper = *sorted.get(half)?;
    Some(if sorted.len() % 2 == 1 { upper } else { (sorted[half - 1] + upper) / 2.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_is_the_middle_value_or_the_mean_of_two() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(median(&[]), None);
    }

    #[test]
    fn the_rank_correlation_is_that_of_spearman_s_formula_and_of_ties_by_hand() {
        // Without ties 1 - 6 sum d^2 / (n (n^2 - 1)) (Spearman 1904): here d = -1 1 0 -1 1, so 0.8.
        let pairs = [(1.0, 20.0), (2.0, 10.0), (3.0, 30.0), (4.0, 50.0), (5.0, 40.0)];
        assert!((spearman(&pairs).unwrap() - 0.8).abs() < 1e-12);
        // Ranks 1.5 1.5 3 and 1 2 3, worked out by hand: 1.5 / sqrt(1.5 * 2).
        let tied = [(1.0, 1.0), (1.0, 2.0), (2.0, 3.0)];
        assert!((spearman(&tied).unwrap() - 1.5 / 3.0f64.sqrt()).abs() < 1e-12);
        assert_eq!(spearman(&[(1.0, 1.0), (1.0, 2.0)]), None);
        assert_eq!(spearman(&[]), None);
    }

    #[test]
    fn the_interval_of_a_rank_correlation_is_that_of_bonett_and_wright() {
        // By hand: z = 0.6931, spread = 1.96 * sqrt(1.18 / 47) = 0.3106.
        let (low, high) = spearman95(0.6, 50);
        assert!((low - 0.365).abs() < 1e-3 && (high - 0.763).abs() < 1e-3, "{low} {high}");
        let (low, high) = spearman95(0.0, 43);
        assert!((low + high).abs() < 1e-12 && (high - 0.301).abs() < 1e-3, "{low} {high}");
        assert_eq!(spearman95(0.5, 3), (-1.0, 1.0));
        assert_eq!(spearman95(1.0, 20), (1.0, 1.0));
    }
}
