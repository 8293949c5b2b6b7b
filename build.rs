//! Gives the linker an empty `libvosk.a`.
//!
//! The `vosk` crate asks the linker for `-lvosk`. The functions themselves are defined in
//! `src/listen/engine/vosk/ffi.rs`, which loads the real library on first use, so the program builds and starts
//! without it and can say in one line how to get it.

use std::{env, fs, path::PathBuf};

fn main() {
    let out = PathBuf::from(env::var_os("OUT_DIR").expect("cargo sets OUT_DIR"));
    fs::write(out.join("libvosk.a"), b"!<arch>\n").expect("OUT_DIR is writable");
    println!("cargo:rustc-link-search=native={}", out.display());
    println!("cargo:rerun-if-changed=build.rs");
}
