//! The functions of libvosk, forwarded to the real library once it is loaded.
//!
//! Owns the C symbols that the `vosk` crate links against (with an empty `libvosk.a`, see `build.rs`), so that the
//! program builds and starts without the library. Must not know what any of them is for. Before `load` has succeeded
//! every function answers with what libvosk itself answers on failure, or does nothing; nothing crashes.

use libloading::Library;
use std::error::Error;
use std::ffi::{c_char, c_int, c_short};
use std::path::Path;
use std::sync::OnceLock;
use vosk_sys::{VoskModel, VoskRecognizer, VoskSpkModel};

static REAL: OnceLock<Functions> = OnceLock::new();

/// What a result is before there is a library: no words. The `vosk` crate reads results without a look at null.
const NO_RESULT: &std::ffi::CStr = c"{\"text\": \"\"}";

/// Loads libvosk for the rest of the program's life. Later calls return at once, whatever the path: one process has
/// one libvosk.
///
/// # Errors
/// Why the library can't be used, for people to read: not there, not for this processor, or a function is missing.
pub fn load(path: &Path) -> Result<(), String> {
    if REAL.get().is_none() {
        // A second thread may have been quicker; then its functions stay and ours are dropped, which is harmless:
        // the system counts how often a library was opened.
        let _ = REAL.set(Functions::open(path)?);
    }
    Ok(())
}

/// libloading keeps what the system's loader said one level down.
fn told(error: libloading::Error) -> String {
    error.source().map_or_else(|| error.to_string(), ToString::to_string)
}

macro_rules! forward {
    ($(fn $name:ident($($argument:ident: $type:ty),*) $(-> $result:ty)? , else $neutral:expr;)*) => {
        /// The real functions, and the library that must stay open as long as they can be called.
        struct Functions {
            $($name: unsafe extern "C" fn($($type),*) $(-> $result)?,)*
            _library: Library,
        }

        impl Functions {
            fn open(path: &Path) -> Result<Functions, String> {
                // SAFETY: opening runs the library's initialisers. It is the file that `models/setup.sh` checked by
                // its sum, or one that the user put there instead; it gets the user's rights either way.
                let library = unsafe { Library::new(path) }.map_err(told)?;
                Ok(Functions {
                    $(
                        // SAFETY: the signature is that of vosk_sys, generated from libvosk's header; the constants at the
                        // end of this macro keep the two equal. The pointer is used only while `_library`, in the
                        // same struct, is open.
                        $name: *unsafe {
                            library.get(concat!(stringify!($name), "\0").as_bytes())
                        }.map_err(told)?,
                    )*
                    _library: library,
                })
            }
        }

        $(
            #[no_mangle]
            unsafe extern "C" fn $name($($argument: $type),*) $(-> $result)? {
                match REAL.get() {
                    // SAFETY: the arguments are handed on as they came, so the caller's promise to libvosk holds.
                    Some(real) => unsafe { (real.$name)($($argument),*) },
                    None => $neutral,
                }
            }
        )*

        // Compiles only while our functions have the very types that vosk_sys declares for the same names.
        $(
            const _: [unsafe extern "C" fn($($type),*) $(-> $result)?; 2] = [$name, vosk_sys::$name];
        )*
    };
}

forward! {
    fn vosk_set_log_level(level: c_int), else ();

    fn vosk_model_new(path: *const c_char) -> *mut VoskModel, else std::ptr::null_mut();
    fn vosk_model_free(model: *mut VoskModel), else ();
    fn vosk_model_find_word(model: *mut VoskModel, word: *const c_char) -> c_int, else -1;

    fn vosk_spk_model_new(path: *const c_char) -> *mut VoskSpkModel, else std::ptr::null_mut();
    fn vosk_spk_model_free(model: *mut VoskSpkModel), else ();

    fn vosk_recognizer_new(model: *mut VoskModel, rate_hz: f32) -> *mut VoskRecognizer,
        else std::ptr::null_mut();
    fn vosk_recognizer_new_spk(model: *mut VoskModel, rate_hz: f32, speaker: *mut VoskSpkModel) -> *mut VoskRecognizer,
        else std::ptr::null_mut();
    fn vosk_recognizer_new_grm(model: *mut VoskModel, rate_hz: f32, grammar: *const c_char) -> *mut VoskRecognizer,
        else std::ptr::null_mut();
    fn vosk_recognizer_set_spk_model(recognizer: *mut VoskRecognizer, speaker: *mut VoskSpkModel), else ();
    fn vosk_recognizer_set_max_alternatives(recognizer: *mut VoskRecognizer, most: c_int), else ();
    fn vosk_recognizer_set_words(recognizer: *mut VoskRecognizer, on: c_int), else ();
    fn vosk_recognizer_set_partial_words(recognizer: *mut VoskRecognizer, on: c_int), else ();
    fn vosk_recognizer_set_nlsml(recognizer: *mut VoskRecognizer, on: c_int), else ();
    fn vosk_recognizer_accept_waveform_s(recognizer: *mut VoskRecognizer, samples: *const c_short, count: c_int)
        -> c_int, else -1;
    fn vosk_recognizer_result(recognizer: *mut VoskRecognizer) -> *const c_char, else NO_RESULT.as_ptr();
    fn vosk_recognizer_partial_result(recognizer: *mut VoskRecognizer) -> *const c_char, else NO_RESULT.as_ptr();
    fn vosk_recognizer_final_result(recognizer: *mut VoskRecognizer) -> *const c_char, else NO_RESULT.as_ptr();
    fn vosk_recognizer_reset(recognizer: *mut VoskRecognizer), else ();
    fn vosk_recognizer_free(recognizer: *mut VoskRecognizer), else ();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_library_that_is_not_there_is_an_error_that_names_it() {
        let why = Functions::open(Path::new("/nowhere/libvosk.so")).err().expect("there is no such file");
        assert!(why.contains("/nowhere/libvosk.so"), "{why}");
    }

    #[test]
    fn a_library_without_the_functions_is_an_error_that_names_one() {
        // The C library is on every machine and has no vosk function.
        let why = Functions::open(Path::new("libc.so.6")).err().expect("it is no libvosk");
        assert!(why.contains("vosk_set_log_level"), "{why}");
    }
}
