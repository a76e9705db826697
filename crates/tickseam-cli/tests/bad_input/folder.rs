//! The files that a case is tried on: good ones, of which some are spoilt.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde::Deserialize;

/// Something done to one file of the bench.
#[derive(Debug, Deserialize)]
pub(crate) struct Change {
    file: String,
    #[serde(flatten)]
    how: How,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
enum How {
    /// The first occurrence of a text, which has to be there, by another.
    Replace([String; 2]),
    /// Every occurrence.
    ReplaceAll([String; 2]),
    /// A line, counted from 1, by another text.
    Line((usize, String)),
    /// The whole file, new or not.
    Text(String),
    /// The same by its bytes, two hexadecimal digits each, spaces as one likes.
    Bytes(String),
    /// Bytes written over those at a place.
    At((usize, String)),
    /// A text so many times, as the whole file.
    Times((usize, String)),
    Append(String),
    /// The file cut to its first bytes, or lines.
    KeepBytes(u64),
    KeepLines(usize),
    /// As long as this, without anything written there.
    Sparse(u64),
    /// Another file's content.
    CopyOf(String),
    Remove(Yes),
    /// A folder instead, empty.
    Folder(Yes),
    /// A named pipe instead, to which nobody writes.
    Pipe(Yes),
    /// A symbolic link instead.
    Link(String),
    /// What its owner and others may, in octal; the command is then run by somebody else.
    Rights(String),
    /// A folder instead that is a disk of so many KiB.
    Disk(u64),
}

/// The word `true`.
#[derive(Debug, Deserialize)]
#[serde(try_from = "bool")]
struct Yes;

impl TryFrom<bool> for Yes {
    type Error = &'static str;

    fn try_from(said: bool) -> Result<Self, Self::Error> {
        if said { Ok(Self) } else { Err("expected true") }
    }
}

fn bytes(digits: &str) -> Vec<u8> {
    let digits: String = digits.split_whitespace().collect();
    (0..digits.len()).step_by(2).map(|at| u8::from_str_radix(&digits[at..at + 2], 16).unwrap()).collect()
}

/// A folder with all good files, spoilt as a case says.
pub(crate) struct Bench {
    path: PathBuf,
    /// Where small disks were put, to be taken away again.
    disks: Vec<PathBuf>,
    /// Files whose rights were changed.
    guarded: Vec<PathBuf>,
}

impl Bench {
    /// Makes one inside a folder; the reason where this machine cannot.
    pub(crate) fn new(place: &Path, changes: &[Change]) -> Result<Self, String> {
        let path = place.join("bench");
        let tests = Path::new(env!("CARGO_MANIFEST_DIR"));
        copy(&tests.join("tests/bad_input/good"), &path);
        let captures = tests.join("../../tests/open_formats/captures");
        for (from, to) in [
            ("phone/phone.btsnoop", "phone.btsnoop"),
            ("phone/layout.toml", "layout.toml"),
            ("desk/desk.pcapng", "desk.pcapng"),
            ("wire/wire.pcap", "wire.pcap"),
        ] {
            fs::copy(captures.join(from), path.join(to)).unwrap();
        }
        let mut bench = Self { path, disks: Vec::new(), guarded: Vec::new() };
        for change in changes {
            bench.change(change)?;
        }
        Ok(bench)
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    pub(crate) fn needs_rights(&self) -> bool {
        !self.guarded.is_empty()
    }

    fn change(&mut self, change: &Change) -> Result<(), String> {
        let path = self.path.join(&change.file);
        let read = || fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", change.file));
        let cleared = || {
            if path.is_dir() {
                fs::remove_dir_all(&path).unwrap();
            } else if path.symlink_metadata().is_ok() {
                fs::remove_file(&path).unwrap();
            }
        };
        match &change.how {
            How::Replace([from, to]) | How::ReplaceAll([from, to]) => {
                let text = read();
                assert!(text.contains(from.as_str()), "{}: no {from:?} in it", change.file);
                let times = if matches!(change.how, How::Replace(_)) { 1 } else { usize::MAX };
                fs::write(&path, text.replacen(from.as_str(), to, times)).unwrap();
            }
            How::Line((number, line)) => {
                let text = read();
                let mut lines: Vec<&str> = text.lines().collect();
                lines[number - 1] = line;
                fs::write(&path, lines.join("\n") + "\n").unwrap();
            }
            How::Text(text) => fs::write(&path, text).unwrap(),
            How::Bytes(digits) => fs::write(&path, bytes(digits)).unwrap(),
            How::At((at, digits)) => {
                let mut file = File::options().write(true).open(&path).unwrap();
                file.seek(SeekFrom::Start(*at as u64)).unwrap();
                file.write_all(&bytes(digits)).unwrap();
            }
            How::Times((times, text)) => fs::write(&path, text.repeat(*times)).unwrap(),
            How::Append(text) => {
                let mut file = File::options().append(true).open(&path).unwrap();
                file.write_all(text.as_bytes()).unwrap();
            }
            How::KeepBytes(length) => {
                let file = File::options().write(true).open(&path).unwrap();
                assert!(file.metadata().unwrap().len() > *length, "{} is no longer", change.file);
                file.set_len(*length).unwrap();
            }
            How::KeepLines(count) => {
                let text = read();
                let kept: Vec<&str> = text.split_inclusive('\n').take(*count).collect();
                fs::write(&path, kept.concat()).unwrap();
            }
            How::Sparse(length) => {
                let file = File::options().write(true).create(true).truncate(false).open(&path).unwrap();
                file.set_len(*length)
                    .map_err(|error| format!("no sparse file of {length} bytes: {error}"))?;
            }
            How::CopyOf(other) => fs::write(&path, fs::read(self.path.join(other)).unwrap()).unwrap(),
            How::Remove(Yes) => cleared(),
            How::Folder(Yes) => {
                cleared();
                fs::create_dir(&path).unwrap();
            }
            How::Pipe(Yes) => {
                cleared();
                let made = Command::new("mkfifo").arg(&path).stderr(Stdio::null()).status();
                if !made.is_ok_and(|status| status.success()) {
                    return Err("no named pipe can be made here".to_owned());
                }
            }
            How::Link(to) => {
                cleared();
                link(to, &path)?;
            }
            How::Rights(mode) => {
                rights(&path, u32::from_str_radix(mode, 8).unwrap())?;
                self.guarded.push(path);
            }
            How::Disk(kib) => {
                cleared();
                fs::create_dir(&path).unwrap();
                let size = format!("size={kib}k");
                let mounted = Command::new("mount")
                    .args(["-t", "tmpfs", "-o", &size, "tmpfs"])
                    .arg(&path)
                    .stderr(Stdio::null())
                    .status();
                if !mounted.is_ok_and(|status| status.success()) {
                    return Err("no small disk can be mounted here".to_owned());
                }
                self.disks.push(path);
            }
        }
        Ok(())
    }

    /// What lies in the folder, by its path: what a file holds (of a large one its length), and of anything else its kind.
    pub(crate) fn files(&self) -> BTreeMap<String, Vec<u8>> {
        const LARGE: u64 = 1 << 24;
        let mut all = BTreeMap::new();
        let mut folders = vec![self.path.clone()];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(&folder).into_iter().flatten().map(Result::unwrap) {
                let (path, kind) = (entry.path(), entry.file_type().unwrap());
                let content = if kind.is_dir() {
                    folders.push(path.clone());
                    b"a folder".to_vec()
                } else if !kind.is_file() {
                    format!("{kind:?}").into_bytes()
                } else if entry.metadata().unwrap().len() > LARGE {
                    format!("{} bytes", entry.metadata().unwrap().len()).into_bytes()
                } else {
                    fs::read(&path).unwrap_or_else(|error| error.to_string().into_bytes())
                };
                all.insert(path.strip_prefix(&self.path).unwrap().to_str().unwrap().to_owned(), content);
            }
        }
        all
    }

    /// Lets the command run by a user who has no rights but those of everybody; false where that cannot be.
    #[cfg(unix)]
    pub(crate) fn take_rights_from(&self, command: &mut Command) -> bool {
        use std::os::unix::fs::MetadataExt;
        use std::os::unix::process::CommandExt;
        if fs::metadata(&self.path).unwrap().uid() != 0 {
            // Whoever is not root is bound by rights anyway.
            return true;
        }
        let parent = self.path.parent().unwrap();
        rights(parent, 0o755).unwrap();
        for (path, _) in self.files() {
            let path = self.path.join(path);
            if !self.guarded.contains(&path) && path.is_dir() {
                rights(&path, 0o777).unwrap();
            }
        }
        if !self.guarded.contains(&self.path) {
            rights(&self.path, 0o777).unwrap();
        }
        // The user and group that own nothing, on Linux by convention.
        command.uid(65_534).gid(65_534);
        true
    }

    #[cfg(not(unix))]
    pub(crate) fn take_rights_from(&self, _: &mut Command) -> bool {
        false
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        for disk in &self.disks {
            let _ = Command::new("umount").arg(disk).status();
        }
        for path in &self.guarded {
            let _ = rights(path, 0o755);
        }
    }
}

#[cfg(unix)]
fn link(to: &str, path: &Path) -> Result<(), String> {
    std::os::unix::fs::symlink(to, path).map_err(|error| error.to_string())
}

#[cfg(not(unix))]
fn link(_: &str, _: &Path) -> Result<(), String> {
    Err("no symbolic links here".to_owned())
}

#[cfg(unix)]
fn rights(path: &Path, mode: u32) -> Result<(), String> {
    use std::os::unix::fs::PermissionsExt;
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).map_err(|error| error.to_string())
}

#[cfg(not(unix))]
fn rights(_: &Path, _: u32) -> Result<(), String> {
    Err("no such rights here".to_owned())
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        let to = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &to);
        } else {
            fs::copy(entry.path(), to).unwrap();
        }
    }
}
