//! Ramps of the host's clock: one that is brought to another time without a jump runs fast or slow until it is there.

use super::{SCATTER_QUANTILE, quantile};

/// A point of the lower envelope, the recording's own rate taken off.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    pub(super) at_s: f64,
    pub(super) level_us: f64,
}

/// A ramp between two levels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Slew {
    /// Device times before and after which the clock surely ran as usual, s.
    pub(super) from_s: f64,
    pub(super) until_s: f64,
    /// By how much the envelope lies higher afterwards, µs.
    pub(super) way_us: f64,
}

impl Slew {
    /// Whether two may be one.
    pub(super) fn meets(&self, other: &Self) -> bool {
        other.from_s < self.until_s && self.from_s < other.until_s
    }

    /// Whether a grid's phase stayed where it was meanwhile: bins that are as long as some turns of a beat make slow ramps of it.
    pub(super) fn is_refuted_by(&self, phase: &[Point]) -> bool {
        let before = &phase[..phase.partition_point(|point| point.at_s < self.from_s)];
        let after = &phase[phase.partition_point(|point| point.at_s < self.until_s)..];
        let (before, after) =
            (&before[before.len().saturating_sub(LEVEL)..], &after[..after.len().min(LEVEL)]);
        let known = before.len().min(after.len()) > 1;
        known && (level_us(after) - level_us(before)).abs() < FLAT * self.way_us.abs()
    }
}

/// Slopes that are taken for a ramp, ppm. Two crystals do not come to differ by as much as the least within minutes. System clocks are slewed by 500 ppm by common
/// practice (adjtime, no source); a queue that fills faster than the greatest is none.
const LEAST_PPM: f64 = 90.0;
const GREATEST_PPM: f64 = 1_500.0;
/// Noise must not part a ramp: stretches of so many times the least slope are looked at.
const RUN: f64 = 0.6;
/// Points that a slope is read off, and that the levels before and after are.
const SLOPE: usize = 9;
const LEVEL: usize = 6;
/// Points of a ramp and beside it that are looked at, at the most.
const LONGEST: usize = 400;
/// How much a level may change, and how far points may lie beside the ramp on average, as a share of the way.
const FLAT: f64 = 0.25;
const BESIDE: f64 = 0.1;
/// A ramp lies nearer to the points than any jump by so much, as a share; and those that lie hardly less near may be it as well.
const NO_JUMP: f64 = 0.7;
const ALIKE: f64 = 1.2;
/// The way is at least so many times what the envelope wanders by anyway.
const WANDERS: f64 = 8.0;
/// Points are no farther apart than so many times what they usually are.
const SILENCE: f64 = 4.0;

fn median(values: Vec<f64>) -> f64 {
    quantile(values, 0.5)
}

/// The median slope of all pairs of points (Theil 1950, Sen 1968), ppm: a slip of the beat among them hardly moves it.
fn slope_ppm(points: &[Point]) -> f64 {
    let pairs = points.iter().enumerate().flat_map(|(n, to)| points[..n].iter().map(move |from| (from, to)));
    median(pairs.map(|(from, to)| (to.level_us - from.level_us) / (to.at_s - from.at_s)).collect())
}

/// The slope that most of a recording has, ppm: of windows, in which noise is less than from one point to the next.
pub(super) fn usual_slope(points: &[Point]) -> f64 {
    let slopes: Vec<f64> = points.windows(SLOPE).map(slope_ppm).collect();
    if slopes.is_empty() { 0.0 } else { median(slopes) }
}

/// Points without the slope that most of them have.
pub(super) fn levelled(points: &[Point]) -> Vec<Point> {
    let ppm = usual_slope(points);
    points.iter().map(|point| Point { level_us: point.level_us - ppm * point.at_s, ..*point }).collect()
}

fn level_us(points: &[Point]) -> f64 {
    median(points.iter().map(|point| point.level_us).collect())
}

/// Ramps by more than `least_us` among points in order, and by more than their levels wander from one to the next anyway.
pub(super) fn slews(points: &[Point], least_us: f64) -> Vec<Slew> {
    let changes = points.windows(2).map(|two| (two[1].level_us - two[0].level_us).abs());
    let scatter_us = quantile(changes.collect(), SCATTER_QUANTILE);
    let least_us = least_us.max(WANDERS * scatter_us);
    let steep: Vec<f64> = points
        .windows(SLOPE)
        .map(slope_ppm)
        .map(|ppm| if ppm.abs() > RUN * LEAST_PPM { ppm.signum() } else { 0.0 })
        .collect();
    let mut slews = Vec::new();
    let mut at = 0;
    for run in steep.chunk_by(|a, b| a == b) {
        let (from, until) = (at, at + run.len() + SLOPE - 1);
        at += run.len();
        if run[0] != 0.0 {
            slews.extend(between_levels(points, from, until, least_us));
        }
    }
    slews
}

/// The ramp among the points from one to before another, if it leads from level to level.
fn between_levels(points: &[Point], from: usize, until: usize, least_us: f64) -> Option<Slew> {
    let inside = points.get(from..until)?;
    let (before, after) = (points.get(from.checked_sub(LEVEL)?..from)?, points.get(until..until + LEVEL)?);
    // What lies on both sides of a silence tells nothing of how the clock ran.
    let steps_s = || points[from - LEVEL..until + LEVEL].windows(2).map(|two| two[1].at_s - two[0].at_s);
    let usual_s = median(steps_s().collect());
    if inside.len() > LONGEST || steps_s().fold(0.0, f64::max) > SILENCE * usual_s {
        return None;
    }
    let (before_us, after_us) = (level_us(before), level_us(after));
    let way_us = after_us - before_us;
    let moved_us = |level: &[Point]| (level_us(&level[LEVEL / 2..]) - level_us(&level[..LEVEL / 2])).abs();
    let flat = moved_us(before).max(moved_us(after)) < FLAT * way_us.abs();
    if !flat || way_us.abs() < least_us {
        return None;
    }
    // What the points lie beside the levels and a ramp between two of them, in all, µs: least where the ramp is (least absolute deviations).
    let beside_us = |begins: usize, ends: usize| -> f64 {
        let (begins_s, lasts_s) = (inside[begins].at_s, inside[ends].at_s - inside[begins].at_s);
        let on = |point: &Point| before_us + way_us * ((point.at_s - begins_s) / lasts_s).clamp(0.0, 1.0);
        inside.iter().map(|point| (point.level_us - on(point)).abs()).sum()
    };
    let mut fits = Vec::new();
    for begins in 0..inside.len() {
        fits.extend((begins + 1..inside.len()).map(|ends| (begins, ends, beside_us(begins, ends))));
    }
    let least = |jumps: bool| {
        let fits = fits.iter().filter(move |(begins, ends, _)| (*ends == begins + 1) == jumps);
        fits.min_by(|a, b| a.2.total_cmp(&b.2))
    };
    let (&(begins, ends, ramp_us), &(.., jump_us)) = (least(false)?, least(true)?);
    let ppm = way_us / (inside[ends].at_s - inside[begins].at_s);
    let scatter_us = ramp_us / inside.len() as f64;
    let steep = (LEAST_PPM..GREATEST_PPM).contains(&ppm.abs());
    if !steep || ramp_us > NO_JUMP * jump_us || scatter_us > BESIDE * way_us.abs() {
        return None;
    }
    // Fits that are hardly worse, and levels that are wrong, put the kinks elsewhere.
    let alike = || fits.iter().filter(|(.., us)| *us <= ALIKE * ramp_us + scatter_us);
    let from_s = alike().map(|(begins, ..)| inside[*begins].at_s).fold(f64::INFINITY, f64::min);
    let until_s = alike().map(|(_, ends, _)| inside[*ends].at_s).fold(f64::NEG_INFINITY, f64::max);
    let doubt_s = moved_us(before).max(moved_us(after)) / ppm.abs() + 2.0 * usual_s;
    Some(Slew { from_s: from_s - doubt_s, until_s: until_s + doubt_s, way_us })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Points each 5 s, a ramp of `way_us` from 300 s on for `lasts_s`, and scatter.
    fn points(way_us: f64, lasts_s: f64, scatter_us: f64) -> Vec<Point> {
        let mut random = 1_u64;
        (0..160)
            .map(|n| {
                random =
                    random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let noise = (random >> 11) as f64 / (1_u64 << 53) as f64;
                let at_s = 5.0 * f64::from(n);
                let share = ((at_s - 300.0) / lasts_s).clamp(0.0, 1.0);
                Point { at_s, level_us: way_us * share + scatter_us * noise }
            })
            .collect()
    }

    #[test]
    fn a_ramp_from_level_to_level_is_found_and_lies_within_what_is_said() {
        for (way_us, lasts_s) in [(50e3, 100.0), (-50e3, 100.0), (30e3, 80.0), (100e3, 200.0), (120e3, 100.0)]
        {
            for scatter_us in [0.0, 1e3, 2e3] {
                let found = slews(&points(way_us, lasts_s, scatter_us), 20e3);
                let [slew] = found[..] else { panic!("{way_us} {lasts_s} {scatter_us}: {found:?}") };
                assert!(slew.from_s <= 300.0 && slew.until_s >= 300.0 + lasts_s, "{slew:?}");
                assert!(slew.from_s > 250.0 && slew.until_s < 350.0 + lasts_s, "{slew:?}");
                assert!((slew.way_us - way_us).abs() < 4e3, "{slew:?}");
            }
        }
    }

    #[test]
    fn slips_of_the_beat_on_the_way_hide_none() {
        // Down by 5 ms every 80 s.
        let mut slipping = points(50e3, 100.0, 100.0);
        slipping.iter_mut().for_each(|point| point.level_us -= 5e3 * (point.at_s / 80.0).floor());
        let found = slews(&slipping, 25e3);
        let [slew] = found[..] else { panic!("{found:?}") };
        assert!(slew.from_s <= 300.0 && slew.until_s >= 400.0 && slew.way_us > 35e3, "{slew:?}");
        slipping = points(0.0, 100.0, 100.0);
        slipping.iter_mut().for_each(|point| point.level_us -= 5e3 * (point.at_s / 20.0).floor());
        assert_eq!(slews(&slipping, 25e3), []);
    }

    #[test]
    fn what_jumps_or_drifts_or_comes_back_is_none() {
        let none: Vec<Slew> = Vec::new();
        // A jump; a drift of 100 ppm; a wait that grows by 10 ms only.
        for (way_us, lasts_s) in [(50e3, 1.0), (50e3, 500.0), (10e3, 30.0)] {
            assert_eq!(slews(&points(way_us, lasts_s, 500.0), 20e3), none, "{way_us} {lasts_s}");
        }
        // A queue that fills and is emptied, and noise.
        let mut queue = points(50e3, 100.0, 500.0);
        queue.iter_mut().filter(|point| point.at_s > 405.0).for_each(|point| point.level_us -= 50e3);
        assert_eq!(slews(&queue, 20e3), none);
        assert_eq!(slews(&points(0.0, 1.0, 30e3), 20e3), none);
    }
}
