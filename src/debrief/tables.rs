//! Steps and utterances as comma-separated tables (RFC 4180).
//!
//! A cell that a spreadsheet would take for a formula gets an apostrophe in front (OWASP, CSV injection).

use super::model::Report;

/// One row a step.
pub fn steps(report: &Report) -> Result<String, csv::Error> {
    let mut rows = vec![row(&[
        "number",
        "step",
        "instruction",
        "critical",
        "standing",
        "skipped by",
        "began s",
        "read back s",
        "confirmed s",
        "decided s",
        "decided for",
        "seconds",
        "at least s",
        "usual s",
        "reminder s",
        "asked again",
        "refusals",
        "reminders",
        "holds",
    ])];
    for step in &report.steps {
        rows.push(vec![
            step.number.to_string(),
            step.id.clone(),
            step.instruction.clone(),
            if step.critical { "yes" } else { "no" }.to_string(),
            name(&step.standing),
            step.skipped_by.clone().unwrap_or_default(),
            number(step.began),
            number(step.read_back),
            number(step.confirmed),
            number(step.decided),
            step.decided_for.clone().unwrap_or_default(),
            number(step.seconds),
            number(step.expected.at_least_s),
            number(step.expected.expected_s),
            number(step.expected.reminder_s),
            step.asked_again.to_string(),
            step.refusals.to_string(),
            step.reminders.to_string(),
            step.holds.to_string(),
        ]);
    }
    table(rows)
}

/// One row an utterance.
pub fn utterances(report: &Report) -> Result<String, csv::Error> {
    let mut rows = vec![row(&[
        "number",
        "from s",
        "to s",
        "speaker",
        "track",
        "place",
        "text",
        "saying",
        "awaited",
        "expected",
        "verdict",
        "confidence",
        "result",
        "result in words",
    ])];
    for one in &report.utterances {
        let judged = one.judged.as_ref();
        let of = |part: fn(&super::model::Judged) -> String| judged.map(part).unwrap_or_default();
        rows.push(vec![
            one.number.to_string(),
            number(Some(one.from)),
            number(Some(one.to)),
            one.speaker.clone(),
            one.track.clone(),
            one.place.clone(),
            one.text.clone(),
            one.saying.clone().unwrap_or_default(),
            of(|judged| judged.awaited.clone().unwrap_or_default()),
            of(|judged| judged.expected.as_ref().map(|all| all.join(" | ")).unwrap_or_default()),
            of(|judged| judged.verdict.clone()),
            of(|judged| number(judged.confidence)),
            of(|judged| name(&judged.result)),
            of(|judged| judged.result_words.clone()),
        ]);
    }
    table(rows)
}

fn row(names: &[&str]) -> Vec<String> {
    names.iter().map(ToString::to_string).collect()
}

/// A word of the report as JSON writes it.
fn name(value: &impl serde::Serialize) -> String {
    let value = serde_json::to_value(value).unwrap_or_default();
    value.as_str().unwrap_or_default().to_string()
}

fn number(seconds: Option<f64>) -> String {
    seconds.map(|seconds| format!("{:.3}", seconds)).unwrap_or_default()
}

fn table(rows: Vec<Vec<String>>) -> Result<String, csv::Error> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    for row in rows {
        writer.write_record(row.iter().map(|cell| harmless(cell)))?;
    }
    let bytes = writer.into_inner().map_err(|error| error.into_error())?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn harmless(cell: &str) -> String {
    let cell = crate::screen::text::clean(cell);
    let formula = cell.starts_with(['=', '+', '@', '\t', '\r'])
        || (cell.starts_with('-') && cell.parse::<f64>().is_err());
    if formula {
        format!("'{cell}")
    } else {
        cell.into_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_formula_is_made_text_and_a_number_stays_one() {
        assert_eq!(harmless("=1+1"), "'=1+1");
        assert_eq!(harmless("-cmd"), "'-cmd");
        assert_eq!(harmless("-1.5"), "-1.5");
        assert_eq!(harmless("gown"), "gown");
    }
}
