//! A device whose clock is off its nominal rate by 1 %, though 50 ppm are declared.

use tickseam_cli::align::{Captured, align};
use tickseam_cli::simulated;
use tickseam_record::Recording;
use tickseam_sim::{Scenario, simulate};

fn recorded(offset_ppm: f64, sequence_bits: u32, interval_ms: f64, seed: u64) -> Recording {
    let scenario = format!(
        "duration_s = 600.0\n[device]\ntolerance_ppm = 50.0\noffset_ppm = {offset_ppm}\n[link]\ninterval_ms = {interval_ms}\n\
         error_rate = 0.1\n[declare]\nfixed_delay_u_ms = 0.2\n[[stream]]\nrate_hz = 250.0\nsamples_per_packet = 5\n\
         sequence_bits = {sequence_bits}\n"
    );
    simulated::recording(&simulate(&Scenario::from_toml(&scenario).unwrap(), seed).unwrap()).unwrap()
}

/// Shares of the events whose interval held, replayed and live; checks that the rate was reported.
fn run(offset_ppm: f64, sequence_bits: u32, seed: u64) -> (f64, f64) {
    let interval_ms = [15.0, 20.0, 11.25, 30.0][(seed % 4) as usize];
    let mut recording = recorded(offset_ppm, sequence_bits, interval_ms, seed);
    let truth = recording.truth.take().unwrap();
    let aligned = align(&Captured::of(&recording)).unwrap();
    assert_eq!(aligned.segments.len(), 1, "seed {seed}");
    let said = aligned.remarks.iter().any(|remark| remark.contains("off its nominal rate"));
    assert!(said, "seed {seed}: {:?}", aligned.remarks);
    for map in &aligned.segments[0].maps {
        assert!((map.drift_ppm - offset_ppm).abs() < 150.0, "seed {seed}: {}", map.drift_ppm);
    }
    let (mut held, mut n, mut live_held, mut live_n, mut u95) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (row, truth) in aligned.events.rows.iter().zip(&truth) {
        n += 1.0;
        let (error_ms, u95_ms) = ((row.onset_s.unwrap() - truth.onset_s).abs() * 1e3, row.u95_ms.unwrap());
        held += f64::from(u8::from(error_ms <= u95_ms));
        u95 += u95_ms;
        if let (Some(onset_s), Some(u95_ms)) = (row.live_onset_s, row.live_u95_ms) {
            live_n += 1.0;
            live_held += f64::from(u8::from((onset_s - truth.onset_s).abs() * 1e3 <= u95_ms));
        }
    }
    assert!(n > 50.0 && live_n > 0.9 * n, "seed {seed}");
    println!(
        "{offset_ppm:+} ppm, {sequence_bits} bits, interval {interval_ms} ms, seed {seed}: held {:.3}, live {:.3}, mean u95 {:.3} ms",
        held / n,
        live_held / live_n,
        u95 / n
    );
    (held / n, live_held / live_n)
}

#[test]
fn a_nominal_rate_wrong_by_a_percent_is_reported_and_the_interval_holds() {
    for offset_ppm in [-10_000.0, 10_000.0] {
        let shares: Vec<(f64, f64)> =
            (1..=20).map(|seed| run(offset_ppm, if seed % 2 == 0 { 8 } else { 16 }, seed)).collect();
        let mean = |of: fn(&(f64, f64)) -> f64| shares.iter().map(of).sum::<f64>() / shares.len() as f64;
        assert!(mean(|share| share.0) >= 0.95);
        assert!(mean(|share| share.1) >= 0.95);
    }
}

#[test]
fn a_clock_within_its_tolerance_is_never_said_to_be_off() {
    for seed in 1..=20 {
        let interval_ms = [15.0, 20.0, 11.25, 30.0][(seed % 4) as usize];
        let recording = recorded(if seed % 2 == 0 { 48.0 } else { -48.0 }, 16, interval_ms, seed);
        let aligned = align(&Captured::of(&recording)).unwrap();
        assert!(!aligned.remarks.iter().any(|remark| remark.contains("off its nominal rate")), "seed {seed}");
    }
}
