//! How steady a clock is, by the measures of the trade: Allan, modified Allan and Hadamard deviation, time deviation,
//! TIErms and MTIE.
//!
//! All take the *time error* x of one clock against another, in seconds, at even spacing `tau0_s` and without gaps,
//! and an averaging factor n: the interval looked at is τ = n·τ₀. Here x is the headset's clock minus the phone's: it
//! rises while the headset's clock runs fast. None of the measures depends on that sign.
//!
//! A constant offset changes no measure. A constant drift changes TIErms and MTIE only; a drift that itself changes at a
//! constant pace leaves the Hadamard deviation at zero.
//!
//! `None` is the answer where the record is too short for n, where n is 0, where `tau0_s` is not positive and finite, and
//! where a value used, or the result, is not finite. Only + − × ÷ √ and comparisons are used: same input, same bits.
//!
//! Sources: ITU-T Recommendation G.810 (08/96), Definitions and terminology for synchronization networks, clause 4.5
//! and Appendix II, where the Allan deviation is the overlapping one (formulas from memory); W. J. Riley, Handbook of
//! Frequency Stability Analysis, NIST Special Publication 1065 (2008). The check values beside the tests name their
//! own sources.

use std::collections::VecDeque;

/// Most points that [`evenly_spaced`] makes: four months of seconds, 80 MB.
pub const MOST_POINTS: usize = 10_000_000;

/// Time error from frequency: the running sum of y·τ₀, beginning with 0.
///
/// `frequency` is the fractional frequency y averaged over each interval (1 ppm is 1e-6; positive: the headset's clock
/// runs fast); the answer is in seconds and one point longer, at the ends of the intervals. Rounding does not pile up,
/// however long the record. From a y that is not finite on, the points are NaN, which every measure refuses. Cost:
/// O(N). Source: the definition of frequency as the slope of the time error.
#[must_use]
pub fn time_error_from_frequency(frequency: &[f64], tau0_s: f64) -> Vec<f64> {
    running_sums(frequency).map(|sum| sum.value() * tau0_s).collect()
}

/// Allan deviation of n·τ₀ without overlap: the scatter of the frequency from one interval to the next.
///
/// Of the points 0, n, 2n …, M of them: the square root of the sum of (x₍ᵢ₊₂₎ − 2x₍ᵢ₊₁₎ + xᵢ)², over 2τ²(M − 2).
/// Without unit (a fractional frequency; 1e-6 is 1 ppm), ≥ 0. Needs 2n + 1 points. [`overlapping_allan_deviation`]
/// estimates the same with less scatter. Cost: O(N/n). Source: NIST SP 1065 (ADEV).
#[must_use]
pub fn allan_deviation(x_s: &[f64], tau0_s: f64, n: usize) -> Option<f64> {
    let tau_s = tau_s(tau0_s, n)?;
    let apart: Vec<f64> = x_s.iter().copied().step_by(n).collect();
    finite(root_mean_square(second_differences(&apart, 1)?)? / (2.0_f64.sqrt() * tau_s))
}

/// Allan deviation of n·τ₀ from every point at which an interval can begin; the ADEV of G.810.
///
/// The square root of the sum over i of (x₍ᵢ₊₂ₙ₎ − 2x₍ᵢ₊ₙ₎ + xᵢ)², over 2τ²(N − 2n). Without unit (1e-6 is 1 ppm), ≥
/// 0. Needs 2n + 1 points. Cost: O(N), nothing stored. Source: G.810 II.1; NIST SP 1065 (overlapping ADEV).
#[must_use]
pub fn overlapping_allan_deviation(x_s: &[f64], tau0_s: f64, n: usize) -> Option<f64> {
    let tau_s = tau_s(tau0_s, n)?;
    finite(root_mean_square(second_differences(x_s, n)?)? / (2.0_f64.sqrt() * tau_s))
}

/// Modified Allan deviation of n·τ₀: as Allan's, with the time error averaged over n points first, so that noise of the
/// readings falls off faster (τ to the −3/2) than noise of the clock.
///
/// The square root of the sum over j of [Σᵢ (x₍ᵢ₊₂ₙ₎ − 2x₍ᵢ₊ₙ₎ + xᵢ), i from j to j + n − 1]², over 2n²τ²(N − 3n + 1).
/// Without unit (1e-6 is 1 ppm), ≥ 0. Needs 3n points. Cost: O(N) for any n, 16 bytes a point. Source: G.810 II.2;
/// NIST SP 1065 (MDEV).
#[must_use]
pub fn modified_allan_deviation(x_s: &[f64], tau0_s: f64, n: usize) -> Option<f64> {
    finite(averaged_second_difference(x_s, tau0_s, n)? / (2.0_f64.sqrt() * tau_s(tau0_s, n)?))
}

/// Time deviation of n·τ₀: how far the time error, averaged over n points, strays from what its neighbours foretell.
///
/// Modified Allan deviation times τ/√3. Seconds, ≥ 0. For white noise of the readings alone it is their standard
/// deviation over √n. Needs 3n points. Cost: as [`modified_allan_deviation`]. Source: G.810 II.3; NIST SP 1065 (TDEV).
#[must_use]
pub fn time_deviation_s(x_s: &[f64], tau0_s: f64, n: usize) -> Option<f64> {
    finite(averaged_second_difference(x_s, tau0_s, n)? / 6.0_f64.sqrt())
}

/// Hadamard deviation of n·τ₀ without overlap: as Allan's, and blind to a drift that changes at a constant pace.
///
/// Of the points 0, n, 2n …, M of them: the square root of the sum of (x₍ᵢ₊₃₎ − 3x₍ᵢ₊₂₎ + 3x₍ᵢ₊₁₎ − xᵢ)², over 6τ²(M −
/// 3). Without unit (1e-6 is 1 ppm), ≥ 0. Needs 3n + 1 points. Cost: O(N/n). Source: NIST SP 1065 (HDEV).
#[must_use]
pub fn hadamard_deviation(x_s: &[f64], tau0_s: f64, n: usize) -> Option<f64> {
    let tau_s = tau_s(tau0_s, n)?;
    let apart: Vec<f64> = x_s.iter().copied().step_by(n).collect();
    finite(root_mean_square(third_differences(&apart, 1)?)? / (6.0_f64.sqrt() * tau_s))
}

/// Hadamard deviation of n·τ₀ from every point at which an interval can begin.
///
/// The square root of the sum over i of (x₍ᵢ₊₃ₙ₎ − 3x₍ᵢ₊₂ₙ₎ + 3x₍ᵢ₊ₙ₎ − xᵢ)², over 6τ²(N − 3n). Without unit (1e-6 is
/// 1 ppm), ≥ 0. Needs 3n + 1 points. Cost: O(N), nothing stored. Source: NIST SP 1065 (overlapping HDEV).
#[must_use]
pub fn overlapping_hadamard_deviation(x_s: &[f64], tau0_s: f64, n: usize) -> Option<f64> {
    let tau_s = tau_s(tau0_s, n)?;
    finite(root_mean_square(third_differences(x_s, n)?)? / (6.0_f64.sqrt() * tau_s))
}

/// TIErms of n·τ₀: root mean square of what the time error changes by over the interval, drift included.
///
/// The square root of the sum over i of (x₍ᵢ₊ₙ₎ − xᵢ)², over N − n. Seconds, ≥ 0. Needs n + 1 points. Cost: O(N),
/// nothing stored. Source: G.810 II.4.
#[must_use]
pub fn tie_rms_s(x_s: &[f64], n: usize) -> Option<f64> {
    let later = x_s.get(n..).filter(|_| n > 0)?;
    finite(root_mean_square(x_s.iter().zip(later).map(|(now, later)| later - now))?)
}

/// MTIE of n·τ₀, the maximum time interval error: the widest range of the time error inside any window of that length,
/// drift included.
///
/// The greatest, over all windows of n + 1 neighbouring points, of the greatest minus the least x. Seconds, ≥ 0; never
/// falls as n grows. Needs n + 1 points. Cost: O(N) for any n, and memory for the n + 1 points of a window, twice.
/// Source: G.810 II.5.
#[must_use]
pub fn mtie_s(x_s: &[f64], n: usize) -> Option<f64> {
    if n == 0 || x_s.len() <= n || x_s.iter().any(|x| !x.is_finite()) {
        return None;
    }
    let (mut greatest, mut least_negated) = (Greatest::default(), Greatest::default());
    let mut widest_s = 0.0;
    for (index, &x) in x_s.iter().enumerate() {
        let range_s = greatest.of_window(index, n, x) + least_negated.of_window(index, n, -x);
        if range_s > widest_s {
            widest_s = range_s;
        }
    }
    finite(widest_s)
}

/// The measures of one averaging interval, a point of each curve of a plot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Octave {
    /// Averaging factor: 1, 2, 4 …
    pub n: usize,
    /// The interval n·τ₀, s.
    pub tau_s: f64,
    /// [`overlapping_allan_deviation`], without unit.
    pub allan: f64,
    /// Relative standard uncertainty of `allan`, at most: 1/√m, m the whole intervals that fit into the record. About
    /// right for noise of the clock (half to all of it), far too cautious for noise of the readings at n above 4. From
    /// memory of IEEE Std 1139, and checked by simulation.
    pub allan_relative_u: f64,
    /// [`modified_allan_deviation`], without unit.
    pub modified_allan: Option<f64>,
    /// [`overlapping_hadamard_deviation`], without unit.
    pub hadamard: Option<f64>,
    /// [`time_deviation_s`], s.
    pub time_deviation_s: Option<f64>,
    /// [`tie_rms_s`], s.
    pub tie_rms_s: f64,
    /// [`mtie_s`], s.
    pub mtie_s: f64,
}

/// All measures at the averaging factors 1, 2, 4 … as far as the record has an Allan deviation (2n + 1 points).
///
/// Units as in [`Octave`]. Empty where not even n = 1 has an answer; ends where a value is not finite. Of the greatest
/// factors some measures need more points than there are and are `None`. Cost: O(N log N).
#[must_use]
pub fn octaves(x_s: &[f64], tau0_s: f64) -> Vec<Octave> {
    let factors = std::iter::successors(Some(1_usize), |n| n.checked_mul(2));
    factors
        .map_while(|n| {
            Some(Octave {
                n,
                tau_s: tau_s(tau0_s, n)?,
                allan: overlapping_allan_deviation(x_s, tau0_s, n)?,
                allan_relative_u: 1.0 / ((x_s.len().checked_sub(1)? / n) as f64).sqrt(),
                modified_allan: modified_allan_deviation(x_s, tau0_s, n),
                hadamard: overlapping_hadamard_deviation(x_s, tau0_s, n),
                time_deviation_s: time_deviation_s(x_s, tau0_s, n),
                tie_rms_s: tie_rms_s(x_s, n)?,
                mtie_s: mtie_s(x_s, n)?,
            })
        })
        .collect()
}

/// The time error of a replayed clock, at even spacing.
#[derive(Clone, Debug, PartialEq)]
pub struct EvenlySpaced {
    /// Device time of the first point, s.
    pub start_s: f64,
    /// Spacing, s.
    pub tau0_s: f64,
    /// Time error of the headset's clock against the phone's, s: positive where it is ahead, rising where it runs fast.
    pub x_s: Vec<f64>,
    /// Longest time between two neighbouring knots, s. Below it a measure shows the straight lines between the knots,
    /// which are steadier than any clock.
    pub longest_step_s: f64,
}

/// The time error of a replayed clock at even spacing, by straight lines between its knots.
///
/// A knot is a device time in s and the *residual* there in µs: host time minus device time, so that the time error is
/// minus the residual. The answer runs from the first knot by steps of `tau0_s`, and not past the last knot. It says
/// how steady the *estimate* is: a smoothing estimator hides the clock's own noise at intervals shorter than it
/// smooths over.
///
/// `None` where there are fewer than two knots, their times do not rise, a number or `tau0_s` is not finite, `tau0_s`
/// is not positive, or more than [`MOST_POINTS`] points would be needed. Cost: O(knots + points). Source: none, our
/// own.
#[must_use]
pub fn evenly_spaced(knots: impl IntoIterator<Item = (f64, f64)>, tau0_s: f64) -> Option<EvenlySpaced> {
    let knots: Vec<(f64, f64)> = knots.into_iter().collect();
    let (&(start_s, _), &(end_s, _)) = (knots.first()?, knots.last()?);
    let all_finite =
        knots.iter().all(|(device_s, residual_us)| device_s.is_finite() && residual_us.is_finite());
    let rising = knots.iter().zip(knots.iter().skip(1)).all(|(left, right)| left.0 < right.0);
    let steps = (end_s - start_s) / tau_s(tau0_s, 1)?;
    if knots.len() < 2 || !all_finite || !rising || steps >= MOST_POINTS as f64 - 1.0 {
        return None;
    }
    // A last point that rounding alone puts past the last knot counts as on it.
    let points = (steps * (1.0 + 1e-12)).floor() as usize + 1;
    let mut segments = knots.iter().zip(knots.iter().skip(1)).peekable();
    let mut x_s = Vec::with_capacity(points);
    for point in 0..points {
        let at_s = (start_s + point as f64 * tau0_s).min(end_s);
        while segments.next_if(|(_, right)| right.0 < at_s).is_some() {}
        let (left, right) = segments.peek()?;
        let share = (at_s - left.0) / (right.0 - left.0);
        x_s.push(-((1.0 - share) * left.1 + share * right.1) * 1e-6);
    }
    let steps_s = knots.iter().zip(knots.iter().skip(1)).map(|(left, right)| right.0 - left.0);
    Some(EvenlySpaced { start_s, tau0_s, x_s, longest_step_s: steps_s.fold(0.0, f64::max) })
}

/// The interval, s, if it is one.
fn tau_s(tau0_s: f64, n: usize) -> Option<f64> {
    let tau_s = tau0_s * n as f64;
    (tau_s > 0.0 && tau_s.is_finite()).then_some(tau_s)
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// `None` where there are no values.
fn root_mean_square(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (mut count, mut squares) = (0_usize, 0.0);
    for value in values {
        count += 1;
        squares += value * value;
    }
    (count > 0).then(|| (squares / count as f64).sqrt())
}

fn second_differences(x_s: &[f64], n: usize) -> Option<impl Iterator<Item = f64>> {
    let (middle, last) = (x_s.get(n..)?, x_s.get(n.checked_mul(2)?..)?);
    Some(x_s.iter().zip(middle).zip(last).map(|((a, b), c)| (c - b) - (b - a)))
}

fn third_differences(x_s: &[f64], n: usize) -> Option<impl Iterator<Item = f64>> {
    let last = x_s.get(n.checked_mul(3)?..)?;
    let inner = x_s.get(n..)?.iter().zip(x_s.get(n.checked_mul(2)?..)?);
    Some(x_s.iter().zip(inner).zip(last).map(|((a, (b, c)), d)| (d - a) - 3.0 * (c - b)))
}

/// Root mean square of the second differences at distance n of the time error averaged over n points, s.
fn averaged_second_difference(x_s: &[f64], tau0_s: f64, n: usize) -> Option<f64> {
    tau_s(tau0_s, n)?;
    let sums: Vec<Sum> = running_sums(x_s).collect();
    let (first, second) = (sums.get(n..)?, sums.get(n.checked_mul(2)?..)?);
    let third = sums.get(n.checked_mul(3)?..)?;
    let averaged = sums.iter().zip(first).zip(second).zip(third).map(|(((a, b), c), d)| {
        let (first, second, third) = (b.since(a), c.since(b), d.since(c));
        ((third - second) - (second - first)) / n as f64
    });
    root_mean_square(averaged)
}

/// A sum and what rounding has taken from it, so that the difference of two running sums is as exact as a sum of its own.
#[derive(Clone, Copy, Default)]
struct Sum {
    rounded: f64,
    lost: f64,
}

impl Sum {
    /// The rounding error of one addition is itself a floating-point number (D. E. Knuth, The Art of Computer
    /// Programming, volume 2, section 4.2.2; from memory).
    fn add(self, term: f64) -> Sum {
        let rounded = self.rounded + term;
        let term_part = rounded - self.rounded;
        let error = (self.rounded - (rounded - term_part)) + (term - term_part);
        Sum { rounded, lost: self.lost + error }
    }

    fn since(&self, earlier: &Sum) -> f64 {
        (self.rounded - earlier.rounded) + (self.lost - earlier.lost)
    }

    fn value(&self) -> f64 {
        self.rounded + self.lost
    }
}

/// The sums of the first 0, 1, … N terms.
fn running_sums(terms: &[f64]) -> impl Iterator<Item = Sum> {
    let begin = std::iter::once(Sum::default());
    begin.chain(terms.iter().scan(Sum::default(), |sum, &term| {
        *sum = sum.add(term);
        Some(*sum)
    }))
}

/// The greatest value of a sliding window: candidates in falling order, each with its index, the greatest in front.
#[derive(Default)]
struct Greatest {
    candidates: VecDeque<(usize, f64)>,
}

impl Greatest {
    /// Takes the next value and gives the greatest of it and the `n` before it.
    fn of_window(&mut self, index: usize, n: usize, value: f64) -> f64 {
        while self.candidates.pop_back_if(|&mut (_, other)| other <= value).is_some() {}
        while self.candidates.pop_front_if(|&mut (other, _)| index - other > n).is_some() {}
        self.candidates.push_back((index, value));
        self.candidates.front().map_or(value, |&(_, greatest)| greatest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    type Measure = fn(&[f64], f64, usize) -> Option<f64>;

    /// Every measure with how many points it needs at n = 2.
    const MEASURES: [(&str, Measure, usize); 8] = [
        ("Allan", allan_deviation, 5),
        ("overlapping Allan", overlapping_allan_deviation, 5),
        ("modified Allan", modified_allan_deviation, 6),
        ("time", time_deviation_s, 6),
        ("Hadamard", hadamard_deviation, 7),
        ("overlapping Hadamard", overlapping_hadamard_deviation, 7),
        ("TIErms", |x_s, _, n| tie_rms_s(x_s, n), 3),
        ("MTIE", |x_s, _, n| mtie_s(x_s, n), 3),
    ];

    #[test]
    fn a_record_one_point_too_short_has_no_measure_and_the_shortest_possible_has_one() {
        let x_s = [0.0, 1.0, 3.0, 2.0, 4.0, 7.0, 5.0];
        for (name, measure, needed) in MEASURES {
            assert_eq!(measure(&x_s[..needed - 1], 1.0, 2), None, "{name}");
            assert!(measure(&x_s[..needed], 1.0, 2).is_some(), "{name}");
            assert_eq!(measure(&[], 1.0, 1), None, "{name}");
        }
    }

    #[test]
    fn nonsense_is_answered_with_none() {
        let x_s = [0.0, 1.0, 3.0, 2.0, 4.0, 7.0, 5.0, 6.0, 6.0];
        for (place, (name, measure, _)) in MEASURES.into_iter().enumerate() {
            for n in [0, usize::MAX / 3 + 1, usize::MAX / 2 + 1, usize::MAX] {
                assert_eq!(measure(&x_s, 1.0, n), None, "{name}, n = {n}");
            }
            for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX] {
                let mut spoilt = x_s;
                spoilt[4] = bad;
                if bad == f64::MAX && name == "MTIE" {
                    assert_eq!(measure(&spoilt, 1.0, 2), Some(f64::MAX));
                } else {
                    assert_eq!(measure(&spoilt, 1.0, 2), None, "{name}, x = {bad}");
                }
            }
            if place < 6 {
                for tau0_s in [0.0, -1.0, f64::NAN, f64::INFINITY, f64::MAX] {
                    assert_eq!(measure(&x_s, tau0_s, 2), None, "{name}, tau0 = {tau0_s}");
                }
            }
        }
        assert_eq!(mtie_s(&[f64::MAX, f64::MIN], 1), None);
        assert!(octaves(&x_s, f64::NAN).is_empty());
        assert!(octaves(&x_s[..2], 1.0).is_empty());
    }

    #[test]
    fn octaves_repeat_the_single_measures_and_leave_out_what_the_record_is_too_short_for() {
        let x_s: Vec<f64> = (0..18).map(|i| f64::from(i * i % 7)).collect();
        let rows = octaves(&x_s, 0.5);
        assert_eq!(rows.iter().map(|row| row.n).collect::<Vec<_>>(), [1, 2, 4, 8]);
        for row in &rows {
            assert_eq!(row.tau_s, row.n as f64 * 0.5);
            assert_eq!(Some(row.allan), overlapping_allan_deviation(&x_s, 0.5, row.n));
            assert_eq!(row.modified_allan, modified_allan_deviation(&x_s, 0.5, row.n));
            assert_eq!(row.hadamard, overlapping_hadamard_deviation(&x_s, 0.5, row.n));
            assert_eq!(row.time_deviation_s, time_deviation_s(&x_s, 0.5, row.n));
            assert_eq!(Some(row.tie_rms_s), tie_rms_s(&x_s, row.n));
            assert_eq!(Some(row.mtie_s), mtie_s(&x_s, row.n));
        }
        assert_eq!(
            rows.iter().map(|row| row.hadamard.is_some()).collect::<Vec<_>>(),
            [true, true, true, false]
        );
        assert_eq!(rows[3].allan_relative_u, 1.0 / 2.0_f64.sqrt());
    }

    #[test]
    fn a_falling_residual_is_a_headset_that_runs_fast() {
        // Host time minus device time falls by 25 µs a second: the headset's clock gains 25 µs a second, 25 ppm.
        let even = evenly_spaced([(10.0, 100.0), (12.0, 50.0), (20.0, -150.0)], 1.0).unwrap();
        assert_eq!((even.start_s, even.tau0_s, even.longest_step_s), (10.0, 1.0, 8.0));
        assert_eq!(even.x_s.len(), 11);
        for (index, x_s) in even.x_s.iter().enumerate() {
            assert!((x_s - (-100e-6 + 25e-6 * index as f64)).abs() < 1e-18, "{index}: {x_s}");
        }
    }

    #[test]
    fn knots_lie_on_the_resampled_line_and_the_last_point_stays_inside_them() {
        let knots = [(0.0, 0.0), (0.1, -1.0), (0.25, 3.0), (0.3, 2.0)];
        let even = evenly_spaced(knots, 0.1).unwrap();
        let residual_us: Vec<f64> = even.x_s.iter().map(|x_s| -x_s * 1e6).collect();
        // 3 · 0.1 exceeds 0.3 by rounding alone; halfway and a third of the way between knots.
        for (got, want) in residual_us.iter().zip([0.0, -1.0, -1.0 + 4.0 * 2.0 / 3.0, 2.0]) {
            assert!((got - want).abs() < 1e-12, "{got} for {want}");
        }
        assert_eq!(residual_us.len(), 4);
        assert_eq!(evenly_spaced(knots, 0.16).unwrap().x_s.len(), 2);
        assert_eq!(evenly_spaced(knots, 1.0).unwrap().x_s.len(), 1);
    }

    #[test]
    fn knots_without_order_number_or_bound_are_refused() {
        let refused = |knots: &[(f64, f64)], tau0_s| evenly_spaced(knots.iter().copied(), tau0_s).is_none();
        assert!(refused(&[], 1.0));
        assert!(refused(&[(0.0, 1.0)], 1.0));
        assert!(refused(&[(0.0, 1.0), (0.0, 2.0), (5.0, 2.0)], 1.0));
        assert!(refused(&[(0.0, 1.0), (3.0, 2.0), (2.0, 2.0), (5.0, 1.0)], 1.0));
        for bad in [f64::NAN, f64::INFINITY] {
            assert!(refused(&[(0.0, 1.0), (1.0, bad)], 1.0));
            assert!(refused(&[(0.0, 1.0), (bad, 1.0)], 1.0));
            assert!(refused(&[(bad, 1.0), (1.0, 1.0)], 1.0));
        }
        for tau0_s in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(refused(&[(0.0, 1.0), (1.0, 1.0)], tau0_s));
        }
        assert!(refused(&[(0.0, 1.0), (1e9, 1.0)], 1.0));
        assert!(refused(&[(0.0, 1.0), (f64::MAX, 1.0)], f64::MIN_POSITIVE));
    }
}
