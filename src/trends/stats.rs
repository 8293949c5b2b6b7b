//! The few numbers that trends are made of. Pure.

use schemars::JsonSchema;
use serde::Serialize;

/// Fewer sessions than this have no spread worth showing (common practice, no source).
pub const FEWEST: usize = 5;
/// Fewer values than this have no control limits: they would be wide of the mark (common practice, no source; the worked
/// example of the handbook has ten).
pub const FEWEST_FOR_LIMITS: usize = 10;

/// Mean range of two over standard deviation, and the factor of the range's upper limit (NIST/SEMATECH e-Handbook of
/// Statistical Methods, 6.3.2.2).
const D2: f64 = 1.128;
const D4: f64 = 3.267;

/// How values are spread.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Spread {
    pub count: usize,
    pub least: f64,
    pub lower_quartile: f64,
    pub median: f64,
    pub upper_quartile: f64,
    pub most: f64,
}

/// `None` when there are fewer than `FEWEST`.
pub fn spread(values: &[f64]) -> Option<Spread> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    if sorted.len() < FEWEST {
        return None;
    }
    sorted.sort_by(f64::total_cmp);
    let at = |share: f64| {
        // Linear between neighbours: type 7 of Hyndman and Fan 1996, Am. Stat. 50:361.
        let place = share * (sorted.len() - 1) as f64;
        let below = place.floor();
        let (low, high) = (sorted[below as usize], sorted[place.ceil() as usize]);
        low + (high - low) * (place - below)
    };
    Some(Spread {
        count: sorted.len(),
        least: at(0.0),
        lower_quartile: at(0.25),
        median: at(0.5),
        upper_quartile: at(0.75),
        most: at(1.0),
    })
}

/// Limits of an individuals chart and of its moving-range chart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Limits {
    pub mean: f64,
    pub mean_range: f64,
    pub upper: f64,
    pub lower: f64,
    pub range_upper: f64,
}

impl Limits {
    pub fn outside(&self, value: f64) -> bool {
        value > self.upper || value < self.lower
    }
}

/// `None` when there are fewer than `FEWEST_FOR_LIMITS`.
pub fn limits(values: &[f64]) -> Option<Limits> {
    if values.len() < FEWEST_FOR_LIMITS {
        return None;
    }
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let ranges = values.windows(2).map(|two| (two[1] - two[0]).abs());
    let mean_range = ranges.sum::<f64>() / (values.len() - 1) as f64;
    Some(Limits {
        mean,
        mean_range,
        upper: mean + 3.0 * mean_range / D2,
        lower: mean - 3.0 * mean_range / D2,
        range_upper: D4 * mean_range,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, the example of ten flow rates.
    const FLOW: [f64; 10] = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];

    #[test]
    fn the_limits_are_those_of_the_handbooks_example() {
        let got = limits(&FLOW).unwrap();
        for (got, wanted, within) in [
            (got.mean, 50.81, 5e-3),
            (got.mean_range, 1.8778, 5e-5),
            (got.upper, 55.8041, 5e-4),
            (got.lower, 45.8159, 5e-4),
            (got.range_upper, 6.135, 5e-4),
        ] {
            assert!((got - wanted).abs() <= within, "{got} {wanted}");
        }
        assert!(!FLOW.iter().any(|value| got.outside(*value)), "the handbook's process is in control");
        assert!(got.outside(55.81) && got.outside(45.81));
    }

    #[test]
    fn too_few_values_have_neither_limits_nor_spread() {
        assert_eq!(limits(&FLOW[..9]), None);
        assert_eq!(spread(&FLOW[..4]), None);
        assert_eq!(spread(&[f64::NAN; 9]), None);
    }

    /// R's `quantile(1:10)` (type 7, its default): 1, 3.25, 5.5, 7.75, 10 (from memory).
    #[test]
    fn quartiles_are_those_of_a_known_table() {
        let values: Vec<f64> = (1..=10).rev().map(f64::from).collect();
        let got = spread(&values).unwrap();
        assert_eq!(
            [got.least, got.lower_quartile, got.median, got.upper_quartile, got.most],
            [1.0, 3.25, 5.5, 7.75, 10.0]
        );
    }
}
