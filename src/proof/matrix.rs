//! A picture of which phrase can be taken for which.
//!
//! Owns the drawing (SVG). Must not know how risks come about.

use super::book::{Book, RivalKind, Standing};
use super::ear::percent;
use crate::procedure::{PhraseId, Procedure, Role};
use askama::Template;

/// Side of one cell, and room for a phrase's words, in pixels.
const CELL: usize = 16;
const WORDS: usize = 270;
const TOP: usize = 250;
const LEGEND: usize = 96;
/// Upper ends of the shades, and the colour of each: from sand to deep red, told apart in grey too.
const SHADES: [(f64, &str, &str); 5] = [
    (0.001, "#f4f1ea", "under 0.1 %"),
    (0.003, "#f3d9a8", "0.1 to 0.3 %"),
    (0.01, "#e8a95c", "0.3 to 1 %"),
    (0.05, "#cf5f2e", "1 to 5 %"),
    (f64::INFINITY, "#7d1420", "over 5 %"),
];

struct Row {
    text: String,
    y: usize,
    words_y: usize,
    colour: &'static str,
}

struct Column {
    text: String,
    x: usize,
}

struct Cell {
    x: usize,
    y: usize,
    fill: &'static str,
    /// Both may be said at the same moment.
    together: bool,
    title: String,
}

struct Key {
    x: usize,
    fill: &'static str,
    words: &'static str,
}

#[derive(Template)]
#[template(path = "matrix.svg", escape = "html")]
struct Picture {
    title: String,
    width: usize,
    height: usize,
    left: usize,
    top: usize,
    cell: usize,
    legend_y: usize,
    rows: Vec<Row>,
    columns: Vec<Column>,
    cells: Vec<Cell>,
    keys: Vec<Key>,
}

/// Rows are what is said, columns what it is taken for. Built-in phrases are in it too.
pub fn svg(procedure: &Procedure, book: &Book) -> Result<String, askama::Error> {
    let count = procedure.phrases.len();
    let colour = |by: Option<Role>| match by {
        Some(Role::Worker) => "#1d4e89",
        Some(Role::Observer) => "#2f6b3a",
        None => "#333333",
    };
    let rows = procedure.phrases.iter().enumerate().map(|(index, phrase)| Row {
        text: phrase.text.clone(),
        y: TOP + index * CELL,
        words_y: TOP + index * CELL + CELL - 4,
        colour: colour(phrase.by),
    });
    let columns = procedure
        .phrases
        .iter()
        .enumerate()
        .map(|(index, phrase)| Column { text: phrase.text.clone(), x: WORDS + index * CELL + CELL - 4 });
    let picture = Picture {
        title: procedure.title.clone(),
        width: WORDS + count * CELL + 24,
        height: TOP + count * CELL + LEGEND,
        left: WORDS,
        top: TOP,
        cell: CELL - 1,
        legend_y: TOP + count * CELL + 22,
        rows: rows.collect(),
        columns: columns.collect(),
        cells: cells(procedure, book),
        keys: SHADES
            .iter()
            .enumerate()
            .map(|(index, (_, fill, words))| Key { x: WORDS + index * 120, fill, words })
            .collect(),
    };
    picture.render()
}

fn cells(procedure: &Procedure, book: &Book) -> Vec<Cell> {
    let mut cells = Vec::new();
    for said in 0..procedure.phrases.len() {
        for of in (0..procedure.phrases.len()).filter(|of| *of != said) {
            let rival = book.rivals[of].iter().find_map(|rival| match rival.kind {
                RivalKind::Phrase { id, standing } if usize::from(id.0) == said => {
                    Some((standing, rival.risk))
                }
                _ => None,
            });
            let beside = book.beside[of].contains(&PhraseId(said as u16));
            let (standing, risk) =
                rival.unwrap_or((if beside { Standing::Together } else { Standing::Apart }, 0.0));
            let together = standing == Standing::Together;
            let shade = SHADES.iter().position(|(most, ..)| risk < *most).unwrap_or(SHADES.len() - 1);
            if shade == 0 && !together {
                continue;
            }
            let (words, other) = (&procedure.phrases[said].text, &procedure.phrases[of].text);
            cells.push(Cell {
                x: WORDS + of * CELL,
                y: TOP + said * CELL,
                fill: SHADES[shade].1,
                together,
                title: format!("\"{words}\" taken for \"{other}\": {}", percent(risk)),
            });
        }
    }
    cells
}
