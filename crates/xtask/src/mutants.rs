//! Changes made to the core one by one, each of which a test should notice: cargo-mutants, set up in `.cargo/mutants.toml`.
//!
//! All changes would take days, so that some are drawn: the same ones for the same seed and the same core. Those that the core's own
//! tests let pass are tried by the tests from outside. One that passes these too has to stand in `crates/tickseam/mutants.md`, with
//! the reason why nothing has to notice it.

use std::path::{Path, PathBuf};

use crate::tools::{Done, cargo, read, root, run, target_dir, write};

/// How many are drawn where nothing is said: so many that the interval of the share is some ± 4 %.
const DRAWN: usize = 150;
const PASSED_FOR_A_REASON: &str = "crates/tickseam/mutants.md";
/// Tests that try changes.
struct Try {
    name: &'static str,
    packages: &'static [&'static str],
    tests: &'static [&'static str],
    /// So long a change is waited for, s; `None` for ten times what the tests take without one.
    patience_s: Option<&'static str>,
}
/// What tries the changes, one after the other, each those that the ones before let pass. The core's own tests come first, since they are built
/// and run in seconds; then the table of bits; then the other tables of exact answers; then all else that is about the core.
const TRIES: [Try; 4] = [
    Try { name: "own", packages: &[CORE], tests: &["--lib"], patience_s: None },
    Try {
        name: "bits",
        packages: &["tickseam-fuzz-cases"],
        tests: &["--test", "bits"],
        patience_s: Some("300"),
    },
    Try {
        name: "answers",
        packages: &["tickseam-capi", "tickseam-tests"],
        tests: &["--test", "vectors", "--test", "matrix"],
        patience_s: Some("900"),
    },
    Try {
        name: "outside",
        packages: &["tickseam-tests", "tickseam-fuzz-cases"],
        tests: &["--test", "core", "--test", "published", "--test", "hardware", "--test", "properties"],
        patience_s: Some("900"),
    },
];
const CORE: &str = "tickseam";
/// Its exit statuses that are results: all noticed, some not, some without end.
const RESULTS: [i32; 3] = [0, 2, 3];

/// The finaliser of SplitMix64 (Steele, Lea and Flood 2014): neighbouring numbers come out far apart.
fn mixed(number: u64) -> u64 {
    let once = (number ^ (number >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let twice = (once ^ (once >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    twice ^ (twice >> 31)
}

/// `count` of the lines, drawn without putting back, in their order; another seed draws others. More of them include the fewer.
fn draw<'a>(lines: &[&'a str], count: usize, seed: u64) -> Vec<&'a str> {
    let start = mixed(seed);
    let mut order: Vec<(u64, usize)> = (0..lines.len())
        .map(|place| (mixed(start.wrapping_add((place as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15))), place))
        .collect();
    order.sort_unstable();
    let mut drawn: Vec<usize> = order.into_iter().take(count).map(|(_, place)| place).collect();
    drawn.sort_unstable();
    drawn.into_iter().filter_map(|place| lines.get(place).copied()).collect()
}

/// The 95 % interval of a share by Wilson's score (1927), without a correction for continuity.
fn wilson(part: usize, whole: usize) -> (f64, f64) {
    const Z: f64 = 1.959_963_984_540_054;
    let (p, n) = (part as f64 / whole as f64, whole as f64);
    let middle = p + Z * Z / (2.0 * n);
    let half = Z * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt();
    let scale = 1.0 + Z * Z / n;
    ((middle - half) / scale, (middle + half) / scale)
}

/// What a change is called without the line and column where it was, as a cell of a table in Markdown has it: `file: change`.
fn unplaced(name: &str) -> String {
    let mut parts = name.splitn(4, ':');
    match (parts.next(), parts.next(), parts.next(), parts.next()) {
        (Some(file), Some(_), Some(_), Some(change)) => format!("{file}:{change}").replace('|', "\\|"),
        _ => name.to_owned(),
    }
}

/// Tries these changes of all; a folder with a list for each thing that can become of them.
fn attempt(names: &[String], all: &[&str], by: &Try, out: &Path) -> Done<PathBuf> {
    let lists = out.join("mutants.out");
    // The others are named as caught by an earlier run: patterns of names do not reach every kind of change.
    let others: String = all
        .iter()
        .filter(|name| !names.iter().any(|wanted| wanted == *name))
        .map(|name| format!("{name}\n"))
        .collect();
    if lists.exists() {
        std::fs::remove_dir_all(&lists).map_err(|error| format!("{}: {error}", lists.display()))?;
    }
    write(&lists.join("previously_caught.txt"), &others)?;
    let mut command = cargo();
    command.args(["mutants", "--package", CORE, "--jobs", "1", "--iterate"]);
    if let Some(patience_s) = by.patience_s {
        // Its first, unchanged build knows no tests but the core's own, and is what tells it when to give up.
        command.args(["--baseline", "skip", "--timeout", patience_s]);
    }
    by.packages.iter().for_each(|package| _ = command.args(["--test-package", package]));
    by.tests.iter().for_each(|test| _ = command.arg(format!("--cargo-arg={test}")));
    // What the core does not change is built once for all of them.
    command.env("CARGO_TARGET_DIR", target_dir().join("mutants/target"));
    // Its progress is to be seen: a run takes hours.
    let status = command.arg("--output").arg(out).status().map_err(|error| error.to_string())?;
    if status.code().is_some_and(|code| RESULTS.contains(&code)) {
        return Ok(lists);
    }
    Err(format!("cargo mutants: {status}; its logs are in {}", lists.display()))
}

/// The changes that became this: `caught`, `missed`, `timeout`, `unviable`.
fn became(kind: &str, lists: &Path) -> Done<Vec<String>> {
    Ok(read(&lists.join(format!("{kind}.txt")))?.lines().map(str::to_owned).collect())
}

/// Draws and tries `count` changes. One that passes every test and stands in no list fails the run.
pub(crate) fn run_all(options: &[&str]) -> Done {
    let (mut count, mut seed, mut tries) = (DRAWN, 1, TRIES.len());
    for pair in options.chunks(2) {
        let number = pair.get(1).and_then(|text| text.parse::<u64>().ok());
        let named = TRIES.iter().position(|by| pair.get(1) == Some(&by.name));
        match (pair[0], number, named) {
            ("--count", Some(number), _) => count = usize::try_from(number).unwrap_or(usize::MAX),
            ("--seed", Some(number), _) => seed = number,
            ("--until", _, Some(place)) => tries = place + 1,
            _ => {
                let names = TRIES.map(|by| by.name).join(", ");
                return Err(format!(
                    "mutants: {}: give --count N, --seed N, --until one of {names}",
                    pair.join(" ")
                ));
            }
        }
    }
    run(cargo().args(["mutants", "--version"]))
        .map_err(|_| "there is no cargo-mutants: cargo install cargo-mutants --locked".to_owned())?;
    let listed = run(cargo().args(["mutants", "--list", "--package", "tickseam"]))?;
    let all: Vec<&str> = listed.lines().collect();
    let drawn: Vec<String> = draw(&all, count, seed).into_iter().map(str::to_owned).collect();
    println!("{} of {} changes drawn by seed {seed}", drawn.len(), all.len());
    let out = target_dir().join("mutants");
    let (mut passed, mut noticed, mut unviable) = (drawn.clone(), 0, 0);
    for by in TRIES.iter().take(tries) {
        if passed.is_empty() {
            break;
        }
        let lists = attempt(&passed, &all, by, &out.join(by.name))?;
        let [caught, endless, refused] = ["caught", "timeout", "unviable"].map(|kind| became(kind, &lists));
        let (caught, endless, refused) = (caught?.len(), endless?.len(), refused?.len());
        passed = became("missed", &lists)?;
        println!(
            "{}: {caught} caught, {endless} never ended, {refused} did not compile, {} passed",
            by.name,
            passed.len()
        );
        noticed += caught + endless;
        unviable += refused;
    }
    let viable = noticed + passed.len();
    if viable + unviable != drawn.len() || viable == 0 {
        return Err(format!(
            "{} were drawn, but {viable} viable and {unviable} others came out",
            drawn.len()
        ));
    }
    let (low, high) = wilson(noticed, viable);
    println!(
        "{viable} viable, {noticed} noticed: {:.1} %, 95 % interval {:.1} to {:.1} % (Wilson's score)",
        100.0 * noticed as f64 / viable as f64,
        100.0 * low,
        100.0 * high
    );
    let reasons = read(&root().join(PASSED_FOR_A_REASON))?;
    let unlisted: Vec<&String> =
        passed.iter().filter(|name| !reasons.contains(&format!("`{}`", unplaced(name)))).collect();
    if unlisted.is_empty() {
        return Ok(());
    }
    let shown: String = unlisted.iter().map(|name| format!("\n  {name}")).collect();
    Err(format!("passed every test, and {PASSED_FOR_A_REASON} does not say why:{shown}"))
}

#[cfg(test)]
mod tests {
    use super::{draw, unplaced, wilson};

    /// Table I of Newcombe (1998), "Two-sided confidence intervals for the single proportion", method 3, to its four digits.
    #[test]
    fn the_interval_is_the_published_one() {
        for (part, whole, low, high) in [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ] {
            let found = wilson(part, whole);
            assert!(
                (found.0 - low).abs() < 5.1e-5 && (found.1 - high).abs() < 5.1e-5,
                "{part} of {whole}: {found:?}"
            );
        }
    }

    #[test]
    fn the_same_seed_draws_the_same_and_more_include_the_fewer() {
        let names: Vec<String> = (0..3000).map(|number| number.to_string()).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let (few, more) = (draw(&names, 50, 1), draw(&names, 150, 1));
        assert_eq!((few.len(), more.len()), (50, 150));
        assert!(few.iter().all(|name| more.contains(name)));
        let number = |name: &str| name.parse::<u32>().unwrap_or(0);
        assert!(more.windows(2).all(|pair| number(pair[0]) < number(pair[1])));
        assert_ne!(more, draw(&names, 150, 2));
        assert_eq!(draw(&names, 9000, 3), names);
        // A third of them comes from each third: 50 each, scattered by 5.8 by chance; four times that is allowed.
        let thirds = [0, 1, 2].map(|third| more.iter().filter(|name| number(name) / 1000 == third).count());
        assert!(thirds.iter().all(|count| (27..=73).contains(count)), "{thirds:?}");
    }

    #[test]
    fn a_name_loses_its_place() {
        let name = "crates/tickseam/src/line.rs:136:5: replace + with - in f";
        assert_eq!(unplaced(name), "crates/tickseam/src/line.rs: replace + with - in f");
        assert_eq!(unplaced("a.rs:1:2: replace || with && in f"), r"a.rs: replace \|\| with && in f");
    }
}
