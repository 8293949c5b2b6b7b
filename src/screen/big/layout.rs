//! Where everything stands: a head (place and progress), the task, the stage (`stage`), and a foot (what was said, heard
//! and noted).
//!
//! Owns the division of the terminal. Pure: draws a `Picture` into a buffer of cells, and nothing else.

use super::letters::Size;
use super::palette::Palette;
use super::{compact, stage, Remark};
use crate::screen::text::{clock, columns, shorten, wrap_within};
use crate::screen::view::{Scene, View};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::text::{Line, Span};
use ratatui::widgets::Widget;

/// Below these the compact layout is used.
pub const LEAST_COLUMNS: u16 = 60;
pub const LEAST_ROWS: u16 = 18;
/// Columns of the labels left of a text.
const GUTTER: u16 = 7;

/// Everything that is on the screen at one moment.
#[derive(Debug, Clone, Copy)]
pub struct Picture<'a> {
    pub view: &'a View,
    /// What the tool says or said last.
    pub said: Option<&'a str>,
    /// Fallbacks and losses, the newest last.
    pub remarks: &'a [Remark],
}

/// How it is drawn.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    pub palette: Palette,
    pub sizes: &'static [Size],
}

/// Rows of each part.
struct Plan {
    /// At least, so that the stage keeps its place, and at most.
    task: (usize, usize),
    calls: usize,
    /// For the phrases that call a contingency.
    alerts: usize,
    /// What was heard, said and noted, together.
    talk: usize,
}

impl Plan {
    fn of(height: u16) -> Plan {
        match height {
            ..22 => Plan { task: (2, 2), calls: 0, alerts: 0, talk: 4 },
            22..28 => Plan { task: (2, 3), calls: 0, alerts: 0, talk: 4 },
            28..36 => Plan { task: (3, 5), calls: 1, alerts: 0, talk: 5 },
            _ => Plan { task: (4, 6), calls: 1, alerts: 1, talk: 6 },
        }
    }
}

/// Draws the picture over the whole area.
pub fn draw(picture: Picture, look: Look, area: Rect, buffer: &mut Buffer) {
    let area = area.intersection(buffer.area);
    if area.width < LEAST_COLUMNS || area.height < LEAST_ROWS {
        return compact::draw(picture, look, area, buffer);
    }
    let plan = Plan::of(area.height);
    let inner = Rect { x: area.x + 1, width: area.width - 2, ..area };
    let (head, below) = split_top(inner, 3);
    draw_head(picture.view, look, area, head, buffer);
    let mut task = task_lines(picture.view, look, inner.width, plan.task.1);
    task.resize(task.len().max(plan.task.0), Line::default());
    let (top, below) = split_top(below, task.len() as u16);
    draw_lines(&task, top, buffer);
    let foot = foot_lines(picture, look, inner.width, &plan);
    let (middle, bottom) = split_top(below, below.height.saturating_sub(foot.len() as u16 + 1));
    rule(Rect { x: area.x, width: area.width, height: 1, ..bottom }, look, buffer);
    draw_lines(&foot, split_top(bottom, 1).1, buffer);
    stage::draw(picture.view, look, middle, buffer);
}

/// The first rows of an area, and the rest.
pub fn split_top(area: Rect, rows: u16) -> (Rect, Rect) {
    let rows = rows.min(area.height);
    (Rect { height: rows, ..area }, Rect { y: area.y + rows, height: area.height - rows, ..area })
}

/// One line a row, from the top.
pub fn draw_lines(lines: &[Line], area: Rect, buffer: &mut Buffer) {
    for (row, line) in area.rows().zip(lines) {
        line.render(row, buffer);
    }
}

fn rule(area: Rect, look: Look, buffer: &mut Buffer) {
    let line = "\u{2500}".repeat(usize::from(area.width));
    Line::styled(line, look.palette.faint()).render(area, buffer);
}

fn draw_head(view: &View, look: Look, whole: Rect, area: Rect, buffer: &mut Buffer) {
    let [title, place, line] = [0, 1, 2].map(|row| Rect { y: area.y + row, height: 1, ..area });
    let faint = look.palette.faint();
    let time = format!("session {}", clock(view.session_s));
    let room = usize::from(area.width).saturating_sub(columns(&time) + 2);
    let name = match &view.unit {
        Some(unit) if columns(&view.title) + columns(unit) + 3 <= room => format!("{}   {unit}", view.title),
        _ => view.title.clone(),
    };
    Line::styled(shorten(&name, room), faint).render(title, buffer);
    Line::styled(time, faint).right_aligned().render(title, buffer);
    let progress = progress_line(view, look, usize::from(area.width));
    place_line(view, look, usize::from(area.width).saturating_sub(progress.width() + 2))
        .render(place, buffer);
    progress.right_aligned().render(place, buffer);
    rule(Rect { x: whole.x, width: whole.width, ..line }, look, buffer);
}

/// `STEP 4 of 19  ! CRITICAL !  0:12 in this step`, the last words only where there is room.
fn place_line(view: &View, look: Look, room: usize) -> Line<'static> {
    let mut line = Line::from(Span::styled(place_words(view), look.palette.bold()));
    if view.critical {
        line.push_span(Span::raw("  "));
        line.push_span(Span::styled(" ! CRITICAL ! ", look.palette.critical()));
    }
    if let Some(seconds) = view.in_step_s {
        let usual = view.expected_s.map(|usual| format!(" of about {}", clock(usual))).unwrap_or_default();
        let short = format!("  {}", clock(seconds));
        let long = format!("{short}{usual} in this step");
        let fits = line.width() + columns(&long) <= room;
        line.push_span(Span::raw(if fits { long } else { short }));
    }
    line
}

/// The place with its first word in capitals.
pub fn place_words(view: &View) -> String {
    let place = shorten(&view.place, 40);
    match place.split_once(' ') {
        Some((first, rest)) => format!("{} {rest}", first.to_uppercase()),
        None => place.to_uppercase(),
    }
}

/// `10 of 19 done, 1 by decision`, after a bar where there is room.
fn progress_line(view: &View, look: Look, width: usize) -> Line<'static> {
    if view.of == 0 {
        return Line::default();
    }
    let words = done_words(view);
    let used = columns(&words) + 66;
    let cells = width.saturating_sub(used).min(view.of.max(10)).min(30);
    if cells < 5 {
        return Line::from(words);
    }
    let full = cells * view.done.min(view.of) / view.of;
    Line::from(vec![
        Span::raw("\u{2588}".repeat(full)),
        Span::styled("\u{2591}".repeat(cells - full), look.palette.faint()),
        Span::raw(format!("  {words}")),
    ])
}

/// `10 of 19 done, 1 by decision`
pub fn done_words(view: &View) -> String {
    let decided = match view.decided {
        0 => String::new(),
        count => format!(", {count} by decision"),
    };
    format!("{} of {} done{decided}", view.done, view.of)
}

/// The task's texts; what is spoken at the opening and the closing stands on the stage instead.
fn task_lines(view: &View, look: Look, width: u16, rows: usize) -> Vec<Line<'static>> {
    let (bold, faint) = (look.palette.bold(), look.palette.faint());
    match view.scene {
        Scene::Ready | Scene::Opening | Scene::Closing | Scene::Ended(_) => Vec::new(),
        Scene::Question => labelled("ASKED", &view.text, bold, look, width, rows),
        Scene::HoldPoint => labelled("WAIT", &view.text, bold, look, width, rows),
        Scene::ReadBack => labelled("DO", &view.text, bold, look, width, rows),
        Scene::Held | Scene::Deciding => labelled("TASK", &view.text, faint, look, width, rows.min(2)),
        Scene::Confirm => {
            let look_at = view.look.as_deref().unwrap_or_default();
            let mut lines = labelled("LOOK", look_at, bold, look, width, rows);
            if rows > 3 {
                let task = labelled("TASK", &view.text, faint, look, width, rows - lines.len().min(rows));
                lines.splice(0..0, task);
            }
            lines
        }
    }
}

fn foot_lines(picture: Picture, look: Look, width: u16, plan: &Plan) -> Vec<Line<'static>> {
    let view = picture.view;
    let mut lines = Vec::new();
    if plan.alerts > 0 && !view.alerts.is_empty() {
        let alerts: Vec<String> = view.alerts.iter().map(|text| format!("\u{201c}{text}\u{201d}")).collect();
        lines = labelled("ALERTS", &alerts.join(", "), look.palette.faint(), look, width, plan.alerts);
    }
    if plan.calls > 0 {
        // On hold the calls stand on the stage.
        let calls = if view.held.is_some() { String::new() } else { calls_words(view) };
        let mut calls = labelled("CALLS", &calls, look.palette.faint(), look, width, plan.calls);
        calls.resize(plan.calls, Line::default());
        lines.extend(calls);
    }
    // Why something did not count is needed most, then the latest note, then the words just spoken.
    let heard = view.last.as_deref().unwrap_or_default();
    let heard = labelled("HEARD", heard, look.palette.counted(view.last_counted), look, width, 2);
    let free = plan.talk - heard.len() - usize::from(!picture.remarks.is_empty());
    // What stands above word for word is not repeated.
    let said = picture.said.filter(|said| *said != view.text).unwrap_or_default();
    let label = if view.speaking { "SAYS" } else { "SAID" };
    let said = labelled(label, said, Style::new(), look, width, free.min(2));
    let noted = plan.talk - heard.len() - said.len();
    lines.extend(said);
    lines.extend(heard);
    lines.extend(note_lines(picture.remarks, look, width, noted));
    lines
}

/// `“hold everything” holds, “stop stop” stops`
pub fn calls_words(view: &View) -> String {
    let words: Vec<String> =
        view.calls.iter().map(|(phrase, effect)| format!("\u{201c}{phrase}\u{201d} {effect}")).collect();
    words.join(", ")
}

/// The latest remarks that fit, the newest last and whole if it can be.
fn note_lines(remarks: &[Remark], look: Look, width: u16, rows: usize) -> Vec<Line<'static>> {
    let mut lines: Vec<Line> = Vec::new();
    for remark in remarks.iter().rev() {
        let words = format!("{} {}", clock(remark.ms / 1000), remark.words());
        let more = labelled("NOTE", &words, look.palette.bold(), look, width, rows - lines.len());
        lines.splice(0..0, more);
        if lines.len() >= rows {
            break;
        }
    }
    lines.resize(rows, Line::default());
    lines
}

/// A text with a label left of its first line; no line for no text.
fn labelled(
    label: &'static str,
    words: &str,
    style: Style,
    look: Look,
    width: u16,
    rows: usize,
) -> Vec<Line<'static>> {
    let gutter = usize::from(GUTTER);
    let lines = wrap_within(words, usize::from(width.saturating_sub(GUTTER)), rows);
    let labels = std::iter::once(label).chain(std::iter::repeat(""));
    lines
        .into_iter()
        .zip(labels)
        .map(|(line, label)| {
            Line::from(vec![
                Span::styled(format!("{label:<gutter$}"), look.palette.faint()),
                Span::styled(line, style),
            ])
        })
        .collect()
}
