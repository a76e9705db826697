//! The command as a person or a script meets it: exit statuses, messages, files.

mod common;

use std::fs;
use std::process::{Command, Stdio};

use tempfile::TempDir;

use common::{said, text, tickseam, widest};

fn refusal(status: i32, message: &str) -> (i32, String, String) {
    (status, String::new(), format!("tickseam: {message}\n"))
}

/// A folder that holds a small recording, `session`: two minutes, two streams, truth included.
fn small(scenario: &str) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("small.toml"), scenario).unwrap();
    let (status, _, errors) =
        said(&["simulate", "small.toml", "--out", "session", "--seed", "7"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    folder
}

const SMALL: &str = "\
duration_s = 120
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
";

#[test]
fn without_any_argument_the_help_goes_to_standard_error_with_status_2() {
    let folder = tempfile::tempdir().unwrap();
    let (status, output, errors) = said(&[], folder.path());
    assert_eq!((status, output.as_str()), (2, ""));
    assert!(errors.starts_with("Places events of the phone's clock"), "{errors}");
}

#[test]
fn help_fits_80_columns_and_ends_with_status_0() {
    let folder = tempfile::tempdir().unwrap();
    for arguments in [
        &["--help"][..],
        &["-h"][..],
        &["replay", "--help"][..],
        &["replay", "-h"][..],
        &["follow", "--help"][..],
        &["follow", "-h"][..],
        &["schedule", "--help"][..],
        &["schedule", "-h"][..],
        &["simulate", "--help"][..],
    ] {
        let (status, output, errors) = said(arguments, folder.path());
        assert_eq!((status, errors.as_str()), (0, ""), "{arguments:?}");
        assert!(output.contains("Usage: tickseam") && widest(&output) <= 80, "{output}");
    }
    let version = said(&["--version"], folder.path());
    assert_eq!(version, (0, format!("tickseam {}\n", env!("CARGO_PKG_VERSION")), String::new()));
}

#[test]
fn replay_writes_what_the_recording_format_says() {
    let folder = small(SMALL);
    let (status, output, errors) = said(&["replay", "session"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    assert!(widest(&output) <= 80, "{output}");
    for words in ["scalp", "optical", "against the phone's", "session-aligned", "least squares"] {
        assert!(output.contains(words), "{words}: {output}");
    }
    let results = folder.path().join("session-aligned");
    let mut names: Vec<String> = fs::read_dir(&results)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(
        names,
        [
            "alignment.json",
            "events.json",
            "events.tsv",
            "gaps.csv",
            "packets.parquet",
            "placements.parquet",
            "report.html"
        ]
    );

    let events = fs::read_to_string(results.join("events.tsv")).unwrap();
    let mut rows = events.lines().map(|line| line.split('\t').collect::<Vec<_>>());
    assert_eq!(
        rows.next().unwrap(),
        [
            "onset",
            "duration",
            "trial_type",
            "sample",
            "host_ns",
            "segment",
            "u95_ms",
            "status",
            "live_onset",
            "live_u95_ms",
            "sample_optical",
            "excludes"
        ]
    );
    let stamps = fs::read_to_string(folder.path().join("session/events.csv")).unwrap();
    let rows: Vec<_> = rows.collect();
    assert_eq!(rows.len(), stamps.lines().count() - 1);
    for (row, stamp) in rows.iter().zip(stamps.lines().skip(1)) {
        assert_eq!(row.len(), 12);
        assert_eq!(stamp.split(',').next(), Some(row[4]));
        let number = |column: usize| row[column].parse::<f64>().unwrap();
        assert!((number(0) * 250.0 - number(3)).abs() < 1e-5);
        // The optical stream starts 50 ms after the reference stream; its position is known to a tick.
        assert!(((number(0) - 0.05) * 64.0 - number(10)).abs() < 64.0 / 32_768.0 + 1e-5, "{row:?}");
        assert!(["placed", "in-gap"].contains(&row[7]), "{row:?}");
        assert!(number(6) > 0.0 && row[11] == "n/a", "{row:?}");
    }
    let gaps = fs::read_to_string(results.join("gaps.csv")).unwrap();
    assert!(gaps.starts_with("stream,segment,first_missing_sequence,packets_missing,first_missing_sample,"));

    let alignment: serde_json::Value =
        serde_json::from_slice(&fs::read(results.join("alignment.json")).unwrap()).unwrap();
    assert_eq!(alignment["version"], 1);
    let missing: u64 =
        gaps.lines().skip(1).map(|row| row.split(',').nth(3).unwrap().parse::<u64>().unwrap()).sum();
    let told: u64 =
        (0..2).map(|stream| alignment["streams"][stream]["packets_missing"].as_u64().unwrap()).sum();
    assert_eq!(missing, told);
    assert!(missing > 10);
    assert_eq!(alignment["events"]["total"], rows.len());
    assert_eq!(alignment["inputs"][0]["file"], "recording.toml");
    assert!(alignment["error_against_truth"]["interval_held_share"].as_f64().unwrap() > 0.9);
}

/// Gaps are found at exactly the packets that are taken out.
#[test]
fn packets_taken_out_of_the_log_are_the_gaps_that_are_listed() {
    let folder = small("duration_s = 60\n[device]\nfirst_sequence = 65000\n");
    let packets = folder.path().join("session/packets.csv");
    let rows: Vec<String> = fs::read_to_string(&packets).unwrap().lines().map(str::to_owned).collect();
    // Line n + 1 of the file is the packet of sequence 65000 + n, which wraps at 65536.
    let out = |line: usize| (100..103).contains(&line) || line == 537;
    let kept: Vec<&str> =
        rows.iter().enumerate().filter(|(line, _)| !out(*line)).map(|(_, row)| row.as_str()).collect();
    fs::write(&packets, kept.join("\n") + "\n").unwrap();
    assert_eq!(tickseam(&["replay", "session"], folder.path()).status.code(), Some(0));
    let gaps = fs::read_to_string(folder.path().join("session-aligned/gaps.csv")).unwrap();
    let found: Vec<Vec<&str>> = gaps.lines().skip(1).map(|row| row.split(',').take(6).collect()).collect();
    assert_eq!(found, [["eeg", "0", "65099", "3", "495", "15"], ["eeg", "0", "65536", "1", "2680", "5"]]);
}

#[test]
fn json_is_the_alignment_file_and_nothing_else() {
    let folder = small(SMALL);
    let output = tickseam(&["replay", "session", "--json", "--out", "results"], folder.path());
    assert_eq!(output.status.code(), Some(0));
    assert!(output.stderr.is_empty());
    assert_eq!(output.stdout, fs::read(folder.path().join("results/alignment.json")).unwrap());
    serde_json::from_slice::<serde_json::Value>(&output.stdout).unwrap();
}

#[test]
fn two_runs_write_the_same_bits() {
    let folder = small(SMALL);
    for out in ["first", "second"] {
        assert_eq!(tickseam(&["replay", "session", "--out", out], folder.path()).status.code(), Some(0));
    }
    for name in
        ["events.tsv", "events.json", "gaps.csv", "alignment.json", "placements.parquet", "packets.parquet"]
    {
        let of = |out: &str| fs::read(folder.path().join(out).join(name)).unwrap();
        assert!(of("first") == of("second"), "{name}");
    }
}

#[test]
fn the_truth_changes_no_result() {
    let folder = small(SMALL);
    let truth = folder.path().join("session/truth.csv");
    let replay = |out: &str| {
        assert_eq!(tickseam(&["replay", "session", "--out", out], folder.path()).status.code(), Some(0));
        let of = |name: &str| fs::read(folder.path().join(out).join(name)).unwrap();
        let alignment: serde_json::Value = serde_json::from_slice(&of("alignment.json")).unwrap();
        (of("events.tsv"), of("gaps.csv"), alignment)
    };
    let with = replay("with");
    // Every true onset moved by a second: the errors have to tell, the places must not.
    let moved: Vec<String> = fs::read_to_string(&truth)
        .unwrap()
        .lines()
        .enumerate()
        .map(|(line, row)| match row.rsplit_once(',') {
            Some((rest, onset)) if line > 0 => format!("{rest},{}", onset.parse::<f64>().unwrap() + 1.0),
            _ => row.to_owned(),
        })
        .collect();
    fs::write(&truth, moved.join("\n") + "\n").unwrap();
    let wrong = replay("wrong");
    fs::remove_file(&truth).unwrap();
    let without = replay("without");
    assert!(with.0 == wrong.0 && with.0 == without.0);
    assert!(with.1 == wrong.1 && with.1 == without.1);
    for part in ["streams", "segments", "events", "words"] {
        assert!(with.2[part] == wrong.2[part] && with.2[part] == without.2[part], "{part}");
    }
    assert!(without.2["error_against_truth"].is_null());
    assert!(wrong.2["error_against_truth"]["placement"]["median_ms"].as_f64().unwrap() > 990.0);
}

#[test]
fn an_unknown_fixed_delay_is_said_in_every_row() {
    let folder = small("duration_s = 120\n[declare]\nfixed_delay = false\n");
    let (status, output, _) = said(&["replay", "session"], folder.path());
    assert_eq!(status, 0);
    assert!(output.contains("every onset is too early"), "{output}");
    let events = fs::read_to_string(folder.path().join("session-aligned/events.tsv")).unwrap();
    assert!(events.lines().skip(1).all(|row| row.ends_with("\tfixed-delay")), "{events}");
}

#[test]
fn a_recording_without_packets_places_nothing_and_says_so() {
    let folder = small("duration_s = 60\n");
    let packets = folder.path().join("session/packets.csv");
    fs::write(&packets, "host_ns,stream,sequence,tick,samples\n").unwrap();
    let (status, output, errors) = said(&["replay", "session"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    assert!(output.contains("without a clock map"), "{output}");
    let events = fs::read_to_string(folder.path().join("session-aligned/events.tsv")).unwrap();
    assert!(events.lines().skip(1).all(|row| row.starts_with("n/a\t") && row.contains("\tunplaced\t")));
}

#[test]
fn a_single_packet_gives_a_wide_interval_and_no_certainty() {
    let folder = small("duration_s = 60\n");
    let packets = folder.path().join("session/packets.csv");
    let all = fs::read_to_string(&packets).unwrap();
    let first: Vec<&str> = all.lines().take(2).collect();
    fs::write(&packets, first.join("\n") + "\n").unwrap();
    assert_eq!(tickseam(&["replay", "session"], folder.path()).status.code(), Some(0));
    let events = fs::read_to_string(folder.path().join("session-aligned/events.tsv")).unwrap();
    for row in events.lines().skip(1).map(|row| row.split('\t').collect::<Vec<_>>()) {
        assert!(row[7] == "outside" && row[6].parse::<f64>().unwrap() > 50.0, "{row:?}");
    }
}

#[test]
fn a_restart_begins_a_segment_whose_onsets_count_anew() {
    let folder = small("duration_s = 240\n[[fault]]\nkind = \"reboot\"\nat_s = 120.0\noff_s = 4.0\n");
    let (status, output, _) = said(&["replay", "session"], folder.path());
    assert_eq!(status, 0);
    assert!(output.contains("2 segments"), "{output}");
    let truth = fs::read_to_string(folder.path().join("session/truth.csv")).unwrap();
    let events = fs::read_to_string(folder.path().join("session-aligned/events.tsv")).unwrap();
    let rows: Vec<Vec<&str>> = events.lines().skip(1).map(|row| row.split('\t').collect()).collect();
    let mut compared = 0;
    for truth in truth.lines().skip(1).map(|row| row.split(',').collect::<Vec<_>>()) {
        let row = rows.iter().find(|row| row[4] == truth[0] && row[2] == truth[1]).unwrap();
        assert_eq!(row[5], truth[2], "{row:?}");
        let error_ms = (row[0].parse::<f64>().unwrap() - truth[3].parse::<f64>().unwrap()) * 1e3;
        assert!(error_ms.abs() < 5.0, "{row:?} {truth:?}");
        compared += 1;
    }
    assert!(compared > 100);
    // While it was off nothing was sampled.
    assert!(rows.iter().any(|row| row[7] == "outside" && row[5] == "0"));
}

#[test]
fn an_event_after_the_phones_clock_was_set_is_placed_by_the_new_time() {
    let folder = small(
        "duration_s = 300\n[[fault]]\nkind = \"host-step\"\nat_s = 150.0\nstep_s = 3600.0\nreturn_after_s = 40.0\n",
    );
    let (status, output, _) = said(&["replay", "session", "--json"], folder.path());
    assert_eq!(status, 0);
    let alignment: serde_json::Value = serde_json::from_str(&output).unwrap();
    assert_eq!(alignment["segments"].as_array().unwrap().len(), 1);
    let slips = alignment["segments"][0]["changes"].as_array().unwrap();
    let steps_s: Vec<f64> =
        slips.iter().map(|slip| (slip["step_ms"].as_f64().unwrap() / 1e3).round()).collect();
    assert_eq!(steps_s, [3600.0, -3600.0]);
    let errors = &alignment["error_against_truth"];
    assert!(errors["placement"]["p99_ms"].as_f64().unwrap() < 10.0, "{errors}");
    assert!(errors["interval_held_share"].as_f64().unwrap() > 0.95, "{errors}");
}

#[test]
fn simulate_says_how_to_do_it_again_and_one_seed_gives_one_recording() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("short.toml"), "duration_s = 20\n").unwrap();
    let (status, output, errors) = said(&["simulate", "short.toml", "--out", "a"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    let again = output.lines().find_map(|line| line.strip_prefix("Again")).unwrap().trim();
    assert_eq!(again, "tickseam simulate short.toml --out a --seed 1");
    for (out, seed) in [("b", "1"), ("c", "2")] {
        let arguments = ["simulate", "short.toml", "--out", out, "--seed", seed];
        assert_eq!(tickseam(&arguments, folder.path()).status.code(), Some(0));
    }
    let packets = |out: &str| fs::read(folder.path().join(out).join("packets.csv")).unwrap();
    assert!(packets("a") == packets("b") && packets("a") != packets("c"));
}

#[test]
fn a_requirement_decides_the_exit_status_and_says_what_is_not_met() {
    let folder = small(SMALL);
    let replay = |more: &[&str]| {
        let arguments: Vec<&str> = ["replay", "session"].iter().chain(more).copied().collect();
        said(&arguments, folder.path())
    };
    let (status, output, errors) = replay(&["--require", "u95=10s", "--require", "placed=50%"]);
    assert_eq!((status, errors.as_str()), (0, ""));
    assert!(output.contains("\nVerdict "), "{output}");
    let (status, output, errors) = replay(&["--require", "u95=1us", "--require", "placed=10%", "--json"]);
    assert_eq!(status, 1);
    // The results are written and told all the same.
    assert!(serde_json::from_str::<serde_json::Value>(&output).is_ok());
    assert!(errors.starts_with("tickseam: session: u95=1us is not met: "), "{errors}");
    assert!(!errors.contains("placed="), "{errors}");
    for (wrong, message) in [
        ("u95=1", "expected a time above 0 with its unit"),
        ("u95", "expected u95=TIME"),
        ("placed=101%", "expected a share from 0 to 1"),
        ("speed=9", "expected u95=TIME"),
    ] {
        let (status, output, errors) = replay(&["--require", wrong]);
        assert_eq!((status, output.as_str()), (2, ""), "{wrong}");
        assert!(errors.contains(message), "{errors}");
    }
    assert_eq!(
        replay(&["--require", "fit=P301"]),
        refusal(
            2,
            "--require fit=P301: found no such component in the criteria, expected one of early sensory, N100-like, P300-like"
        )
    );
}

#[test]
fn criteria_of_ones_own_decide_what_is_fit() {
    let folder = small(SMALL);
    let (status, built_in, errors) = said(&["replay", "--show-criteria"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    let own = folder.path().join("own.toml");
    let replay = |text: &str, component: &str| {
        fs::write(&own, text).unwrap();
        let required = format!("fit={component}");
        said(&["replay", "session", "--criteria", "own.toml", "--require", &required], folder.path())
    };
    // What is printed is what holds without a file.
    let (status, as_built_in, _) = replay(&built_in, "P300-like");
    assert_eq!(status, 0);
    assert_eq!(as_built_in, said(&["replay", "session"], folder.path()).1);
    let component =
        |limits: &str| format!("format = 1\nplaced_share = 0.5\n[[component]]\nname = \"mine\"\n{limits}");
    let easy =
        "sd_ms = 60.0\namplitude_left = 0.1\nlatency_shift_ms = 900.0\nlatency_difference_ms = 900.0\n";
    assert_eq!(replay(&component(easy), "mine").0, 0);
    for (key, hard) in [
        ("amplitude_left = 0.1", "amplitude_left = 0.99999999"),
        ("latency_shift_ms = 900.0", "latency_shift_ms = 0.001"),
        ("latency_difference_ms = 900.0", "latency_difference_ms = 0.000001"),
    ] {
        let (status, _, errors) = replay(&component(&easy.replace(key, hard)), "mine");
        assert_eq!(status, 1, "{hard}");
        assert!(
            errors.starts_with("tickseam: session: fit=mine is not met: Fit for none of mine components: "),
            "{errors}"
        );
    }
    for (text, message) in [
        ("format = 2\nplaced_share = 0.5\ncomponent = []\n", "own.toml: key \"format\": found 2, expected 1"),
        (
            "format = 1\nplaced_share = 0.5\ncomponent = []\n",
            "own.toml: found no [[component]], expected one at least",
        ),
        ("format = 1\nplaced_share = 5\n", "own.toml: line 1: missing field `component`"),
        (
            &*component(&easy.replace("60.0", "-1.0")),
            "own.toml: key \"component.sd_ms\": found -1, expected a finite number above 0",
        ),
        (&*component(&format!("{easy}speed = 1\n")), "own.toml: line 9: unknown field `speed`"),
    ] {
        let (status, _, errors) = replay(text, "mine");
        assert_eq!(status, 1);
        assert!(errors.starts_with(&format!("tickseam: {message}")), "{errors}");
    }
}

#[test]
fn a_report_says_the_verdict_first_and_fetches_nothing() {
    let folder = small(SMALL);
    assert_eq!(said(&["replay", "session"], folder.path()).0, 0);
    let results = folder.path().join("session-aligned");
    let page = fs::read_to_string(results.join("report.html")).unwrap();
    let alignment: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(results.join("alignment.json")).unwrap()).unwrap();
    let verdict = alignment["verdict"]["sentence"].as_str().unwrap();
    let (head, body) = page.split_once("<p class=\"verdict\">").unwrap();
    assert!(body.starts_with(verdict), "{verdict}");
    assert!(!head.contains("<h2>"));
    for heading in [
        "Fit for what",
        "Delays",
        "Drift",
        "Uncertainty of a placement",
        "Gaps",
        "Events",
        "Uncertainty budget",
    ] {
        assert!(body.contains(&format!("<h2>{heading}</h2>")), "{heading}");
    }
    for input in alignment["inputs"].as_array().unwrap() {
        assert!(body.contains(input["sha256"].as_str().unwrap()));
    }
    for fetching in ["http:", "https:", "src=", "<link", "@import", "url("] {
        assert!(!page.contains(fetching), "{fetching}");
    }
    // Nothing of where the recording lies, and the same bytes wherever it lies.
    assert!(!page.contains(folder.path().to_str().unwrap()));
    let elsewhere = tempfile::tempdir().unwrap();
    fs::create_dir(elsewhere.path().join("session")).unwrap();
    for file in fs::read_dir(folder.path().join("session")).unwrap().map(Result::unwrap) {
        fs::copy(file.path(), elsewhere.path().join("session").join(file.file_name())).unwrap();
    }
    assert_eq!(said(&["replay", "session"], elsewhere.path()).0, 0);
    assert!(fs::read_to_string(elsewhere.path().join("session-aligned/report.html")).unwrap() == page);
}

#[test]
fn labels_cannot_break_the_page() {
    let folder = small(
        "duration_s = 60\n[[trials.stimulus]]\nlabel = \"<script>alert(1)</script>\"\n[[stream]]\nname = \"<b>\\\"x&\"\n",
    );
    assert_eq!(said(&["replay", "session"], folder.path()).0, 0);
    let page = fs::read_to_string(folder.path().join("session-aligned/report.html")).unwrap();
    assert!(!page.contains("<script>alert") && !page.contains("<b>\"x&"));
    assert!(page.contains("&lt;script&gt;alert(1)"));
}

/// A reader that goes away (`tickseam … | head -1`) is no failure and no panic.
#[cfg(unix)]
#[test]
fn a_closed_pipe_ends_quietly() {
    let folder = small(SMALL);
    for arguments in [&["replay", "session"][..], &["replay", "session", "--json"][..], &["--help"][..]] {
        let mut child = Command::new(env!("CARGO_BIN_EXE_tickseam"))
            .args(arguments)
            .current_dir(folder.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let output = child.wait_with_output().unwrap();
        assert_eq!((output.status.code(), text(&output.stderr)), (Some(0), ""), "{arguments:?}");
    }
}
