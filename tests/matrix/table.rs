//! What a person sees of a run: a table of 80 columns, and beneath it every limit that is missed.

use std::fmt::Write;

use super::figures::Figures;
use super::judge::{FEWEST_SEEDS, Judged, Verdict, verdict};
use super::run::Run;
use super::{Case, cases, first_seeds, outcome, outcome_path};
use crate::on_all_cores;

const COLUMNS: usize = 80;

/// What to run.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// How many seeds of each scenario.
    pub seeds: u64,
    /// The first of them.
    pub first: u64,
    /// Only scenarios whose names contain one of these; all where there are none.
    pub names: Vec<String>,
    /// Instead of running, renew the committed table.
    pub write: bool,
}

/// Runs every scenario over the seeds and prints a table; whether all may pass.
///
/// # Errors
/// A scenario that cannot be run, or a name that is in none.
pub fn run_all(options: &Options) -> Result<bool, String> {
    let mut chosen = cases()?;
    if options.write {
        let text = outcome(&chosen, &first_seeds(&chosen)?)?;
        let path = outcome_path();
        std::fs::write(&path, text).map_err(|error| format!("{}: {error}", path.display()))?;
        return Ok(true);
    }
    let wanted = |case: &Case| {
        options.names.is_empty() || options.names.iter().any(|name| case.name.contains(name.as_str()))
    };
    chosen.retain(wanted);
    if chosen.is_empty() {
        return Err(format!("no scenario is named so: {}", options.names.join(", ")));
    }
    let last = options.first + options.seeds.max(1) - 1;
    println!("Seeds {} to {last}; errors, u95 in ms; held, live in % of the events", options.first);
    if options.seeds < FEWEST_SEEDS as u64 {
        println!("Limits over many seeds are not judged on fewer than {FEWEST_SEEDS}.");
    }
    println!(
        "\n{:<28} {:>5} {:>6} {:>6} {:>7} {:>7} {:>5}  {:<7}",
        "scenario", "held", "worst", "p50", "p99", "u95", "live", "verdict"
    );
    let mut said = String::new();
    let mut passes = true;
    for case in &chosen {
        let seeds: Vec<u64> = (options.first..=last).collect();
        let runs = on_all_cores(&seeds, |&seed| Run::new(&case.scenario, seed));
        let runs: Vec<Run> =
            runs.into_iter().collect::<Result<_, _>>().map_err(|error| format!("{}: {error}", case.name))?;
        let again = |seed| Run::new(&case.scenario, seed);
        let (verdict, judged) =
            verdict(&runs, &case.expect, again).map_err(|error| format!("{}: {error}", case.name))?;
        println!("{}", row(&case.name, &Figures::of(runs.iter()), verdict));
        passes &= verdict.passes();
        if !judged.is_empty() {
            said += &words(case, verdict, &judged);
        }
    }
    println!("\n{said}");
    Ok(passes)
}

fn row(name: &str, figures: &Figures, verdict: Verdict) -> String {
    let name: String = name.chars().take(28).collect();
    let percent = |share: f64| if share.is_nan() { "-".to_owned() } else { format!("{:.1}", share * 100.0) };
    format!(
        "{name:<28} {:>5} {:>6} {:>6} {:>7} {:>7} {:>5}  {:<7}",
        percent(figures.held),
        number(figures.worst_ratio),
        number(figures.p50_ms),
        number(figures.p99_ms),
        number(figures.u95_ms),
        percent(figures.live_held),
        verdict.as_str()
    )
}

/// Three digits at most, in six places.
fn number(value: f64) -> String {
    if value.is_nan() {
        return "-".to_owned();
    }
    match value.abs() {
        size if size >= 100_000.0 => format!("{value:.0e}"),
        size if size >= 100.0 => format!("{value:.0}"),
        size if size >= 10.0 => format!("{value:.1}"),
        size if size >= 1.0 => format!("{value:.2}"),
        _ => format!("{value:.3}"),
    }
}

fn words(case: &Case, verdict: Verdict, judged: &[Judged]) -> String {
    let mut text = format!("{}: {}\n", case.name, verdict.as_str());
    for judged in judged {
        let met = if judged.met { "met, though noted as missed: " } else { "" };
        folded(&mut text, &format!("{met}{}", judged.words));
        let seeds: Vec<String> = judged.worst_seeds.iter().map(u64::to_string).collect();
        if !seeds.is_empty() {
            folded(&mut text, &format!("  worst seeds: {}", seeds.join(", ")));
        }
        if let Some(known) = case.expect.known_miss.iter().find(|known| known.limit == judged.limit) {
            folded(&mut text, &format!("  known: {}", known.measured));
        }
    }
    text
}

/// A line, folded and indented.
fn folded(text: &mut String, line: &str) {
    let mut shown = String::from(" ");
    for word in line.split_whitespace() {
        if shown.chars().count() + 1 + word.chars().count() > COLUMNS {
            let _ = writeln!(text, "{shown}");
            shown = String::from("   ");
        }
        shown += " ";
        shown += word;
    }
    let _ = writeln!(text, "{shown}");
}
