//! Captures of real hardware with the truth beside them.
//!
//! Source: `wireless-bench` (MIT, © 2023 Scott Rapson, repository Scottapotamas/embedded-wireless-latency-eval): a signal
//! generator marks "a sample is taken", a logic analyser records that edge and the one of the packet's arrival. The
//! generator is the device's clock, the analyser the host's. The files are read from `shared/captures` beside this
//! repository, or from `TICKSEAM_CAPTURES`; where there are none, each test says that it was skipped.

mod cuts;
mod timer;
mod two_way;

use std::path::PathBuf;

use cuts::recording;
use tickseam_cli::align::{Aligned, Captured, align};
use tickseam_record::Status;

/// One row: a sample, when it truly was on the host's clock, and when its packet arrived.
#[derive(Clone, Copy)]
struct Row {
    sequence: i64,
    true_ns: i64,
    arrival_ns: Option<i64>,
}

/// A capture as rows, and its nominal period: the period of the samples rounded to a millisecond.
struct Capture {
    name: &'static str,
    rows: Vec<Row>,
    period_s: f64,
}

const FILES: [&str; 7] = [
    "esp-udp__12B",
    "esp32-ble__12B-sc",
    "hc-05__9600-12B",
    "nrf58240__1024B-sc",
    "nrf58240__12B-sc-3",
    "rfm95__250k-SF128-128B",
    "sik__packet-size-logs__12B-250ms-trigger",
];

/// The connection interval that the arrivals of the Bluetooth LE files show, ms.
fn interval_ms(name: &str) -> Option<f64> {
    match name {
        "esp32-ble__12B-sc" => Some(15.0),
        "nrf58240__1024B-sc" | "nrf58240__12B-sc-3" => Some(30.0),
        _ => None,
    }
}

fn folder() -> Option<PathBuf> {
    folder_of("wireless-bench")
}

fn folder_of(kind: &str) -> Option<PathBuf> {
    let beside = || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../shared/captures");
    let folder = std::env::var_os("TICKSEAM_CAPTURES").map_or_else(beside, PathBuf::from).join(kind);
    if folder.is_dir() {
        return Some(folder);
    }
    println!("SKIPPED: no hardware captures in {}", folder.display());
    None
}

fn capture(folder: &std::path::Path, name: &'static str) -> Capture {
    let text = std::fs::read_to_string(folder.join(name).with_extension("csv")).unwrap();
    let rows: Vec<Row> = text
        .lines()
        .skip(1)
        .map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            Row {
                sequence: fields[0].parse().unwrap(),
                true_ns: fields[1].parse().unwrap(),
                arrival_ns: fields[2].parse().ok(),
            }
        })
        .collect();
    let mut steps: Vec<i64> = rows.windows(2).map(|pair| pair[1].true_ns - pair[0].true_ns).collect();
    steps.sort_unstable();
    let period_s = (steps[steps.len() / 2] as f64 / 1e6).round() / 1e3;
    Capture { name, rows, period_s }
}

/// Errors (ms) and half-widths (ms) of the placements, sample by sample.
fn errors(capture: &Capture, aligned: &Aligned) -> Vec<(f64, f64)> {
    let first = capture.rows.iter().find(|row| row.arrival_ns.is_some()).unwrap().sequence;
    let onset_s = |row: &Row| (row.sequence - first) as f64 * capture.period_s;
    let rows = capture.rows.iter().zip(&aligned.events.rows);
    rows.map(|(row, event)| {
        assert_ne!(event.status, Status::Unplaced);
        ((event.onset_s.unwrap() - onset_s(row)).abs() * 1e3, event.u95_ms.unwrap())
    })
    .collect()
}

/// True drift over the capture, ppm: positive if the samples come faster than nominal on the host's clock.
fn true_drift_ppm(capture: &Capture) -> f64 {
    let (first, last) = (capture.rows[0], capture.rows[capture.rows.len() - 1]);
    let device_s = (last.sequence - first.sequence) as f64 * capture.period_s;
    (device_s * 1e9 / (last.true_ns - first.true_ns) as f64 - 1.0) * 1e6
}

/// Stated drift, the mean of the maps, ppm.
fn stated_drift_ppm(aligned: &Aligned) -> f64 {
    let maps = &aligned.segments[0].maps;
    maps.iter().map(|map| map.drift_ppm).sum::<f64>() / maps.len() as f64
}

#[test]
fn the_interval_holds_the_truth_on_every_capture_with_and_without_a_declared_interval() {
    let Some(folder) = folder() else { return };
    for name in FILES {
        let capture = capture(&folder, name);
        for declared in [None, interval_ms(name)] {
            let aligned = align(&Captured::of(&recording(&capture, 16, declared))).unwrap();
            let errors = errors(&capture, &aligned);
            let held = errors.iter().filter(|(error, u95)| error <= u95).count() as f64 / errors.len() as f64;
            let mut sizes: Vec<f64> = errors.iter().map(|&(error, _)| error).collect();
            sizes.sort_by(f64::total_cmp);
            let u95 = errors.iter().map(|&(_, u95)| u95).sum::<f64>() / errors.len() as f64;
            println!(
                "{name:42} interval {:>9} error p50 {:7.3} p99 {:7.3} ms, mean u95 {u95:7.3} ms, held {:5.1} %, drift {:+7.2} (true {:+5.2}) ppm",
                declared.map_or("not given".to_owned(), |ms| format!("{ms} ms")),
                sizes[sizes.len() / 2],
                sizes[sizes.len() * 99 / 100],
                held * 100.0,
                stated_drift_ppm(&aligned),
                true_drift_ppm(&capture),
            );
            assert!(held >= 0.95, "{}: the interval held {held} of the truth", capture.name);
        }
    }
}

#[test]
fn the_constant_link_is_placed_sharply_and_its_losses_found_exactly_also_with_8_bits_of_sequence() {
    let Some(folder) = folder() else { return };
    let capture = capture(&folder, "rfm95__250k-SF128-128B");
    let lost: Vec<i64> =
        capture.rows.iter().filter(|row| row.arrival_ns.is_none()).map(|row| row.sequence).collect();
    assert_eq!(lost.len(), 22);
    for sequence_bits in [16, 8] {
        let aligned = align(&Captured::of(&recording(&capture, sequence_bits, None))).unwrap();
        let count = |gap: &tickseam_record::Gap| i64::try_from(gap.packets_missing).unwrap();
        let missing: Vec<i64> = aligned
            .gaps
            .iter()
            .flat_map(|gap| gap.first_missing_sequence..gap.first_missing_sequence + count(gap))
            .collect();
        assert_eq!(missing, lost);
        let drift = stated_drift_ppm(&aligned);
        assert!((drift - true_drift_ppm(&capture)).abs() < 0.05, "{drift}");
        assert!(errors(&capture, &aligned).iter().all(|&(error, u95)| error < 0.1 && u95 < 0.1));

        // In the middle of a sample's time, an event lies in a gap just where that sample was lost.
        let mut between = recording(&capture, sequence_bits, None);
        let half_ns = (capture.period_s * 5e8) as i64;
        between.events.iter_mut().for_each(|event| event.host_ns += half_ns);
        let aligned = align(&Captured::of(&between)).unwrap();
        for (row, event) in capture.rows.iter().zip(&aligned.events.rows) {
            let status = if row.arrival_ns.is_some() { Status::Placed } else { Status::InGap };
            assert_eq!(event.status, status, "sample {}", row.sequence);
        }
    }
}

#[test]
fn serial_and_telemetry_links_give_the_drift_to_a_part_per_million() {
    let Some(folder) = folder() else { return };
    for name in ["hc-05__9600-12B", "sik__packet-size-logs__12B-250ms-trigger"] {
        let capture = capture(&folder, name);
        let drift = stated_drift_ppm(&align(&Captured::of(&recording(&capture, 16, None))).unwrap());
        println!("{name}: drift {drift:+.2} ppm, true {:+.2} ppm", true_drift_ppm(&capture));
        assert!((drift - true_drift_ppm(&capture)).abs() < 1.0, "{name}: {drift}");
    }
}
