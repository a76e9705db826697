//! A poor clock of 8 bits: reports of a game controller over Bluetooth Classic.
//!
//! Source: `hid-timer` (MIT, © 2021 Yamakaky, repository Yamakaky/joy, `trace/*.log`): host time in µs, and a counter of
//! nominally 5 ms a tick that wraps each 1.28 s. A report is taken for a packet of one sample whose number is the
//! counter: steps that no report carries are gaps.

use std::collections::BTreeMap;

use tickseam_cli::align::{Aligned, Captured, align};
use tickseam_record::{
    Description, DeviceClock, Event, HostClock, Link, Packet, Packets, Recording, Status, Stream,
};

const TICK_US: f64 = 5_000.0;

#[derive(Clone, Copy)]
struct Report {
    host_us: i64,
    timer: i64,
}

fn reports() -> Option<Vec<Report>> {
    let path = super::folder_of("hid-timer")?.join("ringcon-longer.csv");
    let text = std::fs::read_to_string(path).unwrap();
    let report = |line: &str| {
        let fields: Vec<&str> = line.split(',').collect();
        let wanted = fields[1] == "rx" && ["0x30", "0x31"].contains(&fields[2]);
        wanted.then(|| Report { host_us: fields[0].parse().unwrap(), timer: fields[3].parse().unwrap() })
    };
    Some(text.lines().skip(1).filter_map(report).collect())
}

fn recording(reports: &[Report], events: &[Report]) -> Recording {
    let packet = |report: &Report| Packet {
        host_ns: report.host_us * 1_000,
        stream: 0,
        sequence: u32::try_from(report.timer).unwrap(),
        tick: None,
        samples: 1,
    };
    let event = |report: &Report| Event {
        host_ns: report.host_us * 1_000,
        label: "report".to_owned(),
        duration_ms: None,
    };
    Recording {
        description: Description {
            device_clock: DeviceClock::default(),
            host_clock: HostClock { resolution_ns: 1_000.0 },
            link: Link { fixed_delay_ms: None, fixed_delay_u_ms: None, connection_interval_ms: None },
            streams: vec![Stream {
                name: "timer".to_owned(),
                rate_hz: 1e6 / TICK_US,
                samples_per_packet: 1,
                sequence_bits: 8,
            }],
            event_latency: BTreeMap::new(),
        },
        packets: reports.iter().map(packet).collect::<Packets<'_>>(),
        events: events.iter().map(event).collect(),
        exchanges: Vec::new(),
        markers: Vec::new(),
        truth: None,
        notes: Vec::new(),
    }
}

/// The counter unwrapped by nothing but the host's time, in runs between restarts. A step that the host's time
/// contradicts by more than 25 ticks (125 ms; reports are never held back so long here) is a restart.
fn unwrapped(reports: &[Report]) -> Vec<Vec<(Report, i64)>> {
    let mut runs: Vec<Vec<(Report, i64)>> = Vec::new();
    for &report in reports {
        let continued = runs.last().and_then(|run| run.last()).and_then(|&(last, count)| {
            let expected = (report.host_us - last.host_us) as f64 / TICK_US;
            let step = (report.timer - last.timer).rem_euclid(256);
            let turns = ((expected - step as f64) / 256.0).round() as i64;
            let step = step + 256 * turns;
            (step > 0 && (step as f64 - expected).abs() < 25.0).then_some(count + step)
        });
        match (continued, runs.last_mut()) {
            (Some(count), Some(run)) => run.push((report, count)),
            _ => runs.push(vec![(report, 0)]),
        }
    }
    runs
}

fn longest(runs: &[Vec<(Report, i64)>]) -> &[(Report, i64)] {
    runs.iter().max_by_key(|run| run.len()).unwrap()
}

#[test]
fn wraps_and_restarts_are_exact_as_far_as_the_log_shows_them() {
    let Some(reports) = reports() else { return };
    let runs = unwrapped(&reports);
    let aligned = align(&Captured::of(&recording(&reports, &[]))).unwrap();
    println!("hid-timer: {} runs by host time, {} segments", runs.len(), aligned.segments.len());
    assert_eq!(aligned.segments.len(), runs.len());
    for (segment, run) in aligned.segments.iter().zip(&runs) {
        assert_eq!(segment.first_host_ns, run[0].0.host_us * 1_000);
        assert_eq!(segment.last_host_ns, run[run.len() - 1].0.host_us * 1_000);
        // Every step that no report carries, one after another.
        let missing: Vec<(i64, u64)> = run
            .windows(2)
            .filter(|two| two[1].1 > two[0].1 + 1)
            .map(|two| (two[0].1 + 1, (two[1].1 - two[0].1 - 1) as u64))
            .collect();
        let found: Vec<(i64, u64)> = aligned
            .gaps
            .iter()
            .filter(|gap| gap.segment == segment.segment)
            .map(|gap| (gap.first_missing_sample, gap.packets_missing))
            .collect();
        assert_eq!(found, missing, "segment {}", segment.segment);
    }
    assert_eq!(aligned.streams[0].rejected + aligned.streams[0].duplicates, 0);
}

/// Drift by a straight line through the least delayed of each 5 s: nothing of the library in it.
fn drift_ppm(run: &[(Report, i64)]) -> f64 {
    let mut least: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
    for (report, count) in run {
        let device_s = *count as f64 * TICK_US / 1e6;
        let residual_us = (report.host_us - run[0].0.host_us) as f64 - *count as f64 * TICK_US;
        let slot = least.entry((device_s / 5.0) as i64).or_insert((device_s, residual_us));
        // Against the run's own mean rate, so that the end of a bin is no less delayed than its beginning.
        let mean =
            (run[run.len() - 1].0.host_us - run[0].0.host_us) as f64 / run[run.len() - 1].1 as f64 / TICK_US
                - 1.0;
        let above = |(x, y): (f64, f64)| y - mean * 1e6 * x;
        if above((device_s, residual_us)) < above(*slot) {
            *slot = (device_s, residual_us);
        }
    }
    let n = least.len() as f64;
    let (sx, sy) = least.values().fold((0.0, 0.0), |(sx, sy), (x, y)| (sx + x / n, sy + y / n));
    let (sxx, sxy) = least
        .values()
        .fold((0.0, 0.0), |(sxx, sxy), (x, y)| (sxx + (x - sx) * (x - sx), sxy + (x - sx) * (y - sy)));
    -sxy / sxx
}

/// Every tenth report of the longest run is left out and its stamp placed as an event.
fn left_out(run: &[(Report, i64)]) -> (Vec<(Report, i64)>, Aligned) {
    let (mut kept, mut out) = (Vec::new(), Vec::new());
    for (place, &one) in run.iter().enumerate() {
        if place % 10 == 5 { out.push(one) } else { kept.push(one) }
    }
    let only = |run: &[(Report, i64)]| run.iter().map(|&(report, _)| report).collect::<Vec<_>>();
    let aligned = align(&Captured::of(&recording(&only(&kept), &only(&out)))).unwrap();
    (out, aligned)
}

/// The intervals are of about 10 s here: that no report comes before its interval can hardly fail, and only the check of the
/// drift has force.
#[test]
fn no_tight_claim_is_made_of_a_poor_clock() {
    let Some(reports) = reports() else { return };
    let runs = unwrapped(&reports);
    let run = longest(&runs);
    let (out, aligned) = left_out(run);
    // A stamp cannot lie before the soonest that its report could come: on the device's timeline, its placement is at or
    // after the report's own tick, but for the half-width.
    let first = run[0].1;
    let (mut early, mut live_early, mut widest, mut sum) = (0, 0, 0.0_f64, 0.0);
    let mut worst_us = f64::INFINITY;
    for ((_, count), row) in out.iter().zip(&aligned.events.rows) {
        assert_ne!(row.status, Status::Unplaced);
        let tick_s = (count - first) as f64 * TICK_US / 1e6;
        let (onset_s, u95_s) = (row.onset_s.unwrap(), row.u95_ms.unwrap() / 1e3);
        early += usize::from(onset_s - tick_s < -u95_s);
        worst_us = worst_us.min((onset_s - tick_s + u95_s) * 1e6);
        if let (Some(onset_s), Some(u95_ms)) = (row.live_onset_s, row.live_u95_ms) {
            live_early += usize::from(onset_s - tick_s < -u95_ms / 1e3);
        }
        widest = widest.max(u95_s * 1e3);
        sum += u95_s * 1e3;
    }
    let half = run.len() / 2;
    let (before, after) = (drift_ppm(&run[..half]), drift_ppm(&run[half..]));
    let wander_ppm = (before - after).abs();
    let maps = &aligned.segments[0].maps;
    let u_drift = maps.iter().filter_map(|map| map.u_drift_ppm).fold(f64::INFINITY, f64::min);
    let drifts: Vec<i64> = maps.iter().map(|map| map.drift_ppm.round() as i64).collect();
    println!(
        "hid-timer: {} of {} left-out reports before their interval (live {live_early}), worst {worst_us:.0} us; u95 mean {:.2} ms, widest \
         {widest:.2} ms; drift of the halves {before:+.0} and {after:+.0} ppm, stated {drifts:?} ± {u_drift:.1}; {:?}",
        early,
        out.len(),
        sum / out.len() as f64,
        aligned.remarks
    );
    assert!(aligned.remarks.iter().any(|remark| remark.contains("off its nominal rate")));
    assert!(early * 20 <= out.len());
    assert!(live_early * 20 <= out.len());
    assert!(2.0 * u_drift >= wander_ppm / 2.0, "{u_drift} {wander_ppm}");
}
