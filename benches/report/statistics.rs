//! Intervals of proportions. Pure arithmetic.

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

#[cfg(test)]
mod tests {
    use super::wilson95;

    #[test]
    fn the_interval_is_that_of_the_published_examples() {
        // Newcombe 1998, Statistics in Medicine 17:857-872, table I, method 3.
        let published = [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0000, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ];
        for (hits, trials, low, high) in published {
            let got = wilson95(hits, trials);
            assert!(
                (got.0 - low).abs() < 0.000_06 && (got.1 - high).abs() < 0.000_06,
                "{hits} of {trials}: {got:?}"
            );
        }
    }

    #[test]
    fn hits_and_misses_mirror_each_other_and_nothing_leaves_the_range() {
        for trials in 1..60 {
            for hits in 0..=trials {
                let (low, high) = wilson95(hits, trials);
                let (mirror_low, mirror_high) = wilson95(trials - hits, trials);
                assert!(
                    (low - (1.0 - mirror_high)).abs() < 1e-12 && (high - (1.0 - mirror_low)).abs() < 1e-12
                );
                let share = hits as f64 / trials as f64;
                assert!((0.0..=1.0).contains(&low) && low <= share && share <= high && high <= 1.0);
            }
        }
        assert_eq!(wilson95(0, 0), (0.0, 1.0));
    }
}
