//! The bar that long work shows on standard error.

use indicatif::{ProgressBar, ProgressStyle};

/// A bar of so many pieces of work. `words` stand behind it, in indicatif's template.
pub fn bar(pieces: u64, words: &str) -> ProgressBar {
    ProgressBar::new(pieces).with_style(style(words))
}

/// How a bar looks with these words.
pub fn style(words: &str) -> ProgressStyle {
    let style = ProgressStyle::with_template(&format!("{{bar:40}} {words}"));
    // Every template is written here in the program; a wrong one shows in the bar's own style.
    style.unwrap_or_else(|_| ProgressStyle::default_bar())
}
