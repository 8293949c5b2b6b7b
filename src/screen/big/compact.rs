//! A terminal too small for large letters: the essential words, the most needed first.

use super::layout::{calls_words, done_words, draw_lines, place_words, Look, Picture};
use crate::screen::text::{clock, wrap};
use crate::screen::view::{Scene, View};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::text::Line;

pub fn draw(picture: Picture, look: Look, area: Rect, buffer: &mut Buffer) {
    let view = picture.view;
    let (plain, bold) = (Style::new(), look.palette.bold());
    let mut texts: Vec<(String, Style)> = vec![turn(view, look)];
    let phrases: Vec<String> =
        view.expected.iter().chain(&view.also).map(|p| format!("\u{201c}{p}\u{201d}")).collect();
    texts.push((phrases.join(" or "), bold));
    if !view.refusals.is_empty() {
        texts.push((
            format!("not right: \u{201c}{}\u{201d}", view.refusals.join("\u{201d} or \u{201c}")),
            bold,
        ));
    }
    if !view.decisions.is_empty() {
        let phrases = view.decisions.join("\u{201d} or \u{201c}");
        texts.push((format!("OBSERVER, if you saw it done right: \u{201c}{phrases}\u{201d}"), bold));
    }
    if view.held.is_some() {
        texts.push((format!("or {}", calls_words(view)), plain));
    }
    texts.push((place(view), bold));
    texts.push((view.look.as_ref().unwrap_or(&view.text).clone(), plain));
    if let Some(last) = &view.last {
        texts.push((format!("heard {last}"), look.palette.counted(view.last_counted)));
    }
    if let Some(remark) = picture.remarks.last() {
        texts.push((format!("note {} {}", clock(remark.ms / 1000), remark.words()), plain));
    }
    let lines: Vec<Line> = texts
        .iter()
        .flat_map(|(words, style)| {
            wrap(words, usize::from(area.width)).into_iter().map(|line| Line::styled(line, *style))
        })
        .collect();
    draw_lines(&lines, area, buffer);
}

fn turn(view: &View, look: Look) -> (String, Style) {
    if let Some(why) = &view.held {
        return (format!("ON HOLD: {why}"), look.palette.hold());
    }
    let bold = look.palette.bold();
    match (view.awaited, view.not_before_s, view.scene) {
        (Some(role), Some(seconds), _) => {
            (format!("{}: NOT YET, {seconds} s MORE", role.name().to_uppercase()), bold)
        }
        (Some(role), None, _) => (format!("{}, say:", role.name().to_uppercase()), look.palette.turn(role)),
        (None, _, Scene::Ready | Scene::Ended(_)) => (String::new(), bold),
        (None, _, _) => ("LISTEN: the tool is speaking".to_string(), bold),
    }
}

fn place(view: &View) -> String {
    let critical = if view.critical { " CRITICAL" } else { "" };
    let time = view.in_step_s.map(|seconds| format!(" {}", clock(seconds))).unwrap_or_default();
    format!("{}{critical}{time}, {}", place_words(view), done_words(view))
}
