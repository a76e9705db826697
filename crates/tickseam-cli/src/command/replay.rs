//! `tickseam replay`.

use std::path::{Path, PathBuf};

use clap::Args;
use tickseam_record::{Alignment, OutputFolder, Recording, WriteError, hash_inputs, read, write_gaps};

use super::terminal::{Failure, Progress, print};
use crate::align::{Aligned, Captured, align};
use crate::compare::{Comparison, compare};
use crate::summary::Finding;
use crate::{demonstration, summary};

#[derive(Debug, Args)]
pub(super) struct Replay {
    /// The recording folder; without it, a built-in demonstration.
    folder: Option<PathBuf>,
    /// Folder for the results [default: FOLDER-aligned, beside FOLDER].
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print alignment.json instead of the summary.
    #[arg(long)]
    json: bool,
}

pub(super) fn replay(arguments: &Replay) -> Result<(), Failure> {
    let progress = Progress::new();
    let unpacked;
    let (folder, name, out) = match &arguments.folder {
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
    let replayed = replay_folder(folder, &out, &|what| progress.say(what))?;
    drop(progress);
    if arguments.json {
        let mut text = Vec::new();
        replayed.alignment.write(&mut text).map_err(|error| Failure::Data(error.to_string()))?;
        return print(&String::from_utf8_lossy(&text));
    }
    print(&replayed.for_people(&name, &out))
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

fn write_results(folder: &Path, out: &Path, replayed: &Replayed) -> Result<(), Failure> {
    let Replayed { aligned, alignment, .. } = replayed;
    let mut output = OutputFolder::open_apart_from(folder, out)?;
    output.write("events.tsv", |file| aligned.events.write(file))?;
    output.write("gaps.csv", |file| write_gaps(&aligned.gaps, file))?;
    output.write("alignment.json", |file| alignment.write(file))?;
    output.commit()?;
    Ok(())
}
