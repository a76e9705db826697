use std::collections::BTreeMap;

use super::*;
use crate::many::table::Row;

/// All files below a folder with their contents.
fn files(folder: &Path) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    for entry in fs::read_dir(folder).unwrap().map(Result::unwrap) {
        let name = entry.file_name().into_string().unwrap();
        if entry.file_type().unwrap().is_dir() {
            all.extend(
                files(&entry.path()).into_iter().map(|(below, text)| (format!("{name}/{below}"), text)),
            );
        } else {
            all.insert(name, fs::read_to_string(entry.path()).unwrap());
        }
    }
    all
}

fn fill(texts: &'static [(&'static str, &'static str)]) -> impl FnOnce(&Path) -> Result<Filled, String> {
    move |folder| {
        for (name, text) in texts {
            fs::write(folder.join(name), text).unwrap();
        }
        let row = Row::failed("a".to_owned(), String::new());
        Ok(Filled { options: Vec::new(), inputs: Vec::new(), row })
    }
}

fn names(folder: &Path) -> Vec<String> {
    files(folder).into_keys().collect()
}

#[test]
fn new_results_take_the_place_of_old_ones_and_leave_what_is_somebodys_own() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("site/a");
    let place = Place::of(&target);
    place.tidy().unwrap();
    place.replace(fill(&[("events.tsv", "1"), ("report.html", "1")])).unwrap();
    fs::write(target.join("my notes.txt"), "mine").unwrap();
    fs::create_dir(target.join("pictures")).unwrap();
    fs::write(target.join("pictures/one"), "mine too").unwrap();
    let run = place.replace(fill(&[("events.tsv", "2"), ("gaps.csv", "2")])).unwrap();
    assert_eq!(
        run.results.iter().map(|file| file.file.as_str()).collect::<Vec<_>>(),
        ["events.tsv", "gaps.csv"]
    );
    // The report of the older run is gone: it would be of other results.
    assert_eq!(names(&target), ["events.tsv", "gaps.csv", "my notes.txt", "pictures/one", "run.json"]);
    assert_eq!(files(&target)["events.tsv"], "2");
    assert_eq!(names(folder.path()).len(), 5, "{:?}", names(folder.path()));
}

#[test]
fn what_fails_leaves_the_old_results() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("a");
    let place = Place::of(&target);
    place.replace(fill(&[("events.tsv", "1")])).unwrap();
    let before = files(folder.path());
    let outcome = place.replace(|folder| {
        fs::write(folder.join("events.tsv"), "2").unwrap();
        Err("no".to_owned())
    });
    assert_eq!(outcome.unwrap_err(), "no");
    assert_eq!(files(folder.path()), before);
    let in_the_way = folder.path().join("file");
    fs::write(&in_the_way, "").unwrap();
    let refused = Place::of(&in_the_way).replace(fill(&[])).unwrap_err();
    assert!(refused.contains("found something that is no folder"), "{refused}");
}

/// Every state that a killed run can leave, and what the next one makes of it.
#[test]
fn whatever_a_killed_run_left_is_tidied_up() {
    let old: &[_] = &[("events.tsv", "old"), ("gaps.csv", "old")];
    let new: &[_] = &[("events.tsv", "new")];
    let make = |folder: &Path, name: &str, texts: &'static [(&'static str, &'static str)]| {
        Place::of(&folder.join(name)).replace(fill(texts)).unwrap();
    };
    for left in [".a.new", ".a.ready", ".a.old"] {
        for target_there in [true, false] {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path();
            // `a` holds the old ones, and what was left holds new ones, or those that were exchanged for them.
            if target_there {
                make(path, "a", old);
            }
            make(path, "b", new);
            fs::write(path.join("b/mine"), "").unwrap();
            fs::rename(path.join("b"), path.join(left)).unwrap();
            let place = Place::of(&path.join("a"));
            place.tidy().unwrap();
            let expected: &[&str] = match (left, target_there) {
                // Never complete: nothing in it is of use.
                (".a.new", true) => &["a/events.tsv", "a/gaps.csv", "a/run.json"],
                (".a.new", false) => &[],
                (_, true) => &["a/events.tsv", "a/gaps.csv", "a/mine", "a/run.json"],
                (_, false) => &["a/events.tsv", "a/mine", "a/run.json"],
            };
            assert_eq!(names(path), expected, "{left} {target_there}");
            if target_there {
                assert_eq!(files(path)["a/events.tsv"], "old");
            }
            place.tidy().unwrap();
            assert_eq!(names(path), expected);
        }
    }
}

#[test]
fn without_an_exchange_two_steps_do_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("a");
    let place = Place::of(&target);
    place.replace(fill(&[("events.tsv", "1"), ("gaps.csv", "1")])).unwrap();
    fs::write(target.join("mine"), "").unwrap();
    // The first of the two steps, as if the run had been killed after it.
    fs::rename(&target, &place.old).unwrap();
    place.tidy().unwrap();
    assert_eq!(names(&target), ["events.tsv", "gaps.csv", "mine", "run.json"]);
    // Both steps.
    fs::rename(&target, &place.old).unwrap();
    place.replace(fill(&[("events.tsv", "2")])).unwrap();
    place.tidy().unwrap();
    assert_eq!(names(&target), ["events.tsv", "mine", "run.json"]);
    assert_eq!(names(folder.path()).len(), 3);
}

#[test]
fn results_hold_only_while_everything_is_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let (recording, target) = (folder.path().join("recording"), folder.path().join("a"));
    fs::create_dir(&recording).unwrap();
    for name in ["recording.toml", "packets.csv"] {
        fs::write(recording.join(name), "same length 1").unwrap();
    }
    let place = Place::of(&target);
    let filled = |folder: &Path| {
        fs::write(folder.join("events.tsv"), "text").unwrap();
        let inputs = hash_inputs(&recording).unwrap();
        let row = Row::failed("a".to_owned(), String::new());
        Ok(Filled { options: vec!["x".to_owned()], inputs, row })
    };
    let run = place.replace(filled).unwrap();
    let options = ["x".to_owned()];
    assert_eq!(Run::of(&target).as_ref(), Some(&run));
    assert!(run.still_holds(&target, &recording, &options));
    assert!(!run.still_holds(&target, &recording, &[]));
    for other in [
        Run { tickseam: "0.0.0".to_owned(), ..run.clone() },
        Run { numerics_revision: 1, ..run.clone() },
        Run { version: 2, ..run.clone() },
        Run {
            results: vec![InputFile { file: "../recording/packets.csv".to_owned(), ..run.inputs[1].clone() }],
            ..run.clone()
        },
    ] {
        assert!(!other.still_holds(&target, &recording, &options), "{other:?}");
    }
    let changes: [(&Path, &str, &str); 3] = [
        (&recording, "packets.csv", "same length 2"),
        (&recording, "events.csv", "a file more"),
        (&target, "events.tsv", "tex?"),
    ];
    for (where_it_lies, name, text) in changes {
        let path = where_it_lies.join(name);
        let before = fs::read(&path).ok();
        fs::write(&path, text).unwrap();
        assert!(!run.still_holds(&target, &recording, &options), "{name}");
        match before {
            Some(before) => fs::write(&path, before).unwrap(),
            None => fs::remove_file(&path).unwrap(),
        }
        assert!(run.still_holds(&target, &recording, &options));
    }
    fs::remove_file(target.join("events.tsv")).unwrap();
    assert!(!run.still_holds(&target, &recording, &options));
    fs::write(target.join(FILE), "{").unwrap();
    assert_eq!(Run::of(&target), None);
}
