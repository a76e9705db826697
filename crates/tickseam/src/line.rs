//! The straight line through weighted points, by least squares: what two clocks look like while their rates hold.
//!
//! `x` and `y` carry any unit, for instance device ticks and host nanoseconds; the slope has the unit of `y` per unit
//! of `x`. With the device's elapsed nanoseconds as `x` and the host's as `y`, a headset's clock that runs fast against
//! the phone's (positive drift) gives a slope *below* one.
//!
//! Everything is kept as deviations from running means, and the residual sum of squares grows by one squared
//! prediction error a point. Nothing is ever obtained as a small difference of two large sums, so residuals of
//! nanoseconds survive hours of elapsed time. Source of the formulas: ordinary least squares as in JCGM 100:2008
//! (GUM), annex H.3, with weights; the recursive residual is that of Brown, Durbin and Evans (1975; from memory, and
//! confirmed by the tests against a two-pass computation).

use libm::sqrt;

use crate::student::coverage_factor_95;

/// Why no line could be given, or an observation was refused. A refused observation changes nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineError {
    /// Too few points: with fewer than `needed` the answer would be an invention.
    TooFewPoints {
        /// Points observed so far.
        points: u32,
        /// Points that this answer needs.
        needed: u32,
    },
    /// All points have the same `x` (or all are at zero, for a line through the origin), so they say nothing of the
    /// slope.
    NoSpread,
    /// A value, weight or variance is NaN or infinite, or so large that the sums would be.
    NotFinite,
    /// A weight that is zero or negative, or a variance that is negative.
    NotPositive,
    /// A stamp lies further from its reference than an `i64` holds.
    OutOfRange,
}

impl core::fmt::Display for LineError {
    fn fmt(&self, formatter: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TooFewPoints { points, needed } => {
                write!(formatter, "a line needs {needed} points here, and has {points}")
            }
            Self::NoSpread => formatter.write_str("all points have the same x: the slope is unknown"),
            Self::NotFinite => formatter.write_str("a value is not finite, or too large to sum"),
            Self::NotPositive => formatter.write_str("a weight must be positive, a variance not negative"),
            Self::OutOfRange => formatter.write_str("a stamp is too far from the reference"),
        }
    }
}

impl core::error::Error for LineError {}

/// A value read from a fitted line, with what is known of its error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Predicted {
    /// The value, in the unit of `y` (of the slope: `y` per `x`).
    pub value: f64,
    /// Standard uncertainty (one standard deviation) of `value`, same unit, not negative.
    pub u: f64,
    /// Degrees of freedom behind `u`, at least 1; infinity when the scatter was given instead of estimated.
    pub degrees_of_freedom: f64,
}

impl Predicted {
    /// Half-width of the 95 % interval around `value`, same unit: `u` times the Student factor.
    ///
    /// Infinity when `degrees_of_freedom` is below 1, which no fit of this module yields.
    #[must_use]
    pub fn u95(&self) -> f64 {
        match coverage_factor_95(self.degrees_of_freedom) {
            Some(factor) => factor * self.u,
            None => f64::INFINITY,
        }
    }
}

/// Value, slope and their joint uncertainty at one chosen `x`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineAt {
    /// The chosen `x`, the reference of the intercept.
    pub x: f64,
    /// Height of the line at `x`, in the unit of `y`.
    pub intercept: f64,
    /// Standard uncertainty of `intercept`.
    pub u_intercept: f64,
    /// Slope, in the unit of `y` per unit of `x`.
    pub slope: f64,
    /// Standard uncertainty of `slope`.
    pub u_slope: f64,
    /// Covariance of `intercept` and `slope`: negative left of the mean of the points, zero there, positive right.
    pub covariance: f64,
    /// Correlation of `intercept` and `slope`, −1 to 1; zero when the scatter is zero.
    pub correlation: f64,
}

/// Running sums for a straight line; one observation at a time, memory that does not grow.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LineAccumulator {
    points: u32,
    weight_sum: f64,
    x_mean: f64,
    y_mean: f64,
    sxx: f64,
    sxy: f64,
    syy: f64,
    residual_ss: f64,
}

impl LineAccumulator {
    /// Starts with no points.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            points: 0,
            weight_sum: 0.0,
            x_mean: 0.0,
            y_mean: 0.0,
            sxx: 0.0,
            sxy: 0.0,
            syy: 0.0,
            residual_ss: 0.0,
        }
    }

    /// Adds the reading `y` at `x`.
    ///
    /// `weight` is relative, the reciprocal of the variance of this reading up to a common factor; it must be
    /// positive. Equal readings all take weight 1. Order does not matter but for the last bits; sort where bits must
    /// match.
    ///
    /// # Errors
    /// [`LineError::NotFinite`] or [`LineError::NotPositive`]; the point is then left out and nothing changes.
    ///
    /// Cost: about forty operations, four of them divisions.
    pub fn add(&mut self, x: f64, y: f64, weight: f64) -> Result<(), LineError> {
        check_weight(weight)?;
        let point = Self { points: 1, weight_sum: weight, x_mean: x, y_mean: y, ..Self::new() };
        self.merge(&point)
    }

    /// Adds all points of `other`, as if they had been added one by one.
    ///
    /// # Errors
    /// [`LineError::NotFinite`] when the sums would overflow; nothing changes then.
    ///
    /// Cost: that of [`add`](Self::add).
    pub fn merge(&mut self, other: &Self) -> Result<(), LineError> {
        if other.points == 0 {
            return Ok(());
        }
        let weight_sum = self.weight_sum + other.weight_sum;
        let share = other.weight_sum / weight_sum;
        // Weight of the contrast between the two groups' means.
        let contrast = self.weight_sum * share;
        let dx = other.x_mean - self.x_mean;
        let dy = other.y_mean - self.y_mean;
        let within_sxx = self.sxx + other.sxx;
        let within_sxy = self.sxy + other.sxy;

        let mut residual_ss = self.residual_ss + other.residual_ss;
        if self.sxx > 0.0 && other.sxx > 0.0 {
            // The price of one common slope for two groups that would each choose their own.
            let slopes_differ = self.sxy / self.sxx - other.sxy / other.sxx;
            residual_ss += slopes_differ * slopes_differ * (self.sxx * (other.sxx / within_sxx));
        }
        if within_sxx > 0.0 {
            // The price of one common height: the squared error of predicting one mean from the other.
            let missed_by = dy - within_sxy / within_sxx * dx;
            residual_ss +=
                missed_by * missed_by * contrast * (within_sxx / (within_sxx + contrast * dx * dx));
        } else if dx == 0.0 {
            residual_ss += contrast * dy * dy;
        }

        let merged = Self {
            points: self.points.saturating_add(other.points),
            weight_sum,
            x_mean: self.x_mean + dx * share,
            y_mean: self.y_mean + dy * share,
            sxx: within_sxx + contrast * dx * dx,
            sxy: within_sxy + contrast * dx * dy,
            syy: self.syy + other.syy + contrast * dy * dy,
            residual_ss,
        };
        if merged.is_finite() {
            *self = merged;
            Ok(())
        } else {
            Err(LineError::NotFinite)
        }
    }

    fn is_finite(&self) -> bool {
        self.weight_sum.is_finite()
            && self.x_mean.is_finite()
            && self.y_mean.is_finite()
            && self.sxx.is_finite()
            && self.sxy.is_finite()
            && self.syy.is_finite()
            && self.residual_ss.is_finite()
    }

    /// Points added so far; stays at the largest `u32` once there.
    #[must_use]
    pub const fn points(&self) -> u32 {
        self.points
    }

    /// Sum of the weights.
    #[must_use]
    pub const fn weight_sum(&self) -> f64 {
        self.weight_sum
    }

    /// Weighted mean of `x`; zero while there are no points.
    #[must_use]
    pub const fn x_mean(&self) -> f64 {
        self.x_mean
    }

    /// Weighted mean of `y`; zero while there are no points.
    #[must_use]
    pub const fn y_mean(&self) -> f64 {
        self.y_mean
    }

    /// Weighted sum of squared deviations of `x` from its mean.
    #[must_use]
    pub const fn sxx(&self) -> f64 {
        self.sxx
    }

    /// Weighted sum of products of the deviations of `x` and `y` from their means.
    #[must_use]
    pub const fn sxy(&self) -> f64 {
        self.sxy
    }

    /// Weighted sum of squared deviations of `y` from its mean.
    #[must_use]
    pub const fn syy(&self) -> f64 {
        self.syy
    }

    /// Weighted sum of squared residuals about the line; zero for points that lie on it exactly.
    #[must_use]
    pub const fn residual_ss(&self) -> f64 {
        self.residual_ss
    }

    /// The line, with the scatter estimated from the points themselves.
    ///
    /// # Errors
    /// [`LineError::TooFewPoints`] below three, [`LineError::NoSpread`] when they share one `x`.
    pub fn fit(&self) -> Result<LineFit, LineError> {
        self.require(3)?;
        let degrees_of_freedom = f64::from(self.points.saturating_sub(2));
        self.fit_with(self.residual_ss / degrees_of_freedom, degrees_of_freedom)
    }

    /// The line, when the scatter is known beforehand.
    ///
    /// `unit_variance` is the variance of a reading of weight 1, in the unit of `y` squared, zero or more. Give 1 when
    /// the weights are the reciprocals of the readings' variances. The 95 % factor is then that of the normal
    /// distribution; the residuals are not consulted, so compare them with `unit_variance` to see whether it holds.
    ///
    /// # Errors
    /// [`LineError::TooFewPoints`] below two, [`LineError::NoSpread`] when they share one `x`,
    /// [`LineError::NotFinite`] or [`LineError::NotPositive`] for an impossible variance.
    pub fn fit_with_known_scatter(&self, unit_variance: f64) -> Result<LineFit, LineError> {
        check_variance(unit_variance)?;
        self.require(2)?;
        self.fit_with(unit_variance, f64::INFINITY)
    }

    const fn require(&self, needed: u32) -> Result<(), LineError> {
        if self.points < needed {
            return Err(LineError::TooFewPoints { points: self.points, needed });
        }
        Ok(())
    }

    fn fit_with(&self, residual_variance: f64, degrees_of_freedom: f64) -> Result<LineFit, LineError> {
        let slope = self.sxy / self.sxx;
        if self.sxx > 0.0 && slope.is_finite() {
            Ok(LineFit {
                slope,
                x_mean: self.x_mean,
                y_mean: self.y_mean,
                weight_sum: self.weight_sum,
                sxx: self.sxx,
                residual_variance,
                degrees_of_freedom,
            })
        } else {
            Err(LineError::NoSpread)
        }
    }
}

/// A fitted straight line, a plain value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineFit {
    slope: f64,
    x_mean: f64,
    y_mean: f64,
    weight_sum: f64,
    sxx: f64,
    residual_variance: f64,
    degrees_of_freedom: f64,
}

impl LineFit {
    /// Slope in the unit of `y` per unit of `x`, with its uncertainty.
    #[must_use]
    pub fn slope(&self) -> Predicted {
        Predicted {
            value: self.slope,
            u: sqrt(self.residual_variance / self.sxx),
            degrees_of_freedom: self.degrees_of_freedom,
        }
    }

    /// Weighted mean of the points' `x`: where the height of the line is known best and is uncorrelated with the slope.
    #[must_use]
    pub const fn x_mean(&self) -> f64 {
        self.x_mean
    }

    /// Weighted mean of the points' `y`: the height of the line at [`x_mean`](Self::x_mean).
    #[must_use]
    pub const fn y_mean(&self) -> f64 {
        self.y_mean
    }

    /// Degrees of freedom of the scatter: points less two, or infinity when the scatter was given.
    #[must_use]
    pub const fn degrees_of_freedom(&self) -> f64 {
        self.degrees_of_freedom
    }

    /// Variance of a reading of weight 1 about the line, in the unit of `y` squared.
    #[must_use]
    pub const fn residual_variance(&self) -> f64 {
        self.residual_variance
    }

    /// Standard deviation of a reading of weight 1 about the line, in the unit of `y`.
    #[must_use]
    pub fn residual_sd(&self) -> f64 {
        sqrt(self.residual_variance)
    }

    /// Height of the line at `x` and the uncertainty of that height: where the *mean* of many readings would lie.
    ///
    /// It counts the statistics of the fit alone, and only as far as a straight line is true: outside the points'
    /// range the wander of the clocks comes on top.
    #[must_use]
    pub fn predict(&self, x: f64) -> Predicted {
        self.predict_with(x, 0.0)
    }

    /// One further reading at `x`, of the given positive `weight`: [`predict`](Self::predict) with that reading's own
    /// scatter added.
    #[must_use]
    pub fn predict_new(&self, x: f64, weight: f64) -> Predicted {
        self.predict_with(x, 1.0 / weight)
    }

    fn predict_with(&self, x: f64, further: f64) -> Predicted {
        let from_mean = x - self.x_mean;
        Predicted {
            value: self.y_mean + self.slope * from_mean,
            u: sqrt(
                self.residual_variance
                    * (1.0 / self.weight_sum + from_mean * (from_mean / self.sxx) + further),
            ),
            degrees_of_freedom: self.degrees_of_freedom,
        }
    }

    /// Intercept at the reference `x`, slope, and their covariance there.
    #[must_use]
    pub fn at(&self, x: f64) -> LineAt {
        let height = self.predict(x);
        let slope = self.slope();
        let covariance = self.residual_variance * ((x - self.x_mean) / self.sxx);
        let product = height.u * slope.u;
        LineAt {
            x,
            intercept: height.value,
            u_intercept: height.u,
            slope: slope.value,
            u_slope: slope.u,
            covariance,
            correlation: if product > 0.0 { covariance / product } else { 0.0 },
        }
    }
}

/// Fits a line to readings `(x, y, weight)`, the scatter estimated from the readings.
///
/// # Errors
/// Those of [`LineAccumulator::add`] and [`LineAccumulator::fit`]; one bad reading refuses the whole.
pub fn fit(readings: impl IntoIterator<Item = (f64, f64, f64)>) -> Result<LineFit, LineError> {
    let mut sums = LineAccumulator::new();
    for (x, y, weight) in readings {
        sums.add(x, y, weight)?;
    }
    sums.fit()
}

/// Running sums for a line between two clocks' integer stamps.
///
/// Stamps are counted from a reference of their own clock *before* they become floating-point numbers. Wall-clock
/// stamps of 10¹⁵ and more therefore lose nothing: differences are exact up to 2⁵³ (104 days of nanoseconds).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StampAccumulator {
    device_reference: i64,
    host_reference_ns: i64,
    sums: LineAccumulator,
}

impl StampAccumulator {
    /// Starts with no pairs. Choose the references near the stamps to come, for instance the first pair.
    #[must_use]
    pub const fn new(device_reference: i64, host_reference_ns: i64) -> Self {
        Self { device_reference, host_reference_ns, sums: LineAccumulator::new() }
    }

    /// Adds a pair: device stamp (ticks) and host stamp (ns), with a positive relative `weight`.
    ///
    /// # Errors
    /// [`LineError::OutOfRange`] and those of [`LineAccumulator::add`]; nothing changes then.
    pub fn add(&mut self, device: i64, host_ns: i64, weight: f64) -> Result<(), LineError> {
        let x = difference(device, self.device_reference)?;
        let y = difference(host_ns, self.host_reference_ns)?;
        self.sums.add(x, y, weight)
    }

    /// The sums, in ticks and ns from the references.
    #[must_use]
    pub const fn sums(&self) -> &LineAccumulator {
        &self.sums
    }

    /// The line, with the scatter estimated from the pairs.
    ///
    /// # Errors
    /// Those of [`LineAccumulator::fit`].
    pub fn fit(&self) -> Result<StampFit, LineError> {
        let Self { device_reference, host_reference_ns, sums } = *self;
        Ok(StampFit { device_reference, host_reference_ns, line: sums.fit()? })
    }
}

/// A line between two clocks' integer stamps, a plain value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StampFit {
    /// Device stamp, in ticks, from which the line's `x` counts.
    pub device_reference: i64,
    /// Host stamp, in ns, from which the line's `y` counts.
    pub host_reference_ns: i64,
    /// The line from ticks after `device_reference` to ns after `host_reference_ns`.
    pub line: LineFit,
}

impl StampFit {
    /// Host time of a device stamp, in ns after [`host_reference_ns`](Self::host_reference_ns).
    ///
    /// # Errors
    /// [`LineError::OutOfRange`].
    pub fn predict(&self, device: i64) -> Result<Predicted, LineError> {
        Ok(self.line.predict(difference(device, self.device_reference)?))
    }
}

/// Fits a line to pairs of device stamp (ticks) and host stamp (ns), all of equal weight.
///
/// The first pair is the reference of both clocks.
///
/// # Errors
/// Those of [`StampAccumulator::add`] and [`StampAccumulator::fit`]; one bad pair refuses the whole.
pub fn fit_stamps(pairs: impl IntoIterator<Item = (i64, i64)>) -> Result<StampFit, LineError> {
    let mut pairs = pairs.into_iter().peekable();
    let (device_reference, host_reference_ns) = pairs.peek().copied().unwrap_or_default();
    let mut sums = StampAccumulator::new(device_reference, host_reference_ns);
    for (device, host_ns) in pairs {
        sums.add(device, host_ns, 1.0)?;
    }
    sums.fit()
}

/// Running sums for a line through the origin: a drift whose offset is fixed beforehand.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct OriginAccumulator {
    points: u32,
    sxx: f64,
    sxy: f64,
    residual_ss: f64,
}

impl OriginAccumulator {
    /// Starts with no points.
    #[must_use]
    pub const fn new() -> Self {
        Self { points: 0, sxx: 0.0, sxy: 0.0, residual_ss: 0.0 }
    }

    /// Adds the reading `y` at `x`, both counted from the origin, with a positive relative `weight`.
    ///
    /// # Errors
    /// [`LineError::NotFinite`] or [`LineError::NotPositive`]; nothing changes then.
    pub fn add(&mut self, x: f64, y: f64, weight: f64) -> Result<(), LineError> {
        check_weight(weight)?;
        let own = weight * x * x;
        let sxx = self.sxx + own;
        let mut residual_ss = self.residual_ss;
        if self.sxx > 0.0 {
            let missed_by = y - self.sxy / self.sxx * x;
            residual_ss += missed_by * missed_by * weight * (self.sxx / sxx);
        } else if x == 0.0 {
            residual_ss += weight * y * y;
        }
        let sxy = self.sxy + weight * x * y;
        if !(sxx.is_finite() && sxy.is_finite() && residual_ss.is_finite()) {
            return Err(LineError::NotFinite);
        }
        *self = Self { points: self.points.saturating_add(1), sxx, sxy, residual_ss };
        Ok(())
    }

    /// Weighted sum of squared residuals about the line.
    #[must_use]
    pub const fn residual_ss(&self) -> f64 {
        self.residual_ss
    }

    /// The line, with the scatter estimated from the points.
    ///
    /// # Errors
    /// [`LineError::TooFewPoints`] below two, [`LineError::NoSpread`] when all lie at `x` = 0.
    pub fn fit(&self) -> Result<OriginFit, LineError> {
        if self.points < 2 {
            return Err(LineError::TooFewPoints { points: self.points, needed: 2 });
        }
        let slope = self.sxy / self.sxx;
        if !(self.sxx > 0.0 && slope.is_finite()) {
            return Err(LineError::NoSpread);
        }
        let degrees_of_freedom = f64::from(self.points.saturating_sub(1));
        Ok(OriginFit {
            slope,
            sxx: self.sxx,
            residual_variance: self.residual_ss / degrees_of_freedom,
            degrees_of_freedom,
        })
    }
}

/// A fitted line through the origin, a plain value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OriginFit {
    slope: f64,
    sxx: f64,
    residual_variance: f64,
    degrees_of_freedom: f64,
}

impl OriginFit {
    /// Slope in the unit of `y` per unit of `x`, with its uncertainty.
    #[must_use]
    pub fn slope(&self) -> Predicted {
        Predicted {
            value: self.slope,
            u: sqrt(self.residual_variance / self.sxx),
            degrees_of_freedom: self.degrees_of_freedom,
        }
    }

    /// Standard deviation of a reading of weight 1 about the line, in the unit of `y`.
    #[must_use]
    pub fn residual_sd(&self) -> f64 {
        sqrt(self.residual_variance)
    }

    /// Height of the line at `x` and its uncertainty, which is zero at the origin.
    #[must_use]
    pub fn predict(&self, x: f64) -> Predicted {
        let slope = self.slope();
        let distance = if x < 0.0 { -x } else { x };
        Predicted { value: slope.value * x, u: slope.u * distance, ..slope }
    }
}

/// Fits a line through the origin to readings `(x, y, weight)`.
///
/// # Errors
/// Those of [`OriginAccumulator::add`] and [`OriginAccumulator::fit`].
pub fn fit_through_origin(
    readings: impl IntoIterator<Item = (f64, f64, f64)>,
) -> Result<OriginFit, LineError> {
    let mut sums = OriginAccumulator::new();
    for (x, y, weight) in readings {
        sums.add(x, y, weight)?;
    }
    sums.fit()
}

fn check_weight(weight: f64) -> Result<(), LineError> {
    if !weight.is_finite() {
        Err(LineError::NotFinite)
    } else if weight > 0.0 {
        Ok(())
    } else {
        Err(LineError::NotPositive)
    }
}

fn check_variance(variance: f64) -> Result<(), LineError> {
    if !variance.is_finite() {
        Err(LineError::NotFinite)
    } else if variance >= 0.0 {
        Ok(())
    } else {
        Err(LineError::NotPositive)
    }
}

fn difference(stamp: i64, reference: i64) -> Result<f64, LineError> {
    stamp.checked_sub(reference).map(nearest_f64).ok_or(LineError::OutOfRange)
}

/// The nearest `f64`, exact up to 2⁵³ in magnitude.
#[expect(
    clippy::cast_precision_loss,
    reason = "differences stay below 2^53 in use, beyond it they are rounded"
)]
pub(crate) const fn nearest_f64(value: i64) -> f64 {
    value as f64
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::arithmetic_side_effects)]
    extern crate std;
    use super::*;
    use std::string::ToString;

    const POINTS: [(f64, f64, f64); 7] = [
        (1.0, 2.9, 1.0),
        (2.0, 5.2, 0.5),
        (2.0, 4.7, 2.0),
        (4.0, 9.3, 1.0),
        (7.0, 14.8, 4.0),
        (7.5, 16.4, 0.25),
        (9.0, 18.6, 3.0),
    ];

    fn sums(points: &[(f64, f64, f64)]) -> LineAccumulator {
        let mut sums = LineAccumulator::new();
        for &(x, y, weight) in points {
            sums.add(x, y, weight).unwrap();
        }
        sums
    }

    fn near(left: f64, right: f64) -> bool {
        (left - right).abs() <= 1e-13 * right.abs()
    }

    #[test]
    fn an_interval_without_a_degree_of_freedom_is_unbounded() {
        let predicted = |degrees_of_freedom| Predicted { value: 1.0, u: 0.5, degrees_of_freedom };
        assert_eq!(predicted(0.5).u95(), f64::INFINITY);
        // 12.706 and 1.960: two-sided 95 % points of Student's distribution at 1 and infinitely many, as any table of it has them.
        assert!((predicted(1.0).u95() - 12.706 / 2.0).abs() < 5e-4);
        assert!((predicted(f64::INFINITY).u95() - 1.960 / 2.0).abs() < 5e-4);
    }

    #[test]
    fn a_refusal_says_what_a_line_lacks() {
        let few = sums(&POINTS[..1]).fit().unwrap_err().to_string();
        assert!(few.contains("needs 3 points") && few.contains("has 1"), "{few}");
        let upright =
            sums(&[(2.0, 1.0, 1.0), (2.0, 2.0, 1.0), (2.0, 3.0, 1.0)]).fit().unwrap_err().to_string();
        assert!(upright.contains("same x"), "{upright}");
        let mut sums = sums(&POINTS);
        assert!(sums.add(f64::NAN, 1.0, 1.0).unwrap_err().to_string().contains("not finite"));
        assert!(sums.add(1.0, 1.0, 0.0).unwrap_err().to_string().contains("weight must be positive"));
        assert!(LineError::OutOfRange.to_string().contains("too far from the reference"));
    }

    #[test]
    fn recursive_residuals_sum_to_those_of_a_second_pass() {
        let sums = sums(&POINTS);
        let line = sums.fit().unwrap();
        let second_pass: f64 =
            POINTS.iter().map(|&(x, y, weight)| weight * (y - line.predict(x).value).powi(2)).sum();
        assert!(near(sums.residual_ss(), second_pass), "{} and {second_pass}", sums.residual_ss());
        let mut origin = OriginAccumulator::new();
        for (x, y, weight) in [(0.0, 0.3, 2.0)].into_iter().chain(POINTS) {
            origin.add(x, y, weight).unwrap();
        }
        let slope = origin.fit().unwrap().slope().value;
        let second_pass: f64 =
            0.18 + POINTS.iter().map(|&(x, y, weight)| weight * (y - slope * x).powi(2)).sum::<f64>();
        assert!(near(origin.residual_ss(), second_pass));
    }

    #[test]
    fn merged_halves_equal_the_whole_wherever_they_are_cut() {
        let whole = sums(&POINTS);
        for cut in 0..=POINTS.len() {
            let mut merged = sums(&POINTS[..cut]);
            merged.merge(&sums(&POINTS[cut..])).unwrap();
            assert_eq!(merged.points(), whole.points());
            for (left, right) in [
                (merged.weight_sum(), whole.weight_sum()),
                (merged.x_mean(), whole.x_mean()),
                (merged.y_mean(), whole.y_mean()),
                (merged.sxx(), whole.sxx()),
                (merged.sxy(), whole.sxy()),
                (merged.syy(), whole.syy()),
                (merged.residual_ss(), whole.residual_ss()),
            ] {
                assert!(near(left, right), "cut at {cut}: {left} and {right}");
            }
        }
    }

    #[test]
    fn two_groups_that_each_share_one_x_keep_their_scatter() {
        let mut sums = sums(&[(0.0, 1.0, 1.0), (0.0, 3.0, 1.0)]);
        assert_eq!(sums.fit_with_known_scatter(1.0), Err(LineError::NoSpread));
        assert_eq!(sums.residual_ss(), 2.0);
        sums.add(10.0, 12.0, 1.0).unwrap();
        assert_eq!(sums.residual_ss(), 2.0, "the first point elsewhere decides the slope and nothing else");
        assert_eq!(sums.fit().unwrap().slope().value, 1.0);
    }

    #[test]
    fn a_weight_of_two_moves_the_line_as_two_equal_readings_do() {
        let doubled = sums(&[(0.0, 0.0, 1.0), (1.0, 2.0, 2.0), (3.0, 3.0, 1.0)]);
        let twice = sums(&[(0.0, 0.0, 1.0), (1.0, 2.0, 1.0), (1.0, 2.0, 1.0), (3.0, 3.0, 1.0)]);
        assert!(near(doubled.fit().unwrap().slope().value, twice.fit().unwrap().slope().value));
        assert!(near(doubled.residual_ss(), twice.residual_ss()));
        assert_eq!(doubled.fit().unwrap().degrees_of_freedom(), 1.0, "points are counted, not weights");
    }

    #[test]
    fn nanosecond_residuals_survive_eight_hours_of_elapsed_time() {
        // Residuals of alternately +1 and -1 ns about a line 25 ppm off, a packet every 20 ms.
        let mut sums = StampAccumulator::new(1_700_000_000_000_000_000, 1_700_000_000_000_000_000);
        let mut stamp = 1_700_000_000_000_000_000_i64;
        for packet in 0..1_440_000_i64 {
            let host_ns = stamp + packet * 500 + if packet % 2 == 0 { 1 } else { -1 };
            sums.add(stamp, host_ns, 1.0).unwrap();
            stamp += 20_000_000;
        }
        let line = sums.fit().unwrap().line;
        assert!((line.residual_sd() - 1.0).abs() < 1e-2, "{}", line.residual_sd());
        let slope_error = line.slope().value - 1.000_025;
        assert!(
            slope_error.abs() < 1e-12,
            "{slope_error:e}: a ppm is 1e-6, and the span turns 1e-12 into 15 ns"
        );
        // The textbook difference, on the same deviations, has lost the residuals altogether.
        let sums = sums.sums();
        let textbook = (sums.syy() - sums.sxy() * sums.sxy() / sums.sxx()) / 1_439_998.0;
        assert!((textbook - 1.0).abs() > 0.5, "{textbook}");
    }

    #[test]
    fn a_refused_point_changes_nothing() {
        let mut sums = sums(&POINTS);
        let before = sums;
        for (x, y, weight, why) in [
            (f64::NAN, 0.0, 1.0, LineError::NotFinite),
            (0.0, f64::INFINITY, 1.0, LineError::NotFinite),
            (0.0, 0.0, f64::NAN, LineError::NotFinite),
            (0.0, 0.0, 0.0, LineError::NotPositive),
            (0.0, 0.0, -1.0, LineError::NotPositive),
            (1e200, 0.0, 1.0, LineError::NotFinite),
        ] {
            assert_eq!(sums.add(x, y, weight), Err(why), "({x}, {y}, {weight})");
            assert_eq!(sums, before);
            assert_eq!(OriginAccumulator::new().add(x, y, weight), Err(why), "({x}, {y}, {weight})");
        }
        let mut stamps = StampAccumulator::new(i64::MIN, 0);
        assert_eq!(stamps.add(1, 0, 1.0), Err(LineError::OutOfRange));
        assert_eq!(stamps.sums().points(), 0);
    }

    #[test]
    fn a_line_too_steep_for_the_sum_of_squares_is_refused_though_it_fits() {
        let one = sums(&[(0.0, 0.0, 1.0)]);
        let mut steep = one;
        // Any two points lie on a line. Half of 10^320 leaves the range.
        assert_eq!(steep.add(1.0, 1e160, 1.0), Err(LineError::NotFinite));
        assert_eq!(steep, one);
        assert_eq!(steep.add(1.0, 1e150, 1.0), Ok(()));
        assert!(near(steep.syy(), 0.5e300) && steep.residual_ss() == 0.0);
        // So does the line through the origin and any one point: 10^310 is out of range, and 10^200 is not.
        assert_eq!(OriginAccumulator::new().add(1e100, 1e210, 1.0), Err(LineError::NotFinite));
        assert_eq!(OriginAccumulator::new().add(1e100, 1e200, 1.0), Ok(()));
    }

    #[test]
    fn too_little_is_said_to_be_too_little() {
        let two = sums(&POINTS[..2]);
        assert_eq!(two.fit(), Err(LineError::TooFewPoints { points: 2, needed: 3 }));
        assert!(two.fit_with_known_scatter(0.5).is_ok());
        assert_eq!(two.fit_with_known_scatter(-1.0), Err(LineError::NotPositive));
        assert_eq!(two.fit_with_known_scatter(f64::NAN), Err(LineError::NotFinite));
        assert_eq!(fit([(3.0, 1.0, 1.0), (3.0, 2.0, 1.0), (3.0, 3.0, 1.0)]), Err(LineError::NoSpread));
        assert_eq!(fit_stamps([]), Err(LineError::TooFewPoints { points: 0, needed: 3 }));
        assert_eq!(fit_through_origin([(0.0, 1.0, 1.0), (0.0, 2.0, 1.0)]), Err(LineError::NoSpread));
        assert_eq!(
            fit_through_origin([(1.0, 1.0, 1.0)]),
            Err(LineError::TooFewPoints { points: 1, needed: 2 })
        );
    }

    #[test]
    fn a_known_scatter_of_two_points_gives_the_textbook_uncertainty() {
        // y = 0 and 10 at x = 0 and 10, each reading with u = 3: the mean has u = 3/sqrt(2), the slope 3 sqrt(2)/10.
        let line = sums(&[(0.0, 0.0, 1.0), (10.0, 10.0, 1.0)]).fit_with_known_scatter(9.0).unwrap();
        assert!(near(line.predict(5.0).u, 3.0 / 2.0_f64.sqrt()));
        assert!(near(line.slope().u, 0.3 * 2.0_f64.sqrt()));
        assert!(near(line.predict(0.0).u, 3.0), "at an end point only its own reading counts");
        assert!(near(line.predict_new(0.0, 0.25).u, 45.0_f64.sqrt()), "a reading of weight 1/4 adds 36 to 9");
        assert!(near(line.predict(0.0).u95(), 3.0 * 1.959_963_984_540_054));
    }

    #[test]
    fn a_perfect_line_has_no_scatter_and_no_correlation() {
        let at = sums(&[(0.0, 1.0, 1.0), (1.0, 3.0, 1.0), (2.0, 5.0, 1.0)]).fit().unwrap().at(0.0);
        assert_eq!((at.intercept, at.slope, at.u_intercept, at.u_slope), (1.0, 2.0, 0.0, 0.0));
        assert_eq!(at.correlation, 0.0);
    }

    #[test]
    fn a_fast_headset_clock_gives_a_slope_below_one() {
        // 50 ppm fast: while the phone counts 1 s, the headset counts 1.00005 s.
        let line =
            fit_stamps((0..10_i64).map(|second| (second * 1_000_050_000, second * 1_000_000_000))).unwrap();
        let slope = line.line.slope().value;
        assert!(slope < 1.0);
        assert!((slope - 1.0 / 1.000_05).abs() < 1e-15);
        assert!((line.predict(500_025_000).unwrap().value - 500_000_000.0).abs() < 1e-6);
    }
}
