//! The `vosk` crate before libvosk is loaded. A file (so a process) of its own: no other test may load the library.

// Links the crate, and with it the functions that stand in for libvosk.
use antiphon as _;

#[test]
fn without_the_library_vosk_says_no_instead_of_crashing() {
    vosk::set_log_level(vosk::LogLevel::Error);
    assert!(vosk::Model::new("/nowhere").is_none());
    assert!(vosk::SpeakerModel::new("/nowhere").is_none());
}
