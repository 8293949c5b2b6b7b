//! A room without a sound card: a sound server of its own with a loudspeaker (`room`) and two microphones.

use antiphon::audio::noise::{NoiseKind, NoiseSource};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

pub struct Room {
    dir: tempfile::TempDir,
    server: Child,
    /// What plays the microphones' own noise, and the wind on them.
    hiss: Vec<Child>,
}

impl Room {
    pub fn open() -> Room {
        for program in ["pulseaudio", "pactl", "paplay", "parec", "flite", "spd-say"] {
            let found =
                Command::new("sh").args(["-c", &format!("command -v {program}")]).output().expect("sh runs");
            assert!(found.status.success(), "{program} is not installed: run `models/setup.sh --test`");
        }
        let dir = tempfile::tempdir().expect("a temporary folder");
        let pipewire = std::env::var_os("ANTIPHON_ROOM").is_some_and(|server| server == "pipewire");
        let mut command = if pipewire { pipewire_server() } else { pulseaudio_server(dir.path()) };
        command.env("XDG_RUNTIME_DIR", dir.path()).stdout(Stdio::null()).stderr(Stdio::null());
        let server = command.process_group(0).spawn().expect("the sound server starts");
        let mut room = Room { dir, server, hiss: Vec::new() };
        let since = Instant::now();
        while !room.command("pactl").arg("info").output().expect("pactl runs").status.success() {
            assert!(since.elapsed() < Duration::from_secs(10), "the sound server did not answer in 10 s");
            std::thread::sleep(Duration::from_millis(100));
        }
        room.furnish();
        // PipeWire's resampling rounds a single step away.
        room.hiss(if pipewire { 3 } else { 1 });
        room
    }

    fn furnish(&self) {
        for sink in ["room", "worker", "observer"] {
            self.pactl(&["load-module", "module-null-sink", &format!("sink_name={sink}"), "rate=48000"]);
        }
        for post in ["worker", "observer"] {
            let (master, source) = (format!("master={post}.monitor"), format!("source_name={post}_mic"));
            self.pactl(&["load-module", "module-remap-source", &master, &source]);
        }
        self.pactl(&["set-default-sink", "room"]);
        self.pactl(&["set-default-source", "worker_mic"]);
    }

    /// A microphone that is on is never quite silent: so many steps of 16 bits up or down, for half an hour.
    fn hiss(&mut self, steps: i16) {
        let file = self.dir.path().join("hiss.raw");
        let mut noise = 1u32;
        let mut step = || {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            [0, steps, -steps][(noise >> 16) as usize % 3]
        };
        let bytes = (0..1_800 * 8_000).flat_map(|_| i16::to_le_bytes(step()));
        std::fs::write(&file, bytes.collect::<Vec<u8>>()).expect("the noise is written");
        for post in ["worker", "observer"] {
            let mut player = self.command("paplay");
            player.args(["--raw", "--rate=8000", "--channels=1", "--format=s16le"]);
            player.arg(format!("--device={post}")).arg(&file).stderr(Stdio::null());
            self.hiss.push(player.spawn().expect("paplay runs"));
        }
        let since = Instant::now();
        while self.pactl(&["list", "short", "sink-inputs"]).lines().count() < 2 {
            assert!(since.elapsed() < Duration::from_secs(10), "the noise does not play");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// From now on each microphone stands in the wind of a fan of its own, for three minutes.
    #[allow(dead_code)]
    pub fn fans(&mut self) {
        for (seed, post) in ["worker", "observer"].into_iter().enumerate() {
            let mut noise = vec![0; 180 * 16_000];
            NoiseSource::new(NoiseKind::Fan, seed as u64, -55.0).next(&mut noise);
            let file = self.dir.path().join(format!("{post}.raw"));
            let bytes: Vec<u8> = noise.into_iter().flat_map(i16::to_le_bytes).collect();
            std::fs::write(&file, bytes).expect("the noise is written");
            let mut player = self.command("paplay");
            player.args(["--raw", "--rate=16000", "--channels=1", "--format=s16le"]);
            player.arg(format!("--device={post}")).arg(&file).stderr(Stdio::null());
            self.hiss.push(player.spawn().expect("paplay runs"));
        }
    }

    /// From now on both microphones hear the loudspeaker, at this level to what it plays.
    // Not every test that opens a room makes it leak.
    #[allow(dead_code)]
    pub fn leak(&self, db: i32) {
        for post in ["worker", "observer"] {
            let sink = format!("sink={post}");
            let loopback =
                ["load-module", "module-loopback", "source=room.monitor", &sink, "latency_msec=30"];
            self.pactl(&loopback);
        }
        let inputs = self.pactl(&["list", "short", "sink-inputs"]);
        let ids: Vec<&str> = inputs.lines().filter_map(|line| line.split_whitespace().next()).collect();
        // The first two are the microphones' own noise.
        assert_eq!(ids.len(), 4, "only the leaks play anything yet: {inputs}");
        for id in &ids[2..] {
            self.pactl(&["set-sink-input-volume", id, &format!("{db}dB")]);
        }
    }

    /// What the sound server answers.
    #[allow(dead_code)]
    pub fn pactl(&self, arguments: &[&str]) -> String {
        let output = self.command("pactl").args(arguments).output().expect("pactl runs");
        assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).into_owned()
    }

    /// Takes away the device of the server's module that was loaded with this argument.
    #[allow(dead_code)]
    pub fn unplug(&self, argument: &str) {
        let modules = self.pactl(&["list", "short", "modules"]);
        let module = modules.lines().find(|line| line.contains(argument)).expect("the module is loaded");
        self.pactl(&["unload-module", module.split('\t').next().expect("a number")]);
    }

    /// Stops the sound server where it is, as one that hangs, or lets it go on.
    #[allow(dead_code)]
    pub fn freeze(&self, freeze: bool) {
        assert!(self.signal(if freeze { "-STOP" } else { "-CONT" }), "the sound server is not there");
    }

    /// To the server and all that it started. `false`: none of them is there.
    fn signal(&self, signal: &str) -> bool {
        let group = format!("-{}", self.server.id());
        Command::new("kill").args([signal, "--", &group]).status().is_ok_and(|status| status.success())
    }

    pub fn path(&self) -> &Path {
        self.dir.path()
    }

    /// A command whose sound goes to this room and no other.
    pub fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        for (key, value) in self.environment() {
            command.env(key, value);
        }
        command.env_remove("DBUS_SESSION_BUS_ADDRESS");
        command
    }

    pub fn environment(&self) -> Vec<(&'static str, PathBuf)> {
        let socket = format!("unix:{}", self.dir.path().join("pulse/native").display());
        vec![("PULSE_SERVER", socket.into()), ("XDG_RUNTIME_DIR", self.dir.path().to_path_buf())]
    }
}

impl Drop for Room {
    fn drop(&mut self) {
        // The speech service was started by the program under test, in this room's own runtime folder.
        let pid = self.dir.path().join("speech-dispatcher/pid/speech-dispatcher.pid");
        if let Ok(pid) = std::fs::read_to_string(pid) {
            let _ = Command::new("kill").arg(pid.trim()).status();
        }
        for player in &mut self.hiss {
            let _ = player.kill();
            let _ = player.wait();
        }
        // One that died by itself is no reason to fail: the test has told why, or does not care.
        let _ = self.signal("-KILL");
        let _ = self.server.wait();
    }
}

fn pulseaudio_server(dir: &Path) -> Command {
    let socket = dir.join("pulse/native");
    std::fs::create_dir(dir.join("pulse")).expect("a folder for the socket");
    let mut command = Command::new("pulseaudio");
    command.args(["-n", "--exit-idle-time=-1", "--daemonize=no", "--use-pid-file=no", "--disallow-exit"]);
    command.arg(format!("--load=module-native-protocol-unix auth-anonymous=1 socket={}", socket.display()));
    command
}

/// PipeWire with its own server of the same protocol, for whoever sets `ANTIPHON_ROOM=pipewire`: Debian's packages pipewire,
/// pipewire-pulse and wireplumber.
fn pipewire_server() -> Command {
    let mut command = Command::new("dbus-run-session");
    command.args(["--", "sh", "-c", "pipewire & sleep 0.5; wireplumber & exec pipewire-pulse"]);
    command
}
