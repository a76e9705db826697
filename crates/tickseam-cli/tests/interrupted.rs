//! Runs that are stopped at random moments: in a folder stand the old results or the new ones, whole, or nothing.
#![cfg(unix)]

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use common::{Moments, files, said, set_version, stopped};

const SIGNALS: [&str; 3] = ["INT", "TERM", "KILL"];

/// A minute of two streams, with samples, in the folder `session` beside its scenario.
const SCENARIO: &str = "duration_s = 60\n[host]\nloss = 0.01\n[response.target]\n[background]\n";

fn session() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("scenario.toml"), SCENARIO).unwrap();
    let (status, _, errors) = said(&["simulate", "scenario.toml", "--out", "session"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    folder
}

type Files = BTreeMap<PathBuf, Vec<u8>>;

/// What lies there under names of its own: not what an unfinished run hides behind a dot.
fn results(folder: &Path) -> Files {
    files(folder).into_iter().filter(|(path, _)| !path.to_str().unwrap().starts_with('.')).collect()
}

/// How long a run takes that nobody stops.
fn whole_run(arguments: &[&str], inside: &Path) -> Duration {
    let started = Instant::now();
    let (status, _, errors) = said(arguments, inside);
    assert_eq!((status, errors.as_str()), (0, ""), "{arguments:?}");
    started.elapsed()
}

/// Stops a run at a random moment of the time that it is thought to take; false where it was done before. What is thought follows what
/// is seen, so that about half of the runs get through whatever else the machine does.
fn stopped_within(
    took: &mut Duration,
    moments: &mut Moments,
    arguments: &[&str],
    inside: &Path,
    signal: &str,
) -> bool {
    let was_stopped = stopped(arguments, inside, took.mul_f64(1.5 * moments.share()), signal);
    *took = took.mul_f64(if was_stopped { 1.2 } else { 0.8 });
    was_stopped
}

/// Replays one recording of two versions into one results folder, stopped each time.
fn replay_stopped(rounds: usize) {
    let folder = session();
    let of = |version: usize| {
        set_version(&folder.path().join("session"), version);
        let out = format!("reference-{version}");
        let took = whole_run(&["replay", "session", "--out", &out], folder.path());
        (results(&folder.path().join(out)), took)
    };
    let [(old, _), (new, mut took)] = [of(0), of(1)];
    let versions = [old, new];
    assert!(versions[0] != versions[1] && versions[0].keys().eq(versions[1].keys()));
    let all = folder.path().join("results");
    set_version(&folder.path().join("session"), 0);
    whole_run(&["replay", "session", "--out", "results"], folder.path());

    let (mut moments, mut stops, mut seen) = (Moments::new(), 0, [0; 2]);
    for round in 0..rounds {
        set_version(&folder.path().join("session"), round.div_ceil(2) % 2);
        let signal = SIGNALS[round % SIGNALS.len()];
        let arguments = ["replay", "session", "--out", "results"];
        stops += usize::from(stopped_within(&mut took, &mut moments, &arguments, folder.path(), signal));
        let found = results(&all);
        assert!(found.keys().eq(versions[0].keys()), "round {round}: {:?}", found.keys());
        match versions.iter().position(|version| *version == found) {
            Some(which) => seen[which] += 1,
            None => panic!("round {round}, {signal}: neither the old results nor the new ones, whole"),
        }
    }
    println!(
        "{stops} of {rounds} runs were stopped; results seen of one version {}, of the other {}, mixed none",
        seen[0], seen[1]
    );
    assert!(stops * 5 > rounds && stops < rounds && seen[0] > 0 && seen[1] > 0, "{stops} {seen:?}");
    // The next run that nobody stops tidies up after all of them.
    whole_run(&["replay", "session", "--out", "results"], folder.path());
    let hidden =
        |path: &PathBuf| path.components().any(|part| part.as_os_str().to_str().unwrap().starts_with('.'));
    let left: Vec<PathBuf> = files(folder.path()).into_keys().filter(hidden).collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn a_replay_that_is_stopped_leaves_the_old_results_or_the_new_ones() {
    replay_stopped(15);
}

#[test]
#[ignore = "a hundred runs: cargo test -p tickseam-cli --test interrupted -- --ignored --nocapture"]
fn a_replay_that_is_stopped_a_hundred_times_leaves_the_old_results_or_the_new_ones() {
    replay_stopped(100);
}

/// What the other verbs write, stopped a few times each.
#[test]
fn what_other_verbs_write_is_whole_or_not_there_when_they_are_stopped() {
    let folder = session();
    let captures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/open_formats/captures/phone");
    for name in ["phone.btsnoop", "layout.toml"] {
        fs::copy(captures.join(name), folder.path().join(name)).unwrap();
    }
    let mut moments = Moments::new();
    for (verb, arguments) in [
        ("simulate", &["simulate", "scenario.toml", "--out"][..]),
        (
            "unpack",
            &["unpack", "phone.btsnoop", "--layout", "layout.toml", "--peer", "C0:FF:EE:00:00:01", "--out"],
        ),
        ("average", &["average", "session", "--label", "target", "--rounds", "200", "--out"]),
        ("export", &["export", "session", "--out"]),
    ] {
        // `export` writes a file, the others a folder of files.
        let place = |folder: &str| {
            if verb == "export" { format!("{folder}/eeg.edf") } else { folder.to_owned() }
        };
        let reference = format!("{verb}-whole");
        let out = place(&reference);
        let mut took = whole_run(&[arguments, &[out.as_str()]].concat(), folder.path());
        let whole = results(&folder.path().join(&reference));
        assert!(!whole.is_empty());
        let mut stops = 0;
        for (round, signal) in SIGNALS.iter().cycle().take(6).enumerate() {
            let target = format!("{verb}-{round}");
            let out = place(&target);
            let arguments = [arguments, &[out.as_str()]].concat();
            stops += usize::from(stopped_within(&mut took, &mut moments, &arguments, folder.path(), signal));
            let found = results(&folder.path().join(&target));
            assert!(found.is_empty() || found == whole, "{verb}, {signal}: {:?}", found.keys());
        }
        println!("{verb}: {stops} of 6 runs were stopped");
        assert!(stops > 0, "{verb}");
    }
}

/// The folder cannot be replaced there, since nothing can be made beside it: files get their names one after the other.
#[test]
fn a_name_that_cannot_be_given_leaves_the_old_results() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
    use std::os::unix::process::CommandExt;
    let folder = session();
    if fs::metadata(folder.path()).unwrap().uid() != 0 {
        println!("skipped: only root can run the command as somebody else");
        return;
    }
    // In a folder with this bit a file of somebody else cannot be replaced.
    let set = |path: &Path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    let all = folder.path().join("results");
    fs::create_dir(&all).unwrap();
    set(folder.path(), 0o755);
    set(&all, 0o1777);
    let replay = |version: usize| {
        set_version(&folder.path().join("session"), version);
        let mut command = common::command(&["replay", "session", "--out", "results"], folder.path());
        command.uid(65_534).gid(65_534).output()
    };
    let Ok(first) = replay(0) else {
        println!("skipped: another user cannot run the command here");
        return;
    };
    assert!(first.status.success(), "{}", common::text(&first.stderr));
    let before = results(&all);
    chown(all.join("events.json"), Some(0), Some(0)).unwrap();
    let second = replay(1).unwrap();
    assert_eq!(second.status.code(), Some(1));
    assert_eq!(
        common::text(&second.stderr),
        "tickseam: results/events.json: cannot be renamed: Operation not permitted (os error 1)\n"
    );
    assert!(files(&all) == before, "of two runs, or something is left");
}
