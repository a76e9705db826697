//! `tickseam schedule`.

use std::path::PathBuf;

use clap::Args;
use indicatif::ProgressStyle;
use tickseam_record::{Description, read_text};

use super::terminal::{Failure, Progress, print, refuse_no_place_for_a_file, replace_file, time_ms};
use crate::schedule;
use crate::schedule::advice::{Watch, advise};
use crate::schedule::plan::Plan;

#[derive(Debug, Args)]
pub(super) struct Sweep {
    /// The plan: a TOML file of schedules to try and conditions that they meet.
    #[arg(value_name = "FILE.toml", required_unless_present = "from")]
    plan: Option<PathBuf>,
    /// Start from a device's numbers: rates, counter, interval, packet size.
    #[arg(long, value_name = "recording.toml")]
    from: Option<PathBuf>,
    /// The page; an older one is replaced.
    #[arg(long, value_name = "PAGE.html", default_value = "schedule.html")]
    out: PathBuf,
    /// Print JSON instead of the ranking.
    #[arg(long)]
    json: bool,
    /// End with status 1 where 95 % of the events are not placed within this by the schedule to take.
    #[arg(long, value_name = "TIME", value_parser = time_ms)]
    fail_above: Option<f64>,
}

/// How far a sweep is, on a terminal.
struct Runs(Progress);

impl Runs {
    fn new() -> Self {
        let progress = Progress::new();
        if let (Some(bar), Ok(style)) =
            (&progress.0, ProgressStyle::with_template("{bar:40} {pos} of {len} sessions, {eta} left"))
        {
            bar.set_style(style);
            bar.set_length(0);
        }
        Self(progress)
    }
}

impl Watch for Runs {
    fn expect(&self, runs: usize) {
        if let Some(bar) = &self.0.0 {
            bar.inc_length(runs as u64);
        }
    }

    fn done(&self) {
        if let Some(bar) = &self.0.0 {
            bar.inc(1);
        }
    }
}

pub(super) fn sweep(arguments: &Sweep) -> Result<(), Failure> {
    let device = match &arguments.from {
        None => None,
        Some(path) => {
            // A folder of a recording is meant as well as its description.
            let path = if path.is_dir() { path.join("recording.toml") } else { path.clone() };
            let text = read_text(&path, "a recording.toml")?;
            let device = Description::from_toml_of(&path.display().to_string(), &text, &mut Vec::new());
            Some(device.map_err(|error| Failure::Data(error.to_string()))?)
        }
    };
    let (text, name) = match &arguments.plan {
        Some(path) => (read_text(path, "a plan, a TOML file")?, path.display().to_string()),
        None => (String::new(), "without a plan".to_owned()),
    };
    let plan =
        Plan::new(&text, device.as_ref()).map_err(|error| Failure::Data(format!("{name}: {error}")))?;
    let out = &arguments.out;
    refuse_no_place_for_a_file(out)?;
    let runs = Runs::new();
    let advice = advise(&plan, &runs).map_err(|cause| Failure::Data(format!("{name}: {cause}")))?;
    drop(runs);
    replace_file(out, &schedule::page::page(&plan, &advice))
        .map_err(|error| Failure::Data(format!("{}: cannot be written: {error}", out.display())))?;
    if arguments.json {
        let mut text = serde_json::to_string_pretty(&schedule::json::report(&plan, &advice))
            .map_err(|error| Failure::Data(error.to_string()))?;
        text.push('\n');
        print(&text)?;
    } else {
        print(&schedule::table::for_people(&plan, &advice, &out.display().to_string()))?;
    }
    let take = &advice.take().judged;
    match arguments.fail_above {
        Some(most_ms) if take.error_ms[1].is_infinite() => Err(Failure::Data(format!(
            "{}: more than 5 % of the events are not placed, so nothing keeps their error within {most_ms} ms",
            plan.name(&take.schedule)
        ))),
        Some(most_ms) if take.error_ms[1] > most_ms => Err(Failure::Data(format!(
            "{}: 95 % of the events are placed within {:.3} ms, which is above {most_ms} ms",
            plan.name(&take.schedule),
            take.error_ms[1]
        ))),
        _ => Ok(()),
    }
}
