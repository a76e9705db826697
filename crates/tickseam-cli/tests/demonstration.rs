//! The built-in recording: what it is made of, and that it aligns.

use std::collections::BTreeMap;
use std::fs;
use std::process::Command;

use tickseam_cli::{demonstration, simulated};
use tickseam_sim::{Scenario, simulate};

/// A few hundred kilobytes at most may be built in.
const MOST_BYTES: usize = 400_000;

#[test]
fn the_built_in_recording_is_its_scenario_simulated_bit_for_bit() {
    let scenario = Scenario::from_toml(demonstration::SCENARIO).unwrap();
    let session = simulate(&scenario, demonstration::SEED).unwrap();
    let folder = tempfile::tempdir().unwrap();
    tickseam_record::write_recording(folder.path(), &simulated::recording(&session).unwrap()).unwrap();
    let mut written = BTreeMap::new();
    for entry in fs::read_dir(folder.path()).unwrap() {
        let entry = entry.unwrap();
        written.insert(entry.file_name().into_string().unwrap(), fs::read(entry.path()).unwrap());
    }
    let packed: BTreeMap<String, Vec<u8>> =
        demonstration::unpack(demonstration::PACKED).unwrap().into_iter().collect();
    assert_eq!(packed.keys().collect::<Vec<_>>(), written.keys().collect::<Vec<_>>());
    for (name, bytes) in &written {
        assert!(packed[name] == *bytes, "{name} differs: run the example renew_demonstration");
    }
    assert!(demonstration::PACKED.len() <= MOST_BYTES, "{} bytes", demonstration::PACKED.len());
}

#[test]
fn packing_gives_back_what_was_packed_and_nonsense_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("recording.toml"), "format = 1\n").unwrap();
    fs::write(folder.path().join("packets.csv"), "").unwrap();
    fs::write(folder.path().join("private.txt"), "not packed").unwrap();
    let packed = demonstration::pack(folder.path()).unwrap();
    let files = demonstration::unpack(&packed).unwrap();
    assert_eq!(
        files,
        [("recording.toml".to_owned(), b"format = 1\n".to_vec()), ("packets.csv".to_owned(), vec![])]
    );
    assert_eq!(demonstration::unpack(b"nonsense"), None);
    for plain in ["../evil 1\nx", "packets.csv 9\nx", "packets.csv", "packets.csv -1\n"] {
        let deflated = miniz_oxide::deflate::compress_to_vec(plain.as_bytes(), 6);
        assert_eq!(demonstration::unpack(&deflated), None, "{plain}");
    }
}

#[test]
fn replay_without_a_folder_aligns_the_demonstration() {
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_tickseam"))
        .arg("replay")
        .current_dir(folder.path())
        .output()
        .unwrap();
    let summary = String::from_utf8(output.stdout).unwrap();
    assert_eq!((output.status.code(), output.stderr.as_slice()), (Some(0), &b""[..]));
    assert!(summary.lines().all(|line| line.chars().count() <= 80), "{summary}");
    assert!(summary.contains("demonstration-aligned"), "{summary}");
    let alignment = fs::read(folder.path().join("demonstration-aligned/alignment.json")).unwrap();
    let alignment: serde_json::Value = serde_json::from_slice(&alignment).unwrap();
    let errors = &alignment["error_against_truth"];
    let ms = |of: &str, what: &str| errors[of][what].as_f64().unwrap();
    // The job itself: a trial within a millisecond, and honestly so; least squares is off by several.
    assert!(ms("placement", "p99_ms") < 1.0, "{errors}");
    assert!(errors["interval_held_share"].as_f64().unwrap() >= 0.95, "{errors}");
    assert!(ms("least_squares", "median_ms") > 3.0, "{errors}");
    assert!(alignment["events"]["in_gap"].as_u64().unwrap() > 0);
    assert_eq!(alignment["segments"].as_array().unwrap().len(), 1);
    // What was unpacked is cleared away.
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}
