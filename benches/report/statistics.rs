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
