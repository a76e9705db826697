//! The core's tests under the address sanitizer and under Miri, where the toolchain has them: optional, and never silent.

use std::process::Command;

use crate::tools::{Done, root, run, target_dir, write};

const NIGHTLY: &str = "+nightly";
const HOST: &str = "x86_64-unknown-linux-gnu";
/// Reads one place behind a list: what the sanitizer has to catch.
const FAULT: &str = "fn main() {\n    let list = vec![1_u8; std::env::args().count() + 7];\n    \
                     println!(\"{}\", unsafe { *list.as_ptr().add(list.len()) });\n}\n";

fn nightly(program: &str) -> Command {
    let mut command = Command::new(program);
    command.arg(NIGHTLY).current_dir(root());
    command.env_remove("RUSTUP_TOOLCHAIN").env_remove("CARGO").env_remove("RUSTC");
    command
}

/// The core's own tests, built with the sanitizer; before them a planted fault that it has to catch.
fn address() -> Done {
    let out = target_dir().join("sanitized");
    let (source, program) = (out.join("fault.rs"), out.join("fault"));
    write(&source, FAULT)?;
    run(nightly("rustc").args(["-Zsanitizer=address", "-o"]).arg(&program).arg(&source))?;
    match run(&mut Command::new(&program)) {
        Err(why) if why.contains("AddressSanitizer: heap-buffer-overflow") => {}
        Err(why) => return Err(format!("the planted fault ended otherwise: {why}")),
        Ok(_) => return Err("the address sanitizer did not catch the planted fault".to_owned()),
    }
    let mut tests = nightly("cargo");
    tests
        .args(["test", "--locked", "--package", "tickseam", "--lib", "--target", HOST, "--target-dir"])
        .arg(&out);
    let said = run(tests.env("RUSTFLAGS", "-Zsanitizer=address"))?;
    let result = said.lines().find(|line| line.starts_with("test result: ok. "));
    println!("address sanitizer: planted fault caught; core: {}", result.ok_or("no test ran")?);
    Ok(())
}

/// The core's own tests, interpreted.
fn miri() -> Done {
    if run(nightly("cargo").args(["miri", "--version"])).is_err() {
        println!("SKIPPED: Miri, which the nightly toolchain does not have; nothing was interpreted");
        return Ok(());
    }
    run(nightly("cargo").args(["miri", "test", "--locked", "--package", "tickseam", "--lib"]))?;
    println!("Miri: passed");
    Ok(())
}

pub(crate) fn run_all() -> Done {
    address()?;
    miri()
}
