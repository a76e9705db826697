//! Ramps of the host's clock: one that is brought to another time without a jump runs fast or slow until it is there.

use super::quantile;

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

/// Slopes that are taken for a ramp, ppm. Two crystals do not differ by as much as the least. System clocks are slewed by 500 ppm by common
/// practice (adjtime, no source); a queue that fills faster than the greatest is none.
const LEAST_PPM: f64 = 220.0;
const GREATEST_PPM: f64 = 1_500.0;
/// Points that a slope is read off, and that the levels before and after are.
const SLOPE: usize = 9;
const LEVEL: usize = 6;
/// How much a level may change, and how far points may lie beside the ramp, as a share of the way.
const FLAT: f64 = 0.25;
const BESIDE: f64 = 0.15;
/// The way is at least so many times what the envelope wanders by anyway.
const WANDERS: f64 = 8.0;

fn median(values: Vec<f64>) -> f64 {
    quantile(values, 0.5)
}

/// The median slope of all pairs of points (Theil 1950, Sen 1968), ppm: a slip of the beat among them hardly moves it.
fn slope_ppm(points: &[Point]) -> f64 {
    let pairs = points.iter().enumerate().flat_map(|(n, to)| points[..n].iter().map(move |from| (from, to)));
    median(pairs.map(|(from, to)| (to.level_us - from.level_us) / (to.at_s - from.at_s)).collect())
}

fn level_us(points: &[Point]) -> f64 {
    median(points.iter().map(|point| point.level_us).collect())
}

/// Ramps by more than `least_us` among points in order, whose levels wander by `scatter_us` from one to the next anyway.
pub(super) fn slews(points: &[Point], least_us: f64, scatter_us: f64) -> Vec<Slew> {
    let least_us = least_us.max(WANDERS * scatter_us);
    let steep: Vec<f64> = points
        .windows(SLOPE)
        .map(slope_ppm)
        .map(|ppm| if (LEAST_PPM..GREATEST_PPM).contains(&ppm.abs()) { ppm.signum() } else { 0.0 })
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

/// The ramp among the points from one to before another, whose outer ones lie across its kinks, if it leads from level to level.
fn between_levels(points: &[Point], from: usize, until: usize, least_us: f64) -> Option<Slew> {
    let inside = points.get(from + SLOPE / 4..until.checked_sub(SLOPE / 4)?)?;
    let ppm = slope_ppm(inside);
    let (first, last) = (inside.first()?, inside.last()?);
    let above = |point: &Point| point.level_us - ppm * (point.at_s - first.at_s);
    let base_us = median(inside.iter().map(above).collect());
    let ramp_us = |at_s: f64| base_us + ppm * (at_s - first.at_s);
    let before = points.get(from.checked_sub(LEVEL)?..from)?;
    let after = points.get(until..until + LEVEL)?;
    // Next to the ramp, since a slip of the beat may lie farther off.
    let (before_us, after_us) = (level_us(&before[LEVEL / 2..]), level_us(&after[..LEVEL / 2]));
    let way_us = after_us - before_us;
    let moved_us = |level: &[Point]| (level_us(&level[LEVEL / 2..]) - level_us(&level[..LEVEL / 2])).abs();
    let flat = moved_us(before).max(moved_us(after)) < FLAT * way_us.abs();
    let begins_s = first.at_s + (before_us - base_us) / ppm;
    let ends_s = first.at_s + (after_us - base_us) / ppm;
    // The outer points of those inside may still lie on the levels.
    let on_ramp = |point: &&Point| (begins_s..ends_s).contains(&point.at_s);
    let beside = |point: &Point| (point.level_us - ramp_us(point.at_s)).abs();
    let beside_us = inside.iter().filter(on_ramp).map(beside).fold(0.0, f64::max);
    let fits = flat && way_us.abs() > least_us && beside_us < BESIDE * way_us.abs();
    if !fits || way_us.signum() != ppm.signum() || ends_s <= begins_s || begins_s > last.at_s {
        return None;
    }
    // A level that is wrong by so much puts the kink elsewhere by as much over the slope; and points are bins of some seconds.
    let off_us = beside_us.max(moved_us(before)).max(moved_us(after));
    let spacing_s = (last.at_s - first.at_s) / (inside.len() - 1) as f64;
    let doubt_s = 2.0 * off_us / ppm.abs() + 2.0 * spacing_s;
    Some(Slew { from_s: begins_s - doubt_s, until_s: ends_s + doubt_s, way_us })
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
                let found = slews(&points(way_us, lasts_s, scatter_us), 20e3, scatter_us / 3.0);
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
        let found = slews(&slipping, 25e3, 100.0);
        let [slew] = found[..] else { panic!("{found:?}") };
        assert!(slew.from_s <= 300.0 && slew.until_s >= 400.0 && slew.way_us > 35e3, "{slew:?}");
        slipping = points(0.0, 100.0, 100.0);
        slipping.iter_mut().for_each(|point| point.level_us -= 5e3 * (point.at_s / 20.0).floor());
        assert_eq!(slews(&slipping, 25e3, 1_000.0), []);
    }

    #[test]
    fn what_jumps_or_drifts_or_comes_back_is_none() {
        let none: Vec<Slew> = Vec::new();
        // A jump; a drift of 100 ppm; a wait that grows by 10 ms only.
        for (way_us, lasts_s) in [(50e3, 1.0), (50e3, 500.0), (10e3, 30.0)] {
            assert_eq!(slews(&points(way_us, lasts_s, 500.0), 20e3, 200.0), none, "{way_us} {lasts_s}");
        }
        // A queue that fills and is emptied, and noise.
        let mut queue = points(50e3, 100.0, 500.0);
        queue.iter_mut().filter(|point| point.at_s > 405.0).for_each(|point| point.level_us -= 50e3);
        assert_eq!(slews(&queue, 20e3, 200.0), none);
        assert_eq!(slews(&points(0.0, 1.0, 30e3), 20e3, 10e3), none);
    }
}
