//! `tickseam simulate`.

use std::path::PathBuf;

use clap::Args;
use tickseam_record::{read_text, write_recording_with};
use tickseam_sim::{Scenario, simulate};

use super::terminal::{Failure, Progress, print, whole};
use crate::{simulated, summary};

#[derive(Debug, Args)]
pub(super) struct Simulate {
    /// The scenario: a TOML file of overrides over defaults.
    #[arg(value_name = "SCENARIO.toml")]
    scenario: PathBuf,
    /// Folder for the recording: a new or an empty one.
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
    /// One seed, one recording, bit for bit.
    #[arg(long, default_value_t = 1, value_name = "N", value_parser = whole::<u64>, allow_hyphen_values = true)]
    seed: u64,
}

pub(super) fn simulate_recording(arguments: &Simulate) -> Result<(), Failure> {
    let Simulate { scenario: path, out, seed } = arguments;
    let text = read_text(path, "a scenario, a TOML file")?;
    let in_scenario = |fault: String| Failure::Data(format!("{}: {fault}", path.display()));
    let scenario = Scenario::from_toml(&text).map_err(|error| in_scenario(error.to_string()))?;
    if std::fs::read_dir(out).is_ok_and(|mut entries| entries.next().is_some()) {
        return Err(Failure::Usage(format!(
            "{}: found files in it, expected a new or an empty folder; name another with --out, or empty it",
            out.display()
        )));
    }
    let progress = Progress::new();
    progress.say("simulating");
    let session = simulate(&scenario, *seed).map_err(|error| in_scenario(error.to_string()))?;
    let recording = simulated::recording(&session).map_err(in_scenario)?;
    progress.say("writing");
    write_recording_with(out, &recording, |folder| match &session.samples {
        Some(samples) => {
            let name = format!("{}.npy", session.description.streams[usize::from(samples.stream)].name);
            folder.write(&name, |file| simulated::write_samples(samples, file))
        }
        None => Ok(()),
    })?;
    drop(progress);
    print(&summary::of_simulation(path, out, *seed, &scenario, &session))
}
