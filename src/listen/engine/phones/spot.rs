//! Finds one word anywhere in an utterance: 'correction', after which only what follows counts (a self-correction, as in
//! aeronautical phraseology: SERA.14075 in the Commission Implementing Regulation (EU) 923/2012).
//!
//! Owns the search. Pure arithmetic: must not know what the symbols mean.

use super::ctc::Frames;

/// The frame after the last one of the sequence where it fits best, if it fits there by at least `bar` nats a symbol.
/// What stands before and after costs nothing.
pub fn end_of(frames: &Frames, sequence: &[u8], bar: f64) -> Option<usize> {
    // States as in `ctc`, but the first symbol may begin at any frame, and nothing need follow the last.
    let count = 2 * sequence.len() - 1;
    let mut scores = vec![f64::NEG_INFINITY; count];
    let mut best = (f64::NEG_INFINITY, 0);
    for (frame, blank) in frames.blank.iter().enumerate() {
        let row = &frames.symbols[frame * frames.symbol_count..][..frames.symbol_count];
        for state in (0..count).rev() {
            let symbol = sequence[state / 2];
            let mut into = scores[state];
            if state == 0 {
                into = into.max(0.0);
            } else {
                into = into.max(scores[state - 1]);
            }
            // Past the blank between two different symbols.
            if state % 2 == 0 && state > 1 && symbol != sequence[state / 2 - 1] {
                into = into.max(scores[state - 2]);
            }
            let value = if state % 2 == 0 { row[usize::from(symbol)] } else { *blank };
            scores[state] = into + value.ln();
        }
        if scores[count - 1] > best.0 {
            best = (scores[count - 1], frame + 1);
        }
    }
    (best.0 >= bar * sequence.len() as f64).then_some(best.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(said: &[Option<u8>], sequence: &[u8]) -> Option<usize> {
        let value = |hit: bool| if hit { 1.0 } else { 0.01 };
        let symbols: Vec<f64> =
            said.iter().flat_map(|said| (0..4).map(move |symbol| value(*said == Some(symbol)))).collect();
        let blank: Vec<f64> = said.iter().map(|said| value(said.is_none())).collect();
        end_of(&Frames { symbols: &symbols, blank: &blank, symbol_count: 4 }, sequence, -0.5)
    }

    #[test]
    fn a_word_is_found_with_anything_around_it_and_its_end_is_known() {
        let said = [Some(3), None, Some(0), None, Some(1), Some(1), Some(2), Some(3), Some(3)];
        assert_eq!(found(&said, &[0, 1, 2]), Some(7));
        assert_eq!(found(&said[2..], &[0, 1, 2]), Some(5));
    }

    #[test]
    fn a_word_that_lacks_a_sound_is_not_found() {
        assert_eq!(found(&[Some(3), Some(0), Some(2), Some(3)], &[0, 1, 2]), None);
        assert_eq!(found(&[], &[0, 1]), None);
    }

    #[test]
    fn the_same_sound_twice_needs_a_blank_between() {
        assert_eq!(found(&[Some(0), Some(0), Some(0)], &[0, 0]), None);
        assert_eq!(found(&[Some(0), None, Some(0)], &[0, 0]), Some(3));
    }
}
