//! The C interface of libhama's acoustic network: the only unsafe code of the `phones` engine.
//!
//! Owns the library handle and the network handle. Must not know what the numbers mean.

use libloading::Library;
use std::ffi::c_void;
use std::path::Path;

type Load = unsafe extern "C" fn(*const u8, usize) -> *mut c_void;
type Free = unsafe extern "C" fn(*mut c_void);
type NumFrames = unsafe extern "C" fn(i64) -> i64;
type Run = unsafe extern "C" fn(*mut c_void, *const f32, i64, *mut f32, *mut i64) -> i64;

/// One loaded network. Not shared between threads; moved to the thread that uses it.
pub struct Network {
    handle: *mut c_void,
    num_frames: NumFrames,
    run: Run,
    free: Free,
    // Kept last so that the code the pointers above point into outlives them.
    _library: Library,
}

// SAFETY: the handle has no thread affinity (plain heap memory) and `Network` is used from one thread at a time:
// `run` takes `&mut self`.
unsafe impl Send for Network {}

impl Network {
    /// Opens the library and loads the weights into it. The library copies them (9 MB a network), which the test below
    /// holds it to, so they may go afterwards.
    pub fn load(library: &Path, weights: &[u8]) -> Result<Network, String> {
        // SAFETY: opening a library runs its initialisers; the file is the one `models/setup.sh` fetched and checked by
        // its SHA-256.
        let library = unsafe { Library::new(library) }.map_err(|error| error.to_string())?;
        // SAFETY: the four signatures are those of the hama 1.7.0 C interface.
        let (load, free, num_frames, run) = unsafe {
            (
                symbol::<Load>(&library, b"hama_asr_load\0")?,
                symbol::<Free>(&library, b"hama_asr_free\0")?,
                symbol::<NumFrames>(&library, b"hama_asr_num_frames\0")?,
                symbol::<Run>(&library, b"hama_asr_run\0")?,
            )
        };
        // SAFETY: pointer and length describe `weights`, which is only read, and during the call only.
        let handle = unsafe { load(weights.as_ptr(), weights.len()) };
        if handle.is_null() {
            return Err("the library refused the weights".to_string());
        }
        Ok(Network { handle, num_frames, run, free, _library: library })
    }

    /// Number of output frames for this many samples.
    pub fn frames(&self, samples: usize) -> usize {
        // SAFETY: a pure function of its argument.
        usize::try_from(unsafe { (self.num_frames)(samples as i64) }).unwrap_or(0)
    }

    /// Runs the network over samples in -1..1 at 16 kHz; `out` gets frames x `width` scores. Returns the frames.
    pub fn run(&mut self, samples: &[f32], width: usize, out: &mut Vec<f32>) -> Result<usize, String> {
        let frames = self.frames(samples.len());
        out.clear();
        out.resize(frames * width, 0.0);
        let mut valid: i64 = 0;
        // SAFETY: `out` has room for frames x width values, as the interface asks for this many samples; all pointers
        // are valid for the call.
        let rc = unsafe {
            (self.run)(self.handle, samples.as_ptr(), samples.len() as i64, out.as_mut_ptr(), &mut valid)
        };
        if rc < 0 {
            return Err(format!("hama_asr_run returned {rc}"));
        }
        Ok(usize::try_from(valid).unwrap_or(0).min(frames))
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        // SAFETY: the handle came from `load` and is freed once.
        unsafe { (self.free)(self.handle) };
    }
}

/// # Safety
/// `T` must be the type of the symbol.
unsafe fn symbol<T: Copy>(library: &Library, name: &[u8]) -> Result<T, String> {
    // SAFETY: the caller vouches for the type.
    unsafe { library.get::<T>(name) }.map(|symbol| *symbol).map_err(|error| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::Network;
    use crate::models::{find, Asset};

    const WIDTH: usize = 191;

    fn outputs(network: &mut Network) -> Vec<u32> {
        let samples: Vec<f32> = (0..16_000).map(|n| ((n * n) as f32 * 1e-4).sin() * 0.1).collect();
        let mut out = Vec::new();
        let frames = network.run(&samples, WIDTH, &mut out).unwrap();
        assert!(frames > 40);
        out[..frames * WIDTH].iter().map(|value| value.to_bits()).collect()
    }

    #[test]
    fn a_network_outlives_the_weights_it_was_given_and_another_network() {
        let library = find(Asset::HamaLibrary).unwrap();
        let mut weights = std::fs::read(find(Asset::HamaWeights).unwrap()).unwrap();
        let mut first = Network::load(&library, &weights).unwrap();
        let mut second = Network::load(&library, &weights).unwrap();
        let before = outputs(&mut first);
        weights.fill(0);
        assert!(outputs(&mut first) == before);
        drop(first);
        assert!(outputs(&mut second) == before);
    }

    #[test]
    fn two_networks_on_two_threads_don_t_disturb_each_other() {
        let library = find(Asset::HamaLibrary).unwrap();
        let weights = std::fs::read(find(Asset::HamaWeights).unwrap()).unwrap();
        let expected = outputs(&mut Network::load(&library, &weights).unwrap());
        std::thread::scope(|scope| {
            for _ in 0..2 {
                scope.spawn(|| {
                    let mut network = Network::load(&library, &weights).unwrap();
                    for _ in 0..3 {
                        assert!(outputs(&mut network) == expected);
                    }
                });
            }
        });
    }
}
