//! Which recordings there are, and where each one's results go.

use std::collections::HashSet;
use std::ffi::OsString;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// How many folders deep recordings are looked for (own choice: study, site, person, visit, session, and some more). Doubled: a wrong
/// folder is searched for longer.
pub const DEEPEST: usize = 8;

/// What makes a folder a recording.
const MARK: &str = "recording.toml";

/// Names at the top of the output folder that are no recording's.
pub const RESERVED: [&str; 3] = ["index.html", "recordings.csv", "recordings.parquet"];

/// A recording, or what stands in one's place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Where it lies.
    pub folder: PathBuf,
    /// Its path below the output folder.
    pub name: PathBuf,
    /// Why nothing can be read there.
    pub fault: Option<String>,
}

/// Whether a folder is a recording.
pub fn is_recording(folder: &Path) -> bool {
    fs::metadata(folder.join(MARK)).is_ok()
}

/// All recordings in some folders, in the order of the folders and then of the names. What is a recording is not looked into. Symbolic links
/// to folders and folders whose names begin with a dot are passed over, and so is `out`. A recording that is reached twice counts once. Of
/// a folder in which none is found, or that cannot be read, the fault is told.
///
/// The results of a single folder lie as its recordings do; those of several below each folder's name, with a number behind it where two
/// have the same.
pub fn find(folders: &[PathBuf], out: Option<&Path>) -> Vec<Found> {
    let out = out.and_then(|out| fs::canonicalize(out).ok());
    let mut taken: HashSet<String> = RESERVED.iter().map(|name| (*name).to_owned()).collect();
    let mut seen = HashSet::new();
    let mut all = Vec::new();
    for folder in folders {
        let alone = folders.len() == 1 && !is_recording(folder);
        let prefix = if alone { PathBuf::new() } else { free_name(&own_name(folder), &mut taken) };
        let mut search = Search { out: out.as_deref(), found: Vec::new() };
        search.look(folder, &prefix, 0);
        if search.found.is_empty() {
            search.fault(folder, &prefix, format!(
                "found no recording in it, expected {MARK} in it or in a folder at most {DEEPEST} folders below"
            ));
        }
        if alone {
            // A recording may have the name of one of the files beside it.
            for found in search.found.iter_mut().filter(|found| found.name.components().count() == 1) {
                let named = found.name.to_string_lossy().to_lowercase();
                if RESERVED.contains(&named.as_str()) {
                    found.name = free_name(found.name.as_os_str(), &mut taken);
                }
            }
        }
        all.extend(search.found.into_iter().filter(|found| {
            found.fault.is_some() || fs::canonicalize(&found.folder).is_ok_and(|whole| seen.insert(whole))
        }));
    }
    all
}

/// What a folder is called.
fn own_name(folder: &Path) -> OsString {
    let name = |path: &Path| path.file_name().map(OsString::from);
    name(folder)
        .or_else(|| name(&fs::canonicalize(folder).ok()?))
        .unwrap_or_else(|| OsString::from("recordings"))
}

/// A name that nobody has yet, capitals apart, since some file systems do not tell them apart.
fn free_name(wanted: &std::ffi::OsStr, taken: &mut HashSet<String>) -> PathBuf {
    let mut name = wanted.to_owned();
    let mut number = 1;
    while !taken.insert(name.to_string_lossy().to_lowercase()) {
        number += 1;
        name = wanted.to_owned();
        name.push(format!("-{number}"));
    }
    PathBuf::from(name)
}

struct Search<'a> {
    out: Option<&'a Path>,
    found: Vec<Found>,
}

impl Search<'_> {
    fn fault(&mut self, folder: &Path, name: &Path, fault: String) {
        self.found.push(Found { folder: folder.to_path_buf(), name: name.to_path_buf(), fault: Some(fault) });
    }

    fn look(&mut self, folder: &Path, name: &Path, depth: usize) {
        if is_recording(folder) {
            self.found.push(Found { folder: folder.to_path_buf(), name: name.to_path_buf(), fault: None });
            return;
        }
        let entries = fs::read_dir(folder).and_then(Iterator::collect::<Result<Vec<_>, _>>);
        let mut entries = match entries {
            Ok(entries) => entries,
            Err(error) => {
                let fault = match error.kind() {
                    ErrorKind::NotFound => "found no such folder, expected a recording folder".to_owned(),
                    ErrorKind::NotADirectory => {
                        "found something that is no folder, expected a recording folder".to_owned()
                    }
                    _ => format!("cannot be read: {error}"),
                };
                return self.fault(folder, name, fault);
            }
        };
        if depth == DEEPEST {
            return;
        }
        entries.sort_by_key(fs::DirEntry::file_name);
        for entry in entries {
            let called = entry.file_name();
            // The kind of the entry itself: a link to a folder is none.
            let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
            let hidden = called.as_encoded_bytes().starts_with(b".");
            let path = entry.path();
            let is_out =
                || self.out.is_some_and(|out| fs::canonicalize(&path).is_ok_and(|whole| whole == out));
            if is_folder && !hidden && !is_out() {
                self.look(&path, &name.join(called), depth + 1);
            }
        }
    }
}
