//! All recordings on all cores; one that fails does not stop the others.

use std::fs::{self, File, TryLockError};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};

use tickseam_record::{Alignment, Origin, OutputFolder, WriteError, in_the_way_of, table_parquet};

use super::find::Found;
use super::page::page;
use super::place::{Filled, Place, Run};
use super::table::{Outcome, Row, columns, write_csv};

/// What aligning one recording gave.
#[derive(Debug)]
pub struct Aligned {
    /// As it was written.
    pub alignment: Alignment,
    /// From the first packet's stamp to the last one's, s.
    pub duration_s: f64,
}

/// What is to be done.
pub struct Job<'a> {
    /// The recordings.
    pub found: &'a [Found],
    /// Where everything goes.
    pub out: &'a Path,
    /// Run those again whose results are there.
    pub again: bool,
    /// The options that results depend on.
    pub options: &'a [String],
    /// Aligns a recording and writes its results into a folder; what fails, in words.
    pub align: &'a (dyn Fn(&Path, &Path) -> Result<Aligned, String> + Sync),
    /// Called after each recording.
    pub done: &'a (dyn Fn() + Sync),
}

/// What became of all.
#[derive(Clone, Debug)]
pub struct Ran {
    /// One for each recording, in the order in which they were found.
    pub rows: Vec<Row>,
    /// How many were not run again.
    pub kept: usize,
}

/// Why nothing was run.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The results of one recording would take the place of a recording.
    #[error(
        "{}: found the recording {} there, expected another folder for what is written",
        target.display(), recording.display()
    )]
    InTheWay {
        /// Where results would go.
        target: PathBuf,
        /// The recording that lies there.
        recording: PathBuf,
    },
    /// Another run is writing there.
    #[error("{}: found another replay that is writing there, expected none: wait for it, or take another folder", out.display())]
    Busy {
        /// The output folder.
        out: PathBuf,
    },
    /// The output folder cannot be used.
    #[error(transparent)]
    Write(#[from] WriteError),
}

/// The table and the page.
const TABLE: &str = "recordings.csv";
const PARQUET: &str = "recordings.parquet";
const PAGE: &str = "index.html";

/// Held while a run writes into an output folder.
const LOCK: &str = ".replay.lock";

/// Aligns all recordings, writes their results, the table and the page.
///
/// # Errors
/// What stops the whole run. A recording that fails is told in its row.
pub fn run(job: &Job<'_>) -> Result<Ran, RunError> {
    let targets: Vec<PathBuf> = job.found.iter().map(|found| job.out.join(&found.name)).collect();
    keep_apart(job.found, &targets, job.out)?;
    let _lock = lock(job.out)?;
    tidy(job.out);

    // The largest first, so that no core is left with a long one at the end.
    let mut order: Vec<usize> = (0..job.found.len()).collect();
    let size = |path: PathBuf| fs::metadata(path).map_or(0, |file| file.len());
    // Parquet takes about a quarter of the text's bytes.
    let bytes = |found: &Found| {
        size(found.folder.join("packets.csv")).max(4 * size(found.folder.join("packets.parquet")))
    };
    order.sort_by_key(|&place| std::cmp::Reverse(job.found.get(place).map_or(0, bytes)));

    let finished: Vec<OnceLock<(Row, bool)>> = job.found.iter().map(|_| OnceLock::new()).collect();
    let next = AtomicUsize::new(0);
    let work = || {
        while let Some(&place) = order.get(next.fetch_add(1, Ordering::Relaxed)) {
            if let (Some(found), Some(target), Some(cell)) =
                (job.found.get(place), targets.get(place), finished.get(place))
            {
                let _ = cell.set(one(job, found, target));
                (job.done)();
            }
        }
    };
    // Threads of our own: those of the pool are what a recording's tables are packed by, and would wait for themselves.
    std::thread::scope(|scope| {
        for _ in 0..rayon::current_num_threads().min(order.len()) {
            scope.spawn(work);
        }
    });
    let (rows, kept): (Vec<Row>, Vec<bool>) = finished.into_iter().filter_map(OnceLock::into_inner).unzip();
    let kept = kept.into_iter().filter(|kept| *kept).count();

    // A page for people where there is one, else the numbers.
    let link = |row: &Row| {
        let results = job.out.join(&row.recording);
        ["report.html", "alignment.json"].into_iter().find(|name| results.join(name).is_file())
    };
    let mut output = OutputFolder::open_in_place(job.out)?;
    output.write(TABLE, |out| write_csv(&rows, out))?;
    let origin = Origin {
        version: env!("CARGO_PKG_VERSION"),
        numerics_revision: crate::NUMERICS_REVISION,
        inputs: &[],
    };
    output.write(PARQUET, |out| out.write_all(&table_parquet("recordings", &columns(&rows), &origin)?))?;
    output.write(PAGE, |out| out.write_all(page(&rows, &link).as_bytes()))?;
    output.commit()?;
    Ok(Ran { rows, kept })
}

/// One recording: its row, and whether its results were there already.
fn one(job: &Job<'_>, found: &Found, target: &Path) -> (Row, bool) {
    let name = shown(&found.name, &found.folder);
    if let Some(fault) = &found.fault {
        return (Row::failed(name, fault.clone()), false);
    }
    let place = Place::of(target);
    if let Err(error) = place.tidy() {
        let text = format!("{}: cannot be tidied up after an earlier run: {error}", target.display());
        return (Row::failed(name, text), false);
    }
    if !job.again
        && let Some(run) = Run::of(target)
        && run.row.status == Outcome::Aligned
        && run.still_holds(target, &found.folder, job.options)
    {
        return (Row { recording: name, ..run.row }, true);
    }
    let made = catch_unwind(AssertUnwindSafe(|| {
        place.replace(|new| {
            let Aligned { alignment, duration_s } = (job.align)(&found.folder, new)?;
            let row = Row::aligned(name.clone(), &alignment, duration_s);
            Ok(Filled { options: job.options.to_vec(), inputs: alignment.inputs, row })
        })
    }));
    match made {
        Ok(Ok(run)) => (run.row, false),
        Ok(Err(message)) => (Row::failed(name, message), false),
        Err(_) => {
            (Row::failed(name, "a fault of this program stopped it; please report it".to_owned()), false)
        }
    }
}

/// A name below the output folder as text, parted by `/`.
fn shown(name: &Path, folder: &Path) -> String {
    let parts: Vec<String> =
        name.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect();
    if parts.is_empty() { folder.display().to_string() } else { parts.join("/") }
}

/// Results take the place of folders: no recording may lie where they go, or below.
fn keep_apart(found: &[Found], targets: &[PathBuf], out: &Path) -> Result<(), RunError> {
    let whole = |path: &Path| fs::canonicalize(path).ok();
    let recordings: Vec<(&Path, PathBuf)> = found
        .iter()
        .filter(|found| found.fault.is_none())
        .filter_map(|found| Some((found.folder.as_path(), whole(&found.folder)?)))
        .collect();
    // An output folder that is not there yet holds nothing.
    let Some(_) = whole(out) else { return Ok(()) };
    for target in targets {
        let Some(place) = whole(target) else { continue };
        if let Some((recording, _)) = recordings.iter().find(|(_, recording)| recording.starts_with(&place)) {
            return Err(RunError::InTheWay { target: target.clone(), recording: recording.to_path_buf() });
        }
    }
    Ok(())
}

/// Removes what a killed run left of the table and the page. Nobody else is writing there.
fn tidy(out: &Path) {
    for entry in fs::read_dir(out).into_iter().flatten().flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        let of_ours = [TABLE, PARQUET, PAGE].iter().any(|ours| name.starts_with(&format!(".{ours}.")));
        if of_ours && name.ends_with(".partial") {
            // It is in nobody's way.
            let _ = fs::remove_file(entry.path());
        }
    }
}

/// Held until it is dropped.
fn lock(out: &Path) -> Result<File, RunError> {
    let refused = |action: &'static str, path: &Path| {
        let path = path.to_path_buf();
        move |source| RunError::Write(WriteError::Io { path, action, source })
    };
    if let Some(error) = in_the_way_of(out) {
        return Err(RunError::Write(error));
    }
    fs::create_dir_all(out).map_err(refused("created", out))?;
    let path = out.join(LOCK);
    let file = File::create(&path).map_err(refused("created", &path))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(RunError::Busy { out: out.to_path_buf() }),
        // Some file systems have no locks; then nobody is told of another run.
        Err(TryLockError::Error(_)) => Ok(file),
    }
}
