//! Running other programs, and where things lie.

use std::path::{Path, PathBuf};
use std::process::Command;

/// What went wrong, for people.
pub(crate) type Done<T = ()> = Result<T, String>;

/// The workspace's folder.
pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().unwrap_or_else(|_| PathBuf::from("."))
}

/// Where cargo builds.
pub(crate) fn target_dir() -> PathBuf {
    std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| root().join("target"), PathBuf::from)
}

/// Runs a program to its end; its standard output.
pub(crate) fn run(command: &mut Command) -> Done<String> {
    let shown = format!("{command:?}");
    let output = command.output().map_err(|error| format!("{shown}: {error}"))?;
    if output.status.success() {
        Ok(String::from_utf8_lossy(&output.stdout).into_owned())
    } else {
        Err(format!("{shown}: {}\n{}", output.status, String::from_utf8_lossy(&output.stderr)))
    }
}

/// Cargo, in the workspace's folder.
pub(crate) fn cargo() -> Command {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.current_dir(root());
    command
}

/// Reads a text file.
pub(crate) fn read(path: &Path) -> Done<String> {
    std::fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))
}

/// Writes a text file, and the folders above it.
pub(crate) fn write(path: &Path, text: &str) -> Done {
    let folder = path.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder)
        .and_then(|()| std::fs::write(path, text))
        .map_err(|error| format!("{}: {error}", path.display()))
}

/// Fails where a committed file is not what would be written now.
pub(crate) fn compare(path: &Path, fresh: &str, renew: &str) -> Done {
    let committed = read(path)?;
    let differing = committed.lines().zip(fresh.lines()).enumerate().find(|(_, (a, b))| a != b);
    match differing {
        Some((line, (old, new))) => Err(format!(
            "{} line {}: committed\n  {old}\nbut it would be\n  {new}\nrenew it with {renew}",
            path.display(),
            line + 1
        )),
        None if committed == fresh => Ok(()),
        None => {
            Err(format!("{} is shorter or longer than it would be; renew it with {renew}", path.display()))
        }
    }
}
