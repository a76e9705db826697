//! `tickseam replay`.

use std::path::{Path, PathBuf};

use clap::Args;
use indicatif::ProgressStyle;
use tickseam_record::{Alignment, OutputFolder, Recording, WriteError, hash_inputs, read, write_gaps};

use super::terminal::{Failure, Progress, print};
use crate::align::{Aligned, Captured, align};
use crate::compare::{Comparison, compare};
use crate::many::find::{Found, find, is_recording};
use crate::many::run::{self, Job, RunError};
use crate::many::table::{Outcome, for_people};
use crate::summary::Finding;
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
    /// Of several recordings, run those again, too, whose results are there.
    #[arg(long)]
    again: bool,
}

pub(super) fn replay(arguments: &Replay) -> Result<(), Failure> {
    if let Some(found) = several(&arguments.folders, arguments.out.as_deref()) {
        return replay_all(arguments, &found);
    }
    let progress = Progress::new();
    let unpacked;
    let (folder, name, out) = match arguments.folders.first() {
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
    let replayed = replay_folder(folder, &out, &|what| progress.say(what))?;
    drop(progress);
    if arguments.json {
        let mut text = Vec::new();
        replayed.alignment.write(&mut text).map_err(|error| Failure::Data(error.to_string()))?;
        return print(&String::from_utf8_lossy(&text));
    }
    print(&replayed.for_people(&name, &out))
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

fn replay_all(arguments: &Replay, found: &[Found]) -> Result<(), Failure> {
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
    let align = |folder: &Path, out: &Path| match replay_folder(folder, out, &|_| ()) {
        Ok(Replayed { alignment, aligned, .. }) => {
            Ok(run::Aligned { alignment, duration_s: aligned.duration_s })
        }
        Err(Failure::Data(text) | Failure::Usage(text)) => Err(text),
        Err(Failure::NobodyReads) => Err(String::new()),
    };
    let done = || {
        if let Some(bar) = &progress.0 {
            bar.inc(1);
        }
    };
    let job = Job { found, out, again: arguments.again, options: &[], align: &align, done: &done };
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
    match ran.rows.iter().filter(|row| row.status == Outcome::Failed).count() {
        0 => Ok(()),
        failed => Err(Failure::Data(format!("{failed} of {} recordings failed", ran.rows.len()))),
    }
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
pub(super) fn read_and_align(folder: &Path, say: &dyn Fn(&'static str)) -> Result<Replayed, Failure> {
    say("reading");
    let (recording, inputs) = std::thread::scope(|scope| {
        let inputs = scope.spawn(|| hash_inputs(folder));
        let recording = read(folder);
        let inputs = inputs.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        // Reading says more about what is wrong than hashing does.
        recording.and_then(|recording| Ok((recording, inputs?)))
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
    let alignment = summary::alignment(&aligned, comparison.as_ref(), inputs, notes, &findings);
    Ok(Replayed { recording, aligned, alignment, comparison, findings })
}

/// Reads a recording folder, aligns it, and writes what was found into `out`.
pub(super) fn replay_folder(
    folder: &Path,
    out: &Path,
    say: &dyn Fn(&'static str),
) -> Result<Replayed, Failure> {
    let replayed = read_and_align(folder, say)?;
    say("writing");
    write_results(folder, out, &replayed)?;
    Ok(replayed)
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

fn write_results(folder: &Path, out: &Path, replayed: &Replayed) -> Result<(), Failure> {
    let Replayed { aligned, alignment, .. } = replayed;
    let mut output = OutputFolder::open_apart_from(folder, out)?;
    output.write("events.tsv", |file| aligned.events.write(file))?;
    output.write("gaps.csv", |file| write_gaps(&aligned.gaps, file))?;
    output.write("alignment.json", |file| alignment.write(file))?;
    output.commit()?;
    Ok(())
}
