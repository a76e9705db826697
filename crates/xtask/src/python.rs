//! Builds the Python wheel, installs it into a fresh virtual environment, and runs its tests there.

use std::path::Path;
use std::process::Command;

use crate::tools::{Done, cargo, root, run, target_dir};

/// What the tests need besides the wheel; maturin builds it. The last two run it on a cluster.
const PACKAGES: [&str; 7] =
    ["maturin>=1.9,<2", "numpy", "pandas", "pytest", "mypy", "dask==2026.8.0", "distributed==2026.8.0"];

pub(crate) fn run_all() -> Done {
    let source = root().join("bindings/python");
    let out = target_dir().join("python-tests");
    // What an earlier run left behind would be tested instead of what is built now.
    if out.exists() {
        std::fs::remove_dir_all(&out).map_err(|error| format!("{}: {error}", out.display()))?;
    }
    let environment = out.join("environment");
    let python = std::env::var_os("PYTHON").unwrap_or_else(|| "python3".into());
    run(Command::new(python).args(["-m", "venv"]).arg(&environment))?;
    let python = environment.join("bin/python");
    run(Command::new(&python)
        .args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check"])
        .args(PACKAGES))?;
    lint(&source)?;
    let wheels = out.join("wheels");
    run(Command::new(&python)
        .args(["-m", "maturin", "build", "--release", "--locked", "--quiet", "--manifest-path"])
        .arg(source.join("Cargo.toml"))
        .arg("--interpreter")
        .arg(&python)
        .arg("--out")
        .arg(&wheels)
        .env("CARGO_TARGET_DIR", target_dir().join("python")))?;
    let wheel = std::fs::read_dir(&wheels)
        .map_err(|error| format!("{}: {error}", wheels.display()))?
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .find(|path| path.extension().is_some_and(|extension| extension == "whl"))
        .ok_or_else(|| format!("{}: no wheel was built", wheels.display()))?;
    run(Command::new(&python).args(["-m", "pip", "install", "--quiet", "--no-deps"]).arg(&wheel))?;
    run(cargo().args(["build", "--release", "--locked", "--quiet", "-p", "tickseam-cli"]))?;
    // What fails is said on its standard output, and at length.
    let done = Command::new(&python)
        .args(["-m", "pytest", "-p", "no:cacheprovider"])
        .current_dir(&source)
        .env("TICKSEAM_COMMAND", target_dir().join("release/tickseam"))
        .status()
        .map_err(|error| format!("pytest: {error}"))?;
    if !done.success() {
        return Err(format!("pytest: {done}"));
    }
    Ok(())
}

fn lint(source: &Path) -> Done {
    let manifest = source.join("Cargo.toml");
    run(cargo().args(["fmt", "--check", "--manifest-path"]).arg(&manifest))?;
    run(cargo()
        .args(["clippy", "--release", "--locked", "--quiet", "--manifest-path"])
        .arg(&manifest)
        .args(["--", "-D", "warnings"])
        .env("CARGO_TARGET_DIR", target_dir().join("python")))?;
    Ok(())
}
