//! Words that are spoken otherwise than they are written.
//!
//! Owns how they are found in a text. Must not know who speaks.

/// Replaces whole words, whatever their capitals, by what stands for them; what was put in is not searched again.
pub(super) fn replace(text: &str, table: &[(String, String)]) -> String {
    let mut spoken = String::with_capacity(text.len());
    let mut rest = text;
    let mut inside = false;
    while let Some(first) = rest.chars().next() {
        let found = table.iter().filter(|_| !inside).find_map(|(written, said)| {
            let length = starts_with(rest, written)?;
            let ends = !rest[length..].starts_with(char::is_alphanumeric);
            ends.then_some((length, said))
        });
        match found {
            Some((length, said)) => {
                spoken.push_str(said);
                rest = &rest[length..];
            }
            None => {
                inside = first.is_alphanumeric();
                spoken.push(first);
                rest = &rest[first.len_utf8()..];
            }
        }
    }
    spoken
}

/// The bytes of `text` that are `word`, capitals or not.
fn starts_with(text: &str, word: &str) -> Option<usize> {
    let mut letters = text.char_indices();
    for wanted in word.chars() {
        let (_, found) = letters.next()?;
        if !found.to_lowercase().eq(wanted.to_lowercase()) {
            return None;
        }
    }
    Some(letters.next().map_or(text.len(), |(at, _)| at))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(pairs: &[(&str, &str)]) -> Vec<(String, String)> {
        pairs.iter().map(|(written, said)| (written.to_string(), said.to_string())).collect()
    }

    #[test]
    fn whole_words_are_replaced_whatever_their_capitals() {
        let table = table(&[("papr", "powered hood"), ("5 %", "five per cent")]);
        assert_eq!(replace("PAPR on. Paprika. papr!", &table), "powered hood on. Paprika. powered hood!");
        assert_eq!(replace("Use 5 % only; not 15 %.", &table), "Use five per cent only; not 15 %.");
    }

    #[test]
    fn what_was_put_in_is_not_searched_again() {
        assert_eq!(replace("a b", &table(&[("a", "b"), ("b", "c")])), "b c");
    }
}
