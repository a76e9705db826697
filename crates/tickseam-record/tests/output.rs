//! Output is whole or absent, whatever fails.

use std::fs;
use std::io;
use std::path::Path;

use tickseam_record::OutputFolder;

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn files_appear_only_on_commit_and_replace_the_old_ones() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("a.txt"), "old").unwrap();
    let mut output = OutputFolder::open(folder.path()).unwrap();
    output.write("a.txt", |out| out.write_all(b"new")).unwrap();
    output.write("b.txt", |out| out.write_all(b"more")).unwrap();
    assert_eq!(fs::read_to_string(folder.path().join("a.txt")).unwrap(), "old");
    assert!(!folder.path().join("b.txt").exists());
    let written = output.commit().unwrap();
    assert_eq!(written, [folder.path().join("a.txt"), folder.path().join("b.txt")]);
    assert_eq!(fs::read_to_string(folder.path().join("a.txt")).unwrap(), "new");
    assert_eq!(names(folder.path()), ["a.txt", "b.txt"]);
}

#[test]
fn a_failing_writer_leaves_the_old_files_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("a.txt"), "old").unwrap();
    {
        let mut output = OutputFolder::open(folder.path()).unwrap();
        output.write("a.txt", |out| out.write_all(b"new")).unwrap();
        let error = output
            .write("b.txt", |out| {
                out.write_all(&[b'x'; 100_000])?;
                Err(io::Error::other("the disk is full"))
            })
            .unwrap_err();
        let path = folder.path().join("b.txt");
        assert_eq!(error.to_string(), format!("{}: cannot be written: the disk is full", path.display()));
    }
    assert_eq!(names(folder.path()), ["a.txt"]);
    assert_eq!(fs::read_to_string(folder.path().join("a.txt")).unwrap(), "old");
}

#[test]
fn an_abandoned_output_takes_its_folders_with_it() {
    let parent = tempfile::tempdir().unwrap();
    let deep = parent.path().join("x/y/z");
    let mut output = OutputFolder::open(&deep).unwrap();
    output.write("a.txt", |out| out.write_all(b"new")).unwrap();
    assert!(deep.exists());
    drop(output);
    assert_eq!(names(parent.path()), [""; 0]);
    let mut output = OutputFolder::open(&deep).unwrap();
    output.write("a.txt", |out| out.write_all(b"new")).unwrap();
    output.commit().unwrap();
    assert_eq!(names(&deep), ["a.txt"]);
}

#[test]
fn the_recording_itself_is_refused_by_whatever_path() {
    let parent = tempfile::tempdir().unwrap();
    let recording = parent.path().join("recording");
    fs::create_dir(&recording).unwrap();
    let mut paths = vec![recording.clone(), recording.join("."), recording.join("../recording")];
    #[cfg(unix)]
    {
        let link = parent.path().join("link");
        std::os::unix::fs::symlink(&recording, &link).unwrap();
        paths.push(link);
    }
    for path in paths {
        let error = OutputFolder::open_apart_from(&recording, &path).unwrap_err().to_string();
        assert_eq!(
            error,
            format!(
                "{}: found the recording that is being read, expected another folder for what is written",
                path.display()
            )
        );
    }
    OutputFolder::open_apart_from(&recording, &recording.join("aligned")).unwrap();
}

#[test]
fn what_is_in_the_way_is_named() {
    let parent = tempfile::tempdir().unwrap();
    let file = parent.path().join("file");
    fs::write(&file, "").unwrap();
    let error = OutputFolder::open(&file).unwrap_err().to_string();
    assert_eq!(
        error,
        format!(
            "{}: found something that is no folder, expected a folder, or a name that is free",
            file.display()
        )
    );
    let below = file.join("out");
    let error = OutputFolder::open(&below).unwrap_err().to_string();
    assert!(error.starts_with(&format!("{}: found something that is no folder", file.display())), "{error}");

    fs::create_dir(parent.path().join("a.txt")).unwrap();
    let mut output = OutputFolder::open(parent.path()).unwrap();
    let error = output.write("a.txt", |_| Ok(())).unwrap_err().to_string();
    let path = parent.path().join("a.txt");
    let message = "found something that is no file, expected a file, or a name that is free";
    assert_eq!(error, format!("{}: {message}", path.display()));
    let error = output.write("../b.txt", |_| Ok(())).unwrap_err().to_string();
    assert!(error.ends_with("found a path into another folder, expected a plain file name"), "{error}");

    // Something gets in the way between writing and renaming: no file is renamed at all.
    output.write("first.txt", |_| Ok(())).unwrap();
    output.write("second.txt", |_| Ok(())).unwrap();
    fs::create_dir(parent.path().join("second.txt")).unwrap();
    let error = output.commit().unwrap_err().to_string();
    assert_eq!(error, format!("{}: {message}", parent.path().join("second.txt").display()));
    assert_eq!(names(parent.path()), ["a.txt", "file", "second.txt"]);
}
