//! The header, from the sources of the C interface.

use crate::tools::{Done, compare, root, write as write_file};

fn generate() -> Done<String> {
    let crate_dir = root().join("crates/tickseam-capi");
    let config = cbindgen::Config::from_file(crate_dir.join("cbindgen.toml"))?;
    let bindings = cbindgen::Builder::new()
        .with_config(config)
        .with_crate(&crate_dir)
        .generate()
        .map_err(|error| error.to_string())?;
    let mut bytes = Vec::new();
    bindings.write(&mut bytes);
    let text = String::from_utf8(bytes).map_err(|error| error.to_string())?;
    Ok(without_safety(&text))
}

/// Drops the sections that Rust asks of unsafe functions: the header's first screen says the same once for all.
fn without_safety(text: &str) -> String {
    let mut kept = String::new();
    let mut skipping = false;
    let mut blank: Option<&str> = None;
    for line in text.lines() {
        let words = line.trim_start().trim_start_matches('*').trim();
        if words == "# Safety" {
            (skipping, blank) = (true, None);
        } else if line.trim_start().starts_with("*/") {
            skipping = false;
        }
        if skipping {
            continue;
        }
        if let Some(blank) = blank.take() {
            kept.push_str(blank);
            kept.push('\n');
        }
        if line.trim() == "*" {
            blank = Some(line);
            continue;
        }
        kept.push_str(line);
        kept.push('\n');
    }
    kept
}

pub(crate) fn write() -> Done {
    write_file(&root().join("include/tickseam.h"), &generate()?)
}

pub(crate) fn check() -> Done {
    compare(&root().join("include/tickseam.h"), &generate()?, "cargo xtask header")
}
