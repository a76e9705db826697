//! The C tests and examples, compiled by gcc and run: `cargo xtask c-tests`.
#![expect(clippy::unwrap_used, reason = "a test")]

use std::process::Command;

#[test]
fn the_c_programs_pass() {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let output = Command::new(cargo)
        .args(["run", "--quiet", "--locked", "--package", "xtask", "--", "c-tests"])
        .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/../.."))
        .output()
        .unwrap();
    let (said, wrong) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{said}\n{wrong}");
    assert_eq!(said.matches(": passed").count(), 3, "{said}");
}
