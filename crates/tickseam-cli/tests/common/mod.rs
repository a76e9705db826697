//! The command as all of its tests run it.
#![allow(dead_code, reason = "no test file uses all of it")]
#![allow(unreachable_pub, reason = "each test file is a crate of its own, which exports nothing")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use tickseam_record::{Event, read, write_recording};

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

/// All files below a folder with their contents; nothing of an absent one.
pub fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).into_iter().flatten().map(Result::unwrap) {
            if entry.file_type().unwrap().is_dir() {
                folders.push(entry.path());
            } else {
                let below = entry.path().strip_prefix(folder).unwrap().to_path_buf();
                all.insert(below, fs::read(entry.path()).unwrap());
            }
        }
    }
    all
}

/// The same recording with one event more or fewer.
pub fn set_version(folder: &Path, version: usize) {
    let mut recording = read(folder).unwrap();
    recording.events.retain(|event| event.label != "extra");
    if version == 1 {
        let host_ns = recording.events[3].host_ns + 1;
        recording.events.insert(4, Event { host_ns, label: "extra".to_owned(), duration_ms: None });
    }
    write_recording(folder, &recording).unwrap();
}

/// Shares of a run's length at which it is stopped: any spread of moments will do, the same each time.
pub struct Moments(u64);

impl Moments {
    pub fn new() -> Self {
        Self(0x2545_F491_4F6C_DD1D)
    }

    /// 0 to 1, by a linear congruential generator (Knuth's constants for 64 bits, from memory).
    pub fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f64 / f64::from(1_u32 << 24)
    }
}

/// Runs the command and sends it a signal after a while; false where it had done its work before.
#[cfg(unix)]
pub fn stopped(arguments: &[&str], inside: &Path, after: Duration, signal: &str) -> bool {
    let mut child = command(arguments, inside).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    std::thread::sleep(after);
    let _ = Command::new("kill")
        .args([&format!("-{signal}"), &child.id().to_string()])
        .stderr(Stdio::null())
        .status()
        .unwrap();
    !child.wait().unwrap().success()
}
