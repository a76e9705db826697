//! The `tickseam` command: what it takes, what it says, and with which status it ends.

use std::ffi::OsString;
use std::io::{self, ErrorKind, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use clap::error::ErrorKind as ErrorKindOfUsage;
use clap::{Args, Parser, Subcommand};
use indicatif::{ProgressBar, ProgressStyle};
use tickseam_record::{
    Alignment, Description, OutputFolder, WriteError, hash_inputs, read, write_gaps, write_recording,
};
use tickseam_sim::{Scenario, simulate};

use crate::align::{Aligned, Captured, align};
use crate::compare::compare;
use crate::schedule::advice::{Watch, advise};
use crate::schedule::plan::Plan;
use crate::{demonstration, schedule, simulated, summary};

/// Places events of the phone's clock on the sample timeline of a wireless headset, and says how sure each place is.
#[derive(Debug, Parser)]
#[command(name = "tickseam", version, max_term_width = 80, disable_help_subcommand = true)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Align a recording: place its events, list its gaps.
    ///
    /// Writes events.tsv, gaps.csv and alignment.json. If the folder holds a truth.csv, also says how large the
    /// errors were and how often the 95 % interval held; the estimator never sees it.
    Replay(Replay),
    /// Simulate a headset and a phone: write a recording with its truth.
    Simulate(Simulate),
    /// Find the packet schedule that places events best: simulate and align each of a grid.
    ///
    /// Prints a ranking with its reasons and writes a page. All keys of the file stand in the documentation of
    /// tickseam_cli::schedule; an empty file is a plan too.
    Schedule(Sweep),
}

#[derive(Debug, Args)]
struct Sweep {
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

/// A time with its unit, in ms.
fn time_ms(text: &str) -> Result<f64, String> {
    let units = [("ms", 1.0), ("us", 1e-3), ("µs", 1e-3), ("s", 1e3)];
    let found = units.into_iter().find_map(|(unit, ms)| Some((text.strip_suffix(unit)?, ms)));
    let value = found.and_then(|(number, ms)| Some(number.trim().parse::<f64>().ok()? * ms));
    value
        .filter(|ms| *ms > 0.0 && ms.is_finite())
        .ok_or_else(|| "expected a time above 0 with its unit: 1ms, 500us".to_owned())
}

#[derive(Debug, Args)]
struct Replay {
    /// The recording folder; without it, a built-in demonstration.
    folder: Option<PathBuf>,
    /// Folder for the results [default: FOLDER-aligned, beside FOLDER].
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print alignment.json instead of the summary.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct Simulate {
    /// The scenario: a TOML file of overrides over defaults.
    #[arg(value_name = "SCENARIO.toml")]
    scenario: PathBuf,
    /// Folder for the recording: a new or an empty one.
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
    /// One seed, one recording, bit for bit.
    #[arg(long, default_value_t = 1, value_name = "N")]
    seed: u64,
}

/// Why the command ends without having done its work.
#[derive(Debug)]
enum Failure {
    /// The data or the machine: exit status 1.
    Data(String),
    /// What was asked for: exit status 2.
    Usage(String),
    /// Nobody reads on: exit status 0, and silence.
    NobodyReads,
}

impl From<WriteError> for Failure {
    fn from(error: WriteError) -> Self {
        match error {
            WriteError::SameFolder { .. } => Self::Usage(error.to_string()),
            WriteError::Io { .. } | WriteError::InTheWay { .. } | WriteError::Unreadable(_) => {
                Self::Data(error.to_string())
            }
        }
    }
}

/// Runs the command with its arguments, the program's name first.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let outcome = match Arguments::try_parse_from(arguments) {
        Ok(Arguments { command: Command::Replay(arguments) }) => replay(&arguments),
        Ok(Arguments { command: Command::Simulate(arguments) }) => simulate_recording(&arguments),
        Ok(Arguments { command: Command::Schedule(arguments) }) => sweep(&arguments),
        Err(error) if error.kind() == ErrorKindOfUsage::DisplayHelpOnMissingArgumentOrSubcommand => {
            let _ = write!(io::stderr(), "{}", error.render());
            return ExitCode::from(2);
        }
        Err(error) if error.use_stderr() => {
            let text = error.render().to_string();
            Err(Failure::Usage(text.trim_start_matches("error: ").trim_end().to_owned()))
        }
        // Help and version are asked for, so they are output.
        Err(error) => print(&error.render().to_string()),
    };
    let (text, status) = match outcome {
        Ok(()) | Err(Failure::NobodyReads) => return ExitCode::SUCCESS,
        Err(Failure::Data(text)) => (text, 1),
        Err(Failure::Usage(text)) => (text, 2),
    };
    // Should nobody read this either, the status still tells.
    let _ = writeln!(io::stderr(), "tickseam: {text}");
    ExitCode::from(status)
}

fn print(text: &str) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Err(Failure::NobodyReads),
        Err(error) => Err(Failure::Data(format!("standard output cannot be written: {error}"))),
        Ok(()) => Ok(()),
    }
}

/// What is being done, on a terminal; nothing elsewhere.
struct Progress(Option<ProgressBar>);

impl Progress {
    fn new() -> Self {
        Self(io::stderr().is_terminal().then(|| {
            let bar = ProgressBar::new_spinner();
            if let Ok(style) = ProgressStyle::with_template("{spinner} {msg} {elapsed}") {
                bar.set_style(style);
            }
            bar.enable_steady_tick(Duration::from_millis(100));
            bar
        }))
    }

    fn say(&self, what: &'static str) {
        if let Some(bar) = &self.0 {
            bar.set_message(what);
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(bar) = &self.0 {
            bar.finish_and_clear();
        }
    }
}

fn replay(arguments: &Replay) -> Result<(), Failure> {
    let progress = Progress::new();
    let unpacked;
    let (folder, name, out) = match &arguments.folder {
        Some(folder) => {
            (folder.as_path(), folder.display().to_string(), results_folder(folder, &arguments.out)?)
        }
        None => {
            unpacked = tempfile::Builder::new().prefix("tickseam-").tempdir().map_err(|error| {
                Failure::Data(format!("no temporary folder for the demonstration: {error}"))
            })?;
            demonstration::write_to(unpacked.path()).map_err(|error| {
                Failure::Data(format!(
                    "{}: the demonstration cannot be written: {error}",
                    unpacked.path().display()
                ))
            })?;
            let out = arguments.out.clone().unwrap_or_else(|| PathBuf::from("demonstration-aligned"));
            (unpacked.path(), "the built-in demonstration".to_owned(), out)
        }
    };
    progress.say("reading");
    let (recording, inputs) = std::thread::scope(|scope| {
        let inputs = scope.spawn(|| hash_inputs(folder));
        let recording = read(folder);
        let inputs = inputs.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        // Reading says more about what is wrong than hashing does.
        recording.and_then(|recording| Ok((recording, inputs?)))
    })
    .map_err(|error| Failure::Data(error.to_string()))?;

    progress.say("aligning");
    let mut recording = recording;
    let truth = recording.truth.take();
    let captured = Captured::of(&recording);
    let aligned = align(&captured)
        .map_err(|error| Failure::Data(format!("{}: {error}", folder.join("recording.toml").display())))?;
    let comparison = truth.as_ref().and_then(|truth| compare(&aligned, truth));
    let findings = summary::findings(&aligned, &captured);
    let notes = recording.notes.iter().map(ToString::to_string).collect();
    let alignment = summary::alignment(&aligned, comparison.as_ref(), inputs, notes, &findings);

    progress.say("writing");
    write_results(folder, &out, &aligned, &alignment)?;
    drop(progress);
    if arguments.json {
        let mut text = Vec::new();
        alignment.write(&mut text).map_err(|error| Failure::Data(error.to_string()))?;
        return print(&String::from_utf8_lossy(&text));
    }
    print(&summary::for_people(&name, &out, &aligned, &alignment, comparison.as_ref(), &findings))
}

/// Where the results go: what was asked for, else a folder beside the recording.
fn results_folder(folder: &Path, asked: &Option<PathBuf>) -> Result<PathBuf, Failure> {
    let out = match asked {
        Some(out) => out.clone(),
        None => {
            let whole;
            let named = if folder.file_name().is_some() {
                folder
            } else {
                whole = folder.canonicalize().unwrap_or_default();
                &whole
            };
            let mut name = named
                .file_name()
                .ok_or_else(|| {
                    Failure::Usage(format!(
                        "{}: no name to call the results after; say where they go with --out DIR",
                        folder.display()
                    ))
                })?
                .to_owned();
            name.push("-aligned");
            named.with_file_name(name)
        }
    };
    if let (Ok(input), Ok(output)) = (folder.canonicalize(), out.canonicalize())
        && input == output
    {
        return Err(WriteError::SameFolder { path: out }.into());
    }
    Ok(out)
}

fn write_results(folder: &Path, out: &Path, aligned: &Aligned, alignment: &Alignment) -> Result<(), Failure> {
    let mut output = OutputFolder::open_apart_from(folder, out)?;
    output.write("events.tsv", |file| aligned.events.write(file))?;
    output.write("gaps.csv", |file| write_gaps(&aligned.gaps, file))?;
    output.write("alignment.json", |file| alignment.write(file))?;
    output.commit()?;
    Ok(())
}

fn simulate_recording(arguments: &Simulate) -> Result<(), Failure> {
    let Simulate { scenario: path, out, seed } = arguments;
    let text = std::fs::read_to_string(path)
        .map_err(|error| Failure::Data(format!("{}: cannot be read: {error}", path.display())))?;
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
    write_recording(out, &recording)?;
    drop(progress);
    print(&summary::of_simulation(path, out, *seed, &scenario, &session))
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

fn sweep(arguments: &Sweep) -> Result<(), Failure> {
    let text_of = |path: &Path| {
        std::fs::read_to_string(path)
            .map_err(|error| Failure::Data(format!("{}: cannot be read: {error}", path.display())))
    };
    let device = match &arguments.from {
        None => None,
        Some(path) => {
            // A folder of a recording is meant as well as its description.
            let path = if path.is_dir() { path.join("recording.toml") } else { path.clone() };
            let device = Description::from_toml(&text_of(&path)?, &mut Vec::new())
                .map_err(|error| Failure::Data(format!("{}: {error}", path.display())))?;
            Some(device)
        }
    };
    let (text, name) = match &arguments.plan {
        Some(path) => (text_of(path)?, path.display().to_string()),
        None => (String::new(), "without a plan".to_owned()),
    };
    let plan =
        Plan::new(&text, device.as_ref()).map_err(|error| Failure::Data(format!("{name}: {error}")))?;
    let runs = Runs::new();
    let advice = advise(&plan, &runs).map_err(|cause| Failure::Data(format!("{name}: {cause}")))?;
    drop(runs);
    let out = &arguments.out;
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
        Some(most_ms) if take.error_ms[1] > most_ms => Err(Failure::Data(format!(
            "{}: 95 % of the events are placed within {:.3} ms, which is above {most_ms} ms",
            plan.name(&take.schedule),
            take.error_ms[1]
        ))),
        _ => Ok(()),
    }
}

/// Puts a whole file in the place of another, or leaves that as it was.
fn replace_file(path: &Path, text: &str) -> io::Result<()> {
    let mut beside = path.as_os_str().to_owned();
    beside.push(format!(".{}.part", std::process::id()));
    let beside = PathBuf::from(beside);
    let done = std::fs::write(&beside, text).and_then(|()| std::fs::rename(&beside, path));
    if done.is_err() {
        // Of two faults the first is the one to tell.
        let _ = std::fs::remove_file(&beside);
    }
    done
}
