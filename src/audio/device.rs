//! Which microphones and loudspeakers there are, and which one a name means.
//!
//! Owns the choice of sound host and of stream settings. Must not know what is recorded or played. On Linux the
//! sound server is asked first (PulseAudio's protocol, which PipeWire speaks too): only there do sources such as a
//! remapped microphone have names, and only there can two programs share a device. Without a server it is ALSA, and
//! whoever asked is told.

use super::AudioError;
use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{BufferSize, SampleFormat, StreamConfig, SupportedStreamConfigRange};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Once};
use std::time::Duration;

/// How long the system may take to open a stream.
pub(super) const OPEN_TIMEOUT: Duration = Duration::from_secs(5);

/// Whether sound comes in or goes out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    Input,
    Output,
}

impl Direction {
    /// The user's word for such a device.
    pub fn word(self) -> &'static str {
        match self {
            Direction::Input => "microphone",
            Direction::Output => "loudspeaker",
        }
    }
}

/// One device.
#[derive(Clone)]
pub struct Device {
    pub(crate) inner: cpal::Device,
    /// `host:id`, the same from run to run.
    pub id: String,
    /// As the system describes it; not unique.
    pub name: String,
    pub default: bool,
    /// It hands back what a loudspeaker plays: no microphone unless asked for by name.
    pub monitor: bool,
}

/// Devices found, and what to tell the user about the search.
pub struct Listing {
    pub devices: Vec<Device>,
    pub notes: Vec<String>,
}

/// How a stream is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// Hz
    pub rate: u32,
    pub channels: u16,
    pub format: SampleFormat,
}

impl Settings {
    /// `frames`: size of one callback, or the host's own choice.
    pub(crate) fn stream(self, frames: Option<u32>) -> StreamConfig {
        StreamConfig {
            channels: self.channels,
            sample_rate: self.rate,
            buffer_size: frames.map_or(BufferSize::Default, BufferSize::Fixed),
        }
    }
}

/// Every device of the host in use that a person would name.
pub fn list(direction: Direction) -> Result<Listing, AudioError> {
    let (host, notes) = host();
    let devices = devices(&host, direction)?.into_iter().filter(worth_showing).collect();
    Ok(Listing { devices, notes })
}

/// The device a name means: its exact id or name, then a part of either that fits one device only; without a name
/// the default. The notes say what was done instead of the first choice.
pub fn find(direction: Direction, wanted: Option<&str>) -> Result<(Device, Vec<String>), AudioError> {
    let (host, mut notes) = host();
    let all = devices(&host, direction)?;
    let Some(wanted) = wanted else {
        return default_of(direction, all).map(|device| (device, notes));
    };
    match pick(wanted, &all.iter().map(Label::of).collect::<Vec<_>>()) {
        Ok(index) => Ok((all[index].clone(), notes)),
        Err(problem) => {
            // With a sound server running, a name may still be one of ALSA's.
            if host.id() != cpal::HostId::Alsa && problem.matches == 0 {
                if let Some(device) = in_alsa(direction, wanted) {
                    if !wanted.starts_with("alsa:") {
                        notes.push(format!("'{wanted}' is unknown to the sound server; taken from ALSA"));
                    }
                    return Ok((device, notes));
                }
            }
            let names = all.iter().filter(|d| worth_showing(d)).map(|d| d.id.clone()).collect();
            Err(AudioError::Name { why: problem.sentence(direction, wanted), names })
        }
    }
}

fn in_alsa(direction: Direction, wanted: &str) -> Option<Device> {
    let host = cpal::host_from_id(cpal::HostId::Alsa).ok()?;
    let all = devices(&host, direction).ok()?;
    let index = pick(wanted, &all.iter().map(Label::of).collect::<Vec<_>>()).ok()?;
    Some(all[index].clone())
}

fn default_of(direction: Direction, all: Vec<Device>) -> Result<Device, AudioError> {
    let fix = match direction {
        Direction::Input => "plug one in, or name a source with --mic (see `antiphon devices`)",
        Direction::Output => "plug one in, or name an output (see `antiphon devices`)",
    };
    let none = |why: &str| AudioError::NoDevice { what: direction.word(), why: why.into(), fix: fix.into() };
    let device = all
        .into_iter()
        .find(|device| device.default)
        .ok_or_else(|| none("the system has none, or no sound server is running"))?;
    if device.monitor {
        return Err(none("the only sound source is the monitor of a loudspeaker"));
    }
    if is_dummy(&device.id) {
        return Err(none("the sound server has only its dummy output, which nobody hears"));
    }
    Ok(device)
}

/// PulseAudio and PipeWire make up an output of this name when there is none.
fn is_dummy(id: &str) -> bool {
    id.split_once(':').is_some_and(|(_, id)| id == "auto_null" || id == "auto_null.monitor")
}

/// ALSA lists every plug-in; a person means the default, a server, or a card with conversions.
fn worth_showing(device: &Device) -> bool {
    match device.id.strip_prefix("alsa:") {
        Some(id) => matches!(id, "default" | "pulse" | "pipewire") || id.starts_with("plughw:"),
        None => !is_dummy(&device.id),
    }
}

/// The sound server if one answers, else ALSA (elsewhere: the system's own), and what to tell the user.
fn host() -> (cpal::Host, Vec<String>) {
    point_to_sound_server();
    keep_alsa_quiet();
    let host = cpal::default_host();
    let mut notes = Vec::new();
    if host.id() == cpal::HostId::Alsa {
        notes.push("no PulseAudio or PipeWire server answers; using ALSA".into());
    }
    (host, notes)
}

/// ALSA writes to standard error whatever it tries, right across the screen. What fails comes back as an error anyway.
fn keep_alsa_quiet() {
    #[cfg(target_os = "linux")]
    {
        // For this thread, for good; without memory for it, the messages go on as before.
        let _ = alsa::Output::local_error_handler();
    }
}

/// The server's socket can lie where the client library does not look: without a login session (a service, root) there
/// is no XDG_RUNTIME_DIR. Call this before other threads start, so that the environment is not changed under them.
pub fn point_to_sound_server() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        if std::env::var_os("PULSE_SERVER").is_none() {
            if let Some(socket) = hidden_socket() {
                std::env::set_var("PULSE_SERVER", format!("unix:{}", socket.display()));
            }
        }
    });
}

fn hidden_socket() -> Option<PathBuf> {
    use std::os::unix::fs::MetadataExt;
    let variable = |name: &str| std::env::var_os(name).map(PathBuf::from);
    if variable("XDG_RUNTIME_DIR").is_some_and(|dir| dir.join("pulse/native").exists()) {
        return None;
    }
    let mut places: Vec<PathBuf> = Vec::new();
    places.extend(variable("PULSE_RUNTIME_PATH").map(|dir| dir.join("native")));
    if let Ok(me) = std::fs::metadata("/proc/self") {
        places.push(format!("/run/user/{}/pulse/native", me.uid()).into());
    }
    if let Some(config) = variable("HOME").and_then(|home| std::fs::read_dir(home.join(".config/pulse")).ok())
    {
        let folders = config.flatten().map(|entry| entry.path());
        places
            .extend(folders.filter(|p| p.to_string_lossy().ends_with("-runtime")).map(|p| p.join("native")));
    }
    places.into_iter().find(|socket| socket.exists())
}

fn devices(host: &cpal::Host, direction: Direction) -> Result<Vec<Device>, AudioError> {
    let failed = |error: cpal::Error| AudioError::NoDevice {
        what: direction.word(),
        why: error.to_string(),
        fix: "start the sound server, or check the sound card".into(),
    };
    let default = match direction {
        Direction::Input => host.default_input_device(),
        Direction::Output => host.default_output_device(),
    };
    let default_id = default.as_ref().and_then(|device| device.id().ok());
    let mut found: Vec<cpal::Device> = match direction {
        Direction::Input => host.input_devices().map_err(failed)?.collect(),
        Direction::Output => host.output_devices().map_err(failed)?.collect(),
    };
    let is_default = |device: &cpal::Device| default_id.is_some() && device.id().ok() == default_id;
    // ALSA's default need not be in its own list.
    if let Some(default) = default.filter(|_| !found.iter().any(is_default)) {
        found.insert(0, default);
    }
    Ok(found
        .into_iter()
        .filter_map(|inner| {
            let default = is_default(&inner);
            let id = inner.id().ok()?;
            let monitor = direction == Direction::Input && id.id().ends_with(".monitor");
            Some(Device { id: id.to_string(), name: inner.to_string(), default, monitor, inner })
        })
        .collect())
}

/// What a device is matched by.
struct Label<'a> {
    id: &'a str,
    name: &'a str,
    monitor: bool,
}

impl<'a> Label<'a> {
    fn of(device: &'a Device) -> Label<'a> {
        Label { id: &device.id, name: &device.name, monitor: device.monitor }
    }
    fn bare_id(&self) -> &'a str {
        self.id.split_once(':').map_or(self.id, |(_, id)| id)
    }
}

/// A name that means no device, or several.
struct Problem {
    matches: usize,
}

impl Problem {
    fn sentence(&self, direction: Direction, wanted: &str) -> String {
        let word = direction.word();
        match self.matches {
            0 => format!("no {word} is called '{wanted}'"),
            count => format!("'{wanted}' fits {count} {word}s"),
        }
    }
}

fn pick(wanted: &str, labels: &[Label<'_>]) -> Result<usize, Problem> {
    let lower = wanted.to_lowercase();
    let exact_id = |l: &Label<'_>| l.id == wanted || l.bare_id() == wanted;
    let exact_name = |l: &Label<'_>| l.name == wanted;
    let part = |l: &Label<'_>| l.id.to_lowercase().contains(&lower) || l.name.to_lowercase().contains(&lower);
    let own_sound = |l: &Label<'_>| !l.monitor && part(l);
    if wanted.is_empty() {
        return Err(Problem { matches: 0 });
    }
    let tests: [&dyn Fn(&Label<'_>) -> bool; 4] = [&exact_id, &exact_name, &own_sound, &part];
    for test in tests {
        let hits: Vec<usize> = (0..labels.len()).filter(|&index| test(&labels[index])).collect();
        match hits[..] {
            [] => {}
            [one] => return Ok(one),
            _ => return Err(Problem { matches: hits.len() }),
        }
    }
    Err(Problem { matches: 0 })
}

/// Rates in the order they are wanted, Hz: none to convert, then the usual ones.
const RATES: [u32; 8] = [16_000, 48_000, 44_100, 32_000, 96_000, 24_000, 22_050, 8_000];
const FORMATS: [SampleFormat; 7] = [
    SampleFormat::I16,
    SampleFormat::F32,
    SampleFormat::I32,
    SampleFormat::I24,
    SampleFormat::F64,
    SampleFormat::U16,
    SampleFormat::U8,
];

/// The settings that need the least conversion: rate first, then the fewest channels, then the format.
pub fn settings(device: &Device, direction: Direction) -> Result<Settings, AudioError> {
    let ranges = ranges(device, direction)?;
    best(&ranges).ok_or_else(|| AudioError::Device {
        device: device.name.clone(),
        why: "it offers no sample rate and format that is understood".into(),
        fix: "choose another device".into(),
    })
}

/// The device's own rate (Hz) and channels, where it tells them; a sound server converts all others to these.
pub fn native(device: &Device, direction: Direction) -> Option<(u32, u16)> {
    let config = match direction {
        Direction::Input => device.inner.default_input_config(),
        Direction::Output => device.inner.default_output_config(),
    };
    config.ok().map(|config| (config.sample_rate(), config.channels()))
}

/// What the device offers.
pub fn ranges(device: &Device, direction: Direction) -> Result<Vec<SupportedStreamConfigRange>, AudioError> {
    let ranges: Result<Vec<_>, cpal::Error> = match direction {
        Direction::Input => device.inner.supported_input_configs().map(Iterator::collect),
        Direction::Output => device.inner.supported_output_configs().map(Iterator::collect),
    };
    ranges.map_err(|error| failure(device, direction, &error))
}

fn best(ranges: &[SupportedStreamConfigRange]) -> Option<Settings> {
    let rank = |range: &SupportedStreamConfigRange| {
        let rate = RATES.iter().position(|&rate| range.contains_rate(rate))?;
        let format = FORMATS.iter().position(|&format| format == range.sample_format())?;
        Some((rate, range.channels(), format))
    };
    ranges.iter().filter_map(rank).min().map(|(rate, channels, format)| Settings {
        rate: RATES[rate],
        channels,
        format: FORMATS[format],
    })
}

/// A device error in words, with what to do about it.
pub(crate) fn failure(device: &Device, direction: Direction, error: &cpal::Error) -> AudioError {
    use cpal::ErrorKind;
    // ALSA always has a default, on a machine without any sound too; it fails when it is opened.
    if device.default && device.id == "alsa:default" {
        return AudioError::NoDevice {
            what: direction.word(),
            why: format!(
                "no PulseAudio or PipeWire server answers, and ALSA's default can't be opened: {error}"
            ),
            fix: "plug one in, or start the sound server (for example `pulseaudio --start`)".into(),
        };
    }
    let fix = match error.kind() {
        ErrorKind::DeviceBusy => "close the program that uses it, or choose another device",
        ErrorKind::PermissionDenied => "allow access to it (on Linux: join the group 'audio')",
        ErrorKind::DeviceNotAvailable => "plug it in, or choose another device",
        ErrorKind::HostUnavailable | ErrorKind::StreamInvalidated => "start the sound server",
        _ => "choose another device (see `antiphon devices`)",
    };
    AudioError::Device { device: device.name.clone(), why: error.to_string(), fix: fix.into() }
}

/// Calls `gone` once if the sound server no longer has the device: the server goes on with another one and says nothing.
/// ALSA tells by itself.
pub(crate) fn watch(
    device: &Device,
    direction: Direction,
    over: Arc<AtomicBool>,
    gone: impl FnOnce(String) + Send + 'static,
) {
    if device.id.starts_with("alsa:") {
        return;
    }
    let device = device.clone();
    std::thread::spawn(move || {
        let Ok(id) = device.inner.id() else { return };
        let Ok(host) = cpal::host_from_id(id.host()) else { return };
        let there = |mut all: Box<dyn Iterator<Item = cpal::Device>>| {
            all.any(|other| other.id().ok().as_ref() == Some(&id))
        };
        while !over.load(Ordering::Relaxed) {
            std::thread::sleep(Duration::from_millis(500));
            let found = match direction {
                Direction::Input => host.input_devices().map(|all| there(Box::new(all))),
                Direction::Output => host.output_devices().map(|all| there(Box::new(all))),
            };
            if !found.unwrap_or(false) {
                if !over.load(Ordering::Relaxed) {
                    gone(format!("{} is gone", device.name));
                }
                return;
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use cpal::SupportedBufferSize;

    const ROOM: [Label<'static>; 5] = [
        Label { id: "pulseaudio:worker.monitor", name: "Monitor of worker", monitor: true },
        Label { id: "pulseaudio:worker_mic", name: "Remapped source", monitor: false },
        Label { id: "pulseaudio:usb-1", name: "Clip-on microphone", monitor: false },
        Label { id: "pulseaudio:usb-2", name: "Clip-on microphone", monitor: false },
        Label { id: "pulseaudio:room.monitor", name: "Monitor of room", monitor: true },
    ];

    fn index(wanted: &str) -> Result<usize, usize> {
        pick(wanted, &ROOM).map_err(|problem| problem.matches)
    }

    #[test]
    fn an_exact_id_wins_over_a_part() {
        assert_eq!(index("worker_mic"), Ok(1));
        assert_eq!(index("pulseaudio:usb-2"), Ok(3));
        assert_eq!(index("room.monitor"), Ok(4));
    }

    #[test]
    fn a_part_of_a_name_in_any_case_is_enough_if_it_fits_one_device() {
        assert_eq!(index("REMAPPED"), Ok(1));
        assert_eq!(index("usb-1"), Ok(2));
        // A microphone is meant before the monitor of a loudspeaker.
        assert_eq!(index("worker"), Ok(1));
        assert_eq!(index("of room"), Ok(4));
    }

    #[test]
    fn a_name_that_fits_several_devices_or_none_is_refused() {
        assert_eq!(index("Clip-on microphone"), Err(2));
        assert_eq!(index("usb"), Err(2));
        assert_eq!(index("observer"), Err(0));
        assert_eq!(index(""), Err(0));
    }

    fn range(channels: u16, low: u32, high: u32, format: SampleFormat) -> SupportedStreamConfigRange {
        SupportedStreamConfigRange::new(channels, low, high, SupportedBufferSize::Unknown, format)
    }

    #[test]
    fn sixteen_kilohertz_mono_is_taken_where_it_is_offered() {
        let offers = [
            range(2, 44_100, 48_000, SampleFormat::I16),
            range(2, 8_000, 96_000, SampleFormat::I16),
            range(1, 8_000, 96_000, SampleFormat::F32),
            range(1, 8_000, 96_000, SampleFormat::I16),
        ];
        let expected = Settings { rate: 16_000, channels: 1, format: SampleFormat::I16 };
        assert_eq!(best(&offers), Some(expected));
    }

    #[test]
    fn a_card_with_fixed_settings_is_taken_as_it_is() {
        let offers =
            [range(2, 44_100, 44_100, SampleFormat::I32), range(2, 48_000, 48_000, SampleFormat::I32)];
        assert_eq!(best(&offers), Some(Settings { rate: 48_000, channels: 2, format: SampleFormat::I32 }));
        assert_eq!(best(&[range(2, 2_822_400, 2_822_400, SampleFormat::DsdU8)]), None);
        assert_eq!(best(&[]), None);
    }

    #[test]
    fn the_dummy_output_is_no_loudspeaker() {
        assert!(is_dummy("pulseaudio:auto_null"));
        assert!(!is_dummy("pulseaudio:auto_null_2"));
        assert!(!is_dummy("auto_null"));
    }
}
