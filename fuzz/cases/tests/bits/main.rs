//! The same bits for the same input: every answer to a great many inputs, held to a committed table of sums.
//!
//! Rows of `answers.csv` are inputs: parts of the core with numbers drawn for them, files of three fuzz corpora, and recordings that the
//! simulator makes. A row that changes says that answers are other than they were, not whether they are better: then
//! `NUMERICS_REVISION` has to be raised, and the table is renewed by
//!
//! ```text
//! cargo test -p tickseam-fuzz-cases --test bits -- --ignored
//! ```
//!
//! The profile does not matter, and the processor should not: the core and the simulator use mathematics from libm alone. The table has
//! been held on x86-64 only; `cargo xtask bits` compares other processors by a run of its own.

use std::collections::BTreeMap;
use std::fmt::{Debug, Write as _};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, OnceLock};

use tickseam_fuzz_cases::{Checked, live, replayed, session};

mod digest;
mod parts;
mod recordings;

use digest::Digest;
use recordings::Draws;

const HEADING: &str = "\
# Sums over every bit that the core answers. Renewed by `cargo test -p tickseam-fuzz-cases --test bits -- --ignored`
# when NUMERICS_REVISION is raised. The sum `input` is of what went in.
# input,sum of it,live,replayed
";

/// A row of the table: what the input is called, and its cells.
type Row = (String, String);

/// A job that makes one row.
type Job<'a> = Box<dyn Fn() -> Row + Sync + 'a>;

fn hex(fill: impl FnOnce(&mut Digest)) -> String {
    let mut digest = Digest::default();
    fill(&mut digest);
    format!("{:016x}", digest.sum())
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bits")
}

/// A way from bytes to answers.
type Answers = fn(&[u8], &mut dyn FnMut(&dyn Debug)) -> Checked;
/// The fuzz corpora whose answers are numbers: the folder of each, and the way.
const CORPORA: [(&str, Answers); 3] =
    [("session", session::answers), ("live", live::answers), ("replayed", replayed::answers)];

fn of_a_file(corpus: &str, file: &str, bytes: &[u8], answers: Answers) -> Row {
    let input = hex(|digest| bytes.iter().for_each(|byte| digest.word(u64::from(*byte))));
    let told = hex(|digest| {
        if let Err(broken) = answers(bytes, &mut |answer| digest.answer(answer)) {
            panic!("{corpus}/{file}: {broken}");
        }
    });
    let cells = if corpus == "replayed" { format!("{input},,{told}") } else { format!("{input},{told},") };
    (format!("{corpus}/{file}"), cells)
}

fn of_a_recording(number: u64) -> Row {
    let recording = recordings::recording(number);
    let [input, live, replayed] = [
        hex(|digest| recording.input(digest)),
        hex(|digest| recording.live(digest)),
        hex(|digest| recording.replayed(digest)),
    ];
    (recording.name, format!("{input},{live},{replayed}"))
}

/// All rows, made on all cores.
fn rows() -> Vec<Row> {
    // The recordings first: they take longest.
    let mut jobs: Vec<Job<'_>> =
        (1..=recordings::COUNT).map(|number| Box::new(move || of_a_recording(number)) as Job<'_>).collect();
    for (name, part) in parts::PARTS {
        jobs.push(Box::new(move || {
            (format!("part: {name}"), format!(",{},", hex(|digest| part(&mut Draws::new(1), digest))))
        }));
    }
    for (corpus, answers) in CORPORA {
        let within = folder().join("../../../corpus").join(corpus);
        for entry in fs::read_dir(&within).unwrap_or_else(|error| panic!("{}: {error}", within.display())) {
            let path = entry.unwrap().path();
            jobs.push(Box::new(move || {
                let file = path.file_name().unwrap_or_default().to_string_lossy();
                of_a_file(corpus, &file, &fs::read(&path).unwrap(), answers)
            }));
        }
    }
    let (next, made) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    let work = || {
        while let Some(job) = jobs.get(next.fetch_add(1, Ordering::Relaxed)) {
            let row = job();
            made.lock().unwrap().push(row);
        }
    };
    std::thread::scope(|scope| {
        for _ in 1..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(work);
        }
        work();
    });
    let mut rows = made.into_inner().unwrap();
    rows.sort();
    rows
}

fn table() -> &'static str {
    static TABLE: OnceLock<String> = OnceLock::new();
    TABLE.get_or_init(|| {
        rows().iter().fold(HEADING.to_owned(), |mut text, (name, cells)| {
            let _ = writeln!(text, "\"{name}\",{cells}");
            text
        })
    })
}

/// The cells of each input of a table.
fn cells(table: &str) -> BTreeMap<&str, Vec<&str>> {
    table
        .lines()
        .filter_map(|line| line.strip_prefix('"')?.rsplit_once("\","))
        .map(|(name, cells)| (name, cells.split(',').collect()))
        .collect()
}

/// What differs between two tables, in words; nothing where they are the same.
fn differences(committed: &str, now: &str) -> String {
    let (before, now) = (cells(committed), cells(now));
    let mut words = String::new();
    let mut moved = 0;
    for (name, cells) in &now {
        let Some(others) = before.get(name) else {
            let _ = writeln!(words, "  {name}: not in the table");
            continue;
        };
        if cells == others {
            continue;
        }
        if cells.first() != others.first() {
            let _ = writeln!(words, "  {name}: another input");
            continue;
        }
        let which: Vec<&str> = ["", "live", "replayed"]
            .into_iter()
            .zip(cells.iter().zip(others))
            .filter_map(|(which, (cell, other))| (cell != other).then_some(which))
            .collect();
        let _ = writeln!(words, "  {name}: {}", which.join(" and "));
        moved += 1;
    }
    for name in before.keys().filter(|name| !now.contains_key(*name)) {
        let _ = writeln!(words, "  {name}: gone");
    }
    if moved > 0 {
        let _ = write!(
            words,
            "{moved} of {} inputs are answered otherwise than before: this is a numerics revision, or a mistake",
            now.len()
        );
    }
    words
}

#[test]
fn every_input_is_answered_with_the_bits_of_the_table() {
    let committed = fs::read_to_string(folder().join("answers.csv")).unwrap();
    let differences = differences(&committed, table());
    assert!(
        differences.is_empty(),
        "answers other than those of fuzz/cases/tests/bits/answers.csv:\n{differences}"
    );
}

#[test]
#[ignore = "writes fuzz/cases/tests/bits/answers.csv, when the numerics revision moves"]
fn renew_the_table() {
    fs::write(folder().join("answers.csv"), table()).unwrap();
}

#[test]
fn differences_are_told_apart() {
    let before = "# words\n\"a, b\",1,2,3\n\"c\",1,2,3\n\"d\",1,,3\n\"e\",1,2,3\n";
    let after = "\"a, b\",1,2,3\n\"c\",9,9,9\n\"d\",1,,4\n\"f\",1,2,3\n";
    assert_eq!(differences(before, before), "");
    let words = differences(before, after);
    let lines: Vec<&str> = words.lines().collect();
    assert_eq!(lines[..4], ["  c: another input", "  d: replayed", "  f: not in the table", "  e: gone"]);
    assert!(lines[4].starts_with("1 of 4 inputs"), "{words}");
}
