//! How things look. Colour only ever repeats what text and position already say.

use crate::procedure::Role;
use ratatui::style::{Color, Modifier, Style};

/// Styles, with or without colour. The colours are the terminal's own sixteen, so that the user's theme holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Palette {
    pub colour: bool,
}

impl Palette {
    /// `no_color` is the value of the environment variable `NO_COLOR`: set and not empty means none (no-color.org).
    pub fn new(no_color: Option<&str>) -> Palette {
        Palette { colour: no_color.is_none_or(str::is_empty) }
    }

    /// A filled bar; reversed where there is no colour.
    fn bar(self, colour: Color) -> Style {
        if self.colour {
            Style::new().fg(Color::Black).bg(colour)
        } else {
            Style::new().add_modifier(Modifier::REVERSED)
        }
    }

    fn tinted(self, colour: Color) -> Style {
        if self.colour {
            Style::new().fg(colour)
        } else {
            Style::new()
        }
    }

    pub fn turn(self, role: Role) -> Style {
        self.bar(match role {
            Role::Worker => Color::Cyan,
            Role::Observer => Color::Green,
        })
    }

    pub fn hold(self) -> Style {
        self.bar(Color::Yellow)
    }

    pub fn critical(self) -> Style {
        self.bar(Color::LightRed).add_modifier(Modifier::BOLD)
    }

    pub fn counted(self, counted: bool) -> Style {
        self.tinted(if counted { Color::Green } else { Color::Yellow })
    }

    pub fn bold(self) -> Style {
        Style::new().add_modifier(Modifier::BOLD)
    }

    pub fn faint(self) -> Style {
        Style::new().add_modifier(Modifier::DIM)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_color_set_and_not_empty_means_no_colour() {
        assert!(Palette::new(None).colour);
        assert!(Palette::new(Some("")).colour);
        assert!(!Palette::new(Some("1")).colour);
    }

    #[test]
    fn without_colour_no_style_has_one_and_bars_are_still_seen() {
        let plain = Palette::new(Some("1"));
        let bars = [plain.turn(Role::Worker), plain.turn(Role::Observer), plain.hold(), plain.critical()];
        for style in bars {
            assert!(style.add_modifier.contains(Modifier::REVERSED));
        }
        for style in bars.into_iter().chain([plain.counted(true), plain.bold(), plain.faint()]) {
            assert_eq!((style.fg, style.bg), (None, None));
        }
    }
}
