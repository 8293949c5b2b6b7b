//! Sound in and out of the program: files, microphones, loudspeakers, levels and test noise.
//!
//! Owns the one form sound has inside: mono `i16` at [`RATE`]. Must not know what the sound means: no phrases, no
//! session, no engine. The device threads hand frames over and count what they lose; nothing here decides anything.

pub mod alike;
pub mod bands;
pub mod convert;
pub mod device;
pub mod echo;
pub mod leak;
pub mod level;
pub mod mic;
pub mod noise;
mod pinned;
pub mod resample;
pub mod retry;
mod server;
pub mod speaker;
pub mod spectrum;
pub mod wav;

use crate::failure::{ExitCode, Failure};
use thiserror::Error;

/// Sample rate of all sound inside the program, Hz.
pub const RATE: u32 = 16_000;

/// The same in samples per millisecond.
pub const PER_MS: u64 = RATE as u64 / 1000;

/// What can go wrong with sound, split by what the caller does next.
#[derive(Debug, Error, Clone, PartialEq, Eq)]
pub enum AudioError {
    /// The file can't be used as it is: choose another, or repair it.
    #[error("{file}: {why}; {fix}")]
    File { file: String, why: String, fix: String },
    /// The file has several channels: name one of them.
    #[error("{file}: {why}; name one of them, {file}#1 to {file}#{channels}")]
    Channel { file: String, channels: u16, why: String },
    /// The file can't be written: free the disk or choose another place.
    #[error("{file}: can't be written: {why}")]
    Write { file: String, why: String },
    /// There is nothing to record from or to play to: plug something in or start the sound server.
    #[error("no {what} found: {why}; {fix}")]
    NoDevice { what: &'static str, why: String, fix: String },
    /// The name fits no device, or more than one: use one of those listed.
    #[error("{why}; known: {}", names.join(", "))]
    Name { why: String, names: Vec<String> },
    /// The device is there but doesn't work: choose another, or free it.
    #[error("{device}: {why}; {fix}")]
    Device { device: String, why: String, fix: String },
    /// The tool's own voice can't be taken out of a microphone.
    #[error("the echo canceller failed: {why}")]
    Echo { why: String },
}

impl From<AudioError> for Failure {
    fn from(error: AudioError) -> Failure {
        match error {
            AudioError::File { file, why, fix } => {
                Failure::new(ExitCode::BadAudio, format!("{file}: can't be used")).why(why).fix(fix)
            }
            AudioError::Channel { file, channels, why } => {
                Failure::new(ExitCode::BadAudio, format!("{file}: can't be used as it is"))
                    .why(why)
                    .fix(format!("name one channel: {file}#1 to {file}#{channels}"))
            }
            AudioError::Echo { .. } => Failure::new(ExitCode::Internal, error.to_string()),
            AudioError::Write { file, why } => {
                Failure::new(ExitCode::Internal, format!("{file}: can't be written")).why(why)
            }
            AudioError::NoDevice { what, why, fix } => {
                Failure::new(ExitCode::NoDevice, format!("no {what} found")).why(why).fix(fix)
            }
            AudioError::Name { why, names } => Failure::new(ExitCode::NoDevice, why)
                .fix(format!("use one of: {} (see `antiphon devices`)", names.join(", "))),
            AudioError::Device { device, why, fix } => {
                Failure::new(ExitCode::NoDevice, format!("{device}: can't be used")).why(why).fix(fix)
            }
        }
    }
}

/// One sample from the range -1 to 1 to `i16`, rounded; what lies outside is clipped, and not-a-number is silence.
pub fn to_i16(sample: f32) -> i16 {
    // A float-to-int `as` saturates and turns NaN into 0.
    (sample * 32_768.0).round() as i16
}

/// One sample from `i16` to the range -1 to 1.
pub fn to_f32(sample: i16) -> f32 {
    f32::from(sample) / 32_768.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sample_survives_the_way_to_float_and_back() {
        for sample in i16::MIN..=i16::MAX {
            assert_eq!(to_i16(to_f32(sample)), sample);
        }
    }

    #[test]
    fn what_is_too_loud_clips_and_not_a_number_is_silence() {
        assert_eq!(to_i16(1.5), i16::MAX);
        assert_eq!(to_i16(-1.5), i16::MIN);
        assert_eq!(to_i16(f32::INFINITY), i16::MAX);
        assert_eq!(to_i16(f32::NAN), 0);
    }

    #[test]
    fn each_kind_of_error_has_the_exit_code_its_user_needs() {
        let file =
            AudioError::File { file: "a.wav".into(), why: "empty".into(), fix: "record it again".into() };
        assert_eq!(file.to_string(), "a.wav: empty; record it again");
        assert_eq!(Failure::from(file).code, ExitCode::BadAudio);
        let name = AudioError::Name { why: "no microphone is called 'x'".into(), names: vec!["y".into()] };
        assert_eq!(name.to_string(), "no microphone is called 'x'; known: y");
        assert_eq!(Failure::from(name).code, ExitCode::NoDevice);
    }
}
