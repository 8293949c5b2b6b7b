//! Trends as a page of HTML with drawn charts. Owns layout and wording; the template escapes every text.

use super::stats::Limits;
use super::{Person, Point, Series, Standing, Trends, TOO_FEW};
use crate::debrief::page::policy;
use crate::screen::text::clean;
use askama::Template;
use std::fmt::Write;

const STYLE: &str = include_str!("../debrief/page/debrief.css");

/// Points drawn in one chart at most: the last ones.
const SHOWN: usize = 100;
/// Charts of steps for each procedure at most: those with most outside their limits.
const CHARTS: usize = 8;

#[derive(Template)]
#[template(path = "trends.html")]
struct Page {
    policy: String,
    style: &'static str,
    sessions: usize,
    headline: String,
    span: String,
    doubts: Vec<String>,
    has_rules: bool,
    training: Vec<TrainingRow>,
    people: Vec<Charted>,
    decisions: Vec<DecisionRow>,
    procedures: Vec<ProcedureView>,
    shown: usize,
    version: &'static str,
}

struct TrainingRow {
    id: String,
    post: String,
    procedure: String,
    last: String,
    due: String,
    class: &'static str,
    standing: &'static str,
}

struct DecisionRow {
    session: String,
    procedure: String,
    step: String,
    reason: String,
}

struct Charted {
    title: String,
    words: String,
    chart: Option<Chart>,
}

struct ProcedureView {
    title: String,
    sessions: usize,
    steps: Vec<StepRow>,
    charts: Vec<Charted>,
}

struct StepRow {
    id: String,
    critical: bool,
    done: usize,
    decided: usize,
    median: String,
    quartiles: String,
    range: String,
    asked_again: usize,
    refused: usize,
    held: usize,
    limits: String,
}

struct Chart {
    words: String,
    lines: Vec<Line>,
    values: String,
    ranges: String,
    dots: Vec<Dot>,
}

struct Line {
    class: &'static str,
    y: String,
    label_y: String,
    label: String,
}

struct Dot {
    x: String,
    y: String,
    outside: bool,
    words: String,
}

/// Writes the page. `has_rules`: whether there were rules on training.
pub fn render(trends: &Trends, has_rules: bool) -> Result<String, askama::Error> {
    let page = Page {
        policy: policy(&[STYLE], "", None),
        style: STYLE,
        sessions: trends.sessions,
        headline: match trends.sessions {
            0 => "There are no sessions.".into(),
            1 => format!("1 session: {TOO_FEW}."),
            count => format!("{count} sessions, {} completed", trends.completed),
        },
        span: match (&trends.first, &trends.last) {
            (Some(first), Some(last)) => format!("{} to {}", day(first), day(last)),
            _ => String::new(),
        },
        doubts: trends.doubts.iter().map(|doubt| safe(doubt)).collect(),
        has_rules,
        training: trends.training.iter().map(training).collect(),
        people: trends.people.iter().map(person).collect(),
        decisions: trends.decisions.iter().rev().take(SHOWN).map(decision).collect(),
        procedures: trends.procedures.iter().map(procedure).collect(),
        shown: SHOWN,
        version: env!("CARGO_PKG_VERSION"),
    };
    page.render()
}

fn safe(text: &str) -> String {
    clean(text).into_owned()
}

/// The date of an RFC 3339 time.
fn day(at: &str) -> &str {
    at.split('T').next().unwrap_or_default()
}

fn training(one: &super::Training) -> TrainingRow {
    let (standing, class) = match one.standing {
        Standing::Overdue => ("overdue", "bad"),
        Standing::NotYet => ("never completed", "bad"),
        Standing::DueSoon => ("due soon", "ask"),
        Standing::InDate => ("in date", "good"),
    };
    TrainingRow {
        id: safe(&one.id),
        post: safe(&one.post),
        procedure: safe(&one.procedure),
        last: one.last.clone().unwrap_or_default(),
        due: one.due.clone().unwrap_or_default(),
        class,
        standing,
    }
}

fn decision(one: &super::Decision) -> DecisionRow {
    DecisionRow {
        session: safe(&one.session),
        procedure: safe(&one.procedure),
        step: safe(&one.step),
        reason: safe(&one.reason),
    }
}

fn person(one: &Person) -> Charted {
    let pace = match &one.pace.spread {
        None => format!("Pace: {TOO_FEW}."),
        Some(spread) => format!(
            "A step takes {:.1} s in the median session, {:.1} to {:.1} s in the middle half.",
            spread.median, spread.lower_quartile, spread.upper_quartile
        ),
    };
    Charted {
        title: format!("{} as {}, {}", safe(&one.id), safe(&one.post), safe(&one.procedure)),
        words: format!(
            "{} sessions, {} completed. {pace} For each ten steps: asked again {:.1}, refusals {:.1}, holds {:.1}. Steps confirmed by decision: {}.",
            one.sessions, one.completed, one.asked_again, one.refusals, one.holds, one.decisions
        ),
        chart: chart(&one.pace, "Seconds a step, session by session"),
    }
}

fn procedure(one: &super::Procedure) -> ProcedureView {
    let row = |step: &super::Step| {
        let spread = step.seconds.spread;
        let show =
            |words: fn(super::stats::Spread) -> String| spread.map_or_else(|| TOO_FEW.to_string(), words);
        StepRow {
            id: safe(&step.id),
            critical: step.critical,
            done: step.done,
            decided: step.decided,
            median: show(|spread| format!("{:.1}", spread.median)),
            quartiles: spread
                .map_or(String::new(), |s| format!("{:.1} to {:.1}", s.lower_quartile, s.upper_quartile)),
            range: spread.map_or(String::new(), |s| format!("{:.1} to {:.1}", s.least, s.most)),
            asked_again: step.asked_again_in,
            refused: step.refused_in,
            held: step.held_in,
            limits: match step.seconds.limits {
                None => TOO_FEW.to_string(),
                Some(_) if step.seconds.outside == 0 => "all within".to_string(),
                Some(_) => format!("{} outside", step.seconds.outside),
            },
        }
    };
    let mut worth: Vec<&super::Step> =
        one.steps.iter().filter(|step| step.seconds.limits.is_some()).collect();
    worth.sort_by_key(|step| std::cmp::Reverse(step.seconds.outside));
    let charts = worth.into_iter().take(CHARTS).map(|step| Charted {
        title: format!("Step {}", safe(&step.id)),
        words: String::new(),
        chart: chart(&step.seconds, "Seconds, session by session"),
    });
    ProcedureView {
        title: safe(&one.title),
        sessions: one.sessions,
        steps: one.steps.iter().map(row).collect(),
        charts: charts.collect(),
    }
}

/// The drawn individuals chart (above) and moving-range chart (below).
fn chart(series: &Series, what: &str) -> Option<Chart> {
    let limits = series.limits?;
    let points: &[Point] = &series.points[series.points.len().saturating_sub(SHOWN)..];
    let values: Vec<f64> = points.iter().map(|point| point.value).collect();
    let ranges: Vec<f64> = values.windows(2).map(|two| (two[1] - two[0]).abs()).collect();
    let above = Scale::new(8.0, 150.0, values.iter().copied().chain([limits.upper, limits.lower.max(0.0)]));
    let below = Scale::new(172.0, 222.0, ranges.iter().copied().chain([0.0, limits.range_upper]));
    let x = |n: usize| 46.0 + 594.0 * n as f64 / (points.len().max(2) - 1) as f64;
    let line = |class, scale: &Scale, value: f64, label: &str| Line {
        class,
        y: format!("{:.1}", scale.y(value)),
        label_y: format!("{:.1}", scale.y(value) + 4.0),
        label: format!("{label} {value:.1}"),
    };
    let mut lines = vec![
        line("limit", &above, limits.upper, "upper"),
        line("mean", &above, limits.mean, "mean"),
        line("limit", &below, limits.range_upper, "upper"),
    ];
    if limits.lower > 0.0 {
        lines.push(line("limit", &above, limits.lower, "lower"));
    }
    let dots = points.iter().enumerate().map(|(n, point)| Dot {
        x: format!("{:.1}", x(n)),
        y: format!("{:.1}", above.y(point.value)),
        outside: limits.outside(point.value),
        words: format!("{}: {:.1} s", safe(&point.session), point.value),
    });
    Some(Chart {
        words: words(what, series, &limits),
        dots: dots.collect(),
        values: polyline(values.iter().enumerate().map(|(n, value)| (x(n), above.y(*value)))),
        ranges: polyline(ranges.iter().enumerate().map(|(n, range)| (x(n + 1), below.y(*range)))),
        lines,
    })
}

fn words(what: &str, series: &Series, limits: &Limits) -> String {
    let outside: Vec<String> = series
        .points
        .iter()
        .filter(|point| limits.outside(point.value))
        .rev()
        .take(5)
        .map(|point| format!("{} ({:.1} s)", safe(&point.session), point.value))
        .collect();
    let told = match series.outside {
        0 => "none outside".to_string(),
        count if count > outside.len() => format!("{count} outside, the latest: {}", outside.join(", ")),
        _ => format!("outside: {}", outside.join(", ")),
    };
    format!(
        "{what}: {} values, mean {:.1}, limits {:.1} to {:.1}; {told}.",
        series.points.len(),
        limits.mean,
        limits.lower.max(0.0),
        limits.upper
    )
}

fn polyline(points: impl Iterator<Item = (f64, f64)>) -> String {
    points.fold(String::new(), |mut text, (x, y)| {
        let _ = write!(text, "{x:.1},{y:.1} ");
        text
    })
}

/// Values to places between two heights.
struct Scale {
    top: f64,
    bottom: f64,
    least: f64,
    most: f64,
}

impl Scale {
    fn new(top: f64, bottom: f64, values: impl Iterator<Item = f64>) -> Scale {
        let (least, most) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), value| {
            (least.min(value), most.max(value))
        });
        Scale { top, bottom, least, most: most.max(least + 1e-9) }
    }

    fn y(&self, value: f64) -> f64 {
        self.bottom - (self.bottom - self.top) * (value - self.least) / (self.most - self.least)
    }
}
