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

/// Known to miss: what lower bounds are lowered by should never be below 0, or they are raised. With an interval of 10 s that is declared,
/// and packets all over it, the mean lateness of the deliveries after the grid's instants comes out negative. Fails when none does, and the
/// allowance is then to be asked with the other uncertainties of a replay.
#[test]
fn known_to_miss_lower_bounds_are_raised_where_the_mean_lateness_is_negative() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../corpus/replayed/allowance-below-zero");
    let reports = tickseam_fuzz_cases::replayed::reports(&fs::read(path).unwrap()).unwrap();
    let least_us = reports.iter().map(|report| report.allowance_us).fold(f64::INFINITY, f64::min);
    println!("an allowance of {least_us} µs");
    assert!(least_us < 0.0, "{least_us} µs: no longer below 0");
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
