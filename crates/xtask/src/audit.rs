//! Shows at link time that no panic is reachable: the panic handler of the audited library calls a symbol that does not exist.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::dist;
use crate::tools::{self, Done, cargo, read, root, target_dir};

const MISSING: &str = "tickseam_a_panic_is_reachable";

/// Where a library is built and linked: this machine, or another target with its C compiler.
#[derive(Clone, Copy)]
struct Target<'a> {
    name: Option<&'a str>,
    linker: &'a str,
}

impl Target<'_> {
    fn archive(&self, features: &str) -> Done<PathBuf> {
        let folder = target_dir().join("audit").join(features);
        let (mut command, built) = match self.name {
            None => (cargo(), folder.join("release")),
            Some(target) => (dist::cross_cargo()?, folder.join(target).join("release")),
        };
        command.arg("build");
        if let Some(target) = self.name {
            command.args(["-Zbuild-std=core", "--target", target]);
        }
        command.args(["--locked", "--release", "--manifest-path", "crates/tickseam-capi/audit/Cargo.toml"]);
        tools::run(command.args(["--features", features]).arg("--target-dir").arg(&folder))?;
        Ok(built.join("libtickseam_capi_audit.a"))
    }

    /// Whether no panic is reachable, and whether this can tell: the linked library.
    fn audited(&self) -> Done<PathBuf> {
        let linked = link(self.linker, &self.archive("panic-audit")?, &[])?;
        match link(self.linker, &self.archive("panic-control")?, &["tickseam_panic_control"]) {
            Err(why) if why.contains(MISSING) => Ok(linked),
            Err(why) => Err(format!("the control failed for another reason: {why}")),
            Ok(_) => Err("the control linked: the audit sees nothing".to_owned()),
        }
    }
}

/// Links all functions of the header, and `more`, with everything dropped that they do not reach.
fn link(linker: &str, archive: &Path, more: &[&str]) -> Done<PathBuf> {
    let abi = read(&root().join("include/tickseam.abi"))?;
    let mut command = Command::new(linker);
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
    let linked = Target { name: None, linker: "cc" }.audited()?;
    println!("no panic is reachable; linked and garbage-collected: {}", within_budget(&linked)?);
    println!("control: a function that can panic breaks the link, as it has to");
    Ok(())
}

/// The same for another target; its size has no budget.
pub(crate) fn run_for(target: &str, linker: &str) -> Done {
    Target { name: Some(target), linker }.audited().map(|_| ())
}
