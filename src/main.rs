//! The program: hands its arguments to [`coilway::cli::run`].

use std::process::ExitCode;

fn main() -> ExitCode {
    coilway::cli::run()
}
