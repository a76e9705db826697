//! What Rust programs can name of the crates that they link: one text file for each crate, committed, so that a change shows in review.
//! Optional, as it needs a nightly compiler and cargo-public-api; what is not checked is said and is no success.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::Command;

use crate::tools::{Done, read, root, run, target_dir, write as write_file};

/// The crates that users link. The C interface has `include/tickseam.abi` instead.
const CRATES: [&str; 4] = ["tickseam", "tickseam-record", "tickseam-sim", "tickseam-cli"];
const NIGHTLY: &str = "+nightly";

fn nightly() -> Command {
    let mut command = Command::new("cargo");
    command.arg(NIGHTLY).current_dir(root());
    command.env_remove("RUSTUP_TOOLCHAIN").env_remove("CARGO").env_remove("RUSTC");
    command
}

fn listing(of: &str) -> PathBuf {
    root().join("crates").join(of).join("public-api.txt")
}

/// What has to be there and is not.
fn missing() -> Option<&'static str> {
    if run(nightly().arg("--version")).is_err() {
        Some("there is no nightly compiler: rustup toolchain install nightly")
    } else if run(nightly().args(["public-api", "--version"])).is_err() {
        Some("there is no cargo-public-api: cargo install cargo-public-api --locked")
    } else {
        None
    }
}

/// Marks that the compiler gives and that depend on its version, and what every `derive` writes besides its own line.
const SAYS_NOTHING: [&str; 8] = [
    "::marker::Freeze for ",
    "::marker::StructuralPartialEq for ",
    "::marker::Unpin for ",
    "::marker::UnsafeUnpin for ",
    "::unwind_safe::",
    "::clone(&self) -> ",
    "::eq(&self, &",
    "::fmt(&self, &mut core::fmt::Formatter<",
];

/// The public items of a crate, one a line; without what every type has by blanket implementations, and what says nothing.
fn items(of: &str) -> Done<String> {
    let mut command = nightly();
    command.args([
        "public-api",
        "--package",
        of,
        "--color",
        "never",
        "--omit",
        "blanket-impls",
        "--target-dir",
    ]);
    let text = run(command.arg(target_dir().join("api")))?;
    if text.lines().any(|line| line == format!("pub mod {}", of.replace('-', "_"))) {
        let told = |line: &&str| !SAYS_NOTHING.iter().any(|nothing| line.contains(nothing));
        Ok(text.lines().filter(told).flat_map(|line| [line, "\n"]).collect())
    } else {
        Err(format!("cargo-public-api lists no crate {of}"))
    }
}

/// Writes the listings anew.
pub(crate) fn write() -> Done {
    if let Some(why) = missing() {
        return Err(format!("nothing was written: {why}"));
    }
    for name in CRATES {
        let text = items(name)?;
        write_file(&listing(name), &text)?;
        println!("{name}: {} public items", text.lines().count());
    }
    Ok(())
}

/// Fails where the committed listings are not what would be written now; says so where that cannot be known.
pub(crate) fn check() -> Done {
    if let Some(why) = missing() {
        println!("SKIPPED: the public Rust API, as {why}; nothing was compared");
        return Ok(());
    }
    let mut changed = String::new();
    for name in CRATES {
        let (committed, now) = (read(&listing(name))?, items(name)?);
        let (gone, new) = differences(&committed, &now);
        if gone.is_empty() && new.is_empty() {
            println!("{name}: its {} public items are those committed", now.lines().count());
            continue;
        }
        changed.push_str(&format!("{name}: {} gone or changed (breaking), {} new\n", gone.len(), new.len()));
        for (mark, lines) in [('-', gone), ('+', new)] {
            changed.extend(lines.iter().map(|line| format!("  {mark} {line}\n")));
        }
    }
    if changed.is_empty() {
        Ok(())
    } else {
        Err(format!("the public Rust API is another\n{changed}renew it with cargo xtask api --write"))
    }
}

/// Lines of the first text that the second lacks, and the other way round; a line that stands there twice counts twice.
fn differences<'a>(committed: &'a str, now: &'a str) -> (Vec<&'a str>, Vec<&'a str>) {
    let mut more: BTreeMap<&str, i32> = BTreeMap::new();
    for line in committed.lines() {
        *more.entry(line).or_default() += 1;
    }
    for line in now.lines() {
        *more.entry(line).or_default() -= 1;
    }
    let of =
        |wanted: i32| more.iter().filter(move |(_, count)| count.signum() == wanted).map(|(line, _)| *line);
    (of(1).collect(), of(-1).collect())
}

#[cfg(test)]
mod tests {
    use super::{CRATES, differences, listing};
    use crate::tools::read;

    #[test]
    fn a_changed_line_is_gone_and_new_whatever_the_order() {
        let committed = "pub mod a\npub fn a::f(f64)\npub fn a::g()\n";
        assert_eq!(differences(committed, committed), (vec![], vec![]));
        assert_eq!(differences(committed, "pub fn a::g()\npub mod a\npub fn a::f(f64)\n"), (vec![], vec![]));
        let now = "pub mod a\npub fn a::f(f32)\npub fn a::g()\npub fn a::h()\n";
        assert_eq!(
            differences(committed, now),
            (vec!["pub fn a::f(f64)"], vec!["pub fn a::f(f32)", "pub fn a::h()"])
        );
    }

    #[test]
    fn every_crate_that_is_linked_has_its_listing() {
        for name in CRATES {
            let text = read(&listing(name)).unwrap();
            assert!(text.lines().count() > 10, "{name}: {text}");
        }
    }
}
