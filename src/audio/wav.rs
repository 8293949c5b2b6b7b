//! WAV files in and out.
//!
//! Owns the way from a file, or one channel of it, to a [`Clip`]. Must not know what the sound is for. hound decodes;
//! what stands around the sound in real files (odd chunks without a word of warning, long fmt and fact chunks, headers
//! that promise more than there is) is walked here first, because hound skips no padding and takes no other fmt sizes.

use super::{resample, to_i16, AudioError, RATE};
use crate::files::{self, Links, Refused};
use std::fs::File;
use std::io::{BufReader, Chain, Cursor, Read, Seek, SeekFrom, Take};
use std::path::Path;

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
    let mut source = open(file)?;
    let layout = source.layout().map_err(|fault| fault.about(file))?;
    let plain = source.plain(&layout).map_err(|fault| fault.about(file))?;
    let reader = hound::WavReader::new(plain).map_err(|error| Fault::hound(&error).about(file))?;
    let wav = reader.spec();
    let chosen = choose(file, wav.channels, channel)?;
    let mut tally = Tally::default();
    if wav.sample_rate == RATE {
        let samples: Result<Vec<i16>, hound::Error> =
            one_channel(reader, chosen).map(|s| s.map(|s| to_i16(tally.count(s)))).collect();
        let samples = samples.map_err(|error| Fault::hound(&error).about(file))?;
        return Ok(Clip { samples, notes: tally.notes().map_err(|fault| fault.about(file))? });
    }
    let samples: Result<Vec<f32>, hound::Error> =
        one_channel(reader, chosen).map(|s| s.map(|s| tally.count(s))).collect();
    let samples = samples.map_err(|error| Fault::hound(&error).about(file))?;
    let mut notes = tally.notes().map_err(|fault| fault.about(file))?;
    let resampled = resample::clip(&samples, wav.sample_rate, RATE).map_err(|error| {
        Fault::new(error.to_string(), "convert it to 16 kHz, for example with `sox in.wav -r 16000 out.wav`")
            .about(file)
    })?;
    notes.push(format!("resampled from {} Hz", wav.sample_rate));
    Ok(Clip { samples: resampled.into_iter().map(to_i16).collect(), notes })
}

/// The samples of one channel (from 0), -1 to 1 unless the file is louder than full scale.
fn one_channel<'r, R: Read + 'r>(
    reader: hound::WavReader<R>,
    chosen: usize,
) -> Box<dyn Iterator<Item = Result<f32, hound::Error>> + 'r> {
    let wav = reader.spec();
    let step = usize::from(wav.channels);
    match wav.sample_format {
        hound::SampleFormat::Float => Box::new(every(reader.into_samples::<f32>(), chosen, step)),
        hound::SampleFormat::Int => {
            let scale = 1.0 / (1_u64 << (wav.bits_per_sample - 1)) as f32;
            Box::new(
                every(reader.into_samples::<i32>(), chosen, step).map(move |s| s.map(|s| s as f32 * scale)),
            )
        }
    }
}

/// Every `step`th sample from the `first`. An error anywhere is passed on: `skip` would swallow it.
fn every<S>(
    samples: impl Iterator<Item = Result<S, hound::Error>>,
    first: usize,
    step: usize,
) -> impl Iterator<Item = Result<S, hound::Error>> {
    samples.enumerate().filter(move |(n, s)| n % step == first || s.is_err()).map(|(_, s)| s)
}

/// Samples that are no ordinary ones.
#[derive(Default)]
struct Tally {
    unsound: usize,
    clipped: usize,
}

impl Tally {
    fn count(&mut self, sample: f32) -> f32 {
        self.unsound += usize::from(!sample.is_finite());
        self.clipped += usize::from(sample.abs() > 1.0);
        sample
    }

    fn notes(&self) -> Result<Vec<String>, Fault> {
        match (self.unsound, self.clipped) {
            (0, 0) => Ok(Vec::new()),
            (0, clipped) => {
                Ok(vec![format!("{clipped} samples were louder than full scale and are clipped")])
            }
            (unsound, _) => Err(Fault::new(
                format!("{unsound} samples are not numbers"),
                "make the file again; the program that wrote it is at fault",
            )),
        }
    }
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

/// An open file and its length in bytes. It is read piece by piece: an hour of three tracks is 345 MB.
struct Source {
    file: BufReader<File>,
    length: u64,
}

/// Where the sound stands in a file.
struct Layout {
    /// The fmt chunk at a size hound takes.
    fmt: Vec<u8>,
    data_at: u64,
    data_length: u64,
}

fn open(file: &str) -> Result<Source, AudioError> {
    let unreadable = |error: std::io::Error| {
        let why = match Refused::of(&error) {
            Some(refused) => refused.to_string(),
            None => format!("can't be read: {error}"),
        };
        let fix = match Refused::of(&error) {
            Some(Refused::NotAFile("a folder")) => "name the WAV file in it",
            _ => files::remedy(&error),
        };
        Fault::new(why, fix).about(file)
    };
    let opened = files::open(Path::new(file), Links::Follow).map_err(unreadable)?;
    let meta = opened.metadata().map_err(unreadable)?;
    if meta.len() > LARGEST {
        return Err(Fault::new(format!("{} bytes are too many", meta.len()), "cut it into parts").about(file));
    }
    Ok(Source { file: BufReader::with_capacity(1 << 16, opened), length: meta.len() })
}

impl Source {
    /// The bytes there are of `length` from `at` on.
    fn bytes(&mut self, at: u64, length: u64) -> Result<Vec<u8>, Fault> {
        let mut bytes = Vec::new();
        let read = self.file.seek(SeekFrom::Start(at)).and_then(|_| {
            let piece: &mut dyn Read = &mut self.file;
            piece.take(length).read_to_end(&mut bytes)
        });
        read.map_err(|error| Fault::new(format!("can't be read: {error}"), WORKING_DISK))?;
        Ok(bytes)
    }

    /// Walks the chunks to the sound.
    fn layout(&mut self) -> Result<Layout, Fault> {
        let head = self.bytes(0, 12)?;
        if head.is_empty() {
            return Err(Fault::new("the file is empty", "record or copy it again"));
        }
        if head.get(..4) != Some(b"RIFF") || head.get(8..12) != Some(b"WAVE") {
            return Err(Fault::new("it is not a WAV file", CONVERT));
        }
        let mut at = 12;
        let mut fmt: Option<Vec<u8>> = None;
        loop {
            let chunk = self.bytes(at, 8)?;
            let Some(size) = u32_at(&chunk, 4).map(u64::from) else { break };
            let whole = at + 8 + size <= self.length;
            match &chunk[..4] {
                b"data" => {
                    let fmt = fmt.ok_or_else(|| Fault::new("its fmt chunk is missing", CONVERT))?;
                    let fmt = plain_format(&fmt)?;
                    let data_length = whole_data(self.length - (at + 8), size, &fmt)?;
                    return Ok(Layout { fmt, data_at: at + 8, data_length });
                }
                _ if !whole => break,
                b"fmt " => fmt = Some(self.bytes(at + 8, size.min(LONGEST_FORMAT))?),
                _ => {}
            }
            // Chunks of odd length are followed by one byte of padding.
            at += 8 + size + size % 2;
        }
        Err(Fault::new("it ends before any sound (no data chunk)", CUT_OFF))
    }

    /// The same sound with nothing but a plain fmt and a data chunk around it, for hound to decode.
    fn plain(&mut self, layout: &Layout) -> Result<Plain<'_>, Fault> {
        self.file
            .seek(SeekFrom::Start(layout.data_at))
            .map_err(|error| Fault::new(format!("can't be read: {error}"), WORKING_DISK))?;
        let data: &mut BufReader<File> = &mut self.file;
        Ok(Cursor::new(header(&layout.fmt, layout.data_length)).chain(data.take(layout.data_length)))
    }
}

type Plain<'f> = Chain<Cursor<Vec<u8>>, Take<&'f mut BufReader<File>>>;

/// No fmt chunk in use is longer, bytes.
const LONGEST_FORMAT: u64 = 4_096;
const WORKING_DISK: &str = "check that it is a file on a disk that works";

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

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    let four = bytes.get(at..at + 4)?;
    Some(u32::from_le_bytes(four.try_into().expect("the slice is four bytes long")))
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    let two = bytes.get(at..at + 2)?;
    Some(u16::from_le_bytes(two.try_into().expect("the slice is two bytes long")))
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

/// The sound's length in bytes, if it is all there: `there` bytes follow the head of the chunk.
fn whole_data(there: u64, promised: u64, fmt: &[u8]) -> Result<u64, Fault> {
    // Programs that write to a pipe leave a length that no file has.
    if promised >= 0x7fff_0000 && there < promised {
        return Err(Fault::new(
            "its length is not filled in (it was written to a pipe)",
            "write it to a file, or repair it with `sox --ignore-length in.wav out.wav`",
        ));
    }
    if there < promised {
        return Err(Fault::new(
            format!("it is cut off: {there} of {promised} bytes of sound are there"),
            CUT_OFF,
        ));
    }
    let frame = u64::from(u16_at(fmt, 12).unwrap_or(0));
    if promised == 0 {
        return Err(Fault::new("it has no samples", "record it again"));
    }
    if frame == 0 || !promised.is_multiple_of(frame) {
        return Err(Fault::new("its header is wrong: the sound is not a whole number of frames", CONVERT));
    }
    Ok(promised)
}

/// Bytes before the sound in a file of [`head`].
pub const HEAD: u64 = 44;

/// What stands before 16-bit samples at [`RATE`]: the plain form, which every reader takes. (For more than two channels there
/// is an extensible one too, which says where the loudspeakers stand; Python's `wave` before 3.12 refuses it.)
pub fn head(channels: u16, data_length: u64) -> Vec<u8> {
    let frame = 2 * channels;
    let fmt = [
        &1u16.to_le_bytes()[..],
        &channels.to_le_bytes(),
        &RATE.to_le_bytes(),
        &(RATE * u32::from(frame)).to_le_bytes(),
        &frame.to_le_bytes(),
        &16u16.to_le_bytes(),
    ];
    header(&fmt.concat(), data_length)
}

/// Everything before the sound.
fn header(fmt: &[u8], data_length: u64) -> Vec<u8> {
    let format_length = fmt.len() as u64;
    let [riff, format, data] = [4 + 8 + format_length + 8 + data_length, format_length, data_length]
        .map(|size| u32::try_from(size).unwrap_or(u32::MAX).to_le_bytes());
    [&b"RIFF"[..], &riff, b"WAVE", b"fmt ", &format, fmt, b"data", &data].concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The layout of a plain WAV file (RIFF/WAVE, Microsoft and IBM 1991): hound reads it as it was meant.
    #[test]
    fn a_plain_head_is_read_as_it_was_meant() {
        let bytes = [head(3, 12), vec![7; 12]].concat();
        assert_eq!(bytes.len() as u64, HEAD + 12);
        let mut read = hound::WavReader::new(&bytes[..]).unwrap();
        let spec = read.spec();
        assert_eq!((spec.channels, spec.sample_rate, spec.bits_per_sample), (3, RATE, 16));
        assert_eq!((read.duration(), read.samples::<i16>().count()), (2, 6));
        assert_eq!(bytes[20..22], [1, 0], "plain PCM");
    }

    #[test]
    fn a_name_is_split_at_the_last_hash_before_a_number() {
        assert_eq!(split("a.wav").unwrap(), ("a.wav", None));
        assert_eq!(split("a#2.wav").unwrap(), ("a#2.wav", None));
        assert_eq!(split("a#b#12").unwrap(), ("a#b", Some(12)));
        assert!(split("a.wav#0").unwrap_err().to_string().contains("from 1"));
        assert!(split("a.wav#70000").unwrap_err().to_string().contains("no channel 70000"));
    }
}
