//! WAV files in and out.
//!
//! Owns the way from a file, or one channel of it, to a [`Clip`]. Must not know what the sound is for. hound decodes;
//! what stands around the sound in real files (odd chunks without a word of warning, long fmt and fact chunks, headers
//! that promise more than there is) is walked here first, because hound skips no padding and takes no other fmt sizes.

use super::{resample, to_i16, AudioError, RATE};
use std::{fs, io::Cursor, path::Path};

/// One channel of a file, at [`RATE`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clip {
    pub samples: Vec<i16>,
    /// What was changed on the way, for the screen and the log.
    pub notes: Vec<String>,
}

/// Longest file that is read, bytes: two hours of stereo at 96 kHz and 32 bits fit.
const LARGEST: u64 = 6_000_000_000;

/// Reads `FILE` or `FILE#N` (channel N, from 1): 8, 16, 24 or 32-bit integers or 32-bit floats at 4 to 384 kHz.
pub fn read(spec: &str) -> Result<Clip, AudioError> {
    let (file, channel) = split(spec)?;
    let bytes = load(file)?;
    let canonical = canonical(&bytes).map_err(|fault| fault.about(file))?;
    let mut reader =
        hound::WavReader::new(Cursor::new(canonical)).map_err(|error| Fault::hound(&error).about(file))?;
    let wav = reader.spec();
    let chosen = choose(file, wav.channels, channel)?;
    let step = usize::from(wav.channels);
    let picked = |index: usize| index % step == chosen;
    let samples: Result<Vec<f32>, hound::Error> = match wav.sample_format {
        hound::SampleFormat::Float => {
            reader.samples::<f32>().enumerate().filter(|(n, _)| picked(*n)).map(|(_, s)| s).collect()
        }
        hound::SampleFormat::Int => {
            let scale = 1.0 / (1_u64 << (wav.bits_per_sample - 1)) as f32;
            reader
                .samples::<i32>()
                .enumerate()
                .filter(|(n, _)| picked(*n))
                .map(|(_, s)| s.map(|s| s as f32 * scale))
                .collect()
        }
    };
    let samples = samples.map_err(|error| Fault::hound(&error).about(file))?;
    let mut notes = Vec::new();
    let unsound = samples.iter().filter(|s| !s.is_finite()).count();
    if unsound > 0 {
        return Err(Fault::new(
            format!("{unsound} samples are not numbers"),
            "make the file again; the program that wrote it is at fault",
        )
        .about(file));
    }
    let clipped = samples.iter().filter(|s| s.abs() > 1.0).count();
    if clipped > 0 {
        notes.push(format!("{clipped} samples were louder than full scale and are clipped"));
    }
    let samples = if wav.sample_rate == RATE {
        samples
    } else {
        let resampled = resample::clip(&samples, wav.sample_rate, RATE).map_err(|error| {
            Fault::new(
                error.to_string(),
                "convert it to 16 kHz, for example with `sox in.wav -r 16000 out.wav`",
            )
            .about(file)
        })?;
        notes.push(format!("resampled from {} Hz", wav.sample_rate));
        resampled
    };
    Ok(Clip { samples: samples.into_iter().map(to_i16).collect(), notes })
}

/// Writes a mono file of 16-bit samples at [`RATE`].
pub fn write_mono(path: &Path, samples: &[i16]) -> Result<(), AudioError> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let write = || -> Result<(), hound::Error> {
        let mut writer = hound::WavWriter::create(path, spec)?;
        for &sample in samples {
            writer.write_sample(sample)?;
        }
        writer.finalize()
    };
    write().map_err(|error| AudioError::Write { file: path.display().to_string(), why: error.to_string() })
}

/// File and channel. A file whose own name ends in `#N` is taken as it stands.
fn split(spec: &str) -> Result<(&str, Option<u16>), AudioError> {
    if Path::new(spec).exists() {
        return Ok((spec, None));
    }
    match spec.rsplit_once('#') {
        Some((file, number)) if !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit()) => {
            match number.parse::<u16>() {
                Ok(number) if number > 0 => Ok((file, Some(number))),
                _ => {
                    Err(Fault::new(format!("there is no channel {number}"), "count channels from 1")
                        .about(file))
                }
            }
        }
        _ => Ok((spec, None)),
    }
}

fn choose(file: &str, channels: u16, wanted: Option<u16>) -> Result<usize, AudioError> {
    match wanted {
        Some(number) if number <= channels => Ok(usize::from(number) - 1),
        Some(number) if channels == 1 => {
            Err(Fault::new(format!("there is no channel {number}, the file is mono"), "leave the #N out")
                .about(file))
        }
        Some(number) => Err(AudioError::Channel {
            file: file.into(),
            channels,
            why: format!("there is no channel {number}, only {channels}"),
        }),
        None if channels == 1 => Ok(0),
        None => Err(AudioError::Channel {
            file: file.into(),
            channels,
            why: format!("it has {channels} channels"),
        }),
    }
}

fn load(file: &str) -> Result<Vec<u8>, AudioError> {
    let unreadable = |error: std::io::Error| {
        let fix = match error.kind() {
            std::io::ErrorKind::NotFound => "check the path",
            std::io::ErrorKind::PermissionDenied => "allow reading it",
            _ => "check that it is a file on a disk that works",
        };
        Fault::new(format!("can't be read: {error}"), fix).about(file)
    };
    let meta = fs::metadata(file).map_err(unreadable)?;
    if meta.is_dir() {
        return Err(Fault::new("is a folder", "name the WAV file in it").about(file));
    }
    if meta.len() > LARGEST {
        return Err(Fault::new(format!("{} bytes are too many", meta.len()), "cut it into parts").about(file));
    }
    fs::read(file).map_err(unreadable)
}

/// What is wrong with a file, before its name is known.
struct Fault {
    why: String,
    fix: &'static str,
}

impl Fault {
    fn new(why: impl Into<String>, fix: &'static str) -> Fault {
        Fault { why: why.into(), fix }
    }

    fn hound(error: &hound::Error) -> Fault {
        Fault::new(
            match error {
                hound::Error::Unsupported => "this encoding is not supported".into(),
                hound::Error::FormatError(what) => format!("its header is wrong: {what}"),
                other => other.to_string(),
            },
            CONVERT,
        )
    }

    fn about(self, file: &str) -> AudioError {
        AudioError::File { file: file.into(), why: self.why, fix: self.fix.into() }
    }
}

const CONVERT: &str = "convert it, for example with `ffmpeg -i in -ac 1 -ar 16000 -c:a pcm_s16le out.wav`";
const CUT_OFF: &str =
    "copy it again from where it was recorded; what is left can be saved with `sox --ignore-length`";

fn u32_at(bytes: &[u8], at: usize) -> Option<usize> {
    let four = bytes.get(at..at + 4)?;
    Some(u32::from_le_bytes(four.try_into().expect("the slice is four bytes long")) as usize)
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    let two = bytes.get(at..at + 2)?;
    Some(u16::from_le_bytes(two.try_into().expect("the slice is two bytes long")))
}

/// The same sound with nothing but a plain fmt and a data chunk, for hound to decode.
fn canonical(bytes: &[u8]) -> Result<Vec<u8>, Fault> {
    if bytes.is_empty() {
        return Err(Fault::new("the file is empty", "record or copy it again"));
    }
    if bytes.get(..4) != Some(b"RIFF") || bytes.get(8..12) != Some(b"WAVE") {
        return Err(Fault::new("it is not a WAV file", CONVERT));
    }
    let mut at = 12;
    let mut fmt: Option<&[u8]> = None;
    while let Some(size) = u32_at(bytes, at + 4) {
        let kind = &bytes[at..at + 4];
        let body = bytes.get(at + 8..at + 8 + size);
        match (kind, body) {
            (b"fmt ", Some(body)) => fmt = Some(body),
            (b"data", _) => {
                let fmt = fmt.ok_or_else(|| Fault::new("its fmt chunk is missing", CONVERT))?;
                let fmt = plain_format(fmt)?;
                let data = whole_data(bytes, at + 8, size, &fmt)?;
                return Ok(assemble(&fmt, data));
            }
            (_, Some(_)) => {}
            (_, None) => break,
        }
        // Chunks of odd length are followed by one byte of padding.
        at += 8 + size + size % 2;
    }
    Err(Fault::new("it ends before any sound (no data chunk)", CUT_OFF))
}

/// The fmt chunk at the size hound takes: 16 bytes, or 40 for WAVE_FORMAT_EXTENSIBLE.
fn plain_format(fmt: &[u8]) -> Result<Vec<u8>, Fault> {
    const PCM: u16 = 1;
    const FLOAT: u16 = 3;
    const EXTENSIBLE: u16 = 0xfffe;
    let broken = || Fault::new("its fmt chunk is too short", CONVERT);
    let tag = u16_at(fmt, 0).ok_or_else(broken)?;
    let bits = u16_at(fmt, 14).ok_or_else(broken)?;
    let (size, float) = match tag {
        PCM => (16, false),
        FLOAT => (16, true),
        // The first two bytes of the sub-format say the same as the tag of a plain file.
        EXTENSIBLE => (40, u16_at(fmt, 24).ok_or_else(broken)? == FLOAT),
        other => return Err(Fault::new(format!("encoding {other} is not supported"), CONVERT)),
    };
    let bits = match (tag, u16_at(fmt, 18)) {
        (EXTENSIBLE, Some(valid)) if valid > 0 => valid,
        _ => bits,
    };
    match (float, bits) {
        (true, 32) | (false, 8 | 16 | 24 | 32) => {}
        (true, bits) => return Err(Fault::new(format!("{bits}-bit floats are not supported"), CONVERT)),
        (false, bits) => return Err(Fault::new(format!("{bits}-bit samples are not supported"), CONVERT)),
    }
    Ok(fmt.get(..size).ok_or_else(broken)?.to_vec())
}

/// The sound, if it is all there.
fn whole_data<'a>(bytes: &'a [u8], at: usize, promised: usize, fmt: &[u8]) -> Result<&'a [u8], Fault> {
    // Programs that write to a pipe leave a length that no file has.
    if promised >= 0x7fff_0000 && bytes.len() - at < promised {
        return Err(Fault::new(
            "its length is not filled in (it was written to a pipe)",
            "write it to a file, or repair it with `sox --ignore-length in.wav out.wav`",
        ));
    }
    let Some(data) = bytes.get(at..at + promised) else {
        let there = bytes.len() - at;
        return Err(Fault::new(
            format!("it is cut off: {there} of {promised} bytes of sound are there"),
            CUT_OFF,
        ));
    };
    let frame = usize::from(u16_at(fmt, 12).unwrap_or(0));
    if data.is_empty() {
        return Err(Fault::new("it has no samples", "record it again"));
    }
    if frame == 0 || data.len() % frame != 0 {
        return Err(Fault::new("its header is wrong: the sound is not a whole number of frames", CONVERT));
    }
    Ok(data)
}

fn assemble(fmt: &[u8], data: &[u8]) -> Vec<u8> {
    let mut file = Vec::with_capacity(data.len() + fmt.len() + 28);
    let sizes =
        [4 + 8 + fmt.len() + 8 + data.len(), fmt.len(), data.len()].map(|size| (size as u32).to_le_bytes());
    for part in [&b"RIFF"[..], &sizes[0], b"WAVE", b"fmt ", &sizes[1], fmt, b"data", &sizes[2], data] {
        file.extend_from_slice(part);
    }
    file
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_split_at_the_last_hash_before_a_number() {
        assert_eq!(split("a.wav").unwrap(), ("a.wav", None));
        assert_eq!(split("a#2.wav").unwrap(), ("a#2.wav", None));
        assert_eq!(split("a#b#12").unwrap(), ("a#b", Some(12)));
        assert!(split("a.wav#0").unwrap_err().to_string().contains("from 1"));
        assert!(split("a.wav#70000").unwrap_err().to_string().contains("no channel 70000"));
    }
}
