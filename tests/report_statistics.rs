//! The arithmetic of the performance report.

use antiphon::statistics::wilson95;

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
            assert!((low - (1.0 - mirror_high)).abs() < 1e-12 && (high - (1.0 - mirror_low)).abs() < 1e-12);
            let share = hits as f64 / trials as f64;
            assert!((0.0..=1.0).contains(&low) && low <= share && share <= high && high <= 1.0);
        }
    }
    assert_eq!(wilson95(0, 0), (0.0, 1.0));
}
