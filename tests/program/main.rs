//! The built program from the outside: every bad input gets one clear message and the documented exit code, and what
//! it records of a session is whole, true and the same every time.

#[path = "../common/mod.rs"]
mod common;

mod audio_files;
mod bad_procedures;
mod decisions;
mod ears;
mod folders;
mod leaks;
mod library;
mod lint;
mod newcomer;
mod paper;
mod records;
mod rehearsals;
mod scripts;
mod trials;
mod usage;
