//! A few seeds of every numbered scenario. Over many seeds: `cargo xtask scenarios --seeds 200`.

use std::sync::OnceLock;

use tickseam_tests::matrix::{Case, Run, Verdict, cases, first_seeds, outcome, outcome_path, verdict};
use tickseam_tests::on_all_cores;

/// Every case with its first seeds: both tests look at the same runs.
fn few_seeds() -> &'static (Vec<Case>, Vec<Vec<Run>>) {
    static RUNS: OnceLock<(Vec<Case>, Vec<Vec<Run>>)> = OnceLock::new();
    RUNS.get_or_init(|| {
        let cases = cases().unwrap();
        let runs = first_seeds(&cases).unwrap();
        (cases, runs)
    })
}

#[test]
fn every_scenario_meets_its_limits_or_misses_those_that_are_known_to_be_missed() {
    let (cases, runs) = few_seeds();
    assert!(cases.len() >= 50, "{}", cases.len());
    let all: Vec<(&Case, &Vec<Run>)> = cases.iter().zip(runs).collect();
    let judged = on_all_cores(&all, |(case, runs)| {
        verdict(runs, &case.expect, |seed| Run::new(&case.scenario, seed))
            .unwrap_or_else(|error| panic!("{}: {error}", case.name))
    });
    let mut failed = Vec::new();
    for (case, (verdict, limits)) in cases.iter().zip(&judged) {
        assert!(*verdict != Verdict::Known || !case.expect.known_miss.is_empty(), "{}", case.name);
        if !verdict.passes() {
            let words: Vec<&str> = limits.iter().map(|limit| limit.words.as_str()).collect();
            failed.push(format!("{}: {}: {}", case.name, verdict.as_str(), words.join("; ")));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn outcomes_are_those_of_the_committed_table() {
    let (cases, runs) = few_seeds();
    let committed = std::fs::read_to_string(outcome_path()).unwrap();
    let fresh = outcome(cases, runs).unwrap();
    let differing: Vec<String> = committed
        .lines()
        .zip(fresh.lines())
        .filter(|(old, new)| old != new)
        .map(|(old, new)| format!("- {old}\n+ {new}"))
        .collect();
    assert!(
        committed == fresh,
        "outcomes changed; if that is meant, `cargo xtask scenarios --write` renews the table\n{}",
        differing.join("\n")
    );
}

#[test]
fn the_changelog_names_the_revision_whose_outcomes_these_are() {
    let row = format!("| numerics revision | {} |", tickseam_cli::NUMERICS_REVISION);
    assert!(include_str!("../../CHANGELOG.md").contains(&row), "CHANGELOG.md has no “{row}”");
}
