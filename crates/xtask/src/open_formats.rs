//! Checks from outside of what is read and written in open formats: by libraries and validators that others made.

use std::path::PathBuf;
use std::process::Command;

use crate::tools::{Done, cargo, root, run, target_dir};

pub(crate) fn run_all() -> Done {
    let source = root().join("tests/open_formats");
    let checks = files(&source, "check_", ".py")?;
    let out = tempfile::tempdir().map_err(|error| format!("no temporary folder: {error}"))?;
    let environment = out.path().join("environment");
    let python = std::env::var_os("PYTHON").unwrap_or_else(|| "python3".into());
    run(Command::new(python).args(["-m", "venv"]).arg(&environment))?;
    let python = environment.join("bin/python");
    let mut install = Command::new(&python);
    install.args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check"]);
    for requirements in files(&source, "requirements", ".txt")? {
        install.arg("--requirement").arg(requirements);
    }
    run(&mut install)?;
    run(cargo().args(["build", "--release", "--locked", "--quiet", "-p", "tickseam-cli"]))?;
    let mut failed = Vec::new();
    for check in &checks {
        // What fails is said on its standard error, and at length.
        let done = Command::new(&python)
            .arg("-B")
            .arg(check)
            .current_dir(&source)
            .env("TICKSEAM_COMMAND", target_dir().join("release/tickseam"))
            .status()
            .map_err(|error| format!("{}: {error}", check.display()))?;
        if !done.success() {
            failed.push(format!("{}: {done}", check.display()));
        }
    }
    if failed.is_empty() { Ok(()) } else { Err(failed.join("\n")) }
}

/// Every file whose name begins and ends so, in the order of their names; at least one.
fn files(source: &std::path::Path, begin: &str, end: &str) -> Done<Vec<PathBuf>> {
    let entries = std::fs::read_dir(source).map_err(|error| format!("{}: {error}", source.display()))?;
    let mut files: Vec<PathBuf> = entries
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| {
            let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            name.starts_with(begin) && name.ends_with(end)
        })
        .collect();
    files.sort();
    if files.is_empty() {
        return Err(format!("{}: no {begin}*{end} was found", source.display()));
    }
    Ok(files)
}
