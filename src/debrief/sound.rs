//! The session's sound for people: one file for the mix and one for each track, and the shape of each as drawn.
//!
//! Owns reading `audio.wav` in any state it may be in, in one pass and little memory. Must not know what was said.

use crate::audio::{wav, RATE};
use crate::files::{self, Links};
use base64::Engine;
use hound::{SampleFormat, WavReader, WavSpec, WavWriter};
use std::cell::RefCell;
use std::fmt;
use std::io::{self, BufReader, Read, Seek, Write};
use std::path::{Path, PathBuf};

/// The name of the track that has everything.
pub const MIXED: &str = "mixed";

/// Points of a drawn track at most; a longer session gets coarser ones.
const POINTS: u64 = 6_000;
/// No point is finer than this many samples: 50 ms.
const FINEST: u64 = RATE as u64 / 20;
/// Samples louder than this count as sound, 0 to 32767: -40 dBFS.
const AUDIBLE: u16 = 328;

/// What is there of the sound before anything is read in full.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Extent {
    pub tracks: u16,
    /// Samples of each track.
    pub samples: u64,
}

impl Extent {
    pub fn seconds(&self) -> f64 {
        self.samples as f64 / f64::from(RATE)
    }
}

/// Loudest sample of each point of a track, 0 to 32767.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Shape {
    pub peaks: Vec<u16>,
    /// Points in which something can be heard.
    pub audible: usize,
}

/// Measures the file; whatever its header promises, only what is there counts. `Err` says why it can't be played.
pub fn measure(path: &Path) -> Result<Extent, String> {
    let file = files::open(path, Links::Refuse).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => "no sound was kept, or its file is missing".to_string(),
        _ => error.to_string(),
    })?;
    let length = file.metadata().map_err(|error| error.to_string())?.len();
    let reader = WavReader::new(file).map_err(|error| error.to_string())?;
    let spec = reader.spec();
    if spec.sample_rate != RATE || spec.bits_per_sample != 16 || spec.channels == 0 {
        return Err(format!("it is not 16-bit sound at {RATE} Hz"));
    }
    let promised = u64::from(reader.duration());
    let begins = reader.into_inner().stream_position().map_err(|error| error.to_string())?;
    let there = length.saturating_sub(begins) / (2 * u64::from(spec.channels));
    match promised.min(there) {
        0 => Err("it has no samples".to_string()),
        samples => Ok(Extent { tracks: spec.channels, samples }),
    }
}

/// Samples that one point of a shape stands for.
pub fn samples_a_point(extent: &Extent) -> u64 {
    extent.samples.div_ceil(POINTS).max(FINEST)
}

/// Reads the file once: hands every frame (a sample a track) to `each`.
pub fn frames(
    path: &Path,
    extent: &Extent,
    mut each: impl FnMut(&[i16]) -> io::Result<()>,
) -> io::Result<()> {
    let wrong = |error: hound::Error| match error {
        hound::Error::IoError(error) => error,
        other => io::Error::other(other.to_string()),
    };
    let reader = WavReader::new(BufReader::with_capacity(1 << 18, files::open(path, Links::Refuse)?))
        .map_err(wrong)?;
    let spec = reader.spec();
    let mut bytes = reader.into_inner();
    // Raw reading: the samples' form was checked by `measure`, and an iterator over single samples is four times slower.
    let width = usize::from(spec.channels);
    let mut raw = vec![0u8; 2 * width * 4_096];
    let mut frame = vec![0i16; width];
    let mut left = extent.samples;
    while left > 0 {
        let count = left.min(4_096) as usize; // at most 4096
        let piece = &mut raw[..2 * width * count];
        bytes.read_exact(piece)?;
        for one in piece.chunks_exact(2 * width) {
            for (sample, two) in frame.iter_mut().zip(one.chunks_exact(2)) {
                *sample = i16::from_le_bytes([two[0], two[1]]);
            }
            each(&frame)?;
        }
        left -= count as u64;
    }
    Ok(())
}

/// All tracks at once, clipping at full scale.
pub fn mix(frame: &[i16]) -> i16 {
    let sum: i32 = frame.iter().map(|sample| i32::from(*sample)).sum();
    sum.clamp(i32::from(i16::MIN), i32::from(i16::MAX)) as i16
}

/// Reading or writing failed.
#[derive(Debug)]
pub enum Failed {
    Reading(io::Error),
    Writing(io::Error),
}

/// Writes the mix to the first sink and each track to the others, as mono WAV, and returns the tracks' shapes.
pub fn write<W: Write + Seek>(path: &Path, extent: &Extent, sinks: Vec<W>) -> Result<Vec<Shape>, Failed> {
    let wrong = |error: hound::Error| match error {
        hound::Error::IoError(error) => error,
        other => io::Error::other(other.to_string()),
    };
    let spec =
        WavSpec { channels: 1, sample_rate: RATE, bits_per_sample: 16, sample_format: SampleFormat::Int };
    let writers: Result<Vec<_>, _> = sinks.into_iter().map(|sink| WavWriter::new(sink, spec)).collect();
    let mut writers = writers.map_err(|error| Failed::Writing(wrong(error)))?;
    let mut drawing = Drawing::new(extent);
    let mut unwritten = false;
    let read = frames(path, extent, |frame| {
        let all = std::iter::once(mix(frame)).chain(frame.iter().copied());
        for (writer, sample) in writers.iter_mut().zip(all) {
            writer.write_sample(sample).map_err(|error| {
                unwritten = true;
                wrong(error)
            })?;
        }
        drawing.take(frame);
        Ok(())
    });
    read.map_err(|error| if unwritten { Failed::Writing(error) } else { Failed::Reading(error) })?;
    let finished = writers.into_iter().try_for_each(|writer| writer.finalize());
    finished.map_err(|error| Failed::Writing(wrong(error)))?;
    Ok(drawing.shapes)
}

/// The tracks' shapes alone.
pub fn shapes(path: &Path, extent: &Extent) -> io::Result<Vec<Shape>> {
    let mut drawing = Drawing::new(extent);
    frames(path, extent, |frame| {
        drawing.take(frame);
        Ok(())
    })?;
    Ok(drawing.shapes)
}

/// Shapes that are being made, frame by frame.
struct Drawing {
    shapes: Vec<Shape>,
    loudest: Vec<u16>,
    every: u64,
    seen: u64,
    samples: u64,
}

impl Drawing {
    fn new(extent: &Extent) -> Drawing {
        let tracks = usize::from(extent.tracks);
        Drawing {
            shapes: vec![Shape::default(); tracks],
            loudest: vec![0; tracks],
            every: samples_a_point(extent),
            seen: 0,
            samples: extent.samples,
        }
    }

    fn take(&mut self, frame: &[i16]) {
        for (loudest, sample) in self.loudest.iter_mut().zip(frame) {
            *loudest = (*loudest).max(sample.unsigned_abs().min(32_767));
        }
        self.seen += 1;
        if self.seen.is_multiple_of(self.every) || self.seen == self.samples {
            for (shape, loudest) in self.shapes.iter_mut().zip(&mut self.loudest) {
                shape.audible += usize::from(*loudest > AUDIBLE);
                shape.peaks.push(std::mem::take(loudest));
            }
        }
    }
}

/// A mono WAV file as an address (`data:`) that has all of it in it, made anew whenever it is written: an hour of it takes 150
/// MB, and no memory.
pub struct Inside {
    path: PathBuf,
    extent: Extent,
    /// Which track; `None` for the mix.
    track: Option<usize>,
    /// What went wrong, which an error of `fmt` can't say.
    failed: RefCell<Option<io::Error>>,
}

/// Bytes that are encoded at once, a multiple of three.
const PIECE: usize = 3 << 14;

impl Inside {
    pub fn new(path: &Path, extent: &Extent, track: Option<usize>) -> Inside {
        Inside { path: path.to_owned(), extent: extent.clone(), track, failed: RefCell::new(None) }
    }

    /// Why it could not be written, if it could not.
    pub fn take_error(&self) -> Option<io::Error> {
        self.failed.take()
    }

    fn write(&self, text: &mut dyn FnMut(&str) -> io::Result<()>) -> io::Result<()> {
        text("data:audio/wav;base64,")?;
        let mut encoded = String::new();
        let mut encode = |bytes: &[u8]| {
            encoded.clear();
            base64::engine::general_purpose::STANDARD.encode_string(bytes, &mut encoded);
            text(&encoded)
        };
        let mut bytes = wav::head(1, 2 * self.extent.samples);
        bytes.reserve(PIECE);
        frames(&self.path, &self.extent, |frame| {
            let sample =
                self.track.map_or_else(|| mix(frame), |track| frame.get(track).copied().unwrap_or(0));
            bytes.extend_from_slice(&sample.to_le_bytes());
            if bytes.len() >= PIECE {
                encode(&bytes[..PIECE])?;
                bytes.drain(..PIECE);
            }
            Ok(())
        })?;
        encode(&bytes)
    }
}

impl fmt::Display for Inside {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let written = self.write(&mut |text| f.write_str(text).map_err(io::Error::other));
        written.map_err(|error| {
            self.failed.replace(Some(error));
            fmt::Error
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::File;
    use std::io::Cursor;

    fn three_tracks(path: &Path, samples: usize) {
        let spec =
            WavSpec { channels: 3, sample_rate: RATE, bits_per_sample: 16, sample_format: SampleFormat::Int };
        let mut wav = WavWriter::create(path, spec).unwrap();
        for at in 0..samples {
            for value in [1_000, if at < 16_000 { 20_000 } else { 0 }, -30_000] {
                wav.write_sample(value as i16).unwrap();
            }
        }
        wav.finalize().unwrap();
    }

    #[test]
    fn the_mix_has_everything_and_clips_and_each_track_is_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        three_tracks(&path, 32_000);
        let extent = measure(&path).unwrap();
        assert_eq!(extent, Extent { tracks: 3, samples: 32_000 });
        let files: Vec<_> = (0..4).map(|n| folder.path().join(format!("{n}.wav"))).collect();
        let sinks = files.iter().map(|path| File::create(path).unwrap()).collect();
        let shapes = write(&path, &extent, sinks).unwrap();
        let read = |n: usize| -> Vec<i16> {
            WavReader::open(&files[n]).unwrap().into_samples().map(Result::unwrap).collect()
        };
        assert_eq!((read(0)[0], read(0)[20_000]), (-9_000, -29_000));
        assert_eq!((read(1)[5], read(2)[5], read(2)[20_000], read(3)[5]), (1_000, 20_000, 0, -30_000));
        assert_eq!(shapes[1].peaks.len(), 40, "a point is 50 ms");
        assert_eq!((shapes[1].peaks[0], shapes[1].peaks[39], shapes[1].audible), (20_000, 0, 20));
    }

    #[test]
    fn a_file_shorter_than_its_header_is_read_as_far_as_it_goes() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        three_tracks(&path, 32_000);
        let whole = std::fs::read(&path).unwrap();
        std::fs::write(&path, &whole[..whole.len() / 2]).unwrap();
        let extent = measure(&path).unwrap();
        assert!((15_990..16_000).contains(&extent.samples), "{extent:?}");
        let shapes = write(&path, &extent, vec![Cursor::new(Vec::new())]).unwrap();
        assert_eq!(shapes.len(), 3);
    }

    #[test]
    fn what_cannot_be_played_says_why() {
        let folder = tempfile::tempdir().unwrap();
        assert!(measure(&folder.path().join("none.wav")).unwrap_err().contains("missing"));
        let path = folder.path().join("a.wav");
        std::fs::write(&path, b"RIFF\0\0\0\0WAVE").unwrap();
        assert!(measure(&path).is_err());
    }

    #[test]
    fn what_is_inside_a_page_is_the_same_file_as_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        three_tracks(&path, 40_001);
        let extent = measure(&path).unwrap();
        let mut files: Vec<Cursor<Vec<u8>>> = (0..4).map(|_| Cursor::default()).collect();
        write(&path, &extent, files.iter_mut().collect()).unwrap();
        for (track, file) in [None, Some(0), Some(1), Some(2)].into_iter().zip(files) {
            let inside = Inside::new(&path, &extent, track).to_string();
            let text = inside.strip_prefix("data:audio/wav;base64,").unwrap();
            let bytes = base64::engine::general_purpose::STANDARD.decode(text).unwrap();
            assert!(bytes == file.into_inner(), "{track:?}");
        }
        let gone = Inside::new(&folder.path().join("gone.wav"), &extent, None);
        let mut text = String::new();
        assert!(fmt::Write::write_fmt(&mut text, format_args!("{gone}")).is_err());
        assert_eq!(gone.take_error().unwrap().kind(), io::ErrorKind::NotFound);
    }

    #[test]
    fn an_hour_is_drawn_with_a_bounded_number_of_points() {
        let extent = Extent { tracks: 3, samples: 3_600 * u64::from(RATE) };
        assert!(extent.samples.div_ceil(samples_a_point(&extent)) <= POINTS);
    }
}
