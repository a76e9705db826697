//! The committed table of outcomes: a grid of loss × burst × drift, and every scenario.

use std::fmt::Write;

use tickseam_sim::Scenario;

use super::figures::Figures;
use super::run::Run;
use super::{Case, OUTCOME_SEEDS};
use crate::on_all_cores;

const HEAD: &str = "scenario,held_percent,worst_ratio,p50_ms,p99_ms,u95_ms,live_held_percent,live_worst_ratio,\
                    placed,in_gap,outside,unplaced,lost,twice,late,link_kinds,changes";

/// Packets that the app loses; bursts of interference, as the probability that one begins with a connection event; drift, ppm.
const LOSSES: [f64; 3] = [0.0, 0.02, 0.2];
const BURSTS: [(&str, f64); 2] = [("none", 0.0), ("long", 0.005)];
const DRIFTS_PPM: [f64; 3] = [-45.0, 1.0, 20.0];

/// Five minutes at 20 ms on an interval of 15 ms, which beat by 5 ms.
fn grid() -> Result<Vec<(String, Scenario)>, String> {
    let mut all = Vec::new();
    for loss in LOSSES {
        for (burst, probability) in BURSTS {
            for drift_ppm in DRIFTS_PPM {
                let text = format!(
                    "duration_s = 300\n[device]\noffset_ppm = {drift_ppm:.1}\nwarm_up_ppm = 0.0\n[host]\nloss = {loss:?}\n\
                     [link]\nburst_probability = {probability:?}\nburst_events = 30\nburst_error_rate = 0.95\n"
                );
                let scenario = Scenario::from_toml(&text).map_err(|error| error.to_string())?;
                all.push((format!("loss {loss:?} burst {burst} drift {drift_ppm:+}"), scenario));
            }
        }
    }
    Ok(all)
}

/// Two digits, so that what is not meant to be exact does not look so.
pub(super) fn rounded(value: f64) -> String {
    if value.is_nan() {
        return String::new();
    }
    format!("{value:.1e}").parse::<f64>().map_or_else(|_| value.to_string(), |value| value.to_string())
}

/// Each different one in order of its first appearance, with how often it comes.
fn counted<'a>(words: impl Iterator<Item = &'a String>) -> String {
    let mut all: Vec<(&str, u32)> = Vec::new();
    for word in words {
        match all.iter_mut().find(|(other, _)| other == word) {
            Some((_, count)) => *count += 1,
            None => all.push((word, 1)),
        }
    }
    let shown: Vec<String> = all.into_iter().map(|(word, count)| format!("{count} {word}")).collect();
    shown.join("; ")
}

fn row(name: &str, runs: &[Run]) -> String {
    let figures = Figures::of(runs.iter());
    let percent = |share: f64| if share.is_nan() { String::new() } else { format!("{:.0}", share * 100.0) };
    let mut row = name.to_owned();
    for cell in [
        percent(figures.held),
        rounded(figures.worst_ratio),
        rounded(figures.p50_ms),
        rounded(figures.p99_ms),
        rounded(figures.u95_ms),
        percent(figures.live_held),
        rounded(figures.live_worst_ratio),
    ] {
        row += ",";
        row += &cell;
    }
    for place in 0..4 {
        let _ = write!(row, ",{}", runs.iter().map(|run| run.statuses[place]).sum::<u64>());
    }
    for place in 0..3 {
        let _ = write!(row, ",{}", runs.iter().map(|run| run.counted[place]).sum::<u64>());
    }
    let kinds = counted(runs.iter().flat_map(|run| &run.kinds));
    let changes = counted(runs.iter().flat_map(|run| &run.changes));
    let _ = write!(row, ",{kinds},{changes}");
    row
}

/// The first seeds of each of these, in order.
pub(super) fn first_seeds<'a>(
    all: impl Iterator<Item = (&'a str, &'a Scenario)>,
) -> Result<Vec<Vec<Run>>, String> {
    let jobs: Vec<_> = all.flat_map(|named| (1..=OUTCOME_SEEDS).map(move |seed| (named, seed))).collect();
    let runs = on_all_cores(&jobs, |&((name, scenario), seed)| {
        Run::new(scenario, seed).map_err(|error| format!("{name}: {error}"))
    });
    let runs: Vec<Run> = runs.into_iter().collect::<Result<_, _>>()?;
    Ok(runs.chunks(OUTCOME_SEEDS as usize).map(<[Run]>::to_vec).collect())
}

/// The whole table, of what the first seeds of each case gave.
pub(super) fn outcome(cases: &[Case], runs: &[Vec<Run>]) -> Result<String, String> {
    let grid = grid()?;
    let of_grid = first_seeds(grid.iter().map(|(name, scenario)| (name.as_str(), scenario)))?;
    let mut text = format!(
        "# What comes out of seeds 1 to {OUTCOME_SEEDS} of each scenario: not limits. Renewed by `cargo xtask scenarios --write`.\n{HEAD}\n"
    );
    let of_cases = cases.iter().map(|case| &case.name).zip(runs);
    for (name, runs) in grid.iter().map(|(name, _)| name).zip(&of_grid).chain(of_cases) {
        let _ = writeln!(text, "{}", row(name, runs));
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::rounded;

    #[test]
    fn numbers_keep_two_digits_whatever_their_size() {
        for (value, shown) in [(0.12345, "0.12"), (98.7, "99"), (1234.0, "1200"), (0.0, "0"), (f64::NAN, "")]
        {
            assert_eq!(rounded(value), shown);
        }
    }
}
