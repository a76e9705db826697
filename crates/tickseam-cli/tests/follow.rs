//! `tickseam follow`: what it says of rows that come in, against the live session and against the truth.

mod common;

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;
use tickseam::intake::{PacketStamp, StreamConfig};
use tickseam::placement::Shift;
use tickseam::session::{Session, SessionConfig, TickCounter};
use tickseam_record::{Description, write_recording};
use tickseam_sim::{Scenario, Simulated, simulate};

use common::text;

/// A recording folder simulated from a scenario, and the truth about it.
fn simulated(scenario: &str, seed: u64) -> (TempDir, Simulated, Scenario) {
    let scenario = Scenario::from_toml(scenario).unwrap();
    let session = simulate(&scenario, seed).unwrap();
    let folder = tempfile::tempdir().unwrap();
    write_recording(folder.path(), &tickseam_cli::simulated::recording(&session).unwrap()).unwrap();
    (folder, session, scenario)
}

fn start(folder: &Path, arguments: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_tickseam"))
        .args(["follow", "recording.toml"])
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Gives it rows in pieces, each after a pause.
fn follow_in_pieces(folder: &Path, arguments: &[&str], pieces: Vec<Vec<u8>>, pause: Duration) -> Output {
    let mut child = start(folder, arguments);
    let mut stdin = child.stdin.take().unwrap();
    let writer = std::thread::spawn(move || {
        for piece in pieces {
            // It may have refused a row before.
            if stdin.write_all(&piece).and_then(|()| stdin.flush()).is_err() {
                return;
            }
            std::thread::sleep(pause);
        }
    });
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    output
}

fn follow(folder: &Path, arguments: &[&str], rows: Vec<u8>) -> Output {
    follow_in_pieces(folder, arguments, vec![rows], Duration::ZERO)
}

fn rows_of(folder: &Path) -> Vec<u8> {
    fs::read(folder.join("packets.csv")).unwrap()
}

fn states(output: &Output) -> Vec<Value> {
    assert_eq!((output.status.code(), text(&output.stderr)), (Some(0), ""));
    text(&output.stdout).lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

const EVENTFUL: &str = "\
duration_s = 180
[host]
loss = 0.01
duplicates = 0.01
[[stream]]
name = \"scalp\"
[[stream]]
name = \"optical\"
rate_hz = 64.0
samples_per_packet = 8
start_ms = 50.0
[[fault]]
kind = \"reboot\"
at_s = 100.0
off_s = 4.0
";

#[test]
fn what_it_says_at_the_end_is_what_the_live_session_says() {
    for (scenario, seed) in [("duration_s = 90\n", 1), (EVENTFUL, 2), (EVENTFUL, 3)] {
        let (folder, session, _) = simulated(scenario, seed);
        let states = states(&follow(folder.path(), &["--json"], rows_of(folder.path())));
        let said = states.last().unwrap();
        assert_eq!(said["final"], true);
        assert!(states[..states.len() - 1].iter().all(|state| state["final"] == false));

        // The same packets, given to the core by hand.
        let toml = fs::read_to_string(folder.path().join("recording.toml")).unwrap();
        let known = Description::from_toml(&toml, &mut Vec::new()).unwrap();
        let streams: Vec<StreamConfig> = known
            .streams
            .iter()
            .map(|stream| StreamConfig {
                rate_hz: stream.rate_hz,
                samples_per_packet: stream.samples_per_packet.into(),
                sequence_bits: stream.sequence_bits,
            })
            .collect();
        let mut live = Session::<4>::new(&SessionConfig {
            ticks: Some(TickCounter {
                hz: known.device_clock.tick_hz.unwrap(),
                bits: known.device_clock.tick_bits.unwrap(),
            }),
            tolerance_ppm: known.device_clock.tolerance_ppm,
            host_step_us: known.host_clock.resolution_ns / 1e3,
            fixed_delay: Some(Shift {
                us: known.link.fixed_delay_ms.unwrap() * 1e3,
                u_us: known.link.fixed_delay_u_ms.unwrap() * 1e3,
            }),
            interval_us: known.link.connection_interval_ms.map(|ms| ms * 1e3),
            streams: &streams,
        })
        .unwrap();
        for packet in &session.packets {
            let stamp = PacketStamp {
                host_ns: packet.host_ns,
                sequence: packet.sequence,
                tick: packet.tick,
                samples: packet.samples,
            };
            let _ = live.observe_packet(packet.stream.into(), stamp);
        }
        let now_ns = session.packets.last().unwrap().host_ns;
        let placed = live.place(now_ns, Shift::default()).unwrap();
        let map = live.map().unwrap();
        let bits = |key: &str| said[key].as_f64().map(f64::to_bits);
        assert_eq!(said["host_ns"], now_ns);
        assert_eq!(bits("onset_s"), Some(placed.placement.device_s.to_bits()));
        assert_eq!(bits("u95_ms"), Some((placed.placement.u95_us / 1e3).to_bits()));
        assert_eq!(bits("drift_ppm"), Some(map.drift_ppm().to_bits()));
        assert_eq!(said["segment"], placed.segment);
        assert_eq!(said["restarts"], live.segment());
        assert_eq!(said["origin_host_ns"], map.frame.host_origin_ns);
        let counters = live.counters().intake;
        assert_eq!(said["duplicates"], counters.duplicate);
        for (stream, of) in said["streams"].as_array().unwrap().iter().enumerate() {
            assert_eq!(of["packets_missing"], live.missing_packets(stream).unwrap());
        }
        let link = live.link();
        assert_eq!(bits("grid_interval_ms"), link.interval_us.map(|us| (us / 1e3).to_bits()));
        if scenario == EVENTFUL {
            assert_eq!(said["restarts"], 1);
            assert!(counters.duplicate > 0 && said["packets_missing"].as_u64().unwrap() > 0);
        }
    }
}

/// What is missing, counted from outside: of a session without restarts, the sequence numbers that never came between the first and the
/// last, and the runs that they make.
#[test]
fn losses_and_gaps_are_those_of_the_sequence_numbers() {
    for seed in 11..16 {
        let (folder, session, _) =
            simulated("duration_s = 120\n[device]\nfirst_sequence = 100\n[host]\nloss = 0.02\n", seed);
        let output = follow(folder.path(), &["--json"], rows_of(folder.path()));
        let states = states(&output);
        let said = states.last().unwrap();
        let came: std::collections::BTreeSet<u64> =
            session.packets.iter().map(|packet| packet.sequence).collect();
        let (first, last) = (*came.first().unwrap(), *came.last().unwrap());
        assert!(last - first < 60_000, "the counter wraps: take another way to count");
        let missing: Vec<u64> = (first..=last).filter(|number| !came.contains(number)).collect();
        let runs = missing.iter().filter(|number| came.contains(&(**number - 1))).count();
        assert!(missing.len() > 20);
        assert_eq!(said["packets_missing"], missing.len(), "seed {seed}");
        assert_eq!(said["packets_received"], came.len(), "seed {seed}");
        assert_eq!(said["gaps"], runs, "seed {seed}");
        let share = missing.len() as f64 / (missing.len() + came.len()) as f64;
        assert!((said["missing_share"].as_f64().unwrap() - share).abs() < 1e-12);
    }
}

/// Over many seeds the place that each line claims for its own stamp holds the truth within `u95_ms`.
#[test]
fn the_truth_lies_within_u95_in_the_lines_that_are_printed() {
    let (mut lines, mut held, mut sharp, mut worst) = (0_u32, 0_u32, 0_u32, 1.0_f64);
    for seed in 200..240 {
        let interval_ms = [15.0, 20.0, 30.0, 48.75][seed as usize % 4];
        let drift_ppm = [-25.0, -10.0, 10.0, 25.0, 40.0][seed as usize % 5];
        let scenario = format!(
            "duration_s = 240\n[device]\noffset_ppm = {drift_ppm:?}\n[link]\ninterval_ms = {interval_ms:?}\nerror_rate = 0.1\n\
             [host]\nloss = 0.005\n"
        );
        let (folder, session, scenario) = simulated(&scenario, seed);
        let clock = &session.truth.clock;
        // The timeline begins with the packet that came first; let it be the one that was sent first.
        let reference = || session.packets.iter().zip(&session.truth.first_sample_s);
        let (first, &first_s) = reference().next().unwrap();
        assert!(reference().take(50).all(|(packet, _)| packet.sequence >= first.sequence));
        let zero_s = clock.device_at_host(first_s);
        let output = follow(folder.path(), &["--json", "--every", "700ms"], rows_of(folder.path()));
        let (mut of_seed, mut held_of_seed) = (0_u32, 0_u32);
        for state in states(&output) {
            let (Some(onset_s), Some(u95_ms)) = (state["onset_s"].as_f64(), state["u95_ms"].as_f64()) else {
                continue;
            };
            let host_s = (state["host_ns"].as_i64().unwrap() - scenario.host.origin_ns) as f64 / 1e9;
            let error_ms = (onset_s - (clock.device_at_host(host_s) - zero_s)) * 1e3;
            of_seed += 1;
            held_of_seed += u32::from(error_ms.abs() <= u95_ms);
            sharp += u32::from(u95_ms < 40.0);
        }
        assert!(of_seed > 300, "{of_seed} lines");
        lines += of_seed;
        held += held_of_seed;
        worst = worst.min(f64::from(held_of_seed) / f64::from(of_seed));
    }
    let share = f64::from(held) / f64::from(lines);
    println!("{lines} lines of 40 seeds: held {:.2} %, worst seed {:.1} %", share * 100.0, worst * 100.0);
    assert!(share >= 0.95, "held {share}");
    // An interval that is never narrow would hold everything.
    assert!(f64::from(sharp) > 0.9 * f64::from(lines), "{sharp} of {lines}");
}

#[test]
fn the_same_rows_give_the_same_bytes_however_they_come() {
    let (folder, ..) = simulated(EVENTFUL, 5);
    let rows = rows_of(folder.path());
    for arguments in [&["--json"][..], &["--every", "500ms"][..], &[][..]] {
        let at_once = follow(folder.path(), arguments, rows.clone());
        assert_eq!(at_once.status.code(), Some(0));
        assert!(at_once.stdout.len() > 5000);
        let again = follow(folder.path(), arguments, rows.clone());
        assert!(again.stdout == at_once.stdout, "{arguments:?}");
        // Pieces of odd sizes, which end in the middle of rows and of numbers.
        for (size, pause_ms) in [(4001, 7), (97, 0)] {
            let pieces = rows.chunks(size).map(<[u8]>::to_vec).collect();
            let pause = Duration::from_millis(pause_ms);
            let slowly = follow_in_pieces(folder.path(), arguments, pieces, pause);
            assert!(slowly.stdout == at_once.stdout, "{arguments:?} {size}");
        }
    }
}

#[test]
fn a_line_is_there_before_the_next_row_is() {
    let (folder, ..) = simulated("duration_s = 20\n", 1);
    let rows = rows_of(folder.path());
    let mut child = start(folder.path(), &["--json"]);
    let mut stdin = child.stdin.take().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let second_row = rows.iter().enumerate().filter(|(_, byte)| **byte == b'\n').nth(1).unwrap().0 + 1;
    stdin.write_all(&rows[..second_row]).unwrap();
    // Were it held back, this would wait for ever.
    let first: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
    assert_eq!(first["state"], "waiting");
    assert_eq!(first["u95_ms"], Value::Null);
    stdin.write_all(&rows[second_row..]).unwrap();
    drop(stdin);
    assert!(lines.count() > 15);
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn its_words_follow_the_session() {
    let (folder, ..) = simulated(
        "duration_s = 200\n[[fault]]\nkind = \"disconnection\"\nat_s = 60.0\noff_s = 20.0\n[[fault]]\nkind = \"reboot\"\nat_s = 140.0\noff_s = 3.0\n",
        4,
    );
    let states = states(&follow(folder.path(), &["--json"], rows_of(folder.path())));
    let mut words: Vec<&str> = states.iter().map(|state| state["state"].as_str().unwrap()).collect();
    words.dedup();
    assert_eq!(words[..4], ["waiting", "cold", "tracking", "holdover"], "{words:?}");
    assert_eq!(words.last(), Some(&"tracking"));
    // The last line before the silence knows more than the one at its end.
    let at = states.iter().position(|state| state["state"] == "holdover").unwrap();
    let u95_ms = |at: usize| states[at]["u95_ms"].as_f64().unwrap();
    assert!(u95_ms(at) > u95_ms(at - 1), "{} {}", u95_ms(at - 1), u95_ms(at));
    assert!(states[at]["reference_age_s"].as_f64().unwrap() > 10.0);
    assert!(states[at]["holdover_ms"].as_f64().unwrap() > 0.0);
    let last = states.last().unwrap();
    assert_eq!((last["restarts"].as_u64(), last["segment"].as_u64()), (Some(1), Some(1)));
}

#[test]
fn plain_lines_have_a_heading_and_fit_80_columns() {
    let (folder, ..) = simulated(EVENTFUL, 6);
    let output = follow(folder.path(), &["--every", "10s"], rows_of(folder.path()));
    let said = text(&output.stdout);
    assert!(said.starts_with(&tickseam_cli::follow::heading()), "{said}");
    assert!(said.lines().count() > 18 && said.lines().all(|line| line.chars().count() <= 80), "{said}");
    assert!(!said.contains('\x1b') && !said.contains('\r'));
    assert!(said.lines().last().unwrap().contains("tracking"), "{said}");
}

#[test]
fn a_broken_row_is_named_by_line_and_column() {
    let (folder, ..) = simulated("duration_s = 20\n", 1);
    let mut rows: Vec<String> = text(&rows_of(folder.path())).lines().map(str::to_owned).collect();
    rows[16] = rows[16].replacen("eeg", "egg", 1);
    let output = follow(folder.path(), &["--json"], (rows.join("\n") + "\n").into_bytes());
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(
        text(&output.stderr),
        "tickseam: standard input line 17, column \"stream\" (2): found \"egg\", expected a stream of recording.toml: \"eeg\"\n"
    );
    // What was said before stays true; the row before the broken one is the last that counts.
    let last: Value = serde_json::from_str(text(&output.stdout).lines().last().unwrap()).unwrap();
    assert_eq!(last["packets_received"], 15);

    for (rows, message) in [
        ("", "standard input line 1: found an empty file, expected a header row"),
        (
            "host_ns,stream,sequence,samples\n",
            "standard input line 1: found the header \"host_ns,stream,sequence,samples\", expected a column \"tick\" in it",
        ),
    ] {
        let output = follow(folder.path(), &[], rows.into());
        assert_eq!(output.status.code(), Some(1));
        assert!(text(&output.stderr).contains(message), "{}", text(&output.stderr));
    }
}

#[test]
fn a_torn_last_row_is_left_out_and_told() {
    let (folder, ..) = simulated("duration_s = 20\n", 1);
    let rows = rows_of(folder.path());
    let whole = follow(folder.path(), &["--json"], rows.clone());
    let torn = follow(folder.path(), &["--json"], [rows.as_slice(), b"71234,ee"].concat());
    assert_eq!(torn.status.code(), Some(0));
    assert!(torn.stdout == whole.stdout);
    let line = text(&rows).lines().count() + 1;
    assert_eq!(
        text(&torn.stderr),
        format!(
            "tickseam: standard input line {line}: the last line breaks off without a line end and was left out\n"
        )
    );
}

#[test]
fn a_header_may_be_given_where_it_does_not_come() {
    let (folder, ..) = simulated("duration_s = 20\n", 1);
    let rows = rows_of(folder.path());
    let with = follow(folder.path(), &["--json"], rows.clone());
    let header_end = rows.iter().position(|byte| *byte == b'\n').unwrap() + 1;
    let bare = rows[header_end..].to_vec();
    let header = "host_ns,stream,sequence,tick,samples";
    let without = follow(folder.path(), &["--json", "--header", header], bare.clone());
    assert_eq!(without.status.code(), Some(0));
    assert!(with.stdout == without.stdout);
    let output = follow(folder.path(), &["--header", "host_ns,stream"], bare);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(
        text(&output.stderr),
        "tickseam: --header: header line 1: found the header \"host_ns,stream\", expected a column \"sequence\" in it\n"
    );
}

#[test]
fn fail_above_is_about_the_end() {
    let (folder, ..) = simulated("duration_s = 60\n", 1);
    let rows = rows_of(folder.path());
    let states = states(&follow(folder.path(), &["--json"], rows.clone()));
    let u95_ms = states.last().unwrap()["u95_ms"].as_f64().unwrap();
    let status = |most_ms: f64, rows: &[u8]| {
        let most = format!("{most_ms}ms");
        let output = follow(folder.path(), &["--fail-above", &most], rows.to_vec());
        (output.status.code(), text(&output.stderr).to_owned())
    };
    assert_eq!(status(u95_ms * 1.01, &rows), (Some(0), String::new()));
    let (failed, why) = status(u95_ms * 0.99, &rows);
    assert_eq!(failed, Some(1));
    assert!(why.contains("at the end the clock is known to within"), "{why}");
    let (failed, why) = status(1e6, b"host_ns,stream,sequence,tick,samples\n");
    assert_eq!(failed, Some(1));
    assert!(why.contains("nothing is known"), "{why}");
    let output = follow(folder.path(), &["--fail-above", "5"], rows);
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn a_description_that_cannot_be_followed_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (status, said) = {
        let output = follow(folder.path(), &[], Vec::new());
        (output.status.code(), text(&output.stderr).to_owned())
    };
    assert_eq!(status, Some(1));
    assert!(
        said.starts_with("tickseam: recording.toml: found no such file, expected a recording.toml"),
        "{said}"
    );
    let stream = |number: usize| {
        format!(
            "[[stream]]\nname = \"s{number}\"\nrate_hz = 250.0\nsamples_per_packet = 5\nsequence_bits = 16\n"
        )
    };
    let many: String = (0..17).map(stream).collect();
    fs::write(folder.path().join("recording.toml"), format!("format = 1\n{many}")).unwrap();
    let output = follow(folder.path(), &[], Vec::new());
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(
        text(&output.stderr),
        "tickseam: recording.toml: key \"stream\": found 17 of them, expected at most 16 to follow\n"
    );
}

/// A reader that goes away (`tickseam follow … | head -1`) is no failure and no panic.
#[cfg(unix)]
#[test]
fn a_closed_pipe_ends_quietly() {
    let (folder, ..) = simulated("duration_s = 60\n", 1);
    for arguments in [&["--json"][..], &[][..]] {
        let mut child = start(folder.path(), arguments);
        drop(child.stdout.take());
        let mut stdin = child.stdin.take().unwrap();
        let rows = rows_of(folder.path());
        // It may be gone before all is written.
        let writer = std::thread::spawn(move || drop(stdin.write_all(&rows)));
        let output = child.wait_with_output().unwrap();
        writer.join().unwrap();
        assert_eq!((output.status.code(), text(&output.stderr)), (Some(0), ""), "{arguments:?}");
    }
}

/// An interrupt says how it stands, though more rows could come.
#[cfg(unix)]
#[test]
fn an_interrupt_prints_the_final_state() {
    for signal in ["-INT", "-TERM"] {
        let (folder, ..) = simulated("duration_s = 60\n", 1);
        let whole = follow(folder.path(), &["--json"], rows_of(folder.path()));
        let mut child = start(folder.path(), &["--json"]);
        let mut stdin = child.stdin.take().unwrap();
        stdin.write_all(&rows_of(folder.path())).unwrap();
        stdin.flush().unwrap();
        // All rows but the end were taken in once the line before the last is there.
        let said = text(&whole.stdout).to_owned();
        let expected: Vec<&str> = said.lines().collect();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        for line in &expected[..expected.len() - 1] {
            assert_eq!(&lines.next().unwrap().unwrap(), line);
        }
        let sent = Command::new("kill").args([signal, &child.id().to_string()]).status().unwrap();
        assert!(sent.success());
        let last: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
        assert_eq!(last["final"], true);
        assert!(lines.next().is_none());
        assert_eq!(child.wait().unwrap().code(), Some(0));
        drop(stdin);
    }
}
