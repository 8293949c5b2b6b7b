//! The words that the second ear is told of before it listens: those of the phrases that may come.
//!
//! Owns which words these are. Must not know how they are told. The network was brought up on everyday speech; told of
//! 'hood, gown, hose', it is less inclined to hear 'good', 'down' and 'oz'. The same words stand in a phrase's rivals, so
//! that it leans to none of them.

/// Words told at most: each costs time with every utterance.
const MOST: usize = 20;
/// Shorter words are everywhere; they say nothing of what may come.
const SHORTEST: usize = 4;

/// Of phrases, those that count first.
pub fn of<'a>(phrases: impl Iterator<Item = &'a str>) -> String {
    let mut told: Vec<&str> = Vec::new();
    for word in phrases.flat_map(|phrase| phrase.split(' ')) {
        if word.chars().count() >= SHORTEST && !told.contains(&word) {
            told.push(word);
        }
        if told.len() == MOST {
            break;
        }
    }
    match told.is_empty() {
        true => String::new(),
        false => format!("{}.", told.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_word_of_some_length_is_told_once_in_the_order_of_the_phrases() {
        let phrases = ["hood is on", "gown is tied", "hood and gown"];
        assert_eq!(of(phrases.into_iter()), "hood, gown, tied.");
        assert_eq!(of(["is on"].into_iter()), "");
        let many: Vec<String> = (0..90).map(|n| format!("word{n}")).collect();
        assert_eq!(of(many.iter().map(String::as_str)).split(", ").count(), MOST);
    }
}
