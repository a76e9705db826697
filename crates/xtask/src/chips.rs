//! The programs of `crates/tickseam-firmware`, built for a processor and run on it.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use crate::dist;
use crate::tools::{Done, cargo, root, run, target_dir};

const MANIFEST: &str = "crates/tickseam-firmware/Cargo.toml";
/// An image that runs longer hangs.
const LONGEST: Duration = Duration::from_mins(10);

/// A processor that a program can be built for by the cross toolchain.
#[derive(Clone, Copy)]
pub(crate) struct Processor {
    pub(crate) target: &'static str,
    pub(crate) linker: &'static str,
    /// Feature of the firmware's crate that the target needs, or none where there is an operating system.
    pub(crate) feature: Option<&'static str>,
}

pub(crate) const CORTEX_M4F: Processor =
    Processor { target: "thumbv7em-none-eabihf", linker: "ld.lld-22", feature: Some("cortex-m") };
pub(crate) const CORTEX_M0: Processor =
    Processor { target: "thumbv6m-none-eabi", linker: "ld.lld-22", feature: Some("cortex-m") };
pub(crate) const RISC_V: Processor =
    Processor { target: "riscv32imac-unknown-none-elf", linker: "ld.lld-22", feature: Some("riscv") };
pub(crate) const WASM: Processor =
    Processor { target: "wasm32-unknown-unknown", linker: "wasm-ld-22", feature: Some("wasm") };

/// Where the programs of the firmware are built.
fn build_folder() -> PathBuf {
    target_dir().join("firmware")
}

impl Processor {
    fn command(&self, subcommand: &str) -> Done<Command> {
        let mut command = dist::cross_cargo()?;
        let parts = if self.feature.is_some() { "core" } else { "std,panic_abort" };
        command.arg(subcommand).arg(format!("-Zbuild-std={parts}")).args([
            "--target",
            self.target,
            "--release",
            "--locked",
            "--manifest-path",
            MANIFEST,
        ]);
        command.arg("--target-dir").arg(build_folder());
        let name = self.target.to_uppercase().replace('-', "_");
        command.env(format!("CARGO_TARGET_{name}_LINKER"), self.linker);
        if let Some(feature) = self.feature {
            command.args(["--features", feature]);
        } else {
            command.env("RUSTFLAGS", "-C target-feature=+crt-static");
        }
        Ok(command)
    }

    /// A program for this processor.
    pub(crate) fn build(&self, program: &str) -> Done<PathBuf> {
        run(self.command("build")?.args(["--bin", program]))?;
        let built = build_folder().join(self.target).join("release").join(program);
        let module = built.with_extension("wasm");
        Ok(if self.target == WASM.target { module } else { built })
    }

    /// Whether the core builds for this processor, where nothing of it can be run.
    pub(crate) fn build_core(&self) -> Done {
        run(self.command("build")?.arg("--lib")).map(|_| ())
    }
}

/// A program for this machine, with the optimiser or without: what it prints.
pub(crate) fn hosted(optimised: bool) -> Done<String> {
    let mut command = cargo();
    command.args(["run", "--quiet", "--locked", "--manifest-path", MANIFEST, "--bin", "hosted"]);
    if optimised {
        command.arg("--release");
    }
    run(command.arg("--target-dir").arg(build_folder().join("host")))
}

/// An image on one of QEMU's Cortex-M boards, instructions counted: what it prints.
pub(crate) fn on_cortex_m(board: &str, image: &Path) -> Done<String> {
    bounded(
        Command::new("qemu-system-arm")
            .args(["-M", board, "-nographic", "-monitor", "none", "-serial", "none"])
            .args(["-semihosting-config", "enable=on,target=native", "-icount", "shift=10", "-kernel"])
            .arg(image),
    )
}

/// An image on QEMU's RISC-V board: what it prints.
pub(crate) fn on_risc_v(image: &Path) -> Done<String> {
    bounded(
        Command::new("qemu-system-riscv32")
            .args(["-M", "virt", "-bios", "none", "-nographic", "-monitor", "none", "-serial", "stdio"])
            .arg("-kernel")
            .arg(image),
    )
}

/// Runs a program that could hang.
fn bounded(command: &mut Command) -> Done<String> {
    let seconds = LONGEST.as_secs().to_string();
    let mut within = Command::new("timeout");
    within.arg(&seconds).arg(command.get_program()).args(command.get_args());
    let begun = Instant::now();
    run(&mut within).map_err(|why| {
        let late = if begun.elapsed() >= LONGEST { "took too long: " } else { "" };
        format!("{late}{why}")
    })
}

/// What `sum` lines of a program's output say, by the run they belong to.
pub(crate) fn sums(printed: &str) -> Done<[String; 2]> {
    let of = |by: &str| {
        let found = printed.lines().find_map(|line| line.strip_prefix("sum ")?.strip_prefix(by));
        let sum = found.map(str::trim).filter(|sum| sum.len() == 16);
        sum.map(str::to_owned).ok_or_else(|| format!("no sum of the {by} in what was printed"))
    };
    Ok([of("parts")?, of("session")?])
}

/// Fails where a program for other processors is missing.
pub(crate) fn needed(programs: &[&str]) -> Done {
    dist::cross_cargo()?;
    let path = std::env::var_os("PATH").unwrap_or_default();
    let there = |program: &str| std::env::split_paths(&path).any(|folder| folder.join(program).exists());
    let missing: Vec<&str> = programs.iter().copied().filter(|program| !there(program)).collect();
    if missing.is_empty() { Ok(()) } else { Err(format!("not installed: {}", missing.join(", "))) }
}

/// The firmware's workspace root, for programs that work on its sources.
pub(crate) fn folder() -> PathBuf {
    root().join("crates/tickseam-firmware")
}
