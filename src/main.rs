fn main() -> std::process::ExitCode {
    antiphon::cli::main()
}
