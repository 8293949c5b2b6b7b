//! The network against another implementation of it, in NumPy and by the same runtime's Python package from a graph of its
//! own, on prompts of Debian's asterisk-core-sounds-*-g722 1.6.1-1, whole files as they are.

use super::features::BANDS;
use super::*;
use std::path::Path;
use std::process::Command;

struct Reference {
    clip: &'static str,
    samples: usize,
    frames: usize,
    length: f32,
    /// The first of the voice, of length 1.
    voice: [f32; 8],
    /// Log power in frame 10, bands 0, 1, 20, 40 and 79; the same less each band's mean.
    logs: [f32; 5],
    rows: [f32; 5],
}

const REFERENCES: [Reference; 6] = [
    Reference {
        clip: "en_US_f_Allison/agent-alreadyon",
        samples: 88_262,
        frames: 550,
        length: 6.3475,
        voice: [-0.09602, 0.08724, 0.10603, -0.09137, -0.00300, 0.04129, -0.02921, 0.03271],
        logs: [-10.5170, -8.8506, -7.2178, -11.2104, -11.0834],
        rows: [-2.0378, -0.3207, -1.6983, -5.7105, -6.6038],
    },
    Reference {
        clip: "en_US_f_Allison/agent-incorrect",
        samples: 82_478,
        frames: 513,
        length: 6.6079,
        voice: [-0.08086, 0.07092, 0.12292, -0.06506, 0.01569, 0.01588, -0.01382, 0.03792],
        logs: [-8.2903, -8.4450, -8.3015, -8.3904, -4.6143],
        rows: [1.2132, 1.1351, -2.3930, -2.5485, 0.5229],
    },
    Reference {
        clip: "en_US_f_Allison/agent-pass",
        samples: 52_562,
        frames: 327,
        length: 6.3108,
        voice: [-0.05956, 0.05933, 0.10740, -0.03393, -0.00411, 0.05290, 0.01043, 0.05475],
        logs: [-7.2790, -6.3827, -2.3258, -5.4233, -4.3945],
        rows: [1.6146, 2.6977, 3.5347, 0.0917, 0.4254],
    },
    Reference {
        clip: "it_IT_m_Carlo/agent-pass",
        samples: 61_758,
        frames: 384,
        length: 7.0063,
        voice: [-0.05318, -0.06633, 0.15643, -0.06822, 0.01359, 0.03158, -0.05573, -0.02615],
        logs: [-8.3868, -8.8656, 1.7851, 4.7110, -3.7755],
        rows: [0.6227, -0.1506, 6.1188, 8.7925, 0.2685],
    },
    Reference {
        clip: "fr_CA_f_June/agent-pass",
        samples: 47_458,
        frames: 295,
        length: 8.2156,
        voice: [0.09999, -0.07969, -0.00565, -0.02908, -0.05024, 0.03585, 0.06350, -0.05957],
        logs: [-8.5146, -11.8025, -4.8378, -4.2156, -1.9848],
        rows: [1.2417, -1.8246, 1.7407, 1.6336, 2.2570],
    },
    Reference {
        clip: "ru_RU_f_IvrvoiceRU/agent-pass",
        samples: 35_804,
        frames: 222,
        length: 7.4658,
        voice: [-0.03241, 0.09402, 0.00093, -0.11968, 0.09162, 0.10357, 0.10298, 0.05720],
        logs: [-6.9634, -7.8590, -3.0198, -3.6189, -3.3006],
        rows: [2.6820, 1.9774, 2.9642, 0.4750, 0.0970],
    },
];

/// Cosines of the clips, each with those after it.
const COSINES: [[f32; 5]; 5] = [
    [0.9100, 0.8786, 0.2662, 0.3313, 0.1924],
    [0.8844, 0.2486, 0.2864, 0.1833, f32::NAN],
    [0.2395, 0.2829, 0.1886, f32::NAN, f32::NAN],
    [0.0857, 0.0785, f32::NAN, f32::NAN, f32::NAN],
    [0.1305, f32::NAN, f32::NAN, f32::NAN, f32::NAN],
];

/// The sound of a clip; `None` when its package is not installed, which is told.
fn clip(name: &str) -> Option<Vec<i16>> {
    let path = format!("/usr/share/asterisk/sounds/{name}.g722");
    if !Path::new(&path).is_file() {
        eprintln!("skipped: {path} is missing (models/setup.sh --test --bench installs the packages)");
        return None;
    }
    let told = ["-v", "error", "-f", "g722", "-i", &path, "-ac", "1", "-ar", "16000", "-f", "s16le", "-"];
    let decoded = Command::new("ffmpeg").args(told).output().expect("run models/setup.sh --test for ffmpeg");
    assert!(decoded.status.success(), "{}", String::from_utf8_lossy(&decoded.stderr));
    Some(decoded.stdout.chunks_exact(2).map(|two| i16::from_le_bytes([two[0], two[1]])).collect())
}

fn as_it_is(sound: &[i16]) -> Vec<f32> {
    sound.iter().map(|sample| f32::from(*sample) / 32_768.0).collect()
}

fn near(got: &[f32], wanted: &[f32], what: &str) {
    for (got, wanted) in got.iter().zip(wanted) {
        assert!((got - wanted).abs() < 0.01, "{what}: {got}, wanted {wanted}");
    }
}

#[test]
fn voices_are_those_of_another_implementation_to_a_hundredth() {
    let mut network = VoiceNetwork::load().expect("run models/setup.sh");
    let mut voices = Vec::new();
    for Reference { clip: name, samples, frames, length, voice, logs, rows } in &REFERENCES {
        let Some(sound) = clip(name) else {
            voices.push(None);
            continue;
        };
        assert_eq!(sound.len(), *samples, "{name} is another recording");
        let sound = as_it_is(&sound);
        let at = |seen: &[f32]| [0, 1, 20, 40, 79].map(|band| seen[band * frames + 10]);
        let seen = network.features.logs(&sound);
        assert_eq!(seen.len(), BANDS * frames);
        near(&at(&seen), logs, name);
        near(&at(&network.features.of(&sound)), rows, name);
        let numbers = network.numbers(&sound).unwrap();
        assert_eq!(numbers.len(), NUMBERS);
        let norm = numbers.iter().map(|value| value * value).sum::<f32>().sqrt();
        near(&[norm], &[*length], name);
        let found = Voice::of(&numbers).unwrap();
        near(found.numbers(), voice, name);
        voices.push(Some(found));
    }
    for (at, one) in voices.iter().enumerate() {
        for (other, wanted) in voices.iter().skip(at + 1).zip(COSINES.get(at).into_iter().flatten()) {
            if let (Some(one), Some(other)) = (one, other) {
                near(&[one.cosine(other)], &[*wanted], REFERENCES[at].clip);
            }
        }
    }
}

/// As it is used: the ends cut off and the level made equal.
#[test]
fn level_and_silence_around_an_utterance_change_nothing_that_matters() {
    let Some(sound) = clip("en_US_f_Allison/agent-pass") else { return };
    let mut network = VoiceNetwork::load().expect("run models/setup.sh");
    let voice = network.voice(&sound).unwrap();
    let quiet: Vec<i16> = sound.iter().map(|sample| sample / 20).collect();
    let padded = [vec![0; 12_000], sound.clone(), vec![0; 9_000]].concat();
    for (other, least) in [(quiet, 0.97), (padded, 0.995)] {
        let cosine = voice.cosine(&network.voice(&other).unwrap());
        assert!(cosine > least, "{cosine}");
    }
    assert!(matches!(network.voice(&[0; 16_000]), Err(NoVoice::CantTell(CantTell::NoSound))));
    assert!(matches!(network.voice(&[]), Err(NoVoice::CantTell(_))));
}

/// Not a bar, since machines differ: what docs/who-spoke.md says is printed (`cargo test --lib who:: -- --nocapture`).
#[test]
fn an_utterance_of_the_longest_kind_passes_through_and_the_cost_is_printed() {
    let mut network = VoiceNetwork::load().expect("run models/setup.sh");
    let hiss = |ms: usize| -> Vec<i16> {
        let mut state = 1u32;
        let mut next = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            ((state >> 16) as i16) / 16
        };
        (0..16 * ms).map(|_| next()).collect()
    };
    for ms in [600, 1_500, 3_000, LONGEST_MS as usize] {
        let sound = hiss(ms);
        let begun = std::time::Instant::now();
        let voice = network.voice(&sound).unwrap();
        eprintln!("{ms} ms of sound: {:.0} ms", begun.elapsed().as_secs_f64() * 1000.0);
        assert_eq!(voice.numbers().len(), NUMBERS);
    }
}
