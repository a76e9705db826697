//! What tickseam is made of: other people's code under which licences, from where, from which version on, and how little of it the core has.

use std::process::Command;

use serde_json::Value;

use crate::tools::{Done, cargo, read, root, run, target_dir};

/// All that the core may use.
const OF_THE_CORE: [&str; 2] = ["heapless", "libm"];

/// Workspaces of their own, with the folder in which each lies.
const OTHER_WORKSPACES: [&str; 3] =
    ["crates/tickseam-firmware", "bindings/python", "crates/tickseam-capi/audit"];

/// The toolchain that works out the oldest versions: only a nightly one can.
const NIGHTLY: &str = "+nightly";

fn packages(folder: &str) -> Done<Vec<Value>> {
    let manifest = root().join(folder).join("Cargo.toml");
    let text = run(cargo()
        .args(["metadata", "--format-version", "1", "--no-deps", "--manifest-path"])
        .arg(manifest))?;
    let metadata: Value = serde_json::from_str(&text).map_err(|error| format!("cargo metadata: {error}"))?;
    match metadata["packages"].as_array() {
        Some(packages) if !packages.is_empty() => Ok(packages.clone()),
        _ => Err(format!("cargo metadata lists no package of {folder:?}")),
    }
}

/// Checks that need nothing but cargo: the oldest toolchain is stated by every crate, and the core is what it says it is.
pub(crate) fn manifests() -> Done {
    let mut all = packages("")?;
    for folder in OTHER_WORKSPACES {
        all.extend(packages(folder)?);
    }
    let stated = |package: &Value| package["rust_version"].as_str().unwrap_or("none").to_owned();
    let core = all.iter().find(|package| package["name"] == "tickseam").ok_or("there is no core")?.clone();
    let oldest = stated(&core);
    for package in &all {
        let (name, found) = (package["name"].as_str().unwrap_or_default(), stated(package));
        if found != oldest {
            return Err(format!("{name}: rust-version is {found}, that of the core {oldest}"));
        }
    }
    let readme = read(&root().join("README.md"))?;
    if !readme.contains(&format!("Rust toolchain ({oldest} or later)")) {
        return Err(format!("README.md does not ask for a Rust toolchain of {oldest} or later"));
    }
    core_is_small(&core)?;
    println!("{} crates ask for Rust {oldest}; the core uses {}", all.len(), OF_THE_CORE.join(" and "));
    Ok(())
}

/// The core uses two crates, whatever the target, and runs nothing when it is built.
fn core_is_small(core: &Value) -> Done {
    let list = |key: &str| core[key].as_array().cloned().unwrap_or_default();
    let builds = list("targets").iter().any(|target| {
        target["kind"].as_array().is_some_and(|kinds| kinds.iter().any(|kind| kind == "custom-build"))
    });
    if builds {
        return Err("the core has a build script".to_owned());
    }
    let mut used: Vec<String> = Vec::new();
    for dependency in list("dependencies") {
        let name = dependency["name"].as_str().unwrap_or_default().to_owned();
        // Development alone has the kind `dev`; a dependency of the build would be one too many as well.
        if dependency["kind"] != "dev" && !used.contains(&name) {
            used.push(name);
        }
    }
    used.sort();
    if used != OF_THE_CORE {
        return Err(format!("the core uses {}, not {}", used.join(", "), OF_THE_CORE.join(", ")));
    }
    Ok(())
}

/// Licences, crates that come twice, and where they come from: `deny.toml`.
pub(crate) fn licences() -> Done {
    let mut command = cargo();
    command.args(["deny", "--all-features", "check", "licenses", "bans", "sources"]);
    run(&mut command).map(drop).map_err(|why| {
        if why.contains("no such command") {
            "there is no cargo-deny: cargo install cargo-deny --locked".to_owned()
        } else {
            why
        }
    })
}

/// Whether the workspace builds with the oldest version of each crate that its manifests name, by the oldest toolchain that they state.
pub(crate) fn oldest_versions() -> Done {
    let oldest = packages("")?
        .iter()
        .find_map(|package| package["rust_version"].as_str().map(str::to_owned))
        .ok_or("no rust-version")?;
    // A copy, so that no lock file of ours changes.
    let copy = target_dir().join("oldest");
    let listed = run(Command::new("git").args(["ls-files"]).current_dir(root()))?;
    if copy.exists() {
        for path in ["crates", "tests", "benches"] {
            let _ = std::fs::remove_dir_all(copy.join(path));
        }
    }
    for path in listed.lines().filter(|path| *path != "Cargo.lock" && *path != "rust-toolchain.toml") {
        let (from, to) = (root().join(path), copy.join(path));
        let folder = to.parent().unwrap_or(&copy);
        std::fs::create_dir_all(folder)
            .and_then(|()| std::fs::copy(&from, &to))
            .map_err(|error| format!("{path}: {error}"))?;
    }
    let _ = std::fs::remove_file(copy.join("Cargo.lock"));
    let in_copy = |toolchain: &str| {
        let mut command = Command::new("cargo");
        command
            .arg(toolchain)
            .current_dir(&copy)
            .env_remove("CARGO_TARGET_DIR")
            .env_remove("RUSTUP_TOOLCHAIN");
        command
    };
    run(in_copy(NIGHTLY).args(["update", "-Z", "direct-minimal-versions"]))?;
    run(in_copy(&format!("+{oldest}.0")).args(["check", "--workspace", "--locked"]))?;
    println!("builds by Rust {oldest} with the oldest version of each crate that is named");
    Ok(())
}
