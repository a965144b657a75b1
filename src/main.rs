//! The `pailbeat` command: reads its arguments, calls the library, prints.

fn main() -> std::process::ExitCode {
    pailbeat::cli::run()
}
