//! The corpora in `fuzz/corpus`, and random bytes, through the same promises that the fuzz targets ask.

use std::fs;
use std::path::{Path, PathBuf};

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use tickseam_fuzz_cases::{CASES, Case};

fn corpus(case: &Case) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../corpus").join(case.name);
    let entries = fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut files: Vec<_> = entries
        .map(|entry| {
            let path = entry.unwrap().path();
            let bytes = fs::read(&path).unwrap();
            (path, bytes)
        })
        .collect();
    files.sort();
    files
}

#[test]
fn every_file_of_every_corpus_keeps_the_promises() {
    for case in CASES {
        let files = corpus(&case);
        assert!(files.len() >= 20, "{}: {} files are no corpus", case.name, files.len());
        for (path, bytes) in files {
            if let Err(broken) = (case.run)(&bytes) {
                panic!("{}: {broken}", path.display());
            }
        }
    }
}

#[test]
fn the_corpora_stay_small() {
    let bytes: usize = CASES.iter().flat_map(corpus).map(|(_, bytes)| bytes.len()).sum();
    assert!(bytes <= 600 * 1024, "{bytes} bytes");
}

/// On a grid that is laid wrongly, deliveries came before its instants on the mean, and the allowance for misses fell below 0: lower bounds were
/// raised.
#[test]
fn the_allowance_for_misses_never_falls_below_its_least() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../corpus/replayed/allowance-below-zero");
    let reports = tickseam_fuzz_cases::replayed::reports(&fs::read(path).unwrap()).unwrap();
    assert!(!reports.is_empty());
    for report in reports {
        assert!(report.allowance_us >= 0.0, "{} µs", report.allowance_us);
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: std::env::var("PROPTEST_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(10),
        rng_seed: RngSeed::Fixed(1),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn any_bytes_keep_the_promises(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        for case in CASES {
            if let Err(broken) = (case.run)(&bytes) {
                panic!("{}: {broken}", case.name);
            }
        }
    }
}
