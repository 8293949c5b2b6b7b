//! The session as WebVTT captions with the speakers' names (W3C, WebVTT: The Web Video Text Tracks Format).

use super::model::Report;
use crate::screen::text::clean;
use std::fmt::Write;

/// The whole file.
pub fn webvtt(report: &Report) -> String {
    let mut text = String::from("WEBVTT\n");
    for one in &report.utterances {
        // A cue must end after it starts.
        let (from, to) = (millis(one.from), millis(one.to).max(millis(one.from) + 1));
        let (speaker, words) = (escaped(&one.speaker), escaped(&one.text));
        let _ =
            write!(text, "\n{}\n{} --> {}\n<v {speaker}>{words}</v>\n", one.number, stamp(from), stamp(to));
    }
    text
}

fn millis(seconds: f64) -> u64 {
    (seconds * 1000.0).round().max(0.0) as u64
}

/// `hh:mm:ss.ttt`
fn stamp(ms: u64) -> String {
    format!("{:02}:{:02}:{:02}.{:03}", ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000)
}

/// Text that begins no tag and no entity, on one line.
fn escaped(text: &str) -> String {
    clean(text).replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").trim().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_has_hours_and_a_dot_before_the_milliseconds() {
        assert_eq!(stamp(3_723_004), "01:02:03.004");
        assert_eq!(stamp(360_000_000), "100:00:00.000");
        assert_eq!(millis(1.2345), 1235);
    }

    #[test]
    fn text_cannot_begin_a_tag_a_cue_or_an_entity() {
        assert_eq!(escaped("a <b>&amp;\n\n00:00 --> x"), "a &lt;b&gt;&amp;amp;  00:00 --&gt; x");
    }
}
