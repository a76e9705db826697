//! Lays the program out in the memories of the board that it runs on.

use std::path::PathBuf;

fn main() {
    let variable = |name: &str| std::env::var(name).unwrap_or_default();
    println!("cargo:rerun-if-changed=build.rs");
    println!("cargo:rerun-if-changed=memory");
    if variable("CARGO_CFG_TARGET_ARCH") == "wasm32" {
        println!("cargo:rustc-link-arg-bins=--no-entry");
    }
    if variable("CARGO_CFG_TARGET_OS") != "none" {
        return;
    }
    let board = match variable("CARGO_CFG_TARGET_ARCH").as_str() {
        "arm" => "mps2.x",
        _ => "virt.x",
    };
    let out = PathBuf::from(variable("OUT_DIR"));
    let copied = std::fs::copy(PathBuf::from("memory").join(board), out.join("memory.x"));
    assert!(copied.is_ok(), "{board}: {copied:?}");
    println!("cargo:rustc-link-search={}", out.display());
    if board == "virt.x" {
        println!("cargo:rustc-link-arg-bins=-Tmemory.x");
    }
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
}
