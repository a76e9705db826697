//! What errors of placement do to an average over trials.
//!
//! The average of trials that are placed with errors e is the response convolved with the density of e: each frequency f of it is
//! multiplied by the density's characteristic function at f. (Averaging as a filter under jitter: Souders, Flach, Hagwood and Yang, IEEE
//! Trans. Instrum. Meas. 39, 1990, abstract; Luck, An Introduction to the Event-Related Potential Technique, 2nd edition 2014, online
//! chapter 11, in part from memory.) For a Gaussian bump of standard deviation s and a Gaussian error of standard deviation j that is a
//! Gaussian bump again, of standard deviation √(s² + j²) and the same area, so that s/√(s² + j²) of its amplitude is left.

/// Share of the amplitude of a Gaussian bump of standard deviation `sd_ms` that is left where each trial's placement errs by a Gaussian
/// of the standard deviation given, ms: the mean over the trials, which is the height of the average where the bump was. From 0 to 1; 1 without
/// trials.
pub fn amplitude_left(sd_ms: f64, errors_sd_ms: impl IntoIterator<Item = f64>) -> f64 {
    let (mut count, mut sum) = (0_u64, 0.0);
    for error_ms in errors_sd_ms {
        count += 1;
        sum += amplitude_kept(sd_ms, error_ms);
    }
    if count == 0 { 1.0 } else { sum / count as f64 }
}

/// Share of the amplitude of a Gaussian bump of standard deviation `sd_ms` that is left where the placements scatter by a Gaussian of standard
/// deviation `error_sd_ms`: s/√(s² + j²).
pub fn amplitude_kept(sd_ms: f64, error_sd_ms: f64) -> f64 {
    sd_ms / sd_ms.hypot(error_sd_ms)
}
