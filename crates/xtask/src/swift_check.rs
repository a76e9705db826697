//! Checks of the Swift package what can be checked without a Swift compiler: clang imports its module as Swift would, and the C names
//! that its Swift files use are names of the header.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::tools::{Done, read, root, run, target_dir, write};

const CLANGS: [&str; 2] = ["clang-22", "clang"];

/// Words of a text that begin with tickseam_ or TICKSEAM_.
fn names(text: &str) -> Vec<&str> {
    let mut found: Vec<&str> = text
        .split(|c: char| !c.is_ascii_alphanumeric() && c != '_')
        .filter(|word| word.starts_with("tickseam_") || word.starts_with("TICKSEAM_"))
        // The stem of several, in a comment.
        .filter(|word| !word.ends_with('_'))
        .collect();
    found.sort_unstable();
    found.dedup();
    found
}

fn swift_files(folder: &Path) -> Done<Vec<PathBuf>> {
    let entries = std::fs::read_dir(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    Ok(entries
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|extension| extension == "swift"))
        .collect())
}

pub(crate) fn run_all() -> Done {
    let package = root().join("bindings/swift");
    let Some(clang) = CLANGS.iter().find(|name| Command::new(name).arg("--version").output().is_ok()) else {
        println!("swift-check: no clang: skipped");
        return Ok(());
    };
    let header = read(&root().join("include/tickseam.h"))?;
    let known = names(&header);
    let mut used = String::new();
    let mut sources = swift_files(&package.join("Sources/Tickseam"))?;
    sources.extend(swift_files(&package.join("Tests/TickseamTests"))?);
    for source in &sources {
        let text = read(source)?;
        for name in names(&text) {
            if known.binary_search(&name).is_err() {
                return Err(format!("{}: {name} is not in tickseam.h", source.display()));
            }
            // A type or a value: both may stand in sizeof.
            used.push_str(&format!("    (void)sizeof({name});\n"));
        }
    }
    if used.is_empty() {
        return Err("the Swift files use nothing of tickseam.h".to_owned());
    }
    let out = target_dir().join("swift-check");
    let program = out.join("import.m");
    let check = |text: &str| {
        write(&program, text)?;
        run(Command::new(clang)
            .args(["-fmodules", "-fsyntax-only", "-ffreestanding", "-Wall", "-Wno-pointer-arith", "-Werror"])
            .arg(format!("-fmodules-cache-path={}", out.join("cache").display()))
            .arg(format!(
                "-fmodule-map-file={}",
                package.join("Sources/CTickseam/module.modulemap").display()
            ))
            .arg(&program))
    };
    check(&format!("@import CTickseam;\nvoid names_of_the_header(void) {{\n{used}}}\n"))?;
    // The control: a name that is not there has to be noticed.
    if check("@import CTickseam;\nint size = sizeof(tickseam_nothing_of_this_name);\n").is_ok() {
        return Err("clang did not notice a name that the module does not have".to_owned());
    }
    println!(
        "swift-check: the module imports, {} Swift files use its names; not compiled as Swift",
        sources.len()
    );
    Ok(())
}
