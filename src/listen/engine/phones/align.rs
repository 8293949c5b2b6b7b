//! Where in an utterance a phone sequence lies, and how badly it fits there: the best single path of the lattice whose
//! sum `ctc` gives (Viterbi).
//!
//! Owns the path and what is read off it. Pure arithmetic: must not know what the symbols mean, nor judge.

use super::super::Fit;
use super::ctc::Frames;

/// One frame of the network, ms.
pub const FRAME_MS: f32 = 20.0;
/// Frames of the window in which a wrong word shows: 240 ms, about a syllable.
const WINDOW: usize = 12;
/// Nats a frame counts at most: one frame the network is wrong about says no more than that it is wrong.
const MOST_A_FRAME: f32 = 12.0;

/// Aligns a sequence and reads off where and how well it fits. `None` when it can't be said in so few frames.
pub fn fit(frames: &Frames, sequence: &[u8]) -> Option<Fit> {
    let states = best_path(frames, sequence)?;
    let loss = |frame: usize| -> f32 {
        let value = match states[frame] % 2 {
            1 => frames.symbols[frame * frames.symbol_count + usize::from(sequence[states[frame] / 2])],
            _ => frames.blank[frame],
        };
        (-(value.ln() as f32)).clamp(0.0, MOST_A_FRAME)
    };
    let losses: Vec<f32> = (0..states.len()).map(loss).collect();
    let is_phone = |state: &usize| state % 2 == 1;
    let first = states.iter().position(is_phone)?;
    let last = states.iter().rposition(is_phone)?;
    let inside = &losses[first..=last];
    let window = WINDOW.min(inside.len());
    let worst = inside.windows(window).map(|part| part.iter().sum::<f32>()).fold(0.0, f32::max);
    let gap = states[first..=last].split(is_phone).map(<[usize]>::len).max().unwrap_or(0);
    Some(Fit {
        start_ms: first as f32 * FRAME_MS,
        end_ms: (last + 1) as f32 * FRAME_MS,
        worst,
        before: losses[..first].iter().sum(),
        after: losses[last + 1..].iter().sum(),
        gap_ms: gap as f32 * FRAME_MS,
    })
}

/// The state of each frame: even ones are the blank before a phone (the last one after all), odd ones a phone.
fn best_path(frames: &Frames, sequence: &[u8]) -> Option<Vec<usize>> {
    let count = 2 * sequence.len() + 1;
    let length = frames.blank.len();
    let mut scores = vec![f64::NEG_INFINITY; count];
    // How far back the best way into a state came from: 0, 1 or 2 states.
    let mut steps = vec![0u8; count * length];
    let emitted = |frame: usize, state: usize| match state % 2 {
        1 => frames.symbols[frame * frames.symbol_count + usize::from(sequence[state / 2])].ln(),
        _ => frames.blank[frame].ln(),
    };
    for frame in 0..length {
        for state in (0..count).rev() {
            let (mut best, mut step) = if frame == 0 {
                (if state < 2 { 0.0 } else { f64::NEG_INFINITY }, 0)
            } else {
                (scores[state], 0)
            };
            if frame > 0 && state > 0 && scores[state - 1] > best {
                (best, step) = (scores[state - 1], 1);
            }
            let skips = state % 2 == 1 && state > 1 && sequence[state / 2] != sequence[state / 2 - 1];
            if frame > 0 && skips && scores[state - 2] > best {
                (best, step) = (scores[state - 2], 2);
            }
            scores[state] = best + emitted(frame, state);
            steps[frame * count + state] = step;
        }
    }
    let end = if scores[count - 1] >= scores[count - 2] { count - 1 } else { count - 2 };
    if !scores[end].is_finite() {
        return None;
    }
    let mut states = vec![end; length];
    for frame in (1..length).rev() {
        states[frame - 1] = states[frame] - usize::from(steps[frame * count + states[frame]]);
    }
    Some(states)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frames that say these symbols (blank: `None`) with this probability of the one said, the rest shared.
    fn frames(said: &[Option<u8>], sure: f64) -> (Vec<f64>, Vec<f64>) {
        let other = (1.0 - sure) / 3.0;
        let value = |hit: bool| if hit { 1.0 } else { other / sure };
        let symbols =
            said.iter().flat_map(|said| (0..3).map(move |symbol| value(*said == Some(symbol)))).collect();
        (symbols, said.iter().map(|said| value(said.is_none())).collect())
    }

    fn fitted(said: &[Option<u8>], sequence: &[u8]) -> Option<Fit> {
        let (symbols, blank) = frames(said, 0.9);
        fit(&Frames { symbols: &symbols, blank: &blank, symbol_count: 3 }, sequence)
    }

    #[test]
    fn a_sequence_said_cleanly_lies_where_it_was_said_and_loses_nothing() {
        let fit = fitted(&[None, Some(0), Some(0), None, None, Some(1), None], &[0, 1]).unwrap();
        assert_eq!((fit.start_ms, fit.end_ms, fit.gap_ms), (20.0, 120.0, 40.0));
        assert!(fit.worst < 1e-6 && fit.before < 1e-6 && fit.after < 1e-6, "{fit:?}");
    }

    #[test]
    fn a_wrong_phone_shows_in_the_worst_window_and_words_around_it_outside() {
        let loss = (27.0f32).ln();
        let wrong = fitted(&[None, Some(0), Some(2), Some(1), None], &[0, 1]).unwrap();
        assert!((wrong.worst - loss).abs() < 1e-4, "{wrong:?}");
        let around = fitted(&[Some(2), None, Some(0), Some(1), None, Some(2), Some(2)], &[0, 1]).unwrap();
        assert!(
            (around.before - loss).abs() < 1e-4 && (around.after - 2.0 * loss).abs() < 1e-4,
            "{around:?}"
        );
        assert!(around.worst < 1e-6);
    }

    #[test]
    fn the_same_phone_twice_needs_a_blank_and_too_few_frames_hold_nothing() {
        assert!(fitted(&[Some(0), Some(0)], &[0, 0]).is_none());
        assert!(fitted(&[Some(0)], &[0, 1]).is_none());
        assert!(fitted(&[Some(0), None, Some(0)], &[0, 0]).is_some());
    }

    /// The path's own product is the largest among all paths: compared with every path of a small lattice.
    #[test]
    fn the_best_path_is_the_best_of_all_paths() {
        let mut x = 7u64;
        let mut random = || {
            x = x.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            0.05 + (x >> 40) as f64 / (1u64 << 24) as f64
        };
        for _ in 0..50 {
            let symbols: Vec<f64> = (0..12).map(|_| random()).collect();
            let blank: Vec<f64> = (0..6).map(|_| random()).collect();
            let frames = Frames { symbols: &symbols, blank: &blank, symbol_count: 2 };
            let sequence = [0u8, 1, 1];
            let product = |states: &[usize]| -> f64 {
                states
                    .iter()
                    .enumerate()
                    .map(|(frame, state)| match state % 2 {
                        1 => symbols[frame * 2 + usize::from(sequence[state / 2])],
                        _ => blank[frame],
                    })
                    .product()
            };
            let got = product(&best_path(&frames, &sequence).unwrap());
            let mut best = 0.0f64;
            let mut path = [0usize; 6];
            walk(&sequence, &mut path, 0, &mut |path| best = best.max(product(path)));
            assert!((got - best).abs() < 1e-12, "{got} {best}");
        }
    }

    fn walk(sequence: &[u8], path: &mut [usize; 6], frame: usize, found: &mut dyn FnMut(&[usize])) {
        let last = 2 * sequence.len();
        if frame == path.len() {
            if path[frame - 1] + 1 >= last {
                found(path);
            }
            return;
        }
        let from = if frame == 0 { None } else { Some(path[frame - 1]) };
        for state in 0..=last {
            let allowed = match from {
                None => state < 2,
                Some(from) => {
                    state == from
                        || state == from + 1
                        || (state == from + 2
                            && state % 2 == 1
                            && sequence[state / 2] != sequence[state / 2 - 1])
                }
            };
            if allowed {
                path[frame] = state;
                walk(sequence, path, frame + 1, found);
            }
        }
    }
}
