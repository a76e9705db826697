//! The command as all of its tests run it.
#![allow(dead_code, reason = "no test file uses all of it")]
#![allow(unreachable_pub, reason = "each test file is a crate of its own, which exports nothing")]

use std::path::Path;
use std::process::{Command, Output, Stdio};

/// The command with these arguments, inside a folder, with nothing on its standard input.
pub fn command(arguments: &[&str], inside: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tickseam"));
    command.args(arguments).current_dir(inside).stdin(Stdio::null());
    command
}

pub fn tickseam(arguments: &[&str], inside: &Path) -> Output {
    command(arguments, inside).output().unwrap()
}

pub fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

/// Status, standard output and standard error.
pub fn said(arguments: &[&str], inside: &Path) -> (i32, String, String) {
    let output = tickseam(arguments, inside);
    (output.status.code().unwrap(), text(&output.stdout).to_owned(), text(&output.stderr).to_owned())
}

/// Characters of the longest line.
pub fn widest(text: &str) -> usize {
    text.lines().map(|line| line.chars().count()).max().unwrap_or(0)
}
