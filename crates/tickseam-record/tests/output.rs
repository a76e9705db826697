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
    assert!(deep.parent().unwrap().exists() && !deep.exists());
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
    let message = "found something that is no folder, expected a folder, or a name that is free";
    assert_eq!(error, format!("{}: {message}", file.display()));

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

#[test]
fn a_retired_name_goes_with_the_commit_unless_it_was_written() {
    for open in [OutputFolder::open, OutputFolder::open_in_place] {
        let folder = tempfile::tempdir().unwrap();
        for name in ["a.txt", "b.txt", "c.txt"] {
            fs::write(folder.path().join(name), "old").unwrap();
        }
        let mut output = open(folder.path()).unwrap();
        for name in ["a.txt", "b.txt", "absent.txt"] {
            output.retire(name);
        }
        output.write("a.txt", |out| out.write_all(b"new")).unwrap();
        output.commit().unwrap();
        assert_eq!(names(folder.path()), ["a.txt", "c.txt"]);
        assert_eq!(fs::read_to_string(folder.path().join("a.txt")).unwrap(), "new");

        let mut output = open(folder.path()).unwrap();
        output.retire("c.txt");
        drop(output);
        assert_eq!(names(folder.path()), ["a.txt", "c.txt"]);
    }
}

#[cfg(unix)]
mod unix {
    use std::fs::File;
    use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};

    use super::*;

    fn write(output: &mut OutputFolder, files: &[(&str, &str)]) {
        for (name, text) in files {
            output.write(name, |out| out.write_all(text.as_bytes())).unwrap();
        }
    }

    #[test]
    fn the_folder_is_replaced_whole_and_keeps_ones_own_files_its_mode_and_links_to_it() {
        let parent = tempfile::tempdir().unwrap();
        let (real, link) = (parent.path().join("real"), parent.path().join("link"));
        fs::create_dir(&real).unwrap();
        fs::write(real.join("a.txt"), "old").unwrap();
        fs::write(real.join("mine"), "mine").unwrap();
        symlink("nowhere", real.join("dangling")).unwrap();
        fs::set_permissions(&real, fs::Permissions::from_mode(0o750)).unwrap();
        symlink("real", &link).unwrap();
        let inode = |path: &Path| fs::metadata(path).unwrap().ino();
        let (folder_before, mine_before) = (inode(&real), inode(&real.join("mine")));
        let mut output = OutputFolder::open(&link).unwrap();
        write(&mut output, &[("a.txt", "new"), ("b.txt", "more")]);
        assert_eq!(names(&real), ["a.txt", "dangling", "mine"]);
        output.commit().unwrap();
        assert_eq!(names(&real), ["a.txt", "b.txt", "dangling", "mine"]);
        assert_eq!(names(parent.path()), ["link", "real"]);
        assert_eq!(fs::read_to_string(link.join("a.txt")).unwrap(), "new");
        assert_eq!(inode(&real.join("mine")), mine_before);
        assert_eq!(fs::metadata(&real).unwrap().mode() & 0o7777, 0o750);
        if cfg!(any(target_os = "linux", target_os = "android", target_vendor = "apple")) {
            assert_ne!(inode(&real), folder_before, "it was written in place");
        }
    }

    #[test]
    fn a_folder_with_folders_in_it_is_written_in_place() {
        let parent = tempfile::tempdir().unwrap();
        let folder = parent.path().join("folder");
        fs::create_dir_all(folder.join("pictures")).unwrap();
        let before = fs::metadata(&folder).unwrap().ino();
        let mut output = OutputFolder::open(&folder).unwrap();
        write(&mut output, &[("a.txt", "new")]);
        output.commit().unwrap();
        assert_eq!(names(&folder), ["a.txt", "pictures"]);
        assert_eq!(fs::metadata(&folder).unwrap().ino(), before);

        let late = parent.path().join("late");
        fs::create_dir(&late).unwrap();
        let mut output = OutputFolder::open(&late).unwrap();
        write(&mut output, &[("a.txt", "new"), ("b.txt", "new")]);
        // One that appears while it is written.
        fs::create_dir(late.join("pictures")).unwrap();
        output.commit().unwrap();
        assert_eq!(names(&late), ["a.txt", "b.txt", "pictures"]);
        assert_eq!(names(parent.path()), ["folder", "late"]);
    }

    #[test]
    fn what_killed_runs_left_goes_and_what_is_in_use_or_somebodys_own_stays() {
        let parent = tempfile::tempdir().unwrap();
        let folder = parent.path().join("folder");
        fs::create_dir(&folder).unwrap();
        for name in [".a.txt.7-0.partial", ".a.txt.7-1.partial", ".a.txt.x-0.partial", ".c.txt.7-0.partial"] {
            fs::write(folder.join(name), "").unwrap();
        }
        for name in [".folder.7-0.partial", ".folder.7-1.partial", ".other.7-0.partial", ".folder.partial"] {
            fs::create_dir(parent.path().join(name)).unwrap();
            fs::write(parent.path().join(name).join("a.txt"), "").unwrap();
        }
        let held = [folder.join(".a.txt.7-1.partial"), parent.path().join(".folder.7-1.partial")]
            .map(|path| File::open(path).unwrap());
        held.iter().for_each(|file| file.try_lock().unwrap());
        let mut output = OutputFolder::open(&folder).unwrap();
        write(&mut output, &[("a.txt", "new")]);
        output.commit().unwrap();
        assert_eq!(
            names(&folder),
            [".a.txt.7-1.partial", ".a.txt.x-0.partial", ".c.txt.7-0.partial", "a.txt"]
        );
        assert_eq!(
            names(parent.path()),
            [".folder.7-1.partial", ".folder.partial", ".other.7-0.partial", "folder"]
        );
    }
}
