//! Which lines of the core its tests run: measured by cargo-llvm-cov, held to the least share that may be.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::tools::{Done, read, root, run, target_dir};

/// Share of the core's lines that its tests have to run, in percent. Lower, and a whole branch could go untested unseen.
const LEAST_LINES_PERCENT: f64 = 97.0;
/// Where Debian puts the tools that read the profiles of this compiler's LLVM; those of another LLVM refuse them.
const DEBIAN: &str = "/usr/lib/llvm-22/bin";

/// What the tests ran of one file.
#[derive(Default)]
struct Covered {
    lines: BTreeMap<u32, u64>,
    branches: usize,
    branches_taken: usize,
}

/// A tool of LLVM: where the variable says, or where Debian has it.
fn tool(variable: &str, name: &str) -> Done<PathBuf> {
    let path = std::env::var_os(variable).map_or_else(|| Path::new(DEBIAN).join(name), PathBuf::from);
    if path.is_file() {
        return Ok(path);
    }
    Err(format!("there is no {}: install llvm-22, or name a {name} of LLVM 22 in {variable}", path.display()))
}

/// The core's files of a report in lcov's format, tests left out.
fn of_the_core(report: &str) -> BTreeMap<String, Covered> {
    let mut files = BTreeMap::<String, Covered>::new();
    let mut current = None;
    for line in report.lines() {
        if let Some(path) = line.strip_prefix("SF:") {
            let name = path.split_once("/crates/tickseam/src/").map(|(_, name)| name);
            current = name.filter(|name| *name != "tests.rs" && !name.ends_with("/tests.rs"));
        }
        let Some(name) = current else { continue };
        let file = files.entry(name.to_owned()).or_default();
        if let Some((number, count)) = line.strip_prefix("DA:").and_then(|rest| rest.split_once(',')) {
            // A checksum may follow the count.
            let count = count.split(',').next().and_then(|count| count.parse::<u64>().ok());
            if let (Ok(number), Some(count)) = (number.parse(), count) {
                *file.lines.entry(number).or_default() += count;
            }
        }
        if let Some(taken) = line.strip_prefix("BRDA:").and_then(|rest| rest.rsplit(',').next()) {
            file.branches += 1;
            file.branches_taken += usize::from(taken != "-" && taken != "0");
        }
    }
    files
}

/// Lines that no test ran, as ranges.
fn missed(lines: &BTreeMap<u32, u64>) -> String {
    let mut ranges: Vec<(u32, u32)> = Vec::new();
    for line in lines.iter().filter(|(_, count)| **count == 0).map(|(line, _)| *line) {
        match ranges.last_mut() {
            Some((_, last)) if *last + 1 == line => *last = line,
            _ => ranges.push((line, line)),
        }
    }
    let shown = |&(first, last): &(u32, u32)| {
        if first == last { first.to_string() } else { format!("{first}-{last}") }
    };
    ranges.iter().map(shown).collect::<Vec<_>>().join(" ")
}

fn percent(part: usize, whole: usize) -> f64 {
    if whole == 0 { 0.0 } else { 100.0 * part as f64 / whole as f64 }
}

/// Runs the tests of the core and those from outside; with `branches` on the nightly compiler, which alone counts them.
pub(crate) fn run_all(branches: bool) -> Done {
    let (cov, profdata) = (tool("LLVM_COV", "llvm-cov")?, tool("LLVM_PROFDATA", "llvm-profdata")?);
    let llvm_cov = || {
        let mut command = Command::new("cargo");
        if branches {
            command.arg("+nightly").env_remove("RUSTUP_TOOLCHAIN").env_remove("CARGO");
        }
        command.current_dir(root()).arg("llvm-cov").env("LLVM_COV", &cov).env("LLVM_PROFDATA", &profdata);
        command
    };
    run(llvm_cov().arg("--version"))
        .map_err(|why| format!("there is no cargo-llvm-cov: cargo install cargo-llvm-cov --locked\n{why}"))?;
    run(llvm_cov().args(["clean", "--workspace", "--profraw-only"]))?;
    let counted: &[&str] = if branches { &["--branch"] } else { &[] };
    let mut tests = llvm_cov();
    tests.args(["--no-report", "--locked"]).args(counted);
    tests.args(["--package", "tickseam", "--package", "tickseam-tests"]);
    run(tests.args(["--lib", "--test", "core", "--test", "published", "--test", "hardware"]))?;
    let at = target_dir().join("core.lcov");
    run(llvm_cov().args(["report", "--lcov"]).args(counted).arg("--output-path").arg(&at))?;
    judge(&of_the_core(&read(&at)?))
}

fn judge(files: &BTreeMap<String, Covered>) -> Done {
    let (mut lines, mut lines_run, mut branches, mut branches_taken) = (0, 0, 0, 0);
    for (name, file) in files {
        let run = file.lines.values().filter(|count| **count > 0).count();
        let not_run = missed(&file.lines);
        if !not_run.is_empty() {
            println!("{name:24} {:5.1} %  not run: {not_run}", percent(run, file.lines.len()));
        }
        lines += file.lines.len();
        lines_run += run;
        branches += file.branches;
        branches_taken += file.branches_taken;
    }
    if lines == 0 {
        return Err("the report has no line of the core".to_owned());
    }
    let share = percent(lines_run, lines);
    println!("core: {lines_run} of {lines} lines, {share:.2} %");
    if branches > 0 {
        println!(
            "core: {branches_taken} of {branches} ways out of branches, {:.2} %",
            percent(branches_taken, branches)
        );
    }
    if share < LEAST_LINES_PERCENT {
        return Err(format!(
            "the tests run {share:.2} % of the core's lines, less than {LEAST_LINES_PERCENT} %"
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::{judge, missed, of_the_core};

    const REPORT: &str = "SF:/w/crates/tickseam/src/line.rs\nDA:1,3\nDA:2,0\nDA:3,0\nDA:5,0\nBRDA:1,0,0,1\nBRDA:1,0,1,-\nend_of_record\n\
                          SF:/w/crates/tickseam/src/map/tests.rs\nDA:1,0\nend_of_record\n\
                          SF:/w/crates/tickseam-sim/src/line.rs\nDA:1,0\nend_of_record\n";

    #[test]
    fn only_the_core_counts_and_not_its_tests() {
        let files = of_the_core(REPORT);
        assert_eq!(files.keys().collect::<Vec<_>>(), ["line.rs"]);
        assert_eq!(missed(&files["line.rs"].lines), "2-3 5");
        assert_eq!((files["line.rs"].branches, files["line.rs"].branches_taken), (2, 1));
    }

    #[test]
    fn too_few_lines_and_an_empty_report_both_fail() {
        assert!(judge(&of_the_core(REPORT)).is_err());
        assert!(judge(&of_the_core("")).is_err());
        assert!(judge(&of_the_core("SF:/w/crates/tickseam/src/line.rs\nDA:1,3\n")).is_ok());
    }
}
