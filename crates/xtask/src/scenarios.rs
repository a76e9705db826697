//! The numbered scenarios over many seeds: the job itself is a library function of the `tests` package.

use crate::tools::{Done, cargo};

/// Passes the options on to an optimised build, and its output through.
pub(crate) fn run(options: &[&str]) -> Done {
    let mut command = cargo();
    command.args([
        "run",
        "--quiet",
        "--release",
        "--package",
        "tickseam-tests",
        "--bin",
        "measure",
        "--",
        "scenarios",
    ]);
    let status = command.args(options).status().map_err(|error| format!("cargo: {error}"))?;
    if status.success() { Ok(()) } else { Err("scenarios: see above".to_owned()) }
}
