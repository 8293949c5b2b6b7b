//! Letters larger than a terminal's own, made of block characters.
//!
//! Owns the choice of the largest size that fits. Must not know what the words mean.

use crate::screen::text;
use ratatui::buffer::Buffer;
use ratatui::layout::{Alignment, Rect};
use ratatui::style::Style;
use ratatui::text::Line;
use ratatui::widgets::Widget;
use tui_big_text::{BigText, PixelSize};

/// A size of letter: how it is drawn, and the cells one letter takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Size {
    pixels: PixelSize,
    pub columns: usize,
    pub rows: usize,
}

/// Largest first. Sizes made of sixths or eighths of a cell are left out: many fonts don't have those characters.
const SIZES: [Size; 3] = [
    Size { pixels: PixelSize::Full, columns: 8, rows: 8 },
    Size { pixels: PixelSize::HalfHeight, columns: 8, rows: 4 },
    Size { pixels: PixelSize::Quadrant, columns: 4, rows: 4 },
];

/// The smallest size.
#[cfg(test)]
pub const SMALLEST: Size = SIZES[2];

/// Sizes a terminal can draw. A Linux text console has half blocks in its font, but no quadrants.
pub fn sizes(term: Option<&str>) -> &'static [Size] {
    match term {
        Some("linux") => &SIZES[..2],
        _ => &SIZES,
    }
}

/// Words broken into lines of letters of one size.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lettering {
    pub size: Size,
    pub lines: Vec<String>,
}

impl Lettering {
    /// The words in this size, broken between words; `None` where a word is wider than a line, or has a letter that
    /// can't be drawn large.
    pub fn of(words: &str, size: Size, width: usize) -> Option<Lettering> {
        let letters = width / size.columns;
        // A letter is one column of text here, so that wrapping counts letters.
        if words.split(' ').any(|word| word.chars().count() > letters) || !words.chars().all(drawable) {
            return None;
        }
        let lines = text::wrap(words, letters);
        (!lines.is_empty()).then_some(Lettering { size, lines })
    }

    pub fn rows(&self) -> usize {
        self.lines.len() * self.size.rows
    }

    /// Draws it centred from the area's top on; what does not fit is cut off.
    pub fn draw(&self, area: Rect, buffer: &mut Buffer, style: Style) {
        let lines: Vec<Line> = self.lines.iter().map(|line| Line::from(line.as_str())).collect();
        BigText::builder()
            .lines(lines)
            .style(style)
            .pixel_size(self.size.pixels)
            .alignment(Alignment::Center)
            .build()
            .render(area.intersection(buffer.area), buffer);
    }
}

/// Whether the large font has this letter. Asked of the font itself: a letter that it lacks leaves the canvas as it was.
fn drawable(letter: char) -> bool {
    if letter == ' ' || letter.is_ascii_graphic() {
        return true;
    }
    if text::columns(letter.encode_utf8(&mut [0; 4])) != 1 {
        return false;
    }
    const CANVAS: Rect = Rect { x: 0, y: 0, width: 8, height: 8 };
    let mut canvas = Buffer::empty(CANVAS);
    let untouched = canvas.clone();
    BigText::builder().lines(vec![Line::from(letter.to_string())]).build().render(CANVAS, &mut canvas);
    canvas != untouched
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_kept_whole_and_lines_counted_in_rows() {
        let lettering = Lettering::of("inner gloves are on", SMALLEST, 56).unwrap();
        assert_eq!(lettering.lines, ["inner gloves", "are on"]);
        assert_eq!(lettering.rows(), 8);
    }

    #[test]
    fn a_word_wider_than_a_line_does_not_fit() {
        assert_eq!(Lettering::of("decontamination", SMALLEST, 59), None);
        assert!(Lettering::of("decontamination", SMALLEST, 60).is_some());
    }

    #[test]
    fn hangul_and_combined_letters_are_not_drawn_large_but_accents_are() {
        assert_eq!(Lettering::of("장갑", SMALLEST, 80), None);
        assert_eq!(Lettering::of("e\u{301}te", SMALLEST, 80), None);
        assert!(Lettering::of("été", SMALLEST, 80).is_some());
    }

    #[test]
    fn a_letter_is_really_drawn() {
        let mut buffer = Buffer::empty(Rect::new(0, 0, 8, 4));
        Lettering::of("on", SMALLEST, 8).unwrap().draw(buffer.area, &mut buffer, Style::new());
        let drawn = buffer.content().iter().filter(|cell| cell.symbol() != " ").count();
        assert!(drawn > 8, "{buffer:?}");
    }

    #[test]
    fn a_text_console_is_not_given_quadrants() {
        assert!(!sizes(Some("linux")).contains(&SMALLEST));
        assert!(sizes(Some("xterm-256color")).contains(&SMALLEST));
        assert!(sizes(None).contains(&SMALLEST));
    }
}
