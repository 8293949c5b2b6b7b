//! Repeatable noise to try the program in: white, pink, and the blower of a powered respirator.
//!
//! Owns the generators and the way noise is added at a signal-to-noise ratio. Must not know who listens. The same seed
//! gives the same samples on every machine (ChaCha8 and arithmetic in `f64`).

use super::level;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::{f64::consts::TAU, fmt, str::FromStr};

/// A kind of noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum NoiseKind {
    /// Equal power in every hertz.
    White,
    /// Equal power in every octave: 3 dB less per hertz with every octave.
    Pink,
    /// A powered respirator's blower: rushing air, blade tones, slow flutter.
    Fan,
}

impl NoiseKind {
    pub const ALL: [NoiseKind; 3] = [NoiseKind::White, NoiseKind::Pink, NoiseKind::Fan];

    pub fn name(self) -> &'static str {
        match self {
            NoiseKind::White => "white",
            NoiseKind::Pink => "pink",
            NoiseKind::Fan => "fan",
        }
    }
}

/// Noise at a level below the speech, written `fan:15`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseSpec {
    pub kind: NoiseKind,
    /// Active speech level (ITU-T P.56) over the noise's RMS, dB.
    pub snr_db: f32,
}

impl FromStr for NoiseSpec {
    type Err = String;

    fn from_str(text: &str) -> Result<NoiseSpec, String> {
        let kinds = NoiseKind::ALL.map(NoiseKind::name).join(", ");
        let form = format!("write KIND:SNR, for example fan:15; kinds: {kinds}; SNR in dB from -20 to 60");
        let (kind, snr) = text.split_once(':').ok_or_else(|| format!("'{text}' is not a noise; {form}"))?;
        let kind = NoiseKind::ALL
            .into_iter()
            .find(|known| known.name() == kind)
            .ok_or_else(|| format!("'{kind}' is not a kind of noise; {form}"))?;
        match snr.parse::<f32>() {
            Ok(snr_db) if (-20.0..=60.0).contains(&snr_db) => Ok(NoiseSpec { kind, snr_db }),
            _ => Err(format!("'{snr}' is not an SNR; {form}")),
        }
    }
}

impl fmt::Display for NoiseSpec {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.kind.name(), self.snr_db)
    }
}

/// Adds noise to a clip at the SNR asked for, over the clip's active speech level. A clip without speech stays as is.
pub fn add(samples: &mut [i16], spec: NoiseSpec, seed: u64) {
    let active = level::active_level_dbfs(samples);
    if active.activity == 0.0 {
        return;
    }
    let mut noise = vec![0_i16; samples.len()];
    NoiseSource::new(spec.kind, seed, active.level_dbfs - spec.snr_db).next(&mut noise);
    for (sample, noise) in samples.iter_mut().zip(noise) {
        *sample = sample.saturating_add(noise);
    }
}

/// An endless stream of noise.
pub struct NoiseSource {
    generator: Generator,
    gain: f64,
}

impl NoiseSource {
    /// `rms_dbfs`: level over long stretches, dBFS.
    pub fn new(kind: NoiseKind, seed: u64, rms_dbfs: f32) -> NoiseSource {
        // The level of each kind is a matter of its filters; measure it on a fixed seed rather than derive it.
        let mut probe = Generator::new(kind, 0);
        let count = 1 << 17;
        let power: f64 = (0..count).map(|_| probe.sample().powi(2)).sum::<f64>() / f64::from(count);
        let wanted = 10.0_f64.powf(f64::from(rms_dbfs) / 20.0) * 32_768.0;
        NoiseSource { generator: Generator::new(kind, seed), gain: wanted / power.sqrt() }
    }

    /// Fills the buffer with the next samples.
    #[allow(clippy::should_implement_trait, reason = "a stream of buffers, not an iterator")]
    pub fn next(&mut self, out: &mut [i16]) {
        for sample in out {
            *sample = (self.generator.sample() * self.gain).round() as i16;
        }
    }
}

struct Generator {
    kind: NoiseKind,
    rng: ChaCha8Rng,
    pink: Pink,
    fan: Fan,
}

impl Generator {
    fn new(kind: NoiseKind, seed: u64) -> Generator {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut pink = Pink::new();
        // The slow parts of pink noise need time to reach their level.
        if kind != NoiseKind::White {
            for _ in 0..16_000 {
                pink.sample(&mut rng);
            }
        }
        Generator { kind, rng, pink, fan: Fan::new() }
    }

    fn sample(&mut self) -> f64 {
        match self.kind {
            NoiseKind::White => normal(&mut self.rng),
            NoiseKind::Pink => self.pink.sample(&mut self.rng),
            NoiseKind::Fan => {
                let air = self.pink.sample(&mut self.rng);
                self.fan.sample(air, &mut self.rng)
            }
        }
    }
}

/// Near enough to a normal distribution for noise: four uniforms of 16 bits, zero mean, unit variance.
fn normal(rng: &mut ChaCha8Rng) -> f64 {
    use rand::Rng;
    let bits = rng.next_u64();
    let sum: f64 = (0..4).map(|part| f64::from((bits >> (16 * part)) as u16) + 0.5).sum();
    (sum / 65_536.0 - 2.0) * 3.0_f64.sqrt()
}

/// 1/f noise as a sum of first-order low-passes of equal power whose corners lie an octave apart: the superposition
/// of relaxation processes (van der Ziel 1950).
struct Pink {
    states: [f64; Pink::CORNERS],
    decays: [f64; Pink::CORNERS],
}

impl Pink {
    const CORNERS: usize = 12;

    fn new() -> Pink {
        let mut decays = [0.0; Pink::CORNERS];
        for (octave, decay) in decays.iter_mut().enumerate() {
            let corner_hz = 5_600.0 / f64::from(1_u32 << octave);
            *decay = (-TAU * corner_hz / f64::from(super::RATE)).exp();
        }
        Pink { states: [0.0; Pink::CORNERS], decays }
    }

    fn sample(&mut self, rng: &mut ChaCha8Rng) -> f64 {
        let mut sum = 0.0;
        for (state, decay) in self.states.iter_mut().zip(self.decays) {
            *state = decay * *state + (1.0 - decay * decay).sqrt() * normal(rng);
            sum += *state;
        }
        sum
    }
}

/// Tones and flutter of a small radial blower. The numbers are common practice, no source: a shaft at about 5,400 rpm
/// with seven blades (630 Hz), its first three harmonics and the shaft itself.
struct Fan {
    shaft_turns: f64,
    flutter: f64,
    wander: f64,
}

impl Fan {
    const SHAFT_HZ: f64 = 90.0;
    const BLADES: f64 = 7.0;

    fn new() -> Fan {
        Fan { shaft_turns: 0.0, flutter: 0.0, wander: 0.0 }
    }

    fn sample(&mut self, air: f64, rng: &mut ChaCha8Rng) -> f64 {
        // Load and battery: loudness moves by about 1 dB and speed by about 1 % over seconds.
        let slow = (-TAU * 0.8 / f64::from(super::RATE)).exp();
        let kick = (1.0 - slow * slow).sqrt();
        self.flutter = slow * self.flutter + kick * normal(rng);
        self.wander = slow * self.wander + kick * normal(rng);
        self.shaft_turns += Self::SHAFT_HZ * (1.0 + 0.01 * self.wander) / f64::from(super::RATE);
        if self.shaft_turns >= 1.0 {
            self.shaft_turns -= 1.0;
        }
        let shaft = TAU * self.shaft_turns;
        let blade = Self::BLADES * shaft;
        let tones =
            0.5 * shaft.sin() + 1.2 * blade.sin() + 0.6 * (2.0 * blade).sin() + 0.3 * (3.0 * blade).sin();
        (air + tones) * (1.0 + 0.12 * self.flutter.clamp(-3.0, 3.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn render(kind: NoiseKind, seed: u64, rms: f32, seconds: usize) -> Vec<i16> {
        let mut out = vec![0; seconds * 16_000];
        // Blocks of an odd size, to show that they leave no trace.
        let mut source = NoiseSource::new(kind, seed, rms);
        out.chunks_mut(331).for_each(|part| source.next(part));
        out
    }

    /// Mean power around a frequency, from windowed correlations over the clip.
    fn band(samples: &[i16], hz: f64) -> f64 {
        let mut power = 0.0;
        let mut count = 0.0;
        for block in samples.chunks_exact(1600) {
            for offset in -4..=4 {
                let hz = hz * (1.0 + 0.02 * f64::from(offset));
                let (mut re, mut im) = (0.0, 0.0);
                for (n, sample) in block.iter().enumerate() {
                    let window = 0.5 - 0.5 * (TAU * n as f64 / 1600.0).cos();
                    let angle = TAU * hz * n as f64 / 16_000.0;
                    re += window * f64::from(*sample) * angle.cos();
                    im += window * f64::from(*sample) * angle.sin();
                }
                power += re * re + im * im;
                count += 1.0;
            }
        }
        power / count
    }

    /// dB per octave from 125 Hz to 4 kHz, by least squares.
    fn slope(samples: &[i16]) -> f64 {
        let points: Vec<(f64, f64)> = (0..6)
            .map(|oct| (f64::from(oct), 10.0 * band(samples, 125.0 * 2.0_f64.powi(oct)).log10()))
            .collect();
        let mean = |pick: fn(&(f64, f64)) -> f64| points.iter().map(pick).sum::<f64>() / points.len() as f64;
        let (mx, my) = (mean(|p| p.0), mean(|p| p.1));
        points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>()
            / points.iter().map(|p| (p.0 - mx).powi(2)).sum::<f64>()
    }

    #[test]
    fn white_is_flat_and_pink_falls_by_3_db_an_octave() {
        let white = slope(&render(NoiseKind::White, 1, -20.0, 20));
        let pink = slope(&render(NoiseKind::Pink, 1, -20.0, 20));
        assert!(white.abs() < 0.5, "{white:.2} dB an octave");
        assert!((pink + 3.01).abs() < 0.5, "{pink:.2} dB an octave");
    }

    #[test]
    fn every_octave_of_pink_is_within_1_5_db_of_the_line() {
        let samples = render(NoiseKind::Pink, 2, -20.0, 20);
        let at_1k = 10.0 * band(&samples, 1000.0).log10();
        for octave in -4..=2 {
            let hz = 1000.0 * 2.0_f64.powi(octave);
            let off = 10.0 * band(&samples, hz).log10() - at_1k + 3.01 * f64::from(octave);
            assert!(off.abs() < 1.5, "{hz} Hz is {off:.2} dB off");
        }
    }

    #[test]
    fn the_fan_has_blade_tones_over_its_air() {
        let samples = render(NoiseKind::Fan, 3, -20.0, 20);
        let tone = 10.0 * band(&samples, 630.0).log10();
        let between = 10.0 * band(&samples, 900.0).log10();
        assert!(tone - between > 6.0, "630 Hz is only {:.1} dB over 900 Hz", tone - between);
        assert!(
            10.0 * (band(&samples, 3000.0) / band(&samples, 630.0)).log10() > -40.0,
            "there is air up there"
        );
    }

    #[test]
    fn every_kind_has_the_level_asked_for() {
        for kind in NoiseKind::ALL {
            for seed in 0..3 {
                let level = level::rms_dbfs(&render(kind, seed, -30.0, 30));
                assert!((level + 30.0).abs() < 0.7, "{kind:?} seed {seed}: {level:.2} dBFS");
            }
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_noise_and_another_does_not() {
        for kind in NoiseKind::ALL {
            assert_eq!(render(kind, 7, -20.0, 1), render(kind, 7, -20.0, 1));
            assert_ne!(render(kind, 7, -20.0, 1), render(kind, 8, -20.0, 1));
        }
    }

    #[test]
    fn added_noise_lies_the_snr_below_the_speech() {
        let tone: Vec<i16> =
            (0..160_000).map(|n| (3000.0 * (TAU * 500.0 * f64::from(n) / 16_000.0).sin()) as i16).collect();
        let mut noisy = tone.clone();
        add(&mut noisy, "pink:10".parse().unwrap(), 4);
        let noise: Vec<i16> = noisy.iter().zip(&tone).map(|(a, b)| a - b).collect();
        let snr = level::rms_dbfs(&tone) - level::rms_dbfs(&noise);
        assert!((snr - 10.0).abs() < 0.8, "{snr}");
        let mut silence = vec![0_i16; 1000];
        add(&mut silence, "fan:10".parse().unwrap(), 4);
        assert_eq!(silence, vec![0_i16; 1000]);
    }

    #[test]
    fn a_noise_that_is_not_one_is_told_which_there_are() {
        assert_eq!("fan:15".parse::<NoiseSpec>().unwrap().to_string(), "fan:15");
        for wrong in ["", "fan", "brown:10", "fan:", "fan:loud", "fan:NaN", "fan:inf", "fan:99", ":10"] {
            let error = wrong.parse::<NoiseSpec>().unwrap_err();
            assert!(error.contains("white, pink, fan"), "{error}");
        }
    }
}
