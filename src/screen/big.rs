//! The large screen: readable across a desk, calm, and drawn only when something changed.
//!
//! Owns when to draw and what to do when the terminal fails. The layout is in `layout` and `stage`, the terminal's own
//! state in `terminal`.

mod compact;
mod layout;
mod letters;
mod palette;
mod stage;
mod terminal;

use self::layout::{Look, Picture};
use self::palette::Palette;
use super::plain::Plain;
use super::view::Scene;
use super::{LastHeard, Screen, View};
use crate::procedure::{Procedure, Role};
use crate::session::{Action, Event, State};
use crossbeam_channel::Receiver;
use crossterm::terminal::{BeginSynchronizedUpdate, EndSynchronizedUpdate};
use crossterm::{execute, queue};
use ratatui::backend::{Backend, CrosstermBackend};
use ratatui::Terminal;
use std::io::{self, BufWriter, Stderr, Stdout};
use std::time::{Duration, Instant};

/// Drawings of the same moment are at least this far apart.
const PACE: Duration = Duration::from_millis(100);
/// Remarks kept; the screen shows the latest, and all are written out at the end.
const REMARKS: usize = 500;

/// A fallback, a loss, or a line that a library wrote to stderr.
#[derive(Debug, Clone)]
struct Remark {
    ms: u64,
    text: String,
    /// In a row.
    times: u32,
}

impl Remark {
    fn words(&self) -> String {
        match self.times {
            1 => self.text.clone(),
            times => format!("{} ({times} times)", self.text),
        }
    }
}

type Drawn = Terminal<CrosstermBackend<BufWriter<Stdout>>>;

/// The large screen on stdout. Dropping it gives the terminal back.
pub struct Big {
    terminal: Drawn,
    look: Look,
    pace: Pace,
    said: Option<String>,
    remarks: Vec<Remark>,
    dropped: usize,
    /// What others write to stderr while the picture is up.
    stderr: Receiver<String>,
    now_ms: u64,
    /// Whose phrases are not shown before the tool has said them.
    by_heart: Option<Role>,
    /// Takes over, on stderr, when the terminal can no longer be drawn on.
    instead: Option<Plain<Stderr>>,
}

impl Big {
    /// Takes the terminal.
    ///
    /// # Errors
    /// When stdout is not a terminal, can't place a cursor, or can't be set up. The terminal is then as it was.
    pub fn open() -> io::Result<Big> {
        let stderr = terminal::enter()?;
        let drawn = Terminal::new(CrosstermBackend::new(BufWriter::with_capacity(1 << 16, io::stdout())))
            .and_then(|mut drawn| drawn.clear().map(|()| drawn));
        let terminal = drawn.inspect_err(|_| terminal::leave())?;
        let variable = |name: &str| std::env::var(name).ok();
        Ok(Big {
            terminal,
            look: Look {
                palette: Palette::new(variable("NO_COLOR").as_deref()),
                sizes: letters::sizes(variable("TERM").as_deref()),
            },
            pace: Pace::default(),
            said: None,
            remarks: Vec::new(),
            dropped: 0,
            stderr,
            now_ms: 0,
            by_heart: None,
            instead: None,
        })
    }

    /// From now on this one's phrases are not shown before the tool has said them.
    pub fn by_heart(mut self, role: Option<Role>) -> Big {
        self.by_heart = role;
        self
    }

    fn keep(&mut self, ms: u64, text: &str) {
        self.pace.touch();
        if let Some(last) = self.remarks.last_mut().filter(|last| last.text == text) {
            last.times += 1;
            return;
        }
        if self.remarks.len() == REMARKS {
            self.remarks.remove(0);
            self.dropped += 1;
        }
        self.remarks.push(Remark { ms, text: text.to_string(), times: 1 });
    }

    /// A line that was written to stderr.
    fn keep_line(&mut self, ms: u64, line: &str) {
        let line = line.trim();
        let text = line.strip_prefix("note: ").unwrap_or(line);
        if !text.is_empty() {
            self.keep(ms, text);
        }
    }

    fn draw(&mut self, view: &View) -> io::Result<()> {
        if !terminal::is_taken() {
            return Err(io::Error::other("a part of the program gave the terminal back"));
        }
        let picture = Picture { view, said: self.said.as_deref(), remarks: &self.remarks };
        let look = self.look;
        // Terminals that know it show the drawing as a whole; the others ignore it.
        queue!(self.terminal.backend_mut(), BeginSynchronizedUpdate)?;
        self.terminal.draw(|frame| layout::draw(picture, look, frame.area(), frame.buffer_mut()))?;
        execute!(self.terminal.backend_mut(), EndSynchronizedUpdate)
    }

    /// Leaves the picture; lines on stderr from now on, beginning with what was noted so far.
    fn give_up(&mut self, error: &io::Error) {
        let mut plain = Plain::new(io::stderr());
        self.put_down(&mut plain);
        plain.remark(self.now_ms, &format!("the large screen failed ({error}); one line an event instead"));
        self.instead = Some(plain);
    }

    /// Gives the terminal back and writes what was noted, so that it can still be read on the normal screen.
    fn put_down(&mut self, plain: &mut Plain<Stderr>) {
        terminal::leave();
        let late = terminal::last_lines(&self.stderr);
        let now_ms = self.now_ms;
        late.iter().for_each(|line| self.keep_line(now_ms, line));
        if self.dropped > 0 {
            plain.remark(0, &format!("{} notes are no longer kept here", self.dropped));
        }
        for remark in std::mem::take(&mut self.remarks) {
            plain.remark(remark.ms, &remark.words());
        }
    }
}

impl Screen for Big {
    fn event(&mut self, procedure: &Procedure, event: &Event, actions: &[Action]) {
        if let Some(plain) = &mut self.instead {
            return plain.event(procedure, event, actions);
        }
        for action in actions {
            if let Action::Say { text, .. } = action {
                self.said = Some(text.clone());
                self.pace.touch();
            }
        }
    }

    fn show(&mut self, procedure: &Procedure, state: &State, last: Option<&LastHeard>) {
        if self.instead.is_some() {
            return;
        }
        self.now_ms = state.now_ms;
        while let Ok(line) = self.stderr.try_recv() {
            self.keep_line(state.now_ms, &line);
        }
        let mut view = View::of(procedure, state, last);
        if self.by_heart.is_some() && view.turn == self.by_heart {
            view.hide_phrases(state);
        }
        let size = self.terminal.backend().size().map_or((0, 0), |size| (size.width, size.height));
        if self.pace.due(&view, size, Instant::now()) {
            if let Err(error) = self.draw(&view) {
                self.give_up(&error);
            }
        }
    }

    fn remark(&mut self, ms: u64, text: &str) {
        match &mut self.instead {
            Some(plain) => plain.remark(ms, text),
            None => self.keep(ms, text),
        }
    }

    fn close(&mut self) {
        if self.instead.is_none() {
            let mut plain = Plain::new(io::stderr());
            self.put_down(&mut plain);
            self.instead = Some(plain);
        }
    }
}

impl Drop for Big {
    fn drop(&mut self) {
        self.close();
    }
}

/// Decides when to draw: never the same picture twice, at once when the moment changes, otherwise at `PACE`.
#[derive(Debug, Default)]
struct Pace {
    drawn: Option<(Instant, View, (u16, u16))>,
    touched: bool,
}

impl Pace {
    /// Something besides the view has changed.
    fn touch(&mut self) {
        self.touched = true;
    }

    /// Whether to draw now; the caller then does.
    fn due(&mut self, view: &View, size: (u16, u16), now: Instant) -> bool {
        let due = match &self.drawn {
            None => true,
            Some((_, last, _)) if moment(last) != moment(view) => true,
            Some((at, last, last_size)) => {
                (self.touched || last != view || *last_size != size)
                    && now.saturating_duration_since(*at) >= PACE
            }
        };
        if due {
            self.drawn = Some((now, view.clone(), size));
            self.touched = false;
        }
        due
    }
}

/// What nobody may be late to see.
fn moment(view: &View) -> (Scene, &str, Option<Role>, bool, Option<&str>) {
    (view.scene, &view.place, view.awaited, view.speaking, view.held.as_deref())
}

#[cfg(test)]
mod tests;
