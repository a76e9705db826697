//! NIST Statistical Reference Datasets (Norris, NoInt1) and JCGM 100:2008 (GUM), annex H.3.

use serde::Deserialize;
use tickseam::line::{self, LineAccumulator};
use tickseam_tests::{agreeing_digits, assert_digits, assert_prints_as, read_toml};

#[derive(Deserialize)]
struct Norris {
    degrees_of_freedom: f64,
    x: Vec<f64>,
    y: Vec<f64>,
    certified: NorrisCertified,
    computed: NorrisComputed,
    prediction: Vec<NorrisPrediction>,
    shifted: NorrisShifted,
}

#[derive(Deserialize)]
struct NorrisCertified {
    b0: f64,
    b1: f64,
    sd_b0: f64,
    sd_b1: f64,
    residual_sd: f64,
    r_squared: f64,
    regression_ss: f64,
    residual_ss: f64,
    residual_ms: f64,
    f_statistic: f64,
}

#[derive(Deserialize)]
struct NorrisComputed {
    mean_x: f64,
    mean_y: f64,
    sxx: f64,
    sxy: f64,
    cov_b0_b1: f64,
    corr_b0_b1: f64,
}

#[derive(Deserialize)]
struct NorrisPrediction {
    x: f64,
    value: f64,
    u_mean: f64,
    u_new: f64,
}

#[derive(Deserialize)]
struct NorrisShifted {
    shift: i64,
    slope: f64,
    sd_slope: f64,
    residual_sd: f64,
    mean_x_minus_shift: f64,
    mean_y_minus_shift: f64,
    y_at_x_equal_shift_minus_shift: f64,
    x: Vec<i64>,
    y: Vec<i64>,
}

fn norris() -> Norris {
    let norris: Norris = read_toml("norris.toml");
    assert_eq!((norris.x.len(), norris.y.len()), (36, 36));
    assert_eq!((norris.shifted.x.len(), norris.shifted.y.len()), (36, 36));
    norris
}

fn sums(x: &[f64], y: &[f64]) -> LineAccumulator {
    assert_eq!(x.len(), y.len());
    let mut sums = LineAccumulator::new();
    for (&x, &y) in x.iter().zip(y) {
        sums.add(x, y, 1.0).unwrap();
    }
    sums
}

/// Slope from raw sums, as a formulary prints it.
fn slope_from_raw_sums(x: impl Iterator<Item = f64>, y: impl Iterator<Item = f64>) -> f64 {
    let (mut n, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (x, y) in x.zip(y) {
        n += 1.0;
        sx += x;
        sy += y;
        sxx += x * x;
        sxy += x * y;
    }
    (n * sxy - sx * sy) / (n * sxx - sx * sx)
}

#[test]
fn norris_comes_out_with_eleven_of_the_digits_that_nist_certifies() {
    let norris = norris();
    let certified = &norris.certified;
    let sums = sums(&norris.x, &norris.y);
    let fit = sums.fit().unwrap();
    let at_zero = fit.at(0.0);
    let regression_ss = sums.syy() - sums.residual_ss();
    for (what, got, want) in [
        ("intercept", at_zero.intercept, certified.b0),
        ("slope", at_zero.slope, certified.b1),
        ("sd of intercept", at_zero.u_intercept, certified.sd_b0),
        ("sd of slope", at_zero.u_slope, certified.sd_b1),
        ("residual sd", fit.residual_sd(), certified.residual_sd),
        ("residual mean square", fit.residual_variance(), certified.residual_ms),
        ("residual sum of squares", sums.residual_ss(), certified.residual_ss),
        ("regression sum of squares", regression_ss, certified.regression_ss),
        ("R squared", 1.0 - sums.residual_ss() / sums.syy(), certified.r_squared),
        ("F", regression_ss / fit.residual_variance(), certified.f_statistic),
    ] {
        assert_digits(what, got, want, 11.0);
    }
    assert_eq!(fit.degrees_of_freedom(), norris.degrees_of_freedom);
}

#[test]
fn norris_gives_the_sums_covariance_and_predictions_of_a_60_digit_computation() {
    let norris = norris();
    let computed = &norris.computed;
    let sums = sums(&norris.x, &norris.y);
    let fit = sums.fit().unwrap();
    assert_digits("mean x", fit.x_mean(), computed.mean_x, 14.0);
    assert_digits("mean y", fit.y_mean(), computed.mean_y, 14.0);
    assert_digits("Sxx", sums.sxx(), computed.sxx, 14.0);
    assert_digits("Sxy", sums.sxy(), computed.sxy, 14.0);
    assert_digits("covariance", fit.at(0.0).covariance, computed.cov_b0_b1, 11.0);
    assert_digits("correlation", fit.at(0.0).correlation, computed.corr_b0_b1, 11.0);
    assert_eq!(norris.prediction.len(), 4);
    for prediction in &norris.prediction {
        let x = prediction.x;
        assert_digits(&format!("height at {x}"), fit.predict(x).value, prediction.value, 11.0);
        assert_digits(&format!("u of height at {x}"), fit.predict(x).u, prediction.u_mean, 11.0);
        assert_digits(&format!("u of reading at {x}"), fit.predict_new(x, 1.0).u, prediction.u_new, 11.0);
        assert_eq!(fit.predict_new(x, 1.0).value, fit.predict(x).value);
    }
}

#[test]
fn norris_between_wall_clock_stamps_keeps_its_slope_where_plain_sums_lose_it() {
    let Norris { shifted, certified, .. } = norris();
    let fit = line::fit_stamps(shifted.x.iter().copied().zip(shifted.y.iter().copied())).unwrap();
    let slope = fit.line.slope();
    assert_digits("slope", slope.value, certified.b1, 11.0);
    assert_digits("slope", slope.value, shifted.slope, 11.0);
    assert_digits("sd of slope", slope.u, shifted.sd_slope, 11.0);
    assert_digits("residual sd", fit.line.residual_sd(), shifted.residual_sd, 11.0);
    let x_mean = fit.line.x_mean() + (fit.device_reference - shifted.shift) as f64;
    assert_digits("mean x", x_mean, shifted.mean_x_minus_shift, 13.0);
    let y_offset = (fit.host_reference_ns - shifted.shift) as f64;
    assert_digits("mean y", fit.line.y_mean() + y_offset, shifted.mean_y_minus_shift, 13.0);
    let at_shift = fit.predict(shifted.shift).unwrap().value + y_offset;
    assert_digits("height at the shift", at_shift, shifted.y_at_x_equal_shift_minus_shift, 11.0);

    // The control: plain sums are good enough for NIST's own numbers, and worthless on the shifted ones.
    let Norris { x, y, .. } = norris();
    let unshifted = slope_from_raw_sums(x.into_iter(), y.into_iter());
    assert_digits("slope from raw sums, not shifted", unshifted, certified.b1, 9.0);
    let naive = slope_from_raw_sums(
        shifted.x.iter().map(|&stamp| stamp as f64),
        shifted.y.iter().map(|&stamp| stamp as f64),
    );
    assert!(
        agreeing_digits(naive, shifted.slope) < 3.0,
        "plain sums gave {naive}: the shifted data would prove nothing"
    );
}

#[derive(Deserialize)]
struct NoIntercept {
    degrees_of_freedom: u32,
    x: Vec<f64>,
    y: Vec<f64>,
    certified: NoInterceptCertified,
}

#[derive(Deserialize)]
struct NoInterceptCertified {
    b1: f64,
    sd_b1: f64,
    residual_sd: f64,
    r_squared: f64,
}

#[test]
fn noint1_through_the_origin_comes_out_with_thirteen_certified_digits() {
    let data: NoIntercept = read_toml("noint1.toml");
    assert_eq!((data.x.len(), data.y.len()), (11, 11));
    let fit = line::fit_through_origin(data.x.iter().zip(&data.y).map(|(&x, &y)| (x, y, 1.0))).unwrap();
    assert_digits("slope", fit.slope().value, data.certified.b1, 13.0);
    assert_digits("sd of slope", fit.slope().u, data.certified.sd_b1, 13.0);
    assert_digits("residual sd", fit.residual_sd(), data.certified.residual_sd, 13.0);
    let residual_ss = fit.residual_sd().powi(2) * f64::from(data.degrees_of_freedom);
    let total_ss: f64 = data.y.iter().map(|y| y * y).sum();
    assert_digits("R squared", 1.0 - residual_ss / total_ss, data.certified.r_squared, 13.0);
    assert_eq!(fit.slope().degrees_of_freedom, f64::from(data.degrees_of_freedom));
    // The slope's uncertainty scales with the distance from the origin, on both sides.
    assert_digits("u at -100", fit.predict(-100.0).u, 100.0 * data.certified.sd_b1, 13.0);
}

#[derive(Deserialize)]
struct Thermometer {
    t0: f64,
    t: Vec<f64>,
    b: Vec<f64>,
    published: ThermometerPublished,
    computed: ThermometerComputed,
    from_memory: ThermometerFromMemory,
}

#[derive(Deserialize)]
struct ThermometerPublished {
    y1: f64,
    u_y1: f64,
    y2: f64,
    u_y2: f64,
    r: f64,
    s: f64,
    b_30: f64,
    u_b_30: f64,
}

#[derive(Deserialize)]
struct ThermometerComputed {
    y1: f64,
    u_y1: f64,
    y2: f64,
    u_y2: f64,
    r: f64,
    s: f64,
    residual_ss: f64,
    b_30: f64,
    u_b_30: f64,
    u_new_30: f64,
    t_mean: f64,
    y1_centroid: f64,
    u_y1_centroid: f64,
}

#[derive(Deserialize)]
struct ThermometerFromMemory {
    predicted: Vec<f64>,
    difference: Vec<f64>,
    t_mean: f64,
    y1_centroid: f64,
    u_y1_centroid: f64,
}

fn thermometer() -> (Thermometer, LineAccumulator) {
    let data: Thermometer = read_toml("thermometer.toml");
    assert_eq!((data.t.len(), data.b.len()), (11, 11));
    let sums = sums(&data.t, &data.b);
    (data, sums)
}

#[test]
fn the_gum_thermometer_gives_the_printed_line_correlation_and_correction_at_30_degrees() {
    let (data, sums) = thermometer();
    let published = &data.published;
    let fit = sums.fit().unwrap();
    let at_t0 = fit.at(data.t0);
    assert_prints_as("y1", at_t0.intercept, published.y1, 4);
    assert_prints_as("u(y1)", at_t0.u_intercept, published.u_y1, 4);
    assert_prints_as("y2", at_t0.slope, published.y2, 5);
    assert_prints_as("u(y2)", at_t0.u_slope, published.u_y2, 5);
    assert_prints_as("r(y1, y2)", at_t0.correlation, published.r, 3);
    assert_prints_as("s", fit.residual_sd(), published.s, 4);
    assert_prints_as("b(30 °C)", fit.predict(30.0).value, published.b_30, 4);
    assert_prints_as("u(b(30 °C))", fit.predict(30.0).u, published.u_b_30, 4);
}

#[test]
fn the_gum_thermometer_agrees_with_a_60_digit_computation_to_one_part_in_a_billion() {
    let (data, sums) = thermometer();
    let computed = &data.computed;
    let fit = sums.fit().unwrap();
    let at_t0 = fit.at(data.t0);
    for (what, got, want) in [
        ("y1", at_t0.intercept, computed.y1),
        ("u(y1)", at_t0.u_intercept, computed.u_y1),
        ("y2", at_t0.slope, computed.y2),
        ("u(y2)", at_t0.u_slope, computed.u_y2),
        ("r(y1, y2)", at_t0.correlation, computed.r),
        ("s", fit.residual_sd(), computed.s),
        ("residual sum of squares", sums.residual_ss(), computed.residual_ss),
        ("b(30 °C)", fit.predict(30.0).value, computed.b_30),
        ("u(b(30 °C))", fit.predict(30.0).u, computed.u_b_30),
        ("u of a reading at 30 °C", fit.predict_new(30.0, 1.0).u, computed.u_new_30),
        ("mean t", fit.x_mean(), computed.t_mean),
        ("height at the mean", fit.y_mean(), computed.y1_centroid),
        ("u at the mean", fit.predict(fit.x_mean()).u, computed.u_y1_centroid),
    ] {
        assert_digits(what, got, want, 9.0);
    }
    // Moving the correlated pair from 20 °C to 30 °C by the law of propagation gives the same uncertainty.
    let step = 30.0 - data.t0;
    let propagated =
        at_t0.u_intercept.powi(2) + (step * at_t0.u_slope).powi(2) + 2.0 * step * at_t0.covariance;
    assert_digits("u by propagation", propagated.sqrt(), computed.u_b_30, 9.0);
}

#[test]
fn the_gum_table_of_predicted_corrections_and_the_centroid_form_come_out_as_remembered() {
    let (data, sums) = thermometer();
    let remembered = &data.from_memory;
    let fit = sums.fit().unwrap();
    assert_eq!((remembered.predicted.len(), remembered.difference.len()), (11, 11));
    for (index, (&t, &b)) in data.t.iter().zip(&data.b).enumerate() {
        let predicted = fit.predict(t).value;
        assert_prints_as(&format!("predicted, row {index}"), predicted, remembered.predicted[index], 4);
        assert_prints_as(&format!("difference, row {index}"), b - predicted, remembered.difference[index], 4);
    }
    let centre = fit.at(fit.x_mean());
    assert_prints_as("mean t", centre.x, remembered.t_mean, 4);
    assert_prints_as("height at the mean", centre.intercept, remembered.y1_centroid, 4);
    assert_prints_as("u at the mean", centre.u_intercept, remembered.u_y1_centroid, 4);
    assert_eq!(centre.covariance, 0.0, "at the mean, height and slope do not depend on each other");
}
