//! Changes made to the core one by one, each of which its tests should notice: cargo-mutants, set up in `.cargo/mutants.toml`.

use std::process::Command;

use crate::tools::{Done, cargo, root, run, target_dir};

/// Changes a share of the core, `k/n`, every n-th change from the k-th on; all of it without. A survivor fails the run.
pub(crate) fn run_all(shard: Option<&str>) -> Done {
    run(cargo().args(["mutants", "--version"]))
        .map_err(|_| "there is no cargo-mutants: cargo install cargo-mutants --locked".to_owned())?;
    let mut command = Command::new("cargo");
    command.current_dir(root()).args(["mutants", "--package", "tickseam", "--no-shuffle", "--output"]);
    command.arg(target_dir().join("mutants"));
    if let Some(share) = shard {
        command.args(["--sharding", "round-robin", "--shard", share]);
    }
    // Its progress is to be seen: a run takes hours.
    let status = command.status().map_err(|error| error.to_string())?;
    if status.success() {
        return Ok(());
    }
    Err(format!("{status}; survivors in target/mutants/mutants.out/missed.txt"))
}
