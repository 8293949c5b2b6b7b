//! The middle of the screen: whose turn it is, and the phrase to say, as large as it can be.
//!
//! Owns the trade between the two. The worker's place is on the left and the observer's on the right, always.

use super::layout::{calls_words, draw_lines, split_top, Look};
use super::letters::{Lettering, Size};
use crate::procedure::Role;
use crate::screen::text::{shorten, wrap_within};
use crate::screen::view::{Scene, View};
use crate::session::Outcome;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::text::Line;
use ratatui::widgets::Widget;

/// Rows of the banner: large letters with a margin, large letters, a thick bar, a thin one.
const BANNERS: [u16; 4] = [6, 4, 3, 1];
/// A stage of fewer rows does without the margin.
const ROWS_FOR_MARGIN: u16 = 24;
/// More lines of large letters than this are harder to read than one of normal ones.
const MOST_LINES: usize = 4;

pub fn draw(view: &View, look: Look, area: Rect, buffer: &mut Buffer) {
    let width = usize::from(area.width);
    let prompt = prompt_lines(view, look, width);
    let extras = extra_lines(view, look, width);
    let (above, below) = (prompt.len() as u16, extras.len() as u16);
    let (banner, body) = body(view, look, area.width, area.height.saturating_sub(above + below));
    let (top, rest) = split_top(area, banner);
    draw_banner(view, look, top, buffer);
    let (rows, rest) = split_top(rest, above);
    draw_lines(&prompt, rows, buffer);
    let (middle, bottom) = split_top(rest, rest.height.saturating_sub(below));
    draw_lines(&extras, bottom, buffer);
    let style = if must_wait(view) { look.palette.faint() } else { look.palette.bold() };
    body.draw(middle, style, buffer);
}

/// Nobody is to speak yet: the tool speaks, or the minimum time is not over.
fn must_wait(view: &View) -> bool {
    view.turn.is_some() && (view.speaking || view.not_before_s.is_some())
}

// ---- the phrase ----

pub(super) enum Body {
    /// One lettering a phrase, all of one size.
    Large(Vec<Lettering>),
    /// Lines of the terminal's own letters.
    Text(Vec<String>),
}

/// Rows for the banner, and the phrases (or a text) as large as the rest allows. The banner comes first, so that it
/// has one size in most steps; it gives way only to phrases that would not be large otherwise.
pub(super) fn body(view: &View, look: Look, width: u16, rows: u16) -> (u16, Body) {
    let skipped = usize::from(rows < ROWS_FOR_MARGIN);
    for banner in &BANNERS[skipped..] {
        for size in look.sizes {
            let Some(letterings) = letterings(&view.expected, *size, usize::from(width)) else { continue };
            if banner + large_rows(&letterings) <= rows {
                return (*banner, Body::Large(letterings));
            }
        }
    }
    let lines = text_lines(view, usize::from(width), usize::from(rows).saturating_sub(1));
    let fits = |banner: &&u16| usize::from(**banner) + lines.len() <= rows.into();
    let banner = BANNERS[skipped..].iter().find(fits).copied().unwrap_or(1);
    (banner, Body::Text(lines))
}

/// Rows of the letterings with an `or` between each two.
fn large_rows(letterings: &[Lettering]) -> u16 {
    letterings.iter().map(|lettering| lettering.rows() as u16 + 1).sum::<u16>().saturating_sub(1)
}

/// Every phrase in this size; `None` without phrases or when one does not fit.
fn letterings(phrases: &[String], size: Size, width: usize) -> Option<Vec<Lettering>> {
    let all: Option<Vec<Lettering>> =
        phrases.iter().map(|phrase| Lettering::of(phrase, size, width)).collect();
    all.filter(|all| !all.is_empty() && all.iter().map(|one| one.lines.len()).sum::<usize>() <= MOST_LINES)
}

/// The phrases in the terminal's own letters, or what there is to tell when no phrase is awaited.
fn text_lines(view: &View, width: usize, rows: usize) -> Vec<String> {
    if view.expected.is_empty() {
        let words = match view.scene {
            Scene::Ready => view.title.clone(),
            Scene::Ended(_) => format!("{}; {} of {} steps done", view.place, view.done, view.of),
            _ => view.text.clone(),
        };
        return wrap_within(&words, width.min(76), rows);
    }
    let each = (rows / view.expected.len()).max(1);
    let mut lines = Vec::new();
    for phrase in &view.expected {
        if !lines.is_empty() {
            lines.push("or".to_string());
        }
        lines.extend(wrap_within(&quoted(phrase), width, each));
    }
    lines.truncate(rows);
    lines
}

impl Body {
    fn draw(&self, area: Rect, style: Style, buffer: &mut Buffer) {
        match self {
            Body::Large(letterings) => {
                let mut area = below_half(area, large_rows(letterings));
                for (index, lettering) in letterings.iter().enumerate() {
                    if index > 0 {
                        let (row, rest) = split_top(area, 1);
                        Line::styled("or", style).centered().render(row, buffer);
                        area = rest;
                    }
                    let (rows, rest) = split_top(area, lettering.rows() as u16);
                    lettering.draw(rows, buffer, style);
                    area = rest;
                }
            }
            Body::Text(lines) => {
                let lines: Vec<Line> =
                    lines.iter().map(|line| Line::styled(line.as_str(), style).centered()).collect();
                draw_lines(&lines, below_half(area, lines.len() as u16), buffer);
            }
        }
    }
}

/// The part of an area that is left when something of so many rows stands in its middle.
fn below_half(area: Rect, rows: u16) -> Rect {
    split_top(area, area.height.saturating_sub(rows) / 2).1
}

fn quoted(phrase: &str) -> String {
    format!("\u{201c}{phrase}\u{201d}")
}

// ---- around the phrase ----

/// Who says it and when, above the phrase; on hold, first the reason.
fn prompt_lines(view: &View, look: Look, width: usize) -> Vec<Line<'static>> {
    let style = if view.speaking { look.palette.faint() } else { look.palette.bold() };
    let why = view.held.as_deref().unwrap_or_default();
    let why = wrap_within(why, width, 2).into_iter().map(|line| Line::styled(line, look.palette.bold()));
    let prompt = prompt_words(view).into_iter().map(|words| Line::styled(words, style));
    why.chain(prompt).map(Line::centered).collect()
}

fn prompt_words(view: &View) -> Option<String> {
    let Some(role) = view.turn.map(Role::name) else {
        return view.speaking.then(|| "the tool is speaking".to_string());
    };
    let name = role.to_uppercase();
    Some(match (view.speaking, view.not_before_s, view.scene) {
        (true, Some(seconds), _) => format!("the tool is speaking; {seconds} s after it the {role} may say:"),
        (true, None, _) => format!("the tool is speaking; after it the {role} says:"),
        (false, Some(seconds), _) => format!("{name}: NOT YET, {seconds} s MORE. Then, when it is so, say:"),
        (false, None, Scene::Confirm) => format!("{name}, if you saw it done right, say:"),
        (false, None, Scene::HoldPoint) => format!("{name}, to release the hold point say:"),
        (false, None, Scene::Held) => format!("{name}, to go on say:"),
        (false, None, Scene::Deciding) => format!("{name}, you accepted it. Why? Say:"),
        (false, None, Scene::Question) => format!("{name}, answer:"),
        (false, None, _) => format!("{name}, when it is done say:"),
    })
}

/// What else can be said, below the phrase.
fn extra_lines(view: &View, look: Look, width: usize) -> Vec<Line<'static>> {
    let mut lines = Vec::new();
    let list = |phrases: &[String]| phrases.iter().map(|p| quoted(p)).collect::<Vec<_>>().join(" or ");
    if !view.also.is_empty() {
        lines.push(format!("or {}", list(&view.also)));
    }
    if !view.refusals.is_empty() {
        lines.push(format!("if it is NOT right, say:  {}", list(&view.refusals)));
    }
    if !view.decisions.is_empty() {
        lines.push(format!("OBSERVER, if you saw it done right:  {}", list(&view.decisions)));
    }
    if view.held.is_some() && !view.calls.is_empty() {
        lines.push(format!("or:  {}", calls_words(view)));
    }
    let style = if view.speaking { look.palette.faint() } else { look.palette.bold() };
    lines.into_iter().map(|line| Line::styled(shorten(&line, width), style).centered()).collect()
}

// ---- the banner ----

fn draw_banner(view: &View, look: Look, area: Rect, buffer: &mut Buffer) {
    let (word, style) = match (view.scene, view.awaited) {
        (Scene::Held, _) => ("ON HOLD", look.palette.hold()),
        (_, Some(role)) => return seats(role, look, area, buffer),
        (Scene::Ended(outcome), _) => (ended_words(outcome), look.palette.bold()),
        (Scene::Ready, _) => ("READY", look.palette.bold()),
        _ if view.speaking => ("LISTEN", look.palette.bold()),
        // Nothing is spoken and nobody awaited for the moment between two events.
        _ => ("", look.palette.bold()),
    };
    bar(word, style, look, area, buffer);
}

fn ended_words(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Completed => "ALL DONE",
        Outcome::Exited => "OUT",
        Outcome::Stopped => "STOPPED",
        Outcome::InputEnded => "SOUND ENDED",
        Outcome::Interrupted => "INTERRUPTED",
    }
}

/// Two halves, one a person; the half of the one who is awaited is filled and names them in capitals.
fn seats(awaited: Role, look: Look, area: Rect, buffer: &mut Buffer) {
    let half = area.width / 2;
    let left = Rect { width: half, ..area };
    let right = Rect { x: area.right() - half, width: half, ..area };
    for (role, seat) in [(Role::Worker, left), (Role::Observer, right)] {
        if role == awaited {
            bar(&role.name().to_uppercase(), look.palette.turn(role), look, seat, buffer);
        } else {
            let name = Line::styled(role.name(), look.palette.faint());
            name.centered().render(below_half(seat, 1), buffer);
        }
    }
}

/// A filled area with a word as large as it can be.
fn bar(word: &str, style: Style, look: Look, area: Rect, buffer: &mut Buffer) {
    buffer.set_style(area, style);
    let style = style.patch(look.palette.bold());
    let large = look
        .sizes
        .iter()
        .filter_map(|size| Lettering::of(word, *size, area.width.into()))
        .find(|lettering| lettering.lines.len() == 1 && lettering.rows() <= area.height.into());
    match large {
        Some(lettering) => lettering.draw(below_half(area, lettering.rows() as u16), buffer, style),
        None if word.is_empty() => {}
        None => {
            let words = shorten(&format!(">>>  {word}  <<<"), area.width.into());
            Line::styled(words, style).centered().render(below_half(area, 1), buffer);
        }
    }
}
