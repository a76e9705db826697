//! Names the shared library's ABI, and tells saved states of other builds apart.

use std::hash::{DefaultHasher, Hash, Hasher};

fn main() {
    let variable = |name: &str| std::env::var(name).unwrap_or_default();
    // Cargo sets no SONAME.
    match variable("CARGO_CFG_TARGET_OS").as_str() {
        "linux" | "android" => println!("cargo:rustc-cdylib-link-arg=-Wl,-soname,libtickseam.so.0"),
        "macos" | "ios" => {
            println!("cargo:rustc-cdylib-link-arg=-Wl,-install_name,@rpath/libtickseam.0.dylib");
        }
        _ => {}
    }
    // How the compiler lays a saved state out may change with compiler, target and version.
    let compiler = std::process::Command::new(variable("RUSTC")).arg("-Vv").output();
    let mut hasher = DefaultHasher::new();
    compiler.map(|output| output.stdout).unwrap_or_default().hash(&mut hasher);
    variable("TARGET").hash(&mut hasher);
    variable("CARGO_PKG_VERSION").hash(&mut hasher);
    println!("cargo:rustc-env=TICKSEAM_LAYOUT={}", hasher.finish());
    println!("cargo:rerun-if-changed=build.rs");
}
