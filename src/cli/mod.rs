//! The commands: reading arguments, calling the library, printing.

use std::process::ExitCode;

/// Runs the command line. Exit status: 0 done, 1 some takes could not be used, 2 could not start.
pub fn run() -> ExitCode {
    ExitCode::SUCCESS
}
