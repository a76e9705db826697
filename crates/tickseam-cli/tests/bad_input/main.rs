//! Bad input, tried one by one: what `tickseam` says of each broken recording, log, scenario, plan, layout, criteria and command line.
//!
//! `good/` holds one good file of each kind, and `catalogue/` a case for each way to spoil them: what is changed, what is run, with
//! which status it ends, and word for word what it says. After every case all files that were there have to be as they were, and
//! where the command failed nothing new may lie about, whole or half, but what the case names.

#[path = "../common/mod.rs"]
mod common;
mod folder;

use std::fs::{self, File};
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde::Deserialize;

use common::text;
use folder::{Bench, Change};

/// One way to go wrong.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    /// In a few words, once in the catalogue.
    what: String,
    /// What is done to the good files first.
    #[serde(default)]
    change: Vec<Change>,
    /// The arguments.
    run: Arguments,
    /// What comes by standard input: a text, or the path of a file.
    #[serde(default)]
    stdin: Option<String>,
    #[serde(default)]
    stdin_file: Option<String>,
    /// Where standard output goes instead of to whom it concerns.
    #[serde(default)]
    stdout_file: Option<String>,
    /// Most address space that the command may take, MiB.
    #[serde(default)]
    memory_mib: Option<u64>,
    /// Most memory that it may have had in use at a time, MiB; [`MOST_RESIDENT_MIB`] where nothing stands.
    #[serde(default)]
    resident_mib: Option<u64>,
    /// Longest file that it may write, KiB.
    #[serde(default)]
    file_kib: Option<u64>,
    /// 0, 1 (the data fail) or 2 (wrong usage).
    status: i32,
    /// All of standard error, without `tickseam: ` in front and the line end behind.
    #[serde(default)]
    says: String,
    /// Words that standard output has, however they are folded into lines.
    #[serde(default)]
    prints: Vec<String>,
    /// New files and folders that are there although the command failed.
    #[serde(default)]
    leaves: Vec<String>,
}

/// Separated by spaces, or as a list where one has a space in it.
#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum Arguments {
    Text(String),
    List(Vec<String>),
}

impl Arguments {
    fn list(&self) -> Vec<&str> {
        match self {
            Self::Text(text) => text.split_whitespace().collect(),
            Self::List(list) => list.iter().map(String::as_str).collect(),
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Catalogue {
    case: Vec<Case>,
}

/// What became of a case.
enum Outcome {
    /// With the most memory in use, MiB, where this system tells it.
    Passed(Option<f64>),
    /// This machine cannot make the situation.
    Skipped(String),
    Failed(String),
}

/// Longest time that a case may take, on a machine with other things to do.
const PATIENCE: Duration = Duration::from_secs(60);

/// Most memory that a case may have in use at a time, MiB, unless it says otherwise. SECURITY.md states it. The largest was measured with 39.
const MOST_RESIDENT_MIB: u64 = 64;

/// The most memory that a process has had in use so far, MiB, as Linux tells it; none of one that ended, nor elsewhere.
fn resident_mib(process: u32) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().strip_suffix(" kB")?.parse::<f64>().ok()? / 1024.0)
}

fn catalogue() -> Vec<Case> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad_input/catalogue");
    let mut paths: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    let mut cases = Vec::new();
    for path in paths {
        let text = fs::read_to_string(&path).unwrap();
        let part: Catalogue =
            toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        cases.extend(part.case);
    }
    cases
}

/// The command as the case wants it run, limits included.
fn command(case: &Case, inside: &Path) -> Command {
    let tickseam = env!("CARGO_BIN_EXE_tickseam");
    let mut command = if case.memory_mib.is_some() || case.file_kib.is_some() {
        // Without the second, a file that grows too long would end the command instead of failing its write.
        let mut limits = String::new();
        if let Some(mib) = case.memory_mib {
            limits += &format!("ulimit -v {}; ", mib * 1024);
        }
        if let Some(kib) = case.file_kib {
            limits += &format!("trap '' XFSZ; ulimit -f {}; ", kib * 2);
        }
        let mut command = Command::new("sh");
        command.args(["-c", &format!("{limits}exec \"$@\""), "sh", tickseam]);
        command
    } else {
        Command::new(tickseam)
    };
    command.args(case.run.list()).current_dir(inside).env("RUST_BACKTRACE", "0");
    command
}

fn run(case: &Case, place: &Path) -> Outcome {
    let bench = match Bench::new(place, &case.change) {
        Ok(bench) => bench,
        Err(why) => return Outcome::Skipped(why),
    };
    let mut command = command(case, bench.path());
    if bench.needs_rights() && !bench.take_rights_from(&mut command) {
        return Outcome::Skipped("no other user can be taken on here".to_owned());
    }
    let stdin = match (&case.stdin, &case.stdin_file) {
        (None, None) => Stdio::null(),
        (Some(text), _) => {
            let path = place.join("standard-input");
            fs::write(&path, text).unwrap();
            File::open(path).unwrap().into()
        }
        (None, Some(file)) => File::open(bench.path().join(file)).unwrap().into(),
    };
    let stdout = match &case.stdout_file {
        None => Stdio::piped(),
        Some(file) => match File::options().write(true).open(file) {
            Ok(file) => file.into(),
            Err(error) => return Outcome::Skipped(format!("{file}: {error}")),
        },
    };
    let before = bench.files();
    let started = Instant::now();
    let mut child = match command.stdin(stdin).stdout(stdout).stderr(Stdio::piped()).spawn() {
        Ok(child) => child,
        Err(error) if bench.needs_rights() => {
            return Outcome::Skipped(format!("another user cannot run the command here: {error}"));
        }
        Err(error) => return Outcome::Failed(format!("cannot be run: {error}")),
    };
    let mut resident = None;
    let [output, errors] = std::thread::scope(|scope| {
        let mut out = child.stdout.take();
        let mut err = child.stderr.take();
        let reader = scope.spawn(move || {
            let mut bytes = Vec::new();
            out.as_mut().map(|out| out.read_to_end(&mut bytes)).transpose().unwrap();
            bytes
        });
        let errors = scope.spawn(move || {
            let mut bytes = Vec::new();
            err.as_mut().map(|err| err.read_to_end(&mut bytes)).transpose().unwrap();
            bytes
        });
        while child.try_wait().unwrap().is_none() {
            if started.elapsed() > PATIENCE {
                child.kill().unwrap();
            }
            // It only grows, so that the last one is missed by what came within a few milliseconds before the end.
            resident = resident_mib(child.id()).or(resident);
            std::thread::sleep(Duration::from_millis(2));
        }
        [reader.join().unwrap(), errors.join().unwrap()]
    });
    let status = child.wait().unwrap().code();
    let mut faults = Vec::new();
    let most_mib = case.resident_mib.unwrap_or(MOST_RESIDENT_MIB);
    if let Some(mib) = resident.filter(|mib| *mib > most_mib as f64) {
        faults.push(format!("had {mib:.0} MiB of memory in use, more than {most_mib}"));
    }
    if started.elapsed() > PATIENCE {
        faults.push(format!("had not ended after {PATIENCE:?}"));
    }
    let errors = text(&errors);
    let expected = if case.says.is_empty() { String::new() } else { format!("tickseam: {}\n", case.says) };
    if (status, errors) != (Some(case.status), expected.as_str()) {
        let said = errors.strip_prefix("tickseam: ").unwrap_or(errors).trim_end_matches('\n');
        let status = status.map_or_else(|| "none".to_owned(), |status| status.to_string());
        faults.push(format!("status = {status}\nsays = '''\n{said}'''"));
    }
    let output = text(&output).split_whitespace().collect::<Vec<_>>().join(" ");
    for words in case.prints.iter().filter(|words| !output.contains(words.as_str())) {
        faults.push(format!("did not print {words:?} but {output}"));
    }
    if case.status != 0 && case.prints.is_empty() && !output.is_empty() {
        faults.push(format!("printed {output}"));
    }
    let after = bench.files();
    for (path, content) in &before {
        match after.get(path) {
            None => faults.push(format!("removed {path}")),
            Some(now) if now != content => faults.push(format!("changed {path}")),
            Some(_) => {}
        }
    }
    for path in after.keys().filter(|path| !before.contains_key(*path)) {
        let below = |leaf: &String| path == leaf || path.starts_with(&format!("{leaf}/"));
        let half = path.ends_with(".partial") || path.ends_with(".part");
        if half || (case.status != 0 && !case.leaves.iter().any(below)) {
            faults.push(format!("left {path}"));
        }
    }
    for leaf in case.leaves.iter().filter(|leaf| !after.contains_key(*leaf)) {
        faults.push(format!("did not leave {leaf}"));
    }
    if faults.is_empty() { Outcome::Passed(resident) } else { Outcome::Failed(faults.join("\n")) }
}

#[test]
fn every_kind_of_bad_input_is_refused_in_the_words_of_the_catalogue_and_leaves_nothing_half_written() {
    let cases = catalogue();
    let mut names: Vec<&str> = cases.iter().map(|case| case.what.as_str()).collect();
    names.sort_unstable();
    let twice = names.windows(2).find(|pair| pair[0] == pair[1]);
    assert!(twice.is_none(), "twice in the catalogue: {twice:?}");
    let only = std::env::var("TICKSEAM_CASE").ok();
    let next = AtomicUsize::new(0);
    let told = Mutex::new((Vec::new(), Vec::new(), Vec::new()));
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some(case) = cases.get(next.fetch_add(1, Ordering::Relaxed)) {
                    if only.as_ref().is_some_and(|only| !case.what.contains(only.as_str())) {
                        continue;
                    }
                    let place = tempfile::tempdir().unwrap();
                    let outcome = run(case, place.path());
                    let mut told = told.lock().unwrap();
                    match outcome {
                        Outcome::Passed(mib) => told.0.push((mib, case.what.as_str())),
                        Outcome::Skipped(why) => told.1.push(format!("skipped: {}: {why}", case.what)),
                        Outcome::Failed(why) => told.2.push(format!("== {}\n{why}", case.what)),
                    }
                }
            });
        }
    });
    let (passed, skipped, failed) = told.into_inner().unwrap();
    println!("{} cases passed, {} skipped, {} failed", passed.len(), skipped.len(), failed.len());
    let mut measured: Vec<(f64, &str)> =
        passed.iter().filter_map(|(mib, what)| Some(((*mib)?, *what))).collect();
    measured.sort_by(|a, b| b.0.total_cmp(&a.0));
    for (mib, what) in measured.iter().take(5) {
        println!("{mib:.0} MiB in use at most: {what}");
    }
    if measured.is_empty() && !passed.is_empty() {
        println!("skipped: the memory in use, which this system does not tell");
    }
    for line in &skipped {
        println!("{line}");
    }
    assert!(failed.is_empty(), "{}", failed.join("\n\n"));
    assert!(!passed.is_empty(), "nothing was tried");
}

/// What holds 48 MB for a moment is measured with so much, and not with the little that it ends with.
#[cfg(target_os = "linux")]
#[test]
fn memory_that_is_given_back_is_counted_too() {
    let script = "text=$(head -c 48000000 /dev/zero | tr '\\0' a); text=; exec sleep 0.2";
    let holding = "text=$(head -c 48000000 /dev/zero | tr '\\0' a); text=; sleep 0.2; exit 0";
    let peak = |script: &str| {
        let mut child = Command::new("sh").args(["-c", script]).spawn().unwrap();
        let mut peak = None;
        while child.try_wait().unwrap().is_none() {
            peak = resident_mib(child.id()).or(peak);
            std::thread::sleep(Duration::from_millis(2));
        }
        peak.unwrap()
    };
    let held = peak(holding);
    assert!(held > 45.0, "{held} MiB");
    // Another program begins anew: what the shell in front of the command had is not the command's.
    let another = peak(script);
    assert!(another < 45.0, "{another} MiB");
}

/// The cases rest on files that are good.
#[test]
fn the_good_files_are_good() {
    let place = tempfile::tempdir().unwrap();
    let bench = Bench::new(place.path(), &[]).unwrap();
    for arguments in [
        "replay session",
        "replay parquet",
        "average session --label tone --rounds 100",
        "export session --out eeg.edf",
        "simulate scenario.toml --out simulated",
        "schedule plan.toml",
        "unpack phone.btsnoop",
        "unpack phone.btsnoop --layout layout.toml --out unpacked --peer C0:FF:EE:00:00:01",
        "unpack desk.pcapng",
        "replay session --out judged --criteria criteria.toml",
    ] {
        let list: Vec<&str> = arguments.split_whitespace().collect();
        let (status, _, errors) = common::said(&list, bench.path());
        assert_eq!((status, errors.as_str()), (0, ""), "{arguments}");
    }
}
