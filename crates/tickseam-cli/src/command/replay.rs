//! `tickseam replay`.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;
use indicatif::ProgressStyle;
use tickseam_record::{
    Alignment, ColumnNames, Origin, OutputFolder, Recording, WriteError, hash_inputs_while, packets_parquet,
    placements_parquet, read_named, read_text, write_events_sidecar, write_gaps,
};

use super::terminal::{Failure, Progress, print};
use crate::align::{Aligned, Captured, align};
use crate::compare::{Comparison, compare};
use crate::many::find::{Found, find, is_recording};
use crate::many::run::{self, Job, RunError};
use crate::many::table::{Outcome, for_people};
use crate::packet_timeline::{budgets_ms, packet_timeline};
use crate::report::{self, Reported};
use crate::summary::Finding;
use crate::verdict::criteria::{self, Criteria};
use crate::verdict::judge;
use crate::verdict::requirement::Requirement;
use crate::{demonstration, summary};

#[derive(Debug, Args)]
pub(super) struct Replay {
    /// The recording folder, or several, or folders of such; without any, a built-in demonstration.
    #[arg(value_name = "FOLDER")]
    folders: Vec<PathBuf>,
    /// Folder for the results; needed for several recordings [default: FOLDER-aligned, beside FOLDER].
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print alignment.json instead of the summary; of several recordings, the row of each as a line of JSON.
    #[arg(long)]
    json: bool,
    /// What the recording has to meet to be called fit, instead of the built-in criteria.
    #[arg(long, value_name = "FILE.toml")]
    criteria: Option<PathBuf>,
    /// Print the built-in criteria, to be changed and given by --criteria, and do nothing else.
    #[arg(long, exclusive = true)]
    show_criteria: bool,
    /// End with status 1 where this is not met: u95=1ms (every placed event is known to that), placed=95%, or fit=P300-like. May be repeated.
    #[arg(long, value_name = "WHAT=LEAST", value_parser = Requirement::parse)]
    require: Vec<Requirement>,
    /// Columns of the folder's tables that have other names: OURS=THEIRS[:UNIT],…
    ///
    /// Such as host_ns=arrival:us,sequence=n,events.host_ns=time:s,events.label=code. Separated by commas, or the
    /// option again. Units of times: ns, us, ms, s; decimals are read exactly. Before a name may stand its table:
    /// packets, events, exchanges or markers; without one it is the first of these that has such a column. A name
    /// with a comma, a colon or a quote in it goes into double quotes.
    ///
    /// Without a column for the stream the recording's only stream is meant, without one for samples the usual
    /// number. A text table may be separated by semicolons or tabs instead: its header tells.
    #[arg(long, value_name = "NAMES", requires = "folders")]
    columns: Vec<String>,
    /// Of several recordings, run those again, too, whose results are there.
    #[arg(long)]
    again: bool,
}

/// All that the option `--columns` says.
fn column_names(texts: &[String]) -> Result<ColumnNames, Failure> {
    let mut names = ColumnNames::default();
    texts
        .iter()
        .try_for_each(|text| names.add(text))
        .map_err(|error| Failure::Usage(format!("--columns: {error}")))?;
    Ok(names)
}

pub(super) fn replay(arguments: &Replay) -> Result<(), Failure> {
    if arguments.show_criteria {
        return print(criteria::DEFAULT);
    }
    let options = Options { names: column_names(&arguments.columns)?, criteria: criteria_of(arguments)? };
    if let Some(found) = several(&arguments.folders, arguments.out.as_deref()) {
        return replay_all(arguments, &options, &found);
    }
    let progress = Progress::new();
    let unpacked;
    let (folder, name, out) = match arguments.folders.first() {
        Some(folder) => (
            folder.as_path(),
            folder.display().to_string(),
            results_folder(folder, &arguments.out, "-aligned")?,
        ),
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
    let title = match arguments.folders.first() {
        Some(folder) => title_of(folder),
        None => name.clone(),
    };
    let output = || OutputFolder::open_apart_from(folder, &out);
    let replayed = replay_folder(folder, &title, output, &options, &|what| progress.say(what))?;
    drop(progress);
    if arguments.json {
        let mut text = Vec::new();
        replayed.alignment.write(&mut text).map_err(|error| Failure::Data(error.to_string()))?;
        print(&String::from_utf8_lossy(&text))?;
    } else {
        print(&replayed.for_people(&name, &out))?;
    }
    match unmet(&arguments.require, &replayed.alignment) {
        None => Ok(()),
        Some(unmet) => Err(Failure::Data(format!("{name}: {unmet}"))),
    }
}

/// What of the requirements a recording does not meet, in words.
fn unmet(requirements: &[Requirement], alignment: &Alignment) -> Option<String> {
    let unmet: Vec<String> = requirements.iter().filter_map(|one| one.unmet(alignment)).collect();
    (!unmet.is_empty()).then(|| unmet.join("; "))
}

/// The criteria that were asked for, once it is known that all requirements are about components that they have.
fn criteria_of(arguments: &Replay) -> Result<Criteria, Failure> {
    let criteria = match &arguments.criteria {
        None => Criteria::default(),
        Some(path) => {
            let text = read_text(path, "criteria, a TOML file as --show-criteria prints it")?;
            Criteria::from_toml(&text)
                .map_err(|fault| Failure::Data(format!("{}: {fault}", path.display())))?
        }
    };
    let names: Vec<&str> = criteria.components.iter().map(|component| component.name.as_str()).collect();
    match arguments.require.iter().filter_map(Requirement::component).find(|name| !names.contains(name)) {
        None => Ok(criteria),
        Some(unknown) => Err(Failure::Usage(format!(
            "--require fit={unknown}: found no such component in the criteria, expected one of {}",
            names.join(", ")
        ))),
    }
}

/// The recordings that are meant, where they are not a single folder's own.
fn several(folders: &[PathBuf], out: Option<&Path>) -> Option<Vec<Found>> {
    match folders {
        [] => None,
        [only] if is_recording(only) => None,
        // A folder in which nothing is found is one that should be a recording.
        [_] => Some(find(folders, out)).filter(|found| found.iter().any(|found| found.fault.is_none())),
        _ => Some(find(folders, out)),
    }
}

fn replay_all(arguments: &Replay, options: &Options, found: &[Found]) -> Result<(), Failure> {
    let Some(out) = &arguments.out else {
        return Err(Failure::Usage(
            "found several recordings, expected --out DIR to say where their results go".to_owned(),
        ));
    };
    let progress = Progress::new();
    if let (Some(bar), Ok(style)) =
        (&progress.0, ProgressStyle::with_template("{bar:40} {pos} of {len} recordings, {eta} left"))
    {
        bar.set_style(style);
        bar.set_length(found.len() as u64);
    }
    let align = |folder: &Path, out: &Path| {
        // It is shown when all that belongs into it is there.
        let output = || OutputFolder::open_in_place_apart_from(folder, out);
        match replay_folder(folder, &title_of(folder), output, options, &|_| ()) {
            Ok(Replayed { alignment, aligned, .. }) => {
                Ok(run::Aligned { alignment, duration_s: aligned.duration_s })
            }
            Err(Failure::Data(text) | Failure::Usage(text)) => Err(text),
            Err(Failure::NobodyReads) => Err(String::new()),
        }
    };
    let done = || {
        if let Some(bar) = &progress.0 {
            bar.inc(1);
        }
    };
    // What results depend on beside the recording.
    let told = [format!("{options:?}")];
    let job = Job { found, out, again: arguments.again, options: &told, align: &align, done: &done };
    let ran = run::run(&job).map_err(|error| match error {
        RunError::InTheWay { .. } => Failure::Usage(error.to_string()),
        RunError::Busy { .. } => Failure::Data(error.to_string()),
        RunError::Write(error) => error.into(),
    })?;
    drop(progress);
    let mut text = String::new();
    if arguments.json {
        for row in &ran.rows {
            text += &serde_json::to_string(row).map_err(|error| Failure::Data(error.to_string()))?;
            text.push('\n');
        }
    } else {
        text = for_people(&ran.rows, ran.kept, &out.display().to_string());
    }
    print(&text)?;
    let failed = ran.rows.iter().filter(|row| row.status == Outcome::Failed).count();
    if failed > 0 {
        return Err(Failure::Data(format!("{failed} of {} recordings failed", ran.rows.len())));
    }
    if arguments.require.is_empty() {
        return Ok(());
    }
    let mut all_unmet = Vec::new();
    for row in &ran.rows {
        let path = out.join(&row.recording).join("alignment.json");
        let unreadable =
            |error: String| Failure::Data(format!("{}: cannot be read: {error}", path.display()));
        let text = std::fs::read(&path).map_err(|error| unreadable(error.to_string()))?;
        let alignment = serde_json::from_slice(&text).map_err(|error| unreadable(error.to_string()))?;
        all_unmet
            .extend(unmet(&arguments.require, &alignment).map(|unmet| format!("{}: {unmet}", row.recording)));
    }
    if all_unmet.is_empty() { Ok(()) } else { Err(Failure::Data(all_unmet.join("\ntickseam: "))) }
}

/// What results depend on, beside the recording.
#[derive(Clone, Debug, Default)]
pub(super) struct Options {
    /// What its tables' columns are called.
    pub(super) names: ColumnNames,
    /// What it is judged by.
    pub(super) criteria: Criteria,
}

/// A recording that was replayed.
#[derive(Debug)]
pub(super) struct Replayed {
    /// What was read, its truth taken out.
    pub(super) recording: Recording,
    /// What was found.
    pub(super) aligned: Aligned,
    /// The same as it is written.
    pub(super) alignment: Alignment,
    comparison: Option<Comparison>,
    findings: Vec<Finding>,
}

impl Replayed {
    /// The summary that a person reads.
    pub(super) fn for_people(&self, name: &str, out: &Path) -> String {
        let comparison = self.comparison.as_ref();
        summary::for_people(name, out, &self.aligned, &self.alignment, comparison, &self.findings)
    }
}

/// Reads a recording folder and aligns it.
pub(super) fn read_and_align(
    folder: &Path,
    options: &Options,
    say: &dyn Fn(&'static str),
) -> Result<Replayed, Failure> {
    say("reading");
    // What was refused at its first bytes may be hours long: its hash is not waited for.
    let refused = AtomicBool::new(false);
    let (recording, inputs) = std::thread::scope(|scope| {
        let inputs = scope.spawn(|| hash_inputs_while(folder, || !refused.load(Ordering::Relaxed)));
        let recording = read_named(folder, &options.names);
        refused.store(recording.is_err(), Ordering::Relaxed);
        let inputs = inputs.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        // Reading says more about what is wrong than hashing does.
        recording.and_then(|recording| Ok((recording, inputs?.unwrap_or_default())))
    })
    .map_err(|error| Failure::Data(error.to_string()))?;

    say("aligning");
    let mut recording = recording;
    let truth = recording.truth.take();
    let captured = Captured::of(&recording);
    let aligned = align(&captured)
        .map_err(|error| Failure::Data(format!("{}: {error}", folder.join("recording.toml").display())))?;
    let comparison = truth.as_ref().and_then(|truth| compare(&aligned, truth));
    let findings = summary::findings(&aligned, &captured);
    let notes = recording.notes.iter().map(ToString::to_string).collect();
    let alignment = summary::alignment(
        &aligned,
        comparison.as_ref(),
        inputs,
        notes,
        &findings,
        judge(&aligned, &options.criteria),
    );
    Ok(Replayed { recording, aligned, alignment, comparison, findings })
}

/// What the report of a recording is headed with: the folder's own name, wherever it lies.
pub(super) fn title_of(folder: &Path) -> String {
    let whole = folder.canonicalize().unwrap_or_else(|_| folder.to_path_buf());
    whole.file_name().map_or_else(|| folder.display().to_string(), |name| name.to_string_lossy().into_owned())
}

/// Reads a recording folder, aligns it, and writes what was found into a folder, which is opened then.
pub(super) fn replay_folder(
    folder: &Path,
    title: &str,
    open: impl FnOnce() -> Result<OutputFolder, WriteError>,
    options: &Options,
    say: &dyn Fn(&'static str),
) -> Result<Replayed, Failure> {
    let replayed = read_and_align(folder, options, say)?;
    say("writing");
    write_results(open()?, title, &replayed, options)?;
    Ok(replayed)
}

/// Where the results go: what was asked for, else a folder beside the recording, its name and `suffix`.
pub(super) fn results_folder(
    folder: &Path,
    asked: &Option<PathBuf>,
    suffix: &str,
) -> Result<PathBuf, Failure> {
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
            name.push(suffix);
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

fn write_results(
    mut output: OutputFolder,
    title: &str,
    replayed: &Replayed,
    options: &Options,
) -> Result<(), Failure> {
    let Replayed { recording, aligned, alignment, findings, .. } = replayed;
    let captured = &Captured::of(recording);
    let criteria = &options.criteria;
    // The tables are packed while the page is drawn and the disk takes the text.
    let (placements, packets) = std::thread::scope(|scope| {
        let tables = scope.spawn(|| parquet_tables(replayed));
        let page = report::write(&Reported { title, aligned, captured, alignment, findings, criteria });
        output.write("events.tsv", |file| aligned.events.write(file))?;
        output.write("events.json", |file| {
            write_events_sidecar(&aligned.events, &recording.description, file)
        })?;
        output.write("gaps.csv", |file| write_gaps(&aligned.gaps, file))?;
        output.write("alignment.json", |file| alignment.write(file))?;
        output.write("report.html", |file| file.write_all(page.as_bytes()))?;
        tables.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    })?;
    output.write("placements.parquet", |file| file.write_all(&placements))?;
    output.write("packets.parquet", |file| file.write_all(&packets))?;
    output.commit()?;
    Ok(())
}

/// The bytes of `placements.parquet` and of `packets.parquet`.
fn parquet_tables(replayed: &Replayed) -> Result<(Vec<u8>, Vec<u8>), Failure> {
    let Replayed { recording: Recording { description, packets, .. }, aligned, alignment, .. } = replayed;
    let origin = Origin {
        version: &alignment.tickseam,
        numerics_revision: alignment.numerics_revision,
        inputs: &alignment.inputs,
    };
    let streams: Vec<&str> = description.streams.iter().map(|stream| stream.name.as_str()).collect();
    let timeline = packet_timeline(description, packets, aligned);
    placements_parquet(&aligned.events, &budgets_ms(aligned), &origin)
        .and_then(|placements| Ok((placements, packets_parquet(packets, &streams, &timeline, &origin)?)))
        .map_err(|error| Failure::Data(format!("the Parquet tables cannot be made: {error}")))
}
