//! Which sync pairs a line is fitted to: those on the lower envelope of the delays.
//!
//! A regression over all arrivals is wrong by the mean delay and its trends. The least delayed packet of each
//! stretch of the recording is what comes closest to the clock, so the line goes through those, each weighed by
//! how little it lies above the others.

use crate::block::{Arrival, WorkingLine};
use crate::line::{LineAccumulator, LineError, LineFit};
use crate::number::{count, greater, lesser};

/// Stretches that a recording is divided into.
const STRETCHES: usize = 64;

/// The line through the lower envelope, and what it was fitted to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EnvelopeLine {
    /// The fitted line: x is device time in s, y is residual in µs, so that the slope is in ppm.
    pub fit: LineFit,
    /// Least and greatest device time of the arrivals, s.
    pub from_s: f64,
    /// See `from_s`.
    pub to_s: f64,
}

impl EnvelopeLine {
    /// The line as a frame to take residuals against.
    pub fn working(&self) -> WorkingLine {
        WorkingLine {
            origin_s: self.fit.x_mean(),
            offset_us: self.fit.y_mean(),
            rate_ppm: self.fit.slope().value,
        }
    }
}

/// Fits a line to the least delayed arrival of each stretch: three rounds, since which arrival is least delayed
/// depends on the line. Cost: four passes over the arrivals.
///
/// # Errors
/// [`LineError`] where fewer than three stretches hold arrivals or all have one device time.
pub fn envelope_line<I>(arrivals: I) -> Result<EnvelopeLine, LineError>
where
    I: Iterator<Item = Arrival> + Clone,
{
    let (mut from_s, mut to_s) = (f64::INFINITY, f64::NEG_INFINITY);
    for arrival in arrivals.clone() {
        from_s = lesser(arrival.device_s, from_s);
        to_s = greater(arrival.device_s, to_s);
    }
    let mut rate = 0.0;
    let mut fit = Err(LineError::TooFewPoints { points: 0, needed: 3 });
    for _ in 0..3 {
        let mut least: [Option<(f64, f64, f64)>; STRETCHES] = [None; STRETCHES];
        let stretches_per_s = if to_s > from_s { count(STRETCHES) / (to_s - from_s) } else { 0.0 };
        for arrival in arrivals.clone() {
            let x = arrival.device_s;
            let above = arrival.residual_us - rate * (x - from_s);
            let stretch = stretch((x - from_s) * stretches_per_s);
            if let Some(slot) = least.get_mut(stretch)
                && slot.is_none_or(|(_, _, had)| above < had)
            {
                *slot = Some((x, arrival.residual_us, above));
            }
        }
        let line = weigh(&least)?;
        rate = line.slope().value;
        fit = Ok(line);
    }
    fit.map(|fit| EnvelopeLine { fit, from_s, to_s })
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "between 0 and STRETCHES, and `as` saturates"
)]
fn stretch(value: f64) -> usize {
    let index = value as usize;
    if index < STRETCHES { index } else { STRETCHES - 1 }
}

/// Fits the minima, each weighed by the inverse square of how far it lies above the lower half of them.
fn weigh(least: &[Option<(f64, f64, f64)>]) -> Result<LineFit, LineError> {
    let pairs = || least.iter().flatten().copied();
    let mut sums = LineAccumulator::new();
    for (x, y, _) in pairs() {
        sums.add(x, y, 1.0)?;
    }
    let mut fit = sums.fit()?;
    for _ in 0..4 {
        let (mut below, mut n) = (0.0, 0.0);
        for (x, y, _) in pairs() {
            let off = y - fit.predict(x).value;
            if off < 0.0 {
                below -= off;
                n += 1.0;
            }
        }
        let scale = if n > 0.0 { below / n + 1e-3 } else { 1.0 };
        let mut sums = LineAccumulator::new();
        for (x, y, _) in pairs() {
            let off = y - fit.predict(x).value;
            let above = if off > 0.0 { off } else { 0.0 };
            sums.add(x, y, scale * scale / (scale * scale + above * above))?;
        }
        fit = sums.fit()?;
    }
    Ok(fit)
}

#[cfg(test)]
mod tests {
    use super::{Arrival, LineError, envelope_line};

    #[test]
    fn the_last_arrival_counts_and_three_make_a_line() {
        let arrivals = [0.0, 32.0, 64.0].map(|device_s| Arrival::new(device_s, 500.0 + 20.0 * device_s));
        let line =
            envelope_line(arrivals.into_iter()).map(|line| (line.fit.slope().value, line.fit.x_mean()));
        assert!(
            line.is_ok_and(|(slope, middle_s)| (slope - 20.0).abs() < 1e-9 && (middle_s - 32.0).abs() < 1e-9)
        );
        let two = envelope_line(arrivals.into_iter().take(2)).map(|line| line.from_s);
        assert_eq!(two, Err(LineError::TooFewPoints { points: 2, needed: 3 }));
    }

    #[test]
    fn a_stretch_whose_packets_were_all_late_hardly_counts() {
        let line = |n: u8, late_us: f64| {
            let device_s = f64::from(n);
            Arrival::new(device_s, 18_000.0 + 20.0 * device_s + late_us)
        };
        // A packet each second of a minute, 10 µs of scatter; one second's came 5 ms later.
        let arrivals = (0..64_u8).map(|n| line(n, if n == 50 { 5_000.0 } else { f64::from(n % 3) * 10.0 }));
        let fit = envelope_line(arrivals).map(|line| (line.fit.predict(32.0).value, line.fit.slope().value));
        // Counted like the others, it would lift the line by 5 ms ÷ 64, and tilt it by 4 ppm.
        assert!(
            fit.is_ok_and(|(at_us, ppm)| (at_us - 18_650.0).abs() < 15.0 && (ppm - 20.0).abs() < 0.5),
            "{fit:?}"
        );
    }
}
