//! The tickseam command.

use std::process::ExitCode;

fn main() -> ExitCode {
    tickseam_cli::command::run(std::env::args_os())
}
