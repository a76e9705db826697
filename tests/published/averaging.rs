//! What placement errors do to an averaged response: jitter flattens it, a wrong clock shifts it.
//!
//! The trials here are placed by the library's own line, whose *stated* uncertainty has to explain the loss.

use std::f64::consts::{PI, TAU};

use serde::Deserialize;
use tickseam::exchange::Exchange;
use tickseam::line::{self, LineAccumulator};
use tickseam::student::{Component, combine};
use tickseam_cli::verdict::attenuation::amplitude_left;
use tickseam_tests::{Random, assert_digits, assert_within_scatter, read_csv, read_toml};

const TRIALS: u32 = 20_000;

#[derive(Deserialize)]
struct Row {
    label: String,
    f_hz: f64,
    jitter: String,
    parameter_ms: f64,
    attenuation: f64,
}

#[derive(Deserialize)]
struct Timing {
    gaussian_component: Vec<GaussianComponent>,
    trigger_quantisation: Quantisation,
    variance_budget: Vec<Budget>,
    half_amplitude: HalfAmplitude,
}

#[derive(Deserialize)]
struct GaussianComponent {
    component_sd_ms: f64,
    jitter_sd_ms: f64,
    peak_ratio: f64,
    averaged_sd_ms: f64,
}

#[derive(Deserialize)]
struct Quantisation {
    fs_hz: Vec<f64>,
    rms_ms: Vec<f64>,
}

#[derive(Deserialize)]
struct Budget {
    sd_ms: Vec<f64>,
    total_sd_ms: f64,
}

#[derive(Deserialize)]
struct HalfAmplitude {
    f_hz: Vec<f64>,
    gaussian_sd_ms: Vec<f64>,
}

/// Readings, at these seconds, from which each trial's clock offset is fitted.
const READ_AT_S: [f64; 6] = [0.0, 1.0, 2.5, 4.0, 5.0, 9.0];
/// The event lies after the last reading: the fit has to reach beyond it.
const EVENT_AT_S: f64 = 11.0;

/// Error, in ms, of placing one event by a line through noisy readings, and the standard uncertainty that was stated.
fn placement_error_ms(random: &mut Random, reading_sd_ms: f64) -> (f64, f64) {
    let (offset_ms, drift_ms_per_s) = (40.0, -0.03);
    let mut sums = LineAccumulator::new();
    for at_s in READ_AT_S {
        let truth_ms = offset_ms + drift_ms_per_s * at_s;
        sums.add(at_s, truth_ms + reading_sd_ms * random.normal(), 1.0).unwrap();
    }
    let fit = sums.fit_with_known_scatter(reading_sd_ms * reading_sd_ms).unwrap();
    let placed = fit.predict(EVENT_AT_S);
    (placed.value - (offset_ms + drift_ms_per_s * EVENT_AT_S), placed.u)
}

/// Scatter of a reading, in ms, for which the library states the uncertainty `u_ms`.
fn reading_sd_for_ms(u_ms: f64) -> f64 {
    let (_, u_per_unit) = placement_error_ms(&mut Random::seeded(0), 1.0);
    u_ms / u_per_unit
}

/// Amplitude of the average of [`TRIALS`] unit sinusoids, each late by an error of its own, and its standard error.
///
/// One cycle is sampled at sixteen points, averaged over the trials point by point, and the average is
/// compared with the undelayed sinusoid.
fn averaged_amplitude(f_hz: f64, mut error_ms: impl FnMut() -> f64) -> (f64, f64) {
    const POINTS: usize = 16;
    let phase = |point: usize| TAU * point as f64 / POINTS as f64;
    let mut average = [0.0; POINTS];
    let mut sum_of_squares = 0.0;
    let trials = f64::from(TRIALS);
    for _ in 0..TRIALS {
        let late = TAU * f_hz * error_ms() / 1e3;
        for (point, mean) in average.iter_mut().enumerate() {
            *mean += (phase(point) - late).cos() / trials;
        }
        sum_of_squares += late.cos().powi(2) / trials;
    }
    let amplitude: f64 =
        average.iter().enumerate().map(|(point, mean)| mean * phase(point).cos()).sum::<f64>() * 2.0
            / POINTS as f64;
    (amplitude, ((sum_of_squares - amplitude * amplitude).max(0.0) / trials).sqrt())
}

#[test]
fn the_stated_uncertainty_of_a_placement_predicts_how_much_of_a_sinusoid_survives_averaging() {
    let rows: Vec<Row> = read_csv("averaging.csv");
    let mut checked = 0;
    for row in rows.iter().filter(|row| row.jitter == "gaussian_sd") {
        let reading_sd_ms = reading_sd_for_ms(row.parameter_ms);
        let mut random = Random::seeded(7_000 + checked);
        let (amplitude, standard_error) = averaged_amplitude(row.f_hz, || {
            let (error_ms, u_ms) = placement_error_ms(&mut random, reading_sd_ms);
            assert_digits("stated uncertainty", u_ms, row.parameter_ms, 12.0);
            error_ms
        });
        let what = format!("{} at {} Hz, u = {} ms", row.label, row.f_hz, row.parameter_ms);
        assert_within_scatter(&what, amplitude, row.attenuation, standard_error);
        // The formula behind the table: exp(-2 pi^2 f^2 sigma^2).
        let exponent = -2.0 * (PI * row.f_hz * row.parameter_ms / 1e3).powi(2);
        assert!((exponent.exp() - row.attenuation).abs() < 1e-12, "{what}");
        checked += 1;
    }
    assert_eq!(checked, 54);
}

#[test]
fn a_uniform_placement_error_leaves_of_a_sinusoid_what_the_table_says() {
    let rows: Vec<Row> = read_csv("averaging.csv");
    let mut checked = 0;
    for row in rows.iter().filter(|row| row.jitter == "uniform_width") {
        let mut random = Random::seeded(9_000 + checked);
        let (amplitude, standard_error) =
            averaged_amplitude(row.f_hz, || (random.uniform() - 0.5) * row.parameter_ms);
        let what = format!("{} at {} Hz, width {} ms", row.label, row.f_hz, row.parameter_ms);
        assert_within_scatter(&what, amplitude, row.attenuation, standard_error);
        // The formula behind the table: sin(pi f w)/(pi f w).
        let turn = PI * row.f_hz * row.parameter_ms / 1e3;
        assert!((turn.sin() / turn - row.attenuation).abs() < 1e-12, "{what}");
        checked += 1;
    }
    assert_eq!(checked, 54);
}

#[test]
fn half_of_a_sinusoid_survives_at_the_uncertainty_that_the_table_gives() {
    let table = read_toml::<Timing>("averaging.toml").half_amplitude;
    assert_eq!((table.f_hz.len(), table.gaussian_sd_ms.len()), (6, 6));
    for (seed, (&f_hz, &sd_ms)) in (0..).zip(table.f_hz.iter().zip(&table.gaussian_sd_ms)) {
        let reading_sd_ms = reading_sd_for_ms(sd_ms);
        let mut random = Random::seeded(500 + seed);
        let (amplitude, standard_error) =
            averaged_amplitude(f_hz, || placement_error_ms(&mut random, reading_sd_ms).0);
        assert_within_scatter(&format!("{f_hz} Hz"), amplitude, 0.5, standard_error);
        // The formula behind the table: sqrt(ln 2 / 2) / (pi f).
        assert_digits(&format!("{f_hz} Hz"), sd_ms, (2.0_f64.ln() / 2.0).sqrt() / (PI * f_hz) * 1e3, 14.0);
    }
}

#[test]
fn a_gaussian_component_keeps_the_peak_and_gets_the_width_that_the_table_says() {
    let components = read_toml::<Timing>("averaging.toml").gaussian_component;
    assert_eq!(components.len(), 10);
    for (seed, component) in (0..).zip(&components) {
        let sd_ms = component.component_sd_ms;
        let reading_sd_ms = reading_sd_for_ms(component.jitter_sd_ms);
        let mut random = Random::seeded(300 + seed);
        let trials = f64::from(TRIALS);
        let (mut peak, mut peak_squares, mut mean_ms, mut squares_ms2) = (0.0, 0.0, 0.0, 0.0);
        for _ in 0..TRIALS {
            let (late_ms, _) = placement_error_ms(&mut random, reading_sd_ms);
            let height = (-0.5 * (late_ms / sd_ms).powi(2)).exp();
            peak += height / trials;
            peak_squares += height * height / trials;
            mean_ms += late_ms / trials;
            squares_ms2 += late_ms * late_ms / trials;
        }
        let what = format!("component of {sd_ms} ms, jitter of {} ms", component.jitter_sd_ms);
        let standard_error = ((peak_squares - peak * peak).max(0.0) / trials).sqrt();
        assert_within_scatter(&what, peak, component.peak_ratio, standard_error);
        // Each trial's component has the variance sd²; the trials' centres scatter on top.
        let jitter_ms2 = squares_ms2 - mean_ms * mean_ms;
        let width_ms = (sd_ms * sd_ms + jitter_ms2).sqrt();
        let width_error_ms = jitter_ms2 * (2.0 / trials).sqrt() / (2.0 * width_ms);
        assert_within_scatter(&what, width_ms, component.averaged_sd_ms, width_error_ms);
        // The formulas behind the table: sqrt(s² + j²), and the area kept.
        let total_ms = sd_ms.hypot(component.jitter_sd_ms);
        assert_digits(&what, total_ms, component.averaged_sd_ms, 14.0);
        assert_digits(&what, sd_ms / total_ms, component.peak_ratio, 14.0);
        // What the verdict reckons with, for trials that are known alike.
        assert_digits(&what, amplitude_left(sd_ms, [component.jitter_sd_ms; 3]), component.peak_ratio, 14.0);
    }
}

/// Trials that are known unequally well: the average is a mixture, and its height where the bump was is the mean of theirs.
#[test]
fn of_trials_known_unequally_well_an_average_keeps_what_the_verdict_says() {
    for (seed, (sd_ms, jitters_ms)) in
        (0..).zip([(15.0, [1.0, 5.0, 20.0]), (5.0, [0.3, 0.3, 9.0]), (60.0, [10.0, 50.0, 0.1])])
    {
        let mut random = Random::seeded(600 + seed);
        let (mut peak, mut squares, mut trials) = (0.0, 0.0, 0.0);
        for jitter_ms in jitters_ms {
            for _ in 0..TRIALS {
                let height = (-0.5 * (jitter_ms * random.normal() / sd_ms).powi(2)).exp();
                (peak, squares, trials) = (peak + height, squares + height * height, trials + 1.0);
            }
        }
        let mean: f64 = peak / trials;
        let standard_error = ((squares / trials - mean * mean) / trials).sqrt();
        assert_within_scatter(
            &format!("{sd_ms} ms"),
            mean,
            amplitude_left(sd_ms, jitters_ms),
            standard_error,
        );
    }
}

#[test]
fn one_sample_of_uncertainty_is_a_rectangle_with_the_standard_uncertainty_of_the_table() {
    let table = read_toml::<Timing>("averaging.toml").trigger_quantisation;
    assert_eq!((table.fs_hz.len(), table.rms_ms.len()), (7, 7));
    for (&fs_hz, &rms_ms) in table.fs_hz.iter().zip(&table.rms_ms) {
        // Bounds one sample apart, in whole ns: at 2048 Hz the quarter ns that is lost costs half a millionth.
        let sample_ns = (1e9 / fs_hz).round() as i64;
        let u_ns = Exchange::new(0, sample_ns, sample_ns, sample_ns).unwrap().u_ns().unwrap();
        assert_digits(&format!("{fs_hz} Hz"), u_ns / 1e6, rms_ms, 6.0);
    }
}

#[test]
fn independent_timing_errors_add_by_their_variances() {
    let budgets = read_toml::<Timing>("averaging.toml").variance_budget;
    assert_eq!(budgets.len(), 3);
    for budget in budgets {
        let components: Vec<Component> =
            budget.sd_ms.iter().map(|&u| Component { u, degrees_of_freedom: f64::INFINITY }).collect();
        assert_digits("total", combine(&components).unwrap().u, budget.total_sd_ms, 14.0);
    }
}

/// Peak latency, in ms, and height of the average over trials, for events placed by `onset_ms` on the headset's clock.
///
/// The headset samples at 250 Hz. Its response to an event is a bump of unit height and 60 ms standard deviation that
/// peaks 300 ms after the event, with noise of 0.3 on every sample.
fn averaged_peak(random: &mut Random, true_onset_ms: &[f64], onset_ms: &[f64]) -> (f64, f64) {
    const SAMPLE_MS: f64 = 4.0;
    const LENGTH: usize = 150;
    let mut average = [0.0; LENGTH];
    let mut start_ms = 0.0;
    let trials = onset_ms.len() as f64;
    for (&true_ms, &placed_ms) in true_onset_ms.iter().zip(onset_ms) {
        let first = (placed_ms / SAMPLE_MS).ceil();
        start_ms += (first * SAMPLE_MS - placed_ms) / trials;
        for (index, mean) in average.iter_mut().enumerate() {
            let after_ms = (first + index as f64) * SAMPLE_MS - true_ms;
            let bump = (-0.5 * ((after_ms - 300.0) / 60.0_f64).powi(2)).exp();
            *mean += (bump + 0.3 * random.normal()) / trials;
        }
    }
    // A parabola through the 21 samples around the highest one, by least squares.
    let highest = (10..LENGTH - 10).max_by(|&a, &b| average[a].total_cmp(&average[b])).unwrap();
    let (mut s2, mut s4, mut y0, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for step in -10_i32..=10 {
        let t = f64::from(step) * SAMPLE_MS;
        let y = average[highest.checked_add_signed(step as isize).unwrap()];
        s2 += t * t;
        s4 += t.powi(4);
        y0 += y;
        y1 += y * t;
        y2 += y * t * t;
    }
    let curvature = (21.0 * y2 - s2 * y0) / (21.0 * s4 - s2 * s2);
    let slope = y1 / s2;
    let height = (y0 - curvature * s2) / 21.0 - slope * slope / (4.0 * curvature);
    (start_ms + highest as f64 * SAMPLE_MS - slope / (2.0 * curvature), height)
}

/// Common practice, no source: the P300 of an oddball peaks about 300 ms after the stimulus.
#[test]
fn a_component_300_ms_after_the_stimulus_stays_there_to_a_millisecond_when_the_clocks_are_seamed() {
    let mut random = Random::seeded(42);
    // 30 minutes, the headset's clock 25 ppm fast and 5 s ahead; one reading a second with 2 ms of scatter.
    let device_ms = |host_ms: f64| host_ms * (1.0 + 25e-6) + 5_000.0;
    let fit = line::fit((0..1_800).map(|second| {
        let host_ms = f64::from(second) * 1e3;
        (host_ms, device_ms(host_ms) - host_ms + 2.0 * random.normal(), 1.0)
    }))
    .unwrap();
    let host_onset_ms: Vec<f64> =
        (0..1_000).map(|trial| 1_800.0 * f64::from(trial) + 300.0 * random.uniform()).collect();
    let true_onset_ms: Vec<f64> = host_onset_ms.iter().map(|&host_ms| device_ms(host_ms)).collect();

    let placed_ms: Vec<f64> =
        host_onset_ms.iter().map(|&host_ms| host_ms + fit.predict(host_ms).value).collect();
    let (latency_ms, height) = averaged_peak(&mut random, &true_onset_ms, &placed_ms);
    assert!((latency_ms - 300.0).abs() < 1.0, "the peak moved to {latency_ms} ms");

    // The control: one offset taken at the start, as if both clocks ran alike. 25 ppm is 45 ms in half an hour.
    let at_start_ms: Vec<f64> = host_onset_ms.iter().map(|&host_ms| host_ms + 5_000.0).collect();
    let (late_ms, flattened) = averaged_peak(&mut random, &true_onset_ms, &at_start_ms);
    assert!((late_ms - 322.5).abs() < 2.0, "without the drift the peak lies at {late_ms} ms");
    // Lateness spread evenly over 45 ms: a peak of 1 − 45²/(24 · 60²), to second order.
    let expected_loss = 45.0_f64.powi(2) / (24.0 * 60.0 * 60.0);
    assert!(
        (height - flattened - expected_loss).abs() < 0.01 && flattened < height,
        "{height} and {flattened}, expected to differ by {expected_loss}"
    );
}
