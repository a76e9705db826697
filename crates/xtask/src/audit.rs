//! Shows at link time that no panic is reachable: the panic handler of the audited library calls a symbol that does not exist.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::tools::{self, Done, cargo, read, root, target_dir};

const MISSING: &str = "tickseam_a_panic_is_reachable";

fn archive(features: &str) -> Done<PathBuf> {
    let folder = target_dir().join("audit").join(features);
    tools::run(
        cargo()
            .args([
                "build",
                "--locked",
                "--release",
                "--manifest-path",
                "crates/tickseam-capi/audit/Cargo.toml",
            ])
            .args(["--features", features])
            .arg("--target-dir")
            .arg(&folder),
    )?;
    Ok(folder.join("release/libtickseam_capi_audit.a"))
}

/// Links all functions of the header, and `more`, with everything dropped that they do not reach.
fn link(archive: &Path, more: &[&str]) -> Done<PathBuf> {
    let abi = read(&root().join("include/tickseam.abi"))?;
    let mut command = Command::new("cc");
    let linked = archive.with_extension("linked.so");
    command.args(["-shared", "-nostdlib", "-Wl,--gc-sections", "-Wl,-z,defs", "-Wl,--build-id=none", "-s"]);
    let symbols: Vec<&str> = abi.lines().filter_map(|line| line.strip_prefix("symbol ")).collect();
    if symbols.len() < 20 {
        return Err(format!("only {} functions are known to audit", symbols.len()));
    }
    for symbol in symbols.iter().chain(more) {
        command.arg(format!("-Wl,-u,{symbol}"));
    }
    // The compiler's own helpers and the C library's memory functions cannot panic.
    command.arg(archive).args(["-lgcc", "-lc"]).arg("-o").arg(&linked);
    tools::run(&mut command)?;
    Ok(linked)
}

/// Holds a section of the linked library to its line of the budget.
fn within_budget(linked: &Path) -> Done<String> {
    let sizes = tools::run(Command::new("size").arg("-A").arg(linked))?;
    let budget = read(&root().join("crates/tickseam-capi/budget.toml"))?;
    let mut said = Vec::new();
    for (section, key) in [(".text ", "text_bytes = "), (".rodata ", "rodata_bytes = ")] {
        let number = |lines: &str, start: &str| {
            let rest = lines.lines().find_map(|line| line.strip_prefix(start))?;
            rest.split_whitespace().next()?.parse::<u64>().ok()
        };
        let found = number(&sizes, section).ok_or_else(|| format!("no section {section}"))?;
        let allowed = number(&budget, key).ok_or_else(|| format!("budget.toml has no {key}"))?;
        if found > allowed {
            return Err(format!("{section}takes {found} bytes, its budget is {allowed}"));
        }
        said.push(format!("{section}{found} of {allowed} bytes"));
    }
    Ok(said.join(", "))
}

pub(crate) fn run() -> Done {
    let linked = link(&archive("panic-audit")?, &[])?;
    println!("no panic is reachable; linked and garbage-collected: {}", within_budget(&linked)?);
    match link(&archive("panic-control")?, &["tickseam_panic_control"]) {
        Err(why) if why.contains(MISSING) => {
            println!("control: a function that can panic breaks the link, as it has to");
            Ok(())
        }
        Err(why) => Err(format!("the control failed for another reason: {why}")),
        Ok(_) => Err("the control linked: the audit sees nothing".to_owned()),
    }
}
