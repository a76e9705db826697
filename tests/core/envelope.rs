//! The line through the least delayed arrivals finds the clock's rate where a mean would not.

use tickseam::block::Arrival;
use tickseam::line::{LineAccumulator, LineError};
use tickseam::select::envelope_line;
use tickseam_tests::Random;

/// Thirty minutes at 50 packets a second with exponential delays of 5 ms, some of them late by up to half a second, more
/// and more so.
fn noisy(seed: u64, rate_ppm: f64, late_share: f64) -> Vec<Arrival> {
    let mut random = Random::seeded(seed);
    (0..90_000)
        .map(|i| {
            let device_s = f64::from(i) * 0.02;
            let mut delay_us = -5_000.0 * random.uniform().ln();
            if random.uniform() < late_share {
                delay_us += 500_000.0 * random.uniform() * device_s / 1_800.0;
            }
            Arrival::new(device_s, 20_000.0 + rate_ppm * device_s + delay_us)
        })
        .collect()
}

#[test]
fn the_rate_is_found_in_one_sided_noise_also_where_the_nominal_one_is_off_by_a_percent() {
    for rate_ppm in [-10_000.0, -50.0, 0.0, 25.0, 10_000.0] {
        for late_share in [0.0, 0.05] {
            for seed in 1..=3 {
                let arrivals = noisy(seed, rate_ppm, late_share);
                let line = envelope_line(arrivals.iter().copied()).expect("there is a line");
                let off = line.fit.slope().value - rate_ppm;
                // The least of 1,400 delays lies 3.6 µs above the clock in the mean, and scatters by as much: over 64
                // stretches of 28 s, 0.001 ppm.
                assert!(off.abs() < 0.005, "{rate_ppm} ppm, late {late_share}, seed {seed}: off by {off}");
                let above = line.fit.predict(900.0).value - 20_000.0 - rate_ppm * 900.0;
                assert!(
                    (0.0..15.0).contains(&above),
                    "{rate_ppm} ppm, late {late_share}, seed {seed}: {above}"
                );
                assert_eq!((line.from_s, line.to_s), (0.0, 89_999.0 * 0.02));
                assert!((line.working().at(900.0) - line.fit.predict(900.0).value).abs() < 1e-6);
            }
        }
    }
}

#[test]
fn minutes_in_which_every_packet_is_late_hardly_move_the_line() {
    for rate_ppm in [-10_000.0, 25.0] {
        let mut arrivals = noisy(5, rate_ppm, 0.0);
        for a in arrivals.iter_mut().filter(|a| (1_500.0..1_680.0).contains(&a.device_s)) {
            a.residual_us += 30_000.0;
        }
        let line = envelope_line(arrivals.iter().copied()).expect("there is a line");
        let off = line.fit.slope().value - rate_ppm;
        // With all stretches alike, six of 64 that lie 30 ms high would tilt it by 6 ppm.
        assert!(off.abs() < 0.01, "{rate_ppm} ppm: off by {off}");
    }
}

#[test]
fn a_mean_over_all_arrivals_follows_the_late_ones_and_the_envelope_does_not() {
    let arrivals = noisy(1, 25.0, 0.05);
    let mut sums = LineAccumulator::new();
    for a in &arrivals {
        sums.add(a.device_s, a.residual_us, 1.0).expect("finite");
    }
    let mean_off = (sums.fit().expect("a line").slope().value - 25.0).abs();
    // 5 % · 250 ms over 1,800 s are 7 ppm.
    assert!(mean_off > 3.0, "{mean_off}");
}

#[test]
fn fewer_than_three_stretches_make_no_line() {
    let at = |device_s: f64| Arrival::new(device_s, 7.0);
    for few in [vec![], vec![at(1.0)], vec![at(1.0), at(2.0)]] {
        let n = few.len();
        assert!(
            matches!(envelope_line(few.into_iter()), Err(LineError::TooFewPoints { .. })),
            "{n} arrivals"
        );
    }
    let same = vec![at(5.0); 1_000];
    assert!(envelope_line(same.into_iter()).is_err());
    // Many arrivals in two bursts are two stretches.
    let two = [vec![at(0.0); 50], vec![at(100.0); 50]].concat();
    assert!(matches!(envelope_line(two.into_iter()), Err(LineError::TooFewPoints { points: 2, .. })));
    let three = [at(0.0), at(50.0), at(100.0)];
    let line = envelope_line(three.into_iter()).expect("three stretches");
    assert!(line.fit.slope().value.abs() < 1e-9 && (line.fit.predict(10.0).value - 7.0).abs() < 1e-9);
}

#[test]
fn the_order_of_arrivals_does_not_matter() {
    let mut arrivals = noisy(4, 25.0, 0.05);
    let line = envelope_line(arrivals.iter().copied());
    arrivals.reverse();
    assert_eq!(envelope_line(arrivals.iter().copied()), line);
}
