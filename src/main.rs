fn main() -> std::process::ExitCode {
    // First of all, while there is one thread: it may set an environment variable.
    antiphon::audio::device::point_to_sound_server();
    antiphon::cli::main()
}
