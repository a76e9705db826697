//! The fault matrix: numbered scenarios, each with the limits that an alignment has to meet, run over many seeds.
//!
//! A scenario is a file `tests/scenarios/NNN-name.toml` from 010 on: overrides of the simulator's defaults, and a table `[expect]`
//! ([`Expect`]). `cargo xtask scenarios --seeds 200` runs all of them, a name or a part of one chooses; `cargo test` runs a few seeds of each.
//! What comes out for those few seeds is a committed table, `tests/scenarios/outcome.csv`, so that any change shows in review;
//! `cargo xtask scenarios --write` renews it. The core and the simulator give the same bits on every machine, and numbers are rounded to two digits.
//!
//! The way of the data: `file → scenario, limits → runs (one for each seed) → figures over all seeds → verdict on each limit`.

mod expect;
mod figures;
mod grid;
mod judge;
mod run;
mod table;

use std::path::PathBuf;

pub use expect::{Expect, KnownMiss};
pub use figures::Figures;
pub use judge::{FEWEST_SEEDS, Judged, Verdict, verdict};
pub use run::Run;
pub use table::{Options, run_all};

use tickseam_sim::Scenario;

/// Seeds of the committed table: 1 to this.
pub const OUTCOME_SEEDS: u64 = 2;

/// A scenario with its limits.
#[derive(Clone, Debug)]
pub struct Case {
    /// The file's name without `.toml`.
    pub name: String,
    /// What is simulated.
    pub scenario: Scenario,
    /// What an alignment has to meet.
    pub expect: Expect,
}

/// The folder of the numbered scenarios.
#[must_use]
pub fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("scenarios")
}

/// The committed table.
#[must_use]
pub fn outcome_path() -> PathBuf {
    folder().join("outcome.csv")
}

/// All cases in the order of their numbers, from 010 on.
///
/// # Errors
/// A file that is no scenario, or a limit that there is not: with the file's name.
pub fn cases() -> Result<Vec<Case>, String> {
    let mut names: Vec<String> = Vec::new();
    for entry in std::fs::read_dir(folder()).map_err(|error| error.to_string())? {
        let name = entry.map_err(|error| error.to_string())?.file_name();
        let name = name.to_string_lossy();
        let Some(stem) = name.strip_suffix(".toml") else { continue };
        // What is below 010 has tests of its own, and pages have no limits.
        if stem.split('-').next().and_then(|number| number.parse::<u32>().ok()).is_some_and(|n| n >= 10) {
            names.push(stem.to_owned());
        }
    }
    names.sort();
    names.into_iter().map(case).collect()
}

fn case(name: String) -> Result<Case, String> {
    let path = folder().join(format!("{name}.toml"));
    let fails = |error: &dyn std::fmt::Display| format!("{name}.toml: {error}");
    let text = std::fs::read_to_string(path).map_err(|error| fails(&error))?;
    let scenario = Scenario::from_toml(&text).map_err(|error| fails(&error))?;
    let expect = Expect::from_toml(&text).map_err(|error| fails(&error))?;
    Ok(Case { name, scenario, expect })
}

/// Seeds 1 to [`OUTCOME_SEEDS`] of each case, in order.
///
/// # Errors
/// A case that cannot be run.
pub fn first_seeds(cases: &[Case]) -> Result<Vec<Vec<Run>>, String> {
    grid::first_seeds(cases.iter().map(|case| (case.name.as_str(), &case.scenario)))
}

/// The committed table as it would be now, of the first seeds of each case.
///
/// # Errors
/// A cell of the grid that cannot be run.
pub fn outcome(cases: &[Case], runs: &[Vec<Run>]) -> Result<String, String> {
    grid::outcome(cases, runs)
}
