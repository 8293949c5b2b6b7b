//! Why an utterance was taken for a phrase or not, in plain words: what it had to pass, and what was measured.
//!
//! Owns these sentences; the live screen, the debrief and `why` say the same. Must not decide anything and must not know
//! today's bars: what was needed stands beside what was measured.

use crate::listen::heard::{Evidence, Measure, Test};

/// What decided, in one sentence without its full stop: each test that was failed, or how near the nearest was to failing.
/// `None` where none are known.
pub fn sentence(evidence: &Evidence) -> Option<String> {
    let (passed, failed): (Vec<&Test>, Vec<&Test>) = evidence.tests.iter().partition(|test| test.passed());
    if failed.is_empty() {
        let tightest = passed.iter().min_by(|a, b| room(a).total_cmp(&room(b)))?;
        let of_how_many = match passed.len() {
            1 => "the one test was passed".to_string(),
            count => format!("all {count} tests were passed, this one most narrowly"),
        };
        return Some(format!("{}; {of_how_many}", outcome(tightest, evidence)));
    }
    let mut parts: Vec<String> = failed.iter().map(|test| outcome(test, evidence)).collect();
    match passed.len() {
        0 => {}
        1 => parts.push("the other test was passed".to_string()),
        _ if failed.len() == 1 => parts.push("every other test was passed".to_string()),
        count => parts.push(format!("the other {count} tests were passed")),
    }
    Some(parts.join("; "))
}

/// Every test on a line of its own: what, measured, needed, and whether it was passed.
pub fn lines(evidence: &Evidence) -> Vec<String> {
    let line = |test: &Test| {
        let (measured, needed) = numbers(test);
        let passed = if test.passed() { "passed" } else { "FAILED" };
        let critical = if test.critical { " (critical step)" } else { "" };
        format!("{passed}  {}: {measured}, needs {needed}{critical}", name(test.of))
    };
    evidence.tests.iter().map(line).collect()
}

/// How far it is from failing, each measure by its own unit.
fn room(test: &Test) -> f32 {
    let unit = match test.of {
        Measure::Probability => 0.1,
        Measure::Score | Measure::ShortScore => 0.3,
        _ => 2.0,
    };
    (test.measured - test.needed) / unit
}

fn outcome(test: &Test, evidence: &Evidence) -> String {
    let (measured, needed) = numbers(test);
    let second = evidence.second.as_deref();
    match test.of {
        Measure::Probability if test.critical => {
            format!("the probability was {measured}, and {needed} is needed because the step is critical")
        }
        Measure::Probability => format!("the probability was {measured}, and {needed} is needed"),
        Measure::Score => {
            format!("by the first ear the sounds fit to {measured}, and {needed} is needed (0 is perfect)")
        }
        Measure::ShortScore => format!(
            "by the first ear the sounds fit to {measured}, and so short a phrase needs {needed} (0 is perfect)"
        ),
        Measure::Margin | Measure::ShortMargin => distance("first", "other words", test),
        Measure::Weight => {
            format!("by the second ear the phrase weighs {measured} nats, and {needed} is needed (0 is certain)")
        }
        Measure::Asked => distance("second", &quoted(second.map(|second| second.asked.text.as_str())), test),
        Measure::Free => distance("second", &quoted(second.map(|second| second.free.text.as_str())), test),
    }
}

fn quoted(text: Option<&str>) -> String {
    match text.filter(|text| !text.is_empty()) {
        Some(text) => format!("\"{text}\""),
        None => "other words".to_string(),
    }
}

fn distance(ear: &str, from: &str, test: &Test) -> String {
    let (measured, needed) = numbers(test);
    let bare = |number: &str| number.trim_start_matches('-').to_string();
    let side = if test.measured < 0.0 { "below" } else { "above" };
    let measured = format!("by the {ear} ear the phrase is {} nats {side} {from}", bare(&measured));
    match test.needed < 0.0 {
        true => format!("{measured}, and at most {} below is allowed", bare(&needed)),
        false => format!("{measured}, and {needed} above is needed"),
    }
}

fn name(of: Measure) -> &'static str {
    match of {
        Measure::Probability => "probability, all ears",
        Measure::Score => "fit of the sounds, first ear",
        Measure::Margin => "above other words, first ear",
        Measure::ShortScore => "fit of the sounds, short phrase, first ear",
        Measure::ShortMargin => "above other words, short phrase, first ear",
        Measure::Weight => "weight, second ear",
        Measure::Asked => "above what it was asked about, second ear",
        Measure::Free => "above what it would have written, second ear",
    }
}

/// Measured and needed with as many decimals as tell them apart.
fn numbers(test: &Test) -> (String, String) {
    let with =
        |decimals: usize| (format!("{:.decimals$}", test.measured), format!("{:.decimals$}", test.needed));
    let apart = |decimals: &usize| {
        let (measured, needed) = with(*decimals);
        measured != needed || test.measured == test.needed
    };
    with((2..=6).find(apart).unwrap_or(6))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::heard::{Against, SecondOpinion};

    fn evidence(tests: &[Test]) -> Evidence {
        Evidence { tests: tests.to_vec(), ..Evidence::default() }
    }

    fn critical(measured: f32) -> Test {
        Test { critical: true, ..Test::of(Measure::Probability, measured, 0.65) }
    }

    #[test]
    fn a_phrase_below_the_bar_of_its_critical_step_says_so() {
        let all = [critical(0.61), Test::of(Measure::Score, -0.4, -2.0), Test::of(Measure::Margin, 5.0, 0.0)];
        assert_eq!(
            sentence(&evidence(&all)).unwrap(),
            "the probability was 0.61, and 0.65 is needed because the step is critical; every other test was passed"
        );
    }

    #[test]
    fn each_test_that_was_failed_is_named_with_what_the_second_ear_preferred() {
        let second = SecondOpinion {
            asked: Against { text: "gown is open".into(), first: 1.0, second: -2.4 },
            ..SecondOpinion::default()
        };
        let tests = vec![
            Test::of(Measure::Probability, 0.31, 0.5),
            Test::of(Measure::Asked, -2.4, -2.0),
            Test::of(Measure::Weight, -3.0, -14.0),
        ];
        let evidence = Evidence { tests, second: Some(Box::new(second)), ..Evidence::default() };
        assert_eq!(
            sentence(&evidence).unwrap(),
            "the probability was 0.31, and 0.50 is needed; by the second ear the phrase is 2.40 nats below \"gown is open\", and \
             at most 2.00 below is allowed; the other test was passed"
        );
        assert_eq!(
            lines(&evidence)[1],
            "FAILED  above what it was asked about, second ear: -2.40, needs -2.00"
        );
    }

    #[test]
    fn what_was_passed_names_the_narrowest_test() {
        let all = [critical(0.70), Test::of(Measure::Score, -0.1, -2.0)];
        let told = sentence(&evidence(&all)).unwrap();
        assert!(told.starts_with("the probability was 0.70, and 0.65"), "{told}");
        assert!(told.ends_with("all 2 tests were passed, this one most narrowly"), "{told}");
        assert_eq!(sentence(&Evidence::default()), None);
    }

    #[test]
    fn what_is_just_below_never_reads_as_if_it_were_enough() {
        let told = sentence(&evidence(&[critical(0.6499)])).unwrap();
        assert_eq!(told, "the probability was 0.6499, and 0.6500 is needed because the step is critical");
    }
}
