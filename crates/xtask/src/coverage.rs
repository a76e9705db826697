//! Which lines of the core its tests run: measured by cargo-llvm-cov, held to the least share that may be.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::tools::{Done, read, root, run, target_dir};

/// Share of the core's lines that its tests have to run, in percent. Lower, and a whole branch could go untested unseen.
const LEAST_LINES_PERCENT: f64 = 97.0;
/// Packages whose tests count, and those of their tests that are not in the library itself. Of the tests from outside, those that any
/// checkout can run within minutes: not the scenarios, nor what reads hardware captures.
const PACKAGES: [&str; 4] = ["tickseam", "tickseam-capi", "tickseam-fuzz-cases", "tickseam-tests"];
const TESTS: [&str; 6] = ["bits", "core", "corpus", "properties", "published", "vectors"];
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

/// The first line of a source that is test code, behind which nothing else may come; `None` where there is none.
fn tests_begin(source: &str) -> Done<Option<u32>> {
    let mut lines = source.lines().zip(1_u32..);
    let Some((_, begin)) = lines.find(|(line, _)| *line == "#[cfg(test)]") else { return Ok(None) };
    if !lines.any(|(line, _)| line == "mod tests;" || line == "}") {
        return Err(format!("the tests that begin in line {begin} have no end"));
    }
    match lines.find(|(line, _)| !line.trim().is_empty()) {
        None => Ok(Some(begin)),
        Some((_, line)) => {
            Err(format!("line {line} stands behind the tests, and could not be told from them"))
        }
    }
}

/// The core's files of a report in lcov's format, without tests: neither files named `tests.rs` nor what a file's own text, which
/// `source` gives by its name, ends in.
fn of_the_core(report: &str, source: impl Fn(&str) -> Done<String>) -> Done<BTreeMap<String, Covered>> {
    let mut files = BTreeMap::<String, Covered>::new();
    let mut current = None;
    for line in report.lines() {
        if let Some(path) = line.strip_prefix("SF:") {
            let name = path.split_once("/crates/tickseam/src/").map(|(_, name)| name);
            let name = name.filter(|name| *name != "tests.rs" && !name.ends_with("/tests.rs"));
            let begin = |name| tests_begin(&source(name)?).map_err(|why| format!("{name}: {why}"));
            current = match name {
                Some(name) => Some((name, begin(name)?.unwrap_or(u32::MAX))),
                None => None,
            };
        }
        let Some((name, tests_begin)) = current else { continue };
        let number =
            line.strip_prefix("DA:").or(line.strip_prefix("BRDA:")).and_then(|r| r.split(',').next());
        if number.and_then(|number| number.parse().ok()).is_some_and(|number: u32| number >= tests_begin) {
            continue;
        }
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
    Ok(files)
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

/// Why branches cannot be counted here, if they cannot.
fn missing() -> Option<String> {
    let nightly = run(Command::new("cargo").args(["+nightly", "--version"]).env_remove("RUSTUP_TOOLCHAIN"));
    if nightly.is_err() {
        return Some("there is no nightly compiler".to_owned());
    }
    let tools = tool("LLVM_COV", "llvm-cov").and_then(|_| tool("LLVM_PROFDATA", "llvm-profdata"));
    if let Err(why) = tools {
        return Some(why);
    }
    run(Command::new("cargo").args(["llvm-cov", "--version"]))
        .err()
        .map(|_| "there is no cargo-llvm-cov".to_owned())
}

/// Runs the core's own tests and those from outside; with `branches` on the nightly compiler, which alone counts them, and says so where
/// there is none.
pub(crate) fn run_all(branches: bool) -> Done {
    if let Some(why) = branches.then(missing).flatten() {
        println!("SKIPPED: branches of the core, as {why}; nothing was counted");
        return Ok(());
    }
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
    // Programs of an earlier run count as well, with lines where they no longer are.
    run(llvm_cov().args(["clean", "--workspace"]))?;
    let counted: &[&str] = if branches { &["--branch"] } else { &[] };
    let mut tests = llvm_cov();
    tests.args(["--no-report", "--locked", "--lib"]).args(counted);
    for package in PACKAGES {
        tests.args(["--package", package]);
    }
    for test in TESTS {
        tests.args(["--test", test]);
    }
    run(&mut tests)?;
    let at = target_dir().join("core.lcov");
    run(llvm_cov().args(["report", "--lcov"]).args(counted).arg("--output-path").arg(&at))?;
    let sources = root().join("crates/tickseam/src");
    judge(&of_the_core(&read(&at)?, |name| read(&sources.join(name)))?)
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
    use std::collections::BTreeMap;

    use super::{Covered, Done, judge, missed, of_the_core, tests_begin};

    const REPORT: &str = "SF:/w/crates/tickseam/src/line.rs\nDA:1,3\nDA:2,0\nDA:3,0\nDA:5,0\nBRDA:1,0,0,1\nBRDA:1,0,1,-\nend_of_record\n\
                          SF:/w/crates/tickseam/src/map/tests.rs\nDA:1,0\nend_of_record\n\
                          SF:/w/crates/tickseam-sim/src/line.rs\nDA:1,0\nend_of_record\n";

    fn files(report: &str, source: &str) -> Done<BTreeMap<String, Covered>> {
        of_the_core(report, |_| Ok(source.to_owned()))
    }

    #[test]
    fn only_the_core_counts_and_not_its_tests() {
        let files = files(REPORT, "").unwrap();
        assert_eq!(files.keys().collect::<Vec<_>>(), ["line.rs"]);
        assert_eq!(missed(&files["line.rs"].lines), "2-3 5");
        assert_eq!((files["line.rs"].branches, files["line.rs"].branches_taken), (2, 1));
    }

    #[test]
    fn tests_at_the_end_of_a_source_do_not_count_either() {
        let files = files(REPORT, "a\nb\n#[cfg(test)]\nmod tests {\n}\n").unwrap();
        assert_eq!(files["line.rs"].lines.keys().collect::<Vec<_>>(), [&1, &2]);
        assert_eq!(tests_begin("a\n#[cfg(test)]\nmod tests;\n"), Ok(Some(2)));
        assert_eq!(tests_begin("a\n"), Ok(None));
        for untold in ["#[cfg(test)]\nmod tests {\n", "#[cfg(test)]\nmod tests {\n}\nfn a() {}\n"] {
            assert!(tests_begin(untold).is_err(), "{untold}");
        }
    }

    #[test]
    fn too_few_lines_and_an_empty_report_both_fail() {
        assert!(judge(&files(REPORT, "").unwrap()).is_err());
        assert!(judge(&files("", "").unwrap()).is_err());
        assert!(judge(&files("SF:/w/crates/tickseam/src/line.rs\nDA:1,3\n", "").unwrap()).is_ok());
    }
}
