//! Runs a program and watches what it takes: wall time, CPU time and memory, from Linux's /proc.

use std::fs;
use std::process::{Child, Command, ExitStatus};
use std::time::{Duration, Instant};

/// What a run took.
pub struct Ran {
    pub status: ExitStatus,
    /// User and system time of the program itself, s; in steps of the kernel's clock tick (10 ms on most machines).
    pub cpu_s: f64,
    /// Largest resident memory, MB (10^6 bytes); looked at every few ms, so the last instant may be missed.
    pub peak_mb: f64,
}

/// Runs to the end. `each` is called every few ms with the time since the start; when it returns false the program is
/// killed.
pub fn watch(command: &mut Command, each: &mut dyn FnMut(Duration) -> bool) -> Result<Ran, String> {
    let ticks = ticks_per_second()?;
    let began = Instant::now();
    let program = command.get_program().to_string_lossy().into_owned();
    let mut child = command.spawn().map_err(|error| format!("{program}: {error}"))?;
    let mut peak_mb = 0.0;
    loop {
        let seen = Seen::of(&child)?;
        if let Some(mb) = seen.peak_mb {
            peak_mb = mb;
        }
        // A program that has ended keeps its times until it is waited for.
        if seen.ended {
            let status = child.wait().map_err(|error| format!("{program}: {error}"))?;
            return Ok(Ran { status, cpu_s: seen.ticks / ticks, peak_mb });
        }
        if !each(began.elapsed()) {
            // It may have ended in between, which is as good.
            let _ = child.kill();
        }
        std::thread::sleep(Duration::from_millis(2));
    }
}

struct Seen {
    ended: bool,
    ticks: f64,
    peak_mb: Option<f64>,
}

impl Seen {
    fn of(child: &Child) -> Result<Seen, String> {
        let stat = read(&format!("/proc/{}/stat", child.id()))?;
        // The second field is the program's name in brackets and may have spaces; proc(5) numbers state 3, utime 14.
        let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
        let number = |field: usize| fields.get(field - 3).and_then(|text| text.parse::<f64>().ok());
        let (Some(user), Some(system)) = (number(14), number(15)) else {
            return Err(format!("can't read {stat:?}"));
        };
        let status = read(&format!("/proc/{}/status", child.id()))?;
        let peak_mb = kilobytes(&status, "VmHWM:").map(|kb| kb * 1024.0 / 1e6);
        Ok(Seen { ended: fields.first() == Some(&"Z"), ticks: user + system, peak_mb })
    }
}

/// A line `NAME  123 kB` of a /proc file.
pub fn kilobytes(text: &str, name: &str) -> Option<f64> {
    text.lines().find_map(|line| line.strip_prefix(name))?.split_whitespace().next()?.parse().ok()
}

/// CPU time of this thread so far, s.
pub fn thread_cpu_s() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 / 1e9
}

fn ticks_per_second() -> Result<f64, String> {
    let output =
        Command::new("getconf").arg("CLK_TCK").output().map_err(|error| format!("getconf: {error}"))?;
    String::from_utf8_lossy(&output.stdout)
        .trim()
        .parse()
        .map_err(|_| "getconf CLK_TCK gave no number".to_string())
}

pub fn read(path: &str) -> Result<String, String> {
    fs::read_to_string(path).map_err(|error| format!("{path}: {error}"))
}
